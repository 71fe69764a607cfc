"""Hot and dead pixels that stay put over a shoot, and the row noise of a sensor: found, and repaired in the mosaic.

Row noise is an offset that all pixels of a row share, drawn anew for every row and frame: the model of Wei, Fu, Yang,
Huang, "A physics-based noise formation model for extreme low-light raw denoising", CVPR 2020, section 3.
Mosaics (H, W) are raw numbers or floats, as noise.Sensor says.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.linalg import solveh_banded

from pipeline.imaging.raw.noise import RowNoise, Sensor
from pipeline.types import F64

I64 = NDArray[np.int64]
Mosaic = NDArray[Any]

MOST_CANDIDATES = 2048
_SIGMAS = 3.5  # above the greatest of the neighbours, itself about 1.4 above their mean
TILE = 64
# A point of light is spread by the lens over pixels of every colour, a defect is not: share seen by the next pixels.
_SPREAD = 0.2
_REACH = 8  # rows above and below that say what a row should be: four of the same colours on each side
_STRIPS, _LANES = 12, 32
_CUT = 3.0
_DARK = 60.0  # photon noise against read noise: above it row noise is hidden
_ORDER, _STIFF = 4, 1e-3  # of row differences that keep the picture out; its least bend, of the offsets' variance
_KEPT = 0.9733  # 1 - 2 k phi(k) / (2 Phi(k) - 1) at k = _CUT: what a cut at _CUT deviations leaves of a small shift
_ENERGY = 1 + 1 / 8  # of the difference between a row and the mean of eight, for white row noise


@dataclass(frozen=True)
class Candidates:
    """Isolated pixels of one frame.

    index    (N,) row * width + column, at most MOST_CANDIDATES
    excess   (N,) over the neighbours' median, fraction of saturation; negative = darker
    level    (rows, columns) mean signal of tiles of 64 x 64 pixels, fraction of saturation
    """

    index: NDArray[np.uint32]
    excess: NDArray[np.float32]
    level: NDArray[np.float32]


@numba.njit(cache=True)
def _screen(
    up: Mosaic, row: Mosaic, down: Mosaic, gain: np.float32, read: np.float32, black: np.float32, out: Mosaic
) -> np.uint8:
    """Flags pixels off all four nearest of their colour by the threshold; gain and read hold its square."""
    width = row.size
    middle, left, right = row[2 : width - 2], row[: width - 4], row[4:]
    above, below = up[2 : width - 2], down[2 : width - 2]
    zero, found = np.float32(0), np.uint8(0)
    for x in range(out.size):
        a, b, c, d = left[x], right[x], above[x], below[x]
        ab, cd = a if a > b else b, c if c > d else d
        high = np.float32(ab if ab > cd else cd)
        ab, cd = a if a < b else b, c if c < d else d
        low = np.float32(ab if ab < cd else cd)
        v = np.float32(middle[x])
        off = max(v - high, low - v)
        off = max(off, zero)
        hit = np.uint8(off * off > gain * max(high - black, zero) + read)
        out[x] = hit
        found |= hit
    return found


@numba.njit(cache=True)
def _isolated(m: Mosaic, y: int, x: int, square: float, black: float, gain: float, read: float) -> float:
    """Excess over the neighbours' middle where (y, x) stands out from all eight of its colour alone, else 0."""
    v = float(m[y, x])
    nine = np.sort(m[y - 2 : y + 3 : 2, x - 2 : x + 3 : 2].copy().reshape(9).astype(np.float64))
    sign = 1.0 if v == nine[8] else -1.0
    around = nine[:8] if sign > 0 else nine[1:]
    off = v - around[7] if sign > 0 else around[0] - v
    if off <= 0 or off * off <= square * (gain * max(around[7] - black, 0.0) + read):
        return 0.0
    excess = v - 0.5 * (around[3] + around[4])
    near = float(m[y, x - 1]) + float(m[y, x + 1]) + float(m[y - 1, x]) + float(m[y + 1, x])
    far = float(m[y, x - 3]) + float(m[y, x + 3]) + float(m[y - 3, x]) + float(m[y + 3, x])
    return 0.0 if (near - far) * sign > 4 * _SPREAD * abs(excess) else excess


