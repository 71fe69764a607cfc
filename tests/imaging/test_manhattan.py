"""The turn of a hall by its three directions: lines of known cameras, what is no hall, and real frames of a court."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from pipeline.imaging.level import LEVEL, Tilt, segments, tilt
from pipeline.imaging.manhattan import MANHATTAN, Fit, Lines, fit, joined
from pipeline.people.detect import find
from tests.imaging.test_level import hall
from tests.levels import picture_of, tilt_of
from tests.people.test_choice import models

EDGE = 640
SURE = Fit(roll=1.0, spread=0.1, evidence=40.0, share=0.8, moved=0.1, second=10.0, bent=1.09)


def seen_by(
    roll: float, pitch: float, yaw: float, focal: float, seed: int = 0, count: int = 40, strays: int = 20,
    upright: bool = True, noise: float = 0.3,
) -> Lines:  # fmt: skip
    """Lines of a floor, and posts, as a pinhole camera 4 m above it sees them, and lines at any angle besides.

    Degrees, pitch up; focal in frames; noise: standard deviation of the ends in pixels. Points are turned one by one
    and divided by their depth (Hartley and Zisserman, "Multiple View Geometry", ch. 6): no vanishing point is used.
    """
    rng = np.random.default_rng(seed)
    r, p, q = np.radians([roll, pitch, yaw])
    turn = np.array([[math.cos(r), -math.sin(r), 0], [math.sin(r), math.cos(r), 0], [0, 0, 1]])
    nod = np.array([[1, 0, 0], [0, math.cos(p), math.sin(p)], [0, -math.sin(p), math.cos(p)]])
    swing = np.array([[math.cos(q), 0, -math.sin(q)], [0, 1, 0], [math.sin(q), 0, math.cos(q)]])
    ways = np.array([[1.0, 0, 0], [0, 0, 1], [0, -1, 0]])
    ends: list[np.ndarray] = []
    while len(ends) < count:
        kind = int(rng.integers(0, 3 if upright else 2))
        start = np.array([rng.uniform(-25, 25), 4.0, rng.uniform(3, 60)])
        both = np.stack([start, start + rng.uniform(1, 6) * ways[kind]]) @ swing.T @ nod.T
        if both[:, 2].min() < 0.5:
            continue
        flat = focal * both[:, :2] / both[:, 2:] @ turn[:2, :2].T
        if np.abs(flat[:, 0]).max() < 0.5 and np.abs(flat[:, 1]).max() < 1 / 3:
            ends.append(flat + noise / EDGE * rng.standard_normal((2, 2)))
    for _ in range(strays):
        middle, angle = rng.uniform((-0.5, -0.33), (0.5, 0.33)), rng.uniform(0, math.pi)
        out = rng.uniform(0.02, 0.06) * np.array([math.cos(angle), math.sin(angle)])
        ends.append(np.stack([middle - out, middle + out]))
    a, b = np.array(ends).transpose(1, 0, 2)
    way = b - a
    angle = (np.degrees(np.arctan2(way[:, 1], way[:, 0])) + 90) % 180 - 90
    return (a[:, 0] + b[:, 0]) / 2, (a[:, 1] + b[:, 1]) / 2, angle, np.hypot(*way.T)


@pytest.mark.parametrize("upright", [True, False])
@pytest.mark.parametrize(("roll", "pitch", "yaw", "focal"), [
    (0, -12, 8, 2.5), (-3, -9, -30, 1.5), (2.5, -15, 40, 1.0), (1, -7, 20, 3.0), (-4.5, -14, -3, 2.0),
])  # fmt: skip
def test_a_camera_over_a_court_is_found_also_without_one_upright_line(
    roll: float, pitch: float, yaw: float, focal: float, upright: bool
) -> None:
    lines = seen_by(roll, pitch, yaw, focal, upright=upright)
    found = fit([lines] * 3, [EDGE] * 3)
    assert found is not None
    assert abs(found.roll - roll) < max(0.3, 3 * found.spread)
    assert found.spread < 0.5


def test_lines_at_any_angle_are_no_hall() -> None:
    for seed in range(5):
        lines = seen_by(0, 0, 0, 2.0, seed, count=0, strays=120)
        found = fit([lines] * 3, [EDGE] * 3)
        assert found is not None and not found.sure and found.evidence < MANHATTAN.evidence
    few = seen_by(0, 0, 0, 2.0, count=3, strays=0)
    assert fit([few, few], [EDGE, EDGE]) is None


def test_level_lines_of_one_direction_may_be_a_turned_camera_or_a_wall_at_a_slant() -> None:
    """Slanting lines that all but converge: what they say of the roll depends on where the horizon is."""
    rng = np.random.default_rng(3)
    y = rng.uniform(-0.1, 0.3, 40)
    lines = rng.uniform(-0.3, 0.3, 40), y, 2.0 + 4 * y + rng.normal(0, 0.1, 40), np.full(40, 0.2)
    found = fit([lines] * 3, [EDGE] * 3)
    assert found is not None and found.spread > MANHATTAN.spread and not found.sure


def test_pieces_of_a_line_become_one_and_its_other_edge_stays() -> None:
    """A line of four pieces at 3 degrees, another edge 3 pixels below it, and a piece across."""
    way = np.array([math.cos(math.radians(3)), math.sin(math.radians(3))])
    at = np.array([-0.2, -0.12, -0.04, 0.04])
    x, y = (np.append(at * way[k], [0.0, 0.1]) for k in (0, 1))
    y[4] += 3 / EDGE
    found = joined((x, y, np.array([3.0, 3, 3, 3, 3, 80]), np.array([0.06] * 4 + [0.2, 0.05])), EDGE)
    order = np.argsort(-found[3])
    assert found[3][order] == pytest.approx([0.3, 0.2, 0.05], abs=1e-6)
    assert found[2][order] == pytest.approx([3, 3, 80], abs=1e-6)


def test_what_makes_an_answer_sure() -> None:
    assert SURE.sure
    usual = replace(SURE, second=6.9, bent=1.2)
    assert usual.sure
    for worse in ({"spread": 0.26}, {"moved": 0.36}, {"share": 0.69}, {"evidence": 13.0}, {"second": 2.9}):
        assert not replace(usual, **worse).sure, worse
    crowded = replace(SURE, spread=0.19, evidence=21.0, share=0.66, second=6.9)
    assert crowded.sure
    for worse in ({"spread": 0.21}, {"evidence": 19.0}, {"share": 0.64}, {"bent": 1.11}):
        assert not replace(crowded, **worse).sure, worse
    plain = replace(SURE, spread=0.39, evidence=13.0, share=0.56, second=7.1)
    assert plain.sure
    for worse in ({"spread": 0.41}, {"share": 0.54}, {"second": 6.9}, {"bent": 1.11}, {"moved": 0.36}):
        assert not replace(plain, **worse).sure, worse


def test_straighter_lines_are_known_better_and_bent_ones_leave_more_doubt() -> None:
    """A quarter of a pixel off, as told, and by what a lens bends: the same views, the ends of each line moved more."""
    said = []
    for noise in (0.0, 0.3, 3.0):
        lines = seen_by(1.0, -9, 30, 1.5, noise=noise)
        said.append(fit([lines] * 3, [EDGE] * 3))
    straight, usual, bent = said
    assert straight is not None and usual is not None and bent is not None
    assert straight.bent < 0.6 < usual.bent < 1 < bent.bent
    assert straight.spread < 0.75 * usual.spread and abs(straight.roll - 1) < 0.05


def test_a_drawn_hall_is_as_turned_as_it_was_drawn() -> None:
    """From a stand, nobody in it, exactly level and turned: no answer, or one that is not sure, does not pass."""
    for roll in (0.0, 2.0):
        picture = hall(25, -12, roll, 1.0, people=0)
        found = fit([segments(picture, edge) for edge in LEVEL.edges], LEVEL.edges)
        assert found is not None and found.sure and abs(found.roll - roll) < LEVEL.agree


@pytest.mark.long
def test_frames_of_a_court_turn_with_their_tilt(shared: Callable[[str], Path]) -> None:
    """Real frames from a stand: hardly an upright line, a crowd, and captions that a broadcaster put in. By eye they
    are level. Of another hall that is seen from far away (b) the lens is not known well enough to say anything."""
    files = models(shared("models"))
    answered = {}
    for name in ("a_29880", "a_29884", "b_29905"):
        picture = picture_of(shared(f"data/court/{name}.jpg"))
        found = {degrees: tilt_of(picture, degrees, files) for degrees in (-3.4, 0.0, 2.6)}
        away = [one.degrees - degrees for degrees, one in found.items() if isinstance(one, Tilt)]
        assert all(abs(one) < LEVEL.agree for one in away), name
        answered[name] = len(away)
    assert answered["a_29880"] == answered["a_29884"] == 3


def test_nothing_is_said_of_a_hall_whose_lines_are_bent_and_hidden(shared: Callable[[str], Path]) -> None:
    """Once turned by 0.6 without need: four black columns at its left were an upright line of the hall, and too much
    was made of small odds."""
    picture = picture_of(shared("data/court/b_29905.jpg"))
    people = find(picture, models(shared("models")).person, None).people
    assert not isinstance(tilt(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY).astype(np.float32) / 255, people), Tilt)
