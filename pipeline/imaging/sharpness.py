"""How sharp a part of a picture is, on a scale that noise, brightness and the size of the part do not move.

The energy of a Laplacian says what is in focus (Nayar and Nakagawa, "Shape from Focus", IEEE PAMI 16(8), 1994), but
noise has such energy too, and at ISO 12,800 more of it than a sharp shirt. So the picture is first brought to
unit noise everywhere (Anscombe's transform, generalised), where what noise adds is a known number. And movement blurs
one way only: a Laplacian sees the edges that are left, along it. So second differences are taken along four ways, and
their harmonic mean is small where any of them is. The mean is ours.
"""

from __future__ import annotations

from dataclasses import dataclass

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

    height, width = detail.luma.shape
    x0, x1 = (round(v * width) for v in (box.x0, box.x1))
    y0, y1 = (round(v * height) for v in (box.y0, box.y1))
    part = detail.luma[max(y0, 0) : max(y1, 0), max(x0, 0) : max(x1, 0)]
    if min(part.shape) < SHARPNESS.least:
        return 0.0
    energy = 1.0
    scale = SHARPNESS.longest / max(part.shape)
    if scale < 1:
        size = (max(1, round(part.shape[1] * scale)), max(1, round(part.shape[0] * scale)))
        energy = size[0] * size[1] / part.size
        part = np.asarray(cv2.resize(part, size, interpolation=cv2.INTER_AREA))
    if min(part.shape) < SHARPNESS.least:
        return 0.0
    a, b = max(detail.a * energy, 1e-9), max(detail.b * energy, 1e-12)
    # 2/a sqrt(a x + 3/8 a^2 + b) has unit variance (Starck, Murtagh, Bijaoui 1998, from memory).
    stable = np.sqrt(np.maximum(a * part + 0.375 * a * a + b, 0)) * np.float32(2 / a)
    rim = slice(SHARPNESS.rim, -SHARPNESS.rim)
    soft = cv2.GaussianBlur(stable, (0, 0), SHARPNESS.sigma)
    fine = [cv2.filter2D(soft, cv2.CV_32F, way)[rim, rim].astype(np.float64) for way in _WAYS]
    extra = np.array([(one**2).mean() for one in fine]) - _noise_gains()
    if extra.max() <= 0:
        return 0.0
    along = np.maximum(np.sqrt(np.maximum(extra, 0)), SHARPNESS.least_way * np.sqrt(extra.max()))
    # The slope of the transform, so that the answer is a contrast: d(log x) = d(stable) * sqrt(a x + ...) / x.
    mean = max(float(part.mean()), 1e-6)
    return float(_AS_LAPLACIAN * len(along) / (1 / along).sum() * np.sqrt(a * mean + b) / mean)


_SECOND = np.array([1, -2, 1], np.float32)
_WAYS = (_SECOND[None], _SECOND[:, None], np.diag(_SECOND), np.fliplr(np.diag(_SECOND)))
# Of level and upright waves alike, whose differences along the diagonals are sqrt(2) times as large: with it their
# harmonic mean is that of the Laplacian.
_AS_LAPLACIAN = (1 + np.sqrt(2)) / 2


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
