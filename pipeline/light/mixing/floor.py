"""Where the floor begins in a picture: what is above that row stands as far away as the wall.

What the lowest part of a picture shows is taken for floor where it has the same few colours from one side to the other.
It begins where a row shows them no more in all columns: boards, stands and walls have them here and there at most.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.light.palette import LOW, ChromaSamples
from pipeline.types import F64


@dataclass(frozen=True)
class FloorConstants:
    """What is taken for a floor.

    No published values exist. Chosen by trial on generated halls (`python -m tests.evenness_of_raws`) and on real court
    frames: `pytest tests/light/mixing`. That each one matters: `pytest tests/test_constants.py`.
    """

    chroma: float = 0.08  # of a bin of colours, natural log
    stops: float = 0.5  # of a bin, luminance
    common: float = 0.95  # share of the lowest part whose commonest bins are those of the floor
    least: float = 6.0  # pixels' worth of weight that a place needs
    columns: float = 0.25  # share of a row's columns that something may hide
    begins: float = 0.35  # of the way from what is above to the floor: varnish mirrors what stands on it
    # How much more of the floor's colours it shows than what is above does, squared: not believed below, wholly above.
    doubted: float = 0.1
    believed: float = 0.35


FLOOR = FloorConstants()
_ROWS, _COLUMNS = 32, 8
_LOWEST = 6  # rows that are floor, if any are
_ABOVE, _BELOW = 6, 3  # rows on either side of an edge that are compared
_SOFT = 2  # rows above an edge that may be part of it
_KNOWN = 2  # columns that a row needs
_BINS = (40, 56, 12)
_DARKEST, _BLACK = -5.0, 1e-3  # stops below the brightest tenth of a picture, and the least that has a logarithm


def floor_edge(of: ChromaSamples, half: float) -> tuple[float, float]:
    """(row where the floor begins, -1 to 1; how sure that is, 0 to 1).

    of  samples without people, evened as far as is known;  half  half of what they show, in half widths of a frame
    """
    share = _floor_by_row(of, half)
    best, edge = 0.0, 0
    for row in range(1, _ROWS - _LOWEST + 1):
        apart = max(share[row : row + _BELOW].mean() - share[max(row - _ABOVE, 0) : row].mean(), 0.0)
        if (score := float(apart**2 * share[row:].mean())) > best:
            best, edge = score, row
    if not edge:
        return 0.0, 0.0
    above, below = share[max(edge - _ABOVE, 0) : max(edge - _SOFT, 1)].mean(), share[edge : edge + _BELOW].mean()
    begins = above + FLOOR.begins * (below - above)
    while edge > 1 and share[edge - 1] >= begins:
        edge -= 1
    between = float(np.clip((begins - share[edge - 1]) / max(share[edge] - share[edge - 1], 1e-9), 0, 1))
    return 2 * (edge - 0.5 + between) / _ROWS - 1, float(np.interp(best, (FLOOR.doubted, FLOOR.believed), (0.0, 1.0)))


def _floor_by_row(of: ChromaSamples, half: float) -> F64:
    """(32,) share of pixels in the colours of the floor, in the column of each row that shows the fewest but for some;
    what is thinner than two rows (a line) is passed over."""
    from scipy.ndimage import gaussian_filter, median_filter

    places = (of.row, _ROWS), (of.column / half, _COLUMNS)
    row, column = (np.clip(((at + 1) / 2 * n).astype(int), 0, n - 1) for at, n in places)
    luminance = np.log2(np.maximum(of.luminance, _BLACK)) - _DARKEST
    colours = np.column_stack([(of.chroma - LOW) / FLOOR.chroma, luminance / FLOOR.stops])
    colour = np.ravel_multi_index(tuple(colours.astype(int).T), _BINS, mode="clip")
    low = row >= _ROWS - _LOWEST
    counts = np.bincount(colour[low], of.weight[low], minlength=int(np.prod(_BINS)))
    common = gaussian_filter(counts.reshape(_BINS), 1.0).ravel()
    order = np.sort(common)[::-1]
    last = int(np.searchsorted(np.cumsum(order), FLOOR.common * order.sum()))
    like = (common[colour] >= order[min(last, len(order) - 1)]) & (common[colour] > 0)
    seen, floor = (
        np.bincount(row * _COLUMNS + column, weight, minlength=_ROWS * _COLUMNS).reshape(_ROWS, _COLUMNS)
        for weight in (of.weight, of.weight * like)
    )
    enough = seen >= FLOOR.least
    known = enough.sum(axis=1) >= _KNOWN
    if known.sum() < 2:
        return np.zeros(_ROWS)
    part = np.where(enough, floor / np.maximum(seen, FLOOR.least), np.nan)[known]
    rows = np.interp(np.arange(_ROWS), np.flatnonzero(known), np.nanquantile(part, FLOOR.columns, axis=1))
    return np.asarray(median_filter(rows, 3, mode="nearest"), dtype=np.float64)
