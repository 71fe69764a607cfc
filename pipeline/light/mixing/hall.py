"""What one picture leaves in doubt of how lamps mix in it, proven by others of its hall.

A wall that is blue at one side looks like light that changes. But a hall with two kinds of lamps shows them to all its
pictures: bursts of its two ends lie apart in chroma, and where lamps mix within a picture its light moves along the
same line, and no farther. So of a gradient that is found clearly and not believed by itself, the part along that line
is taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.light.mixing.gradient import ChromaGradient
from pipeline.types import F64


@dataclass(frozen=True)
class HallConstants:
    """When the bursts of a hall prove a gradient; each pair: not at all at the first, wholly at the second.

    No published values exist. Chosen by trial on generated halls (`python -m tests.evenness`) and real photographs,
    which are of one light and mostly of one place each: `pytest tests/light/mixing`.

    apart  chroma from one end of the hall to the other, natural log
    along  share of a gradient's squares that lies along the line between them
    clear  ChromaGradient.clear; even light gives 1 to 2
    """

    apart: tuple[float, float] = (0.04, 0.1)
    along: tuple[float, float] = (0.6, 0.85)
    clear: tuple[float, float] = (2.0, 4.0)


HALL = HallConstants()
_OVER = np.linspace(-1, 1, 21)


def _sure(value: float, between: tuple[float, float]) -> float:
    return float(np.interp(value, between, (0.0, 1.0)))


def followed(
    gradients: Sequence[ChromaGradient], chromaticities: F64, place: NDArray[np.int64]
) -> list[ChromaGradient]:
    """The gradient of each scene, with what the others prove of it.

    chromaticities (N, 2) of the scenes; place (N,) the same number for those that are proven to show the same surfaces
    """
    found = list(gradients)
    for number in np.unique(place):
        members = np.flatnonzero(place == number)
        off = chromaticities[members] - chromaticities[members].mean(axis=0)
        if len(members) < 2:
            continue
        line = np.linalg.svd(off, full_matrices=False)[2][0]
        apart = float(np.ptp(off @ line))
        for index in members if _sure(apart, HALL.apart) else ():
            found[index] = _along(found[index], line, apart)
    return found


def _along(of: ChromaGradient, line: F64, apart: float) -> ChromaGradient:
    """With as much of what was doubted as a hall proves whose ends lie `apart` along a line (2,)."""
    doubted = replace(of, powers=of.doubted)
    over = doubted.at(_OVER * of.half)
    over -= over.mean(axis=0)
    squares = float((over**2).sum())
    if squares <= 0:
        return of
    along = over @ line
    sure = _sure(apart, HALL.apart) * _sure(of.clear, HALL.clear) * _sure(float(along @ along) / squares, HALL.along)
    sure *= min(1.0, apart / max(float(np.ptp(along)), 1e-9))
    return replace(of, powers=of.powers + sure * np.outer(of.doubted @ line, line))
