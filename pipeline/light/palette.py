"""The colours of a scene as samples of log chroma, where a change of light is a translation.

u = ln(R/G), v = ln(B/G) of camera-linear values. A lamp of another colour moves every neutral surface by the same step
and the others by nearly the same (Barron, "Convolutional Color Constancy", ICCV 2015, for the idea). So the same hall
seen twice registers, and the change of one lamp's share from side to side shows as a gradient of its chroma.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.imaging.robust import reweighted
from pipeline.light.highlights import usable
from pipeline.types import F32, F64, Image

STEP = 0.04  # of the histograms, in natural log; smoothed by one step, so that a vertex is found to a twentieth
LOW = np.array([-1.6, -3.2])  # relative to daylight: high-pressure sodium on a wood floor lies at v = -2.5
SIZE = (80, 112)
_PADDED = (128, 160)


@dataclass(frozen=True)
class PaletteConstants:
    """How colours are sampled, and what a gradient of the light over the frame may be. Chroma in natural log.

    No published values exist. Chosen by trial on drawn halls under published lamps: `pytest tests/light/test_palette.py
    tests/light/test_even_light.py`. That each one matters: `pytest tests/test_constants.py`.
    """

    floor: float = 0.003  # of saturation; below it a pixel's colour is noise
    noisy: float = 0.06  # chroma, standard deviation of a pixel by noise at which it counts half
    pixels: int = 40_000  # of a burst that are looked at
    smoothing: float = 1.0  # bins, standard deviation of the histogram's blur
    bright_quantile: float = 0.9  # of green, that luminance is relative to
    pull: float = 0.1  # a chroma of 1, off match: breaks ties between equal matches in favour of no change
    band_least: float = 40.0  # pixels' worth of weight that a band of columns needs
    slope: float = 0.5  # chroma over half a frame, standard deviation of slopes that are expected
    curve: float = 0.12  # the same of curves
    reach: float = 0.2  # chroma between neighbouring bands, times the shares below
    reach_first: float = 0.6  # of it, at first
    reach_again: float = 0.4  # of it, once most of the gradient is taken out
    useless: float = 0.5  # match of two bands, below which they show different things
    step_error: float = 0.02  # chroma, standard deviation of a step between bands
    step_outlier: float = 0.03  # chroma, by which a step is off that counts half (Cauchy)
    fit_steps: int = 4


PALETTE = PaletteConstants()
_BANDS = 8  # of columns


Spectrum = np.ndarray[tuple[int, int], np.dtype[np.complex128]]


@dataclass(frozen=True)
class ChromaSamples:
    """Pixels of one or more pictures of the same scene.

    chroma (N, 2) relative to daylight; weight (N,); column (N,) from -1 to 1 across the sensor; luminance (N,)
    relative to the brightest tenth of its picture; green (N,) log2.
    """

    chroma: F64
    weight: F64
    column: F64
    luminance: F64
    green: F64

    def moved(self, shift: F64) -> ChromaSamples:
        """With (2,) or (N, 2) taken off the chroma."""
        return replace(self, chroma=self.chroma - shift)

    @property
    def total(self) -> float:
        """Pixels' worth of weight."""
        return float(self.weight.sum())


