"""The part of a Bayer mosaic that a window of the upright frame needs, cleaned and demosaiced at full size.

Of a 24-megapixel frame a tight crop is a sixth: the rest is neither denoised nor demosaiced.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.compiled import compiled
from pipeline.imaging.geometry import Box, PixelBox, pixels_to_box
from pipeline.imaging.learned.tiles import GRID, REACH
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw.area import area_shares
from pipeline.imaging.raw.greens import imbalance, level_greens
from pipeline.imaging.raw.residual_demosaic import RIM, by_residuals
from pipeline.types import F32, F64, Part

Mosaic = NDArray[np.uint16]
# (H, W) RGGB, balance (3,), top, left, height, width of the wanted part -> camera colour (height, width, 3).
Demosaic = Callable[[F32, F64, int, int, int, int], F32]


@dataclass(frozen=True)
class WindowConstants:
    """Ours, no source; `pytest tests/imaging/raw/test_window.py`."""

    rim: int = 64  # pixels of the mosaic about a window that are cleaned too: eight patches of the filter
    slack: int = 2  # pixels of the result about a window: a crop rounds its place by as much
    overview: int = 1280  # pixels of the longer side of the small whole frame: as large as the report shows it
    overview_samples: int = 3  # cells of the mosaic to a pixel of it, each way, that are looked at


WINDOW = WindowConstants()


@dataclass(frozen=True)
class _Span:
    """Along one side: pixels [low, high) of the `side` of a result, and [first, last) of the mosaic that they cover."""

    low: int
    high: int
    side: int
    first: int
    last: int
    mosaic_side: int


def full_size_window(
    mosaic: Mosaic,
    black: F64,
    white: F64,
    pattern: NDArray[np.int64],
    orientation: Orientation,
    size: tuple[int, int],
    window: Box,
    balance: F64,
    clean: Callable[[F32], F32] | None,
    learned: Demosaic | None = None,
) -> tuple[F32, Part | None]:
    """Upright camera colour (h, w, 3) of the window of a frame of `size`, unbalanced, black subtracted, 1.0 =
    saturation; and where it lies in the frame, None where it is all of it.

    black and white (3,) per colour in the mosaic's units; pattern 2x2 colour indices; size (height, width) upright;
    window in fractions of the upright frame; balance (3,) to demosaic in; clean takes the packed planes (h, w, 4) of
    RGGB cells to the same, denoised; learned cleans and demosaics, in place of clean and the classical demosaic.
    """
    place = _place(window, *size)
    x0, y0, x1, y1 = orientation.box_to_sensor(pixels_to_box(place, *size))
    sensor_size = orientation.upright_size(*size)
    rows = _span(y0, y1, sensor_size[0], mosaic.shape[0])
    columns = _span(x0, x1, sensor_size[1], mosaic.shape[1])
    rim, grid = (WINDOW.rim if clean is not None else 0, 1) if learned is None else (REACH, GRID)
    light, top, left = _light(mosaic, rows, columns, pattern, black, white, rim, grid)
    level_greens(light, imbalance(mosaic, pattern, black[1], white[1]), rows.first - top, columns.first - left)
    if clean is not None:
        light = unpacked(clean(packed(light)))
    demosaic = by_residuals if learned is None else learned
    pixels = demosaic(light, balance, top, left, rows.last - rows.first, columns.last - columns.first)
    ratios = (mosaic.shape[0] / sensor_size[0], mosaic.shape[1] / sensor_size[1])
    if min(ratios) < 1:  # pixels that are not square, of which all are wanted
        wide = cv2.resize(pixels, (sensor_size[1], sensor_size[0]), interpolation=cv2.INTER_LINEAR)
        pixels = np.asarray(wide, dtype=np.float32)
    elif max(ratios) > 1:
        pixels = _averaged(pixels, rows, columns)
    part = None if place == (0, 0, size[1], size[0]) else Part(place.x0, place.y0, size[1], size[0])
    return orientation.to_upright(pixels), part


def can_be_cut(mosaic: Mosaic, orientation: Orientation, size: tuple[int, int]) -> bool:
    """Whether a window can be cut out of the mosaic: where pixels are not square, they are stretched as a whole."""
    height, width = orientation.upright_size(*size)
    return bool(mosaic.shape[0] >= height and mosaic.shape[1] >= width)


def _place(window: Box, height: int, width: int) -> PixelBox:
    """The pixels of an upright frame of this size that are decoded for a window."""
    x0, y0, x1, y1 = window
    left, top = (max(0, math.floor(v * side) - WINDOW.slack) for v, side in ((x0, width), (y0, height)))
    right, bottom = (min(side, math.ceil(v * side) + WINDOW.slack) for v, side in ((x1, width), (y1, height)))
    return PixelBox(left, top, right, bottom)


def _span(start: float, end: float, side: int, mosaic_side: int) -> _Span:
    low, high = round(start * side), round(end * side)
    ratio = mosaic_side / side
    first, last = math.floor(low * ratio + 1e-6), math.ceil(high * ratio - 1e-6)
    return _Span(low, high, side, first, min(mosaic_side, last), mosaic_side)


def _light(
    mosaic: Mosaic, rows: _Span, columns: _Span, pattern: NDArray[np.int64], black: F64, white: F64, rim: int, grid: int
) -> tuple[F32, int, int]:
    """The light of that part of the mosaic and around it, even sides, red first; and the place of its first pixel.

    It begins at a multiple of `grid` pixels."""
    cuts, pads, starts = [], [], []
    for span, red, side in zip((rows, columns), np.argwhere(pattern == 0)[0].tolist(), mosaic.shape, strict=True):
        low, high = max(0, span.first - max(rim, RIM)) // grid * grid, min(side, span.last + max(rim, RIM))
        before = RIM + (red - low) % 2
        cuts.append(slice(low, high))
        pads.append((before, RIM + (before + high - low + RIM) % 2))
        starts.append(span.first - low + before)
    # Mirrored about its outermost pixels, the mosaic goes on with the right colours.
    (up, down), (to_left, to_right) = pads
    part = mosaic[cuts[0], cuts[1]]
    # Before what is only needed to make it, whose memory is then free in one piece with the rest.
    light = np.empty((up + part.shape[0] + down, to_left + part.shape[1] + to_right), np.float32)
    wide = cv2.copyMakeBorder(part, up, down, to_left, to_right, cv2.BORDER_REFLECT_101)
    floor, scale = black.astype(np.float32), (1 / (white - black)).astype(np.float32)
    _to_light(wide, floor[[[0, 1], [1, 2]]], scale[[[0, 1], [1, 2]]], light)
    return light, starts[0], starts[1]


@compiled(error_model="numpy")
def _to_light(counts: NDArray[Any], floor: NDArray[Any], scale: NDArray[Any], out: NDArray[Any]) -> None:
    for y in range(counts.shape[0]):
        f0, f1, s0, s1 = floor[y % 2, 0], floor[y % 2, 1], scale[y % 2, 0], scale[y % 2, 1]
        row, to = counts[y], out[y]
        for x in range(to.size):
            to[x] = (np.float32(row[x]) - (f1 if x & 1 else f0)) * (s1 if x & 1 else s0)


def packed(light: F32) -> F32:
    """(H, W) of even sides -> (H/2, W/2, 4): each 2x2 cell's pixels, row by row."""
    return np.stack([light[y::2, x::2] for y in (0, 1) for x in (0, 1)], axis=-1)


