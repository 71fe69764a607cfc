"""Noise of which the variance grows with the signal, made even: the generalised Anscombe transform.

With the closed form of its exact unbiased inverse: Makitalo and Foi, "Optimal inversion of the generalized Anscombe
transformation for Poisson-Gaussian noise", IEEE Trans. Image Process. 22(1), 2013.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.compiled import compiled
from pipeline.types import F32, F64

# Where the stabilised value stands for zero counts: 2 * sqrt(3/8), below which the inverse is not defined.
_ZERO = 2.0 * math.sqrt(0.375)
# Far above any scene after balance and exposure; keeps infinities out of the filter.
_GREATEST = 1e4


@compiled(error_model="numpy")
def _stable(x: float, a: float, t: float) -> float:
    # (2/a) * (sqrt(a*x + t) - sqrt(t)) without its cancellation at small a; right for a = 0 too.
    return 2.0 * x / (math.sqrt(max(a * x + t, 0.0)) + math.sqrt(t)) if a * x + t > 0.0 else -2.0 * math.sqrt(t) / a


@compiled(error_model="numpy")
def _unstable(d: float, a: float, t: float) -> float:
    if a <= 0.0:
        return d * math.sqrt(t)
    zero = 2.0 * math.sqrt(t) / a
    full = max(d + zero, _ZERO)
    d = full - zero
    r = 1.0 / full
    closed = 0.25 * math.sqrt(1.5) * r - 1.375 * r * r + 0.625 * math.sqrt(1.5) * r * r * r
    return a * (0.25 * d * d + closed + 0.25) + d * math.sqrt(t)


@compiled(error_model="numpy")
def _line_stable(x: NDArray[Any], a: float, t: float, out: NDArray[Any]) -> None:
    for p in range(out.size):
        out[p] = _stable(min(max(x[p], -_GREATEST), _GREATEST), a, t)


@compiled(error_model="numpy")
def _line_unstable(d: NDArray[Any], a: float, t: float, out: NDArray[Any]) -> None:
    for p in range(out.size):
        out[p] = _unstable(d[p], a, t)


@compiled(error_model="numpy")
def _line_add(x: NDArray[Any], factor: float, out: NDArray[Any]) -> None:
    for p in range(out.size):
        out[p] += factor * x[p]


@compiled(error_model="numpy")
def _split(pixels: NDArray[Any], a: NDArray[Any], t: NDArray[Any], mix: NDArray[Any], planes: NDArray[Any]) -> None:
    """pixels (H, W, C) -> stabilised, mixed planes (C, H, W)."""
    stable, line = np.empty(pixels.shape[1], np.float64), np.empty((pixels.shape[2], pixels.shape[1]), np.float64)
    for y in range(pixels.shape[0]):
        line[:] = 0
        for c in range(pixels.shape[2]):
            _line_stable(pixels[y, :, c], a[c], t[c], stable)
            for k in range(pixels.shape[2]):
                _line_add(stable, mix[k, c], line[k])
        planes[:, y] = line


@compiled(error_model="numpy")
def _join(planes: NDArray[Any], a: NDArray[Any], t: NDArray[Any], mix: NDArray[Any], out: NDArray[Any]) -> None:
    """The inverse of _split; `mix` is orthonormal, so that its inverse is its transpose."""
    line = np.empty(out.shape[1], np.float64)
    for y in range(out.shape[0]):
        for c in range(out.shape[2]):
            line[:] = 0
            for k in range(out.shape[2]):
                _line_add(planes[k, y], mix[k, c], line)
            _line_unstable(line, a[c], t[c], out[y, :, c])


@compiled(error_model="numpy")
def _each_stable(x: NDArray[Any], a: float, t: float, out: NDArray[Any]) -> None:
    for i in range(x.size):
        out[i] = _stable(x[i], a, t)


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
    _line_unstable(np.ascontiguousarray(d, dtype=np.float64).ravel(), a, 0.375 * a * a + b, out)
    return out.reshape(np.shape(d))


def split(pixels: F32, a: F64, t: F64, mix: F64) -> F32:
    """(H, W, C) linear -> (C, H, W) stabilised and mixed; what is not finite counts as black.

    a    (C,) of var = a * x + b; t  (C,) the constant under the root, 3/8 a^2 + b; mix  orthonormal (C, C)
    """
    if not all(np.isfinite(row).all() for row in pixels):  # by rows: a mask of a large picture is large too
        pixels = np.nan_to_num(pixels, nan=0.0, posinf=0.0, neginf=0.0)
    planes = np.empty((pixels.shape[2], *pixels.shape[:2]), np.float32)
    _split(pixels, a, t, mix, planes)
    return planes


def join(planes: F32, a: F64, t: F64, mix: F64, out: F32) -> None:
    """The inverse of `split`, into `out` (H, W, C)."""
    _join(planes, a, t, mix, out)
