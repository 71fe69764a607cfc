"""The row noise of a sensor: measured, and taken out of the mosaic.

Row noise is an offset that all pixels of a row share, drawn anew for every row and frame: the model of Wei, Fu, Yang,
Huang, "A physics-based noise formation model for extreme low-light raw denoising", CVPR 2020, section 3.
Mosaics (H, W) are raw numbers or floats, as noise.Sensor says.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.compiled import compiled
from pipeline.imaging.raw.noise import Sensor
from pipeline.types import F64

Mosaic = NDArray[Any]

_REACH = 8  # rows above and below that say what a row should be: four of the same colours on each side
_STRIPS, _LANES = 12, 32  # parts of a row that are compared, and pixels at a time: how the work is split
_ENERGY = 1 + 1 / 8  # of the difference between a row and the mean of eight, for white row noise
_CUT = 3.0  # deviations of pixel noise, beyond which a pixel is no noise of this row
_KEPT = 0.9733  # 1 - 2 k phi(k) / (2 Phi(k) - 1) at k = _CUT: what a cut at _CUT deviations leaves of a small shift
_NORMAL = 1.4826  # deviation of a normal distribution over its median absolute deviation
_CHI_SQUARED = 0.455  # median of chi squared with one degree of freedom
_THIRD = 20  # 1 + 9 + 9 + 1: energy of a third difference of white noise


@dataclass(frozen=True)
class RowNoiseConstants:
    """When row noise is believed, and how far it is taken out.

    No published values exist. Chosen by trial on the measured cameras of Wei et al. 2020 and on pictures of rows:
    `pytest tests/imaging/raw/test_defects.py`. That each one matters: `pytest tests/test_constants.py`.
    """

    dark: float = 60.0  # photon noise against read noise: above it row noise is hidden
    off_black: float = 3.0  # deviations of read noise, below which a sensor that clips black shows nothing of use
    bands: int = 6  # of rows that are looked at in one frame
    band: int = 96  # rows that count in each of them
    whole_below: int = 8  # bands' worth of rows, up to which the whole frame is looked at
    order: int = 4  # of the differences between rows, which keep the picture out
    finer: int = 2  # orders more, for what is surely not the picture
    least_weight: float = 0.05  # of the median row's, below which a row does not count
    least_changes: int = 48
    # A frame shows row noise for certain from so many standard errors, and where finer changes say most of the same.
    present_errors: float = 4.0
    present_finest: float = 0.6
    # A frame of a camera that is known for it is corrected from so many, as much of the pooled variance, and the same.
    correct_errors: float = 3.0
    correct_share: float = 0.3
    correct_finest: float = 0.5
    stiff: float = 1e-3  # least bend of the picture from row to row, of the offsets' variance
    outlier: float = 4.0  # deviations, beyond which a row's difference is the picture's


ROW_NOISE = RowNoiseConstants()


@dataclass(frozen=True)
class RowNoise:
    """Row noise of one frame, fractions of saturation, squared: variance of the offsets; its standard error, infinite
    where the frame does not tell; the same from finer changes only, smaller where the picture is taken for it."""

    variance: float
    error: float
    finest: float

    @property
    def present(self) -> bool:
        """Surely there, and not the picture's."""
        sure = self.variance > ROW_NOISE.present_errors * self.error
        return sure and self.finest > ROW_NOISE.present_finest * self.variance


@compiled()
def _add_rows(a: Mosaic, b: Mosaic, sums: Mosaic) -> None:
    for x in range(sums.size):
        sums[x] += np.float32(a[x]) - np.float32(b[x])


@compiled(error_model="numpy")  # a check of each division would keep it from being a vector's
def _differ(row: Mosaic, sums: Mosaic, model: tuple[float, float, float, float, float], d: Mosaic, w: Mosaic) -> None:
    """Weight, and weight times difference to the mean of the rows around, of each pixel of one row."""
    gain, read, black = np.float32(model[0]), np.float32(model[1]), np.float32(model[2])
    dark, light = np.float32(model[3]), np.float32(model[4])
    eighth, cut, zero, one = np.float32(0.125), np.float32(_CUT * _CUT * _ENERGY), np.float32(0), np.float32(1)
    for x in range(d.size):
        v = np.float32(row[x])
        mean = (sums[x] - v) * eighth
        off, signal = v - mean, mean - black
        var = gain * max(signal, zero) + read
        weight = one / var if (off * off < cut * var) & (signal >= dark) & (signal <= light) else zero
        w[x] = weight
        d[x] = weight * off


