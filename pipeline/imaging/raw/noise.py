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

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.compiled import compiled
from pipeline.imaging.robust import cauchy, reweighted
from pipeline.store.packing import LARGEST, take
from pipeline.types import F32, F64, Noise

LEAST_A, LEAST_B = 1e-7, 1e-10
BINS = 24


@dataclass(frozen=True)
class NoiseConstants:
    """How noise is kept apart from texture, and what is taken to be noise of a sensor.

    No published values exist but where one is named. Chosen by trial on photographs exposed by known noise:
    `pytest tests/imaging/raw/test_noise.py tests/imaging/raw/test_noise_pool.py`. That each one matters:
    `pytest tests/test_constants.py`.
    """

    # Pixels of one colour plane along a block's side; small where the plane would hold fewer large ones than this.
    block: int = 16
    small_block: int = 8
    large_blocks: int = 64
    # The quiet fraction of the blocks of one brightness: those without texture, in all but the busiest frames. Of few
    # blocks a larger part, so that the mean of it is no matter of chance.
    quiet: float = 0.1
    quiet_from: int = 80  # blocks
    quiet_few: float = 0.2
    quiet_few_from: int = 20  # blocks
    quiet_fewest: float = 0.5
    enough: int = 700_000  # pixels of a plane about which are read, in bands of rows: some thousands of blocks
    blocks_a_bin: int = 40
    clipped: int = 3  # pixels of a block at an end of the scale, from which it counts as clipped
    clipped_bin: float = 0.2  # share of clipped blocks, above which a bin is left out
    white: float = 0.98  # of saturation, from which a pixel counts as clipped where none is brighter
    # Read noise against photon noise: b / a of the five cameras of Wei et al. 2020 is 3e-4 to 0.011 at any gain.
    least_ratio: float = 5e-4
    usual_ratio: float = 0.01
    most_ratio: float = 0.1
    texture: float = 0.05  # relative excess over the line that halves a point's weight, besides what chance does
    spread: float = 0.35  # relative deviation of the quiet variance of one block
    steady: float = 0.02  # of the median variance, added to what a weight is worked out from: no point rules alone
    fit_steps: int = 11
    doubt: float = 4.0  # times a's relative error, by which a leans further to too much noise
    over: float = 1.2  # times the measured mean variance, up to which the line may lean


NOISE = NoiseConstants()
# Variance lost in a block whose mean stands at the clip: max(0, z) of a normal z keeps (1 - 1 / pi) / 2.
_CENSORED = 2 * np.pi / (np.pi - 1)
# Blocks each way of the sample of white noise that gives the quiet factors: to 1 %, far below what one frame shows.
_SAMPLE = 64
# Third difference: cancels any parabola, and is small in the pass band of any lens; unit gain for white noise.
_TAPS = np.array([1.0, -3.0, 3.0, -1.0], dtype=np.float32) / np.float32(np.sqrt(20.0))
_REACH = len(_TAPS) - 1


