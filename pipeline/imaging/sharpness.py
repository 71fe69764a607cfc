"""How sharp a part of a picture is, on a scale that noise, brightness and the size of the part do not move.

The energy of a Laplacian says what is in focus (Nayar and Nakagawa, "Shape from Focus", IEEE PAMI 16(8), 1994), but
noise has such energy too, and at ISO 12,800 more of it than a sharp shirt. So the picture is first brought to
unit noise everywhere (Anscombe's transform, generalised), where what noise adds is a known number. And movement blurs
one way only: a Laplacian sees the edges that are left, along it. So second differences are taken along four ways, and
their harmonic mean is small where any of them is. The mean is ours.

Such a contrast compares frames of one thing. How sharp a large smooth face is beside a striped shirt is told by edges
alone: the slope of an edge falls the more by a second blur the sharper it is, whatever its contrast (Zhuo and Sim,
"Defocus map estimation from a single image", Pattern Recognition 44, 2011, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.geometry import Box
from pipeline.imaging.orientation import Orientation
from pipeline.types import F32, F64, Noise


@dataclass(frozen=True)
class SharpnessConstants:
    """The scale on which a part of a picture is judged; all in pixels of the part as it is looked at.

    No published values exist; that each one matters: `pytest tests/test_constants.py`.
    """

    longest: int = 320  # that a part is brought to at most: what shows when a player fills a web picture
    least: int = 12  # smaller parts say nothing
    sigma: float = 1.0  # of the Gaussian before the differences, which alone would see little but noise
    least_way: float = 0.1  # of the largest, that the difference along any way counts as at least
    rim: int = 3  # left out, because the filters see beyond the part there: reach of both
    # Of edges: the two Gaussians whose slopes are compared; the rim that they reach; squares in which edges are looked
    # for, how many of their pixels must lie on one, and how many squares with one a way needs to say something.
    first: float = 1.0
    second: float = 2.0
    edge_rim: int = 6
    square: int = 16
    pixels: int = 12
    squares: int = 4
    steep: float = 0.1  # of the steepest slopes, from which a slope is an edge
    steepest: float = 0.98  # share of pixels less steep than those
    over_noise: float = 6.0  # standard deviations of noise that an edge is steep, at least
    least_edge: float = 0.01  # that is told at least along any way
    sharpest: float = 75  # percentile of the squares: something in focus has sharp edges, and skin beside them


SHARPNESS = SharpnessConstants()
_MEDIAN = 0.6745  # of the absolute value of a normal distribution, in standard deviations


@dataclass(frozen=True)
class Detail:
    """The luma of a frame at up to half the sensor's resolution: (H, W) float32, upright, 1.0 = saturation.

    a, b  its noise: variance a * x + b at signal x, white
    """

    luma: F32
    a: float
    b: float


def detail_of(pixels: F32, noise: Noise) -> Detail:
    """The detail of linear pixels (H, W, 3), 1.0 = saturation; `noise` is theirs, white and alike between channels."""
    import cv2

    luma = np.asarray(cv2.transform(pixels, np.full((1, 3), 1 / 3)), dtype=np.float32)
    return Detail(luma, float(noise.a.mean()) / 3, float(noise.b.mean()) / 3)


def detail_of_mosaic(
    mosaic: NDArray[np.uint16],
    pattern: NDArray[np.int64],
    noise: Noise,
    black: F64,
    white: F64,
    orientation: Orientation,
) -> Detail:
    """The detail of a Bayer mosaic (H, W), each 2x2 cell averaged into one pixel: without false colour.

    pattern 2x2 colour indices (0 R, 1 G, 2 B); noise of the mosaic, 1 = saturation; black and white (3,) per colour in
    the mosaic's units; orientation turns the result upright.
    """
    import cv2

    rows, columns = (side // 2 * 2 for side in mosaic.shape)
    cells = cv2.resize(mosaic[:rows, :columns], (columns // 2, rows // 2), interpolation=cv2.INTER_AREA)
    colours = pattern.ravel()
    span = float((white - black)[colours].mean())
    luma = (cells.astype(np.float32) - np.float32(black[colours].mean())) / np.float32(span)
    a, b = (float(v[colours].mean()) / 4 for v in (noise.a, noise.b))
    return Detail(orientation.to_upright(luma), a, b)


def sharpness(detail: Detail, box: Box) -> float:
    """Contrast of the fine structure in `box`, relative to its brightness; noise taken off.

    No unit: 0 where there is nothing but noise or the part is too small, about 0.02 for a soft and 0.1 for a crisp
    player.
    """
    import cv2

    seen = _stable(detail, box)
    if seen is None:
        return 0.0
    stable, slope = seen
    rim = slice(SHARPNESS.rim, -SHARPNESS.rim)
    soft = cv2.GaussianBlur(stable, (0, 0), SHARPNESS.sigma)
    fine = [cv2.filter2D(soft, cv2.CV_32F, way)[rim, rim].astype(np.float64) for way in _WAYS]
    extra = np.array([(one**2).mean() for one in fine]) - _noise_gains()
    if extra.max() <= 0:
        return 0.0
    along = np.maximum(np.sqrt(np.maximum(extra, 0)), SHARPNESS.least_way * np.sqrt(extra.max()))
    return float(_AS_LAPLACIAN * len(along) / (1 / along).sum() * slope)


def edges(detail: Detail, box: Box) -> float | None:
    """How sharp the sharper edges in `box` are, along four ways of which the most blurred counts most, whatever there
    is between them.

    0 to 1: by how much an edge is steeper after a blur of one pixel than after one of two. An edge that is blurred by b
    pixels of the part as it is looked at has at most sqrt((b^2 + 4) / (b^2 + 1)) - 1. None: too few edges to tell.
    """
    import cv2

    seen = _stable(detail, box)
    if seen is None or min(seen[0].shape) < 2 * SHARPNESS.square + 2 * SHARPNESS.edge_rim:
        return None
    rim = slice(SHARPNESS.edge_rim, -SHARPNESS.edge_rim)
    sigmas = (SHARPNESS.first, SHARPNESS.second)
    slopes = [
        [cv2.Sobel(cv2.GaussianBlur(seen[0], (0, 0), sigma), cv2.CV_32F, *way, scale=0.125)[rim, rim] for way in _AXES]
        for sigma in sigmas
    ]
    steepness = np.hypot(*slopes[1])
    steep = SHARPNESS.steep * float(np.quantile(steepness, SHARPNESS.steepest))
    noise = [_slope_noise(sigma) for sigma in sigmas]
    found = []
    for angle in np.arange(4) * np.pi / 4:
        first, second = (np.cos(angle) * x + np.sin(angle) * y for x, y in slopes)
        size = second * second
        least = max(SHARPNESS.over_noise**2 * noise[1], steep**2)
        on = (size > least) & (np.abs(second) > np.cos(np.pi / 8) * steepness)
        count, *energies = (_squares(one) for one in (on, on * first * first, on * size))
        enough = count >= SHARPNESS.pixels
        if enough.sum() >= SHARPNESS.squares:
            a, b = (np.maximum(e[enough] - count[enough] * v, 1e-9) for e, v in zip(energies, noise, strict=True))
            found.append(float(np.percentile(np.sqrt(a / b), SHARPNESS.sharpest)) - 1)
    told = np.maximum(found, SHARPNESS.least_edge)
    return min(len(told) / float((1 / told).sum()), 1.0) if len(told) > 1 else None


def _squares(values: NDArray[Any]) -> F64:
    """The sums of `values` (H, W) over squares."""
    side = SHARPNESS.square
    rows, columns = (n // side for n in values.shape)
    whole = values[: rows * side, : columns * side].reshape(rows, side, columns, side)
    return np.asarray(whole.sum(axis=(1, 3), dtype=np.float64)).ravel()


def _stable(detail: Detail, box: Box) -> tuple[F32, float] | None:
    """What is in `box`, as large as it is looked at and with unit noise everywhere; and what turns differences of that
    into contrast: d(log x) = d(stable) * sqrt(a x + ...) / x. None where it is too small."""
    import cv2

    height, width = detail.luma.shape
    x0, x1 = (round(v * width) for v in (box.x0, box.x1))
    y0, y1 = (round(v * height) for v in (box.y0, box.y1))
    part = detail.luma[max(y0, 0) : max(y1, 0), max(x0, 0) : max(x1, 0)]
    if min(part.shape) < SHARPNESS.least:
        return None
    energy = 1.0
    scale = SHARPNESS.longest / max(part.shape)
    if scale < 1:
        size = (max(1, round(part.shape[1] * scale)), max(1, round(part.shape[0] * scale)))
        energy = size[0] * size[1] / part.size
        part = np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA))
    if min(part.shape) < SHARPNESS.least:
        return None
    a, b = max(detail.a * energy, 1e-9), max(detail.b * energy, 1e-12)
    # 2/a sqrt(a x + 3/8 a^2 + b) has unit variance (Starck, Murtagh, Bijaoui 1998, from memory).
    stable = np.sqrt(np.maximum(a * part + 0.375 * a * a + b, 0)) * np.float32(2 / a)
    mean = max(float(part.mean()), 1e-6)
    return np.asarray(stable, dtype=np.float32), float(np.sqrt(a * mean + b) / mean)


_SECOND = np.array([1, -2, 1], np.float32)
_WAYS = (_SECOND[None], _SECOND[:, None], np.diag(_SECOND), np.fliplr(np.diag(_SECOND)))
# Of level and upright waves alike, whose differences along the diagonals are sqrt(2) times as large: with it their
# harmonic mean is that of the Laplacian.
_AS_LAPLACIAN = (1 + np.sqrt(2)) / 2


_AXES = ((1, 0), (0, 1))


@lru_cache(maxsize=2)
def _slope_noise(sigma: float) -> float:
    """Variance of the slope of unit white noise after a blur."""
    import cv2

    pulse = np.zeros((41, 41), np.float32)
    pulse[20, 20] = 1
    slope = cv2.Sobel(cv2.GaussianBlur(pulse, (0, 0), sigma), cv2.CV_32F, 1, 0, scale=0.125)
    return float((slope.astype(np.float64) ** 2).sum())


def _noise_gains() -> F64:
    """(4,) variance of unit white noise after the blur and each difference: the sum of the squares of their kernel."""
    import cv2

    pulse = np.zeros((25, 25), np.float32)
    pulse[12, 12] = 1
    soft = cv2.GaussianBlur(pulse, (0, 0), SHARPNESS.sigma)
    return np.array([(cv2.filter2D(soft, cv2.CV_32F, way).astype(np.float64) ** 2).sum() for way in _WAYS])


def noise_of(picture: F32) -> float:
    """Standard deviation of the noise in a picture (H, W), in its units.

    The median of second differences along both ways, which leave no slopes and edges (Immerkaer, "Fast Noise Variance
    Estimation", Computer Vision and Image Understanding 64, 1996; the median in place of the mean is ours).
    """
    import cv2

    differences = np.outer([1, -2, 1], [1, -2, 1]).astype(np.float32)
    return float(np.median(np.abs(cv2.filter2D(picture, -1, differences)))) / (6 * _MEDIAN)
