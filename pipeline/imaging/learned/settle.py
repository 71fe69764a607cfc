"""What a network leaves of the noise in flat places is wide and faint: it is found in small pictures, and taken out.

A network of this size sees some ninety pixels, and its own errors are as coarse as the noise that passes through it.
Halved pictures are cleaned from the coarsest down by a threshold in the sliding DCT (denoise/sliding_dct.py), far below
the noise of the sensor, so that no detail that could be told from it is touched.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.imaging.denoise.sliding_dct import sliding_dct
from pipeline.types import F32


@dataclass(frozen=True)
class SettleConstants:
    """Measured on flat patches and photographs: `python -m tests.training.evaluate --part flat --part noise`."""

    # What is left of the noise in a coefficient of a halved picture, deviations of the sensor's: of luma and of colour.
    # With more of colour one photograph of faint colours (Kleiber, ISO 12,800) comes out worse than by `fine`.
    luma: float = 0.06
    chroma: float = 0.02
    threshold: float = 2.9  # of those, below which a coefficient counts as noise
    halvings: int = 3
    blur: float = 0.7  # pixels of a halved picture, deviation of what it corrects
    least_side: int = 16  # pixels; a smaller picture is not halved
    step: int = 2  # pixels between patches


SETTLE = SettleConstants()
# Orthonormal: grey, red against blue, green against both.
_MIX = np.array([[1, 1, 1], [1, 0, -1], [0.5, -1, 0.5]], np.float32)
_MIX /= np.linalg.norm(_MIX, axis=1, keepdims=True)


def correction(cells: F32, deviation: float) -> F32:
    """(3, h, w) luma and two planes of colour to add to the halved picture `cells` (h, w, 3), u.

    deviation  of the sensor's noise in u
    """
    planes = np.ascontiguousarray(np.moveaxis(cells @ _MIX.T, -1, 0))
    parts = (SETTLE.luma, SETTLE.chroma, SETTLE.chroma)
    return np.stack([_off(plane, deviation * part, SETTLE.halvings) for plane, part in zip(planes, parts, strict=True)])


def _off(plane: F32, deviation: float, halvings: int) -> F32:
    """What brings a plane to its cleaned state, from what does so at half its size on."""
    off = np.zeros_like(plane)
    height, width = (side // 2 * 2 for side in plane.shape)
    if halvings > 1 and min(height, width) // 2 >= SETTLE.least_side:
        half = cv2.resize(plane[:height, :width], (width // 2, height // 2), interpolation=cv2.INTER_AREA)
        off[:height, :width] = _enlarged(_off(np.asarray(half, dtype=np.float32), deviation, halvings - 1))
    sigma = np.full((8, 8), max(SETTLE.threshold * deviation, 1e-9), np.float32)
    before = plane + off
    own = sliding_dct(before, None, sigma, (SETTLE.step, SETTLE.step)) - before
    off += cv2.GaussianBlur(own, (0, 0), SETTLE.blur, borderType=cv2.BORDER_REFLECT)
    return off


def _enlarged(plane: F32) -> F32:
    size = (2 * plane.shape[1], 2 * plane.shape[0])
    return np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def in_colour(off: F32, first: int, last: int) -> F32:
    """Rows of cells [first, last) of a correction, for u of each pixel: (2 (last - first), 2 w, 3)."""
    up, down = max(0, first - 1), min(off.shape[1], last + 1)
    wide = np.stack([_enlarged(np.ascontiguousarray(plane[up:down])) for plane in off], axis=-1) @ _MIX
    return np.asarray(wide[2 * (first - up) : 2 * (last - up)], dtype=np.float32)
