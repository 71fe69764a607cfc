"""A small picture, averaged from a noisy mosaic, cleaned by the network that web.py trains: no part of the program."""

from __future__ import annotations

import numpy as np

from pipeline.imaging.learned import domain
from pipeline.imaging.learned.runtime import Network
from pipeline.imaging.learned.tiles import (
    Settings,
    gains_told,
    in_tiles,
    look,
    luma_weights,
    mixed,
    seen,
    with_luma_of,
)
from pipeline.types import F32, F64, Noise

_EVERY = np.ones(3, np.float32)


def learned_clean(pixels: F32, balance: F64, noise: Noise, settings: Settings, by: Network) -> F32:
    """Camera colour (H, W, 3), unbalanced, black subtracted, 1.0 = saturation -> the same, cleaned.

    balance (3,) multipliers; noise of the pixels, with its spectrum.
    """
    work = _Work(pixels, balance, noise, settings, by)
    return in_tiles(0, 0, pixels.shape[0], pixels.shape[1], work.tile)


class _Work:
    """What the tiles of a picture share."""

    def __init__(self, pixels: F32, balance: F64, noise: Noise, settings: Settings, by: Network) -> None:
        self.pixels, self.settings, self.network = pixels, settings, by
        gains = gains_told(balance)
        a, b = (np.maximum(np.nan_to_num(part), 0.0) for part in (noise.a, noise.b))
        self.a, self.b = gains * a, gains * gains * b
        self.foot = float(domain.foot(a[1], b[1]))
        self.gains = gains.astype(np.float32)
        self.weights = luma_weights(self.a, self.b, self.foot, _EVERY)
        slow = np.ones(2) if noise.spectrum is None else noise.spectrum[:, 0, 0]
        self.coarse = float(slow[0] + 2 * slow[1]) / 3  # of three planes of equal noise one is luma

    def tile(self, top: int, left: int, low: int, right: int) -> F32:
        """(2 (low - top), 2 (right - left), 3) of cells [top, low) x [left, right)."""
        rows, above = seen(top, low, self.pixels.shape[0])
        columns, before = seen(left, right, self.pixels.shape[1])
        s = np.float32(self.foot)
        root = domain.to_root(self.pixels[rows[:, None], columns] * self.gains, s)
        inner = (slice(above, above + 2 * (low - top)), slice(before, before + 2 * (right - left)))
        levels = self.settings.levels
        clean = self._look(root, levels[0])[inner]
        if levels[1] != levels[0]:
            colour_of = self._look(root, levels[1])[inner]
            clean = with_luma_of(clean, colour_of, self.weights)
        luma, chroma = self.settings.stays
        luma += self.settings.keep_grain * (1 - luma)
        if luma > 0 or chroma > 0:
            clean = mixed(clean, root[inner], luma, chroma, self.weights)
        return np.asarray(domain.from_root(clean, s) / self.gains, dtype=np.float32)

    def _look(self, root: F32, level: float) -> F32:
        """u (H, W, 3) -> the same; `level` times the deviation of the noise is told."""
        numbers = [*domain.told(self.a * level**2, self.b * level**2, self.foot), np.array([self.coarse / 4])]
        planes = [root[y::2, x::2, colour] for colour in range(3) for y in (0, 1) for x in (0, 1)]
        return look(self.network, planes, np.concatenate(numbers).astype(np.float32))