@numba.njit(cache=True)
def _find(
    m: Mosaic, gain: float, read: float, black: float, square: float, index: Mosaic, excess: Mosaic, room: int
) -> int:
    height, width = m.shape
    flags = np.empty(width - 4, np.uint8)
    g, r, k = np.float32(gain * square), np.float32(read * square), np.float32(black)
    found = 0
    for y in range(3, height - 3):
        if _screen(m[y - 2], m[y], m[y + 2], g, r, k, flags) == 0:
            continue
        for x in range(1, width - 5):
            if flags[x]:
                value = _isolated(m, y, x + 2, square, black, gain, read)
                if value != 0.0 and found < room:
                    index[found] = y * width + x + 2
                    excess[found] = value
                    found += 1
    return found


def candidates(mosaic: Mosaic, sensor: Sensor) -> Candidates:
    """Pixels of one frame that stand out from their eight neighbours of the same colour; 0.03 s for 24 megapixels.

    A single frame cannot tell a defect from a glint: noise_pool.vote does.
    """
    (height, width), black, span = mosaic.shape, sensor.black, sensor.span
    level = _levels(mosaic, black, span)
    if min(height, width) < 8:
        return Candidates(np.empty(0, np.uint32), np.empty(0, np.float32), level)
    gain, read = sensor.units
    read += (span * 2e-5) ** 2  # a constant frame has no noise: the rounding of a 14-bit raw
    room = 64 * MOST_CANDIDATES
    index, excess = np.empty(room, np.int64), np.empty(room)
    count = _find(mosaic, gain, read, black, _SIGMAS**2, index, excess, room)
    index, excess = index[:count], excess[:count]
    if count > MOST_CANDIDATES:
        ground = np.maximum(mosaic.ravel()[index] - excess - black, 0)
        strength = np.abs(excess) / np.sqrt(gain * ground + read)
        strongest = np.sort(np.argsort(-strength, kind="stable")[:MOST_CANDIDATES])
        index, excess = index[strongest], excess[strongest]
    return Candidates(index.astype(np.uint32), (excess / span).astype(np.float32), level)


