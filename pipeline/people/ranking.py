"""Which frames of a burst are the best, from what was measured of each: a score made of named parts, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.people.belonging import rise
from pipeline.people.subject import Subject, touched_sides
from pipeline.types import Burst


@dataclass(frozen=True)
class Parts:
    """The parts of a score: of a frame each 0 to 1, of POINTS how much each counts."""

    sharp: float
    face: float
    size: float
    whole: float
    exposure: float
    ball: float


# A perfect frame has a hundred points. Sharpness leads, since nothing else can be repaired afterwards, and a face comes
# before a ball: common practice, no source. The numbers are chosen by eye on generated shoots.
POINTS = Parts(sharp=45, face=15, size=15, whole=12, exposure=8, ball=5)


@dataclass(frozen=True)
class Ranking:
    """What turns measurements into parts, scores, order and words.

    Chosen by eye on generated shoots and checked with `python -m tests.crops` (same first place at ISO 800 and 12,800),
    where no other source stands beside a number.
    """

    crisp_percentile: float = 75  # of the sharpness of a shoot's subjects, which counts as fully sharp
    full_size: float = 0.6  # of the frame's height, from which a subject is as large as it need be
    whole: float = 0.5  # left for each side of the frame that cuts the subject
    # Certainties of the detectors over which a face and a ball rise from 0 to 1.
    face_from: float = 0.5
    face_to: float = 0.85
    ball_from: float = 0.3
    ball_to: float = 0.7
    # How dark a frame is counts in stops below the shoot's median: it is lifted, and its noise with it.
    free_stops: float = 0.3
    dark_stops: float = 2.0  # beyond the free ones, at which exposure is worth nothing
    blown: float = 0.25  # share of the subject that is clipped at which exposure is worth nothing
    behind: float = 0.25  # of what the best frame of the burst has more counts against a frame
    tie: float = 6.0  # points: frames closer than this to the best one left are as good, and the middlemost goes first
    ratings: tuple[float, ...] = (30, 45, 60, 75)  # points from which 2, 3, 4 and 5 are suggested
    # From which a part is put in words; for a person to read, no choice depends on them.
    said_sharp: float = 0.85
    said_fairly_sharp: float = 0.6
    said_face: float = 0.5
    said_ball: float = 0.5
    said_small: float = 0.3  # of the frame's height
    said_badly_exposed: float = 0.6
    said_blown: float = 0.08  # share of the subject that is clipped; less is called dark


RANKING = Ranking()


@dataclass(frozen=True, slots=True)
class Quality:
    """What counts of one frame, before frames are compared. Shares are 0 to 1.

    subject   whether there is one; without, sharp is that of the middle of the frame
    sharp     as in imaging.sharpness
    face, ball  how certain one of the subject's is; size  of the subject, in heights of the frame
    whole     1, or less where the frame itself cuts the subject
    level     mean luminance of the subject in fractions of saturation; clipped  share of it that is blown
    blind     there is no model file, so people were not detected
    """

    subject: bool
    sharp: float
    face: float
    ball: float
    size: float
    whole: float
    level: float
    clipped: float
    blind: bool = False


@dataclass(frozen=True, slots=True)
class Ranked:
    """score 0 to 100; place in the burst from 1, and of how many; rating 1 to 5 to suggest; why, for a person."""

    score: float
    place: int
    of: int
    rating: int
    why: str


def quality_of(subject: Subject | None, middle_sharp: float, level: float, clipped: float, blind: bool) -> Quality:
    """The quality of one frame.

    middle_sharp, level, clipped  of the frame: sharpness of its middle, mean luminance in fractions of saturation,
                                  share that is clipped; they stand for the subject where there is none
    """
    if subject is None:
        return Quality(False, middle_sharp, 0, 0, 0, 0, level, clipped, blind)
    return Quality(
        subject=True,
        sharp=subject.sharp,
        face=rise(subject.face_sure, RANKING.face_from, RANKING.face_to),
        ball=rise(subject.ball_sure, RANKING.ball_from, RANKING.ball_to),
        size=subject.box.y1 - subject.box.y0,
        whole=RANKING.whole ** touched_sides(subject.box),
        level=level * subject.light[0],
        clipped=subject.light[1],
    )


def rank(bursts: Sequence[Burst], qualities: Mapping[str, Quality]) -> dict[str, Ranked]:
    """Score, place and rating of every frame (by name) that has a quality.

    Frames are compared within their burst; sharpness and brightness count against those of the whole shoot.
    """
    crisp = _crisp(qualities, True), _crisp(qualities, False)
    usual = float(np.median([one.level for one in qualities.values()])) if qualities else 1.0
    result: dict[str, Ranked] = {}
    for burst in bursts:
        names = [n for n in burst.frames if n in qualities]
        parts = [_parts(qualities[n], crisp[not qualities[n].subject], usual) for n in names]
        scores = [_score(p) for p in parts]
        for place, i in enumerate(_order(scores), 1):
            score = max(0.0, scores[i] - RANKING.behind * (max(scores) - scores[i]))
            rating = 1 + sum(score >= least for least in RANKING.ratings)
            why = _why(qualities[names[i]], parts[i], place, len(names))
            result[names[i]] = Ranked(round(score, 1), place, len(names), rating, why)
    return result


def _score(parts: Parts) -> float:
    return (
        POINTS.sharp * parts.sharp + POINTS.face * parts.face + POINTS.size * parts.size + POINTS.whole * parts.whole
        + POINTS.ball * parts.ball + POINTS.exposure * parts.exposure
    )  # fmt: skip


def _order(scores: Sequence[float]) -> list[int]:
    """Best first. Noise does not decide between frames that are as good as each other: the height of the action is
    more often in the middle of a burst than at its ends (common practice, no source)."""
    middle = (len(scores) - 1) / 2
    left = list(range(len(scores)))
    order = []
    while left:
        best = max(scores[i] for i in left)
        order.append(min((i for i in left if scores[i] >= best - RANKING.tie), key=lambda i: (abs(i - middle), i)))
        left.remove(order[-1])
    return order


def _crisp(qualities: Mapping[str, Quality], subject: bool) -> float:
    sharp = [one.sharp for one in qualities.values() if one.subject is subject and one.sharp > 0]
    return float(np.percentile(sharp, RANKING.crisp_percentile)) if sharp else 1.0


def _parts(one: Quality, crisp: float, usual: float) -> Parts:
    """Each 0 to 1."""
    below = max(0.0, float(np.log2(max(usual, 1e-6) / max(one.level, 1e-6))) - RANKING.free_stops)
    return Parts(
        sharp=min(1.0, one.sharp / crisp),
        face=one.face,
        size=min(1.0, one.size / RANKING.full_size),
        whole=one.whole,
        exposure=max(0.0, 1 - below / RANKING.dark_stops) * max(0.0, 1 - one.clipped / RANKING.blown),
        ball=one.ball,
    )


def _why(one: Quality, parts: Parts, place: int, of: int) -> str:
    words = [] if of == 1 else ["best of its burst" if place == 1 else f"number {place} of {of} in its burst"]
    if not one.subject and not one.blind:
        words.append("no clear subject")
    if parts.sharp > RANKING.said_sharp:
        words.append("sharp")
    else:
        words.append("fairly sharp" if parts.sharp > RANKING.said_fairly_sharp else "soft")
    if one.face > RANKING.said_face:
        words.append("face seen")
    if one.ball > RANKING.said_ball:
        words.append("ball in the action")
    if one.subject and one.size < RANKING.said_small:
        words.append("small in the frame")
    if one.subject and one.whole < 1:
        words.append("cut by the frame")
    if parts.exposure < RANKING.said_badly_exposed:
        words.append("blown out" if one.clipped > RANKING.said_blown else "dark")
    return ", ".join(words)
