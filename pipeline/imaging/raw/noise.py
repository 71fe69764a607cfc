"""Noise model of a frame from the frame itself: var = a * x + b per colour.

After Foi, Trimeche, Katkovnik, Egiazarian, "Practical Poissonian-Gaussian noise modeling and fitting for
single-image raw-data", IEEE Trans. Image Process. 17(10), 2008: local variance against local mean, fitted
by a line; here with blocks in place of wavelet segments, and texture kept out by taking the quiet blocks.
What a frame says is kept as a few points per colour, so that frames can be put together without their
pixels (noise_pool.py).

Signals are black-subtracted fractions of saturation; a is a variance per signal, b a variance.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.robust import cauchy, reweighted
from pipeline.types import F32, F64, Noise

LEAST_A, LEAST_B = 1e-7, 1e-10
BINS = 24
# Pixels of one colour plane along a block's side; small where a small frame would hold too few large ones.
_BLOCK, _SMALL_BLOCK = 16, 8
# The quiet fraction of the blocks of one brightness: those without texture, in all but the busiest frames.
# Of few blocks a larger part, lest the mean of it be a matter of chance.
_QUIET = ((0.1, 80), (0.2, 20))
# Bands of rows are taken until about so many pixels of a plane are read: some thousands of blocks.
_ENOUGH = 700_000
_BLOCKS_A_BIN = 40
# A block counts as clipped from so many of its pixels at an end of the scale, a bin from this share of its blocks.
_CLIPPED, _CLIPPED_BIN = 3, 0.2
# Variance lost in a block whose mean stands at the clip: max(0, z) of a normal z keeps (1 - 1 / pi) / 2.
_CENSORED = 2 * np.pi / (np.pi - 1)
_WHITE = 0.98
# Read noise against photon noise: b / a of the five cameras of Wei et al. 2020 is 3e-4 to 0.011 at any gain.
_LEAST_RATIO, _USUAL_RATIO, _MOST_RATIO = 5e-4, 0.01, 0.1
# Excess over the line at which a point's weight is halved, besides what chance does; relative spread of the quiet
# variance of one block.
_TEXTURE, _SPREAD = 0.05, 0.35
# Third difference: cancels any parabola, and is small in the pass band of any lens; unit gain for white noise.
_TAPS = np.array([1.0, -3.0, 3.0, -1.0], dtype=np.float32) / np.float32(np.sqrt(20.0))
_REACH = len(_TAPS) - 1


@dataclass(frozen=True)
class NoiseStatistics:
    """What one frame says of its noise; enough for `fit` and for pooling, without the pixels.

    bins    (3, BINS, 4) per colour and brightness: mean signal, variance of the quiet blocks, blocks, correlation
            of neighbours of the same colour in the quiet blocks (0 = white noise); unused are 0
    marks   (3, 3) per colour: blocks; share of pixels at the least value; that least value
    """

    bins: F64
    marks: F64

    def arrays(self) -> dict[str, NDArray[np.float32]]:
        """For a store; 1 kB."""
        return {"bins": self.bins.astype(np.float32), "marks": self.marks.astype(np.float32)}

    @staticmethod
    def from_arrays(arrays: Mapping[str, NDArray[Any]]) -> NoiseStatistics:
        """Back from `arrays`."""
        return NoiseStatistics(arrays["bins"].astype(np.float64), arrays["marks"].astype(np.float64))


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
        return self.variance > 4 * self.error and self.finest > 0.6 * self.variance


@dataclass(frozen=True)
class Sensor:
    """What the numbers of a mosaic mean: its 2x2 colour indices, noise, black, span = white - black in its units, and
    whether it holds nothing below black."""

    pattern: NDArray[np.int64]
    noise: Noise
    black: float = 0.0
    span: float = 1.0
    clips_black: bool = False

    @property
    def units(self) -> tuple[float, float]:
        """gain, read of var = gain * (value - black) + read for the noisiest colour, in the mosaic's units."""
        gain = max(float(self.noise.a.max()), LEAST_A) * self.span
        return gain, max(float(self.noise.b.max()), LEAST_B) * self.span**2


