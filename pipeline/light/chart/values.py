"""Published colours and layout of the classic 24-patch chart."""

from __future__ import annotations

import cv2
import numpy as np

from pipeline.imaging.colour import LUMINANCE, REC709_FROM_XYZ
from pipeline.types import F64

NAMES = (
    "dark skin", "light skin", "blue sky", "foliage", "blue flower", "bluish green",
    "orange", "purplish blue", "moderate red", "purple", "yellow green", "orange yellow",
    "blue", "green", "red", "yellow", "magenta", "cyan",
    "white", "neutral 8", "neutral 6.5", "neutral 5", "neutral 3.5", "black",
)  # fmt: skip

# CIE XYZ (24, 3) under D65 (ISO/CIE 11664-2), CIE 1931 2 degree observer (ISO/CIE 11664-1), a perfect white at
# Y = 1. Summed by ASTM E308 from the mean reflectances of 30 charts that D. Pascale measured ("RGB coordinates of
# the Macbeth ColorChecker" and its data file, BabelColor, 2012), by way of colour-science (BSD-3-Clause).
XYZ: F64 = np.array([
    [0.11148, 0.10073, 0.06804], [0.37195, 0.34569, 0.25239], [0.17645, 0.18841, 0.34483],
    [0.10595, 0.13327, 0.06944], [0.24805, 0.23449, 0.43919], [0.30939, 0.42658, 0.44864],
    [0.37168, 0.29669, 0.06336], [0.13562, 0.11813, 0.38694], [0.27669, 0.18703, 0.13531],
    [0.08384, 0.06357, 0.13991], [0.33657, 0.44207, 0.11323], [0.45235, 0.42069, 0.07771],
    [0.07985, 0.06118, 0.28344], [0.14651, 0.23442, 0.09855], [0.19574, 0.11701, 0.05028],
    [0.56051, 0.59420, 0.09258], [0.29444, 0.19262, 0.31072], [0.14636, 0.19962, 0.39314],
    [0.86237, 0.91237, 0.95419], [0.55676, 0.58862, 0.63671], [0.34035, 0.35958, 0.39106],
    [0.18074, 0.19129, 0.20879], [0.08451, 0.08948, 0.09875], [0.03053, 0.03201, 0.03540],
])  # fmt: skip

# Linear Rec. 709 (24, 3), D65, unclipped: the cyan patch lies outside the gamut and has a negative red.
LINEAR: F64 = XYZ @ REC709_FROM_XYZ.T

ROWS, COLUMNS = 4, 6
# Side of a patch against the distance from one patch's middle to the next. Measured on photographs of real
# charts, 0.86 to 0.89; no published source.
SIDE = 0.87
GREYS = slice(19, 23)  # neutral 8 to neutral 3.5: near-neutral, and neither near clipping nor near black


def places() -> F64:
    """(24, 2) middles of the patches in the patch area: x and y from 0 to 1, dark skin nearest the origin."""
    row, column = np.divmod(np.arange(ROWS * COLUMNS), COLUMNS)
    x = (column + SIDE / 2) / (COLUMNS - 1 + SIDE)
    y = (row + SIDE / 2) / (ROWS - 1 + SIDE)
    return np.stack([x, y], axis=1)


def half_side() -> F64:
    """(2,) half of a patch's width and height in the same units as `places`."""
    return 0.5 * SIDE / np.array([COLUMNS - 1 + SIDE, ROWS - 1 + SIDE])


def to_area(corners: F64) -> F64:
    """Homography (3, 3) from the patch area, 0 to 1 each way, to where its corners (4, 2) lie."""
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.float32)
    return np.asarray(cv2.getPerspectiveTransform(unit, corners.astype(np.float32)), dtype=np.float64)


def mapped(matrix: F64, points: F64) -> F64:
    """Points (N, 2) through a homography (3, 3)."""
    out = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(out[:, :2] / out[:, 2:])


_PRIMARIES = np.maximum(LINEAR, 0)
# Makes a linear fit weigh dark and bright about as the eye does: the slope of a cube root (CIE L*), held at 5 %.
_EVEN = (LINEAR @ LUMINANCE + 0.05) ** (-2 / 3)
_KNOWN = 16  # patches of 24 that must be in the picture for a likeness


def likeness(colours: F64) -> float:
    """How far 24 colours (24, 3), linear and of any gains, follow the chart: about 1 for a chart, below 0.7 by chance.

    Each channel is explained as a sum of the published red, green and blue with weights that are not negative, as
    a camera's channels overlap; the mean over the channels of the correlation of cube roots is the answer. So it
    knows neither exposure, nor lamp, nor camera. Measured on 12 lamps and 2 cameras (colour-science): 0.993 and
    above, upside down 0.43 and below, 3,000 random orders 0.67 and below. Rows that are not a number are left out;
    fewer than 16 left, or a channel without variation, give 0.
    """
    from scipy.optimize import nnls

    known = np.isfinite(colours).all(axis=1)
    if known.sum() < _KNOWN:
        return 0.0
    measured, primaries, even = np.maximum(colours[known], 0), _PRIMARIES[known], _EVEN[known]
    total = 0.0
    for channel in measured.T:
        weights, _ = nnls(primaries * even[:, None], channel * even)
        a, b = np.cbrt(channel), np.cbrt(primaries @ weights)
        if min(np.ptp(a), np.ptp(b)) < 1e-9:
            return 0.0
        a, b = a - a.mean(), b - b.mean()  # a call of corrcoef takes ten times as long, and there are thousands
        total += float(a @ b / np.sqrt((a @ a) * (b @ b)))
    return total / 3
