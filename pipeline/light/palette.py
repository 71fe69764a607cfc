"""The colours of a scene as samples of log chroma, where a change of light is a translation.

u = ln(R/G), v = ln(B/G) of camera-linear values. A lamp of another colour moves every neutral surface by the same step
and the others by nearly the same (Barron, "Convolutional Color Constancy", ICCV 2015, for the idea). So the same hall
seen twice registers, and the change of one lamp's share from side to side shows as a gradient of its chroma
(light.mixing).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.light.highlights import usable
from pipeline.types import F32, F64, Image

STEP = 0.04  # of the histograms, in natural log; smoothed by one step, so that a vertex is found to a twentieth
LOW = np.array([-1.6, -3.2])  # relative to daylight: high-pressure sodium on a wood floor lies at v = -2.5
SIZE = (80, 112)
_PADDED = (128, 160)


@dataclass(frozen=True)
class PaletteConstants:
    """How colours are sampled and compared. Chroma in natural log.

    No published values exist. Chosen by trial on drawn halls under published lamps: `pytest tests/light/test_palette.py
    tests/light/test_even_light.py`. That each one matters: `pytest tests/test_constants.py`.
    """

    floor: float = 0.003  # of saturation; below it a pixel's colour is noise
    noisy: float = 0.06  # chroma, standard deviation of a pixel by noise at which it counts half
    pixels: int = 40_000  # of a burst that are looked at
    smoothing: float = 1.0  # bins, standard deviation of the histogram's blur
    bright_quantile: float = 0.9  # of green, that luminance is relative to
    pull: float = 0.1  # a chroma of 1, off match: breaks ties between equal matches in favour of no change


PALETTE = PaletteConstants()


Spectrum = np.ndarray[tuple[int, int], np.dtype[np.complex128]]


@dataclass(frozen=True)
class ChromaSamples:
    """Pixels of one or more pictures of the same scene.

    chroma (N, 2) relative to daylight; weight (N,); column (N,) from -1 to 1 across, row (N,) down the upright picture;
    luminance (N,) relative to the brightest tenth of its picture; green (N,) log2.
    """

    chroma: F64
    weight: F64
    column: F64
    row: F64
    luminance: F64
    green: F64

    def moved(self, shift: F64) -> ChromaSamples:
        """With (2,) or (N, 2) taken off the chroma."""
        return replace(self, chroma=self.chroma - shift)

    @property
    def total(self) -> float:
        """Pixels' worth of weight."""
        return float(self.weight.sum())


def chroma_samples(pictures: Sequence[tuple[F32, Image, float, float]], daylight: F64) -> ChromaSamples:
    """The samples of some pictures.

    pictures: evened (H, W, 3) pixels with the image they came from (which knows noise and saturation), upright, and
    by how much of half a width the scene has moved right and by how much it is larger; daylight: (3,) multipliers of
    daylight.
    """
    parts = []
    start = np.log(daylight)[[0, 2]] - np.log(daylight[1])
    thin = max(1, sum(p.shape[0] * p.shape[1] for p, *_ in pictures) // PALETTE.pixels)
    for pixels, image, pan, zoom in pictures:
        good = usable(image.pixels, image.saturation, PALETTE.floor)
        if thin > 1:  # every so many pixels of a burst say as much as all of them
            good &= np.arange(good.size).reshape(good.shape) % thin == 0
        x = pixels[good].astype(np.float64)
        raw = image.pixels[good].astype(np.float64)
        logs = np.log(np.maximum(x, 1e-6))
        noise = (image.noise.a * raw + image.noise.b) / raw**2
        down, across = ((np.arange(n) + 0.5) / n * 2 - 1 for n in good.shape)
        columns, rows = (np.broadcast_to(at, good.shape)[good] for at in ((across - pan) / zoom, down[:, None] / zoom))
        luminance = x[:, 1] / max(float(np.quantile(x[:, 1], PALETTE.bright_quantile)) if len(x) else 1.0, 1e-6)
        chroma = np.stack([logs[:, 0] - logs[:, 1], logs[:, 2] - logs[:, 1]], axis=1) + start
        weight = 1 / (1 + (noise[:, 1] + np.maximum(noise[:, 0], noise[:, 2])) / PALETTE.noisy**2)
        parts.append((chroma, weight, columns, rows, luminance, logs[:, 1] / np.log(2)))
    return ChromaSamples(*(np.concatenate(p) for p in zip(*parts, strict=True)))


def histogram(of: ChromaSamples) -> F64:
    """(80, 112) smoothed root histogram of unit energy: the root keeps a floor from ruling by its area alone."""
    return root_histogram(counts(of.chroma, of.weight))


def root_histogram(binned: F64) -> F64:
    """Counts (80, 112) as a smoothed root of unit energy."""
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
    inside, factors = _within(reach, PALETTE.pull)
    i, j = (int(n) for n in np.unravel_index(inside[np.argmax(match.ravel()[inside] * factors)], _PADDED))
    rows, columns = np.arange(i - 1, i + 2) % _PADDED[0], np.arange(j - 1, j + 2) % _PADDED[1]
    step = STEP * np.array([
        _signed(i, _PADDED[0]) + vertex(match[rows, j]), _signed(j, _PADDED[1]) + vertex(match[i, columns])
    ])  # fmt: skip
    return Shift(step, float(match[i, j]))


def correlation(one: F64, other: F64) -> F64:
    """(128, 160) sum over all bins of `one` at a bin times `other` at that bin less a shift, by shift in bins; negative
    shifts at the end. Both (80, 112)."""
    return np.asarray(np.fft.irfft2(spectrum(one) * np.conj(spectrum(other)), _PADDED))


@lru_cache(maxsize=64)
def _within(reach: float, pull: float) -> tuple[NDArray[np.intp], F64]:
    """The places of a correlation, as if it were flat, of shifts within `reach`, and what a match counts there."""
    u, v = (STEP * _signed(np.arange(size), size) for size in _PADDED)
    distance = np.hypot(u[:, None], v[None, :]).ravel()
    inside = np.flatnonzero(distance <= reach)
    return inside, 1 - pull * distance[inside]


def _signed(place: NDArray[np.intp] | int, size: int) -> NDArray[np.intp]:
    """Places of a transform of `size` as steps forwards and backwards."""
    return np.asarray((place + size // 2 - 1) % size - size // 2 + 1)


def vertex(values: F64) -> float:
    """Where the parabola through three values, -1 to 1, has its top, within half a place; 0 where it has none."""
    bend = values[0] - 2 * values[1] + values[2]
    return float(np.clip(0.5 * (values[0] - values[2]) / bend, -0.5, 0.5)) if bend < 0 else 0.0
