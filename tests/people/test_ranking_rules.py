"""Every number that decides which frame is the best, by scores and words worked out by hand; see tests/people/rules."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.people.moments import Look
from pipeline.people.quality import POINTS, RANKING, Face, Quality, quality_of
from pipeline.people.ranking import Ranked, rank
from pipeline.people.subject import find_subjects
from pipeline.types import Burst
from tests.people.rules import Scenario, guards, near, turns
from tests.people.test_ranking import GOOD, NOBODY, ranked
from tests.people.test_tracking import observed

RULES = {"POINTS": POINTS, "RANKING": RANKING}
_LOOK = Look(np.eye(1, 600, dtype=np.float16)[0], None, 0.0, True)


def lost(**worse: float) -> float:
    """Points that a frame alone in its burst loses against a perfect one."""
    return ranked(GOOD)[0].score - ranked(replace(GOOD, **worse))[0].score


def behind(**worse: float) -> float:
    """Points that a frame loses beside a perfect one of its burst."""
    return 100 - ranked(replace(GOOD, **worse), GOOD)[0].score


def rated(score: float) -> int:
    """The rating of a frame of so many points, best of forty: of nobody, or cut, then whole, and with a face."""
    if score < 32:  # half of sharpness counts, 8 and 4 for light and place
        one, least = replace(NOBODY, sharp=0.1 * (score - 12) / 19), replace(NOBODY, sharp=0.0)
    else:  # 38 * 0.6, 10 * 0.9, 8 and 4, and 14 as far as it is whole
        least = replace(GOOD, sharp=0.06, face=0.0, ball=0.0, whole=0.0, size=0.54)
        whole, seen = (min(1.0, max(0.0, (score - given) / worth)) for given, worth in ((43.8, 14), (57.8, 18)))
        one = replace(least, whole=whole, face=seen)
    found = _best_of(one, least)
    assert near(found.score, score, 0.005), (found.score, score)
    return found.rating


def _best_of(one: Quality, rest: Quality) -> Ranked:
    """The rank of a frame among forty worse ones, of whom some set what is sharp in the shoot and are burnt out."""
    burnt = replace(rest, size=0.0, sharp=0.1, clipped=1.0)
    frames = {f"F{i:02d}": burnt if i > 30 else replace(rest, sharp=0.0) for i in range(41)} | {"F00": one}
    return rank([Burst((n,)) for n in frames], frames)["F00"]


def of_shoot(sharpest: float) -> float:
    """Points for sharpness of the 61st of 101 frames that are from 0 to `sharpest` in even steps."""
    frames = {f"F{i:03d}": replace(GOOD, sharp=sharpest * i / 100) for i in range(101)}
    return rank([Burst((name,)) for name in frames], frames)["F060"].score - 62


def second_of(count: int, at: int, best: int = 3, worse: float = 0.0) -> bool:
    """Whether a frame of one moment is its second, before one beside the best that has so many more points."""
    frames = [replace(GOOD, look=_LOOK, ball=1.0, whole=0.0) for _ in range(count)]
    frames[best], frames[best + 1] = replace(frames[best], whole=1.0), replace(frames[best], whole=0.9)
    frames[at] = replace(frames[at], whole=0.9 - (worse - 2) / POINTS.whole if worse else 0.9)
    found = ranked(*frames)
    return found[at].place == 2


def quality(**more: float) -> Quality:
    (subject,) = find_subjects([observed([(0.4, 0.2, 0.6, 0.9, 0.9)])])
    assert subject is not None
    return quality_of(replace(subject, **more), 0.1, 0.2, 0.0, False)


def cut(left: float = 0.0, top: float = 0.2, reached: float = 0.0) -> Quality:
    """Somebody whose box ends there, and who reaches so near to the frame's side."""
    reach = [(reached, 0.0 if top == 0 else top, 0.3, 0.9, 0.9)]
    frame = observed([(left, top, 0.3, 0.9, 0.9)], reach=reach if left < 0.1 else None)
    return quality_of(find_subjects([frame])[0], 0.1, 0.2, 0.0, False)


