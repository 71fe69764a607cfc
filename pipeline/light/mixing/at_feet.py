"""The flicker on people: that of the floor at their feet, where the lamp's gain map gives that of what is behind them.

The row of the sensor tells when it was exposed, and so the lamp's phase; the place in the hall tells the mixture of
lamps. On somebody only the second is another than beside.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.light.gain_map import GainMap, basis
from pipeline.light.mixing.standing import Standing
from pipeline.light.registration import Motion
from pipeline.light.row_wave import DEGREE, TO_CHANNELS
from pipeline.light.shared_lamp import Perspective, SharedLamp
from pipeline.light.static_bands import STATIC
from pipeline.types import F64

# Chosen on the generated halls: python -m tests.burst_parts.
DEGREES = (DEGREE, 14)  # of the polynomial, down and across: players are a tenth of a frame wide and more
_PLACES = (48, 64)  # at which the lamp is read, down and across
_LEAST = 0.005  # share of people, below which nobody is there


def on_people(
    lamp: SharedLamp,
    people: Sequence[Standing | None],
    perspective: Perspective,
    motions: Sequence[Motion],
    size: tuple[int, int],
    down: int,
    whole: bool,
) -> list[GainMap]:
    """Stops to ADD to the lamp's gain map of each frame of a burst so that people get the light at their feet.

    people: of each frame by itself, as it lies on the sensor; None where nobody is known. perspective, motions, size
    and down: as of shared_lamp.places; whole: as of SharedLamp.on.
    """
    rows, columns = np.meshgrid(*(basis(n, 1)[:, 1] for n in _PLACES), indexing="ij")
    inverse = [np.linalg.pinv(basis(n, degree)) for n, degree in zip(_PLACES, DEGREES, strict=True)]
    every = len(lamp.phases)
    pick = np.unique(np.linspace(0, every - 1, min(STATIC.most, every)).round().astype(int)).tolist()
    found = []
    for frame, (one, motion) in enumerate(zip(people, motions, strict=True)):
        share, feet = (one or Standing.nobody()).at(rows, columns)
        low = down * np.maximum(feet, down * rows)
        dx, dy = 2 * motion.dx / size[1], 2 * motion.dy / size[0]
        behind, near = (perspective.distance(down * (at - dy) / motion.scale) for at in (rows, low))
        there = (share > _LEAST) & (near < behind)
        aside = (columns - dx) / motion.scale
        places = [of[there] for of in (rows, low, near * aside, behind * aside)]
        off = np.zeros((*_PLACES, 3))
        if there.any():
            off[there] = _change(lamp, frame, *places)
            if not whole:
                off[there] -= np.mean([_change(lamp, other, *places) for other in pick], axis=0)
        stops = (share[..., None] * off) @ TO_CHANNELS
        found.append(GainMap(-np.einsum("dr,rcp,ac->dap", inverse[0], stops, inverse[1], optimize=True)))
    return found


def _change(lamp: SharedLamp, frame: int, rows: F64, low: F64, near: F64, behind: F64) -> F64:
    """(N, 3) stops by part by which the lamp at the feet differs from that behind, in rows of the sensor. low: the row
    at the feet; near, behind: how far to the side both are."""
    return lamp.at(frame, rows, low, near) - lamp.at(frame, rows, rows, behind)