@compiled()
def _fold(values: Mosaic, lanes: Mosaic, out: Mosaic) -> None:
    """Sums of the even and of the odd values."""
    lanes[:] = 0
    for k in range(0, values.size - lanes.size + 1, lanes.size):
        part = values[k : k + lanes.size]
        for x in range(lanes.size):
            lanes[x] += part[x]
    for x in range(0, lanes.size, 2):
        out[0] += lanes[x]
        out[1] += lanes[x + 1]


@compiled()
def _strips(m: Mosaic, model: tuple[float, float, float, float, float], out: Mosaic) -> None:
    """Into out (H, 2, _STRIPS, 2): sums of weighted differences and of weights, of even and odd columns."""
    height, width = m.shape
    sums = np.zeros((2, width), np.float32)
    d, w, lanes = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(_LANES, np.float32)
    strip = width // _STRIPS // 2 * 2
    nothing = np.zeros(width, m.dtype)
    for y in range(2 * _REACH + 2):
        _add_rows(m[y], nothing, sums[y % 2])
    for y in range(_REACH, height - _REACH):
        # The sums of a parity hold the nine rows from y - 8 to y + 8.
        if y >= _REACH + 2:
            _add_rows(m[y + _REACH], m[y - _REACH - 2], sums[y % 2])
        _differ(m[y], sums[y % 2], model, d, w)
        for s in range(_STRIPS):
            _fold(d[s * strip : (s + 1) * strip], lanes, out[y, 0, s])
            _fold(w[s * strip : (s + 1) * strip], lanes, out[y, 1, s])


def _row_sums(mosaic: Mosaic, sensor: Sensor) -> F64:
    """(H, 2, _STRIPS, 2): weighted differences and weights of each strip, of green and of the row's other colour."""
    gain, read = sensor.units
    dark = ROW_NOISE.off_black * read**0.5 if sensor.clips_black else -np.inf
    out = np.zeros((mosaic.shape[0], 2, _STRIPS, 2), np.float32)
    if mosaic.shape[0] > 4 * _REACH and mosaic.shape[1] >= 2 * _STRIPS * _LANES:
        model = (gain, read, sensor.black, dark, ROW_NOISE.dark * read / gain)
        _strips(np.ascontiguousarray(mosaic), model, out)
        green = 0 if sensor.pattern[0, 0] in (1, 3) else 1
        out[1 - green :: 2] = out[1 - green :: 2, ..., ::-1]  # green first in every row
    return out.astype(np.float64)


