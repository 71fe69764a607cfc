"""Which frames of a burst are the best, from what was measured of each: a score out of named parts, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.people.subject import Subject
from pipeline.types import Burst

# Points of a perfect frame, a hundred in all. Sharpness leads: nothing else can be mended afterwards.
WEIGHTS = {"sharp": 45, "face": 15, "size": 15, "whole": 12, "exposure": 8, "ball": 5}
_CRISP = 75  # percentile of the sharpness of a shoot's subjects that counts as fully sharp
_TALL = 0.6  # of the frame's height, from which a subject is as large as it need be
_BETTER = 0.25  # of what the best frame of the burst has more
_TIE = 6.0  # points; frames that are closer than that to the best left are as good, and the middlemost goes first


@dataclass(frozen=True)
class Looked:
    """What counts of one frame, before frames are compared. Shares are 0 to 1.

    subject   whether there is one; without, sharp is that of the middle of the frame
    sharp     as in imaging.sharpness; face, ball  how surely one of the subject's is seen; size  of the frame's height
    whole     1, or less where the frame itself cuts the subject
    level     mean luminance of the subject in fractions of saturation; clipped  share of it that is blown
    """

    subject: bool
    sharp: float
    face: float
    ball: float
    size: float
    whole: float
    level: float
    clipped: float
    blind: bool = False  # nobody was looked for: no model file


@dataclass(frozen=True)
class Ranked:
    """score 0 to 100; place in the burst from 1, and of how many; rating 1 to 5 to suggest; why, for a person."""

    score: float
    place: int
    of: int
    rating: int
    why: str


def look(subject: Subject | None, middle_sharp: float, level: float, clipped: float, blind: bool) -> Looked:
    """`middle_sharp`, `level` and `clipped` are of the frame, for where there is no subject."""
    if subject is None:
        return Looked(False, middle_sharp, 0, 0, 0, 0, level, clipped, blind)
    x0, y0, x1, y1 = subject.box
    edges = sum((x0 < 0.004, x1 > 0.996, y0 < 0.004, y1 > 0.996))
    face, ball = _share(subject.face_sure, 0.5, 0.85), _share(subject.ball_sure, 0.3, 0.7)
    return Looked(
        True, subject.sharp, face, ball, y1 - y0, 0.5**edges,
        level * subject.light[0], subject.light[1],
    )  # fmt: skip


def _share(value: float, low: float, high: float) -> float:
    return min(1.0, max(0.0, (value - low) / (high - low)))


def rank(bursts: Sequence[Burst], looked: Mapping[str, Looked]) -> dict[str, Ranked]:
    """Every frame that was looked at. Frames are compared with their burst, and sharpness with the whole shoot's."""
    crisp = _crisp(looked, True), _crisp(looked, False)
    usual = float(np.median([one.level for one in looked.values()])) if looked else 1.0
    result: dict[str, Ranked] = {}
    for burst in bursts:
        names = [n for n in burst.frames if n in looked]
        parts = [_parts(looked[n], crisp[not looked[n].subject], usual) for n in names]
        scores = [sum(WEIGHTS[k] * v for k, v in p.items()) for p in parts]
        for place, i in enumerate(_order(scores), 1):
            # What the burst has better counts against a frame.
            score = max(0.0, scores[i] - _BETTER * (max(scores) - scores[i]))
            rating = 1 + sum(score >= least for least in (30, 45, 60, 75))
            why = _why(looked[names[i]], parts[i], place, len(names))
            result[names[i]] = Ranked(round(score, 1), place, len(names), rating, why)
    return result


def _order(scores: Sequence[float]) -> list[int]:
    """Best first. Noise does not decide between frames that are as good as each other: the height of the action is
    more often in the middle of a burst than at its ends (common practice, no source)."""
    middle = (len(scores) - 1) / 2
    left = list(range(len(scores)))
    order = []
    while left:
        best = max(scores[i] for i in left)
        order.append(min((i for i in left if scores[i] >= best - _TIE), key=lambda i: (abs(i - middle), i)))
        left.remove(order[-1])
    return order


def _crisp(looked: Mapping[str, Looked], subject: bool) -> float:
    sharp = [one.sharp for one in looked.values() if one.subject is subject and one.sharp > 0]
    return float(np.percentile(sharp, _CRISP)) if sharp else 1.0


def _parts(one: Looked, crisp: float, usual: float) -> dict[str, float]:
    """Each 0 to 1. How dark a frame is counts as stops below the shoot: it is lifted, and its noise with it."""
    below = max(0.0, float(np.log2(max(usual, 1e-6) / max(one.level, 1e-6))) - 0.3)
    return {
        "sharp": min(1.0, one.sharp / crisp), "face": one.face, "size": min(1.0, one.size / _TALL), "whole": one.whole,
        "ball": one.ball, "exposure": max(0.0, 1 - below / 2) * max(0.0, 1 - 4 * one.clipped),
    }  # fmt: skip


def _why(one: Looked, parts: Mapping[str, float], place: int, of: int) -> str:
    told = [] if of == 1 else ["best of its burst" if place == 1 else f"number {place} of {of} in its burst"]
    if not one.subject and not one.blind:
        told.append("nobody surely the subject")
    told.append("sharp" if parts["sharp"] > 0.85 else "fairly sharp" if parts["sharp"] > 0.6 else "soft")
    if one.face > 0.5:
        told.append("face seen")
    if one.ball > 0.5:
        told.append("ball in the action")
    if one.subject and one.size < 0.3:
        told.append("small in the frame")
    if one.subject and one.whole < 1:
        told.append("cut by the frame")
    if parts["exposure"] < 0.6:
        told.append("blown out" if one.clipped > 0.08 else "dark")
    return ", ".join(told)