def left_of_edges(edges: float, others: float) -> float:
    """Points of a frame of such edges in a shoot of others."""
    return ranked(replace(GOOD, edges=edges), rest=replace(GOOD, edges=others))[0].score


def hidden(evidence: float, others: float, level: float = 0.2) -> bool:
    """Whether the face of the middle frame of three is said to be hidden, of so much evidence beside two of more."""
    usual = replace(GOOD, faceless=False, evidence=others)
    return "turned away" in ranked(usual, replace(usual, evidence=evidence, level=level), usual)[1].why


def blinks(contrast: float, others: float) -> bool:
    usual = replace(GOOD, contrast=others)
    return "eyes hidden" in ranked(usual, replace(usual, contrast=contrast), usual)[1].why


def bust(share: float, beside: float | None = None) -> float:
    """`whole` of somebody whom the lower side cuts, or, with so much beside the face, the left one; whose face is such
    a share of the box."""
    box = (0.4, 0.3, 0.6, 1.0, 0.9) if beside is None else (0.0, 0.2, 0.3, 0.9, 0.9)
    (subject,) = find_subjects([observed([box])])
    return quality_of(
        subject, 0.1, 0.2, 0.0, False, face=Face(tall=0.7 * share, beside=1.0 if beside is None else beside)
    ).whole


def headroom(above: float) -> float:
    """`whole` of somebody who ends at the top of the frame, with so many heights of the face above it."""
    (subject,) = find_subjects([observed([(0.4, 0.0, 0.6, 0.8, 0.9)])])
    assert subject is not None
    subject = replace(subject, face_sure=0.9)
    return quality_of(subject, 0.1, 0.2, 0.0, False, face=Face(tall=0.2, beside=1.0, above=above)).whole


def cheek(beside: float) -> Quality:
    """Somebody in the middle of the frame whose face has so many of its widths beside it."""
    (subject,) = find_subjects([observed([(0.4, 0.3, 0.6, 0.9, 0.9)])])
    return quality_of(subject, 0.1, 0.2, 0.0, False, face=Face(tall=0.1, beside=beside, above=2.0))


def says(word: str, frame: Quality = GOOD, **more: float) -> bool:
    return word in ranked(replace(frame, **more))[0].why


def says_beside(word: str, **more: float) -> bool:
    """Of a frame beside a perfect one of its burst."""
    return word in ranked(GOOD, replace(GOOD, **more))[1].why


def badly_exposed(part: float) -> str:
    """What is said of a frame of so much of the points for exposure, for want of light."""
    return ranked(replace(GOOD, level=0.2 * 2 ** -(0.6 + 2.6 * (1 - part))))[0].why


def before_black(stops: float, people: float = 0.0) -> float:
    """Points of a perfect frame before what is so many stops darker than the shoot, whose people are so many darker."""
    rest = replace(GOOD, people_level=0.4)
    return ranked(replace(GOOD, level=0.2 * 2**-stops, people_level=0.4 * 2**-people), rest=rest)[0].score


def _burnt(part: float) -> Quality:
    """Of so much of the points for exposure, for what is clipped."""
    return replace(GOOD, clipped=0.25 * (1 - part))


def counts(frames: int) -> tuple[int, int]:
    """How many of so many frames, all good and none like another, are 5, and 4 or 5."""
    shoot = {f"F{i:03d}": replace(GOOD, size=0.6 * (1 - i / frames), whole=1 - i / frames) for i in range(frames)}
    ratings = [one.rating for one in rank([Burst((n,)) for n in shoot], shoot).values()]
    return ratings.count(5), sum(one >= 4 for one in ratings)


def again() -> float:
    """What a near-duplicate loses, in another burst."""
    two = {"A": replace(GOOD, look=_LOOK), "B": replace(GOOD, look=_LOOK)}
    ranks = rank([Burst(("A",)), Burst(("B",))], two)
    return ranks["A"].score - ranks["B"].score


