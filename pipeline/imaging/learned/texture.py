"""Texture that repeats (woven cloth, nets, mesh) and that a network took for noise: found in what it took, given back.

A network judges a pixel by its surroundings. Noise spreads evenly over the frequencies of a large window, where a
texture that repeats is a few strong ones: what stands out there is no noise, however weak it is in a pixel. Only what
is shade (all colours changed by one factor) is given back, since false colour of a demosaic is not; and only what makes
a frequency stronger, so that what a picture has beyond its finest frequency is not taken for an error of this one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft2, rfft2

from pipeline.imaging.compiled import compiled
from pipeline.types import F32, F64, Noise


@dataclass(frozen=True)
class TextureConstants:
    """`python -m tests.training.evaluate --web --part woven --part noise`."""

    window: int = 64  # pixels along a side; with 32 cloth gains a third less
    # Times the power of the noise: chance exceeds it once in exp(threshold). With 9, and noise told 30 % too low, one
    # photograph loses 0.4 dB.
    threshold: float = 12.0
    slowest: float = 3.0  # periods in a window: fewer are shading


TEXTURE = TextureConstants()
_TAPS = 2  # of the kernel that is the demosaic, on each side


def give_back(clean: F32, noisy: F32, noise: Noise, scale: float) -> None:
    """Put back into `clean` (H, W, 3), camera colour, what stands out of the noise in all that it lacks of `noisy`.

    noisy: bilinear demosaic averaged by area; noise of it, with its spectrum; scale  its pixels for one of the sensor's
    """
    side, (height, width) = TEXTURE.window, clean.shape[:2]
    if min(height, width) < side:
        return
    took, has, sure = (np.empty((height, width), np.float32) for _ in range(3))
    _shades(
        clean, noisy, _as_seen(clean, scale), noise.a.astype(np.float32), noise.b.astype(np.float32), took, has, sure
    )
    weights, repeating = window(side), _repeating(side, TEXTURE.slowest)
    power = power_of(noise, side) * float((weights**2).sum())
    stronger = np.float32(1) / response(scale, side)
    half = side // 2
    about = ((half, 2 * half - height % half), (half, 2 * half - width % half))
    took, has = np.pad(took, about, mode="symmetric"), np.pad(has, about, mode="symmetric")
    out = np.zeros_like(took)
    for top in range(0, took.shape[0] - side + 1, half):
        lacks = _spectra(took[top : top + side], weights)
        found = np.abs(lacks) ** 2
        real = (found > TEXTURE.threshold * power) & repeating
        places = np.flatnonzero(real.any(axis=(1, 2)))
        if not len(places):
            continue
        lacks, found, real = lacks[places], found[places], real[places]
        shows = _spectra(has[top : top + side], weights, places)
        real &= np.abs(shows + lacks) > np.abs(shows)
        share = np.where(real, 1 - power / np.maximum(found, power), 0) * stronger
        parts = irfft2(lacks * share.astype(np.float32), s=(side, side)) * weights
        for place, part in zip(places, parts, strict=True):
            out[top : top + side, place * half : place * half + side] += part
    change = out[half : half + height, half : half + width] / sure
    clean *= np.maximum(1 + change, 0)[..., None]


def _spectra(rows: F32, weights: F32, places: NDArray[np.intp] | slice = slice(None)) -> NDArray[np.complex64]:
    """Of the windows along a strip of rows, each half a window after the one before: (n, side, side // 2 + 1).

    places  which of them.

    Without the bands that rows and columns of a sensor leave, whose edges the window would spread.
    """
    side = len(rows)
    windows = np.lib.stride_tricks.sliding_window_view(rows, side, axis=1)[:, :: side // 2].transpose(1, 0, 2)[places]
    even = windows - windows.mean(axis=2, keepdims=True)
    even -= even.mean(axis=1, keepdims=True)
    return np.asarray(rfft2(even * weights), dtype=np.complex64)


@cache
def window(side: int) -> F32:
    """(side, side): its square sums up to 1 where windows overlap by half."""
    line = np.sin(np.pi * (np.arange(side) + 0.5) / side)
    return np.outer(line, line).astype(np.float32)


def frequencies(side: int) -> tuple[F64, F64]:
    """Periods in a window of each coefficient, down (side, 1) and across (1, side // 2 + 1)."""
    return np.abs(np.fft.fftfreq(side, 1 / side))[:, None], np.arange(side // 2 + 1.0)[None]


@cache
def _repeating(side: int, slowest: float) -> NDArray[np.bool_]:
    """Which coefficients are no shading, and no bands."""
    down, across = frequencies(side)
    return np.asarray((np.hypot(down, across) >= slowest) & (down > 0) & (across > 0))


def power_of(noise: Noise, side: int) -> F32:
    """(side, side // 2 + 1) relative power of the noise, of what its DCT has."""
    down, across = frequencies(side)
    if noise.spectrum is None:
        return np.ones((side, side // 2 + 1), np.float32)
    x, y = (np.broadcast_to(axis * (16 / side), (side, side // 2 + 1)).astype(np.float32) for axis in (across, down))
    of = np.asarray(noise.spectrum[0], dtype=np.float32)
    spread = cv2.remap(of, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.maximum(np.asarray(spread, dtype=np.float32), np.float32(0.02))


def transfer(down: F64, across: F64, scale: float) -> tuple[F64, F64]:
    """What the bilinear demosaic leaves of green, and of red and blue; periods in a pixel of the averaged picture."""
    y, x = (np.cos(2 * np.pi * scale * axis) for axis in (down, across))
    return (2 + y + x) / 4, (1 + y) * (1 + x) / 4


@cache
def response(scale: float, side: int) -> F32:
    """The same in a window, of all three colours."""
    down, across = frequencies(side)
    green, other = transfer(down / side, across / side, scale)
    return np.asarray((green + 2 * other) / 3, dtype=np.float32)


@cache
def _kernels(scale: float) -> tuple[F32, F32]:
    """Small kernels with nearly that transfer, by least squares over all frequencies."""
    axis = np.linspace(0, 0.5, 33)
    wanted = transfer(axis[:, None], axis[None], scale)
    waves = np.cos(2 * np.pi * axis[:, None] * np.arange(_TAPS + 1)) * np.where(np.arange(_TAPS + 1), 2, 1)
    solve = np.linalg.pinv(waves)
    at = np.abs(np.arange(-_TAPS, _TAPS + 1))
    green, other = ((solve @ each @ solve.T)[at[:, None], at] for each in wanted)
    return np.asarray(green / green.sum(), np.float32), np.asarray(other / other.sum(), np.float32)


def _as_seen(clean: F32, scale: float) -> F32:
    """What the bilinear demosaic would have made of it."""
    green, other = _kernels(scale)
    planes = [
        cv2.filter2D(np.ascontiguousarray(clean[..., c]), -1, kernel, borderType=cv2.BORDER_REFLECT_101)
        for c, kernel in enumerate((other, green, other))
    ]
    return np.stack(planes, axis=-1)


@compiled(error_model="numpy")
def _shades(
    clean: NDArray[Any], noisy: NDArray[Any], seen: NDArray[Any], a: NDArray[Any], b: NDArray[Any],
    took: NDArray[Any], has: NDArray[Any], sure: NDArray[Any],
) -> None:  # fmt: skip
    """Of each pixel the factor by which noisy differs from seen, and that of seen itself, as sure as its colours tell
    together, in deviations of the noise; sure  how many deviations count as a factor of one, more where it is dark:
    black has no shade."""
    zero, one, least = np.float32(0), np.float32(1), np.float32(1e-12)
    for i in range(clean.shape[0]):
        for j in range(clean.shape[1]):
            lack, whole, certainty = zero, zero, least
            for c in range(3):
                y = max(clean[i, j, c], zero)
                weight = y / (a[c] * y + b[c] + least)
                lack += weight * (noisy[i, j, c] - seen[i, j, c])
                whole += weight * seen[i, j, c]
                certainty += weight * y
            root = np.sqrt(certainty)
            took[i, j] = lack / root
            has[i, j] = whole / root
            sure[i, j] = (certainty + one) / root