def _levels(mosaic: Mosaic, black: float, span: float) -> NDArray[np.float32]:
    rows, columns = (max(1, -(-side // TILE)) for side in mosaic.shape)
    parts = [mosaic[4::16, dx::16].astype(np.float32) for dx in (4, 5)]  # green and the row's other colour
    height, width = parts[1].shape
    if height == 0 or width == 0:
        return np.zeros((rows, columns), np.float32)
    mean = (parts[0][:, :width] + parts[1]) / np.float32(2)
    step = TILE // 16
    mean = np.pad(mean, ((0, rows * step - height), (0, columns * step - width)), mode="edge")
    tiles = mean.reshape(rows, step, columns, step).mean(axis=(1, 3))
    return np.asarray((tiles - np.float32(black)) / np.float32(span), dtype=np.float32)


def repair(mosaic: Mosaic, defects: I64) -> Mosaic:
    """The mosaic with each defect replaced by the median of its sound neighbours of the same colour; a copy.

    Indices outside the mosaic are refused with ValueError: the defects are another sensor's.
    """
    if len(defects) == 0:
        return mosaic
    height, width = mosaic.shape
    if defects.min() < 0 or defects.max() >= height * width:
        raise ValueError("defects lie outside this mosaic: they were found on frames of another size")
    out = mosaic.copy()
    y, x = np.divmod(defects, width)
    steps = [(dy, dx) for dy in (-2, 0, 2) for dx in (-2, 0, 2) if dy or dx]
    ny = y[:, None] + np.array([s[0] for s in steps])
    nx = x[:, None] + np.array([s[1] for s in steps])
    inside = (ny >= 0) & (ny < height) & (nx >= 0) & (nx < width)
    sound = inside & ~np.isin(ny * width + nx, defects)
    values = mosaic[np.clip(ny, 0, height - 1), np.clip(nx, 0, width - 1)].astype(np.float64)
    for i in np.flatnonzero(sound.any(axis=1)):
        value = np.median(values[i, sound[i]])
        out[y[i], x[i]] = value if np.issubdtype(out.dtype, np.floating) else np.floor(value + 0.5)
    return out


@numba.njit(cache=True)
def _add_rows(a: Mosaic, b: Mosaic, sums: Mosaic) -> None:
    for x in range(sums.size):
        sums[x] += np.float32(a[x]) - np.float32(b[x])


@numba.njit(cache=True, error_model="numpy")  # a check of each division would keep it from being a vector's
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


@numba.njit(cache=True)
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


@numba.njit(cache=True)
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
    dark = 3 * read**0.5 if sensor.clips_black else -np.inf
    out = np.zeros((mosaic.shape[0], 2, _STRIPS, 2), np.float32)
    if mosaic.shape[0] > 4 * _REACH and mosaic.shape[1] >= 2 * _STRIPS * _LANES:
        model = (gain, read, sensor.black, dark, _DARK * read / gain)
        _strips(np.ascontiguousarray(mosaic), model, out)
        green = 0 if sensor.pattern[0, 0] in (1, 3) else 1
        out[1 - green :: 2] = out[1 - green :: 2, ..., ::-1]  # green first in every row
    return out.astype(np.float64)


def row_noise(mosaic: Mosaic, sensor: Sensor) -> RowNoise:
    """Row noise of one frame from six bands of rows, 0.01 s for 24 megapixels.

    Parts far apart are compared: pixel noise does not agree between them, an offset of the row does. The picture,
    drawn by a lens, does not change from every row to the next; row noise does.
    """
    height, band = mosaic.shape[0], 96 + 2 * _REACH
    size = height if height <= 8 * band else band
    parts = [mosaic[s : s + size] for s in sorted({int(s) // 2 * 2 for s in np.linspace(0, height - size, 6)})]
    return _row_noise([_row_sums(part, sensor) for part in parts], sensor.span)


def _row_noise(parts: Sequence[F64], span: float) -> RowNoise:
    inner = []
    for part in (p for p in parts if len(p) > 4 * _REACH):
        green = part[_REACH:-_REACH, ..., 0]
        value, weight = np.stack([green[..., 0::2].sum(axis=2), green[..., 1::2].sum(axis=2)]).transpose(2, 1, 0)
        good = (weight > 0.05 * np.median(weight)).all(axis=1)
        inner.append(np.where(good[:, None], value / np.maximum(weight, 1e-30) / _KEPT, np.nan))
    (variance, error), (finest, _) = (_agreement(inner, order) for order in (_ORDER, _ORDER + 2))
    return RowNoise(variance / span**2, error / span**2, finest / span**2)


def _agreement(parts: Sequence[F64], order: int) -> tuple[float, float]:
    """Variance of what both halves (rows, 2) see of a row, from differences of an order; and its standard error.

    By the share of rows in which both have one sign (quadrant correlation), which lines of the court, few but strong
    and seen by both, do not move as they would a mean of products.
    """
    changes = np.concatenate([np.zeros((0, 2)), *(np.diff(p, order, axis=0) for p in parts if len(p) > order)])
    changes = changes[np.isfinite(changes).all(axis=1)]
    if len(changes) < 48:
        return 0.0, np.inf
    scale = float((1.4826 * np.median(np.abs(changes), axis=0)).prod())
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
    if here.variance < max(3 * here.error, 0.3 * variance) or here.finest < 0.5 * here.variance:
        return mosaic
    offsets = _offsets(sums, variance * sensor.span**2).astype(np.float32)
    return np.asarray(_take_back(mosaic, offsets))


@numba.njit(cache=True)
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
    weight = sums[:, 1].sum(axis=1)
    value = sums[:, 0].sum(axis=1) / np.maximum(weight, 1e-30) / _KEPT
    # Strips that disagree by more than their noise see the picture, not the row.
    each = sums[:, 0] / np.maximum(sums[:, 1], 1e-30) / _KEPT
    misfit = (sums[:, 1] * (each - value[:, None]) ** 2).sum(axis=1) / (_STRIPS - 1)
    noise = np.maximum(1.0, misfit) / np.maximum(weight, 1e-30)
    white = prior + noise
    change = np.diff(value, 3)
    expected = 20 * np.convolve(white, np.full(4, 0.25), "valid")  # 20 = 1 + 9 + 9 + 1
    bend = max(float(np.median(change**2 / 0.455 - expected)), _STIFF * prior)  # 0.455: median of chi squared
    sure = np.where(value**2 > 16 * white, 0.0, 1 / white)
    third = sparse.diags_array([-1.0, 3.0, -3.0, 1.0], offsets=[0, 1, 2, 3], shape=(len(value) - 3, len(value)))
    normal = (third.T @ third / bend).todia()
    banded = np.array([np.pad(normal.diagonal(k), (k, 0)) for k in (3, 2, 1, 0)])
    banded[-1] += sure + 1e-9 / prior
    smooth: F64 = solveh_banded(banded, sure * value)
    return value - smooth, np.where(sure > 0, 1 / noise, 0.0)
