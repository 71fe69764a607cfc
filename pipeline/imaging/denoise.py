"""Denoise by the true noise: stabilise the variance, part luma from chroma, sliding DCT, invert.

Variance: generalised Anscombe transform with the closed form of its exact unbiased inverse (Makitalo and
Foi, "Optimal inversion of the generalized Anscombe transformation for Poisson-Gaussian noise", IEEE Trans.
Image Process. 22(1), 2013). Filter: 8x8 DCT of overlapping patches, hard threshold, then an empirical
Wiener pass steered by the first (Yu and Sapiro, "DCT image denoising", IPOL 2011; the second pass as in
Dabov et al. 2007). Coarser scales are cleaned too, so that no blotches wider than a patch remain
(Pierazzo, Morel and Facciolo, "Multi-scale DCT denoising", IPOL 2017; here with an area pyramid).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import cv2
import numba
import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.sliding_dct import sliding_dct
from pipeline.model import F32, F64, Noise

# Steps between patches of the threshold pass and of the Wiener pass, for luma and for chroma.
_LUMA_STEPS = (3, 2)
_CHROMA_STEPS = (4, 3)
_LUMA_SCALES, _CHROMA_SCALES = 2, 3
# Where the stabilised value stands for zero counts: 2 * sqrt(3/8), below which the inverse is not defined.
_ZERO = 2.0 * math.sqrt(0.375)
# A frame without noise still needs a finite scale; far below the rounding of any sensor.
_LEAST_B = 1e-12
# Far above any scene after balance and exposure; keeps infinities out of the filter.
_GREATEST = 1e4


@numba.njit(cache=True)
def _stable(x: float, a: float, t: float) -> float:
    # (2/a) * (sqrt(a*x + t) - sqrt(t)) without its cancellation at small a; right for a = 0 too.
    return 2.0 * x / (math.sqrt(max(a * x + t, 0.0)) + math.sqrt(t)) if a * x + t > 0.0 else -2.0 * math.sqrt(t) / a


@numba.njit(cache=True)
def _unstable(d: float, a: float, t: float) -> float:
    if a <= 0.0:
        return d * math.sqrt(t)
    zero = 2.0 * math.sqrt(t) / a
    full = max(d + zero, _ZERO)
    d = full - zero
    r = 1.0 / full
    closed = 0.25 * math.sqrt(1.5) * r - 1.375 * r * r + 0.625 * math.sqrt(1.5) * r * r * r
    return a * (0.25 * d * d + closed + 0.25) + d * math.sqrt(t)


@numba.njit(cache=True)
def _split(pixels: NDArray[Any], a: NDArray[Any], t: NDArray[Any], mix: NDArray[Any], planes: NDArray[Any]) -> None:
    """pixels (H, W, 3) -> three stabilised, mixed planes (3, H, W)."""
    for y in range(pixels.shape[0]):
        for x in range(pixels.shape[1]):
            s0 = _stable(min(max(pixels[y, x, 0], -_GREATEST), _GREATEST), a[0], t[0])
            s1 = _stable(min(max(pixels[y, x, 1], -_GREATEST), _GREATEST), a[1], t[1])
            s2 = _stable(min(max(pixels[y, x, 2], -_GREATEST), _GREATEST), a[2], t[2])
            for k in range(3):
                planes[k, y, x] = mix[k, 0] * s0 + mix[k, 1] * s1 + mix[k, 2] * s2


@numba.njit(cache=True)
def _join(planes: NDArray[Any], a: NDArray[Any], t: NDArray[Any], mix: NDArray[Any], out: NDArray[Any]) -> None:
    """The inverse of _split; `mix` is orthonormal, so that its inverse is its transpose."""
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            for c in range(3):
                d = mix[0, c] * planes[0, y, x] + mix[1, c] * planes[1, y, x] + mix[2, c] * planes[2, y, x]
                out[y, x, c] = _unstable(d, a[c], t[c])


@numba.njit(cache=True)
def _each_stable(x: NDArray[Any], a: float, t: float, out: NDArray[Any]) -> None:
    for i in range(x.size):
        out[i] = _stable(x[i], a, t)


@numba.njit(cache=True)
def _each_unstable(d: NDArray[Any], a: float, t: float, out: NDArray[Any]) -> None:
    for i in range(d.size):
        out[i] = _unstable(d[i], a, t)


def stabilise(x: F64, a: float, b: float) -> F64:
    """Generalised Anscombe transform, shifted to f(0) = 0: 2/a * (sqrt(a*x + 3/8 a^2 + b) - sqrt(3/8 a^2 + b)).

    x in image units, any shape; the result has unit variance. a >= 0, b >= 0, not both zero.
    """
    out = np.empty(np.size(x))
    _each_stable(np.ascontiguousarray(x, dtype=np.float64).ravel(), a, 0.375 * a * a + b, out)
    return out.reshape(np.shape(x))


def unstabilise(d: F64, a: float, b: float) -> F64:
    """Closed-form approximation of the exact unbiased inverse (Makitalo and Foi 2013, eq. 10), image units."""
    out = np.empty(np.size(d))
    _each_unstable(np.ascontiguousarray(d, dtype=np.float64).ravel(), a, 0.375 * a * a + b, out)
    return out.reshape(np.shape(d))


# The brightness at which the channels are weighed: a mid grey, where shot noise rules.
_MID = 0.18


def _opponent(a: F64, t: F64) -> F64:
    """Orthonormal (3, 3): luma, then two differences, of the stabilised channels.

    Luma is the sum of the channels weighted by their inverse variance at a mid grey, which in stabilised
    units, all of unit variance, is one over their deviation. In balanced colour a grey then vanishes from
    the differences although red and blue were amplified; and each plane again has unit variance.
    """
    axis = 1.0 / np.sqrt(a * _MID + t)
    axis /= np.linalg.norm(axis)
    first = np.array([axis[2], 0.0, -axis[0]]) / np.hypot(axis[0], axis[2])
    return np.stack([axis, first, np.cross(axis, first)])


def _clean(plane: F32, sigma: F32, steps: tuple[int, int], scales: int) -> F32:
    """Both passes; `scales` > 1 then takes what is coarser than a patch from the halved plane, cleaned alike."""
    first = sliding_dct(plane, None, sigma, steps[0])
    fine = sliding_dct(plane, first, sigma, steps[1])
    height, width = (side // 2 * 2 for side in plane.shape)
    if scales < 2 or min(height, width) < 32:
        return fine
    half = (width // 2, height // 2)
    coarse = cv2.resize(plane[:height, :width], half, interpolation=cv2.INTER_AREA)
    # A mean of 2x2 halves the deviation of white noise; of correlated noise, the low coefficients halve.
    low = np.asarray(sigma[np.ix_(np.arange(8) // 2, np.arange(8) // 2)] / 2, dtype=np.float32)
    coarse = _clean(np.ascontiguousarray(coarse, dtype=np.float32), low, steps, scales - 1)
    coarse -= cv2.resize(fine[:height, :width], half, interpolation=cv2.INTER_AREA)
    # Only the slow part of the correction is taken: the finer scale knows more about edges.
    coarse = cv2.GaussianBlur(coarse, (0, 0), 1.5, borderType=cv2.BORDER_REFLECT)
    change = cv2.resize(coarse, (width, height), interpolation=cv2.INTER_LINEAR)
    fine[:height, :width] += change
    return fine


def denoise(
    pixels: F32,
    noise: Noise,
    strength: float = 1.0,
    luma: float = 1.0,
    chroma: float = 1.0,
    keep_grain: float = 0.0,
    psd: Sequence[NDArray[Any] | None] = (None, None),
) -> F32:
    """(H, W, 3) linear -> the same, cleaned. Strength 0 returns the input itself.

    `strength` scales the deviation of noise that is assumed, `luma` and `chroma` each part of it;
    `keep_grain`, 0 to 1, is the share of the removed luma grain that is put back. `psd` is the relative
    power (8, 8), mean 1, of the noise in the DCT coefficients of luma and of chroma; None is white noise.
    Values that are not finite count as black.
    """
    if strength <= 0 or pixels.size == 0 or (luma <= 0 and chroma <= 0):
        return pixels
    a = np.maximum(np.nan_to_num(noise.a), 0.0)
    t = 0.375 * a * a + np.maximum(np.nan_to_num(noise.b), _LEAST_B)
    if not np.isfinite(pixels).all():
        pixels = np.nan_to_num(pixels, nan=0.0, posinf=0.0, neginf=0.0)
    mix = _opponent(a, t)
    planes = np.empty((3, *pixels.shape[:2]), np.float32)
    _split(pixels, a, t, mix, planes)
    for index, part in enumerate((luma, chroma, chroma)):
        if part <= 0:
            continue
        power = psd[min(index, 1)]
        relative = np.ones((8, 8)) if power is None else np.sqrt(np.asarray(power, dtype=np.float64))
        sigma = (strength * part * relative).astype(np.float32)
        if index == 0:
            cleaned = _clean(planes[0], sigma, _LUMA_STEPS, _LUMA_SCALES)
            planes[0] = cleaned + np.float32(keep_grain) * (planes[0] - cleaned)
        else:
            planes[index] = _clean(planes[index], sigma, _CHROMA_STEPS, _CHROMA_SCALES)
    out = np.empty(pixels.shape, np.float32)
    _join(planes, a, t, mix, out)
    return out
