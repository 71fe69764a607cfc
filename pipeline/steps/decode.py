"""decode: a raw frame or a picture to upright linear camera colour."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from pydantic import Field

from pipeline.imaging import noise as noise_model
from pipeline.imaging.geometry import resize, resize_energy
from pipeline.imaging.mosaic import decode_raw
from pipeline.imaging.pictures import read_picture
from pipeline.model import F64, Domain, Frame, Image
from pipeline.steps.base import Params, Step


class DecodeParams(Params):
    """Parameters of decode."""

    size: Literal["needed", "full"] = Field(
        "needed",
        description="needed: only the pixels that the deliveries ask for (fast); full: every pixel, always",
    )


STEP = Step(
    name="decode",
    version=1,
    summary="Read a raw frame or a JPEG, TIFF or PNG into linear camera colour, upright, black subtracted.",
    Params=DecodeParams,
    place="shared",
    takes=(),
    gives=Domain.CAMERA,
)


@dataclass(frozen=True)
class Decoded:
    """An image, the camera's balances as in imaging.mosaic.RawFrame, the full size and notices."""

    image: Image
    as_shot: F64 | None
    daylight: F64
    full_size: tuple[int, int]
    notices: tuple[str, ...]


def decode(frame: Frame, long_edge: int | None) -> Decoded:
    """`frame` at most `long_edge` pixels long (None: all of them). Raises FrameError."""
    if frame.kind == "raw":
        raw = decode_raw(frame.path, long_edge)
        return Decoded(raw.image, raw.as_shot, raw.daylight, raw.full_size, raw.notices)
    picture = read_picture(frame.path)
    pixels = picture.pixels
    full = (pixels.shape[0], pixels.shape[1])
    noise = noise_model.estimate_rgb(pixels, np.ones(3))
    scale = min(1.0, (long_edge or max(full)) / max(full))
    if scale < 1:
        size = (max(1, round(full[0] * scale)), max(1, round(full[1] * scale)))
        pixels = resize(pixels, *size)
        energy = resize_energy(full, size)
        noise = noise.averaged(energy)
    image = Image(pixels, Domain.CAMERA, noise, np.ones(3), np.eye(3))
    return Decoded(image, np.ones(3), np.ones(3), full, picture.notices)
