"""A noisy Bayer mosaic to clean pixels of all colours in one pass of a trained network, tile by tile.

It stands in place of denoise_mosaic and by_residuals. Where less than all of the noise is to go, its result is mixed
with the classical demosaic of the noisy mosaic, luma and colour apart. What it takes away of the mosaic is known at
each pixel: of that the grain is made that is kept.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np

from pipeline.imaging.learned import domain
from pipeline.imaging.learned.runtime import MOSAIC, Network, network
from pipeline.imaging.learned.settle import correction, in_colour
from pipeline.imaging.learned.tiles import (
    GRID,
    LEARNED,
    Settings,
    gains_told,
    in_tiles,
    look,
    luma_weights,
    mixed,
    seen,
    with_luma_of,
)
from pipeline.imaging.memory import give_back_memory
from pipeline.imaging.raw.residual_demosaic import by_residuals
from pipeline.types import F32, F64, Noise

_COLOURS = ((0, 1), (1, 2))  # of the places of a cell
_PIXELS = np.array([1, 2, 1], np.float32)  # of a colour in a cell
_BINOMIAL = np.array([0.5, 1.0, 0.5], np.float32)
_STRIP = 128  # rows of cells that are settled at a time
_MORE = 2  # pixels about a tile that are made besides: grain is spread over those about it


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
    out = in_tiles(top, left, height, width, work.tile, LEARNED.tile)
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
            seen(first, last, side, 2, LEARNED.overlap)
            for first, last, side in zip((top, left), (low, right), self.light.shape, strict=True)
        )
        light, s = self.light[rows[:, None], columns], np.float32(self.foot)
        root = np.empty_like(light)
        for colour, cell in _sites():
            root[cell] = domain.to_root(light[cell] * self.gains[colour], s)
        up, aside, height, width = up - _MORE, aside - _MORE, 2 * (low - top + _MORE), 2 * (right - left + _MORE)
        near = (slice(up, up + height), slice(aside, aside + width))
        levels, stays = self.settings.levels, self.settings.stays
        found = self._look(root, levels[0])[near]
        if levels[1] != levels[0]:
            found = with_luma_of(found, self._look(root, levels[1])[near], self.weights)
        inner = found[_MORE:-_MORE, _MORE:-_MORE]
        first, across = self.place
        self.cells[top - first : low - first, left - across : right - across] = (
            sum(inner[cell] for _, cell in _sites()) / 4
        )
        if max(stays) > 0:
            noisy = domain.to_root(by_residuals(light, self.balance, up, aside, height, width) * self.gains, s)
            found = mixed(found, noisy, *stays, self.weights)
        if self.settings.keep_grain > 0:
            self._keep_grain(found, root[near])
        return np.asarray(domain.from_root(found[_MORE:-_MORE, _MORE:-_MORE], s) / self.gains, dtype=np.float32)

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

    def _look(self, root: F32, level: float) -> F32:
        """(H, W) -> (H, W, 3), both u; `level` times the deviation of the noise is told."""
        numbers = np.concatenate(domain.told(self.a * level**2, self.b * level**2, self.foot))
        return look(self.network, [root[cell] for _, cell in _sites()], numbers.astype(np.float32))

    def _keep_grain(self, found: F32, root: F32) -> None:
        """Put back into `found` (H, W, 3) a share of the luma that it lacks of the mosaic `root` (H, W), in place."""
        grain = np.empty_like(root)
        for colour, cell in _sites():
            grain[cell] = (root[cell] - found[cell][..., colour]) * (self.weights[colour] / _PIXELS[colour])
        # As denoise.cells.keep_grain: the binomial gives each colour the same sum wherever it stands.
        spread = cv2.sepFilter2D(grain, -1, _BINOMIAL, _BINOMIAL, borderType=cv2.BORDER_REFLECT_101)
        found += (np.float32(self.settings.keep_grain) * spread)[..., None]


def _sites() -> Iterator[tuple[int, tuple[slice, slice]]]:
    """The colour of each place of a cell, and which pixels of a plane (H, W) they are."""
    for y in (0, 1):
        for x in (0, 1):
            yield _COLOURS[y][x], (slice(y, None, 2), slice(x, None, 2))
