"""The score of a frame and the order of a burst: each part, what is as good as another, and what is said of it."""

from __future__ import annotations

from dataclasses import astuple, replace

import numpy as np
import pytest

from pipeline.people.ranking import POINTS, Quality, Ranked, quality_of, rank
from pipeline.people.subject import find_subjects
from pipeline.types import Burst
from tests.people.test_subject import ball, face
from tests.people.test_tracking import observed, standing

GOOD = Quality(subject=True, sharp=0.1, face=1.0, ball=1.0, size=0.7, whole=1.0, level=0.2, clipped=0.0)


def ranked(*frames: Quality, rest: Quality = GOOD) -> list[Ranked]:
    """Frames of one burst, in a shoot in which most frames are as `rest`."""
    names = [f"TH1_{i:04d}" for i in range(len(frames))]
    others = [f"TH2_{i:04d}" for i in range(9)]
    qualities = dict(zip(names, frames, strict=True)) | dict.fromkeys(others, rest)
    ranks = rank([Burst(tuple(names)), *(Burst((n,)) for n in others)], qualities)
    return [ranks[n] for n in names]


def places(*frames: Quality) -> list[int]:
    return [r.place for r in ranked(*frames)]


def test_a_perfect_frame_has_a_hundred_points_and_the_parts_add_up() -> None:
    assert sum(astuple(POINTS)) == 100
    assert ranked(GOOD)[0].score == 100
    assert ranked(GOOD)[0].rating == 5
    assert ranked(replace(GOOD, sharp=0.0, face=0.0, ball=0.0, size=0.0, whole=0.0, clipped=1.0))[0].score == 0


@pytest.mark.parametrize(
    "worse",
    [
        {"sharp": 0.03}, {"face": 0.0}, {"size": 0.2}, {"whole": 0.25}, {"level": 0.02}, {"clipped": 0.4},
        {"ball": 0.0, "face": 0.8},
    ],
)  # fmt: skip
def test_each_part_counts(worse: dict[str, float]) -> None:
    frames = [replace(GOOD, **worse), GOOD, replace(GOOD, **worse)]
    assert places(*frames)[1] == 1
    low, high = ranked(*frames)[:2]
    assert low.score < high.score


def test_sharpness_leads() -> None:
    """A sharp frame without a face goes before a soft one with it: nothing else can be mended afterwards."""
    soft, turned = replace(GOOD, sharp=0.03), replace(GOOD, face=0.0)
    assert places(soft, turned, soft) == [2, 1, 3] or places(soft, turned, soft) == [3, 1, 2]


def test_sharpness_is_measured_by_the_shoot_and_not_by_a_number() -> None:
    """A shoot of a softer lens has its best frames too."""
    soft = replace(GOOD, sharp=0.04)
    assert ranked(soft, rest=soft)[0].score == 100
    assert ranked(soft, rest=GOOD)[0].score < 80


def test_what_is_as_good_is_taken_from_the_middle_of_the_burst() -> None:
    assert places(*[GOOD] * 5) == [4, 2, 1, 3, 5]
    noise = [replace(GOOD, sharp=0.1 * v) for v in (0.99, 0.93, 0.90, 0.95, 1.0)]
    assert places(*noise)[2] == 1  # five points are no difference
    assert places(*noise[:4], replace(GOOD, sharp=0.1), replace(GOOD, sharp=0.01))[5] == 6


def test_noise_changes_few_first_places() -> None:
    """Sharpness within 3 % from ISO 800 to ISO 12,800 (tests/test_sharpness.py): at most 5 % of the best change."""
    rng = np.random.default_rng(2)
    same = 0
    for _ in range(400):
        frames = [
            replace(GOOD, sharp=rng.uniform(0.03, 0.12), face=float(rng.choice([0, 1])), size=rng.uniform(0.3, 0.7))
            for _ in range(8)
        ]
        shaken = [replace(f, sharp=f.sharp * float(1 + rng.normal(0, 0.01))) for f in frames]
        same += places(*frames).index(1) == places(*shaken).index(1)
    assert same >= 380


def test_dark_and_blown_frames_lose_and_a_little_darker_ones_do_not() -> None:
    assert ranked(replace(GOOD, level=0.17))[0].score == 100
    dark, blown = ranked(replace(GOOD, level=0.01))[0], ranked(replace(GOOD, clipped=0.3))[0]
    assert dark.score == blown.score == 100 - POINTS.exposure
    assert "dark" in dark.why and "blown out" in blown.why


def test_what_a_person_is_told() -> None:
    first, second = ranked(GOOD, replace(GOOD, sharp=0.01, face=0.0, ball=0.0, size=0.2, whole=0.5))
    assert first.why == "best of its burst, sharp, face seen, ball in the action"
    assert second.why == "number 2 of 2 in its burst, soft, small in the frame, cut by the frame"
    assert (first.place, first.of, second.place, second.of) == (1, 2, 2, 2)
    assert ranked(GOOD)[0].why == "sharp, face seen, ball in the action"
    nobody = replace(GOOD, subject=False, face=0.0, ball=0.0, size=0.0, whole=0.0)
    assert ranked(nobody, rest=nobody)[0].why == "no clear subject, sharp"


def test_a_frame_with_a_player_goes_before_one_without() -> None:
    nobody = replace(GOOD, subject=False, sharp=0.5, face=0.0, ball=0.0, size=0.0, whole=0.0)
    assert places(nobody, GOOD, nobody)[1] == 1


def test_frames_that_could_not_be_read_are_not_ranked() -> None:
    assert rank([Burst(("TH1_0001", "TH1_0002"))], {}) == {}
    ranks = rank([Burst(("TH1_0001", "TH1_0002"))], {"TH1_0002": GOOD})
    assert list(ranks) == ["TH1_0002"] and (ranks["TH1_0002"].place, ranks["TH1_0002"].of) == (1, 1)


def test_what_is_looked_at_is_the_subject() -> None:
    frame = observed([standing(0.5, tall=0.5)], sharp=[0.08], faces=[face(0.5, 0.35)], balls=[ball(0.55, 0.5, 0.9)])
    (subject,) = find_subjects([frame])
    found = quality_of(subject, 0.2, 0.3, 0.01, False)
    assert (found.subject, found.face, found.ball, found.whole) == (True, 1.0, 1.0, 1.0)
    assert found.sharp == pytest.approx(0.08) and found.size == pytest.approx(0.5)
    assert (found.level, found.clipped) == pytest.approx((0.3, 0.0))  # the subject is as bright as the frame
    edge = observed([(0.0, 0.3, 0.2, 1.0, 0.9)])
    assert quality_of(find_subjects([edge])[0], 0.2, 0.3, 0.0, False).whole == 0.25
    assert quality_of(None, 0.2, 0.3, 0.01, False) == Quality(False, 0.2, 0, 0, 0, 0, 0.3, 0.01)


def test_without_a_model_nobody_is_said_to_be_missing() -> None:
    blind = quality_of(None, 0.1, 0.2, 0.0, True)
    assert ranked(blind, rest=blind)[0].why == "sharp"


def test_what_the_burst_has_better_counts_against_a_frame() -> None:
    soft = replace(GOOD, sharp=0.05)
    alone, beside = ranked(soft)[0], ranked(soft, GOOD)[0]
    assert beside.score < alone.score
    assert beside.rating <= alone.rating
