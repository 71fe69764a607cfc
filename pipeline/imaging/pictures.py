"""JPEG, PNG and TIFF to linear light, by the profile they carry."""

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import PIL.Image
import PIL.ImageCms
import PIL.ImageOps
import tifffile

from pipeline.errors import FrameError
from pipeline.imaging.colour import srgb_decode
from pipeline.imaging.icc import matrix_profile
from pipeline.model import F32

_MOST_PIXELS = 500_000_000


@dataclass(frozen=True)
class Picture:
    """pixels (H, W, 3) linear Rec. 709, upright, 1.0 = clipping; notices for the report."""

    pixels: F32
    notices: tuple[str, ...]


def read_picture(path: Path) -> Picture:
    """Read and linearise. No profile means sRGB. Raises FrameError with a reason to act on."""
    if path.stat().st_size == 0:
        raise FrameError("the file is empty (0 bytes); copy it again from the card")
    notices: list[str] = []
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow warns of odd tags; what matters raises
            encoded, profile, orientation = _read(path, notices)
    except PIL.UnidentifiedImageError as error:
        raise FrameError("not a JPEG, PNG or TIFF, whatever its name says") from error
    except (OSError, SyntaxError, ValueError, tifffile.TiffFileError) as error:
        raise FrameError(f"the picture is damaged or cut short ({error}); copy it again") from error
    linear = encoded if encoded.dtype == np.float32 and profile == b"linear" else _linearise(encoded, profile, notices)
    return Picture(_upright(np.ascontiguousarray(linear, dtype=np.float32), orientation), tuple(notices))


def _read(path: Path, notices: list[str]) -> tuple[Any, bytes | None, int]:
    """(pixels 0 to 1 float32 or uint8, profile, Exif orientation)."""
    picture: PIL.Image.Image
    with PIL.Image.open(path) as picture:
        if picture.width * picture.height > _MOST_PIXELS:
            raise ValueError("more than 500 megapixels")
        profile = picture.info.get("icc_profile")
        orientation = int(picture.getexif().get(0x0112, 1) or 1)
        deep = picture.mode.startswith(("I", "F")) or (picture.format == "TIFF" and _deep_tiff(path))
        if deep or (picture.format == "PNG" and _deep_png(path)):
            return *_read_deep(path, picture.format or "", profile), orientation
        picture.load()
        if picture.mode == "CMYK":
            return np.asarray(_from_cmyk(picture, profile, notices)), None, orientation
        if picture.mode in ("RGBA", "LA", "PA") or "transparency" in picture.info:
            notices.append("transparent parts are put on white")
            white = PIL.Image.new("RGBA", picture.size, "white")
            picture = PIL.Image.alpha_composite(white, picture.convert("RGBA"))
        if picture.mode in ("L", "1"):
            profile = None
        return np.asarray(picture.convert("RGB")), profile, orientation


def _deep_tiff(path: Path) -> bool:
    with tifffile.TiffFile(path) as file:
        return bool(np.max(file.pages.first.bitspersample) > 8)


def _deep_png(path: Path) -> bool:
    return path.read_bytes()[24:25] == b"\x10"


def _read_deep(path: Path, kind: str, profile: bytes | None) -> tuple[F32, bytes | None]:
    values: Any
    if kind == "TIFF":
        values = tifffile.imread(path)
    else:
        values = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
        if values is None:
            raise ValueError("16-bit PNG cannot be decoded")
        values = values[..., 2::-1] if values.ndim == 3 else values
    if values.ndim == 2:
        values = np.repeat(values[..., None], 3, axis=2)
    if values.ndim != 3 or values.shape[2] < 3:
        raise ValueError(f"a picture of shape {values.shape} is no photograph")
    values = values[..., :3]
    if np.issubdtype(values.dtype, np.floating):
        return np.nan_to_num(values.astype(np.float32)), b"linear"
    return values.astype(np.float32) / np.float32(np.iinfo(values.dtype).max), profile


def _from_cmyk(picture: PIL.Image.Image, profile: bytes | None, notices: list[str]) -> PIL.Image.Image:
    if profile:
        try:
            source = PIL.ImageCms.ImageCmsProfile(io.BytesIO(profile))
            target = PIL.ImageCms.createProfile("sRGB")
            converted = PIL.ImageCms.profileToProfile(picture, source, target, outputMode="RGB")
            if converted is not None:
                return converted
        except PIL.ImageCms.PyCMSError:
            pass
    notices.append("CMYK without a usable profile: its colours are a guess")
    return picture.convert("RGB")


def _linearise(encoded: Any, profile: bytes | None, notices: list[str]) -> F32:
    values = encoded.astype(np.float32) / 255 if encoded.dtype == np.uint8 else encoded
    if not profile:
        return srgb_decode(values)
    matrix = matrix_profile(profile)
    if matrix is not None:
        return matrix.linearise(values)
    try:
        picture = PIL.Image.fromarray((values * 255 + 0.5).astype(np.uint8), "RGB")
        source = PIL.ImageCms.ImageCmsProfile(io.BytesIO(profile))
        converted = PIL.ImageCms.profileToProfile(picture, source, PIL.ImageCms.createProfile("sRGB"))
        return srgb_decode(np.asarray(converted).astype(np.float32) / np.float32(255))
    except (PIL.ImageCms.PyCMSError, OSError):
        notices.append("its colour profile cannot be read: taken as sRGB")
        return srgb_decode(values)


def _upright(pixels: F32, orientation: int) -> F32:
    """Exif 2.32, tag 274."""
    if orientation in (2, 4, 5, 7):
        pixels = pixels[:, ::-1] if orientation in (2, 5, 7) else pixels[::-1]
    turns = {3: 2, 5: 1, 6: 3, 7: 3, 8: 1}.get(orientation, 0)
    return np.ascontiguousarray(np.rot90(pixels, turns))
