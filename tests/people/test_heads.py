"""The closer look at heads: real players whose faces the first look misses, a real back, and every number of it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from unittest.mock import patch

import cv2
import numpy as np

from pipeline.people import heads
from pipeline.people.heads import LOOK, UNKNOWN, hints_of
from pipeline.people.subject import find_subjects
from pipeline.types import F32
from tests.people.rules import Scenario, guards, turns
from tests.people.test_choice import models, ranks, seen

PICTURE = np.zeros((400, 600, 3), np.uint8)
NO_FACES = np.zeros((0, 9), np.float32)


def test_a_face_that_is_only_missed_is_not_called_hidden_and_a_back_is(shared: Callable[[str], Path]) -> None:
    """A player from the side, of whom the first look sees no face; spectators from behind."""
    files = models(shared("models"))
    court = cv2.imread(str(shared("data/court/a_29884.jpg")))
    player = np.ascontiguousarray(court[420:760, 960:1420])  # seen from the side, face to the net
    ride = cv2.imread(str(shared("data/people/33823288584_1d21cf0a26_k.jpg")))
    found = {"player": seen(player, files), "backs": seen(np.ascontiguousarray(ride[120:, :344]), files)}
    subjects = {name: find_subjects([one.people])[0] for name, one in found.items()}
    told = {name: found[name].assessed(subject) for name, subject in subjects.items()}
    assert told["player"].face == 0 and not told["player"].faceless
    assert told["backs"].face == 0 and told["backs"].faceless
    why = {name: one.why for name, one in ranks(found).items()}
    assert "turned away" not in why["player"] and "turned away" in why["backs"]


def person(x0: float = 0.4, y0: float = 0.2, x1: float = 0.6, y1: float = 0.7) -> F32:
    return np.array([[x0, y0, x1, y1, 0.9]], np.float32)


def looked(people: F32, faces: F32 = NO_FACES) -> tuple[F32, list[tuple[tuple[int, ...], float]]]:
    """(hints, shape of what was looked at and the least certainty, each time)."""
    given: list[tuple[tuple[int, ...], float]] = []

    def surest(model: str, picture: np.ndarray, least: float) -> float:
        given.append((picture.shape[:2], least))
        return 0.3

    with patch.object(heads, "surest_face", surest):
        return hints_of("", PICTURE, people, faces), given


def part(people: F32) -> tuple[float, float]:
    """Height and width, in pixels, of the part that is looked at."""
    with patch.object(heads, "_enlarged", lambda part, edge: part):
        return looked(people)[1][0][0]


def test_where_a_face_is_found_or_the_head_is_too_small_nothing_is_looked_for() -> None:
    face = np.array([[0.47, 0.22, 0.53, 0.3, 0.9, 0.5, 0.25, 0.5, 0.26]], np.float32)
    assert looked(person(), face) == (np.array([UNKNOWN]), [])
    assert looked(person(y1=0.35)) == (np.array([UNKNOWN]), [])
    assert looked(person())[0] == np.float32(0.3)


SCENARIOS: dict[str, Scenario] = {
    "LOOK.tall": lambda: turns(lambda tall: bool(looked(person(y1=0.2 + tall))[1]), 0.2),
    "LOOK.most": lambda: (looked(np.repeat(person(), 9, axis=0))[0] < UNKNOWN).sum() == 4,
    "LOOK.above": lambda: part(person())[0] == 100,  # half of the person's 200 pixels
    "LOOK.below": lambda: part(person(y0=0.0, y1=0.5))[0] == 84,  # and from the frame's own top
    "LOOK.side": lambda: part(person(0.48, x1=0.52))[1] == 100 and part(person())[1] == 120,
    "LOOK.edges": lambda: [max(shape) for shape, _ in looked(person())[1]] == [240, 320],
    "LOOK.least": lambda: looked(person())[1][0][1] == 0.05,
}


test_a_tenth_more_or_less_changes_what_is_looked_at, test_every_number = guards({"LOOK": LOOK}, SCENARIOS)