# In a shoot that is darker than both.
_LIT = (replace(GOOD, level=0.4 * 2**-0.85), replace(GOOD, level=0.4))
# A frame without a face: what is left of it where one that is there would hardly be found.
TOLD = replace(GOOD, face=0.0, size=0.325)
_TOLD = (100 - 10 * (1 - 0.325 / 0.6) - 18 * 0.5) * (0.5 + 0.5 * (0.325 - 0.22) / 0.18)

SCENARIOS: dict[str, Scenario] = {
    "POINTS.sharp": lambda: near(lost(sharp=0.0), 100 - 62 / 4),
    "POINTS.face": lambda: near(lost(face=0.0), 18),
    "POINTS.size": lambda: near(lost(size=0.42), 3),
    "POINTS.whole": lambda: near(lost(whole=0.0), 14),
    "POINTS.exposure": lambda: near(lost(clipped=0.05), 8 / 5),
    "POINTS.ball": lambda: near(lost(ball=0.0), 8),
    "POINTS.peak": lambda: near(ranked(GOOD, GOOD, GOOD)[0].score, 100 - 1.25 * 4, 0.002),
    "RANKING.crisp_percentile": lambda: near(of_shoot(0.1), 38 * 60 / 90, 0.01),
    # 0.2 between 0.06 and 0.3, 0.15 between 0.06 and 0.2, 0.3 between 0.06 and 0.36; contrast as the best.
    "RANKING.no_edges": lambda: near(left_of_edges(0.2, 0.3), 81 + 19 * 0.14 / 0.24, 0.001),
    "RANKING.edges_from": lambda: near(left_of_edges(0.15, 0.1), 81 + 19 * 0.09 / 0.14, 0.005),
    "RANKING.edges_to": lambda: near(left_of_edges(0.3, 0.8), 81 + 19 * 0.24 / 0.3, 0.005),
    "RANKING.crisp_from": lambda: near(of_shoot(0.04), 38 * 0.6, 0.02),
    "RANKING.crisp_to": lambda: near(of_shoot(0.2), 38 * 0.12 / 0.14, 0.01),
    "RANKING.full_size": lambda: near(lost(size=0.45), 10 / 4),
    "RANKING.tiny": lambda: near(ranked(replace(GOOD, size=0.0))[0].score, 90 * 0.5),
    # Half way between the two: half of the half.
    "RANKING.tiny_from": lambda: near(ranked(replace(GOOD, size=0.31))[0].score, 0.75 * (90 + 31 / 6), 0.005),
    "RANKING.tiny_to": lambda: near(ranked(replace(GOOD, size=0.31))[0].score, 0.75 * (90 + 31 / 6), 0.005),
    "RANKING.bust_from": lambda: near(bust(0.175), 0.6**0.5),
    "RANKING.bust_to": lambda: near(bust(0.175), 0.6**0.5),
    "RANKING.beside_from": lambda: near(bust(0.3, 0.35), 0.6**0.5, 0.01),
    "RANKING.beside_to": lambda: near(bust(0.3, 0.35), 0.6**0.5),
    "RANKING.rim": lambda: near(cut(0.04 * 0.7).whole, 0.6**0.5),
    "RANKING.reached": lambda: near(cut(0.01, reached=0.01).whole, 0.6**0.5),
    "RANKING.side": lambda: near(cut().whole, 0.6),
    "RANKING.head": lambda: near(cut(0.2, 0.0).whole, 0.2),
    "RANKING.hair_from": lambda: near(headroom(0.17), 0.6**0.9),
    "RANKING.hair_to": lambda: near(headroom(0.25), 0.6**0.5),
    "RANKING.crown": lambda: turns(lambda above: headroom(above) < 0.7, 0.7),
    "RANKING.cheek_from": lambda: near(cheek(0.075).cheek, 0.5),
    "RANKING.cheek_to": lambda: near(cheek(0.075).cheek, 0.5),
    "RANKING.beheaded": lambda: near(ranked(replace(GOOD, headless=True))[0].score, 70),
    # Half way between the two certainties.
    "RANKING.face_from": lambda: near(quality(face_sure=0.675).face, 0.5),
    "RANKING.face_to": lambda: near(quality(face_sure=0.675).face, 0.5),
    "RANKING.ball_from": lambda: near(quality(ball_sure=0.5).ball, 0.5),
    "RANKING.ball_to": lambda: near(quality(ball_sure=0.5).ball, 0.5),
    "RANKING.no_eyes": lambda: near(lost(eyes=0.0), 18 * 0.6),
    # Of a height half way between the two a face counts as half of one.
    "RANKING.telling_from": lambda: near(ranked(TOLD)[0].score, _TOLD, 0.003),
    "RANKING.telling_to": lambda: near(ranked(TOLD)[0].score, _TOLD, 0.003),
    "RANKING.untold": lambda: near(behind(face=0.0, faceless=0.0), 18 * 0.15 * 1.25),
    "RANKING.known": lambda: turns(lambda others: hidden(0.2, others), 0.7),
    "RANKING.lost": lambda: turns(lambda less: hidden(0.8 - less, 0.8), 0.3),
    "RANKING.unseen": lambda: turns(lambda evidence: not hidden(evidence, 0.95), 0.55),
    "RANKING.as_light": lambda: turns(lambda share: hidden(0.2, 0.9, 0.2 * share), 0.5),
    "RANKING.dark_eyes": lambda: turns(lambda others: blinks(0.1, others), 0.3),
    "RANKING.eyes_lost": lambda: turns(lambda share: not blinks(0.6 * share, 0.6), 0.5),
    "RANKING.nobody": lambda: near(ranked(NOBODY, rest=NOBODY)[0].score, 19 + 8 + 4, 0.01),
    # As sharp as somebody who is seen as sharp as 0.45 of the best: half of the spoilt range.
    "RANKING.hidden": lambda: near(ranked(replace(GOOD, sharp=0.0225, guessed=True))[0].score, 70.55 * 0.625, 0.01),
    # 1.35 stops darker than the shoot, of which 0.6 are free and 2.6 would lose all.
    "RANKING.free_stops": lambda: near(lost(level=0.2 * 2**-1.35), 8 * 0.75 / 2.6, 0.02),
    "RANKING.dark_stops": lambda: near(lost(level=0.2 * 2**-1.35), 8 * 0.75 / 2.6, 0.02),
    # Half as well lit as where it begins to be dark: half of the three quarters that the dark takes.
    "RANKING.dim": lambda: near(100 - lost(level=0.2 * 2 ** -(0.6 + 2.6 * 0.65)), (100 - 8 * 0.65) * 0.625, 0.005),
    # Half as sure that light fell on people: half of exposure, and of what is left of the points in the dark.
    **{
        f"RANKING.{name}": lambda stops=stops: near(
            before_black(*stops), (100 - 8 / 2) * (0.25 + 0.75 * 0.5 / 0.7), 0.003
        )
        for name, stops in (
            ("black_from", (3.5,)),
            ("black_to", (3.5,)),
            ("unlit_from", (5, 2)),
            ("unlit_to", (5, 2)),
        )
    },
    "RANKING.blown": lambda: near(lost(clipped=0.05), 8 / 5),
    "RANKING.spoilt": lambda: near(ranked(replace(GOOD, clipped=1.0))[0].score, 92 / 4),
    # Half way between the two: half of the three quarters that blur takes.
    "RANKING.spoilt_from": lambda: near(ranked(replace(GOOD, sharp=0.045))[0].score, (62 + 38 * 0.45) * 0.625, 0.01),
    "RANKING.spoilt_to": lambda: near(ranked(replace(GOOD, sharp=0.045))[0].score, (62 + 38 * 0.45) * 0.625, 0.01),
    # Half way between the two: half of what is lacking, and half of the peak.
    "RANKING.as_sharp_from": lambda: near(behind(sharp=0.0825), 1.25 * (38 * 0.175 / 2 + 4 / 2)),
    "RANKING.as_sharp": lambda: near(behind(sharp=0.0825), 1.25 * (38 * 0.175 / 2 + 4 / 2)),
    # Both are sharp for the shoot, one of them half as sharp as the other.
    "RANKING.beside": lambda: near(100 - ranked(GOOD, replace(GOOD, sharp=0.2))[0].score, 1.25 * (38 * 0.25 + 4)),
    # 0.85 stops below the other frame are half of what may be lost: 0.25 of exposure, and half of the peak.
    "RANKING.darker": lambda: near(100 - ranked(*_LIT)[0].score, 1.25 * (8 * 0.25 + 4 / 2), 0.02),
    # Half a leap at the end of a burst is worth as much as the middle.
    "RANKING.leap_from": lambda: near(ranked(replace(GOOD, leap=0.085), GOOD, GOOD)[0].score, 98, 0.001),
    "RANKING.leap": lambda: near(ranked(replace(GOOD, leap=0.085), GOOD, GOOD)[0].score, 98, 0.001),
    "RANKING.neighbour": lambda: near(100 - ranked(replace(GOOD, ball=0.0), GOOD)[1].score, 8 / 3),
    "RANKING.behind": lambda: near(ranked(replace(GOOD, whole=0.0), GOOD)[0].score, 86 - 0.25 * 14, 0.003),
    "RANKING.again": lambda: near(again(), 15),
    "RANKING.instants": lambda: (
        second_of(9, at=6) and not second_of(9, at=5) and second_of(7, at=1) and second_of(5, at=0, best=2)
    ),
    "RANKING.hardly": lambda: turns(lambda points: not second_of(9, at=6, worse=points), 6.0, by=0.05),
    "RANKING.fives": lambda: counts(200)[0] == 20 and counts(9)[0] == 0,
    "RANKING.fours": lambda: counts(200)[1] == 50,
    "RANKING.ratings": lambda: all(
        turns(lambda score, stars=stars: rated(score) >= stars, least, by=0.02)  # type: ignore[misc]
        for stars, least in ((2, 25), (3, 45), (4, 58), (5, 70))
    ),
    "RANKING.said_sharp": lambda: turns(lambda part: says("sharp", sharp=0.1 * part), 0.65),
    "RANKING.said_blurred": lambda: turns(lambda part: says("soft", sharp=0.1 * part), 0.35),
    "RANKING.said_face": lambda: turns(lambda part: says("face", face=part), 0.6),
    "RANKING.said_turned": lambda: turns(lambda part: not says("turned away", face=part), 0.25),
    "RANKING.said_eyes": lambda: turns(lambda part: not says("eyes", eyes=part), 0.5),
    "RANKING.said_ball": lambda: turns(lambda part: says("ball", ball=part), 0.5),
    "RANKING.said_cut": lambda: turns(lambda whole: not says("cut by", whole=whole), 0.775),
    "RANKING.said_small": lambda: turns(lambda size: not says("small in the frame", size=size), 0.3),
    "RANKING.said_badly_exposed": lambda: turns(lambda part: "out" not in ranked(_burnt(part))[0].why, 0.4, by=0.05),
    "RANKING.said_dark": lambda: turns(lambda part: "too dark" not in badly_exposed(part), 0.5, by=0.05),
    "RANKING.sharper": lambda: turns(lambda ratio: says_beside("sharper", sharp=0.1 / ratio), 1.05, by=0.02),
    # Of the 8 points for exposure half are lost beside a better lit frame, over half a stop beyond 0.6.
    "RANKING.exposed": lambda: turns(lambda off: says_beside("exposed", level=0.2 * 2 ** -(0.6 + off * 0.5 / 4)), 1),
    "RANKING.said_blown": lambda: turns(lambda share: says("blown out", level=0.01, clipped=share), 0.08),
}


test_a_tenth_more_or_less_changes_a_score_or_a_word, test_every_number_is_guarded = guards(RULES, SCENARIOS)
