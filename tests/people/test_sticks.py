"""Sticks and shafts that no network of ours knows are a part of whoever holds them; lines of the court are not.

A floorball stick is up to 0.95 m long without its blade and 3 cm thick (rules of the game, from memory): drawn for an
adult of 1.75 m whose hand is at the hip.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from pipeline.people.things.sticks import reach_with_sticks

HIGH, WIDE = 640, 960
TALL = 300.0  # pixels
X, TOP = 480.0, 250.0  # of the middle of the person and of the head
METRE = TALL / 1.75
PEOPLE = np.array([[(X - 45) / WIDE, TOP / HIGH, (X + 45) / WIDE, (TOP + TALL) / HIGH, 0.9]], np.float32)


def line(
    ground: np.ndarray, start: tuple[float, float], end: tuple[float, float], wide: float, grey: int = 235
) -> None:
    """From `start` to `end`, in pixels."""
    normal = np.array([start[1] - end[1], end[0] - start[0]])
    normal = normal / np.linalg.norm(normal) * wide / 2
    corners = np.array([start + normal, end + normal, end - normal, start - normal])
    cv2.fillConvexPoly(ground, np.round(corners * 16).astype(np.int32), grey, cv2.LINE_AA, 4)


def hall() -> np.ndarray:
    """The floor, and somebody in dark clothes."""
    ground = np.full((HIGH, WIDE), 120, np.uint8)
    cv2.ellipse(ground, (int(X), int(TOP + TALL / 2)), (35, int(TALL / 2)), 0, 0, 360, 40, -1)
    return ground


def reached(ground: np.ndarray, people: np.ndarray = PEOPLE) -> np.ndarray:
    """x0 y0 x1 y1 in pixels of the reach of the first person."""
    return reach_with_sticks(ground, people, people)[0, :4] * [WIDE, HIGH, WIDE, HIGH]


def hand(side: int) -> np.ndarray:
    return np.array([X + side * 40, TOP + 0.5 * TALL])


def blade(side: int, degrees: float, metres: float = 0.9) -> np.ndarray:
    """Where the stick ends; degrees below level."""
    angle = np.radians(degrees)
    return hand(side) + metres * METRE * np.array([side * np.cos(angle), np.sin(angle)])


@pytest.mark.parametrize("noise", [0, 8])
@pytest.mark.parametrize("degrees", [20, 45, -50])
@pytest.mark.parametrize("side", [-1, 1])
def test_a_stick_belongs_to_who_holds_it(side: int, degrees: float, noise: float) -> None:
    ground, end = hall(), blade(side, degrees)
    line(ground, hand(side), end, 0.03 * METRE)
    rng = np.random.default_rng(1)
    ground = np.clip(ground + noise * rng.standard_normal(ground.shape), 0, 255).astype(np.uint8)
    x0, y0, x1, y1 = reached(ground)
    around = 0.1 * TALL  # a blade lies beside it
    assert x0 <= end[0] - around * (side < 0) and end[0] + around * (side > 0) <= x1
    assert y0 <= end[1] - around * (degrees < 0) and end[1] <= y1
    assert x1 - x0 < TALL and (x0 if side > 0 else x1) == pytest.approx(X - side * 45, abs=20)


def test_of_another_person_it_is_not() -> None:
    ground, other = hall(), PEOPLE[0] - np.array([0.3, 0, 0.3, 0, 0], np.float32)
    line(ground, hand(1), blade(1, 45), 0.03 * METRE)
    people = np.stack([PEOPLE[0], other])
    found = reach_with_sticks(ground, people, people)
    assert found[0, 2] > people[0, 2] and (found[1] == other).all()


def goes_through(ground: np.ndarray) -> None:
    """At the other side too, as a line of the court does behind somebody."""
    line(ground, hand(1), blade(1, 10), 0.03 * METRE)
    line(ground, hand(1) - 1.5 * (blade(1, 10) - hand(1)), hand(1) - 0.6 * (blade(1, 10) - hand(1)), 0.03 * METRE)


def long(ground: np.ndarray) -> None:
    line(ground, hand(1), blade(1, 45, 1.6), 0.03 * METRE)


def dashed(ground: np.ndarray) -> None:
    """With a next dash, which the gap keeps apart."""
    line(ground, hand(1), blade(1, 20, 0.8), 0.03 * METRE)
    line(ground, blade(1, 20, 1.05), blade(1, 20, 1.5), 0.03 * METRE)


def one_edge(ground: np.ndarray) -> None:
    """Where two colours of the floor meet."""
    below = np.array([0, 250])
    corners = np.array([hand(1), blade(1, 20), blade(1, 20) + below, hand(1) + below])
    cv2.fillConvexPoly(ground, np.round(corners).astype(np.int32), 200, cv2.LINE_AA)


def broad(ground: np.ndarray) -> None:
    line(ground, hand(1), blade(1, 45), 0.2 * METRE)


def at_the_feet(ground: np.ndarray) -> None:
    line(ground, (X + 40, TOP + TALL - 5), (X + 190, TOP + TALL - 2), 0.03 * METRE)


def apart(ground: np.ndarray) -> None:
    line(ground, blade(1, 45, 0.5), blade(1, 45, 1.2), 0.03 * METRE)


def short(ground: np.ndarray) -> None:
    line(ground, hand(1), blade(1, 20, 0.35), 0.03 * METRE)


@pytest.mark.parametrize("drawn", [goes_through, long, dashed, one_edge, broad, at_the_feet, apart, short])
def test_what_is_no_stick_belongs_to_nobody(drawn: Callable[[np.ndarray], None]) -> None:
    ground = hall()
    drawn(ground)
    assert (reach_with_sticks(ground, PEOPLE, PEOPLE) == PEOPLE).all()


def test_what_the_rim_cuts_goes_on_and_of_somebody_tiny_nothing_is_told() -> None:
    ground = hall()
    line(ground, hand(1), blade(1, 20), 0.03 * METRE)
    cut = ground[:, : int(blade(1, 20)[0]) - 20]
    narrow = PEOPLE * np.array([WIDE / cut.shape[1], 1, WIDE / cut.shape[1], 1, 1], np.float32)
    assert (reach_with_sticks(cut, narrow, narrow) == narrow).all()
    mirrored = narrow[:, [2, 1, 0, 3, 4]] * [-1, 1, -1, 1, 1] + np.array([1, 0, 1, 0, 0])
    mirrored = mirrored.astype(np.float32)
    assert (reach_with_sticks(np.ascontiguousarray(cut[:, ::-1]), mirrored, mirrored) == mirrored).all()
    large = cv2.copyMakeBorder(ground, 900, 900, 1350, 1350, cv2.BORDER_REPLICATE)
    scale, off = np.array([WIDE, HIGH, WIDE, HIGH]), np.array([1350, 900, 1350, 900])
    tiny = PEOPLE.copy()
    tiny[:, :4] = (PEOPLE[:, :4] * scale + off) / (scale + 2 * off)
    assert (reach_with_sticks(large, tiny, tiny) == tiny).all()
    assert reach_with_sticks(ground, PEOPLE[:0], PEOPLE[:0]).shape == (0, 5)
