"""The score of a frame, its place and its rating: each part, and what is as good as another."""

from __future__ import annotations

from collections import Counter
from dataclasses import astuple, replace
from itertools import pairwise

import numpy as np
import pytest

from pipeline.imaging.blank import Blank
from pipeline.people.moments import Look
from pipeline.people.quality import POINTS, RANKING, Face, Quality, quality_of
from pipeline.people.ranking import Ranked, rank
from pipeline.people.subject import find_subjects
from pipeline.types import Burst
from tests.people.test_subject import ball, face
from tests.people.test_tracking import observed, standing

GOOD = Quality(subject=True, sharp=0.1, face=1.0, ball=1.0, size=0.7, whole=1.0, level=0.2, clipped=0.0,
    faceless=True,
)  # fmt: skip
NOBODY = replace(GOOD, subject=False, face=0.0, ball=0.0, size=0.0, whole=0.0, anybody=False)


def ranked(*frames: Quality, rest: Quality = GOOD) -> list[Ranked]:
    """Frames of one burst, in a shoot in which most frames are as `rest`."""
    names = [f"TH1_{i:04d}" for i in range(len(frames))]
    others = [f"TH2_{i:04d}" for i in range(9)]
    qualities = dict(zip(names, frames, strict=True)) | dict.fromkeys(others, rest)
    ranks = rank([Burst(tuple(names)), *(Burst((n,)) for n in others)], qualities)
    return [ranks[n] for n in names]


def places(*frames: Quality) -> list[int]:
    return [r.place for r in ranked(*frames)]


def match(seed: int = 0, frames: int = 300, longest: int = 12) -> tuple[list[Burst], dict[str, Quality]]:
    """An evening of bursts in which frames of a burst are much alike, and bursts differ; some frames fail."""
    rng = np.random.default_rng(seed)
    bursts, qualities = [], {}
    while len(qualities) < frames:
        count = min(int(rng.integers(1, longest + 1)), frames - len(qualities))
        usual, tall, hall = rng.uniform(0.06, 0.12), rng.uniform(0.25, 0.8), rng.standard_normal(600)
        names = tuple(f"TH{len(bursts):03d}_{i:02d}" for i in range(count))
        for name in names:
            look = (hall + rng.uniform(0.1, 0.6) * rng.standard_normal(600)).astype(np.float16)
            qualities[name] = Quality(
                subject=bool(rng.random() > 0.1), sharp=usual * rng.uniform(0.3, 1.1), size=tall,
                face=float(rng.choice([0, 0.7, 1])), ball=float(rng.choice([0, 1])),
                whole=float(rng.choice([0.6, 1, 1])),
                level=0.2 * 2 ** rng.normal(0, 0.4), clipped=float(rng.choice([0, 0, 0.1])), anybody=True,
                look=Look(look / np.float16(np.linalg.norm(look.astype(float))), None, 0.0, True),
            )  # fmt: skip
        bursts.append(Burst(names))
    return bursts, qualities


def test_a_perfect_frame_has_a_hundred_points_and_the_parts_add_up() -> None:
    assert sum(astuple(POINTS)) == 100
    assert ranked(GOOD)[0].score == 100
    nothing = replace(GOOD, sharp=0.0, face=0.0, ball=0.0, size=0.0, whole=0.0, clipped=1.0)
    left = POINTS.peak + POINTS.face  # which may be there
    left *= RANKING.spoilt**2 * RANKING.tiny  # blurred, burnt out and tiny
    assert ranked(nothing)[0].score == pytest.approx(left, abs=0.05)


