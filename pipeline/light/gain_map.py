"""Gain maps: gains that vary smoothly over a frame, as a few coefficients.

A gain map is a polynomial in place: Legendre products of the sensor row (a shutter exposes row after row, so the
flicker of the lamps is a function of the row) and the sensor column (two lamps mix from side to side).
Its values are stops (log2 of a gain) per channel.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from pipeline.imaging.geometry import Box
from pipeline.imaging.orientation import Orientation
from pipeline.types import F32, F64, Image, JsonValue, Part

_NOTHING = 0.0005  # stops
_COARSE = 64  # gains are worked out at this many places and interpolated: finer than the highest degree varies


@dataclass(frozen=True, slots=True)
class GainMap:
    """Stops per channel over a frame.

    coefficients  (rows + 1, columns + 1, 3): of P_i(row) P_j(column), both running from -1 to 1 over the sensor
    """

    coefficients: F64

    @staticmethod
    def constant(stops: F64) -> GainMap:
        """The same (3,) stops everywhere."""
        return GainMap(np.asarray(stops, dtype=np.float64).reshape(1, 1, 3))

    @staticmethod
    def of_multipliers(gains: F64) -> GainMap:
        """(3,) multipliers, the same everywhere."""
        return GainMap.constant(np.log2(gains))

    def __add__(self, other: GainMap) -> GainMap:
        shape = np.maximum(self.coefficients.shape, other.coefficients.shape)
        total = np.zeros(tuple(int(n) for n in shape))
        for part in (self.coefficients, other.coefficients):
            total[: part.shape[0], : part.shape[1]] += part
        return GainMap(total)

    def __neg__(self) -> GainMap:
        return GainMap(-self.coefficients)

    def on(self, height: int, width: int, ends: bool = False) -> F64:
        """(height, width, 3) stops at the pixel centres of a picture in sensor orientation; ends: from edge to edge."""
        rows, columns = (basis(n, d - 1, ends) for n, d in zip((height, width), self.coefficients.shape, strict=False))
        return np.asarray(np.einsum("hi,ijc,wj->hwc", rows, self.coefficients, columns, optimize=True))

    def at(self, row: float, column: float) -> F64:
        """(3,) stops at one place, -1 to 1 both ways."""
        return np.asarray(self.at_each(np.array([row]), np.array([column]))[0])

    def at_each(self, rows: F64, columns: F64) -> F64:
        """(N, 3) stops at places (N,), -1 to 1 both ways."""
        down, across = (
            np.polynomial.legendre.legvander(v, d - 1)
            for v, d in zip((rows, columns), self.coefficients.shape, strict=False)
        )
        return np.asarray(np.einsum("ni,ijc,nj->nc", down, self.coefficients, across, optimize=True))

    def rounded(self) -> GainMap:
        """To 1e-5 stop, so that a last-bit difference does not change a render's key, less what is nothing."""
        close = np.round(self.coefficients, 5) + 0.0
        some = np.abs(close).max(axis=2) >= _NOTHING
        rows, columns = (1 + max([0, *np.flatnonzero(some.any(axis=1 - k)).tolist()]) for k in (0, 1))
        return GainMap(close[:rows, :columns].copy())  # a view would keep all of it in memory

    def as_json(self) -> JsonValue:
        """The coefficients as nested lists."""
        nested: list[JsonValue] = self.coefficients.tolist()
        return nested


@lru_cache(maxsize=64)
def basis(count: int, degree: int, ends: bool = False) -> F64:
    """(count, degree + 1) Legendre polynomials at `count` pixel centres over -1 to 1; ends: from -1 to 1 themselves."""
    at = np.linspace(-1, 1, count) if ends else (np.arange(count) + 0.5) / count * 2 - 1
    return np.asarray(np.polynomial.legendre.legvander(at, degree), dtype=np.float64)


@lru_cache
def _places(rows: int, columns: int, degrees: tuple[int, int]) -> F64:
    """(rows * columns, coefficients) from a polynomial's coefficients, as if flat, to its values at places from edge
    to edge."""
    down, across = basis(rows, degrees[0], ends=True), basis(columns, degrees[1], ends=True)
    return np.asarray(np.kron(down, across), dtype=np.float64)