@numba.njit(cache=True)
def _add_row(row: NDArray[Any], floor: float, ceiling: float, out: NDArray[Any]) -> None:
    total, low, high = out[0], out[1], out[2]
    for c in range(row.size):
        v = row[c]
        total[c] += v
        low[c] += np.float32(v <= floor)
        high[c] += np.float32(v >= ceiling)


@numba.njit(cache=True)
def _combine(
    p: NDArray[Any], q: NDArray[Any], r: NDArray[Any], s: NDArray[Any], taps: NDArray[Any], out: NDArray[Any]
) -> None:
    t0, t1, t2, t3 = taps[0], taps[1], taps[2], taps[3]
    for c in range(out.size):
        out[c] = (t0 * p[c] + t1 * q[c]) + (t2 * r[c] + t3 * s[c])


@numba.njit(cache=True)
def _add_product(p: NDArray[Any], q: NDArray[Any], out: NDArray[Any]) -> None:
    for c in range(out.size):
        out[c] += p[c] * q[c]


@numba.njit(cache=True)
def _scan(bands: NDArray[Any], floor: float, ceiling: float, taps: NDArray[Any], out: NDArray[Any]) -> None:
    """Sums along each column of each band (n, size, width) into out (n, 6, width): signal, pixels at the floor and
    at the ceiling, squared residual, product of neighbouring vertical residuals, squared vertical residual."""
    count, size, width = bands.shape
    vertical = np.empty(width, np.float32)
    residual = np.empty(width - 3, np.float32)
    for n in range(count):
        band, sums = bands[n], out[n]
        for y in range(size):
            _add_row(band[y], floor, ceiling, sums)
        for y in range(size - 3):
            _combine(band[y], band[y + 1], band[y + 2], band[y + 3], taps, vertical)
            w = vertical
            _combine(w[: width - 3], w[1 : width - 2], w[2 : width - 1], w[3:], taps, residual)
            _add_product(residual, residual, sums[3, : width - 3])
            _add_product(w[: width - 1], w[1:], sums[4, : width - 1])
            _add_product(w, w, sums[5])


