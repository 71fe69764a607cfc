"""Working-linear light to display: a straight line, then a soft shoulder."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.colour import LUMINANCE, srgb_encode
from pipeline.imaging.compiled import compiled
from pipeline.types import F32, F64

_TABLE = 4096  # entries of the curve: interpolated, it is within a tenth of an 8-bit code of the formula
_STRAIGHT = 1.0001  # of the room above the knee: so near to it no exponential is left, and the scale is cut at 1
_HALVINGS = 60  # of the interval of the curvature: to the last bit of a double


def shoulder(x: F64, knee: float, white: float) -> F64:
    """1:1 below `knee`, then an exponential approach that reaches 1 at `white`, slope continuous at the knee.

    x linear light, any shape; 0 <= knee < 1, and `white` above the knee (up to 1 the scale is cut at 1). Solves for the
    curvature k in 1 - knee = (1 - exp(-k (white - knee))) / k, so neither end has a kink.
    """
    room, reach = 1.0 - knee, white - knee
    if reach <= room * _STRAIGHT:
        return np.clip(x, 0.0, 1.0)
    low, high = 1e-6, 1.0 / room
    for _ in range(_HALVINGS):
        k = 0.5 * (low + high)
        low, high = (k, high) if (1 - np.exp(-k * reach)) / k > room else (low, k)
    over = np.clip(x - knee, 0.0, reach)
    return np.where(x <= knee, np.maximum(x, 0.0), knee + (1 - np.exp(-k * over)) / k)


@lru_cache(maxsize=8)
def _encoded(knee: float, white: float) -> F32:
    """sRGB of the shoulder's answer, by the square root of x / white: there the curve is nearly straight."""
    grid = np.linspace(0.0, 1.0, _TABLE) ** 2 * white
    return srgb_encode(shoulder(grid, knee, white)).astype(np.float32)


def render(pixels: F32, to_working: F64, ev: float, knee: float, white: float, saturation: float) -> F32:
    """(H, W, 3) balanced camera-linear -> display sRGB (IEC 61966-2-1) 0 to 1.

    to_working (3, 3) camera to linear Rec. 709; ev in stops; knee, white as in `shoulder`; saturation 1 = as measured.

    Colours outside Rec. 709 are pulled towards their own luminance until no channel is negative,
    which keeps hue better than a clip.
    """
    matrix = to_working * 2.0**ev
    if saturation != 1.0:
        grey = np.outer(np.ones(3), LUMINANCE) @ matrix
        matrix = grey + saturation * (matrix - grey)
    out = np.empty(pixels.shape, np.float32)
    kernel = np.ascontiguousarray(pixels, dtype=np.float32)
    _render(
        kernel, matrix.astype(np.float32), LUMINANCE.astype(np.float32), _encoded(knee, white), np.float32(white), out
    )
    return out


@compiled(error_model="numpy")
def _render(
    pixels: NDArray[Any], m: NDArray[Any], weight: NDArray[Any], table: NDArray[Any], white: Any, out: NDArray[Any]
) -> None:
    # One pass over the picture: matrix, gamut and table without a picture in between.
    scale = np.float32(1.0) / white
    last = np.float32(len(table) - 1)
    zero, one = np.float32(0.0), np.float32(1.0)
    for y in range(pixels.shape[0]):
        for x in range(pixels.shape[1]):
            a, b, c = pixels[y, x, 0], pixels[y, x, 1], pixels[y, x, 2]
            r = m[0, 0] * a + m[0, 1] * b + m[0, 2] * c
            g = m[1, 0] * a + m[1, 1] * b + m[1, 2] * c
            u = m[2, 0] * a + m[2, 1] * b + m[2, 2] * c
            lowest = min(r, g, u)
            if lowest < zero:
                light = weight[0] * r + weight[1] * g + weight[2] * u
                if light > zero:
                    pull = lowest / (lowest - light)
                    r += pull * (light - r)
                    g += pull * (light - g)
                    u += pull * (light - u)
            for k in range(3):
                value = r if k == 0 else (g if k == 1 else u)
                place = np.sqrt(min(max(value * scale, zero), one)) * last
                index = min(np.int32(place), np.int32(len(table) - 2))
                low = table[index]
                out[y, x, k] = low + (table[index + 1] - low) * (place - np.float32(index))
