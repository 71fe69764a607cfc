"""Every number that decides which frame is the best, by scores and words worked out by hand; see tests/people/rules."""

from __future__ import annotations

from dataclasses import replace

from pipeline.people.ranking import POINTS, RANKING, Quality, quality_of, rank
from pipeline.people.subject import find_subjects
from pipeline.types import Burst
from tests.people.rules import Scenario, guards, near, turns
from tests.people.test_ranking import GOOD, places, ranked
from tests.people.test_tracking import observed

RULES = {"POINTS": POINTS, "RANKING": RANKING}


def lost(**worse: float) -> float:
    """Points that a frame alone in its burst loses against a perfect one."""
    return ranked(GOOD)[0].score - ranked(replace(GOOD, **worse))[0].score


def rated(score: float) -> int:
    """The rating of a frame of so many points, whole and well exposed (20), of which sharpness gives the rest."""
    face = 1.0 if score > 50 else 0.0
    sharp = 0.1 * (score - 20 - 15 * face) / 45
    (found,) = ranked(replace(GOOD, sharp=sharp, face=face, size=0.0, ball=0.0))
    assert near(found.score, score, 0.005)
    return found.rating


def of_shoot() -> float:
    """Score of a frame half as sharp as the 76th of 101 that are 0.01, 0.02 and so on to 1.01."""
    frames = {f"F{i:03d}": replace(GOOD, sharp=0.01 * i) for i in range(1, 102)}
    return rank([Burst((name,)) for name in frames], frames)["F038"].score


def quality(**more: float) -> Quality:
    (subject,) = find_subjects([observed([(0.4, 0.2, 0.6, 0.9, 0.9)])])
    assert subject is not None
    return quality_of(replace(subject, **more), 0.1, 0.2, 0.0, False)


def cut() -> Quality:
    return quality_of(find_subjects([observed([(0.0, 0.2, 0.3, 0.9, 0.9)])])[0], 0.1, 0.2, 0.0, False)


def says(word: str, **more: float) -> bool:
    return word in ranked(replace(GOOD, **more))[0].why.split(", ")


def badly_exposed(part: float) -> str:
    """What is said of a frame of so much of the points for exposure, for want of light."""
    return ranked(replace(GOOD, level=0.2 * 2 ** -(0.3 + 2 * (1 - part))))[0].why


SCENARIOS: dict[str, Scenario] = {
    "POINTS.sharp": lambda: near(lost(sharp=0.0), 45),
    "POINTS.face": lambda: near(lost(face=0.0), 15),
    "POINTS.size": lambda: near(lost(size=0.0), 15),
    "POINTS.whole": lambda: near(lost(whole=0.0), 12),
    "POINTS.exposure": lambda: near(lost(clipped=1.0), 8),
    "POINTS.ball": lambda: near(lost(ball=0.0), 5),
    "RANKING.crisp_percentile": lambda: near(of_shoot(), 55 + 45 / 2, 0.01),
    "RANKING.full_size": lambda: near(lost(size=0.3), 15 / 2),
    "RANKING.whole": lambda: near(cut().whole, 0.5),
    # Half way between the two certainties.
    "RANKING.face_from": lambda: near(quality(face_sure=0.675).face, 0.5),
    "RANKING.face_to": lambda: near(quality(face_sure=0.675).face, 0.5),
    "RANKING.ball_from": lambda: near(quality(ball_sure=0.5).ball, 0.5),
    "RANKING.ball_to": lambda: near(quality(ball_sure=0.5).ball, 0.5),
    # One stop darker than the shoot, of which 0.3 are free and 2 would lose all.
    "RANKING.free_stops": lambda: near(lost(level=0.1), 8 * 0.7 / 2, 0.02),
    "RANKING.dark_stops": lambda: near(lost(level=0.1), 8 * 0.7 / 2, 0.02),
    "RANKING.blown": lambda: near(lost(clipped=0.125), 8 / 2),
    "RANKING.behind": lambda: near(ranked(replace(GOOD, size=0.0, ball=0.0), GOOD)[0].score, 80 - 0.25 * 20, 0.002),
    "RANKING.tie": lambda: turns(lambda less: places(GOOD, replace(GOOD, face=1 - less / 15), GOOD)[1] != 1, 6.0),
    "RANKING.ratings": lambda: all(
        turns(lambda score, stars=stars: rated(score) >= stars, least, by=0.02)  # type: ignore[misc]
        for stars, least in ((2, 30), (3, 45), (4, 60), (5, 75))
    ),
    "RANKING.said_sharp": lambda: turns(lambda part: says("sharp", sharp=0.1 * part), 0.85),
    "RANKING.said_fairly_sharp": lambda: turns(lambda part: says("fairly sharp", sharp=0.1 * part), 0.6),
    "RANKING.said_face": lambda: turns(lambda part: says("face seen", face=part), 0.5),
    "RANKING.said_ball": lambda: turns(lambda part: says("ball in the action", ball=part), 0.5),
    "RANKING.said_small": lambda: turns(lambda size: not says("small in the frame", size=size), 0.3),
    "RANKING.said_badly_exposed": lambda: turns(lambda part: "dark" not in badly_exposed(part), 0.6),
    "RANKING.said_blown": lambda: turns(lambda share: says("blown out", level=0.01, clipped=share), 0.08),
}


test_a_tenth_more_or_less_changes_a_score_or_a_word, test_every_number_is_guarded = guards(RULES, SCENARIOS)
