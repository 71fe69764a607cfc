"""The contrast that a camera put on a finished picture: taken out, so that gains act on light, and put back.

A JPEG is not light behind the sRGB curve: cameras add an S. Here it is one family, v = (1 - s) e + s (3 e^2 - 2 e^3)
of sRGB values e, whose strength s is 0 for plain sRGB. By the pictures that cameras put into their raws s is 0.25 to
0.95, and it leaves less than plain sRGB does; but of four pictures of one camera two show hardly any
(`python -m tests.camera_contrast`): it has to be proven by each shoot. Published families have more numbers (Grossberg
and Nayar, "Modeling the space of camera response functions", IEEE Trans. PAMI 26(10), 2004) than the light of one hall
decides.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from pipeline.imaging.colour import srgb_decode, srgb_encode
from pipeline.types import F32, F64, Noise

STRONGEST = 0.8  # beyond it black and white are flat, and what was in them is not to be had back
_NODES = 4096  # of a table over the square root of light: within a hundredth of an 8-bit code
_BAND = 1 << 20  # numbers that are worked on at a time
_GREY = 0.18


def bend(light: F32, strength: float) -> F32:
    """Linear light, any shape -> what the sRGB curve reads of the picture that a camera of this strength makes of it.

    0 and 1 stay; beyond them the curve goes on straight."""
    return _mapped(light, _table(strength), 1 - strength)


def straighten(shown: F32, strength: float) -> F32:
    """The reverse of `bend`."""
    return _mapped(shown, _inverse(strength), 1 / (1 - strength))


def straightened_noise(noise: Noise, strength: float) -> Noise:
    """The noise of a finished picture after `straighten`: at each brightness by the slope of the curve there."""
    if noise.levels is None:
        steep = 1 / (1 - strength)
        return Noise(noise.a * steep, noise.b * steep**2, noise.spectrum)
    shown, variance = noise.levels
    light = straighten(shown.astype(np.float32), strength).astype(np.float64)
    levels = np.stack([light, variance * _steepness(shown, strength) ** 2])
    total = levels[1] * (1.0 if noise.spectrum is None else float(noise.spectrum[0].mean()))
    at_grey = np.array([np.interp(_GREY, x, v) for x, v in zip(light, total, strict=True)])
    return Noise(np.maximum(at_grey - total[:, 0], 0) / _GREY, total[:, 0], noise.spectrum, levels)


def _steepness(shown: F64, strength: float) -> F64:
    """How fast light grows with what is shown."""
    step = 1e-3
    low, high = np.clip(shown - step, 0, 1), np.clip(shown + step, 0, 1)
    ends = [straighten(x.astype(np.float32), strength).astype(np.float64) for x in (low, high)]
    return np.asarray((ends[1] - ends[0]) / np.maximum(high - low, 1e-9))


def _curve(light: F64, strength: float) -> F64:
    e = srgb_encode(light)
    return srgb_decode(((1 - strength) * e + strength * e * e * (3 - 2 * e)).astype(np.float32)).astype(np.float64)


@lru_cache(maxsize=8)
def _table(strength: float) -> F32:
    return _curve(np.linspace(0, 1, _NODES) ** 2, strength).astype(np.float32)


@lru_cache(maxsize=8)
def _inverse(strength: float) -> F32:
    light = np.linspace(0, 1, 16 * _NODES) ** 2
    return np.interp(np.linspace(0, 1, _NODES) ** 2, _curve(light, strength), light).astype(np.float32)


def _mapped(values: F32, table: F32, beyond: float) -> F32:
    out = np.empty(values.shape, np.float32)
    given, made = np.ascontiguousarray(values, dtype=np.float32).reshape(-1), out.reshape(-1)
    last = np.float32(len(table) - 1)
    for begin in range(0, given.size, _BAND):
        x = given[begin : begin + _BAND]
        place = np.sqrt(np.clip(x, 0, 1)) * last
        index = np.minimum(place.astype(np.int32), len(table) - 2)
        low = table[index]
        inside = low + (table[index + 1] - low) * (place - index)
        over, under = np.maximum(x - 1, 0), np.minimum(x, 0)
        made[begin : begin + _BAND] = inside + (over + under) * np.float32(beyond)
    return out
