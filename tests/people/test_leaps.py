"""How high somebody leaps: of made-up paths of known height, and what is none."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from pipeline.fixtures.figure import Player
from pipeline.fixtures.hall import GREEN_JERSEY, WHITE_JERSEY

from pipeline.people.ranking import rank
from pipeline.people.subject import LEAPING, find_subjects, leaps
from pipeline.types import Burst
from tests.people.rules import Scenario, guards, near
from tests.people.test_choice import models, seen
from tests.people.test_tracking import observed, standing
from tests.situations import Situation, draw_situation

TENTHS = np.arange(20) / 10


def of(boxes: Sequence[Sequence[float]], seconds: Sequence[float] = (), nods: Sequence[float] = ()) -> list[float]:
    frames = [observed([box]) for box in boxes]
    took = np.diff(seconds if len(seconds) else TENTHS[: len(frames)], prepend=0.0)
    shifts = [np.array([0.0, y, t]) for y, t in zip(nods or [0.0] * len(frames), took, strict=True)]
    return leaps(frames, [0] * len(frames), shifts)


def jump(
    metres: float, at: float = 0.4, count: int = 9, tall: float = 0.5
) -> tuple[list[tuple[float, ...]], list[float]]:
    """Boxes of somebody of 1.8 m who leaps so high, by free fall (9.81 m/s^2), and the truth in heights."""
    high = [max(0.0, metres - 9.81 / 2 * (t - at) ** 2) / 1.8 for t in TENTHS[:count]]
    return [standing(0.5, foot=0.8 - tall * one, tall=tall) for one in high], high


@pytest.mark.parametrize("metres", [0.25, 0.4, 0.8])
def test_a_leap_is_as_high_as_it_was(metres: float) -> None:
    boxes, high = jump(metres)
    assert of(boxes) == pytest.approx(high, abs=0.01)
    assert [one.leap for one in find_subjects([observed([box]) for box in boxes]) if one] == pytest.approx(
        high, abs=0.02
    )


@pytest.mark.long
def test_the_peak_of_a_drawn_jump_is_the_best_of_its_burst(tmp_path: Path, shared: Callable[[str], Path]) -> None:
    """A jump shot of half a metre, by free fall, early in a burst of seven, as the detector sees it."""
    peak = 0.15

    def figures(t: float) -> list[Player]:
        rise = max(0.0, 0.5 - 9.81 / 2 * (t - peak) ** 2)
        other = Player(
            x=1.6, z=9.5, facing=-1, phase=3 * t, skin="skin", number="3", arms="run", seed=4, **WHITE_JERSEY
        )
        main = Player(x=2.0 * t - 0.6, z=8.5, facing=1, phase=0.0, skin="skin", number="8", arms="throw", above=rise,
                      swing=t, seed=2, **GREEN_JERSEY)  # fmt: skip
        return [other, main]

    drawn = draw_situation(Situation("jump", figures, ("8",), frames=7), tmp_path)
    files = models(shared("models"))
    measured = [seen(cv2.imread(str(tmp_path / f"{name}.jpg")), files) for name in drawn]
    subjects = find_subjects([one.people for one in measured], TENTHS[:7].tolist())
    qualities = [m.assessed(s) for m, s in zip(measured, subjects, strict=True)]
    # Whether a drawn head passes for a face is chance.
    told = {name: replace(one, face=1.0) for name, one in zip(drawn, qualities, strict=True)}
    best = next(name for name, one in rank([Burst(tuple(drawn))], told).items() if one.place == 1)
    assert abs((int(best[-1]) - 1) / 10 - peak) < 0.06


def test_a_camera_that_nods_is_no_leap_and_hides_none() -> None:
    boxes, high = jump(0.4)
    nod = [0.0, 0.02, 0.03, 0.03, 0.01, -0.02, -0.04, 0.0, 0.01]
    moved = [tuple(np.array(box) + np.array([0, y, 0, y, 0])) for box, y in zip(boxes, np.cumsum(nod), strict=True)]
    assert of(moved, nods=nod) == pytest.approx(high, abs=0.01)


def test_where_the_camera_is_lost_nothing_is_said_after_it() -> None:
    boxes, high = jump(0.4)
    told = of(boxes, nods=[0, 0, float("nan"), *[0.0] * 6])
    assert told == [0.0] * len(high)


def test_who_kneels_is_hidden_runs_away_or_raises_an_arm_does_not_leap() -> None:
    x0, y0, x1, y1, sure = standing(0.5)
    kneels = [(x0, y0 + down, x1, y1, sure) for down in (0, 0.05, 0.1, 0.05, 0)]
    hidden = [(x0, y0, x1, y1 - up, sure) for up in (0, 0.05, 0.1, 0.05, 0)]
    reaches = [(x0, y0 - up, x1, y1, sure) for up in (0, 0.05, 0.1, 0.05, 0)]
    away = [standing(0.5, foot=0.8 - 0.02 * i, tall=0.5 - 0.01 * i) for i in range(6)]
    for boxes in (kneels, hidden, reaches, away):
        assert max(of(boxes)) < 0.01


def test_boxes_that_shake_are_next_to_no_leap() -> None:
    """By a fiftieth of the height, as those of a detector do."""
    rng = np.random.default_rng(3)
    most = []
    for _ in range(50):
        boxes = [standing(0.5, foot=0.8 + 0.01 * rng.standard_normal(), tall=0.5) for _ in range(6)]
        most.append(max(of(boxes)))
    assert np.median(most) < 0.06


def test_nobody_and_a_single_frame() -> None:
    frames = [observed([])] * 3
    assert leaps(frames, [None] * 3, [np.zeros(3)] * 3) == [0.0] * 3
    assert of([standing(0.5)]) == [0.0]


def other(ratio: float) -> float:
    """The leap of a burst in which the middle frame's box is so much lower than the rest, and higher up."""
    boxes = [standing(0.5), standing(0.5, foot=0.6, tall=0.5 / ratio), standing(0.5)]
    return of(boxes)[1]


SCENARIOS: dict[str, Scenario] = {
    "LEAPING.longest": lambda: (
        of([standing(0.5), standing(0.5, foot=0.7), standing(0.5)], (0, 0.6, 1.25))[1] == 0.0
        and near(of([standing(0.5), standing(0.5, foot=0.7), standing(0.5)], (0, 0.6, 1.15))[1], 0.2)
    ),
    "LEAPING.alike": lambda: other(1.4) == 0.0 and other(1.3) > 0.1,
}
test_each_number_matters, test_every_number_is_guarded = guards({"LEAPING": LEAPING}, SCENARIOS)