def polynomial(values: F64, weight: F64, degrees: tuple[int, int]) -> F64:
    """(degrees[0] + 1, degrees[1] + 1, N) Legendre coefficients of the polynomial that is nearest to values (R, C, N)
    at places from edge to edge, down and across; weight (R, C): how much each counts."""
    places = _places(*weight.shape, degrees)
    design = places * weight.reshape(-1, 1)
    found = np.linalg.solve(places.T @ design, design.T @ values.reshape(len(places), -1))
    return np.asarray(found.reshape(degrees[0] + 1, degrees[1] + 1, -1), dtype=np.float64)


def apply_gain_map(image: Image, gain_map: GainMap, orientation: Orientation) -> Image:
    """Multiply by the map's gains; clipped channels are rebuilt so that blown light stays neutral.

    Noise and saturation follow the mean gain of each channel, what differs from it over the frame goes to
    `noise_gain_map`.
    """
    from pipeline.light.highlights import rebuild_highlights

    if not gain_map.coefficients.any():  # a finished frame that nothing changes stays as it is
        return image
    mean = 2.0 ** gain_map.coefficients[0, 0]
    saturation, noise = image.saturation * mean, image.noise.scaled(mean)
    earlier, shape = image.noise_gain_map, image.pixels.shape
    before = None if earlier is None else gains_at_pixels(earlier, shape, image.part)
    finished = image.is_finished
    if gain_map.coefficients.shape[:2] == (1, 1):
        pixels = rebuild_highlights(image.pixels, image.saturation, mean.astype(np.float32), before, finished=finished)
        return replace(image, pixels=pixels, noise=noise, saturation=saturation)
    gains = orientation.to_upright((2.0 ** gain_map.on(_COARSE, _COARSE, ends=True)).astype(np.float32))
    if image.warp is not None:
        gains = image.warp(gains)
    whole = gains_at_pixels(gains, shape, image.part)
    # A large picture fills the memory of a worker: the gains give theirs to the result.
    pixels = rebuild_highlights(image.pixels, image.saturation, whole, before, to=whole, finished=finished)
    noise_gain_map = _times(gains / mean.astype(np.float32), earlier)
    return replace(image, pixels=pixels, noise=noise, saturation=saturation, noise_gain_map=noise_gain_map)


def apply_coarse_gains(image: Image, gains: F32) -> Image:
    """Multiply by (K, K, 3) gains over the upright picture, from edge to edge, before anything is balanced.

    Noise and clipping follow by `noise_gain_map`: a clipped channel is still known as one when the balance comes.
    """
    pixels = image.pixels * gains_at_pixels(gains, image.pixels.shape, image.part)
    return replace(image, pixels=pixels, noise_gain_map=_times(gains, image.noise_gain_map))


def _times(gains: F32, earlier: F32 | None) -> F32:
    """The product of coarse gains, at as many places as the finer of the two has."""
    import cv2

    if earlier is None or earlier.shape == gains.shape:
        return gains if earlier is None else gains * earlier
    fine, coarse = (gains, earlier) if len(gains) > len(earlier) else (earlier, gains)
    x, y = (np.linspace(0, side - 1, n) for side, n in zip(coarse.shape[1::-1], fine.shape[1::-1], strict=True))
    places = [v.astype(np.float32) for v in np.meshgrid(x, y)]
    return np.asarray(fine * cv2.remap(coarse, places[0], places[1], cv2.INTER_LINEAR), dtype=np.float32)


def gains_at_pixels(coarse: F32, shape: tuple[int, ...], part: Part | None = None) -> F32:
    """(K, K, 3) gains, given from edge to edge, at the pixel centres of a picture of `shape`, or of a part of one."""
    import cv2

    rows, columns = coarse.shape[:2]
    left, top, width, height = part or (0, 0, shape[1], shape[0])
    across, down = (columns - 1) / width, (rows - 1) / height
    # A resize would take the places for pixel centres and hold the outer half cells.
    matrix = np.array([[across, 0, across * (left + 0.5)], [0, down, down * (top + 0.5)]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    wide = cv2.warpAffine(
        np.ascontiguousarray(coarse), matrix, (shape[1], shape[0]), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(wide, dtype=np.float32)


def gains_of_part(coarse: F32 | None, box: Box) -> F32 | None:
    """The gains (K, K, 3) of the part of a picture in `box`, from edge to edge; None where the whole has none."""
    import cv2

    if coarse is None:
        return None
    rows, columns = coarse.shape[:2]
    x = np.linspace(box.x0, box.x1, columns) * (columns - 1)
    y = np.linspace(box.y0, box.y1, rows) * (rows - 1)
    at_x, at_y = np.meshgrid(x.astype(np.float32), y.astype(np.float32))
    return np.asarray(cv2.remap(coarse, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)
