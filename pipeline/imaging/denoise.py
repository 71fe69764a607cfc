"""Denoise by the true noise: stabilise the variance, part luma from chroma, sliding DCT, invert.

Variance: generalised Anscombe transform with the closed form of its exact unbiased inverse (Makitalo and
Foi, "Optimal inversion of the generalized Anscombe transformation for Poisson-Gaussian noise", IEEE Trans.
Image Process. 22(1), 2013). Filter: 8x8 DCT of overlapping patches, hard threshold, then an empirical
Wiener pass steered by the first (Yu and Sapiro, "DCT image denoising", IPOL 2011; the second pass as in
Dabov et al. 2007).
"""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.fft import dct

from pipeline.model import F32, F64, Noise

_N = 8
_DCT = dct(np.eye(_N), axis=0, norm="ortho").astype(np.float32)


def stabilise(x: F64, a: float, b: float) -> F64:
    """Generalised Anscombe: 2/a * sqrt(a*x + 3/8 a^2 + b), unit variance; x in image units."""
    return 2.0 / a * np.sqrt(np.maximum(a * x + 0.375 * a * a + b, 0.0))


def unstabilise(d: F64, a: float, b: float) -> F64:
    """Closed-form approximation of the exact unbiased inverse (Makitalo and Foi 2013, eq. 10), image units."""
    d = np.maximum(d, 0.5)
    counts = 0.25 * d**2 + 0.25 * np.sqrt(1.5) / d - 1.375 / d**2 + 0.625 * np.sqrt(1.5) / d**3 - 0.125
    return a * counts - b / a


@numba.njit(cache=True)
def _forward(
    patch: NDArray[Any], basis: NDArray[Any], turned: NDArray[Any], out: NDArray[Any], scratch: NDArray[Any]
) -> None:
    """out = basis @ patch @ basis.T; `turned` is basis.T. Rows innermost, so that eight floats go at once."""
    for i in range(8):
        for j in range(8):
            scratch[i, j] = basis[i, 0] * patch[0, j]
        for k in range(1, 8):
            w = basis[i, k]
            for j in range(8):
                scratch[i, j] += w * patch[k, j]
    for i in range(8):
        for j in range(8):
            out[i, j] = scratch[i, 0] * turned[0, j]
        for k in range(1, 8):
            w = scratch[i, k]
            for j in range(8):
                out[i, j] += w * turned[k, j]


@numba.njit(cache=True)
def _filter(
    plane: NDArray[Any], guide: NDArray[Any], sigma: NDArray[Any], basis: NDArray[Any], step: int, wiener: bool
) -> NDArray[Any]:
    """One pass over all patches; `sigma` (8, 8) standard deviation of each coefficient's noise."""
    height, width = plane.shape
    total = np.zeros((height, width), np.float32)
    weights = np.zeros((height, width), np.float32)
    patch = np.empty((8, 8), np.float32)
    coefficients = np.empty((8, 8), np.float32)
    scratch = np.empty((8, 8), np.float32)
    steer = np.empty((8, 8), np.float32)
    inverse = np.ascontiguousarray(basis.T)
    rows = (height - 8 + step - 1) // step + 1
    columns = (width - 8 + step - 1) // step + 1
    for r in range(rows):
        y = min(r * step, height - 8)
        for c in range(columns):
            x = min(c * step, width - 8)
            patch[:, :] = plane[y : y + 8, x : x + 8]
            _forward(patch, basis, inverse, coefficients, scratch)
            energy = np.float32(0)
            if wiener:
                patch[:, :] = guide[y : y + 8, x : x + 8]
                _forward(patch, basis, inverse, steer, scratch)
                for i in range(8):
                    for j in range(8):
                        s2 = steer[i, j] * steer[i, j]
                        gain = s2 / (s2 + sigma[i, j] * sigma[i, j])
                        if i == 0 and j == 0:
                            gain = np.float32(1)
                        coefficients[i, j] *= gain
                        energy += gain * gain
            else:
                for i in range(8):
                    for j in range(8):
                        if i + j > 0 and abs(coefficients[i, j]) < np.float32(2.7) * sigma[i, j]:
                            coefficients[i, j] = 0
                        else:
                            energy += np.float32(1)
            weight = np.float32(1) / max(energy, np.float32(1))
            _forward(coefficients, inverse, basis, patch, scratch)
            total[y : y + 8, x : x + 8] += weight * patch
            weights[y : y + 8, x : x + 8] += weight
    return total / weights


def _clean(plane: F32, sigma: F32, step: int) -> F32:
    first = _filter(plane, plane, sigma, _DCT, step, False)
    return np.asarray(_filter(plane, first, sigma, _DCT, step, True), dtype=np.float32)


# Luma weighs the channels by 1 / their variance, which after stabilisation is one: an equal sum; the two
# differences complete an orthonormal basis, so each plane again has unit variance.
_TO_OPPONENT = np.array([[1, 1, 1], [1, 0, -1], [0.5, -1, 0.5]]) / np.sqrt([[3.0], [2.0], [1.5]])


def denoise(
    pixels: F32,
    noise: Noise,
    strength: float = 1.0,
    luma: float = 1.0,
    chroma: float = 1.0,
    keep_grain: float = 0.0,
) -> F32:
    """(H, W, 3) linear -> the same, cleaned. Strength 0 returns the input itself.

    `strength` scales the noise that is assumed, `luma` and `chroma` each part of it; `keep_grain`, 0 to 1,
    is the share of the removed luma grain that is put back.
    """
    if strength <= 0 or min(pixels.shape[:2]) < _N:
        return pixels
    a = np.maximum(noise.a, 1e-9)
    b = np.maximum(noise.b, 0.0)
    finite = np.nan_to_num(pixels.astype(np.float64), nan=0.0, posinf=1e6, neginf=0.0)
    stable = np.stack([stabilise(finite[..., c], a[c], b[c]) for c in range(3)], axis=-1)
    planes = (stable @ _TO_OPPONENT.T).astype(np.float32)
    cleaned = np.empty_like(planes)
    for index, part in enumerate((luma, chroma, chroma)):
        plane = np.ascontiguousarray(planes[..., index])
        if part <= 0:
            cleaned[..., index] = plane
            continue
        sigma = np.full((_N, _N), strength * part, dtype=np.float32)
        cleaned[..., index] = _clean(plane, sigma, 2 if index == 0 else 3)
    if keep_grain > 0:
        cleaned[..., 0] += np.float32(keep_grain) * (planes[..., 0] - cleaned[..., 0])
    back = cleaned.astype(np.float64) @ _TO_OPPONENT
    out = np.stack([unstabilise(back[..., c], a[c], b[c]) for c in range(3)], axis=-1)
    return out.astype(np.float32)