def unpacked(cells: F32) -> F32:
    """The inverse of `packed`."""
    light = np.empty((2 * cells.shape[0], 2 * cells.shape[1]), np.float32)
    for index in range(4):
        light[index // 2 :: 2, index % 2 :: 2] = cells[..., index]
    return light


def _averaged(pixels: F32, rows: _Span, columns: _Span) -> F32:
    """The mean over the area of each pixel of the result."""
    out = np.empty((rows.high - rows.low, columns.high - columns.low, 3), np.float32)
    (down, of_rows), (across, of_columns) = (_shares(rows), _shares(columns))
    _average(pixels, down, of_rows, across, of_columns, out)
    return out


def _shares(span: _Span) -> tuple[NDArray[np.int64], F32]:
    """(n, k) places in the mosaic's part of what each pixel of the result is a mean of, and their shares."""
    first, share = area_shares(span.mosaic_side, span.side)
    at = first[span.low : span.high, None] + np.arange(share.shape[1])
    return np.minimum(at, span.last - 1) - span.first, share[span.low : span.high]  # beyond the end shares are 0


@compiled(error_model="numpy")
def _average(
    pixels: NDArray[Any], down: NDArray[Any], of_rows: NDArray[Any], across: NDArray[Any], of_columns: NDArray[Any],
    out: NDArray[Any],
) -> None:  # fmt: skip
    line = np.empty(pixels.shape[1] * 3, np.float32)
    for y in range(out.shape[0]):
        line[:] = 0
        for k in range(down.shape[1]):
            row, share = pixels[down[y, k]].reshape(-1), of_rows[y, k]
            for x in range(line.size):
                line[x] += share * row[x]
        for x in range(out.shape[1]):
            r, g, b = np.float32(0), np.float32(0), np.float32(0)
            for k in range(across.shape[1]):
                at, share = 3 * across[x, k], of_columns[x, k]
                r += share * line[at]
                g += share * line[at + 1]
                b += share * line[at + 2]
            out[y, x, 0], out[y, x, 1], out[y, x, 2] = r, g, b


def overview(
    mosaic: Mosaic, black: F64, white: F64, pattern: NDArray[np.int64], orientation: Orientation, size: tuple[int, int]
) -> F32:
    """The whole upright frame of `size` (height, width), small: camera colour (h, w, 3) from some of its cells."""
    height, width = (max(1, round(side * min(1.0, WINDOW.overview / max(size)))) for side in size)
    small = orientation.upright_size(height, width)
    cells = (mosaic.shape[0] // 2, mosaic.shape[1] // 2)
    step = max(1, cells[0] // (small[0] * WINDOW.overview_samples))
    out = np.zeros((*small, 3), np.float32)
    for parity in (0, 1):
        pairs = mosaic[parity : 2 * cells[0] : 2 * step, : 2 * cells[1]].reshape(-1, cells[1], 2)
        mean = cv2.resize(pairs, (small[1], small[0]), interpolation=cv2.INTER_AREA).astype(np.float32)
        for column in (0, 1):
            colour = int(pattern[parity, column])
            share = 0.5 if colour == 1 else 1.0
            out[..., colour] += share * (mean[..., column] - black[colour]) / (white[colour] - black[colour])
    return orientation.to_upright(out)