def row_noise(mosaic: Mosaic, sensor: Sensor) -> RowNoise:
    """Row noise of one frame from a few bands of its rows.

    Parts far apart are compared: pixel noise does not agree between them, an offset of the row does. The picture,
    drawn by a lens, does not change from every row to the next; row noise does.
    """
    height, band = mosaic.shape[0], ROW_NOISE.band + 2 * _REACH
    size = height if height <= ROW_NOISE.whole_below * band else band
    starts = sorted({int(s) // 2 * 2 for s in np.linspace(0, height - size, ROW_NOISE.bands)})
    return _row_noise([_row_sums(mosaic[s : s + size], sensor) for s in starts], sensor.span)


def _row_noise(parts: Sequence[F64], span: float) -> RowNoise:
    inner = []
    for part in (p for p in parts if len(p) > 4 * _REACH):
        green = part[_REACH:-_REACH, ..., 0]
        value, weight = np.stack([green[..., 0::2].sum(axis=2), green[..., 1::2].sum(axis=2)]).transpose(2, 1, 0)
        good = (weight > ROW_NOISE.least_weight * np.median(weight)).all(axis=1)
        inner.append(np.where(good[:, None], value / np.maximum(weight, 1e-30) / _KEPT, np.nan))
    variance, error = _agreement(inner, ROW_NOISE.order)
    finest, _ = _agreement(inner, ROW_NOISE.order + ROW_NOISE.finer)
    return RowNoise(variance / span**2, error / span**2, finest / span**2)


def _agreement(parts: Sequence[F64], order: int) -> tuple[float, float]:
    """Variance of what both halves (rows, 2) see of a row, from differences of an order; and its standard error.

    By the share of rows in which both have one sign (quadrant correlation), which lines of the court, few but strong
    and seen by both, do not move as they would a mean of products.
    """
    changes = np.concatenate([np.zeros((0, 2)), *(np.diff(p, order, axis=0) for p in parts if len(p) > order)])
    changes = changes[np.isfinite(changes).all(axis=1)]
    if len(changes) < ROW_NOISE.least_changes:
        return 0.0, np.inf
    scale = float((_NORMAL * np.median(np.abs(changes), axis=0)).prod())
    window = np.tile([-1 / 8, 0.0], _REACH + 1)[:-1]
    window[_REACH] = 1
    energy = float((np.convolve(np.diff(np.eye(order + 1), order, axis=0)[0], window) ** 2).sum())
    # Differences overlap: of `order` + 1 neighbours about two are new.
    error = float(np.pi / 2 * np.sqrt((order / 2 + 1) / len(changes)))
    return float(np.sin(np.pi / 2 * np.sign(changes).prod(axis=1).mean())) * scale / energy, error * scale / energy


def remove_rows(mosaic: Mosaic, sensor: Sensor, variance: float) -> Mosaic:
    """A mosaic of uint16 without the row noise of `variance` (fraction of saturation, squared; pooled over the shoot).

    Each row is taken back by its offset, shrunk by what is sure of it; a fraction of a number is spread over the row's
    pixels. A frame that does not show row noise itself comes back as it is, the same object.
    """
    if variance <= 0:
        return mosaic
    sums = _row_sums(mosaic, sensor)
    here = _row_noise([sums], sensor.span)
    least = max(ROW_NOISE.correct_errors * here.error, ROW_NOISE.correct_share * variance)
    if here.variance < least or here.finest < ROW_NOISE.correct_finest * here.variance:
        return mosaic
    offsets = _offsets(sums, variance * sensor.span**2).astype(np.float32)
    return np.asarray(_take_back(mosaic, offsets))


@compiled()
def _take_back(mosaic: Mosaic, offsets: Mosaic) -> Mosaic:
    out = np.empty_like(mosaic)
    height, width = mosaic.shape
    # Multiples of the golden section, modulo 1, fill the unit interval evenly over any stretch of pixels.
    spread = (np.arange(width) * 0.6180339887498949 % 1.0).astype(np.float32)
    for y in range(height):
        row, to, offset = mosaic[y], out[y], offsets[y]
        whole = np.int32(np.floor(offset))
        rest = offset - np.float32(whole)
        for x in range(width):
            v = np.int32(row[x]) - whole - np.int32(spread[x] < rest)
            to[x] = min(max(v, np.int32(0)), np.int32(65535))
    return out


def _offsets(sums: F64, prior: float) -> F64:
    """Offsets of the rows, `prior` their variance, from what green, red and blue pixels see of each.

    Every colour's differences to the rows around are split into a smooth part (the picture) and a white part of
    known variance; the white parts together are shrunk by the share of offset in offset and pixel noise.
    """
    total, sure = np.zeros(len(sums)), np.full(len(sums), 1 / prior)
    for rows, colour in ((slice(None), 0), (slice(0, None, 2), 1), (slice(1, None, 2), 1)):
        value, weight = _white_part(sums[rows, ..., colour], prior)
        total[rows] += value * weight
        sure[rows] += weight
    return np.asarray(total / sure)


def _white_part(sums: F64, prior: float) -> tuple[F64, F64]:
    """What is not smooth along the rows (Whittaker's penalty on third differences, 1923), and its weight."""
    from scipy import sparse
    from scipy.linalg import solveh_banded

    weight = sums[:, 1].sum(axis=1)
    value = sums[:, 0].sum(axis=1) / np.maximum(weight, 1e-30) / _KEPT
    # Strips that disagree by more than their noise see the picture, not the row.
    each = sums[:, 0] / np.maximum(sums[:, 1], 1e-30) / _KEPT
    misfit = (sums[:, 1] * (each - value[:, None]) ** 2).sum(axis=1) / (_STRIPS - 1)
    noise = np.maximum(1.0, misfit) / np.maximum(weight, 1e-30)
    white = prior + noise
    change = np.diff(value, 3)
    expected = _THIRD * np.convolve(white, np.full(4, 0.25), "valid")
    bend = max(float(np.median(change**2 / _CHI_SQUARED - expected)), ROW_NOISE.stiff * prior)
    sure = np.where(value**2 > ROW_NOISE.outlier**2 * white, 0.0, 1 / white)
    third = sparse.diags_array([-1.0, 3.0, -3.0, 1.0], offsets=[0, 1, 2, 3], shape=(len(value) - 3, len(value)))
    normal = (third.T @ third / bend).todia()
    banded = np.array([np.pad(normal.diagonal(k), (k, 0)) for k in (3, 2, 1, 0)])
    banded[-1] += sure + 1e-9 / prior
    smooth: F64 = solveh_banded(banded, sure * value)
    return value - smooth, np.where(sure > 0, 1 / noise, 0.0)