def _block_statistics(plane: NDArray[Any], size: int, black: float, span: float) -> tuple[F64, float]:
    """(blocks, 6), and the least value; mean, noise variance, shares of pixels at the floor and at white, and of the
    vertical residual the product of neighbours and the square.

    The residual is the third difference along rows and columns, which keeps the variance of white noise
    and cancels gradients and straight edges along rows or columns.
    """
    rows, columns = (side // size for side in plane.shape)
    if rows == 0 or columns == 0:
        return np.empty((0, 6)), np.inf
    every = max(1, rows * columns * size * size // _ENOUGH)
    bands = plane[: rows * size, : columns * size].reshape(rows, size, columns * size)[every // 2 :: every]
    bands = bands.astype(np.float32)
    if black != 0.0 or span != 1.0:
        bands -= np.float32(black)
        bands *= np.float32(1 / span)
    # A pixel that is not finite spoils its block only; the block is then left out.
    floor, greatest = float(np.fmin.reduce(bands, axis=None)), float(np.fmax.reduce(bands, axis=None))
    sums = np.zeros((len(bands), 6, columns * size), np.float32)
    _scan(bands, floor, min(_WHITE, greatest), _TAPS, sums)
    split = sums.reshape(len(bands), 6, columns, size).astype(np.float64)
    whole, inner = split.sum(axis=3), split[..., : size - _REACH].sum(axis=3)
    lag = split[:, 4, :, : size - 1].sum(axis=2)
    area, tall = size * size, size - _REACH
    out = np.stack(
        [
            whole[:, 0] / area,
            inner[:, 3] / tall**2,
            whole[:, 1] / area,
            whole[:, 2] / area,
            lag / (tall * (size - 1)),
            whole[:, 5] / (tall * size),
        ],
        axis=2,
    ).reshape(-1, 6)
    return out[np.isfinite(out).all(axis=1)], floor


@cache
def _quiet_factor(size: int, share: float) -> tuple[float, float]:
    """Variance, and neighbours' correlation, in the quietest `share` of blocks of unit white noise; by simulation."""
    sample = np.random.default_rng(0).standard_normal((64 * size, 64 * size), dtype=np.float32)
    blocks, _ = _block_statistics(sample, size, 0.0, 1.0)
    quiet = blocks[np.argsort(blocks[:, 1], kind="stable")][: max(1, round(share * len(blocks)))]
    return float(quiet[:, 1].mean()), float(quiet[:, 4].sum() / quiet[:, 5].sum())


def _points(planes: Sequence[NDArray[Any]], black: float, span: float) -> tuple[F64, F64]:
    """Bins (BINS, 4) and marks (3,) of one colour."""
    bins, marks = np.zeros((BINS, 4)), np.zeros(3)
    if not planes or 0 in planes[0].shape:
        return bins, marks
    size = _BLOCK if planes[0].size >= 64 * _BLOCK**2 else _SMALL_BLOCK
    with np.errstate(invalid="ignore", over="ignore"):
        found = [_block_statistics(plane, size, black, span) for plane in planes]
    blocks = np.concatenate([f[0] for f in found])
    if len(blocks) == 0:
        return bins, marks
    blocks = blocks[np.argsort(blocks[:, 0], kind="stable")]
    # Not one pixel of noise is no picture: a masked or lost part.
    clipped = (blocks[:, 2:4].max(axis=1) * size * size > _CLIPPED - 0.5) | (blocks[:, 1] <= 0)
    at = 0
    groups = int(np.clip(len(blocks) // _BLOCKS_A_BIN, 1, BINS))
    for group, bad in zip(np.array_split(blocks, groups), np.array_split(clipped, groups), strict=True):
        if bad.mean() > _CLIPPED_BIN:
            continue
        kept = group[~bad]
        share = next((q for q, least in _QUIET if len(kept) >= least), 0.5)
        quiet = kept[np.argsort(kept[:, 1], kind="stable")][: max(1, round(share * len(kept)))]
        variance, white = _quiet_factor(size, share)
        correlation = quiet[:, 4].sum() / quiet[:, 5].sum() - white
        bins[at] = quiet[:, 0].mean(), quiet[:, 1].mean() / variance, len(kept), correlation
        at += 1
    noisy = blocks[blocks[:, 1] > 0]
    if at == 0 and len(noisy):  # all clipped somewhere: the safe side of what is left of the noise
        bins[0] = noisy[:, 0].mean(), np.median(noisy[:, 1]) * _CENSORED, 1, 0
    marks[:] = len(blocks), blocks[:, 2].mean(), min(f[1] for f in found)
    return bins, marks


def statistics(
    mosaic: NDArray[Any], pattern: NDArray[np.int64], black: F64 | None = None, white: F64 | None = None
) -> NoiseStatistics:
    """Statistics of a Bayer mosaic (H, W), integers or floats; bands of it are read, 24 megapixels cost 0.03 s.

    pattern 2x2 colour indices (0 R, 1 G, 2 B, 3 = second G); black and white (3,) per colour in the mosaic's
    units, 0 and 1 where absent.
    """
    found = []
    for colour in range(3):
        places = [(y, x) for y in (0, 1) for x in (0, 1) if (0, 1, 2, 1)[int(pattern[y, x])] == colour]
        low = 0.0 if black is None else float(black[colour])
        high = 1.0 if white is None else float(white[colour])
        found.append(_points([mosaic[y::2, x::2] for y, x in places], low, high - low))
    return NoiseStatistics(np.stack([f[0] for f in found]), np.stack([f[1] for f in found]))


@dataclass(frozen=True)
class Line:
    """var = a * x + b with the standard errors of a and b, infinite where nothing was found."""

    a: float
    b: float
    error_a: float
    error_b: float


def fit(points: F64, upper: float = 0.5) -> Line:
    """Line through points (N, 4) of mean, quiet variance, blocks and (not used) correlation.

    Points above the line are taken to be texture and lose weight. a and b lie `upper` standard errors above the
    best line, so that a frame that does not tell (one brightness only, hardly any blocks) errs to too much noise;
    a is at most what all of the variance as photon noise would give.
    """
    points = points[points[:, 2] > 0]
    if len(points) == 0 or points[:, 1].max() <= LEAST_B:
        return Line(LEAST_A, LEAST_B, np.inf, np.inf)
    x, v, n = points[:, :3].T
    excess = _TEXTURE + _SPREAD / np.sqrt(n)

    def weigh(line: Line, _: int) -> F64:
        ratio = v / np.maximum(line.a * x + line.b, LEAST_B)
        robust = np.where(ratio > 1.0, cauchy((ratio - 1) / excess), 1.0)
        predicted = np.maximum(line.a * x + line.b, np.median(v) * 0.02 + LEAST_B)
        return np.asarray(robust * n / predicted**2)  # the spread of a variance estimate goes with the variance

    first = _line(x, v, n / np.maximum(np.zeros_like(x), np.median(v) * 0.02 + LEAST_B) ** 2)
    line, w = reweighted(lambda w: _line(x, v, w), weigh, first, range(11))
    a, b, error_a, error_b = line.a, line.b, line.error_a, line.error_b
    sx, sv = (w * x).sum() / w.sum(), (w * v).sum() / w.sum()
    most = max(a, sv / (max(sx, 0.0) + _LEAST_RATIO))
    a = min(a + upper * error_a * (1 + 4 * error_a / max(a, LEAST_A)), most)
    # What was measured is known: there the line may not be far over, whichever of a and b was raised.
    b = min(b + upper * error_b, _MOST_RATIO * a, max(1.2 * sv - a * sx, _LEAST_RATIO * a)) if upper else b
    return Line(max(a, LEAST_A), max(b, LEAST_B), error_a, error_b)


def _line(x: F64, v: F64, w: F64) -> Line:
    """Weighted line with b / a held between the least and the most that sensors have."""
    total = w.sum()
    sx, sv = (w * x).sum() / total, (w * v).sum() / total
    spread = (w * (x - sx) ** 2).sum()
    a = (w * (x - sx) * (v - sv)).sum() / spread if spread > 1e-9 * total else sv / (max(sx, 0.0) + _USUAL_RATIO)
    b = sv - a * sx
    for ratio in (_LEAST_RATIO, _MOST_RATIO):
        if (b - ratio * a) * (1 if ratio == _MOST_RATIO else -1) > 0:
            u = np.maximum(x, 0) + ratio
            a = (w * u * v).sum() / (w * u * u).sum()
            b = ratio * a
    misfit = max((w * (v - a * x - b) ** 2).sum() / max(len(x) - 2, 1), _SPREAD**2)
    error_a = min(float(np.sqrt(misfit / max(spread, 1e-30))), sv / _LEAST_RATIO)
    return Line(float(a), float(b), error_a, float(np.sqrt(misfit / total + (error_a * sx) ** 2)))


def estimate(mosaic: F32, pattern: NDArray[np.int64]) -> Noise:
    """(a, b) of each colour of a Bayer mosaic; the least values where the frame does not tell.

    mosaic (H, W) black-subtracted, 1 = saturation; pattern 2x2 colour indices (0 R, 1 G, 2 B, 3 = second G).
    """
    return noise_of(statistics(mosaic, pattern))


def noise_of(found: NoiseStatistics) -> Noise:
    """The model of one frame from its statistics."""
    lines = [fit(found.bins[colour]) for colour in range(3)]
    return Noise(np.array([line.a for line in lines]), np.array([line.b for line in lines]))


def estimate_rgb(pixels: F32, saturation: F64) -> Noise:
    """(a, b) of each channel of a linearised picture (H, W, 3); the line is then only an approximation."""
    lines = [fit(_points([pixels[..., c]], 0.0, float(saturation[c]))[0]) for c in range(3)]
    a, b = np.array([line.a for line in lines]), np.array([line.b for line in lines])
    return Noise(a * saturation, b * saturation**2)
