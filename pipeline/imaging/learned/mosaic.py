"""A noisy Bayer mosaic to clean pixels of all colours in one pass of a trained network, tile by tile.

It stands in place of denoise_mosaic and by_residuals. Where less than all of the noise is to go, its result is mixed
with the classical demosaic of the noisy mosaic, luma and colour apart. What it takes away of the mosaic is known at
each pixel: of that the grain is made that is kept.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pipeline.imaging.learned import domain
from pipeline.imaging.learned.runtime import MOSAIC, network
from pipeline.imaging.learned.settle import correction, in_colour
from pipeline.imaging.learned.tiles import (
    GRID,
    LEARNED,
    Part,
    Settings,
    gains_told,
    in_tiles,
    luma_weights,
    mixed,
    seen,
    with_luma_of,
)
from pipeline.imaging.memory import give_back_memory
from pipeline.imaging.raw.residual_demosaic import by_residuals
from pipeline.types import F32, F64, Noise

if TYPE_CHECKING:
    from pipeline.imaging.learned.network import Network

_COLOURS = ((0, 1), (1, 2))  # of the places of a cell
_PIXELS = np.array([1, 2, 1], np.float32)  # of a colour in a cell
_BINOMIAL = np.array([0.5, 1.0, 0.5], np.float32)
_STRIP = 128  # rows of cells that are settled at a time
_MORE = 1  # cells about a tile that are made besides: grain is spread over those about it


def learned_demosaic(
    light: F32, balance: F64, top: int, left: int, height: int, width: int, noise: Noise, settings: Settings,
    by: Network | None = None,
) -> F32:  # fmt: skip
    """(H, W) RGGB, black subtracted, 1.0 = saturation -> camera colour (height, width, 3) from (top, left) on.

    H and W even; balance (3,) multipliers; noise of the mosaic, var = a x + b by colour; by  other weights.
    Raises FrameError where the weights are damaged.
    """
    work = _Work(light, balance, noise, settings, network(MOSAIC) if by is None else by)
    first, across = (at // GRID * (GRID // 2) for at in (top, left))  # of the cells that are looked at
    work.cells = np.empty(((top + height + 1) // 2 - first, (left + width + 1) // 2 - across, 3), np.float32)
    work.place = (first, across)
    give_back_memory()  # what the file was read with, and its light made
    out = in_tiles(top, left, height, width, work.tile, (LEARNED.tile, LEARNED.tile))
    del work.network  # with all that it holds of a tile
    work.settle(out, top, left)
    return out


class _Work:
    """What the tiles of a mosaic share."""

    def __init__(self, light: F32, balance: F64, noise: Noise, settings: Settings, by: Network) -> None:
        self.light, self.settings, self.network = light, settings, by
        self.balance, gains = balance, gains_told(balance)
        a, b = (np.maximum(np.nan_to_num(part), 0.0) for part in (noise.a, noise.b))
        self.a, self.b = gains * a, gains * gains * b
        self.foot = float(domain.foot(a[1], b[1]))
        self.gains = gains.astype(np.float32)
        self.weights = luma_weights(self.a, self.b, self.foot, _PIXELS)
        self.place = (0, 0)  # of the first of the cells
        self.cells: F32 = np.empty((0, 0, 3), np.float32)  # mean u of each

    def tile(self, top: int, left: int, low: int, right: int) -> F32:
        """(2 (low - top), 2 (right - left), 3) camera colour of cells [top, low) x [left, right)."""
        (rows, up), (columns, aside) = (
            seen(first, last, side, 2, LEARNED.overlap, self.network.sides)
            for first, last, side in zip((top, left), (low, right), self.light.shape, strict=True)
        )
        told, s = self.network.cells(len(rows) // 2, len(columns) // 2), np.float32(self.foot)
        for place, (colour, (y, x)) in enumerate(_sites()):
            told[..., place] = domain.to_root(self.light[rows[y][:, None], columns[x]] * self.gains[colour], s)
        part = Part(up // 2 - _MORE, aside // 2 - _MORE, up // 2 + low - top + _MORE, aside // 2 + right - left + _MORE)
        levels, stays = self.settings.levels, self.settings.stays
        found = self._look(told, levels[0], part)
        if levels[1] != levels[0]:
            found = with_luma_of(found, self._look(told, levels[1], part), self.weights)
        rim = slice(2 * _MORE, -2 * _MORE)
        first, across = self.place
        self.cells[top - first : low - first, left - across : right - across] = (
            sum(found[rim, rim][cell] for _, cell in _sites()) / 4
        )
        if max(stays) > 0:
            light = self.light[rows[:, None], columns]
            whole = by_residuals(light, self.balance, 2 * part.top, 2 * part.left, *found.shape[:2])
            found = mixed(found, domain.to_root(whole * self.gains, s), *stays, self.weights)
        if self.settings.keep_grain > 0:
            self._keep_grain(found, told[part.top : part.low, part.left : part.right])
        return np.asarray(domain.from_root(found[rim, rim], s) / self.gains, dtype=np.float32)

    def settle(self, out: F32, top: int, left: int) -> None:
        """Take out of `out` (H, W, 3), camera colour from (top, left) on, what is left of wide noise, in place."""
        deviation = domain.deviation(domain.BRIGHT, self.a[1], self.b[1], self.foot)
        off = correction(self.cells, float(deviation))
        luma, chroma = self.settings.stays
        off[0] *= np.float32(1 - luma)
        off[1:] *= np.float32(1 - chroma)
        self.cells = np.empty((0, 0, 3), np.float32)
        s, k = np.float32(self.foot), np.float32((1 + self.foot) ** 0.5 - self.foot**0.5)
        for first in range(0, off.shape[1], _STRIP):
            last = min(first + _STRIP, off.shape[1])
            row, column = 2 * (self.place[0] + first) - top, left - 2 * self.place[1]
            low, high = max(0, row), min(len(out), row + 2 * (last - first))
            change = in_colour(off, first, last)[low - row : high - row, column : column + out.shape[1]]
            part = out[low:high]
            # dy / du of the root; the change is small.
            slope = np.sqrt(np.maximum(part * self.gains, 0) + s) * (2 * k / self.gains)
            part += change * slope

    def _look(self, told: F32, level: float, part: Part) -> F32:
        """Cells (h, w, 10) -> u of a part of their pixels; `level` times the deviation of the noise is told."""
        told[..., 4:] = np.concatenate(domain.told(self.a * level**2, self.b * level**2, self.foot))
        return self.network.picture(part)

    def _keep_grain(self, found: F32, cells: F32) -> None:
        """Put back into `found` (2h, 2w, 3) a share of the luma that it lacks of `cells` (h, w, 4...), in place."""
        grain = np.empty(found.shape[:2], np.float32)
        for place, (colour, cell) in enumerate(_sites()):
            grain[cell] = (cells[..., place] - found[cell][..., colour]) * (self.weights[colour] / _PIXELS[colour])
        # As denoise.cells.keep_grain: the binomial gives each colour the same sum wherever it stands.
        spread = cv2.sepFilter2D(grain, -1, _BINOMIAL, _BINOMIAL, borderType=cv2.BORDER_REFLECT_101)
        found += (np.float32(self.settings.keep_grain) * spread)[..., None]


def _sites() -> Iterator[tuple[int, tuple[slice, slice]]]:
    """The colour of each place of a cell, and which pixels of a plane (H, W) they are."""
    for y in (0, 1):
        for x in (0, 1):
            yield _COLOURS[y][x], (slice(y, None, 2), slice(x, None, 2))