@dataclass(frozen=True)
class NoiseStatistics:
    """What one frame says of its noise: enough for `fit` and for pooling, without the pixels.

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
        """Back from `arrays`. Raises ValueError for what cannot be its statistics."""
        bins = take(arrays, "bins", np.float32, (3, BINS, 4), -LARGEST, LARGEST)
        marks = take(arrays, "marks", np.float32, (3, 3), -LARGEST, LARGEST)
        return NoiseStatistics(bins.astype(np.float64), marks.astype(np.float64))


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


@compiled()
def _add_row(row: NDArray[Any], floor: float, ceiling: float, out: NDArray[Any]) -> None:
    total, low, high = out[0], out[1], out[2]
    for c in range(row.size):
        v = row[c]
        total[c] += v
        low[c] += np.float32(v <= floor)
        high[c] += np.float32(v >= ceiling)


@compiled()
def _combine(
    p: NDArray[Any], q: NDArray[Any], r: NDArray[Any], s: NDArray[Any], taps: NDArray[Any], out: NDArray[Any]
) -> None:
    t0, t1, t2, t3 = taps[0], taps[1], taps[2], taps[3]
    for c in range(out.size):
        out[c] = (t0 * p[c] + t1 * q[c]) + (t2 * r[c] + t3 * s[c])


@compiled()
def _add_product(p: NDArray[Any], q: NDArray[Any], out: NDArray[Any]) -> None:
    for c in range(out.size):
        out[c] += p[c] * q[c]


@compiled()
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
    every = max(1, rows * columns * size * size // NOISE.enough)
    first = min(every // 2, rows - 1)  # a picture may be a million pixels wide and ten high
    bands = plane[: rows * size, : columns * size].reshape(rows, size, columns * size)[first::every]
    bands = bands.astype(np.float32)
    if black != 0.0 or span != 1.0:
        bands -= np.float32(black)
        bands *= np.float32(1 / span)
    # A pixel that is not finite spoils its block only; the block is then left out.
    floor, greatest = float(np.fmin.reduce(bands, axis=None)), float(np.fmax.reduce(bands, axis=None))
    sums = np.zeros((len(bands), 6, columns * size), np.float32)
    _scan(bands, floor, min(NOISE.white, greatest), _TAPS, sums)
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


def _quiet_share(blocks: int) -> float:
    if blocks >= NOISE.quiet_from:
        return NOISE.quiet
    return NOISE.quiet_few if blocks >= NOISE.quiet_few_from else NOISE.quiet_fewest


@cache
def _quiet_factor(size: int, share: float) -> tuple[float, float]:
    """Variance, and neighbours' correlation, in the quietest `share` of blocks of unit white noise; by simulation."""
    sample = np.random.default_rng(0).standard_normal((_SAMPLE * size, _SAMPLE * size), dtype=np.float32)
    blocks, _ = _block_statistics(sample, size, 0.0, 1.0)
    quiet = blocks[np.argsort(blocks[:, 1], kind="stable")][: max(1, round(share * len(blocks)))]
    return float(quiet[:, 1].mean()), float(quiet[:, 4].sum() / quiet[:, 5].sum())


