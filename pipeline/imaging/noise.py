"""Noise model of a frame from the frame itself: var = a * x + b per colour.

After Foi, Trimeche, Katkovnik, Egiazarian, "Practical Poissonian-Gaussian noise modeling and fitting for
single-image raw-data", IEEE Trans. Image Process. 17(10), 2008: local variance against local mean, fitted
by a line; here with blocks in place of wavelet segments, and texture kept out by taking the quiet blocks.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from pipeline.model import F32, F64, Noise

# Pixels of one colour plane along a block's side, and of its residuals.
_BLOCK = 16
_LEAST_A, _LEAST_B = 1e-7, 1e-10
# The quiet fraction of the blocks of one brightness: those without texture, in all but the busiest frames.
_QUIET = 0.2
# Bands of rows are taken until about so many pixels of a plane are read: some thousands of blocks.
_ENOUGH = 750_000
# Third difference: cancels any parabola, and is small in the pass band of any lens; unit gain for white noise.
_TAPS = np.array([1.0, -3.0, 3.0, -1.0], dtype=np.float32) / np.float32(np.sqrt(20.0))
_REACH = len(_TAPS) - 1


def _difference(values: F32, axis: int) -> F32:
    v = np.moveaxis(values, axis, 0)
    last = len(v) - _REACH
    out = sum((v[k : last + k] * tap for k, tap in enumerate(_TAPS)), np.zeros_like(v[:last]))
    return np.moveaxis(out, 0, axis)


def _block_statistics(plane: F32) -> tuple[F64, F64, F64]:
    """Mean, noise variance and greatest value of each block of one colour plane, from bands of rows.

    The residual is the third difference along rows and columns, which keeps the variance of white noise
    and cancels gradients and straight edges along rows or columns.
    """
    rows, columns = (side // _BLOCK for side in plane.shape)
    if rows == 0 or columns == 0:
        return np.empty(0), np.empty(0), np.empty(0)
    every = max(1, plane.size // _ENOUGH)
    taken = plane[: rows * _BLOCK, : columns * _BLOCK].reshape(rows, _BLOCK, columns, _BLOCK)[every // 2 :: every]
    blocks = np.ascontiguousarray(taken, dtype=np.float32)
    residual = _difference(_difference(blocks, 1), 3)
    variance = (residual * residual).mean(axis=(1, 3), dtype=np.float64)
    return (
        blocks.mean(axis=(1, 3), dtype=np.float64).ravel(),
        variance.ravel(),
        blocks.max(axis=(1, 3)).ravel().astype(np.float64),
    )


@cache
def _quiet_factor() -> float:
    """Mean of the lowest _QUIET of the block variances of unit white noise, by simulation."""
    sample = np.random.default_rng(0).standard_normal((800, 800), dtype=np.float32)
    ordered = np.sort(_block_statistics(sample)[1])
    return float(ordered[: int(_QUIET * len(ordered))].mean())


def _fit(mean: F64, variance: F64, greatest: F64, saturation: float) -> tuple[float, float]:
    """Weighted line through the quiet variance of each brightness bin; (a, b)."""
    good = (greatest < 0.98 * saturation) & np.isfinite(variance) & (mean > -0.05 * saturation)
    mean, variance = mean[good], variance[good]
    if len(mean) < 16:
        return _LEAST_A, _LEAST_B
    order = np.argsort(mean, kind="stable")
    xs, vs = [], []
    for group in np.array_split(order, int(np.clip(len(order) // 40, 1, 32))):
        quiet = group[np.argsort(variance[group], kind="stable")][: max(3, round(_QUIET * len(group)))]
        xs.append(float(mean[quiet].mean()))
        vs.append(float(variance[quiet].mean()) / _quiet_factor())
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


def _model(planes: Sequence[F32], saturation: float) -> tuple[float, float]:
    # A pixel that is not finite spoils its block only; the block is then left out.
    with np.errstate(invalid="ignore", over="ignore"):
        found = [_block_statistics(plane) for plane in planes]
    mean, variance, greatest = (np.concatenate(part) for part in zip(*found, strict=True))
    return _fit(mean, variance, greatest, saturation)


def estimate(mosaic: F32, pattern: NDArray[np.int64]) -> Noise:
    """(a, b) of each colour of a Bayer mosaic; the least values where the frame does not tell.

    mosaic (H, W) black-subtracted, 1 = saturation; pattern 2x2 colour indices (0 R, 1 G, 2 B, 3 = second G).
    """
    a, b = np.full(3, _LEAST_A), np.full(3, _LEAST_B)
    for colour in range(3):
        places = [(y, x) for y in (0, 1) for x in (0, 1) if (0, 1, 2, 1)[int(pattern[y, x])] == colour]
        if places:
            a[colour], b[colour] = _model([mosaic[y::2, x::2] for y, x in places], 1.0)
    return Noise(a, b)


def estimate_rgb(pixels: F32, saturation: F64) -> Noise:
    """(a, b) of each channel of a linearised picture (H, W, 3); the line is then only an approximation."""
    fits = [_model([pixels[..., channel]], float(saturation[channel])) for channel in range(3)]
    return Noise(np.array([a for a, _ in fits]), np.array([b for _, b in fits]))
