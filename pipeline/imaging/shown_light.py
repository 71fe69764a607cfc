"""How bright a finished picture is, and of what colour its light: four numbers, to compare frames by.

They are of what the picture shows, so a dark bench counts too: they tell light only between pictures of one scene.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from pydantic import FiniteFloat

from pipeline.imaging.colour import LUMINANCE, srgb_decode
from pipeline.types import F32

# Display values, 0 to 1, of what tells nothing of the light: nearly black, where noise decides, and nearly white in all
# channels, where light no longer shows. Chosen by us, no source; they decide no picture.
_BLACK, _WHITE = 0.04, 0.98
_LEAST = 100  # pixels that must be left


class ShownLight(NamedTuple):
    """EV: `brightness` mean of log2 of the linear luminance, 0 being white; `red` log2 R/G, `blue` log2 B/G, of the
    mean colours. `burnt`  share of the picture that is white in all channels, 0 to 1."""

    brightness: FiniteFloat  # read back from records, which may be damaged
    red: FiniteFloat
    blue: FiniteFloat
    burnt: FiniteFloat


def shown_light(display: F32) -> ShownLight | None:
    """Of a picture (H, W, 3), sRGB from 0 to 1 (IEC 61966-2-1); None where nearly all of it is black or white."""
    low, high = display.min(axis=2), display.max(axis=2)
    burnt = low >= _WHITE
    telling = (high > _BLACK) & ~burnt
    if np.count_nonzero(telling) < _LEAST:
        return None
    linear = srgb_decode(np.ascontiguousarray(display[telling]))
    mean = linear.mean(axis=0, dtype=np.float64)
    if mean.min() <= 0:
        return None
    luminance = np.maximum(linear @ np.asarray(LUMINANCE, np.float32), 1e-4)
    return ShownLight(
        round(float(np.log2(luminance).mean(dtype=np.float64)), 3),
        round(float(np.log2(mean[0] / mean[1])), 3),
        round(float(np.log2(mean[2] / mean[1])), 3),
        round(float(burnt.mean()), 4),
    )
