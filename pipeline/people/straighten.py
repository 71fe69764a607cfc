"""By how much the frames of a burst are turned straight, and what is said of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.imaging.level import LEVEL, Tilt, Unsure


@dataclass(frozen=True)
class Straightening:
    """When a burst is straightened: as one, where enough of its frames have a tilt and most of these agree. Degrees.

    Chosen by eye on generated shoots, where no other source stands beside a number.
    """

    frames: float = 3  # one frame of so many must have a tilt
    percentiles: tuple[float, float] = (20, 80)
    spread: float = 0.8  # between these percentiles at most
    least: float = 0.15  # less is not seen (common practice, no source)


STRAIGHTENING = Straightening()
_WHY = {
    Unsure.FEW: "too few upright or level lines to be sure",
    Unsure.DISAGREE: "upright and level lines disagree",
    Unsure.FAR: f"tilted by more than {LEVEL.limit:g}\N{DEGREE SIGN}, which may be meant",
}


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
