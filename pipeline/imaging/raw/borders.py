"""Border lines of a mosaic whose pixels of one colour read low or high: repaired, so that no coloured line is left.

Seen in a raw of the 1990s, whose first column of blue reads two thirds of the light: where paper is burnt, all other
pixels end at one number, and those do not. Light that ends at the border is no such case: it ends in both colours.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.types import F64

_SIDES = ("left", "right", "upper", "lower")
_WIDE = 6  # columns that are looked at: three of each colour
_LEAST = 1e-3  # of white, that stands for what is darker


@dataclass(frozen=True)
class BorderConstants:
    """When a line of one colour is wrong. Ours, no source: the raws of ../shared/data have one in 12 files."""

    lit: float = 0.05  # of saturation, from which a place tells
    calm: float = 0.03  # by which the next pixels of the colour may differ at a place that tells
    other: float = 0.1  # the same of the other colour, from the border on
    off: float = 0.14  # natural log by which the line is off its colour's next one, in the median
    nearly_all: float = 0.9  # share of the places that must be off the same way, by half of that
    places: int = 24  # that there must be
    most: float = 4.0  # times too dark a line may be, and still hold a picture


BORDERS = BorderConstants()


def mend_borders(mosaic: NDArray[np.uint16], black: F64, white: F64) -> tuple[NDArray[np.uint16], tuple[str, ...]]:
    """The mosaic (H, W), a copy where lines on its border are wrong, and on which sides they were.

    black, white (3,) in the mosaic's units. A wrong line is brought to what it should read by the factor that it is
    off; one that reads next to nothing becomes the next of its colour.
    """
    if min(mosaic.shape) < 2 * BORDERS.places:
        return mosaic, ()
    out, sides = mosaic, []
    for turn, side in enumerate(_SIDES):
        for column in (0, 1):
            for row in (0, 1):
                near = _lines(out, turn)[:, column:_WIDE:2]
                mended = _mended(near, float(black.mean()), row, float(white.max()))
                if mended is None:
                    continue
                out = mosaic.copy() if out is mosaic else out
                _lines(out, turn)[row::2, column] = mended
                sides += [side] if side not in sides else []
    return out, tuple(sides)


def _lines(of: NDArray[Any], turn: int) -> NDArray[Any]:
    """A view of (H, W) whose first columns are those on a side."""
    return (of, of[:, ::-1], of.T, of.T[:, ::-1])[turn]


def _mended(near: NDArray[np.uint16], black: float, row: int, white: float) -> NDArray[np.uint16] | None:
    """What the pixels of every second row, from `row`, should be on a border; None where they are right.

    near (N, 3) the pixels there and the next two of their colour; the rows between hold the other colour
    """
    of = BORDERS
    light = near - black
    count = len(near) // 2
    own, other = light[row::2][:count], light[1 - row :: 2][:count]
    told = (own[:, 1] > of.lit * white) & (np.abs(own[:, 2] - own[:, 1]) <= of.calm * own[:, 1])
    told &= (other[:, 1] > of.lit * white) & (np.abs(other[:, 0] - other[:, 1]) <= of.other * other[:, 1])
    if told.sum() < of.places:
        return None
    off = np.log(np.maximum(own[told, 0], _LEAST * white) / own[told, 1])
    middle = float(np.median(off))
    if abs(middle) < of.off or float((off * np.sign(middle) > of.off / 2).mean()) < of.nearly_all:
        return None
    dead = middle < -np.log(of.most)
    value = (light[row::2, 1] if dead else light[row::2, 0] / np.exp(middle)) + black
    return np.asarray(np.clip(np.round(value), 0, white), dtype=np.uint16)
