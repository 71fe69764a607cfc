"""By how much the frames of a burst are turned straight, and what is said of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.imaging.geometry import Box
from pipeline.imaging.level import LEVEL, Tilt, Unsure
from pipeline.types import F32


@dataclass(frozen=True)
class Straightening:
    """When a burst is straightened: as one, where enough of its frames have a tilt and most of these agree. Degrees.

    Chosen by eye on generated shoots, where no other source stands beside a number.
    """

    frames: float = 3  # one frame of so many must have a tilt
    percentiles: tuple[float, float] = (20, 80)
    spread: float = 0.8  # between these percentiles at most
    least: float = 0.15  # less is not seen (common practice, no source)
    # What is left of a turned frame must cut nobody who was whole in it: of those found so surely and so tall beside
    # the tallest, since a stand is full of people to the rim, by such a share of their height at the top, and of their
    # width or height, hands and shoes, at the other sides. Tried on turned frames of ../shared/data/court.
    sure: float = 0.5
    tall: float = 0.4
    head: float = 0.03
    cut: float = 0.1
    rim: float = 0.01  # of the frame: whom its side cuts already, or nearly, that side may cut


STRAIGHTENING = Straightening()
_WHY = {
    Unsure.FEW: "too few upright or level lines to be sure",
    Unsure.DISAGREE: "upright and level lines disagree",
    Unsure.FAR: f"tilted by more than {LEVEL.limit:g}\N{DEGREE SIGN}, which may be meant",
}


WOULD_CUT = "not straightened: somebody near the rim would be cut"


@dataclass(frozen=True)
class Turn:
    """degrees  clockwise, by which all frames of a burst are turned; said  what was done or not, and why."""

    degrees: float
    said: str


def turn(tilts: Sequence[Tilt | Unsure]) -> Turn:
    """The turn of a burst from the tilts of its frames, against their median; nothing where they do not agree."""
    rules = STRAIGHTENING
    found = [one for one in tilts if isinstance(one, Tilt)]
    if len(found) < max(1, len(tilts) / rules.frames):
        # The most frequent reason; of equals the first in the list, whatever the order of the frames.
        reasons = Counter(one for one in tilts if isinstance(one, Unsure))
        why = max(Unsure, key=lambda reason: (reasons[reason], -reason))
        return Turn(0.0, f"not straightened: {_WHY[why]}")
    degrees = np.array([one.degrees for one in found])
    if np.ptp(np.percentile(degrees, rules.percentiles)) > rules.spread:
        return Turn(0.0, "not straightened: the frames of the burst disagree")
    middle = round(-float(np.median(degrees)), 2)
    if abs(middle) < rules.least:
        return Turn(0.0, "straight already")
    certainty = float(np.median([one.certainty for one in found]))
    sign = "+" if middle > 0 else "\N{MINUS SIGN}"
    return Turn(middle, f"turned by {sign}{abs(middle):.1f}\N{DEGREE SIGN} (certainty {certainty:.2f})")


def cuts(people: F32, left: Box, degrees: float, height: int, width: int) -> bool:
    """Whether `left`, what is left of a frame (height, width in pixels) that is turned, cuts somebody of `people`
    (N, 5), as of people.detect.Found, who was whole in it."""
    sure = people[people[:, 4] >= STRAIGHTENING.sure]
    if not len(sure):
        return False
    size = sure[:, 2:4] - sure[:, :2]
    turn, middle = np.radians(degrees), ((sure[:, :2] + sure[:, 2:4]) / 2 - 0.5) * [width, height]
    matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    turned = middle @ matrix / [width, height] + 0.5
    beyond = np.concatenate([left[:2] - turned + size / 2, turned + size / 2 - left[2:]], axis=1)
    free = np.concatenate([sure[:, :2], 1 - sure[:, 2:4]], axis=1) > STRAIGHTENING.rim
    tall = size[:, 1] >= STRAIGHTENING.tall * size[:, 1].max()
    most = np.array([STRAIGHTENING.cut, STRAIGHTENING.head, STRAIGHTENING.cut, STRAIGHTENING.cut])
    over = (beyond > most * np.tile(size, 2)) & free
    return bool((over.any(axis=1) & tall).any())
