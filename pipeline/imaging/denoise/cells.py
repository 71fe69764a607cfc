"""What the packed planes of a Bayer mosaic need besides what denoises any planes: its four pixels a cell lie apart.

Planes are stabilised and mixed by an orthonormal (4, 4) as in denoise.py: luma, two of colour, the greens against each
other; a cell is R, G, G, B, row by row.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.compiled import compiled
from pipeline.imaging.denoise.block_wiener import collaborate, match
from pipeline.imaging.denoise.edges import blurred, edge_share, firm
from pipeline.types import F32, F64


@dataclass(frozen=True)
class CellConstants:
    """Chosen on photographs and drawn shading: `python -m tests.denoise_table`, tests/imaging/denoise/test_clean.py."""

    slow: float = 1.4  # pixels of a packed plane, deviation of the blur that tells a colour from its detail
    tile: int = 4  # pixels of a packed plane along the side of the tiles whose colour is compared with their luma
    dark: float = 1.0  # deviations of the noise, luma below which colour is not compared
    # Where luma changes much, across an edge, a colour changes as it does around it, and not in proportion to itself:
    # variance of luma, in that of the noise, at which half of that is believed.
    slope: float = 8.0
    # Detail that is added to the mean of the greens before it tells their difference, as a share of its own, and pixels
    # of a packed plane, deviation of the blur that tells detail.
    green: float = 0.15
    green_soft: float = 1.2
    # What that does not say of the greens' difference is noise where it is slow and weak: pixels of a packed plane,
    # deviation of the blur and of that over which its power is judged, and deviations of the noise from which on it is
    # taken for stripes a pixel wide.
    calm: float = 1.0
    about: float = 2.0
    stripes: float = 0.2
    # Colour that changes with luma: pixels of a packed plane, side of the square over which that is judged, and the
    # variance of luma, in that of the noise, at which half of it is believed. A larger square makes fringes of its own
    # between white and deep blue, where the two are in no proportion.
    along: int = 3
    believed: float = 1.5
    # Edges of colour: deviations of the noise, detail of the first estimate from which on half is taken for one; pixels
    # of a packed plane, deviations of the blurs that tell detail and over which it is judged; and the part of what was
    # left out there that steers the second estimate.
    edge: float = 0.45
    edge_slow: float = 1.4
    edge_about: float = 1.2
    edge_part: float = 0.7


CELLS = CellConstants()
# The plane of a mosaic's two greens against each other.
GREENS = 3
# Cubic convolution (Keys, IEEE Trans. Acoust. Speech Signal Process. 29(6), 1981) a quarter of a pixel ahead, and back.
_AHEAD = np.array([0.0, -9.0, 111.0, 29.0, -3.0], np.float32) / np.float32(128)
_BACK = np.ascontiguousarray(_AHEAD[::-1])
_GRAIN = np.array([0.5, 1.0, 0.5], np.float32)


def explained(luma: F32, planes: F32, mix: F64) -> F32:
    """(2, H, W): what of the planes of colour is known from luma (H, W), cleaned, and is not to be shrunk.

    planes (4, H, W). Luma that changes from pixel to pixel of a cell makes red and blue unequal; shrunk with the noise
    that comes back as a mesh of rows and columns, and as colour. Then what changes along with luma.
    """
    within = _within(luma, planes, mix)
    for found, plane in zip(within, planes[1:GREENS], strict=True):
        found += along_luma(plane - found, luma)
    return within


def between_greens(luma: F32, planes: F32, mix: F64) -> F32:
    """(H, W): what green that changes from pixel to pixel of a cell puts into the difference of the two greens.

    Cleaned luma (H, W) and the planes of colour of planes (4, H, W), cleaned too, say what the mean of the two is, and
    so where green changes, also where luma does not. That mean is softer than green itself, which is made up for.
    """
    shares = mix[:GREENS, 1:3].mean(axis=1).astype(np.float32)
    green = shares[0] * luma + np.tensordot(shares[1:], planes[1:GREENS], 1)
    green = green + np.float32(CELLS.green) * (green - blurred(green, CELLS.green_soft))
    first, second = mix[GREENS, 1:3].astype(np.float32)
    return np.asarray(first * _moved(green, _BACK, _AHEAD) + second * _moved(green, _AHEAD, _BACK), np.float32)


def along_luma(plane: F32, luma: F32) -> F32:
    """(H, W): the detail of a plane of colour (H, W) that is in proportion to that of cleaned luma (H, W) around it.

    The local linear model of He, Sun and Tang, "Guided image filtering", IEEE Trans. Pattern Anal. Mach. Intell. 35(6),
    2013. Colour changes where luma does, at the rim of a sleeve, and by itself is lost in its noise there: taken out
    before the colour is cleaned and put back after it, it makes no fringe.
    """
    mean, other = _near(luma), _near(plane)
    share = _near(luma * plane) - mean * other
    share /= _near(luma * luma) - mean * mean + np.float32(CELLS.believed)
    return _near(share) * luma - _near(share * mean)


def sharp_edges(guide: F32, plane: F32) -> F32:
    """The first estimate (H, W) of a plane of colour, with part of what it left out of the noisy one along edges.

    The finest coefficients of an edge are each too weak to be told from noise. Left out, they make an edge of colour
    softer than that of luma, which shows as a fringe.
    """
    detail = guide - blurred(guide, CELLS.edge_slow)
    power = blurred(detail * detail, CELLS.edge_about)
    power *= power
    power /= power + np.float32(CELLS.edge**4)
    return guide + np.float32(CELLS.edge_part) * power * (plane - guide)


def _near(plane: F32) -> F32:
    mean = cv2.blur(plane, (CELLS.along, CELLS.along), borderType=cv2.BORDER_REFLECT)
    return np.asarray(mean, dtype=np.float32)


def _within(luma: F32, planes: F32, mix: F64) -> F32:
    """(2, H, W), of the planes of colour. Each pixel of a cell lies a quarter of a packed pixel from its middle. There
    its colour is as many times the luma as around it, as under light and shade; across an edge it changes with luma as
    the two do around it, by least squares with that ratio as the prior."""
    height, width = luma.shape
    tiles = (max(1, width // CELLS.tile), max(1, height // CELLS.tile))
    small = [cv2.resize(plane, tiles, interpolation=cv2.INTER_AREA) for plane in (luma, *planes[1:])]
    floor = np.maximum(small[0], np.float32(CELLS.dark))
    mean = _near(luma)
    prior = np.float32(CELLS.slope)
    known = _near(luma * luma) - mean * mean + prior
    within = np.zeros((GREENS - 1, height, width), np.float32)
    for site, kernels in enumerate((down, across) for down in (_BACK, _AHEAD) for across in (_BACK, _AHEAD)):
        weights = mix[:, site].astype(np.float32)
        share = sum(weight * plane for weight, plane in zip(weights, small, strict=True)) / floor
        share = cv2.resize(np.clip(share, 0, 1), (width, height), interpolation=cv2.INTER_LINEAR)
        colour = sum(weight * plane for weight, plane in zip(weights, (luma, *planes[1:]), strict=True))
        share = np.clip(_near((_near(luma * colour) - mean * _near(colour) + prior * share) / known), -1, 1)
        moved = _moved(luma, *kernels) * share
        for plane, row in zip(within, mix[1:GREENS], strict=True):
            plane += np.float32(row[site]) * moved
    return within


def _moved(plane: F32, down: F32, across: F32) -> F32:
    """(H, W): what a plane has more by the kernels' quarter of a pixel."""
    return np.asarray(cv2.sepFilter2D(plane, -1, across, down, borderType=cv2.BORDER_REFLECT) - plane, np.float32)


