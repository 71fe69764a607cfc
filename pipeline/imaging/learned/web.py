"""A noisy Bayer mosaic to a clean picture of web size, by a trained network and the classical filter together.

The network sees the mosaic at twice the size of its result, bilinear and averaged by area (raw/area.py): averaged to
the web size itself, a picture has lost fine detail, and noise from beyond its finest has been folded into it. What two
estimators of different kinds get wrong differs, so a mean of both is nearer to the truth than either. What both took of
a texture that repeats is given back (texture.py).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.compiled import compiled
from pipeline.imaging.denoise.denoise import denoise
from pipeline.imaging.learned import domain
from pipeline.imaging.learned.repeats import set_aside
from pipeline.imaging.learned.runtime import WEB, network
from pipeline.imaging.learned.settle import correction, in_colour
from pipeline.imaging.learned.texture import give_back
from pipeline.imaging.learned.tiles import (
    Part,
    Settings,
    gains_told,
    in_tiles,
    luma_weights,
    mixed,
    seen,
    with_luma_of,
)
from pipeline.imaging.raw.demosaic import demosaic_noise
from pipeline.types import F32, F64, Noise

if TYPE_CHECKING:
    from pipeline.imaging.learned.network import Network


@dataclass(frozen=True)
class WebConstants:
    """`python -m tests.training.evaluate --web`."""

    # Cells of 2x2 pixels, as for full size (tiles.LEARNED): two tiles for 2048 pixels, and what a cell depends on.
    tile: int = 704
    overlap: int = 24
    # Pixels of the result for one of the sensor, between which it was trained; beyond them the nearest is told.
    least_scale: float = 0.25
    most_scale: float = 0.66
    least_used: float = 0.2  # below it one photograph (china) comes out worse than by `fine`
    classical: float = 0.3  # share of the classical filter in the mean
    settle: float = 2.0  # times the noise that settle.py takes to be left of full size


LEARNED_WEB = WebConstants()
_EVERY = np.ones(3, np.float32)


def learned_small(
    twice: F32, balance: F64, scale: float, noise: Noise, averaged: Noise, settings: Settings, by: Network | None = None
) -> F32:
    """Camera colour (2H, 2W, 3), unbalanced, black subtracted, 1.0 = saturation -> clean, (H, W, 3).

    balance (3,) multipliers; scale  pixels of the result for one of the mosaic, along a side; noise of the mosaic,
    var = a x + b by colour; averaged  that of `twice` averaged to (H, W), with its spectrum; by  other weights. Raises
    FrameError where the weights are damaged.
    """
    energy, spectrum = demosaic_noise(round(min(1.0, 2 * scale), 2))
    aside = set_aside(twice, Noise(noise.a * energy, noise.b * energy, spectrum), 2 * scale)
    work = _Work(twice, balance, scale, noise, settings, network(WEB) if by is None else by)
    height, width = twice.shape[0] // 2, twice.shape[1] // 2
    small = np.asarray(cv2.resize(twice, (width, height), interpolation=cv2.INTER_AREA), dtype=np.float32)
    found = in_tiles(0, 0, height, width, work.tile, (LEARNED_WEB.tile, LEARNED_WEB.tile))  # u
    del work.network  # with all that it holds of a tile
    work.settle(found)
    gains = (balance / balance[1]).astype(np.float32)
    balanced = Noise(averaged.a * gains, averaged.b * gains**2)
    psd = (None, None) if averaged.spectrum is None else (averaged.spectrum[0], averaged.spectrum[1])
    classical = denoise(
        small * gains, balanced, 1.0, settings.luma, settings.chroma, settings.keep_grain, psd, "standard"
    )
    work.with_classical(found, classical / gains, small)
    give_back(found, small, averaged, scale)
    if aside is not None:
        found += np.maximum(aside, -np.maximum(found, 0))
    return found


class _Work:
    """What the tiles of a picture share."""

    def __init__(self, twice: F32, balance: F64, scale: float, noise: Noise, settings: Settings, by: Network) -> None:
        self.twice, self.settings, self.network = twice, settings, by
        self.scale = float(np.clip(scale, LEARNED_WEB.least_scale, LEARNED_WEB.most_scale))
        gains, share = gains_told(balance), noise_share(scale)
        a, b = (share * np.maximum(np.nan_to_num(part), 0.0) for part in (noise.a, noise.b))
        self.a, self.b = gains * a, gains * gains * b
        self.foot = float(domain.foot(a[1], b[1]))
        self.gains = gains.astype(np.float32)
        self.weights = luma_weights(self.a, self.b, self.foot, _EVERY)

    def tile(self, top: int, left: int, low: int, right: int) -> F32:
        """(2 (low - top), 2 (right - left), 3) u of cells [top, low) x [left, right)."""
        (rows, up), (columns, aside) = (
            seen(first, last, side, 4, LEARNED_WEB.overlap, self.network.sides)
            for first, last, side in zip((top, left), (low, right), self.twice.shape[:2], strict=True)
        )
        up, aside = up // 4, aside // 4
        part = Part(up, aside, up + low - top, aside + right - left)
        told = self.network.cells(len(rows) // 4, len(columns) // 4)
        slope = 1 / ((1 + self.foot) ** 0.5 - self.foot**0.5)
        _cells(self.twice, rows, columns, self.gains, np.float32(self.foot), np.float32(slope), told)
        levels = self.settings.levels
        clean = self._look(told, levels[0], part)
        if levels[1] != levels[0]:
            clean = with_luma_of(clean, self._look(told, levels[1], part), self.weights)
        return clean

    def _look(self, told: F32, level: float, part: Part) -> F32:
        """Cells (h, w, 55) -> u of a part of their pixels; `level` times the deviation of the noise is told."""
        numbers = [*domain.told(self.a * level**2, self.b * level**2, self.foot), np.array([self.scale])]
        told[..., 48:] = np.concatenate(numbers)
        return self.network.picture(part)

    def settle(self, u: F32) -> None:
        """Take out of u (H, W, 3) what is left of wide noise, in place."""
        height, width = u.shape[0] // 2 * 2, u.shape[1] // 2 * 2
        cells = cv2.resize(u[:height, :width], (width // 2, height // 2), interpolation=cv2.INTER_AREA)
        deviation = LEARNED_WEB.settle * float(domain.deviation(domain.BRIGHT, self.a[1], self.b[1], self.foot))
        off = correction(np.asarray(cells, dtype=np.float32), deviation)
        u[:height, :width] += in_colour(off, 0, off.shape[1])

    def with_classical(self, u: F32, classical: F32, noisy: F32) -> None:
        """u (H, W, 3) to camera colour, with what the settings leave, and with the classical result, in place."""
        luma, chroma = self.settings.stays
        luma += self.settings.keep_grain * (1 - luma)
        s, share = np.float32(self.foot), np.float32(LEARNED_WEB.classical)
        for row in range(0, len(u), 64):
            part = u[row : row + 64]
            if luma > 0 or chroma > 0:
                grainy = domain.to_root(noisy[row : row + 64] * self.gains, s)
                part[:] = mixed(part, grainy, luma, chroma, self.weights)
            part += share * (domain.to_root(classical[row : row + 64] * self.gains, s) - part)
            part[:] = domain.from_root(part, s) / self.gains


def web_times(scale: float) -> int:
    """How many times as large as `scale` of the sensor the picture is to be that the network makes."""
    return max(1, math.ceil(LEARNED_WEB.least_used / scale))


def noise_share(scale: float) -> float:
    """Of the variance of a mosaic's noise that is told of a pixel at twice the web size; about what is left there."""
    return min(1.0, (2 * scale) ** 2)


@compiled(error_model="numpy")
def _cells(
    twice: NDArray[Any], rows: NDArray[Any], columns: NDArray[Any], gains: NDArray[Any], s: Any, slope: Any,
    out: NDArray[Any],
) -> None:  # fmt: skip
    """u of the sixteen pixels of each colour in a cell, as domain.to_root has it."""
    root = np.sqrt(s)
    half = np.float32(0.5) / root * slope
    zero = np.float32(0)
    line = np.empty((twice.shape[1], 3), np.float32)
    for i in range(out.shape[0]):
        to = out[i]
        for dy in range(4):
            row = twice[rows[4 * i + dy]]
            for c in range(3):
                gain = gains[c]
                for x in range(len(row)):
                    y = row[x, c] * gain
                    line[x, c] = (np.sqrt(max(y, zero) + s) - root) * slope + min(y, zero) * half
            for j in range(len(to)):
                for dx in range(4):
                    pixel = line[columns[4 * j + dx]]
                    for c in range(3):
                        to[j, 16 * c + 4 * dy + dx] = pixel[c]
