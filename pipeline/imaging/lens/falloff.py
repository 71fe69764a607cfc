"""Vignetting: how much darker a lens makes a picture towards its corners, and the gains that take it out."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from pipeline.imaging.orientation import Orientation
from pipeline.types import F32, F64

NODES = 17  # places along a radius at which stops are kept: between them any lens is straight to 0.002 EV
COARSE = 64  # gains are worked out at this many places each way and interpolated
MOST_STOPS = 3.0  # that a corner is lifted by; more would show noise only (chosen by us, no source)


@dataclass(frozen=True)
class Falloff:
    """The stops that a lens takes from a picture, in the orientation of the sensor.

    stops   (NODES,) to add where the squared distance from the centre is 0, 1 / (NODES - 1), ... 1; the distance is 1
            at the corner that is furthest from the centre
    centre  across and down, fractions of the frame
    gains   (K, K, 3) gains on top, from edge to edge, for what is not round; None for none
    """

    stops: F64 = field(default_factory=lambda: np.zeros(NODES))
    centre: tuple[float, float] = (0.5, 0.5)
    gains: F32 | None = None

    @property
    def corner(self) -> float:
        """Stops that the most lifted place gets."""
        more = 0.0 if self.gains is None else float(np.log2(self.gains[..., 1].max()))
        return float(self.stops.max()) + more

    def scaled(self, strength: float) -> Falloff:
        """A part of it: strength 0 to 1, in stops; no more than MOST_STOPS."""
        gains = None if self.gains is None else np.clip(self.gains, 2.0**-MOST_STOPS, 2.0**MOST_STOPS) ** strength
        stops = np.round(np.clip(self.stops, -MOST_STOPS, MOST_STOPS) * strength, 4) + 0.0
        return Falloff(stops, self.centre, None if gains is None else gains.astype(np.float32))

    def gains_on(self, height: int, width: int, orientation: Orientation) -> F32:
        """(COARSE, COARSE, 3) gains, from edge to edge, of an upright picture of `height` by `width` square pixels."""
        tall, wide = orientation.upright_size(height, width)
        squared = squared_radii(tall, wide, self.centre)
        stops = np.interp(squared, np.linspace(0, 1, NODES), self.stops)
        gains = np.repeat(np.exp2(stops)[..., None], 3, axis=2)
        if self.gains is not None:
            gains = gains * resampled(self.gains)
        return orientation.to_upright(gains.astype(np.float32))


@lru_cache(maxsize=8)
def squared_radii(height: int, width: int, centre: tuple[float, float]) -> F64:
    """(COARSE, COARSE) squared distances from the centre over a frame of this size, from edge to edge; 1 at the corner
    that is furthest from it (the m of Adobe DNG specification 1.6, chapter 7, FixVignetteRadial)."""
    x = (np.linspace(0, 1, COARSE) - centre[0])[None, :] * width
    y = (np.linspace(0, 1, COARSE) - centre[1])[:, None] * height
    return np.asarray((x**2 + y**2) / farthest(height, width, centre) ** 2)


def farthest(height: int, width: int, centre: tuple[float, float]) -> float:
    """Pixels from the centre to the corner that is furthest from it."""
    return float(np.hypot(max(centre[0], 1 - centre[0]) * width, max(centre[1], 1 - centre[1]) * height))


def resampled(gains: F32) -> F32:
    """(K, K, 3) gains from edge to edge at COARSE places each way."""
    import cv2

    rows, columns = gains.shape[:2]
    x, y = np.meshgrid(np.linspace(0, columns - 1, COARSE), np.linspace(0, rows - 1, COARSE))
    return np.asarray(cv2.remap(gains, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR), np.float32)


def stops_of_polynomial(*powers: float) -> F64:
    """(NODES,) stops of the gain 1 + k0 r^2 + k1 r^4 + ... (DNG, FixVignetteRadial). Raises ValueError where it is not
    positive."""
    u = np.linspace(0, 1, NODES)
    gain = np.polynomial.polynomial.polyval(u, [1.0, *powers])
    if not np.isfinite(gain).all() or gain.min() <= 0:
        raise ValueError("a gain that is not positive")
    return np.asarray(np.log2(gain))
