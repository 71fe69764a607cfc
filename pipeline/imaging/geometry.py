"""Crop boxes, sizes, area-correct resize and output sharpening."""

from __future__ import annotations

import cv2
import numpy as np

from pipeline.imaging.colour import LUMINANCE
from pipeline.model import F32

Box = tuple[float, float, float, float]
WHOLE: Box = (0.0, 0.0, 1.0, 1.0)


def box_to_pixels(box: Box, height: int, width: int) -> tuple[int, int, int, int]:
    """Fractions (x0, y0, x1, y1) to pixels; width and height are rounded first, so they do not depend on place."""
    x0, y0, x1, y1 = box
    w, h = max(1, round((x1 - x0) * width)), max(1, round((y1 - y0) * height))
    left = min(max(round(x0 * width), 0), width - w)
    top = min(max(round(y0 * height), 0), height - h)
    return left, top, left + w, top + h


def centred(box: Box, aspect: float | None, share: float, height: int, width: int) -> Box:
    """The largest box of `aspect` (width / height, in pixels) within `box`, scaled by `share`, same centre."""
    x0, y0, x1, y1 = box
    w, h = (x1 - x0) * width, (y1 - y0) * height
    if aspect is not None:
        w, h = min(w, h * aspect), min(h, w / aspect)
    w, h = w * share / width, h * share / height
    cx, cy = (x0 + x1) / 2, (y0 + y1) / 2
    return (cx - w / 2, cy - h / 2, cx + w / 2, cy + h / 2)


def widened(box: Box, aspect: float, height: int, width: int) -> Box:
    """The smallest box of `aspect` (width / height, in pixels) around `box`, moved into the frame; where the frame is
    too small for it, the part of it that fits."""
    x0, y0, x1, y1 = box
    w, h = (x1 - x0) * width, (y1 - y0) * height
    w, h = min(max(w, h * aspect), width) / width, min(max(h, w / aspect), height) / height
    left = min(max((x0 + x1 - w) / 2, 0.0), 1 - w)
    top = min(max((y0 + y1 - h) / 2, 0.0), 1 - h)
    return (left, top, left + w, top + h)


def turn(pixels: F32, flip: int) -> F32:
    """Sensor orientation to upright by LibRaw's flip: 3 = 180 degrees, 5 = 90 anticlockwise, 6 = clockwise."""
    turns = {3: 2, 5: 1, 6: 3}.get(flip, 0)
    return np.ascontiguousarray(np.rot90(pixels, turns))


def unturned(box: Box, flip: int) -> Box:
    """A box of the upright frame as one of the sensor, by LibRaw's flip: 3 = 180 degrees, 5 = 90 anticlockwise, 6 = 90
    clockwise brings the sensor's picture upright."""
    x0, y0, x1, y1 = box
    turned = {3: (1 - x1, 1 - y1, 1 - x0, 1 - y0), 5: (1 - y1, x0, 1 - y0, x1), 6: (y0, 1 - x1, y1, 1 - x0)}
    return turned.get(flip, box)


def resize(pixels: F32, height: int, width: int) -> F32:
    """Linear-light resize to (height, width, 3): area average down, cubic up. No-op at equal size."""
    if pixels.shape[:2] == (height, width):
        return pixels
    down = height * width < pixels.shape[0] * pixels.shape[1]
    how = cv2.INTER_AREA if down else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(pixels, (width, height), interpolation=how), dtype=np.float32)


def resize_energy(before: tuple[int, int], after: tuple[int, int]) -> float:
    """Factor on the variance of white noise after an area average; 1 for enlargements."""
    return min(1.0, (after[0] * after[1]) / (before[0] * before[1]))


def sharpen(pixels: F32, amount: float, radius: float) -> F32:
    """Unsharp mask on luminance in a cube-root scale, the same factor on all channels so hue is kept.

    The cube root (as in CIE L*) makes light and dark halos look equal; the overshoot is held to the
    range of the 3x3 neighbourhood plus a quarter of it, so that hard edges do not ring.
    """
    if amount <= 0:
        return pixels
    luminance = np.maximum(pixels @ LUMINANCE.astype(np.float32), 1e-5)
    root = np.cbrt(luminance)
    soft = cv2.GaussianBlur(root, (0, 0), radius)
    kernel = np.ones((3, 3), np.uint8)
    low, high = cv2.erode(root, kernel), cv2.dilate(root, kernel)
    slack = 0.25 * (high - low)
    sharp = np.clip(root + np.float32(amount) * (root - soft), low - slack, high + slack)
    factor = np.clip((np.maximum(sharp, 0.01) / np.maximum(root, 0.01)) ** 3, 0.5, 2.0)
    return np.asarray(pixels * factor[..., None], dtype=np.float32)
