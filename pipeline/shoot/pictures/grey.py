"""The small grey picture of a file: of a picture itself, of a raw the one that its camera put into it."""

from __future__ import annotations

import io
import warnings
from pathlib import Path

import numpy as np
import PIL.Image
import rawpy
from numpy.typing import NDArray

from pipeline.errors import FrameError
from pipeline.formats.pictures import read_picture
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw.quiet import quiet_libraw
from pipeline.shoot.kinds import HEIC, RAW, suffix_of

Grey = NDArray[np.uint8]  # (height, width)


class UnreadPictureError(Exception):
    """A picture that cannot be read: its frame fails by itself when it is decoded."""


def grey_picture(path: Path, edge: int) -> Grey | None:
    """The picture in a file with a longer side of `edge` pixels, as it is stored; None where it cannot be read."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow warns of odd tags
            if suffix_of(path) in RAW:
                return _of_raw(path, edge)
            if suffix_of(path) in HEIC:
                return _coded(read_picture(path).pixels, edge)
            return _of_picture(path, edge)
    except (FrameError, OSError, SyntaxError, ValueError, PIL.Image.DecompressionBombError):
        return None


def _of_picture(source: Path | io.BytesIO, edge: int) -> Grey:
    with PIL.Image.open(source) as picture:
        picture.draft("L", (edge, edge))  # a JPEG is then decoded at a part of its size
        deep = picture.mode.startswith(("I", "F"))
        pixels = np.asarray(picture if deep else picture.convert("L"))
    return _small(pixels.astype(np.float32) / max(float(pixels.max()), 1.0) * 255 if deep else pixels, edge)


def _of_raw(path: Path, edge: int) -> Grey:
    try:
        with quiet_libraw(path), rawpy.imread(str(path)) as raw:
            found = raw.extract_thumb()
        if found.format == rawpy.ThumbFormat.BITMAP:
            small = _small(np.asarray(found.data).mean(axis=2, dtype=np.float32), edge)
        else:
            small = _of_picture(io.BytesIO(bytes(found.data)), edge)
        if max(small.shape) >= edge // 2:
            return small
    except (rawpy.LibRawError, OSError, SyntaxError, ValueError, PIL.Image.DecompressionBombError):
        pass
    from pipeline.imaging.raw.mosaic import decode_raw  # it compiles much, and is seldom needed here

    return _coded(decode_raw(path, Orientation(1), edge).image.pixels, edge)


def _coded(light: NDArray[np.float32], edge: int) -> Grey:
    """Linear light, as a screen shows it: the brightest hundredth is white."""
    grey = light.mean(axis=2)
    return _small(255 * np.clip(grey / max(float(np.percentile(grey, 99)), 1e-6), 0, 1) ** (1 / 2.2), edge)


def _small(pixels: NDArray[np.generic], edge: int) -> Grey:
    import cv2

    height, width = pixels.shape
    scale = min(edge / max(height, width), 1.0)
    size = max(round(width * scale), 1), max(round(height * scale), 1)
    small = cv2.resize(pixels.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return np.asarray(np.clip(small + 0.5, 0, 255), dtype=np.uint8)
