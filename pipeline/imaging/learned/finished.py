"""A noisy finished picture (JPEG, TIFF, PNG) to a clean one, by a trained network that is told its measured noise.

What it is told, and the domain it works in, are told.py's. Its corrections are in deviations of that noise, so where
none was measured a picture stays as it is. It finds noise that was not told, too, which helps where little could be
measured; but grain of the scene looks like that, so what it takes is bounded by what was measured, where that is weak.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.compiled import compiled
from pipeline.imaging.learned import told
from pipeline.imaging.learned.runtime import FINISHED, network
from pipeline.imaging.learned.tiles import Part, Settings, in_tiles, mixed, seen, with_luma_of
from pipeline.types import F32, F64, Noise

if TYPE_CHECKING:
    from pipeline.imaging.learned.network import Network


@dataclass(frozen=True)
class FinishedConstants:
    """How much of what the network takes is taken: `python -m tests.jpeg_noise --quality learned --clean`."""

    # Power of the difference of two looks (network.py) over that of their mean, about a pixel: the network is sure of
    # noise that it knows (0.02 to 0.06 at ISO 6400), and less of texture (0.2 to 2 in photographs without noise).
    # Deviations of the noise as told, that what is taken about a pixel may be, by how far the looks are apart: of more,
    # less and less is taken, by the square. Grain of the scene is more; where texture hides noise, less of that is told
    # than there is.
    apart: tuple[float, float] = (0.045, 0.07)
    most: tuple[float, float] = (2.2, 1.6)
    # Share that is taken by how far they are apart, of what is so many codes or more (from where on a part, then all of
    # it), in a picture that no camera is known to have made: noise that the network hardly knows.
    doubtful: tuple[float, float, float] = (0.05, 0.1, 0.2)
    doubted: tuple[float, float, float] = (1.0, 0.62, 0.45)
    strong: tuple[float, float] = (1.5, 3.0)
    # 8-bit codes that are taken about a pixel: from where on all is, and below which so large a part: less than a step
    # is seldom noise.
    whole: float = 2.5
    least: float = 0.3
    faint: float = 0.15
    around: float = 6.0  # cells, deviation of what counts as about a pixel
    # Part that is taken where the colours of a coloured picture show no noise, and from where on all is: natural
    # logarithms of their power over luma's. Cameras smooth colour, to -5 in a real burst; without any, luma's may be
    # leaves in the dark.
    luma_alone: float = 0.5
    coloured: tuple[float, float] = (-9.0, -6.5)
    # Deviations below white, up to where a place gets no lighter than noise made it darker by being cut off there, and
    # from where on it may: a tone curve that bends there makes it darker too, and the network has learnt that.
    cut_off: tuple[float, float] = (3.0, 5.0)
    # Most cells of a tile, down and across: few see a picture of 2048 pixels.
    tile: tuple[int, int] = (400, 1040)
    overlap: int = 40  # cells about a tile that are seen: tests/imaging/learned/test_finished.py finds no seam


LEARNED_FINISHED = FinishedConstants()
_SOFT = told.SOFT
_LUMA = np.array([0.299, 0.587, 0.114], np.float32)  # ITU-R BT.601
_BAND = 32  # rows
_ABOUT = 12  # cells about one, twice their deviation, that count as about it
_FAINTEST = 3e-4  # deviation in sRGB that stands for less
_GREY = 1.5 / 255  # between the channels of a picture without colours, rounded by a JPEG
_APART = 16  # pixels, of which one is looked at for that
_ALONG = np.cos(np.pi * np.arange(8) / 16) ** 2  # power of a coefficient that the mean of two pixels keeps


def learned_picture(
    pixels: F32, noise: Noise, settings: Settings, by: Network | None = None, of_camera: bool = True
) -> F32:
    """Linear (H, W, 3) -> the same, clean. noise  as picture_noise.py measures it; by  other weights.

    of_camera  whether a camera is known to have made the noise.

    Raises FrameError where the weights are damaged.
    """
    if not np.isfinite(pixels).all():
        pixels = np.nan_to_num(pixels, nan=0.0, posinf=0.0, neginf=0.0)
    work = _Work(pixels, noise, settings, network(FINISHED) if by is None else by, of_camera)
    return in_tiles(0, 0, pixels.shape[0], pixels.shape[1], work.tile, LEARNED_FINISHED.tile)


def share_taken(deviations: F32, codes: F32, apart: F32, of_camera: bool = True) -> F32:
    """0 to 1, of what the network takes: root mean square about a pixel in deviations as told, and in 8-bit codes; and
    the power of what two looks differ by over that of their mean."""
    c, log = LEARNED_FINISHED, np.log(np.maximum(apart, np.float32(1e-6)))
    most = np.interp(log, np.log(c.apart), c.most)
    share = np.minimum(1, (most / np.maximum(deviations, most)) ** 2) * np.interp(
        codes, (c.least, c.whole), (c.faint, 1)
    )
    if not of_camera:
        doubt = 1 - np.interp(log, np.log(c.doubtful), c.doubted)
        share *= 1 - doubt * np.interp(codes, c.strong, (0, 1))
    return np.asarray(share, dtype=np.float32)


def part_believed(luma: F64, colour: F64) -> float:
    """0 to 1, of what the network takes of a picture with colours: as `bands` has its noise."""
    c = LEARNED_FINISHED
    smoothed = np.log(max(colour.sum(), 1e-9) / max(luma.sum(), 1e-9))
    return float(np.interp(smoothed, c.coloured, (c.luma_alone, 1)))


def cut_at_white(below: F32) -> F32:
    """Deviations by which noise of one, cut off at white, makes a place darker that then lies so many below white."""
    true = np.linspace(0, 6, 301)
    tail = np.array([0.5 * math.erfc(z / 2**0.5) for z in true])
    darker = np.exp(-(true**2) / 2) / (2 * np.pi) ** 0.5 - true * tail  # the mean of what a Gaussian has beyond
    return np.asarray(np.interp(below, true + darker, darker), dtype=np.float32)


class _Work:
    """What the tiles of a picture share."""

    def __init__(self, pixels: F32, noise: Noise, settings: Settings, by: Network, of_camera: bool = True) -> None:
        assert noise.levels is not None
        self.pixels, self.settings, self.network, self.of_camera = pixels, settings, by, of_camera
        self.white = noise.levels[0, :, -1].astype(np.float32)
        luma, colour = bands(noise)
        self.numbers = told.numbers(luma[None], colour[None], np)[0].astype(np.float32)
        signal, variance = (part[1] / self.white[1] ** power for part, power in zip(noise.levels, (1, 2), strict=True))
        slope = np.where(signal <= 0.0031308, 12.92, 1.055 / 2.4 * np.maximum(signal, 1e-6) ** (1 / 2.4 - 1))
        some = encoded(pixels[::_APART, ::_APART] / self.white)
        self.grey = bool(np.ptp(some, axis=-1).max() < _GREY)
        self.believed = 1.0 if self.grey else part_believed(luma, colour)
        total = float(((luma + 2 * colour) / 3).sum())
        self.at = encoded(signal.astype(np.float32)).astype(np.float64)
        self.deviation = np.sqrt(total * variance) * slope

    def tile(self, top: int, left: int, low: int, right: int) -> F32:
        """(2 (low - top), 2 (right - left), 3) of cells [top, low) x [left, right)."""
        (rows, up), (columns, aside) = (
            seen(first, last, side, 2, LEARNED_FINISHED.overlap, self.network.sides)
            for first, last, side in zip((top, left), (low, right), self.pixels.shape[:2], strict=True)
        )
        up, aside = up // 2, aside // 2
        part = Part(up, aside, up + low - top, aside + right - left)
        v = _in_bands(len(rows), lambda y: encoded(self.pixels[rows[y, None], columns] / self.white))
        inner = v[2 * part.top : 2 * part.low, 2 * part.left : 2 * part.right]
        levels, (luma, chroma) = self.settings.levels, self.settings.stays
        clean = self._look(v, levels[0], part)
        if levels[1] != levels[0]:
            clean = with_luma_of(clean, self._look(v, levels[1], part), _LUMA)
        luma += self.settings.keep_grain * (1 - luma)
        if luma > 0 or chroma > 0:
            clean = mixed(clean, inner, luma, chroma, _LUMA)
        return _in_bands(len(clean), lambda y: _decoded(clean[y]) * self.white)

    def _look(self, v: F32, level: float, part: Part) -> F32:
        """(H, W, 3) of sRGB, all that is seen -> a part of it, clean; `level` times the deviation of noise is told."""
        height, width = v.shape[0] // 2, v.shape[1] // 2
        cells = np.asarray(cv2.resize(v, (width, height), interpolation=cv2.INTER_AREA), dtype=np.float32)
        near = _boxed(cells, told.NEAR)
        grey = _grey(near)
        d = (self.deviation_of(grey) * level).astype(np.float32)
        inner = v[2 * part.top : 2 * part.low, 2 * part.left : 2 * part.right]
        if d.max() < told.LEAST:  # no more than rounding to 8 bits is left as it is
            return inner
        into = self.network.cells(height, width)
        even = np.empty((height, width), np.float32)
        _see(v, cells, near, _boxed(near, told.FAR), d, np.float32(told.LEAST), into, even)
        into[..., 21] = told.level(d, np)
        into[..., 22:] = self.numbers
        wide = Part(max(0, part.top - _ABOUT), max(0, part.left - _ABOUT),
                    min(height, part.low + _ABOUT), min(width, part.right + _ABOUT))  # fmt: skip
        found, other = self.network.looks(wide)
        differ = _square(2 * (found - other))  # they are halves
        found += other
        if self.grey:  # no colour comes in
            found = np.repeat(_grey(found)[..., None], 3, axis=2)
        own = (slice(wide.top, wide.low), slice(wide.left, wide.right))
        d = d[own]
        power, differ = (_about(_halved(one)) for one in (_square(found), differ))
        about = np.sqrt(power)
        worth = told.worth(d, np)
        apart = np.asarray(differ / np.maximum(power, np.float32(1e-12)), dtype=np.float32)
        worth *= share_taken(about * (worth / d), about * worth * 255, apart, self.of_camera)
        worth *= self.believed
        worth *= 1 - even[own]
        lighter = _too_light(found, worth, grey[own], d)
        _correct(found, worth, lighter, v[2 * wide.top :, 2 * wide.left :])
        up, aside = 2 * (part.top - wide.top), 2 * (part.left - wide.left)
        return found[up : up + len(inner), aside : aside + inner.shape[1]]

    def deviation_of(self, grey: F32) -> F64:
        """Of the noise in sRGB, where the picture is so bright."""
        return np.asarray(np.maximum(np.interp(grey, self.at, self.deviation), _FAINTEST))


def bands(noise: Noise) -> tuple[F64, F64]:
    """(SCALES,) each: power of the detail within 2x2 pixels of each size, of luma and of the mean of two colours."""
    assert noise.spectrum is not None
    kept = np.outer(_ALONG, _ALONG)
    power = (noise.spectrum[: told.SCALES] * (1 - kept)).mean(axis=(2, 3))
    return power[:, 0], power[:, 1:].mean(axis=1)


def _too_light(found: F32, worth: F32, grey: F32, d: F32) -> F32:
    """(h, w): by how much a correction (2h, 2w, 3) makes places about white lighter than they can have been.

    worth  of a correction of 1 in sRGB; grey  of sRGB about each cell; d  deviation of the noise there
    """
    below = (1 - grey) / d
    part = np.asarray(np.interp(below, LEARNED_FINISHED.cut_off, (1, 0)), dtype=np.float32)
    if not part.any():
        return part
    small = worth * _halved(_grey(found))
    return np.asarray(part * np.maximum(_about(small) - d * cut_at_white(below), 0), dtype=np.float32)


def _halved(plane: F32) -> F32:
    size = (plane.shape[1] // 2, plane.shape[0] // 2)
    return np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _about(cells: F32) -> F32:
    size = (2 * _ABOUT + 1, 2 * _ABOUT + 1)
    found = cv2.GaussianBlur(cells, size, LEARNED_FINISHED.around, borderType=cv2.BORDER_REFLECT_101)
    return np.asarray(found, dtype=np.float32)


def _boxed(cells: F32, side: int) -> F32:
    return np.asarray(cv2.blur(cells, (side, side), borderType=cv2.BORDER_REFLECT_101), dtype=np.float32)


def encoded(light: F32) -> F32:
    """sRGB (IEC 61966-2-1), going on beyond 0 and 1."""
    root = np.maximum(light, np.float32(1e-6)) ** np.float32(1 / 2.4)
    return np.where(
        light <= np.float32(0.0031308), np.float32(12.92) * light, np.float32(1.055) * root - np.float32(0.055)
    )


def _decoded(v: NDArray[np.float32]) -> F32:
    power = ((np.maximum(v, np.float32(0)) + np.float32(0.055)) / np.float32(1.055)) ** np.float32(2.4)
    return np.where(v <= np.float32(0.04045), v / np.float32(12.92), power)


def _in_bands(rows: int, made: Callable[[NDArray[np.int64]], F32]) -> F32:
    """A picture of so many rows, made some at a time: what comes between stays near the processor."""
    every = np.arange(rows)
    first = made(every[:_BAND])
    out = np.empty((rows, *first.shape[1:]), np.float32)
    out[:_BAND] = first
    for y in range(_BAND, rows, _BAND):
        out[y : y + _BAND] = made(every[y : y + _BAND])
    return out


@compiled(error_model="numpy")
def _see(
    v: F32, cells: F32, near: F32, far: F32, d: F32, least: Any, out: NDArray[Any], even: F32
) -> None:  # fmt: skip
    """The planes that are differences and means; even (h, w)  1 where nothing differs, else 0."""
    one, soft = np.float32(1), np.float32(_SOFT)
    for i in range(cells.shape[0]):
        for j in range(cells.shape[1]):
            floor = max(d[i, j], least)
            most = np.float32(0)
            for c in range(3):
                mean, about = cells[i, j, c], near[i, j, c]
                for q in range(4):
                    x = (v[2 * i + q // 2, 2 * j + q % 2, c] - mean) / floor
                    most = max(most, abs(x))
                    out[i, j, 4 * c + q] = x / (one + abs(x) / soft)
                x = (mean - about) / floor
                most = max(most, abs(x))
                out[i, j, 12 + c] = x / (one + abs(x) / soft)
                x = (about - far[i, j, c]) / floor
                out[i, j, 15 + c] = x / (one + abs(x) / soft)
                out[i, j, 18 + c] = mean
            even[i, j] = np.float32(most < np.float32(1e-3))


@compiled(error_model="numpy")
def _grey(x: F32) -> F32:
    """(H, W, 3) -> (H, W), the mean."""
    out = np.empty(x.shape[:2], np.float32)
    for i in range(x.shape[0]):
        for j in range(x.shape[1]):
            out[i, j] = (x[i, j, 0] + x[i, j, 1] + x[i, j, 2]) / np.float32(3)
    return out


@compiled(error_model="numpy")
def _square(x: F32) -> F32:
    """(H, W, 3) -> (H, W), the mean square."""
    out = np.empty(x.shape[:2], np.float32)
    for i in range(x.shape[0]):
        for j in range(x.shape[1]):
            out[i, j] = (x[i, j, 0] * x[i, j, 0] + x[i, j, 1] * x[i, j, 1] + x[i, j, 2] * x[i, j, 2]) / np.float32(3)
    return out


@compiled(error_model="numpy")
def _correct(found: F32, worth: F32, off: F32, v: F32) -> None:
    """found (2h, 2w, 3) times worth (h, w), less off, and v from its first pixel on, in place."""
    for i in range(found.shape[0]):
        for j in range(found.shape[1]):
            for c in range(3):
                found[i, j, c] = found[i, j, c] * worth[i // 2, j // 2] - off[i // 2, j // 2] + v[i, j, c]
