"""The colour of a light in words: chromaticity through a camera's matrix, CCT, Duv, and whether a lamp can have it."""

from __future__ import annotations

import math

import numpy as np

from pipeline.imaging.colour import XYZ_FROM_REC709
from pipeline.types import F64

XY = tuple[float, float]

# Beyond this distance from the Planckian locus a correlated colour temperature has no meaning: CIE 15, and
# Ohno, "Practical use and calculation of CCT and Duv", LEUKOS 10:1, 2014.
FAR = 0.05
# McCamy's formula holds from about here to here (McCamy 1992: "CCT from 2,000 to 12,500 K").
LOWEST, HIGHEST = 2000.0, 12500.0
# The cubic turns back at this value of its inverse slope (a root of its derivative): redder light has no answer.
_TURN = -1.2825
# ANSI C78.377 lets a white lamp lie 0.006 off its nominal Duv; further off the eye calls it tinted.
_TINTED = 0.006
# L_BB of Ohno 2014 (also ANSI C78.377, annex), from the sixth power of the angle down.
_LOCUS = (-0.00616793, 0.0893944, -0.5179722, 1.5317403, -2.4243787, 1.925865, -0.471106)


def light_xy(balance: F64, daylight: F64, to_working: F64) -> XY | None:
    """CIE 1931 x, y of a light, from the gains that neutralise it.

    balance (3,) gains that make white under this light neutral; daylight (3,) gains that do so for D65;
    to_working (3, 3) brings D65-balanced camera colour to linear Rec. 709. The camera's answer to white
    is 1 / balance. The matrix is fitted to reflecting surfaces, so lamps with lines in their spectrum
    come out some hundred kelvin off (figures: tests/test_illuminant.py). None where the matrix leads
    out of real colours. Raises ValueError for gains that are not finite and positive.
    """
    gains = np.concatenate([np.ravel(balance), np.ravel(daylight)]).astype(np.float64)
    if gains.shape != (6,) or not (np.isfinite(gains).all() and (gains > 0).all()):
        raise ValueError(f"balance and daylight must be three finite gains above 0 each, not {gains}")
    xyz = XYZ_FROM_REC709 @ to_working @ (gains[3:] / gains[:3])
    if not np.isfinite(xyz).all() or xyz.min() <= 0:
        return None
    x, y, _ = xyz / xyz.sum()
    return float(x), float(y)


def cct_mccamy(xy: XY) -> float:
    """Correlated colour temperature in kelvin of CIE 1931 (x, y).

    McCamy, "Correlated color temperature as an explicit function of chromaticity coordinates", Color Res.
    Appl. 17(2), 1992. Good near the Planckian locus from about 2,000 to 12,500 K. NaN where y <= 0.1858, its pole,
    and where the light is so red that the cubic would rise again.
    """
    x, y = xy
    if not y > 0.1858:
        return math.nan
    n = (x - 0.3320) / (0.1858 - y)
    if n < _TURN:
        return math.nan
    return ((449.0 * n + 3525.0) * n + 6823.3) * n + 5520.33


def duv(xy: XY) -> float:
    """Signed distance from the Planckian locus in CIE 1960 (u, v): positive is above it, greenish.

    The closed form of ANSI C78.377 and Ohno, LEUKOS 10:1, 2014; within 0.0002 of the exact value from
    2,600 to 25,000 K and Duv of +-0.05, 0.0013 at 2,000 K; at 1,500 K 0.01 too high. NaN where x, y is no colour.
    """
    x, y = xy
    scale = -2 * x + 12 * y + 3
    if scale <= 0:
        return math.nan
    u, v = 4 * x / scale - 0.292, 6 * y / scale - 0.240
    distance = math.hypot(u, v)
    angle = math.acos(u / distance) if distance > 0 else 0.0
    locus = 0.0
    for coefficient in _LOCUS:
        locus = locus * angle + coefficient
    return distance - locus


def describe(xy: XY) -> str:
    """A light in words: "4100 K", with "greenish" or "pinkish" where ANSI C78.377 would not call it white.

    Rounded to 50 K below 5,000 K and to 100 K above. Outside the formula's range it says "below 2000 K" or
    "above 12500 K"; beyond Duv 0.05 no temperature is given (CIE 15).
    """
    off = duv(xy)
    if not math.isfinite(off) or abs(off) > FAR:
        hue = "" if not math.isfinite(off) else f" ({'green' if off > 0 else 'magenta'})"
        return f"no white light{hue}: no colour temperature"
    kelvin = cct_mccamy(xy)
    if not kelvin >= LOWEST:
        words = f"below {LOWEST:.0f} K"
    elif kelvin > HIGHEST:
        words = f"above {HIGHEST:.0f} K"
    else:
        step = 50 if kelvin < 5000 else 100
        words = f"{round(kelvin / step) * step} K"
    tint = "" if abs(off) <= _TINTED else ", greenish" if off > 0 else ", pinkish"
    return f"{words}{tint}"
