"""What the opcodes of a DNG mean (Adobe Digital Negative specification 1.6, chapter 7); formats.dng_opcodes reads them.

Coordinates of opcodes are fractions of the active area, which is the frame that LibRaw gives.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.imaging.lens.falloff import COARSE, Falloff, stops_of_polynomial
from pipeline.imaging.lens.warp import Warp, of_factors
from pipeline.types import F32, F64


@dataclass(frozen=True)
class GainTable:
    """GainMap: gains at points, bilinear between them, the outermost going on.

    colours  which of R, G, B (0, 1, 2) it is for; gains  (V, H, planes), one for each colour, the last for the rest
    spacing, origin  of the points, down and across, in fractions of the image
    """

    colours: tuple[int, ...]
    gains: F32
    spacing: tuple[float, float]
    origin: tuple[float, float]


@dataclass(frozen=True)
class RectilinearWarp:
    """WarpRectilinear. planes (1 or 3, 6): kr0 to kr3, kt0, kt1; centre  across and down, fractions."""

    planes: F64
    centre: tuple[float, float]


@dataclass(frozen=True)
class LensOpcodes:
    """The opcodes about the lens, in their order.

    vignettes  k0 to k4 and the centre (across, down) of each FixVignetteRadial
    """

    vignettes: tuple[tuple[float, ...], ...] = ()
    gain_tables: tuple[GainTable, ...] = ()
    warps: tuple[RectilinearWarp, ...] = ()


NO_OPCODES = LensOpcodes()
_MOST_MOVED = 0.4  # of the half diagonal, by which a corner moves at most: beyond that it is no plain lens (no source)


def falloff_of(opcodes: LensOpcodes) -> Falloff | None:
    """What FixVignetteRadial and GainMap say together; None where they say nothing, or nothing that is possible."""
    stops, centre = np.zeros_like(Falloff().stops), (0.5, 0.5)
    gains = None
    try:
        for values in opcodes.vignettes:
            stops = stops + stops_of_polynomial(*values[:5])
            centre = (float(values[5]), float(values[6]))
    except ValueError:
        return None
    if not all(0 <= c <= 1 for c in centre) or len({v[5:] for v in opcodes.vignettes}) > 1:
        return None
    if opcodes.gain_tables:
        gains = _together(opcodes.gain_tables)
    return Falloff(stops, centre, gains) if opcodes.vignettes or gains is not None else None


def warp_of(opcodes: LensOpcodes) -> Warp | None:
    """What WarpRectilinear says; None where there is none, or more than one, or one that is not possible."""
    if len(opcodes.warps) != 1:
        return None
    planes, centre = np.asarray(opcodes.warps[0].planes), opcodes.warps[0].centre
    if not all(0 <= c <= 1 for c in centre) or np.abs(planes[:, :4].sum(axis=1) - 1).max() > _MOST_MOVED:
        return None
    factors = np.zeros((len(planes), 7))
    factors[:, :7:2] = planes[:, :4]
    return of_factors(factors, np.broadcast_to(planes[:, 4:], (3, 2)), centre)


def _together(tables: tuple[GainTable, ...]) -> F32:
    """(COARSE, COARSE, 3) gains from edge to edge; those of the two greens of a mosaic as their mean."""
    logs, count = np.zeros((COARSE, COARSE, 3)), np.zeros(3)
    for table in tables:
        for at, colour in enumerate(table.colours):
            plane = table.gains[..., min(at, table.gains.shape[2] - 1)]
            logs[..., colour] += np.log2(_at_places(plane, table))
            count[colour] += 1
    # A mosaic has two maps for green; maps that follow each other are for all colours alike, and multiply.
    twice = count[1] == 2 * max(count[0], count[2])
    if twice:
        logs[..., 1] /= 2
    return np.exp2(logs).astype(np.float32)


def _at_places(plane: F32, table: GainTable) -> F64:
    """(COARSE, COARSE) of a table, bilinear (GainMap: points lie at origin + index * spacing)."""
    places = np.linspace(0, 1, COARSE)
    rows, columns = (
        np.clip((places - origin) / spacing, 0, count - 1) if spacing > 0 else np.zeros(COARSE)
        for origin, spacing, count in zip(table.origin, table.spacing, plane.shape, strict=True)
    )
    top, left = np.floor(rows).astype(int), np.floor(columns).astype(int)
    down, right = np.minimum(top + 1, plane.shape[0] - 1), np.minimum(left + 1, plane.shape[1] - 1)
    v, h = (rows - top)[:, None], (columns - left)[None, :]
    upper = plane[np.ix_(top, left)] * (1 - h) + plane[np.ix_(top, right)] * h
    lower = plane[np.ix_(down, left)] * (1 - h) + plane[np.ix_(down, right)] * h
    return np.asarray(upper * (1 - v) + lower * v, dtype=np.float64)
