"""What the networks share: how strongly they clean, and the tiles in which they see a picture."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.learned import domain
from pipeline.types import F32, F64


@dataclass(frozen=True)
class LearnedConstants:
    """How the networks are run; tests/imaging/learned."""

    # Most cells of a tile's result along a side, and those about it: no seam is measured, a worker keeps within its
    # memory (a kilobyte a cell), and 24 megapixels are four rows of five. `python -m tests.benchmark --only pixels`.
    tile: int = 608
    overlap: int = 32
    beyond: int = 8  # cells that it sees beyond the border of what is known
    # Gains of red and blue that were trained on; beyond them the network is told the nearest.
    least_gain: float = 1.15
    most_gain: float = 3.0
    most_told: float = 1.3  # times the deviation of the noise; told more, the network blurs and leaves as much
    mid_grey: float = 0.18  # of saturation, the brightness at which the colours are weighed to luma


LEARNED = LearnedConstants()
BANDS = 4  # rows and columns of which a network makes no fewer, on every scale
GRID = 16  # pixels to one of the coarsest scale: where tiles begin, and the part of a mosaic that a window needs
REACH = 96  # pixels, as far as one has a say in what becomes of another
# Share of the amplitude of the noise that stays by the strength, below the whole: as the classical filters leave it
# (steps/denoise.py has its square).
_STRENGTHS = (0.0, 0.25, 0.5, 0.75, 0.9, 1.0)
_STAYS = (1.0, 0.94, 0.66, 0.18, 0.06, 0.0)


@dataclass(frozen=True)
class Part:
    """Rows [top, low) and columns [left, right) of what a network sees."""

    top: int
    left: int
    low: int
    right: int

    def wider(self, by: int, height: int, width: int) -> Part:
        """By so many on each side, of whole bands, within a picture of this size."""
        top, left = (max(start - by, 0) // BANDS * BANDS for start in (self.top, self.left))
        ends = ((self.low, height), (self.right, width))
        low, right = (min(-(-(end + by) // BANDS) * BANDS, side) for end, side in ends)
        return Part(top, left, low, right)

    def halved(self) -> Part:
        """What holds it, on a scale of half the size."""
        return Part(self.top // 2, self.left // 2, -(-self.low // 2), -(-self.right // 2))


@dataclass(frozen=True)
class Settings:
    """As in denoise: strength times luma, strength times chroma, and the share of the luma grain that stays."""

    luma: float = 1.0
    chroma: float = 1.0
    keep_grain: float = 0.0

    @property
    def levels(self) -> tuple[float, float]:
        """Deviation of the noise that a network is told, over what it is, for luma and for chroma.

        No less than the truth: told less, it leaves worms where it should leave grain. No more than it was trained on.
        """
        return min(max(1.0, self.luma), LEARNED.most_told), min(max(1.0, self.chroma), LEARNED.most_told)

    @property
    def stays(self) -> tuple[float, float]:
        """Share of the amplitude of luma noise and of colour noise that is not taken."""
        luma, chroma = (float(np.interp(part, _STRENGTHS, _STAYS)) for part in (self.luma, self.chroma))
        return luma, chroma


def gains_told(balance: F64) -> F64:
    """(3,) multipliers of a balance, green = 1, as near as was trained."""
    gains = np.clip(balance / balance[1], LEARNED.least_gain, LEARNED.most_gain)
    gains[1] = 1.0
    return np.asarray(gains)


def luma_weights(a: F64, b: F64, s: float, pixels: F32) -> F32:
    """(3,) of the colours in an estimate of grey, by how sure they are of it: see denoise._opponent.

    a, b (3,) noise of the balanced colours; s  foot of u; pixels (3,) of each colour that tell
    """
    deviation = domain.deviation(LEARNED.mid_grey, a + domain.NOISELESS, b, s)
    weights = pixels / deviation**2
    return np.asarray(weights / weights.sum(), dtype=np.float32)


def with_luma_of(u: F32, colour: F32, weights: F32) -> F32:
    """The colour of one picture (H, W, 3) with the luma of another."""
    return np.asarray(colour + ((u - colour) @ weights)[..., None], dtype=np.float32)


def mixed(u: F32, noisy: F32, luma: float, chroma: float, weights: F32) -> F32:
    """u (H, W, 3) with these shares of the luma and of the colour that tell a noisy picture from it."""
    off = noisy - u
    grey = (off @ weights)[..., None]
    return np.asarray(u + np.float32(chroma) * (off - grey) + np.float32(luma) * grey, dtype=np.float32)


def in_tiles(
    top: int, left: int, height: int, width: int, tile_of: Callable[[int, int, int, int], F32], most: tuple[int, int]
) -> F32:
    """(height, width, 3) from (top, left) on, of tiles; tile_of takes top, left, bottom, right in cells of 2x2 pixels.

    most  cells of a tile, down and across. All tiles are of about one size, and begin where cells of the coarsest scale
    do.
    """
    out = np.empty((height, width, 3), np.float32)
    for y, low in _parts(top, height, most[0]):
        for x, right in _parts(left, width, most[1]):
            tile = tile_of(y // 2, x // 2, (low + 1) // 2, (right + 1) // 2)
            up, first = max(y, top), max(x, left)
            out[up - top : low - top, first - left : right - left] = tile[up - y : low - y, first - x : right - x]
    return out


def _parts(start: int, length: int, most: int) -> list[tuple[int, int]]:
    """(first, last) pixels of the tiles along a side, as few as can be: the last is not a sliver among overlaps."""
    first, last = start // GRID * GRID, start + length
    count = -(-(last - first) // (2 * most))
    side = -(-(last - first) // (count * GRID)) * GRID
    return [(at, min(last, at + side)) for at in range(first, last, side)]


def seen(first: int, last: int, side: int, cell: int, overlap: int, whole: int) -> tuple[NDArray[np.int64], int]:
    """Places along a side, in pixels, that a tile of cells [first, last) sees, and how many of them come before it.

    cell  pixels of a cell along a side; overlap  cells that it sees about its own.
    whole  cells, of which they are a multiple. Beyond the border a picture goes on a little, mirrored about its
    outermost pixels: a mosaic then keeps its colours.
    """
    low = max(first - overlap, -LEARNED.beyond)
    cells = min(last + overlap, -(-side // cell) + LEARNED.beyond) - low
    at = np.abs(cell * low + np.arange(cell * (cells + -cells % whole)))
    if side > 1:
        at %= 2 * side - 2
        at = np.minimum(at, 2 * side - 2 - at)
    else:
        at[:] = 0
    return np.asarray(at, dtype=np.int64), cell * (first - low)
