"""Area-correct resize and output sharpening."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.imaging.colour import LUMINANCE
from pipeline.types import F32


@dataclass(frozen=True)
class SharpenConstants:
    """What holds the unsharp mask back. Ours, no source: `pytest tests/imaging/test_resample.py`."""

    overshoot: float = 0.25  # of the range of the 3x3 pixels around, beyond which nothing goes: no ringing
    least_factor: float = 0.5  # on linear light
    most_factor: float = 2.0
    dark: float = 0.01  # of the cube root of luminance (a millionth of white), that stands for what is less
    black: float = 1e-5  # of luminance, that stands for zero
    room: float = 0.25  # of what a channel has left to the end of the scale, that it may be brightened by


SHARPEN = SharpenConstants()


def resize(pixels: F32, height: int, width: int) -> F32:
    """Linear-light resize to (height, width, 3): area average down, cubic up. No-op at equal size."""
    import cv2

    if pixels.shape[:2] == (height, width):
        return pixels
    down = height * width < pixels.shape[0] * pixels.shape[1]
    how = cv2.INTER_AREA if down else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(pixels, (width, height), interpolation=how), dtype=np.float32)


def resize_energy(before: tuple[int, int], after: tuple[int, int]) -> float:
    """Factor on the variance of white noise after a resize from `before` to `after`, each (height, width).

    That of an area average; 1 for enlargements.
    """
    return min(1.0, (after[0] * after[1]) / (before[0] * before[1]))


def sharpen(pixels: F32, amount: float, radius: float, top: float = np.inf) -> F32:
    """Unsharp mask on luminance in a cube-root scale, the same factor on all channels so hue is kept.

    pixels (H, W, 3) linear Rec. 709; amount 0 (the input itself comes back) and up; radius, the Gaussian's standard
    deviation in pixels. The cube root (as in CIE L*) makes light and dark halos look equal; the overshoot is held to
    the range of the 3x3 neighbourhood plus a quarter of it, so that hard edges do not ring.
    top  where a channel would burn out: a pixel is brightened by a part of what its largest channel has left to there
    """
    import cv2

    if amount <= 0:
        return pixels
    luminance = np.maximum(pixels @ LUMINANCE.astype(np.float32), SHARPEN.black)
    root = np.cbrt(luminance)
    soft = cv2.GaussianBlur(root, (0, 0), radius)
    kernel = np.ones((3, 3), np.uint8)
    low, high = cv2.erode(root, kernel), cv2.dilate(root, kernel)
    slack = SHARPEN.overshoot * (high - low)
    sharp = np.clip(root + np.float32(amount) * (root - soft), low - slack, high + slack)
    factor = (np.maximum(sharp, SHARPEN.dark) / np.maximum(root, SHARPEN.dark)) ** 3
    factor = np.clip(factor, SHARPEN.least_factor, SHARPEN.most_factor)
    if np.isfinite(top):
        left = np.float32(top) / np.maximum(pixels.max(axis=2), np.float32(SHARPEN.black))
        factor = np.minimum(factor, np.maximum(1 + np.float32(SHARPEN.room) * (left - 1), 1))
    return np.asarray(pixels * factor[..., None], dtype=np.float32)
