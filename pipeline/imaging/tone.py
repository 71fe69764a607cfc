"""Working-linear light to display: a straight line, then a soft shoulder."""

from __future__ import annotations

import numpy as np

from pipeline.imaging.colour import LUMINANCE, srgb_encode
from pipeline.model import F32, F64

_TABLE = 4096


def shoulder(x: F64, knee: float, white: float) -> F64:
    """1:1 below `knee`, then an exponential approach that reaches 1 at `white`, slope continuous at the knee.

    Solves for the curvature k in 1 - knee = (1 - exp(-k (white - knee))) / k, so neither end has a kink.
    """
    room, reach = 1.0 - knee, white - knee
    if reach <= room * 1.0001:
        return np.clip(x, 0.0, 1.0)
    low, high = 1e-6, 1.0 / room
    for _ in range(60):
        k = 0.5 * (low + high)
        low, high = (k, high) if (1 - np.exp(-k * reach)) / k > room else (low, k)
    over = np.clip(x - knee, 0.0, reach)
    return np.where(x <= knee, np.maximum(x, 0.0), knee + (1 - np.exp(-k * over)) / k)


def render(pixels: F32, to_working: F64, ev: float, knee: float, white: float, saturation: float) -> F32:
    """(H, W, 3) balanced camera-linear -> display sRGB 0 to 1.

    Colours outside Rec. 709 are pulled towards their own luminance until no channel is negative,
    which keeps hue better than a clip.
    """
    working = pixels @ (to_working.T * 2.0**ev).astype(np.float32)
    luminance = working @ LUMINANCE.astype(np.float32)
    if saturation != 1.0:
        working = luminance[..., None] + np.float32(saturation) * (working - luminance[..., None])
    lowest = working.min(axis=2)
    outside = (lowest < 0) & (luminance > 0)
    pull = np.where(outside, lowest / np.minimum(lowest - luminance, -1e-9), 0.0).astype(np.float32)
    working += pull[..., None] * (luminance[..., None] - working)
    grid = np.linspace(0.0, white, _TABLE)
    curve = shoulder(grid, knee, white).astype(np.float32)
    position = np.clip(working, 0.0, white)
    position *= np.float32((_TABLE - 1) / white)
    index = np.minimum(position.astype(np.int32), _TABLE - 2)
    low = curve[index]
    return srgb_encode(low + (curve[index + 1] - low) * (position - index))