@pytest.mark.parametrize(
    "worse",
    [
        {"sharp": 0.03}, {"face": 0.0}, {"size": 0.2}, {"whole": 0.25}, {"level": 0.02}, {"clipped": 0.4},
        {"ball": 0.0, "face": 0.8}, {"eyes": 0.0}, {"subject": False},
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
    assert places(soft, turned, soft)[1] == 1


def test_sharpness_is_measured_by_the_shoot_but_a_blurred_shoot_is_not_sharp() -> None:
    """A shoot of a softer lens has its best frames too; one that is all blurred (0.02 is soft: sharpness) has none."""
    soft, blurred = replace(GOOD, sharp=0.045), replace(GOOD, sharp=0.012)
    assert ranked(soft, rest=soft)[0].score == 100
    assert ranked(soft, rest=GOOD)[0].score < 80
    assert ranked(blurred, rest=blurred)[0].score < 75 and ranked(blurred, rest=blurred)[0].why == "blurred"


def test_what_is_as_good_is_taken_from_the_middle_of_the_burst() -> None:
    assert places(*[GOOD] * 5) == [4, 2, 1, 3, 5]
    assert places(*[replace(GOOD, sharp=0.1 * v) for v in (0.97, 0.97, 1.0, 0.97, 1.0)])[2] == 1


@pytest.mark.parametrize(
    "worse", [{"sharp": 0.08}, {"level": 0.1}, {"face": 0.0}, {"eyes": 0.0}, {"eyes": 0.2}, {"whole": 0.6}]
)
def test_the_middle_of_a_burst_is_no_excuse(worse: dict[str, float]) -> None:
    """A fault that is seen in one frame is that frame's, and those beside it are chosen."""
    assert places(GOOD, replace(GOOD, **worse), GOOD)[1] == 3
    assert ranked(GOOD, replace(GOOD, **worse), GOOD)[0].score == 100 - POINTS.peak


def test_who_is_hidden_does_not_go_before_who_is_seen_in_a_soft_burst() -> None:
    soft = replace(GOOD, sharp=0.04)
    assert places(soft, replace(soft, sharp=0.02, face=0.0, guessed=True), soft)[1] == 3


def test_a_stop_less_is_worse_in_a_bright_burst_too() -> None:
    bright = replace(GOOD, level=0.4)
    assert places(bright, replace(bright, level=0.2), bright)[1] == 3
    assert places(bright, replace(bright, level=0.28), bright)[1] == 1  # as lamps pulse


def test_a_face_before_a_black_night_is_not_dark_and_a_flash_that_missed_is() -> None:
    """Whatever skin and kit reflect: 3 to 80 % (from memory), of which people have some of the lighter."""
    hall = replace(GOOD, people_level=0.4)

    def of(level: float, people: float) -> str:
        return ranked(replace(GOOD, level=level, people_level=people), rest=hall)[0].why

    for reflects in (2.0, 1.0, 0.4):  # white kit, as the others, all dark
        assert "dark" not in of(0.2 / 64, 0.4 * reflects)
        assert "dark" in of(0.2 / 16, 0.4 * reflects / 16) and "too dark" in of(0.2 / 6, 0.4 * reflects / 6)
    assert "too dark" in of(0.2 / 64, 0.0)  # nobody in it who could tell


def test_what_is_sharp_enough_for_the_shoot_may_be_blurred_beside_another() -> None:
    assert places(replace(GOOD, sharp=0.3), replace(GOOD, sharp=0.2), GOOD) == [1, 2, 3]


def test_the_peak_of_a_leap_is_chosen_among_frames_that_are_as_good() -> None:
    leap = [replace(GOOD, leap=high) for high in (0.3, 0.2, 0.0, 0.0, 0.0)]
    assert places(*leap)[:2] == [1, 2]
    assert places(replace(leap[0], sharp=0.06), *leap[1:])[:2] == [5, 1]
    shaken = [replace(GOOD, leap=high) for high in (0.03, 0.0, 0.0, 0.04, 0.0)]  # as far as boxes shake
    assert places(*shaken)[2] == 1


def test_score_and_place_agree_whatever_is_measured() -> None:
    for seed in range(4):
        bursts, qualities = match(seed)
        ranks = rank(bursts, qualities)
        for burst in bursts:
            of = sorted((ranks[n] for n in burst.frames), key=lambda one: one.place)
            assert [one.place for one in of] == list(range(1, len(of) + 1))
            assert all(a.score >= b.score and a.rating >= b.rating for a, b in pairwise(of))
        falling = sorted(ranks.values(), key=lambda one: -one.score)
        assert all(a.rating >= b.rating for a, b in pairwise(falling))


@pytest.mark.parametrize("seed", range(3))
def test_ratings_spread(seed: int) -> None:
    """Of a match at most one in ten is 5 and a quarter 4 or better, and not many fewer: each moment has one 5, and at
    most one 4 beside it."""
    bursts, qualities = match(seed)
    ranks = rank(bursts, qualities)
    count = Counter(one.rating for one in ranks.values())
    assert 0 < count[5] <= 30
    assert 0.18 * 300 <= count[5] + count[4] <= 0.25 * 300
    assert max(Counter(one.moment for one in ranks.values() if one.rating >= 4).values()) == 2
    assert max(Counter(one.moment for one in ranks.values() if one.rating == 5).values()) == 1
    assert min(count[k] for k in (2, 3)) > 20


def test_ratings_do_not_depend_on_the_order_in_which_frames_were_measured() -> None:
    bursts, qualities = match(5, 120)
    shuffled = dict(sorted(qualities.items(), key=lambda item: item[0][::-1]))
    assert list(shuffled) != list(qualities)
    assert rank(bursts, shuffled) == rank(bursts, qualities)


@pytest.mark.parametrize("count", range(1, 11))
def test_small_shoots(count: int) -> None:
    """Of a few frames one or two are 4, a 5 needs ten to be one of; bad frames get neither, be they the only ones."""
    frames = {f"F{i}": replace(GOOD, sharp=0.1 - 0.004 * i) for i in range(count)}
    bursts = [Burst((name,)) for name in frames]
    ratings = [one.rating for one in rank(bursts, frames).values()]
    assert ratings[0] == (5 if count == 10 else 4) and ratings.count(5) <= count / 10
    assert sum(one >= 4 for one in ratings) <= max(1, round(count / 4)) and min(ratings) >= 3
    bad = {name: replace(one, sharp=0.01, face=0.0) for name, one in frames.items()}
    assert max(one.rating for one in rank(bursts, bad).values()) <= 3


def test_a_near_duplicate_in_another_burst_is_the_same_moment_and_rated_lower() -> None:
    rng = np.random.default_rng(3)
    one, other = (Look((v / np.linalg.norm(v)).astype(np.float16), None, 0.0, True) for v in rng.normal(0, 1, (2, 600)))
    names = [f"F{i:02d}" for i in range(20)]
    qualities = {n: replace(GOOD, sharp=0.05, look=other) for n in names}
    for n, look in ((names[3], one), (names[5], one)):
        qualities[n] = replace(GOOD, sharp=0.1 if n == names[3] else 0.099, look=look)
    ranks = rank([Burst((n,)) for n in names], qualities)
    assert ranks[names[3]].moment == ranks[names[5]].moment != ranks[names[4]].moment
    assert ranks[names[3]].rating == 5 and ranks[names[5]].rating < 5
    assert ranks[names[5]].why == "much like a better one"
    assert ranks[names[3]].score - ranks[names[5]].score >= RANKING.again
    # Where the better one may not be shown, its twin is all there is of that moment.
    ranks = rank([Burst((n,)) for n in names], qualities, {names[3]})
    assert ranks[names[5]].rating == 5 and ranks[names[5]].why == "sharp, with face and ball"
    assert ranks[names[3]].moment == ranks[names[5]].moment


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
    assert dark.score == blown.score == (100 - POINTS.exposure) * RANKING.spoilt
    assert "too dark" in dark.why and "blown out" in blown.why


@pytest.mark.parametrize("worse", [{"sharp": 0.03}, {"level": 0.02}, {"clipped": 0.3}])
def test_what_is_spoilt_is_rated_one_however_good_the_rest_is(worse: dict[str, float]) -> None:
    assert ranked(replace(GOOD, **worse))[0].rating == 1
    assert ranked(replace(GOOD, **worse), GOOD)[0].rating == 1


def test_a_face_that_a_detector_misses_in_one_frame_decides_nothing() -> None:
    """A burst in which certainty comes and goes, as noise makes it do, about one face that is always there."""
    rng = np.random.default_rng(4)
    most = []
    for _ in range(200):
        frames = [replace(GOOD, face=float(v), faceless=False) for v in rng.uniform(0.3, 0.9, 6)]
        again = [replace(GOOD, face=float(v), faceless=False) for v in rng.uniform(0.3, 0.9, 6)]
        first = places(*frames).index(1)
        scores = [one.score for one in ranked(*again)]
        most.append(max(scores) - scores[first])
    assert np.median(most) < 2 and np.percentile(most, 95) < 5  # points of a hundred


def test_nobody_loses_for_a_face_of_which_the_detector_is_not_sure() -> None:
    """It is less sure of dark ones: of a burst the frame goes first in which it is surer, and that loses nothing."""
    unsure = replace(GOOD, face=0.0, faceless=False)
    assert ranked(unsure)[0].score == 100
    burst = ranked(unsure, replace(unsure, face=0.95), unsure)
    assert burst[1].place == 1 and burst[1].score == 100 and burst[0].score < 100 - POINTS.peak
    assert ranked(replace(GOOD, face=0.0, faceless=True))[0].score == 100 - POINTS.face


def test_a_frame_with_a_player_goes_before_one_without() -> None:
    nobody = replace(NOBODY, sharp=0.5)
    assert places(nobody, GOOD, nobody)[1] == 1
    assert ranked(nobody)[0].rating <= 2


def test_frames_that_could_not_be_read_are_not_ranked() -> None:
    assert rank([Burst(("TH1_0001", "TH1_0002"))], {}) == {}
    ranks = rank([Burst(("TH1_0001", "TH1_0002"))], {"TH1_0002": GOOD})
    assert list(ranks) == ["TH1_0002"] and (ranks["TH1_0002"].place, ranks["TH1_0002"].of) == (1, 1)


def test_what_is_looked_at_is_the_subject() -> None:
    frame = observed([standing(0.5, tall=0.5)], sharp=[0.08], faces=[face(0.5, 0.35)], balls=[ball(0.55, 0.5, 0.9)])
    (subject,) = find_subjects([frame])
    found = quality_of(subject, 0.2, 0.3, 0.01, False, face=Face(eyes=0.5))
    assert (found.subject, found.face, found.ball, found.whole, found.eyes) == (True, 1.0, 1.0, 1.0, 0.5)
    assert found.sharp == pytest.approx(0.08) and found.size == pytest.approx(0.5)
    assert (found.level, found.clipped) == pytest.approx((0.3, 0.0))  # as bright as what is around
    edge = observed([(0.0, 0.3, 0.2, 1.0, 0.9)])
    assert quality_of(find_subjects([edge])[0], 0.2, 0.3, 0.0, False).whole == pytest.approx(RANKING.side**2)
    none = quality_of(None, 0.2, 0.3, 0.01, False, anybody=False)
    assert none == Quality(False, 0.2, 0, 0, 0, 0, 0.3, 0.01, anybody=False, scene=(0.2, None))


def test_a_head_beyond_the_frame_is_worse_than_feet() -> None:
    def whole(*box: float, faces: list = []) -> Quality:  # noqa: B006
        return quality_of(find_subjects([observed([(*box, 0.9)], faces=faces)])[0], 0.1, 0.2, 0.0, False)

    head, feet = whole(0.4, 0.0, 0.6, 0.8), whole(0.4, 0.2, 0.6, 1.0)
    assert (head.headless, feet.headless) == (True, False) and head.whole < feet.whole < 1
    assert not whole(0.4, 0.0, 0.6, 0.8, faces=[face(0.5, 0.05, sure=0.9)]).headless
    (subject,) = find_subjects([observed([standing(0.5, tall=0.5)])])
    half, all_of_it = (
        quality_of(subject, 0.1, 0.2, 0.0, False, face=Face(tall=0.1, beside=beside, above=2.0))
        for beside in (0.0, 0.5)
    )
    assert (half.whole, all_of_it.whole) == pytest.approx((RANKING.head, 1))


def test_a_reference_is_not_rated_and_sets_nothing_for_the_others() -> None:
    chart, bursts = replace(GOOD, sharp=0.5, level=0.9), [Burst(("chart", "A", "B"))]
    frames = {"A": GOOD, "B": replace(GOOD, sharp=0.06)}
    ranks = rank(bursts, {"chart": chart, **frames}, references={"chart"})
    assert ranks["chart"].rating == 0 and ranks["chart"].why == "card or chart, not rated"
    without = rank([Burst(("A", "B"))], frames)
    assert {name: ranks[name] for name in "AB"} == without


def test_a_tiny_figure_that_one_frame_of_a_burst_shows_by_chance_is_nobodys() -> None:
    """A blurred wide view in which the detector finds somebody does not go before sharp ones in which it does not."""
    sharp = replace(NOBODY, sharp=0.1, anybody=True, scene=(0.1, None))
    found = ranked(sharp, replace(GOOD, size=0.11, sharp=0.1, scene=(0.05, None)), sharp)
    assert found[1].place == 3 and found[1].why == "no clear subject"
    larger = replace(GOOD, size=0.5, scene=(0.05, None))
    assert places(sharp, larger, sharp)[1] == 1


@pytest.mark.parametrize(("usual", "worse", "two"), [
    ({}, {}, (0, 4)),  # the best is in the middle, and a third of nine frames away is another instant
    ({"sharp": 0.05}, {}, (0, 4)),  # in a soft burst too
    ({"face": 0.0, "ball": 0.0, "whole": 0.0}, {}, (0, 4)),  # and in a poor one
    ({}, {"face": 0.0}, (3, 4)),  # but not one that is worse
])  # fmt: skip
def test_the_second_of_a_burst_is_of_another_instant(
    usual: dict[str, float], worse: dict[str, float], two: tuple[int, int]
) -> None:
    """Nine frames of one moment, the first, the fourth and the fifth a little sharper."""
    one = replace(GOOD, **usual, look=Look(np.eye(1, 600, dtype=np.float16)[0], None, 0.0, True))
    frames = [one if i in (0, 3, 4) else replace(one, sharp=0.6 * one.sharp) for i in range(9)]
    frames[0] = replace(frames[0], **worse)
    found = ranked(*frames, rest=replace(one, look=None))
    assert tuple(sorted(range(9), key=lambda i: found[i].place)[:2]) in (two, two[::-1])
    assert all(a.score >= b.score for a, b in pairwise(sorted(found, key=lambda one: one.place)))


def test_what_the_burst_has_better_counts_against_a_frame() -> None:
    soft = replace(GOOD, sharp=0.05)
    alone, beside = ranked(soft)[0], ranked(soft, GOOD)[0]
    assert beside.score < alone.score
    assert beside.rating <= alone.rating


def test_a_frame_that_shows_nothing_is_last_and_not_rated_and_sets_nothing_for_the_others() -> None:
    """A black and a burnt frame in a burst of four: as if they were not there, but counted."""
    shown = [GOOD, replace(GOOD, sharp=0.05)]
    black = replace(GOOD, subject=False, sharp=0.0, level=0.0, blank=Blank.BLACK)
    burnt = replace(GOOD, level=1.0, clipped=1.0, blank=Blank.CLIPPED)
    names = ("a", "b", "c", "d")
    ranks = rank([Burst(names)], dict(zip(names, [black, shown[0], burnt, shown[1]], strict=True)))
    alone = rank([Burst(("b", "d"))], {"b": shown[0], "d": shown[1]})
    assert [(ranks[n].place, ranks[n].of) for n in names] == [(3, 4), (1, 4), (4, 4), (2, 4)]
    assert [ranks[n].rating for n in ("a", "c")] == [0, 0] and ranks["a"].blank and not ranks["b"].blank
    assert ranks["a"].why == "black, not rated" and ranks["c"].why == "nearly all white, not rated"
    assert all((ranks[n].score, ranks[n].rating) == (alone[n].score, alone[n].rating) for n in ("b", "d"))


def test_who_is_hardly_larger_than_the_ball_is_no_five() -> None:
    """A wide view, however sharp: what is left after a crop is little. Common practice, no source."""
    wide = [replace(GOOD, size=size) for size in (0.1, 0.15, 0.2, 0.29)]
    assert max(ranked(one)[0].rating for one in wide) <= 4 and ranked(wide[0])[0].rating <= 3
    assert all("small in the frame" in ranked(one)[0].why for one in wide)
