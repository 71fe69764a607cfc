"""The weights of a network, checked and run by OpenCV on one thread."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from importlib.resources import files

import cv2
import numpy as np

from pipeline.errors import FrameError
from pipeline.types import F32

MULTIPLE = 8  # cells to a pixel of the coarsest scale, of which sides and places of what a network sees are


@dataclass(frozen=True)
class Weights:
    """A file of this package, ONNX; sha256 in lower case hex (FIPS 180-4). MODEL_CARD.md says how it was made."""

    file: str
    sha256: str


MOSAIC = Weights("mosaic.onnx", "06d73d72516d9b71b6937d6671ea2b0f7c53fecff88ac3fefeca0ad27f470f00")
WEB = Weights("web.onnx", "ad4933cd531d617741e5c66095c799d17e69c9bc4b3fa8c51511f903be74aaf1")


class Network:
    """Planes in, planes out; the same bytes for the same planes."""

    def __init__(self, onnx: bytes) -> None:
        self._net = cv2.dnn.readNetFromONNX(np.frombuffer(onnx, np.uint8))

    def __call__(self, planes: F32) -> F32:
        """(C, h, w), sides multiples of MULTIPLE -> (K, h, w)."""
        threads = cv2.getNumThreads()
        cv2.setNumThreads(1)
        try:
            self._net.setInput(planes[None])
            found: F32 = np.asarray(self._net.forward()[0], dtype=np.float32)
            return found
        finally:
            cv2.setNumThreads(threads)


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
    """Loaded anew for each frame, in some hundredths of a second: what it holds of a tile is as large as the frame.

    Raises FrameError as `read`.
    """
    return Network(read(weights))
