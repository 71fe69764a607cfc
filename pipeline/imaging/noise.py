"""Noise model of a frame from the frame itself: var = a * x + b per colour.

After Foi, Trimeche, Katkovnik, Egiazarian, "Practical Poissonian-Gaussian noise modeling and fitting for
single-image raw-data", IEEE Trans. Image Process. 17(10), 2008: local variance against local mean, fitted
by a line; here with blocks in place of wavelet segments, and texture kept out by taking the quiet blocks.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.model import F32, F64, Noise

_BLOCK = 8
_LEAST_A, _LEAST_B = 1e-7, 1e-10
# The quiet fraction of the blocks of one brightness: those without texture, in all but the busiest frames.
_QUIET = 0.2


def _block_statistics(plane: F32) -> tuple[F64, F64]:
    """Mean and noise variance of each 8x8 block of one colour plane.

    The residual is a 2x2 checker difference, (p00 - p01 - p10 + p11) / 2: it has the variance of white
    noise and cancels any gradient and any straight edge along rows or columns.
    """
    rows, columns = (side // _BLOCK * _BLOCK for side in plane.shape)
    p = plane[:rows, :columns]
    residual = (p[0::2, 0::2] - p[0::2, 1::2] - p[1::2, 0::2] + p[1::2, 1::2]) / 2
    half = _BLOCK // 2
    variance = (residual**2).reshape(rows // _BLOCK, half, columns // _BLOCK, half).mean(axis=(1, 3))
    mean = p.reshape(rows // _BLOCK, _BLOCK, columns // _BLOCK, _BLOCK).mean(axis=(1, 3))
    return mean.ravel().astype(np.float64), variance.ravel().astype(np.float64)


def _quiet_factor() -> float:
    """Mean of the lowest _QUIET of block variances of unit white noise (16 residuals a block), by simulation."""
    sample = np.random.default_rng(0).standard_normal((20000, (_BLOCK // 2) ** 2))
    ordered = np.sort((sample**2).mean(axis=1))
    return float(ordered[: int(_QUIET * len(ordered))].mean())


_FACTOR = _quiet_factor()


def _fit(mean: F64, variance: F64, saturation: float) -> tuple[float, float]:
    """Weighted line through the quiet variance of each brightness bin; (a, b)."""
    good = (mean < 0.8 * saturation) & np.isfinite(variance) & (mean > -0.05 * saturation)
    mean, variance = mean[good], variance[good]
    if len(mean) < 32:
        return _LEAST_A, _LEAST_B
    order = np.argsort(mean, kind="stable")
    count = int(np.clip(len(order) // 40, 1, 32))
    xs, vs = [], []
    for group in np.array_split(order, count):
        ordered = np.sort(variance[group])
        quiet = ordered[: max(4, int(_QUIET * len(ordered)))]
        xs.append(float(mean[group].mean()))
        vs.append(float(quiet.mean()) / _FACTOR)
    x, v = np.array(xs), np.array(vs)
    weight = np.ones(len(x))
    slope, base = 0.0, 0.0
    for _ in range(8):
        predicted = np.maximum(slope * x + base, np.median(v) * 0.05 + _LEAST_B)
        w = weight / predicted**2  # the spread of a variance estimate grows with the variance
        sx, sv = (w * x).sum() / w.sum(), (w * v).sum() / w.sum()
        spread = (w * (x - sx) ** 2).sum()
        slope = (w * (x - sx) * (v - sv)).sum() / spread if spread > 1e-12 * w.sum() else 0.0
        base = sv - slope * sx
        if slope < 0:  # a line that falls is texture in the shadows: a constant is the safe side
            slope, base = 0.0, sv
        if base < 0:
            slope, base = (w * x * v).sum() / (w * x * x).sum(), 0.0
        ratio = v / np.maximum(slope * x + base, _LEAST_B)
        weight = np.where(ratio > 1.0, 1 / (1 + ((ratio - 1) / 0.3) ** 2), 1.0)  # above the line is texture
    return max(slope, _LEAST_A), max(base, _LEAST_B)


def estimate(mosaic: F32, pattern: NDArray[np.int64]) -> Noise:
    """(a, b) of each colour of a Bayer mosaic.

    mosaic (H, W) black-subtracted, 1 = saturation; pattern 2x2 colour indices (0 R, 1 G, 2 B, 3 = second G).
    """
    a, b = np.full(3, _LEAST_A), np.full(3, _LEAST_B)
    for colour in range(3):
        found = [
            _block_statistics(mosaic[row::2, column::2])
            for row in (0, 1)
            for column in (0, 1)
            if min(int(pattern[row, column]), 3) in ((1, 3) if colour == 1 else (colour,))
        ]
        if found:
            a[colour], b[colour] = _fit(
                np.concatenate([m for m, _ in found]), np.concatenate([v for _, v in found]), 1.0
            )
    return Noise(a, b)


def estimate_rgb(pixels: F32, saturation: F64) -> Noise:
    """(a, b) of each channel of a linearised picture (H, W, 3); the line is then only an approximation."""
    a, b = np.empty(3), np.empty(3)
    step = max(1, pixels.shape[0] // 1024)
    for channel in range(3):
        rows = [pixels[start : start + _BLOCK, :, channel] for start in range(0, pixels.shape[0] - _BLOCK, _BLOCK * step)]
        plane = np.concatenate(rows) if rows else pixels[:0, :, channel]
        a[channel], b[channel] = _fit(*_block_statistics(plane), float(saturation[channel]))
    return Noise(a, b)
