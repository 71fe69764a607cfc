"""Every number that decides who is the same person in the next frame; see tests/people/rules."""

from __future__ import annotations

from collections.abc import Sequence
from math import exp
from unittest.mock import patch

import numpy as np

from pipeline.people import tracking
from pipeline.people.tracking import (
    CAMERA,
    LINKING,
    _links,
    _nearness,
    best_path,
    camera_shifts,
    paces,
)
from pipeline.people.untimed_bursts import moments_of
from pipeline.types import Burst
from tests.people.rules import Scenario, guards, near, turns
from tests.people.test_tracking import GREY, RATIO, observed, standing, tenths

RULES = {"CAMERA": CAMERA, "LINKING": LINKING}


def left_out(tall: float, sure: float = 0.8) -> bool:
    """Whether somebody of this height and certainty is left out of what tells how the camera turned."""
    asked: list[Sequence[np.ndarray]] = []

    def noted(pictures: Sequence[np.ndarray], people: Sequence[np.ndarray]) -> list[np.ndarray]:
        asked.append(people)
        return [np.zeros(2)]

    with patch.object(tracking, "hall_shifts", noted):
        camera_shifts([observed([standing(0.5, tall=tall, sure=sure)]), observed()])
    return bool(len(asked[0][0]))


def cost(first: tuple[float, ...], second: tuple[float, ...], colour: float = 0.0, frames: int = 1) -> float:
    """Cost of somebody going on as somebody whose jersey differs by so much, in a hall that stands still."""
    other = (GREY[0] + colour, *GREY[1:])
    before, now = observed([first], jersey_colour=[GREY]), observed([second], jersey_colour=[other])
    return float(_links(before, now, tenths(frames))[0, 0])


def path(colour: float) -> int:
    """How many of two frames are one path, for somebody who stands still and changes the jersey by so much."""
    other = (GREY[0] + colour, *GREY[1:])
    frames = [observed([standing(0.5)], jersey_colour=[one]) for one in (GREY, other)]
    return len(best_path(frames, [np.ones(1)] * 2, tenths(2)))


def stepped(seconds: Sequence[float]) -> float:
    """The pace in the first of frames taken then, of somebody who takes a step of 0.2 heights after it."""
    frames = [observed([standing(0.5 + (0.2 * 0.5 / RATIO if at else 0))]) for at in range(len(seconds))]
    return float(paces(frames, [np.array([0, 0, passed]) for passed in np.diff(seconds, prepend=0)])[0][0])


def known(turns_of: Sequence[float], at: int) -> bool:
    """Whether one of the turns of a camera is believed, each of so many heights of the frame."""
    frames = [observed()] * (len(turns_of) + 1)
    found = [np.array([one / RATIO, 0.0]) for one in turns_of]
    with patch.object(tracking, "hall_shifts", lambda pictures, people: found):
        return bool(np.isfinite(camera_shifts(frames)[at + 1]).all())


def bridged(missed: int) -> bool:
    frames = [observed([standing(0.5)]), *[observed()] * missed, observed([standing(0.5)])]
    return len(best_path(frames, [np.ones(len(f.people)) for f in frames], tenths(len(frames)))) == 2


def nearness(away: float, taller: float = 1.0) -> float:
    """Of two who do not overlap, 0.5 tall and so many of that apart, the second taller about the same middle."""
    second = standing(0.5 + away * 0.5 / RATIO, foot=0.55 + 0.25 * taller, tall=0.5 * taller)
    boxes = np.array([standing(0.5, foot=0.8)[:4], second[:4]])
    return float(_nearness(boxes[:1], boxes[1:], RATIO)[0, 0])


STILL = standing(0.5)
SCENARIOS: dict[str, Scenario] = {
    "CAMERA.large": lambda: turns(left_out, 0.15),
    "CAMERA.jolt": lambda: turns(lambda away: not known([0.1, 0.1, 0.1 + away, 0.1, 0.1], 2), 0.15),
    # Most of the turns up to two frames away differ, but not of those up to one or three.
    "CAMERA.beside": lambda: not known([0.4, 0, 0.4, 0.4, 0, 0, 0.4], 3),
    "LINKING.skip": lambda: bridged(3) and not bridged(4),
    # Half the cost of another jersey and of standing still is what the first of the two is worth:
    # 0.3 + 0.35 + 1.5 * (114 / 60 - 1) = 2.
    "LINKING.weight": lambda: turns(lambda colour: path(colour) == 1, 114),
    "LINKING.jersey": lambda: turns(lambda colour: path(colour) == 1, 114),
    "LINKING.other_jersey": lambda: turns(lambda colour: path(colour) == 1, 114, by=0.02),
    "LINKING.near_jersey": lambda: near(cost(STILL, STILL, 30), 0.3 + 0.35 / 2),
    # Twice the height about the same middle: a quarter of the larger box is the smaller one.
    "LINKING.growth": lambda: near(cost(standing(0.5, 0.7, 0.4), standing(0.5, 0.9, 0.8)) - 0.75, 0.4 + 0.3),
    "LINKING.paced_over": lambda: near(stepped([0.01 * at for at in range(30)]), 0.2 / 0.2),
    "LINKING.paced_least": lambda: turns(lambda seconds: bool(np.isfinite(stepped([0, seconds]))), 0.15),
    "LINKING.usual": lambda: near(camera_shifts([observed()] * 2)[1][2], 0.1),
    "LINKING.untimed": lambda: near(moments_of([Burst(("TH1_7", "TH1_8"), False)], {})[0].longest[1], 1.0),
    "LINKING.still": lambda: near(cost(STILL, STILL), 0.3),
    # Half as fast as counts fully, over a fifth of the width of the box, in a tenth of a second.
    "LINKING.fast": lambda: near(cost(STILL, standing(0.5 + 0.075 * 0.5 / RATIO)) - lost_overlap(0.075), 0.15),
    "LINKING.nearest": lambda: turns(lambda nearness: not np.isfinite(cost(STILL, apart(nearness))), 1 / 0.1),
    "LINKING.runner": lambda: near(nearness(0.4), 0.6 * exp(-1)),
    "LINKING.runner_reach": lambda: near(nearness(0.4), 0.6 * exp(-1)),
    "LINKING.runner_height": lambda: near(nearness(0.4, 1.5), 0.6 * exp(-1) / 1.5**2),
}


def lost_overlap(moved: float) -> float:
    """1 - intersection over union of a box a third as wide as tall, and of itself so many heights aside."""
    return 1 - (1 / 3 - moved) / (1 / 3 + moved)


def apart(times: float) -> tuple[float, ...]:
    """Somebody of whom nearness is the `times`th part of 1."""
    return standing(0.5 + 0.4 * np.sqrt(np.log(0.6 * times)) * 0.5 / RATIO)


test_a_tenth_more_or_less_changes_who_is_followed, test_every_number_is_guarded = guards(RULES, SCENARIOS)