def chroma_samples(pictures: Sequence[tuple[F32, Image, float]], daylight: F64) -> ChromaSamples:
    """The samples of some pictures.

    pictures: evened (H, W, 3) pixels with the image they came from (which knows noise and saturation), rows along
    the sensor, and by how much of half a width the scene has moved right; daylight: (3,) multipliers of daylight.
    """
    parts = []
    start = np.log(daylight)[[0, 2]] - np.log(daylight[1])
    thin = max(1, sum(p.shape[0] * p.shape[1] for p, _, _ in pictures) // PALETTE.pixels)
    for pixels, image, pan in pictures:
        good = usable(image.pixels, image.saturation, PALETTE.floor)
        if thin > 1:  # every so many pixels of a burst say as much as all of them
            good &= np.arange(good.size).reshape(good.shape) % thin == 0
        x = pixels[good].astype(np.float64)
        raw = image.pixels[good].astype(np.float64)
        logs = np.log(np.maximum(x, 1e-6))
        noise = (image.noise.a * raw + image.noise.b) / raw**2
        columns = np.broadcast_to((np.arange(good.shape[1]) + 0.5) / good.shape[1] * 2 - 1 - pan, good.shape)[good]
        luminance = x[:, 1] / max(float(np.quantile(x[:, 1], PALETTE.bright_quantile)) if len(x) else 1.0, 1e-6)
        chroma = np.stack([logs[:, 0] - logs[:, 1], logs[:, 2] - logs[:, 1]], axis=1) + start
        weight = 1 / (1 + (noise[:, 1] + np.maximum(noise[:, 0], noise[:, 2])) / PALETTE.noisy**2)
        parts.append((chroma, weight, columns, luminance, logs[:, 1] / np.log(2)))
    return ChromaSamples(*(np.concatenate(p) for p in zip(*parts, strict=True)))


def histogram(of: ChromaSamples) -> F64:
    """(80, 112) smoothed root histogram of unit energy: the root keeps a floor from ruling by its area alone."""
    return _root(counts(of.chroma, of.weight))


def _root(binned: F64) -> F64:
    from scipy.ndimage import gaussian_filter

    root = np.sqrt(np.maximum(gaussian_filter(binned, PALETTE.smoothing), 0))
    size = float(np.sqrt((root**2).sum()))
    return np.asarray(root / size if size > 0 else root)


def counts(chroma: F64, weight: F64) -> F64:
    """Weights shared between the four nearest bins, so that a shift of part of a bin shows."""
    u, v = (chroma[:, k] / STEP - (LOW[k] / STEP + 0.5) for k in (0, 1))
    inside = (u >= 0) & (u < SIZE[0] - 1) & (v >= 0) & (v < SIZE[1] - 1)
    u, v, weight = u[inside], v[inside], weight[inside]
    low_u, low_v = u.astype(np.int64), v.astype(np.int64)
    part_u, part_v = u - low_u, v - low_v
    flat = low_u * SIZE[1] + low_v
    sums = np.zeros(SIZE[0] * SIZE[1])
    for step, share in (
        (0, (1 - part_u) * (1 - part_v)), (1, (1 - part_u) * part_v),
        (SIZE[1], part_u * (1 - part_v)), (SIZE[1] + 1, part_u * part_v),
    ):  # fmt: skip
        sums += np.bincount(flat + step, weight * share, minlength=len(sums))
    return sums.reshape(SIZE)


def main_chroma(chroma_histogram: F32) -> F64:
    """(2,) chroma of the fullest bin."""
    place = np.unravel_index(int(np.argmax(chroma_histogram)), chroma_histogram.shape)
    return np.asarray(LOW + STEP * (np.array(place) + 0.5))


def commonness(chroma_histogram: F32, chroma: F64) -> float:
    """How full the bin of a chroma (2,) is, 0 to 1 of the fullest."""
    place = np.floor((chroma - LOW) / STEP).astype(int)
    if (place < 0).any() or (place >= np.array(chroma_histogram.shape)).any() or chroma_histogram.max() <= 0:
        return 0.0
    return float(chroma_histogram[tuple(place)] / chroma_histogram.max())


@dataclass(frozen=True)
class Shift:
    """How far one histogram lies from another, step (2,) in log chroma, and how well the two match there, 0 to 1."""

    step: F64
    match: float


def spectrum(h: F64) -> Spectrum:
    """The transform of a histogram, to be kept where it is compared often."""
    return np.asarray(np.fft.rfft2(h, _PADDED), dtype=np.complex128)


def register(one: Spectrum, other: Spectrum, reach: float) -> Shift:
    """The shift within `reach` that brings `other` onto `one` (two spectra), by correlation to parts of a bin."""
    match = np.fft.irfft2(one * np.conj(other), _PADDED)
    u, v = _offsets(_PADDED[0]), _offsets(_PADDED[1])
    distance = np.hypot(u[:, None], v[None, :])
    scored = np.where(distance <= reach, match * (1 - PALETTE.pull * distance), -np.inf)
    i, j = (int(n) for n in np.unravel_index(int(np.argmax(scored)), scored.shape))
    rows, columns = np.arange(i - 1, i + 2) % _PADDED[0], np.arange(j - 1, j + 2) % _PADDED[1]
    step = np.array([u[i] + STEP * vertex(match[rows, j]), v[j] + STEP * vertex(match[i, columns])])
    return Shift(step, float(match[i, j]))


def _offsets(size: int) -> F64:
    at = np.arange(size)
    return np.where(at <= size // 2, at, at - size) * STEP


def vertex(values: F64) -> float:
    """Where the parabola through three values, -1 to 1, has its top, within half a place; 0 where it has none."""
    bend = values[0] - 2 * values[1] + values[2]
    return float(np.clip(0.5 * (values[0] - values[2]) / bend, -0.5, 0.5)) if bend < 0 else 0.0


def chroma_gradient(of: ChromaSamples) -> F64:
    """(2, 2) how the light's chroma changes across the sensor: slope and curve (Legendre) of u and of v.

    Neighbouring bands of columns show much the same surfaces, so their histograms register; the steps add up to a
    profile, to which the two coefficients are fitted. A coloured wall on one side meets itself and does not
    count as light; where bands have nothing in common the gradient stays small by its prior.
    """
    edges = np.linspace(-1, 1, _BANDS + 1)
    middles = (edges[:-1] + edges[1:]) / 2
    which = np.clip(((of.column + 1) / 2 * _BANDS).astype(int), 0, _BANDS - 1)
    basis = np.stack([middles, 1.5 * middles**2 - 0.5], axis=1)
    found = np.zeros((2, 2))
    prior = np.diag([1 / PALETTE.slope**2, 1 / PALETTE.curve**2])
    for repeat, share in enumerate((PALETTE.reach_first, PALETTE.reach_again)):
        rest = of.moved(gradient_at(found, of.column))
        spectra = [_band(rest, which == k) for k in range(_BANDS)]
        rows, steps, weights = [], [], []
        for lag in (1, 2, 3):
            for k in range(_BANDS - lag):
                one, other = spectra[k + lag], spectra[k]
                if one is None or other is None:
                    continue
                shift = register(one, other, PALETTE.reach * share * lag**0.5)
                rows.append(basis[k + lag] - basis[k])
                steps.append(shift.step)
                # Bands that show other things match badly.
                weights.append(max(shift.match - PALETTE.useless, 0.0) ** 2 * 4)
        if not rows:
            return found
        pull = prior @ found * (repeat > 0)
        found = found + _change(np.array(rows), np.array(steps), np.array(weights), prior, pull)
    return found


def _change(x: F64, y: F64, w: F64, prior: F64, pull: F64) -> F64:
    """(2, 2) coefficients of the steps y (N, 2) on x (N, 2), weights (N,); pull: prior times what was found before."""

    def weigh(change: F64, _: int) -> F64:
        return np.asarray(w / (1 + (np.hypot(*(y - x @ change).T) / PALETTE.step_outlier) ** 2))

    def solve(robust: F64) -> F64:
        normal = x.T @ (robust[:, None] * x) / PALETTE.step_error**2 + prior
        target = x.T @ (robust[:, None] * y) / PALETTE.step_error**2 - pull
        return np.asarray(np.linalg.solve(normal, target), dtype=np.float64)

    return reweighted(solve, weigh, np.zeros((2, 2)), range(PALETTE.fit_steps))[0]


def _band(of: ChromaSamples, inside: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Spectrum | None:
    chroma, weight = of.chroma[inside], of.weight[inside]
    return spectrum(_root(counts(chroma, weight))) if weight.sum() > PALETTE.band_least else None


def gradient_at(gradient: F64, column: F64) -> F64:
    """(N, 2) offsets in chroma of a chroma gradient (2, 2) at columns (N,), -1 to 1 across the sensor.

    The rows of the gradient are factors of the Legendre polynomials 1 and 2, which are zero on average over the frame.
    """
    return np.asarray(np.stack([column, 1.5 * column**2 - 0.5], axis=1) @ gradient)
