"""The closer look at heads: real players whose faces the first look misses, a real back, and every number of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

import cv2
import numpy as np

from pipeline.people import heads
from pipeline.people.heads import LOOK, UNKNOWN, hints_of
from pipeline.people.subject import find_subjects
from pipeline.types import F32
from tests.people.rules import Scenario, guards, near, turns
from tests.people.test_choice import models, ranks, seen

PICTURE = np.zeros((400, 600, 3), np.uint8)
NO_FACES = np.zeros((0, 9), np.float32)


def test_a_face_that_is_only_missed_is_not_called_hidden_and_a_back_is(shared: Callable[[str], Path]) -> None:
    """A player from the side, whose face only the closer look sees; spectators from behind."""
    files = models(shared("models"))
    court = cv2.imread(str(shared("data/court/a_29884.jpg")))
    player = np.ascontiguousarray(court[420:760, 960:1420])  # seen from the side, face to the net
    ride = cv2.imread(str(shared("data/people/33823288584_1d21cf0a26_k.jpg")))
    found = {"player": seen(player, files), "backs": seen(np.ascontiguousarray(ride[120:, :344]), files)}
    subjects = {name: find_subjects([one.people])[0] for name, one in found.items()}
    told = {name: found[name].assessed(subject) for name, subject in subjects.items()}
    assert told["player"].face > 0.5 and not told["player"].faceless
    assert replace(found["player"], hints=found["player"].hints * 0 + 1).assessed(subjects["player"]).face == 0
    assert told["backs"].face == 0 and told["backs"].faceless
    why = {name: one.why for name, one in ranks(found).items()}
    assert "turned away" not in why["player"] and "turned away" in why["backs"]


def person(x0: float = 0.4, y0: float = 0.2, x1: float = 0.6, y1: float = 0.7) -> F32:
    return np.array([[x0, y0, x1, y1, 0.9]], np.float32)


def looked(
    people: F32, faces: F32 = NO_FACES, at: float = 0.5, tall: float = 0.2
) -> tuple[F32, list[tuple[tuple[int, ...], float]]]:
    """(hints, shape of what was looked at and the least certainty, each time), where each time a face of 0.3 is found:
    at so much of the width of what is looked at, in its middle, and so tall."""
    given: list[tuple[tuple[int, ...], float]] = []

    def found(model: str, picture: np.ndarray, least: float) -> F32:
        given.append((picture.shape[:2], least))
        y0, y1 = 0.5 - tall / 2, 0.5 + tall / 2
        return np.array([[at - 0.1, y0, at + 0.1, y1, 0.3, at, 0.5, at, 0.5]], np.float32)

    with patch.object(heads, "faces_in", found):
        return hints_of("", PICTURE, people, faces)[0], given


def part(people: F32) -> tuple[float, float]:
    """Height and width, in pixels, of the part that is looked at."""
    with patch.object(heads, "_enlarged", lambda part, edge: part):
        return looked(people)[1][0][0]


def first_found(sure: float) -> F32:
    return np.array([[0.47, 0.22, 0.53, 0.3, sure, 0.5, 0.25, 0.5, 0.26]], np.float32)


def smoothed_dot() -> int:
    """What is left of one white pixel."""
    dot = np.zeros((240, 240, 3), np.uint8)
    dot[120, 120] = 255
    return int(heads._views(dot, 240)[1].max())


def hint(*sure: float) -> float:
    """What comes of these certainties: at the first size as it is and smoothed, and so at the second."""
    left = list(sure)

    def found(model: str, picture: np.ndarray, least: float) -> F32:
        return np.array([[0.4, 0.4, 0.6, 0.6, left.pop(0), 0.5, 0.5, 0.5, 0.5]], np.float32)

    with patch.object(heads, "faces_in", found):
        return float(hints_of("", PICTURE, person(), NO_FACES)[0][0])


def test_a_face_is_seen_at_one_size_or_smoothed_at_each() -> None:
    assert hint(0.1, 0.7, 0.2, 0.6) == np.float32(0.6)
    assert hint(0.1, 0.6, 0.3, 0.2) == np.float32(0.3)
    assert hint(0.8, 0.1, 0.2, 0.2) == np.float32(0.8)


def untold(value: float = 60.0, noise: float = 8.0, top: float = 0.0, side: float = 0.0) -> bool:
    """Whether of a person of 200 pixels nothing is told, whose head is of such a value and noise among what is light;
    or only what is so far below the top, or a square in it, is dark."""
    picture = np.full((400, 600, 3), 200.0)
    square = round(200 * side) if side else 200
    start = 90 if side else 80 + round(200 * top)
    picture[start : start + square, 270 : 270 + square] = value
    picture += np.random.default_rng(5).normal(0, noise, (400, 600, 1))
    seen = np.clip(np.round(picture), 0, 255).astype(np.uint8)
    with patch.object(heads, "faces_in", lambda *given: NO_FACES):
        return bool(hints_of("", seen, person(), NO_FACES)[1][0])


def test_a_dark_head_in_noise_is_not_told_from_a_hidden_face() -> None:
    assert untold() and not untold(value=120) and not untold(noise=0.5)


def test_a_face_beside_somebody_is_not_this_persons() -> None:
    """A narrow person, whose head is looked at with a quarter of the height on each side."""
    narrow = person(0.48, x1=0.52)
    assert looked(narrow)[0] == np.float32(0.3)
    assert looked(narrow, at=0.8)[0] == 0.0


def test_where_a_face_is_found_or_the_head_is_too_small_nothing_is_looked_for() -> None:
    face = first_found(0.9)
    assert looked(person(), face) == (np.array([UNKNOWN]), [])
    assert looked(person(y1=0.35)) == (np.array([UNKNOWN]), [])
    assert looked(person())[0] == np.float32(0.3)


def test_what_is_as_large_as_the_jersey_of_who_stands_is_no_face() -> None:
    """A face of 0.4 heights on a box of 120 by 200 pixels, on a narrow one, and on one that the lower side cuts."""
    assert looked(person(), tall=0.8)[0] == np.float32(0.3)
    assert looked(person(0.43, x1=0.57), tall=0.8)[0] == 0.0
    assert looked(person(0.43, y0=0.5, x1=0.57, y1=1.0), tall=0.8)[0] == np.float32(0.3)


SCENARIOS: dict[str, Scenario] = {
    "LOOK.tall": lambda: turns(lambda tall: bool(looked(person(y1=0.2 + tall))[1]), 0.2),
    "LOOK.most": lambda: (looked(np.repeat(person(), 9, axis=0))[0] < UNKNOWN).sum() == 4,
    "LOOK.above": lambda: part(person())[0] == 100,  # half of the person's 200 pixels
    "LOOK.below": lambda: part(person(y0=0.0, y1=0.5))[0] == 84,  # and from the frame's own top
    "LOOK.side": lambda: part(person(0.48, x1=0.52))[1] == 100 and part(person())[1] == 120,
    "LOOK.edges": lambda: [max(shape) for shape, _ in looked(person())[1]] == [240, 240, 320, 320],
    "LOOK.smooth": lambda: near(smoothed_dot(), 255 / (2 * np.pi * 1.5**2)),
    "LOOK.dark": lambda: turns(lambda value: not untold(value), 90),
    "LOOK.noisy": lambda: turns(lambda noise: untold(noise=noise), 2.5, 0.05),
    # Of 50 rows seven are dark, which with those before is most of a square of 16.
    "LOOK.face_above": lambda: turns(lambda top: not untold(top=top, noise=4), 43 / 200, 0.06),
    # Of such a square, between a light of 60 and of 200, so much of each side makes 90.
    "LOOK.face_side": lambda: turns(lambda side: untold(side=side, noise=4), 0.0725, 0.05),
    "LOOK.sure": lambda: turns(lambda sure: not looked(person(), first_found(sure))[1], 0.85),
    # Of the half of a person that is looked at, at the frame's lower side; above it, of a box as wide as tall.
    "LOOK.closest": lambda: turns(lambda tall: looked(person(y0=0.5, y1=1.0), tall=2 * tall)[0] == 0.0, 0.8),
    "LOOK.ends": lambda: turns(lambda free: looked(person(y0=0.4, y1=1 - free), tall=1.3)[0] == 0.0, 0.02),
    "LOOK.shoulders": lambda: turns(lambda tall: looked(person(x1=0.4 + 1 / 3), tall=2 * tall)[0] == 0.0, 0.7),
    "LOOK.least": lambda: looked(person())[1][0][1] == 0.05,
}


test_a_tenth_more_or_less_changes_what_is_looked_at, test_every_number = guards({"LOOK": LOOK}, SCENARIOS)
