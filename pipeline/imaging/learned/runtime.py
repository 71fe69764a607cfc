"""The weights of the networks, checked."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from importlib.resources import files
from typing import TYPE_CHECKING

from pipeline.errors import FrameError

if TYPE_CHECKING:
    from pipeline.imaging.learned.network import Network


@dataclass(frozen=True)
class Weights:
    """A file of this package, .npz; sha256 in lower case hex (FIPS 180-4). MODEL_CARD.md says how it was made."""

    file: str
    sha256: str


MOSAIC = Weights("mosaic.npz", "88e3d2cf3a893faf8f0303465a054d924751d90497a61c8a6b02c4546a1d3293")
WEB = Weights("web.npz", "2dfcb4f7e1fd797e5062ca6c5542ae88f4bbf75f416a3de068e1adeb7f32c3ec")
FINISHED = Weights("finished.npz", "dc9e7072583b70fdb12b71976deec3201d2a4511136e3690a9c4ae7baa8ef0bc")


def read(weights: Weights) -> bytes:
    """The file's bytes. Raises FrameError where they are not those that were trained."""
    again, what = "install evencourt again, or use quality: fine", f"{weights.file}, the weights of quality: learned,"
    try:
        data = files("pipeline.imaging.learned").joinpath(weights.file).read_bytes()
    except OSError as error:
        raise FrameError(f"{what} cannot be read ({error}); {again}") from error
    if hashlib.sha256(data).hexdigest() != weights.sha256:
        raise FrameError(f"{what} are damaged or another file (their SHA-256 is not the listed one); {again}")
    return data


def network(weights: Weights) -> Network:
    """Made anew for each frame: what it holds of a tile is as large as the frame.

    Raises FrameError as `read`.
    """
    from pipeline.imaging.learned.network import Network  # loads the compiler

    return Network(read(weights))