def calm_greens(planes: F32, mix: F64) -> None:
    """Take out of cleaned planes (4, H, W) what is left of noise in the difference of the two greens, in place.

    What passes a threshold by chance and is slow is drawn as a mesh of rows and columns, plainest in dark red and blue,
    where little green is much of the light. Of a picture only stripes about a pixel wide are slow there, and what green
    says of the difference: where either stands out of the noise, nothing is changed.
    """
    known = between_greens(planes[0], planes, mix)
    rest = planes[GREENS] - known
    power = blurred(rest * rest + known * known, CELLS.about)
    slow = blurred(rest, CELLS.calm)
    planes[GREENS] -= slow / (1 + power / np.float32(CELLS.stripes**2))


def refine(planes: F32, noisy: F32, mix: F64, parts: tuple[float, ...]) -> None:
    """The mean of the cleaned packed planes and of the mosaic itself, shrunk as one plane steered by them.

    The packed planes see a colour alone but at half the resolution; patches of the mosaic that lie alike on
    its pattern (the patches of block_wiener.py are an even number of pixels apart) see the full one
    (Danielyan, Vehvilainen, Foi, Katkovnik, Egiazarian, "Cross-color BM3D filtering of noisy raw data",
    LNLA 2009). The errors of the two differ, so that their mean is better than either. In a mosaic luma and
    chroma are one: planes that are to be cleaned more than the least stay as they were.

    What is slow in each colour is set aside meanwhile: the pattern of a mosaic of unequal colours is as strong as an
    edge in a third of the coefficients, whose noise would all pass, as a mesh and as blotches.
    """
    least = min(parts)
    guide = _mixed(planes, mix.T)
    slow = np.stack([blurred(c, CELLS.slow) for c in guide])
    found = match(unpacked(guide))
    guide -= slow
    rest, steer = unpacked(_mixed(noisy, mix.T) - slow), unpacked(guide)
    if least > 1:
        steer = firm(steer, edge_share(steer), least)
    shrunk = collaborate(rest, steer, np.full((8, 8), least, np.float32), found)
    slow += np.stack([shrunk[y::2, x::2] for y in (0, 1) for x in (0, 1)])
    for index, (part, plane) in enumerate(zip(parts, _mixed(slow, mix), strict=True)):
        if part == least:
            planes[index] = (planes[index] + plane) / 2


