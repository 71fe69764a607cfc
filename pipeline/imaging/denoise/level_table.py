"""Variance stabilised by a table of levels, where no line in the signal fits: finished pictures.

d(x) = integral of dx / deviation(x) has noise of unit variance (Prucnal and Saleh, "Transformation of image-signal-
dependent noise into image signal-independent noise", Optics Letters 6(7), 1981). The inverse adds what a mean of
stabilised values lies too low by, to second order: a quarter of the slope of the variance.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.compiled import compiled
from pipeline.types import F32, F64

_NODES = 2048  # of a table, finer than 8-bit codes


@compiled(error_model="numpy")
def _forward(x: NDArray[Any], first: Any, scale: Any, below: Any, table: NDArray[Any], out: NDArray[Any]) -> None:
    """Nodes lie evenly on the root of the signal; `below`  slope under the first of them."""
    last = table.size - 1
    for i in range(x.size):
        v = (x[i] - first) * scale
        if v < np.float32(0):
            out[i] = table[0] + (x[i] - first) * below
            continue
        v = np.sqrt(v) if v < np.float32(1) else np.float32(0.5) * (v + np.float32(1))
        v *= np.float32(last)
        k = min(int(v), last - 1)
        out[i] = table[k] + (v - np.float32(k)) * (table[k + 1] - table[k])


@compiled(error_model="numpy")
def _back(d: NDArray[Any], scale: Any, table: NDArray[Any], out: NDArray[Any]) -> None:
    last = table.size - 1
    for i in range(d.size):
        v = d[i] * scale * np.float32(last)
        k = min(max(int(v), 0), last - 1)
        out[i] = table[k] + (v - np.float32(k)) * (table[k + 1] - table[k])


class LevelTable:
    """levels (2, L) of one channel: signal, rising, and variance > 0 there; total  mean power of the noise in units of
    that variance. Beyond the ends the variance stays."""

    def __init__(self, levels: F64, total: float = 1.0) -> None:
        x, variance = levels
        self._first, self._scale = np.float32(x[0]), np.float32(1 / (x[-1] - x[0]))
        fine = x[0] + (x[-1] - x[0]) * np.linspace(0, 1, _NODES) ** 2
        deviation = np.sqrt(np.interp(fine, x, variance))
        steps = np.diff(fine) * 0.5 * (1 / deviation[1:] + 1 / deviation[:-1])
        stable = np.concatenate([[0.0], np.cumsum(steps)])
        self._stable = stable.astype(np.float32)
        self._below, self._last = np.float32(1 / deviation[0]), np.float32(1 / stable[-1])
        even = np.linspace(0, stable[-1], _NODES)
        slope = np.gradient(deviation**2, fine)
        lift = total * np.maximum(slope, 0.0)
        # Black that was cut off has no noise, and stays black.
        back = np.interp(even, stable, fine + 0.25 * lift * fine / np.maximum(fine + 2 * lift, 1e-12))
        self._restored = back.astype(np.float32)

    def stabilise(self, x: F32) -> F32:
        """Any shape -> the same, of unit variance; 0 at the first level."""
        out = np.empty(x.size, np.float32)
        _forward(np.ascontiguousarray(x).ravel(), self._first, self._scale, self._below, self._stable, out)
        return out.reshape(x.shape)

    def restore(self, d: F32) -> F32:
        """The reverse of `stabilise`, for means."""
        out = np.empty(d.size, np.float32)
        _back(np.ascontiguousarray(d).ravel(), self._last, self._restored, out)
        return out.reshape(d.shape)
