"""The two greens of a Bayer cell made equal where a sensor gives them unequal.

Light leaks to a green pixel from its neighbours, and those of the two greens differ: red or blue beside it (Hirakawa,
"Cross-talk explained", ICIP 2008). In a smooth place they come out 1 or 2 % apart, differently over the frame, and a
demosaic draws that as a mesh of two pixels. Where the picture is smooth their difference is averaged, and each takes
half of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.compiled import compiled
from pipeline.types import F32, F64


@dataclass(frozen=True)
class GreenConstants:
    """Ours, no source; tests/imaging/raw/test_greens.py."""

    tile: int = 32  # cells along the side of the tiles whose difference is averaged
    smooth: float = 0.25  # of their mean, the range of the greens about a pixel and its distance from it: no edge
    bright: float = 0.9  # of saturation, from which on nothing is compared, and less and less is changed
    most: float = 0.05  # difference that is believed of a sensor, of the light
    # Variance of the mean difference over a tile, of that of single ones by their number: neighbours share pixels.
    # One pixel less the mean of four has 5/4 the variance of one; the difference of the means of n/2 each has 4/n.
    shared: float = 3.2
    sure: float = 2.0  # deviations of that mean, below which it is chance
    smooth_part: float = 0.25  # of a tile, that must be smooth to be believed: a single edge has a difference too


GREENS = GreenConstants()
_NEAR = np.array([0.25, 0.5, 0.25])


@compiled(error_model="numpy")
def _sums(
    mosaic: NDArray[Any], red_row: int, green: int, black: float, high: float, smooth: float, tile: int,
    out: NDArray[Any],
) -> None:  # fmt: skip
    """Per tile, the sums of difference, its square, light, and their number, of greens and the four about each.

    `green` is the column of that of red rows. Both greens are looked at: a test of smoothness favours bright fours.
    """
    height, width = mosaic.shape
    for y in range(1, height - 1):
        sign, first = (1.0, green) if y % 2 == red_row else (-1.0, 1 - green)
        for x in range(first if first > 0 else 2, width - 1, 2):
            a, b = float(mosaic[y - 1, x - 1]), float(mosaic[y - 1, x + 1])
            c, d = float(mosaic[y + 1, x - 1]), float(mosaic[y + 1, x + 1])
            here, mean = float(mosaic[y, x]) - black, (a + b + c + d) / 4 - black
            off, room = here - mean, smooth * mean
            if max(max(a, b), max(c, d)) - min(min(a, b), min(c, d)) < room and abs(off) < room and here < high:
                to = out[:, y // 2 // tile, x // 2 // tile]
                to[0] += sign * off
                to[1] += off * off
                to[2] += (here + mean) / 2
                to[3] += 1


def imbalance(mosaic: NDArray[np.uint16], pattern: NDArray[np.int64], black: float, white: float) -> F64:
    """(tiles down, tiles across): how much the green of the red rows lies above that of the blue rows, of the light.

    pattern 2x2 colour indices; black and white of green. What is no surer than its noise is 0.
    """
    c = GREENS
    red = np.argwhere(pattern == 0)[0]
    tiles = [-(-side // (2 * c.tile)) for side in mosaic.shape]
    sums = np.zeros((4, *tiles))
    high = c.bright * (white - black)
    _sums(mosaic, int(red[0]), 1 - int(red[1]), float(black), float(high), c.smooth, c.tile, sums)
    off, light, number = (_about(part, _NEAR) for part in sums[[0, 2, 3]])
    share = off / np.maximum(light, 1e-9)
    error = c.sure**2 * c.shared * _about(sums[1], _NEAR**2) / np.maximum(light, 1e-9) ** 2
    share *= np.maximum(share**2 - error, 0) / np.maximum(share**2, 1e-12)
    share *= np.minimum(number / (c.smooth_part * 2 * c.tile**2), 1)
    return np.asarray(np.clip(share, -c.most, c.most))


def _about(tiles: F64, near: F64) -> F64:
    return np.asarray(cv2.sepFilter2D(tiles, -1, near, near, borderType=cv2.BORDER_REFLECT))


def level_greens(light: F32, share: F64, top: int, left: int) -> None:
    """Make the greens of RGGB cells equal, in place; share from `imbalance`.

    light (H, W), 1.0 = saturation; (top, left) the place in the mosaic of its first pixel, which may lie outside.
    """
    if not share.any():
        return
    rows, columns = (
        _places(n // 2, at, most) for n, at, most in zip(light.shape, (top, left), share.shape, strict=True)
    )
    _level(light, share, *rows, *columns, GREENS.bright)


def _places(count: int, start: int, tiles: int) -> tuple[NDArray[np.int64], F64]:
    """Of each cell the tile before it and how far it lies towards the next, by the middles of the tiles."""
    at = (start + 0.5 + 2 * np.arange(count)) / (2 * GREENS.tile) - 0.5
    at = np.clip(at, 0, tiles - 1)
    before = np.minimum(np.floor(at).astype(np.int64), max(tiles - 2, 0))
    return before, at - before


@compiled(error_model="numpy")
def _level(
    light: NDArray[Any], share: NDArray[Any], down: NDArray[Any], dy: NDArray[Any], across: NDArray[Any],
    dx: NDArray[Any], bright: float,
) -> None:  # fmt: skip
    line = np.empty(share.shape[1])
    for r in range(down.size):
        i, f = down[r], dy[r]
        j = min(i + 1, share.shape[0] - 1)
        for k in range(line.size):
            line[k] = (1 - f) * share[i, k] + f * share[j, k]
        for m in range(across.size):
            k = across[m]
            half = ((1 - dx[m]) * line[k] + dx[m] * line[min(k + 1, line.size - 1)]) / 2
            # Clipped greens are equal already.
            first, second = light[2 * r, 2 * m + 1], light[2 * r + 1, 2 * m]
            room = min(max((1 - max(first, second)) / (1 - bright), 0.0), 1.0)
            light[2 * r, 2 * m + 1] = first * (1 - half * room)
            light[2 * r + 1, 2 * m] = second * (1 + half * room)
