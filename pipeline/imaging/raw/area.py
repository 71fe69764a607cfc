"""A Bayer mosaic averaged by area to a small picture, in one pass over the mosaic.

Bilinear demosaic and area average are sums of pixels, both: so what each row adds to an output row is summed up first,
for the pixels as they lie on the sensor, and colours are told apart and columns averaged once an output row.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.compiled import compiled
from pipeline.imaging.orientation import Orientation
from pipeline.types import F32, F64


def by_area(
    mosaic: NDArray[np.uint16],
    black: F64,
    white: F64,
    pattern: NDArray[np.int64],
    orientation: Orientation,
    size: tuple[int, int],
) -> F32:
    """Bilinear demosaic of the visible mosaic, averaged by area to `size`, the upright (height, width).

    black and white (3,) per colour in the mosaic's units; pattern 2x2 colour indices (0 R, 1 G, 2 B), red and blue at
    opposite corners. The result is upright camera colour (H, W, 3), black subtracted, 1.0 = saturation; noise about
    black is not clipped.
    """
    height, width = orientation.upright_size(*size)
    rows, columns = area_shares(mosaic.shape[0], height), area_shares(mosaic.shape[1], width)
    red = pattern.ravel().tolist().index(0)
    scale = (1 / (white - black)).astype(np.float32)
    pixels = np.empty((height, width, 3), np.float32)
    _average(np.ascontiguousarray(mosaic), red // 2, red % 2, *rows, *columns, black.astype(np.float32), scale, pixels)
    return orientation.to_upright(pixels)


def area_shares(side: int, parts: int) -> tuple[NDArray[np.int64], F32]:
    """Of each of `parts` equal parts of a side: its first pixel, and (parts, n) the share of its mean that each pixel
    from there on has."""
    edges = np.arange(parts + 1) * (side / parts)
    first = np.minimum(np.floor(edges[:-1]).astype(np.int64), side - 1)
    most = int(np.ceil(side / parts)) + 1
    at = first[:, None] + np.arange(most)
    covered = np.minimum(at + 1, edges[1:, None]) - np.maximum(at, edges[:-1, None])
    shares = np.where(at < side, np.maximum(covered, 0), 0)
    return first, (shares / shares.sum(axis=1, keepdims=True)).astype(np.float32)


@compiled(error_model="numpy", apart=True)
def _add_row(row: NDArray[Any], own: Any, spread: Any, sums: NDArray[Any], wide: NDArray[Any]) -> None:
    for x in range(row.size):
        v = np.float32(row[x])
        sums[x] += own * v
        wide[x] += spread * v


@compiled(error_model="numpy")
def _average(
    mosaic: NDArray[Any],
    red_row: int,
    red_column: int,
    row_first: NDArray[Any],
    row_share: NDArray[Any],
    column_first: NDArray[Any],
    column_share: NDArray[Any],
    black: NDArray[Any],
    scale: NDArray[Any],
    out: NDArray[Any],
) -> None:
    height, width = mosaic.shape
    f32 = np.float32
    most = row_share.shape[1]
    # Of the rows of red (0) and those of blue (1): sums by the shares of the rows, and by those of the rows about them.
    own, about = np.empty((2, width), f32), np.empty((2, width), f32)
    line = np.empty((3, width), f32)
    for i in range(out.shape[0]):
        own[:] = 0
        about[:] = 0
        first = row_first[i]
        for y in range(first - 1, first + most + 1):
            k = y - first
            share = row_share[i, k] if 0 <= k < most else f32(0)
            before = row_share[i, k - 1] if 0 <= k - 1 < most else f32(0)
            after = row_share[i, k + 1] if 0 <= k + 1 < most else f32(0)
            # Beyond the first and the last row the picture is mirrored, so that colours stay in step.
            if y == 1 and first == 0:
                before = f32(2) * before
            if y == height - 2:
                after = f32(2) * after
            half = f32(0.5) * (before + after)
            if 0 <= y < height and (share != 0 or half != 0):
                kind = 0 if y % 2 == red_row else 1
                _add_row(mosaic[y], share, half, own[kind], about[kind])
        _colours(own, about, red_column, line)
        for c in range(3):
            _reduce(line[c], column_first, column_share, black[c], scale[c], out[i, :, c])


@compiled(error_model="numpy")
def _colours(own: NDArray[Any], about: NDArray[Any], red_column: int, line: NDArray[Any]) -> None:
    """line (3, W): the bilinear demosaic of summed rows."""
    width = own.shape[1]
    quarter, half = np.float32(0.25), np.float32(0.5)
    for x in range(width):
        left, right = abs(x - 1), x + 1 if x + 1 < width else width - 2
        if x % 2 == red_column:  # red above blue's green
            line[0, x] = own[0, x] + about[0, x]
            line[1, x] = own[1, x] + half * about[1, x] + quarter * (own[0, left] + own[0, right])
            line[2, x] = half * ((own[1, left] + about[1, left]) + (own[1, right] + about[1, right]))
        else:
            line[0, x] = half * ((own[0, left] + about[0, left]) + (own[0, right] + about[0, right]))
            line[1, x] = own[0, x] + half * about[0, x] + quarter * (own[1, left] + own[1, right])
            line[2, x] = own[1, x] + about[1, x]


@compiled(error_model="numpy")
def _reduce(
    line: NDArray[Any], first: NDArray[Any], share: NDArray[Any], black: float, scale: float, out: NDArray[Any]
) -> None:
    most = share.shape[1]
    for j in range(out.size):
        total = np.float32(0)
        at = first[j]
        for k in range(min(most, line.size - at)):
            total += share[j, k] * line[at + k]
        out[j] = (total - black) * scale
