"""The domain the networks work in, for NumPy and for PyTorch alike: tests/training learns in it.

Balanced light y (green = its share of saturation, red and blue times their gains) goes to a root with a foot that the
noise sets: u = (sqrt(y + s) - sqrt(s)) / (sqrt(1 + s) - sqrt(s)), s = 3/8 a + b / a, the generalised Anscombe transform
(Makitalo and Foi 2013) brought to u(1) = 1; straight below zero, so that the noise of black stays whole. Grey is grey
in it: red and blue have a greater deviation instead, which the network is told.
"""

from __future__ import annotations

from typing import Any

LEAST_FOOT = 0.004  # of saturation: the shadows of a low ISO are not spread more than sRGB spreads them
BRIGHT = 0.25  # balanced light at which the deviation is told, besides black
NOISELESS = 1e-12  # variance; noise is told as no less
CHANNELS = 10  # of the input: four planes of the mosaic, six numbers of the noise


def foot(a: Any, b: Any) -> Any:
    """s of the noise var = a x + b of an unbalanced pixel."""
    s = 0.375 * a + b / (a + NOISELESS)
    return s * (s > LEAST_FOOT) + LEAST_FOOT * (s <= LEAST_FOOT)


def _positive(y: Any) -> Any:
    return y.clip(min=0)


def to_root(y: Any, s: Any) -> Any:
    """Balanced light to u."""
    root = s**0.5
    return ((_positive(y) + s) ** 0.5 - root - _positive(-y) / (2 * root)) / ((1 + s) ** 0.5 - root)


def from_root(u: Any, s: Any) -> Any:
    """The inverse of `to_root`."""
    root = s**0.5
    v = u * ((1 + s) ** 0.5 - root)
    up = _positive(v)
    return up * (up + 2 * root) - _positive(-v) * 2 * root


def deviation(y: float, a: Any, b: Any, s: Any) -> Any:
    """Of u at balanced light y, of noise var = a y + b of the balanced channel; s as `foot` gives it."""
    return (a * y + b) ** 0.5 / (2 * (y + s) ** 0.5 * ((1 + s) ** 0.5 - s**0.5))


def told(a: Any, b: Any, s: Any) -> list[Any]:
    """The two numbers of a channel's noise that the network is told: roots of deviations, about 0 to 0.7."""
    return [deviation(y, a, b, s) ** 0.5 for y in (BRIGHT, 0.0)]
