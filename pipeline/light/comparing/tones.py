"""By how many stops the surfaces that two scenes share are brighter in one: histograms of colour and tone together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.colour import LUMINANCE
from pipeline.light.palette import LOW as CHROMA_LOW
from pipeline.light.palette import ChromaSamples, vertex
from pipeline.types import F64

CELL = 0.16  # chroma, of the histograms of tone: coarse, since lamps move colours against each other by as much
STEP = 0.2  # stops
LOW = -11.8  # log2 green: below what any sensor tells from its noise, and 64 steps reach past saturation
SIZE = (20, 28, 64)
ToneSpectrum = NDArray[np.complex64]  # (20, 28, 65)


@dataclass(frozen=True)
class ToneConstants:
    """How tones are compared. Chosen by trial on generated halls (python -m tests.evenness); no source. That each one
    matters: `pytest tests/test_constants.py`.

    smoothing  cells of chroma and steps of tone, standard deviation of the blur
    darkest    stops by which the luminance of a colour may lie below its green, at most: what lies lower is noise
    coloured   chroma, natural log, of a balanced colour that says less than a neutral one, by 1 to the root of 2: lamps
               make colours brighter and darker against white, and the more so the more colour they have
    """

    smoothing: float = 1.0
    darkest: float = 3.0
    coloured: float = 0.5


TONES = ToneConstants()


def tone_histogram(of: ChromaSamples) -> NDArray[np.uint8]:
    """(20, 28, 64) smoothed root histogram of the samples' coarse chroma and log2 green, 255 where it is fullest.

    Two surfaces of one colour, a white shirt and a grey wall, have peaks of their own in it.
    """
    from scipy.ndimage import gaussian_filter

    at = np.column_stack([(of.chroma - CHROMA_LOW) / CELL, (of.green - LOW) / STEP]) - 0.5
    inside = ((at >= 0) & (at < np.array(SIZE) - 1)).all(axis=1)
    at, weight = at[inside], of.weight[inside]
    low = at.astype(np.int64)
    part = at - low
    sums = np.zeros(SIZE)
    for corner in np.ndindex(2, 2, 2):  # weights are shared between neighbours, so that a shift of part of a bin shows
        share = np.prod(np.where(corner, part, 1 - part), axis=1)
        place = np.ravel_multi_index(tuple((low + corner).T), SIZE)
        sums += np.bincount(place, weight * share, minlength=sums.size).reshape(SIZE)
    root = np.sqrt(np.maximum(gaussian_filter(sums, TONES.smoothing), 0))
    most = float(root.max())
    return np.round(root * (255 / most)).astype(np.uint8) if most > 0 else np.zeros(SIZE, np.uint8)


@dataclass(frozen=True)
class AsShown:
    """What balance makes of each cell's colour, (20, 28) both: stops by which its luminance lies above its green, and
    how much it says of the light's level, 1 where it is neutral and less the more colour it has."""

    stops: F64
    say: F64


def as_shown(gains: F64, to_working: F64) -> AsShown:
    """Of the cells of a tone_histogram. gains  (3,) multipliers on top of daylight's, green = 1; to_working  (3, 3) for
    balanced colour"""
    u, v = (CHROMA_LOW[k] + CELL * (np.arange(SIZE[k]) + 0.5) for k in (0, 1))
    chroma = np.hypot(u[:, None] + np.log(gains[0] / gains[1]), v[None, :] + np.log(gains[2] / gains[1]))
    colour = np.ones((SIZE[0], SIZE[1], 3))
    colour[..., 0], colour[..., 2] = gains[0] * np.exp(u)[:, None], gains[2] * np.exp(v)[None, :]
    light = colour @ (LUMINANCE @ to_working)
    stops = np.log2(np.maximum(light, 2.0**-TONES.darkest))
    return AsShown(np.asarray(stops), np.asarray(1 / np.hypot(1, chroma / TONES.coloured)))


def tone_spectrum(histogram: NDArray[np.uint8], shown: AsShown | None = None) -> ToneSpectrum:
    """The transform along tone of a tone_histogram, to be kept where it is compared often.

    shown  None: by green, all colours alike
    """
    spectra = np.fft.rfft(histogram.astype(np.float32), 2 * SIZE[2], axis=2)
    if shown is not None:
        turn = np.arange(SIZE[2] + 1) * (-np.pi / SIZE[2])
        spectra = spectra * shown.say[..., None] * np.exp(1j * (shown.stops / STEP)[..., None] * turn)
    return np.asarray(spectra, dtype=np.complex64)


@dataclass(frozen=True)
class Brighter:
    """Stops by which the surfaces that two scenes share are brighter in the first, and how well they match there,
    0 to 1."""

    stops: float
    match: float


def brighter(one: ToneSpectrum, other: ToneSpectrum, step: F64) -> Brighter:
    """How the surfaces of two scenes (two tone_spectrum) compare, `step` (2,) being the first one's shift of chroma.

    Colours are laid on each other by the step, then all of them are moved along tone together until they match best:
    one surface says as much as another of its size, and one that only one scene shows says nothing. No stops and no
    match where nothing is shared.
    """
    moved = _moved(other, step / CELL)
    energy = _energy(one) * _energy(moved)
    if energy <= 0:
        return Brighter(0.0, 0.0)
    match = np.fft.irfft((one * np.conj(moved)).sum(axis=(0, 1)), 2 * SIZE[2])
    best = int(np.argmax(match))
    lag = best if best < SIZE[2] else best - len(match)
    near = match[np.arange(best - 1, best + 2) % len(match)]
    return Brighter(STEP * (lag + vertex(near)), float(match[best] / np.sqrt(energy)))


def _moved(spectra: ToneSpectrum, by: F64) -> ToneSpectrum:
    """Moved by `by` (2,) cells of chroma, shared between the four nearest; what leaves the histogram is lost."""
    out = np.zeros_like(spectra)
    whole = np.floor(by).astype(int)
    part = by - whole
    rows, columns = spectra.shape[:2]
    for i, j in np.ndindex(2, 2):
        du, dv = int(whole[0]) + i, int(whole[1]) + j
        if abs(du) >= rows or abs(dv) >= columns:
            continue
        share = np.float32((part[0] if i else 1 - part[0]) * (part[1] if j else 1 - part[1]))
        to = out[max(du, 0) : rows + min(du, 0), max(dv, 0) : columns + min(dv, 0)]
        to += share * spectra[max(-du, 0) : rows + min(-du, 0), max(-dv, 0) : columns + min(-dv, 0)]
    return out


def _energy(spectra: ToneSpectrum) -> float:
    """Sum of the squares of what was transformed (Parseval)."""
    power = (spectra.real**2 + spectra.imag**2).sum(axis=(0, 1), dtype=np.float64)
    return float((2 * power.sum() - power[0] - power[-1]) / (2 * SIZE[2]))
