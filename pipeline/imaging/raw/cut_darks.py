"""Darks of a camera that cuts off what it takes for darker than black: there the colour of a raw is not known.

Where two colours end at 0 and the third does not, as the file's black is not that of all three (seen in raws of the
1990s), what is dark turns brown or violet. How much of the ended colours is missing nothing in the file says; that it
is dark, it does. Where noise about black is cut in half, all colours end alike: those darks are left as they are.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.colour import LUMINANCE
from pipeline.types import F64, Image


@dataclass(frozen=True)
class CutDarksConstants:
    """What of a mosaic is taken for cut off. Levels in parts of saturation. By eye on the raws of ../shared/data."""

    darkest: float = 0.05  # share of the cells, the darkest, that are looked at
    unlike: float = 0.25  # share of these by which one colour must have ended at 0 more often than another
    surely: float = 0.5  # and from which their whole level counts: between, frames of a burst stay alike
    most: float = 0.04  # the highest level
    ramp: float = 2.0  # times the level, where colours are whole again


CUT_DARKS = CutDarksConstants()


def cut_level(mosaic: NDArray[Any], pattern: NDArray[np.int64], black: F64, white: F64) -> float:
    """The brightest of its colours, in parts of saturation, up to which a cell's colour is not known: that of the
    darkest cells, where one colour has ended at 0 far more often than another, less where that is in doubt.
    0 for files that hold what is below black.

    pattern 2x2 colour indices; black, white (3,) per colour in the mosaic's units
    """
    if black.max() > 0 or min(mosaic.shape) < 2:
        return 0.0
    height, width = (side // 2 * 2 for side in mosaic.shape)
    sites = [(mosaic[i:height:2, j:width:2], pattern[i, j]) for i in (0, 1) for j in (0, 1)]
    most = np.zeros((height // 2, width // 2), np.float32)
    for values, colour in sites:
        np.maximum(most, values * np.float32(1 / white[colour]), out=most)
    level = float(np.quantile(most, CUT_DARKS.darkest))
    dark = most <= level
    ended = [(values[dark] == 0).mean() for values, _ in sites]
    sure = (max(ended) - min(ended) - CUT_DARKS.unlike) / (CUT_DARKS.surely - CUT_DARKS.unlike)
    return min(level, CUT_DARKS.most) * float(np.clip(sure, 0, 1))


def grey_darks(balanced: Image, before: Image) -> Image:
    """A balanced image, with grey as bright in place of colours that its camera cut off; above the ramp they are whole.

    before  the same before the balance, in which the level is known
    """
    level = before.cut_darks
    if not level:
        return balanced
    brightest = (before.pixels / before.saturation.astype(np.float32)).max(axis=2)
    grey = balanced.pixels @ (LUMINANCE @ balanced.to_working).astype(np.float32)
    share = np.clip((CUT_DARKS.ramp * level - brightest) / ((CUT_DARKS.ramp - 1) * level), 0, 1)[..., None]
    pixels = balanced.pixels + share * (grey[..., None] - balanced.pixels)
    return replace(balanced, pixels=pixels.astype(np.float32), cut_darks=0.0)
