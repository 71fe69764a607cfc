"""The open lens database, through lensfunpy (MIT; its wheels hold liblensfun, LGPL-3.0, and the database, CC BY-SA).

An extra: `pip install '.[lens]'`. Nothing of it is part of this project.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.imaging.lens.falloff import NODES, Falloff
from pipeline.imaging.lens.warp import POWERS, Warp, of_factors
from pipeline.types import CameraFacts

_SIDE = 512  # pixels of the longer side of the frame that the database is asked about
_DISTANCE = 10.0  # m to the subject, which few files say: from the side of a court (common practice, no source)
_LEAST_RADIUS = 0.1  # of the half diagonal: nearer the centre a factor is a quotient of small numbers


@dataclass(frozen=True)
class Known:
    """What the database says of one lens at one setting; None for what it was not measured for."""

    falloff: Falloff | None
    warp: Warp | None


class LensDatabase:
    """Answers by camera, lens, focal length and f-number. Raises ImportError where lensfunpy is not installed."""

    def __init__(self) -> None:
        import lensfunpy

        self._lensfun = lensfunpy
        self._database = lensfunpy.Database()
        self._lenses: dict[tuple[str, str, str], tuple[Any, float] | None] = {}

    def find(self, facts: CameraFacts, size: tuple[int, int]) -> Known | None:
        """What is known of the lens of a frame; None where the camera or the lens is not in the database by its full
        name, or focal length or f-number are not known.

        size  (height, width) of the frame, pixels, either way round
        """
        if not facts.lens or not facts.focal_length or not facts.f_number:
            return None
        who = (facts.make, facts.model, facts.lens)
        if who not in self._lenses:
            self._lenses[who] = self._named(*who)
        found = self._lenses[who]
        if found is None:
            return None
        lens, crop = found
        scale = _SIDE / max(size)
        wide, tall = (max(2, round(side * scale)) for side in (max(size), min(size)))
        modifier = self._lensfun.Modifier(lens, crop, wide, tall)
        flags = self._lensfun.ModifyFlags
        modifier.initialize(
            facts.focal_length, facts.f_number, _DISTANCE, 1.0, pixel_format=np.float32,
            flags=flags.VIGNETTING | flags.DISTORTION | flags.TCA,
        )  # fmt: skip
        near = lens.min_focal * 0.98 <= facts.focal_length <= lens.max_focal * 1.02
        return Known(_falloff(modifier, wide, tall), _warp(modifier, wide, tall)) if near else None

    def _named(self, make: str, model: str, name: str) -> tuple[Any, float] | None:
        """(the lens of exactly this name that fits the camera, the camera's crop factor)."""
        for camera in self._database.find_cameras(make, model)[:1]:
            for lens in self._database.find_lenses(camera, None, name):
                # The database matches freely; a calibration of another lens would do harm.
                if _bare(lens.model, lens.maker) == _bare(name, lens.maker):
                    return lens, float(camera.crop_factor)
        return None


def _bare(name: str, maker: str) -> str:
    """A lens's name without its maker, spaces, signs and case: makers write one lens in several ways."""
    bare = "".join(c for c in name.casefold() if c.isalnum())
    return bare.removeprefix("".join(c for c in maker.casefold() if c.isalnum()))


def _diagonal(wide: int, tall: int) -> tuple[Any, Any, Any]:
    """Rows and columns of pixels from the centre to a corner, and how far they are from it, 1 at the corner."""
    along = np.arange(max(wide, tall) // 2)
    columns = wide // 2 + (along * (wide / max(wide, tall))).astype(int)
    rows = tall // 2 + (along * (tall / max(wide, tall))).astype(int)
    # The database's frame runs from the middle of its first pixel to that of its last.
    x, y = columns - (wide - 1) / 2, rows - (tall - 1) / 2
    return rows, columns, np.hypot(x, y) / np.hypot((wide - 1) / 2, (tall - 1) / 2)


def _falloff(modifier: Any, wide: int, tall: int) -> Falloff | None:
    picture = np.ones((tall, wide, 3), np.float32)
    if not modifier.apply_color_modification(picture):
        return None
    rows, columns, radius = _diagonal(wide, tall)
    stops = np.log2(picture[rows, columns, 1].astype(np.float64))
    if not np.isfinite(stops).all():
        return None
    powers = np.vander(radius**2, 6, increasing=True)[:, 1:]
    fit = np.linalg.lstsq(powers, stops, rcond=None)[0]
    return Falloff(np.vander(np.linspace(0, 1, NODES), 6, increasing=True)[:, 1:] @ fit)


def _warp(modifier: Any, wide: int, tall: int) -> Warp | None:
    places = modifier.apply_subpixel_geometry_distortion()
    if places is None:
        return None
    rows, columns, radius = _diagonal(wide, tall)
    far = radius > _LEAST_RADIUS
    centre = np.array([(wide - 1) / 2, (tall - 1) / 2])
    there = np.linalg.norm(places[rows, columns] - centre, axis=2)[far] / np.hypot(*centre)
    factors = there / radius[far, None]
    if not np.isfinite(factors).all():
        return None
    powers = np.vander(radius[far], POWERS, increasing=True)
    return of_factors(np.linalg.lstsq(powers, factors, rcond=None)[0].T)
