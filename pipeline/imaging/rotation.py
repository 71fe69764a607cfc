"""Turning a picture straight, what of it is left, and where it ends within a border of one tone, as of video, prints
and scans. Degrees clockwise as seen on the screen."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.imaging.geometry import Box
from pipeline.imaging.manhattan import Lines
from pipeline.types import F32, F64, Part


@dataclass(frozen=True)
class BorderRules:
    """Chosen on video frames of ../shared/data/court, each with a border of four columns; no source."""

    rim: float = 0.01  # frames from the rim of what is shown, within which a line is of a border, and not of the hall
    plain: float = 0.012  # of display white, by which a border's pixels differ (standard deviation), and its rows
    corner: float = 0.1  # of a row on either side, where another border may cross it


BORDERS = BorderRules()

_REACH = 6  # pixels about a place that the turn looks at: Lanczos over 8x8, the range of 3x3, and rounding


def rotated(pixels: F32, degrees: float, place: Part | None = None) -> F32:
    """Turn (H, W, 3) clockwise about the middle of the frame, on the same canvas; the corners repeat its border.

    place  where the pixels lie in the frame, if they are a part of it: right then is what `before_turn` says is needed

    Cut to a box for which `inside` is true and none of that border is left. Lanczos interpolation over 8x8 pixels,
    held to the range of the 3x3 pixels around, so that lamps and lines get no halo; any scale of values.
    """
    import cv2

    if degrees == 0:
        return pixels
    height, width = pixels.shape[:2]
    left, top, whole_width, whole_height = place or (0, 0, width, height)
    middle = ((whole_width - 1) / 2 - left, (whole_height - 1) / 2 - top)
    matrix = cv2.getRotationMatrix2D(middle, -degrees, 1.0)

    def turn(values: F32, how: int) -> F32:
        out = cv2.warpAffine(values, matrix, (width, height), flags=how, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(out, dtype=np.float32)

    kernel = np.ones((3, 3), np.uint8)
    low = turn(np.asarray(cv2.erode(pixels, kernel), dtype=np.float32), cv2.INTER_NEAREST)
    high = turn(np.asarray(cv2.dilate(pixels, kernel), dtype=np.float32), cv2.INTER_NEAREST)
    return np.clip(turn(pixels, cv2.INTER_LANCZOS4), low, high)


def before_turn(box: Box, degrees: float, height: int, width: int) -> Box:
    """What of a frame is looked at for a box of it after a turn, the box itself among it."""
    turn = math.radians(degrees)
    xs, ys = [box.x0 * width, box.x1 * width], [box.y0 * height, box.y1 * height]
    for x, y in ((x, y) for x in tuple(xs) for y in tuple(ys)):
        across, down = x - width / 2, y - height / 2
        xs.append(across * math.cos(turn) + down * math.sin(turn) + width / 2)
        ys.append(down * math.cos(turn) - across * math.sin(turn) + height / 2)
    return Box(
        max(0.0, (min(xs) - _REACH) / width),
        max(0.0, (min(ys) - _REACH) / height),
        min(1.0, (max(xs) + _REACH) / width),
        min(1.0, (max(ys) + _REACH) / height),
    )


def inside(box: Box, degrees: float, height: int, width: int) -> bool:
    """Whether a box of a frame turned by `degrees` holds only pixels of the frame."""
    turn = math.radians(degrees)
    for x in (box.x0, box.x1):
        for y in (box.y0, box.y1):
            across, down = (x - 0.5) * width, (y - 0.5) * height
            back_x = across * math.cos(turn) + down * math.sin(turn)
            back_y = down * math.cos(turn) - across * math.sin(turn)
            if abs(back_x) > width / 2 + 1e-6 or abs(back_y) > height / 2 + 1e-6:
                return False
    return True


def inscribed(degrees: float, height: int, width: int, aspect: float | None = None) -> Box:
    """The largest centred box of an aspect (width / height in pixels; None: the frame's) after a turn of the frame."""
    turn = math.radians(abs(degrees))
    ratio = aspect or width / height
    half = min(
        width / 2 / (math.cos(turn) + math.sin(turn) / ratio), height / 2 / (math.sin(turn) + math.cos(turn) / ratio)
    )
    x, y = half / width, half / ratio / height
    return Box(0.5 - x, 0.5 - y, 0.5 + x, 0.5 + y)


def widest(degrees: float, height: int, width: int) -> Box:
    """The largest centred box of any shape after a turn of the frame by up to 5 degrees: all its corners lie on the
    frame's sides. Of a strip that is so narrow that none has, the largest of its shape."""
    turn = math.radians(abs(degrees))
    sin, cos, both = math.sin(turn), math.cos(turn), math.cos(2 * turn)
    if min(height, width) <= 2 * sin * cos * max(height, width):
        return inscribed(degrees, height, width)
    x, y = (cos - sin * height / width) / both / 2, (cos - sin * width / height) / both / 2
    return Box(0.5 - x, 0.5 - y, 0.5 + x, 0.5 + y)


def inside_share(crops: F64, boxes: F64) -> F64:
    """(crops, boxes), 0 to 1: the share of each of `boxes` (N, 4) inside each of `crops` (M, 4)."""
    w = np.minimum(crops[:, None, 2], boxes[None, :, 2]) - np.maximum(crops[:, None, 0], boxes[None, :, 0])
    h = np.minimum(crops[:, None, 3], boxes[None, :, 3]) - np.maximum(crops[:, None, 1], boxes[None, :, 1])
    area = np.maximum((boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1]), 1e-9)
    return np.asarray(np.maximum(w, 0) * np.maximum(h, 0) / area)


def shown(grey: F32) -> F64:
    """(4,) x0, y0, x1, y1 from the middle of a frame (H, W), 0 to 1, in frames: where the picture in it ends."""
    height, width = grey.shape

    def border(rows: F32) -> int:
        side = round(BORDERS.corner * rows.shape[1])
        inner = rows[:, side : rows.shape[1] - side]
        alike = (inner.std(axis=1) < BORDERS.plain) & (np.abs(inner.mean(axis=1) - inner[0].mean()) < BORDERS.plain)
        return 0 if alike.all() else int(alike.argmin())

    left, right, top, bottom = (border(rows) for rows in (grey.T, grey.T[::-1], grey, grey[::-1]))
    ends = np.array([left - width / 2, top - height / 2, width / 2 - right, height / 2 - bottom])
    return np.asarray(ends / max(height, width))


def off_rim(lines: Lines, picture: F64) -> Lines:
    """Lines less those along the rim of `picture` (4,), as of `shown`: they are upright or flat, however the hall is
    turned."""
    x, y, angle, length = lines
    turn = np.radians(angle)
    across, down = np.abs(np.cos(turn)) * length / 2, np.abs(np.sin(turn)) * length / 2
    x0, y0, x1, y1 = picture
    farthest = np.stack([x + across - x0, x1 - x + across, y + down - y0, y1 - y + down]).min(axis=0)
    kept = farthest > BORDERS.rim
    return x[kept], y[kept], angle[kept], length[kept]