def _points(planes: Sequence[NDArray[Any]], black: float, span: float) -> tuple[F64, F64]:
    """Bins (BINS, 4) and marks (3,) of one colour."""
    bins, marks = np.zeros((BINS, 4)), np.zeros(3)
    if not planes or 0 in planes[0].shape:
        return bins, marks
    size = NOISE.block if planes[0].size >= NOISE.large_blocks * NOISE.block**2 else NOISE.small_block
    with np.errstate(invalid="ignore", over="ignore"):
        found = [_block_statistics(plane, size, black, span) for plane in planes]
    blocks = np.concatenate([f[0] for f in found])
    if len(blocks) == 0:
        return bins, marks
    blocks = blocks[np.argsort(blocks[:, 0], kind="stable")]
    # Not one pixel of noise is no picture: a masked or lost part.
    clipped = (blocks[:, 2:4].max(axis=1) * size * size > NOISE.clipped - 0.5) | (blocks[:, 1] <= 0)
    at = 0
    groups = int(np.clip(len(blocks) // NOISE.blocks_a_bin, 1, BINS))
    for group, bad in zip(np.array_split(blocks, groups), np.array_split(clipped, groups), strict=True):
        if bad.mean() > NOISE.clipped_bin:
            continue
        kept = group[~bad]
        share = _quiet_share(len(kept))
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
    """Noise statistics of a Bayer mosaic (H, W), integers or floats; bands of it are read.

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
    a is at most what all of the variance as photon noise would give. The values are LEAST_A and LEAST_B, with infinite
    errors, where there is no point with noise.
    """
    points = points[points[:, 2] > 0]
    if len(points) == 0 or points[:, 1].max() <= LEAST_B:
        return Line(LEAST_A, LEAST_B, np.inf, np.inf)
    x, v, n = points[:, :3].T
    excess = NOISE.texture + NOISE.spread / np.sqrt(n)

    steady = np.median(v) * NOISE.steady + LEAST_B

    def weigh(line: Line, _: int) -> F64:
        ratio = v / np.maximum(line.a * x + line.b, LEAST_B)
        robust = np.where(ratio > 1.0, cauchy((ratio - 1) / excess), 1.0)
        predicted = np.maximum(line.a * x + line.b, steady)
        return np.asarray(robust * n / predicted**2)  # the spread of a variance estimate goes with the variance

    first = _line(x, v, n / np.maximum(np.zeros_like(x), steady) ** 2)
    line, w = reweighted(lambda w: _line(x, v, w), weigh, first, range(NOISE.fit_steps))
    a, b, error_a, error_b = line.a, line.b, line.error_a, line.error_b
    sx, sv = (w * x).sum() / w.sum(), (w * v).sum() / w.sum()
    most = max(a, sv / (max(sx, 0.0) + NOISE.least_ratio))
    a = min(a + upper * error_a * (1 + NOISE.doubt * error_a / max(a, LEAST_A)), most)
    # What was measured is known: there the line may not be far over, whichever of a and b was raised.
    if upper:
        b = min(b + upper * error_b, NOISE.most_ratio * a, max(NOISE.over * sv - a * sx, NOISE.least_ratio * a))
    return Line(max(a, LEAST_A), max(b, LEAST_B), error_a, error_b)


def _line(x: F64, v: F64, w: F64) -> Line:
    """Weighted line with b / a held between the least and the most that sensors have."""
    total = w.sum()
    sx, sv = (w * x).sum() / total, (w * v).sum() / total
    spread = (w * (x - sx) ** 2).sum()
    a = (w * (x - sx) * (v - sv)).sum() / spread if spread > 1e-9 * total else sv / (max(sx, 0.0) + NOISE.usual_ratio)
    b = sv - a * sx
    for ratio, beyond in ((NOISE.least_ratio, -1), (NOISE.most_ratio, 1)):
        if (b - ratio * a) * beyond > 0:
            u = np.maximum(x, 0) + ratio
            a = (w * u * v).sum() / (w * u * u).sum()
            b = ratio * a
    misfit = max((w * (v - a * x - b) ** 2).sum() / max(len(x) - 2, 1), NOISE.spread**2)
    error_a = min(float(np.sqrt(misfit / max(spread, 1e-30))), sv / NOISE.least_ratio)
    return Line(float(a), float(b), error_a, float(np.sqrt(misfit / total + (error_a * sx) ** 2)))


def estimate(mosaic: F32, pattern: NDArray[np.int64]) -> Noise:
    """(a, b) of each colour of a Bayer mosaic; the least values where the frame does not tell.

    mosaic (H, W) black-subtracted, 1 = saturation; pattern 2x2 colour indices (0 R, 1 G, 2 B, 3 = second G).
    """
    return noise_of(statistics(mosaic, pattern))


def noise_of(found: NoiseStatistics) -> Noise:
    """The model of one frame from its statistics, leaning to too much noise as `fit` does."""
    lines = [fit(found.bins[colour]) for colour in range(3)]
    return Noise(np.array([line.a for line in lines]), np.array([line.b for line in lines]))


def estimate_rgb(pixels: F32, saturation: F64) -> Noise:
    """(a, b) of each channel of a linearised picture (H, W, 3), in its units; saturation (3,) in the same.

    Noise of a demosaiced or a developed picture is not white, so the line is only an approximation.
    """
    lines = [fit(_points([pixels[..., c]], 0.0, float(saturation[c]))[0]) for c in range(3)]
    a, b = np.array([line.a for line in lines]), np.array([line.b for line in lines])
    return Noise(a * saturation, b * saturation**2)