def keep_grain(planes: F32, noisy: F32, mix: F64, share: float) -> None:
    """Put back a share of the grain of luma, at each pixel of the mosaic that of the 3x3 about it.

    That of each cell alone, the same at its four pixels, would lie on a mesh of two. The binomial weights give each
    colour of the cell the same sum wherever they stand.
    """
    removed = _mixed(noisy - planes, mix.T)
    removed *= mix[0].astype(np.float32)[:, None, None]
    grain = cv2.sepFilter2D(unpacked(removed), -1, _GRAIN, _GRAIN, borderType=cv2.BORDER_REFLECT_101)
    for index in range(4):
        removed[index] = np.float32(share * mix[0, index]) * grain[index // 2 :: 2, index % 2 :: 2]
    planes += _mixed(removed, mix)


def unpacked(cells: F32) -> F32:
    """(4, H/2, W/2) -> (H, W)."""
    mosaic = np.empty((2 * cells.shape[1], 2 * cells.shape[2]), np.float32)
    for index in range(4):
        mosaic[index // 2 :: 2, index % 2 :: 2] = cells[index]
    return mosaic


def _mixed(planes: F32, mix: NDArray[Any]) -> F32:
    """(4, H, W) -> (4, H, W), each plane the sum of all by a row of mix (4, 4)."""
    out = np.empty(planes.shape, np.float32)
    _mix(planes, mix.astype(np.float32), out)
    return out


@compiled(error_model="numpy")
def _mix(planes: NDArray[Any], mix: NDArray[Any], out: NDArray[Any]) -> None:
    for y in range(planes.shape[1]):
        a, b, c, d = planes[0, y], planes[1, y], planes[2, y], planes[3, y]
        for k in range(4):
            wa, wb, wc, wd = mix[k, 0], mix[k, 1], mix[k, 2], mix[k, 3]
            to = out[k, y]
            for p in range(to.size):
                to[p] = ((wa * a[p] + wb * b[p]) + wc * c[p]) + wd * d[p]
