"""Distortion and lateral colour: where in the frame as taken each place of the corrected picture lies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.imaging.geometry import Box
from pipeline.imaging.lens.falloff import COARSE, farthest
from pipeline.imaging.orientation import Orientation
from pipeline.types import F32, F64, JsonValue, Part

POWERS = 7  # of the radius that a factor has: r^0 to r^6, as WarpRectilinear and the open lens database need
_EDGE = 33  # places along each side of a box that are followed
_REACH = 4  # pixels about a place that its interpolation reads, and one to spare
_OUTSIDE = 0.25  # of a side, beyond the corrected picture, in which a place is still looked for
_ROWS = 256  # of a picture that are moved at once: what is worked out for them then fits the cache
# Mean over all parts of a pixel of the sum of the squared weights of OpenCV's bicubic filter (a = -0.75), both ways.
CUBIC_ENERGY = 0.735


@dataclass(frozen=True)
class Warp:
    """What a lens did to the geometry, in the orientation of the sensor.

    factors     (3, POWERS) of R, G, B: the distance from the centre in the frame as taken is factor(r) times that in
                the corrected picture, factor(r) = sum of factors[k] * r^k; r is 1 at the corner furthest from it
    tangential  (3, 2) kt0 and kt1 of WarpRectilinear (DNG specification 1.6, chapter 7)
    centre      across and down, fractions of the frame
    zoom        by which the corrected picture is scaled about the centre: below 1 it is enlarged
    """

    factors: F64
    tangential: F64
    centre: tuple[float, float] = (0.5, 0.5)
    zoom: float = 1.0

    def as_json(self) -> JsonValue:
        """For the record and the keys."""
        factors: list[JsonValue] = np.round(self.factors, 8).tolist()
        tangential: list[JsonValue] = np.round(self.tangential, 8).tolist()
        return {"factors": factors, "tangential": tangential, "centre": list(self.centre), "zoom": self.zoom}

    def source(self, x: F64, y: F64, channel: int, height: int, width: int) -> tuple[F64, F64]:
        """Where in the frame as taken places of the corrected picture lie, fractions of a sensor of this size."""
        m = farthest(height, width, self.centre)
        dx = (x - self.centre[0]) * (width / m * self.zoom)
        dy = (y - self.centre[1]) * (height / m * self.zoom)
        squared = dx * dx + dy * dy
        factor = np.polynomial.polynomial.polyval(np.sqrt(squared), self.factors[channel])
        k0, k1 = self.tangential[channel]
        sx, sy = factor * dx, factor * dy
        if k0 or k1:
            sx = sx + k0 * 2 * dx * dy + k1 * (squared + 2 * dx * dx)
            sy = sy + k1 * 2 * dx * dy + k0 * (squared + 2 * dy * dy)
        return self.centre[0] + sx * (m / width), self.centre[1] + sy * (m / height)

    def filled(self, height: int, width: int) -> Warp:
        """The same, enlarged or reduced so that the corrected picture just has no empty corner."""
        along = np.linspace(0, 1, _EDGE)
        ends = np.zeros(_EDGE)
        x, y = np.concatenate([along, along, ends, ends + 1]), np.concatenate([ends, ends + 1, along, along])
        low, high = 0.5, 1.5
        for _ in range(40):
            zoom = (low + high) / 2
            tried = Warp(self.factors, self.tangential, self.centre, zoom)
            inside = all(
                min(sx.min(), sy.min()) >= 0 and max(sx.max(), sy.max()) <= 1
                for sx, sy in (tried.source(x, y, c, height, width) for c in range(3))
            )
            low, high = (zoom, high) if inside else (low, zoom)
        return Warp(self.factors, self.tangential, self.centre, round(low, 6))


@dataclass(frozen=True)
class UprightWarp:
    """A warp in the upright picture. size (height, width) of it, square pixels."""

    warp: Warp
    orientation: Orientation
    size: tuple[int, int]

    def source(self, x: F64, y: F64, channel: int = 1) -> tuple[F64, F64]:
        """Where in the frame as taken places of the corrected upright picture lie, fractions of it."""
        across, down = self.orientation.point_to_sensor(x, y)
        tall, wide = self.orientation.upright_size(*self.size)
        return self.orientation.point_to_upright(*self.warp.source(across, down, channel, tall, wide))

    def corrected(self, x: F64, y: F64) -> tuple[F64, F64]:
        """The reverse of `source`: where places of the frame as taken are in the corrected picture."""
        to_x, to_y = x, y
        for _ in range(20):
            at_x, at_y = self.source(to_x, to_y)
            # What lies far outside the corrected picture need not be found, and must not run away.
            to_x, to_y = (
                np.clip(to_x + x - at_x, -_OUTSIDE, 1 + _OUTSIDE),
                np.clip(to_y + y - at_y, -_OUTSIDE, 1 + _OUTSIDE),
            )
        return to_x, to_y

    def box_before(self, box: Box) -> Box:
        """What of the frame as taken a box of the corrected picture is made of."""
        found = [self.source(*_around(box), channel) for channel in range(3)]
        x, y = (np.concatenate([f[axis] for f in found]) for axis in (0, 1))
        rim_x, rim_y = _REACH / self.size[1], _REACH / self.size[0]
        return _within(x.min() - rim_x, y.min() - rim_y, x.max() + rim_x, y.max() + rim_y)

    def box_after(self, box: Box) -> Box:
        """The smallest box of the corrected picture that holds a box of the frame as taken."""
        x, y = self.corrected(*_around(box))
        return _within(x.min(), y.min(), x.max(), y.max())

    def apply(self, pixels: F32, part: Part) -> F32:
        """The corrected picture (h, w, 3), bicubic, where `part` is, which the pixels are of the frame as taken."""
        import cv2

        factors, tangential = self.warp.factors, self.warp.tangential
        alike = bool((factors == factors[1]).all() and (tangential == tangential[1]).all())
        out = np.empty_like(pixels)
        tall, wide = pixels.shape[:2]
        x = (part.left + np.arange(wide) + 0.5)[None, :] / part.width
        for top in range(0, tall, _ROWS):
            bottom = min(top + _ROWS, tall)
            y = (part.top + np.arange(top, bottom) + 0.5)[:, None] / part.height
            over = np.broadcast_arrays(x, y)
            for channel in (1,) if alike else range(3):
                at_x, at_y = self.source(over[0], over[1], channel)
                maps = (
                    (at_x * part.width - part.left - 0.5).astype(np.float32),
                    (at_y * part.height - part.top - 0.5).astype(np.float32),
                )
                which = slice(0, 3) if alike else slice(channel, channel + 1)
                moved = cv2.remap(
                    np.ascontiguousarray(pixels[..., which]), *maps, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
                )
                out[top:bottom, :, which] = moved.reshape(bottom - top, wide, -1)
        return out

    def gains(self, coarse: F32) -> F32:
        """Gains (K, K, C) of the frame as taken, from edge to edge, as those of the corrected picture."""
        import cv2

        rows, columns = coarse.shape[:2]
        x, y = np.meshgrid(np.linspace(0, 1, columns), np.linspace(0, 1, rows))
        at_x, at_y = self.source(x, y)
        maps = ((at_x * (columns - 1)).astype(np.float32), (at_y * (rows - 1)).astype(np.float32))
        return np.asarray(cv2.remap(coarse, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)


def of_factors(factors: F64, tangential: F64 | None = None, centre: tuple[float, float] = (0.5, 0.5)) -> Warp:
    """A warp of (n,) or (3, n) coefficients of the powers of the radius, n <= POWERS."""
    given = np.broadcast_to(np.atleast_2d(np.asarray(factors, np.float64)), (3, np.shape(factors)[-1]))
    whole = np.zeros((3, POWERS))
    whole[:, : given.shape[1]] = given
    return Warp(whole, np.zeros((3, 2)) if tangential is None else tangential, centre)


def only(warp: Warp, distortion: bool, lateral_colour: bool) -> Warp | None:
    """The part of a warp that is wanted; None where that is nothing.

    Distortion alone moves all colours as it moves green; lateral colour alone leaves green where it is.
    """
    if not distortion and not lateral_colour:
        return None
    if not lateral_colour:
        return Warp(np.repeat(warp.factors[1:2], 3, axis=0), np.repeat(warp.tangential[1:2], 3, axis=0), warp.centre)
    if distortion:
        return warp
    # Against green: the factor of the colour at the place of the undistorted picture that green comes from.
    r = np.linspace(0.02, 1, COARSE)
    green = r * np.polynomial.polynomial.polyval(r, warp.factors[1])
    powers = np.vander(green, POWERS, increasing=True)
    fits = [
        np.linalg.lstsq(powers, r * np.polynomial.polynomial.polyval(r, warp.factors[c]) / green, rcond=None)[0]
        for c in range(3)
    ]
    fits[1] = np.eye(POWERS)[0]
    return Warp(np.array(fits), warp.tangential - warp.tangential[1], warp.centre)


def _around(box: Box) -> tuple[F64, F64]:
    x, y = np.linspace(box.x0, box.x1, _EDGE), np.linspace(box.y0, box.y1, _EDGE)
    return (
        np.concatenate([x, x, np.full(_EDGE, box.x0), np.full(_EDGE, box.x1)]),
        np.concatenate([np.full(_EDGE, box.y0), np.full(_EDGE, box.y1), y, y]),
    )


def _within(*sides: float) -> Box:
    return Box(*(min(max(float(v), 0.0), 1.0) for v in sides))
