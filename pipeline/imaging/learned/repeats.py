"""Texture that repeats (woven cloth, nets, mesh), set aside before a network looks, and put back after.

In a large window it is a few frequencies far above the noise, each alone among its neighbours, where the edges and
textures of other things are spread over many. Such a window is told from noise as a whole, better than a network or a
filter can that judges a pixel by what is near; and what is left is even, which they clean best. What the demosaic and
the average weakened of it is made good. Each colour has a share of its own, one for all frequencies of a window.
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
from pipeline.imaging.learned.texture import frequencies, power_of, response, transfer, window
from pipeline.types import F32, Noise


@dataclass(frozen=True)
class RepeatsConstants:
    """`python -m tests.training.evaluate --web --part woven --part noise`."""

    window: int = 64  # pixels along a side, of the picture of twice the size
    peak: float = 40.0  # times the power of the noise: a frequency that may be one of a texture that repeats
    alone: float = 0.12  # of its power, that others nearby may have
    threshold: float = 30.0  # times the power of the noise: what counts beside a peak
    rest: float = 0.08  # of the power of all peaks: what a window may hold besides,
    hidden: float = 0.12  # and of the power of the noise, which has 0.02 of its own there
    slowest: float = 3.0  # periods in a window: fewer are shading
    coarse: int = 8  # pixels of a cell whose mean is the level about which a texture changes
    share: float = 0.03  # deviation of the colours' shares of a texture, by which they are parted from noise


REPEATS = RepeatsConstants()
_NEAR, _ABOUT = 2, 4  # frequencies beside a peak that are its own; that must be weak beside it
_LEAST_RESPONSE = 0.1
_TINY = 1e-12
_CHANCE = np.float32(4)  # times the power of the noise, below which a frequency is taken for it


def set_aside(twice: F32, noise: Noise, scale: float) -> F32 | None:
    """Take texture that repeats out of `twice` (2H, 2W, 3), camera colour, in place; (H, W, 3) to be added after.

    noise  of its pixels, with its spectrum; scale  its pixels for one of the sensor. None where there is none.
    """
    side = REPEATS.window
    if min(twice.shape[:2]) < 2 * side:
        return None
    strips = _Strips(twice, noise, scale)
    likely = strips.likely()
    if not likely.any():
        return None
    kept = np.zeros((twice.shape[0] // 2, twice.shape[1] // 2, 3), np.float32)
    return kept if strips.part(likely, kept) else None


class _Strips:
    """The picture in rows of windows, each half a window below the one before."""

    def __init__(self, twice: F32, noise: Noise, scale: float) -> None:
        side, self.twice = REPEATS.window, twice
        height, width = twice.shape[:2]
        size = (max(1, width // REPEATS.coarse), max(1, height // REPEATS.coarse))
        coarse = cv2.resize(twice, size, interpolation=cv2.INTER_AREA)
        self.level = np.maximum(cv2.GaussianBlur(coarse, (0, 0), 1, borderType=cv2.BORDER_REFLECT), 1e-6)
        self.a, self.b = (np.maximum(np.nan_to_num(part), 0).astype(np.float32) for part in (noise.a, noise.b))
        self.window, self.half = window(side), side // 2
        self.power = power_of(noise, side) * float((self.window**2).sum())
        self.down, self.across = height // self.half + 2, width // self.half + 2  # windows
        self.responses = _responses(scale, side)
        self.span = (self.across + 1) * self.half

    def shade(self, top: int, rows: int, planes: int = 5) -> F32:
        """Of rows from `top` on, half a window of mirrored columns about them: (5, rows, span); the factor by which all
        colours differ from their level in deviations of the noise, its certainty, and the colours' own factors.

        planes  so many of these: 2 or 5
        """
        out = np.empty((planes, rows, self.span), np.float32)
        _shade(self.twice, self.level, self.a, self.b, top, -self.half, out)
        return out

    def likely(self) -> NDArray[np.bool_]:
        """Which windows are worth a look, by those that do not overlap."""
        found = np.zeros((self.down + 2, self.across + 2), np.bool_)
        for row in range(0, self.down, 2):
            strip = self.shade((row - 1) * self.half, 2 * self.half, 2)[0]
            _, power = self.spectra(_windows(strip, self.half)[::2])
            found[1 + row, 1 : 1 + self.across : 2] = _kept(power).any(axis=(1, 2))
        return np.asarray(cv2.dilate(found.astype(np.uint8), np.ones((3, 3), np.uint8))[1:-1, 1:-1] > 0)

    def spectra(self, windows: F32) -> tuple[NDArray[np.complex64], F32]:
        """Of windows (n, side, side), and their power in that of the noise."""
        found = np.asarray(rfft2(windows * self.window), dtype=np.complex64)
        return found, np.asarray((found.real**2 + found.imag**2) / self.power, dtype=np.float32)

    def part(self, likely: NDArray[np.bool_], kept: F32) -> bool:
        """Take it out of the picture, into `kept`; whether there was any."""
        half, any_of_it = self.half, False
        held = np.zeros((2, 3, 2 * half, self.span), np.float32)  # as seen and as it is; colours; rows
        strip = self.shade(-half, 2 * half)
        for row in range(self.down):
            if row:
                strip[:, :half] = strip[:, half:]
                strip[:, half:] = self.shade(row * half, half)
            here = self._add(strip, row, np.flatnonzero(likely[row]), held) if likely[row].any() else False
            any_of_it |= here
            if held[0, 0, :half].any():
                self._take(strip, held[:, :, :half], (row - 1) * half, kept)
            held[:, :, :half] = held[:, :, half:]
            held[:, :, half:] = 0
        return any_of_it

    def _add(self, strip: F32, row: int, places: NDArray[np.intp], held: F32) -> bool:
        spectra, power = self.spectra(_windows(strip[0], self.half)[places])
        peaks = _kept(power)
        real = np.flatnonzero(peaks.any(axis=(1, 2)))
        green, other, of_all = self.responses
        for place in real:
            texture = spectra[place] * np.where(peaks[place], 1 - 1 / np.maximum(power[place], 1), 0) / of_all
            columns = slice(places[place] * self.half, places[place] * self.half + 2 * self.half)
            of_colours = rfft2(_even(strip[2:, :, columns]) * self.window)
            for colour, left in enumerate((other, green, other)):
                share = self._share(texture * left, of_colours[colour], places[place], row, colour)
                for to, part in zip(held, (texture * left, texture), strict=True):
                    to[colour, :, columns] += share * irfft2(part, s=self.window.shape) * self.window
        return len(real) > 0

    def _share(self, texture: NDArray[Any], seen: NDArray[Any], place: int, row: int, colour: int) -> np.float32:
        """How much of a texture a colour has, against the mean of all: one where noise hides it."""
        energy = float((np.abs(texture) ** 2).sum())
        at = (min(place * self.half // REPEATS.coarse, side - 1)
              for place, side in zip((row, place), self.level.shape[:2], strict=True))  # fmt: skip
        level = self.level[tuple(at)]  # in the middle of the window
        certainty = level**2 / (self.a * level + self.b + _TINY)
        noise = float(certainty.sum() / certainty[colour] * self.power.mean()) / (2 * energy)
        found = float((texture.conj() * seen).real.sum()) / energy
        return np.float32(np.clip(1 + (found - 1) / (1 + noise / REPEATS.share**2), 0, 2))

    def _take(self, strip: F32, held: F32, top: int, kept: F32) -> None:
        """Rows of which no more windows have a part."""
        height, width = (side // 2 * 2 for side in self.twice.shape[:2])
        first, last = max(top, 0), min(top + self.half, height)
        aside = np.zeros((max(last - first, 0), width, 3), np.float32)
        for at in range(first, last):
            row = at - top
            cell, further = _between(at, len(self.level), len(self.twice))
            parts = (self.level, strip[1, row], held[:, :, row], self.half, aside[at - first])
            _take_row(self.twice[at], cell, further, *parts)
        if last > first:
            size = (width // 2, (last - first) // 2)
            kept[first // 2 : last // 2] = cv2.resize(aside, size, interpolation=cv2.INTER_AREA)


def _windows(rows: F32, half: int) -> F32:
    """Of a strip, each half a window after the one before, without bands: (n, side, side)."""
    side = 2 * half
    return _even(np.lib.stride_tricks.sliding_window_view(rows, side, axis=1)[:, ::half].transpose(1, 0, 2))


def _even(windows: F32) -> F32:
    """Without the bands that rows and columns of a sensor leave."""
    even = windows - windows.mean(axis=-1, keepdims=True)
    return np.asarray(even - even.mean(axis=-2, keepdims=True), dtype=np.float32)


@cache
def _responses(scale: float, side: int) -> tuple[F32, F32, F32]:
    """What the demosaic leaves of each frequency of a window, of green, of red and blue, and of all three."""
    down, across = frequencies(side)
    green, other = transfer(down / side, across / side, scale)
    of_all = np.maximum(response(scale, side), _LEAST_RESPONSE)
    return np.asarray(green, np.float32), np.asarray(other, np.float32), np.asarray(of_all, np.float32)


def _between(at: int, count: int, height: int) -> tuple[int, np.float32]:
    """The cell of `count` before a row, and how far it is on the way to the next."""
    place = min(max((at + 0.5) * count / height - 0.5, 0.0), count - 1.0)
    return int(place), np.float32(place - int(place))


def _kept(power: F32) -> NDArray[np.bool_]:
    out = np.zeros(power.shape, np.bool_)
    r = REPEATS
    peak, alone, threshold, rest, hidden, slowest = (
        np.float32(v) for v in (r.peak, r.alone, r.threshold, r.rest, r.hidden, r.slowest)
    )
    _peaks(power, peak, alone, threshold, rest, hidden, slowest, out)
    return out


@compiled(error_model="numpy")
def _place(v: int, u: int, side: int) -> tuple[int, int]:
    """Where a frequency stands in a half spectrum: beyond its edges stand the mirrored ones."""
    if u < 0:
        v, u = -v, -u
    elif u > side // 2:
        v, u = -v, side - u
    return v % side, u


@compiled(error_model="numpy")
def _peaks(
    power: NDArray[Any],
    peak: Any,
    alone: Any,
    threshold: Any,
    rest: Any,
    hidden: Any,
    slowest: Any,
    out: NDArray[np.bool_],
) -> None:
    """Of the power (n, side, side / 2 + 1) of windows, in that of the noise: peaks and what is theirs, where a window
    holds little else."""
    side, columns = power.shape[1], power.shape[2]
    for w in range(power.shape[0]):
        of, to = power[w], out[w]
        whole, any_peak = np.float32(0), False
        for i in range(side):
            down = min(i, side - i)
            for j in range(columns):
                if down * down + j * j < slowest * slowest:
                    continue
                whole += max(of[i, j] - _CHANCE, np.float32(0)) * (1 if j == 0 or j == columns - 1 else 2)
                if of[i, j] <= peak or down == 0 or j == 0:
                    continue
                here = True
                for y in range(-_ABOUT, _ABOUT + 1):
                    for x in range(-_ABOUT, _ABOUT + 1):
                        beside = of[_place(i + y, j + x, side)]
                        far = max(abs(y), abs(x))
                        if (far <= 1 and beside > of[i, j]) or (far > _NEAR and beside >= alone * of[i, j]):
                            here = False
                if here:
                    any_peak = True
                    for y in range(-_NEAR, _NEAR + 1):
                        for x in range(-_NEAR, _NEAR + 1):
                            to[_place(i + y, j + x, side)] = True
        if not any_peak:
            continue
        got = np.float32(0)
        others = whole
        for i in range(side):
            down = min(i, side - i)
            for j in range(columns):
                if not to[i, j]:
                    continue
                twice = 1 if j == 0 or j == columns - 1 else 2
                slow = down * down + j * j < slowest * slowest
                above = np.float32(0) if slow else max(of[i, j] - _CHANCE, np.float32(0)) * twice
                others -= above
                if of[i, j] > threshold and down > 0 and j > 0 and not slow:
                    got += above
                else:
                    to[i, j] = False
        if others > rest * got + hidden * side * side:
            to[:] = False


@compiled(error_model="numpy")
def _shade(
    picture: NDArray[Any], level: NDArray[Any], a: NDArray[Any], b: NDArray[Any], top: int, left: int,
    out: NDArray[Any],
) -> None:  # fmt: skip
    """As `_Strips.shade`, of rows from `top` and columns from `left` on."""
    height, width = picture.shape[0], picture.shape[1]
    cells, across = level.shape[0] - 1, level.shape[1] - 1
    by_row = np.float32(level.shape[0]) / np.float32(height)
    by_column = np.float32(level.shape[1]) / np.float32(width)
    half, zero = np.float32(0.5), np.float32(0)
    for i in range(out.shape[1]):
        y = top + i
        y = -1 - y if y < 0 else y
        y = max(2 * height - 1 - y, 0) if y >= height else y
        v = min(max((np.float32(y) + half) * by_row - half, zero), np.float32(cells))
        up = min(int(v), max(cells - 1, 0))
        low, fy = min(up + 1, cells), v - np.float32(up)
        for j in range(out.shape[2]):
            x = left + j
            x = -1 - x if x < 0 else x
            x = max(2 * width - 1 - x, 0) if x >= width else x
            u = min(max((np.float32(x) + half) * by_column - half, zero), np.float32(across))
            first = min(int(u), max(across - 1, 0))
            second, fx = min(first + 1, across), u - np.float32(first)
            lack, certainty = zero, np.float32(1e-12)
            for c in range(3):
                above = level[up, first, c] + fx * (level[up, second, c] - level[up, first, c])
                below = level[low, first, c] + fx * (level[low, second, c] - level[low, first, c])
                base = above + fy * (below - above)
                weight = base / (a[c] * base + b[c] + np.float32(1e-12))
                off = picture[y, x, c] - base
                lack += weight * off
                certainty += weight * base
                if len(out) > 2:
                    out[2 + c, i, j] = off / base
            root = np.sqrt(certainty)
            out[0, i, j] = lack / root
            out[1, i, j] = root
            for plane in range(2, len(out)):
                out[plane, i, j] *= root


@compiled(error_model="numpy")
def _take_row(
    row: NDArray[Any], cell: int, fy: Any, level: NDArray[Any], root: NDArray[Any], held: NDArray[Any], left: int,
    aside: NDArray[Any],
) -> None:  # fmt: skip
    """Take what is held as seen of a row, and set aside what is held as it is."""
    across, half, zero = level.shape[1] - 1, np.float32(0.5), np.float32(0)
    coarse = np.float32(len(level[0])) / np.float32(len(row))
    below = min(cell + 1, level.shape[0] - 1)
    for j in range(len(aside)):
        u = min(max((np.float32(j) + half) * coarse - half, zero), np.float32(across))
        first = min(int(u), max(across - 1, 0))
        second, fx = min(first + 1, across), u - np.float32(first)
        for c in range(3):
            one = level[cell, first, c] + fx * (level[cell, second, c] - level[cell, first, c])
            other = level[below, first, c] + fx * (level[below, second, c] - level[below, first, c])
            base = (one + fy * (other - one)) / root[left + j]
            row[j, c] -= base * held[0, c, left + j]
            aside[j, c] = base * held[1, c, left + j]
