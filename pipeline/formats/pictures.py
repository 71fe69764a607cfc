"""JPEG, PNG, TIFF and HEIF to linear light, by their colour profile."""

from __future__ import annotations

import contextlib
import io
import struct
import warnings
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import PIL.Image
import PIL.ImageCms
import tifffile

from pipeline.errors import COPY_AGAIN, FrameError
from pipeline.formats.exif import read_exif, read_tags
from pipeline.formats.heif import PRIMARIES_REC709, decode_heif, is_heif
from pipeline.formats.icc import MatrixProfile, adobe_rgb, coded_primaries, matrix_profile
from pipeline.formats.source import Source
from pipeline.imaging.colour import srgb_decode
from pipeline.imaging.orientation import Orientation
from pipeline.types import F32

_MOST_PIXELS = 500_000_000  # three times the largest medium-format sensor (common practice, no source)
PIL.Image.MAX_IMAGE_PIXELS = _MOST_PIXELS // 2  # Pillow refuses above twice this number
_INTEROP_POINTER, _COLOUR_SPACE, _UNCALIBRATED, _INTEROP_INDEX = 0xA005, 0xA001, 0xFFFF, 0x0001  # Exif 3.0, 4.6
_PROFILE = 34675  # ICC.1:2010 annex B.4, in TIFF
_WHITE_IS_ZERO, _PALETTE, _SEPARATED = 0, 3, 5  # TIFF 6.0, PhotometricInterpretation


@dataclass(frozen=True)
class Picture:
    """pixels (H, W, 3) linear Rec. 709, upright, 1.0 = clipping; notices for the report; bits a channel in the file."""

    pixels: F32
    notices: tuple[str, ...]
    bits: int


@dataclass
class _Encoded:
    """What the file holds: values (H, W, 3), uint8 or float32 0 to 1, and what defines their colour."""

    values: Any
    bits: int
    profile: bytes | None = None
    colour_space: str = "sRGB"  # by Exif, used where there is no profile
    matrix: MatrixProfile | None = None  # likewise, of a HEIF file
    linear: bool = False
    notices: list[str] = field(default_factory=list)


def read_picture(path: Path, orientation: Orientation | None = None) -> Picture:
    """Read, linearise and turn upright by `orientation` (None: the file's own tag 274).

    No profile means sRGB, or Adobe RGB (1998) where Exif says so (DCF 2.0: index R03).

    Raises FrameError with the reason and what to do.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow warns of odd tags; what matters raises
            if path.stat().st_size == 0:
                raise FrameError(f"the file is empty (0 bytes); {COPY_AGAIN}")
            encoded = _read(path)
            linear = _linearise(encoded)
    except PIL.UnidentifiedImageError as error:
        raise FrameError("not a JPEG, PNG, TIFF or HEIC, whatever its name says") from error
    except PIL.Image.DecompressionBombError as error:
        raise FrameError(
            f"more than {_MOST_PIXELS // 10**6} megapixels: too large to be a photograph; deliver it in parts"
        ) from error
    except FileNotFoundError as error:
        raise FrameError("the file is gone; put the card or the disk back and run again") from error
    except PermissionError as error:
        raise FrameError("no permission to read the file; allow reading it and run again") from error
    except MemoryError as error:
        raise FrameError("not enough memory for a picture of this size; run with fewer workers") from error
    except (
        OSError, SyntaxError, ValueError, TypeError, KeyError, IndexError, struct.error, cv2.error,
        tifffile.TiffFileError,
    ) as error:  # fmt: skip
        raise FrameError(_damage(path, error)) from error
    if orientation is None:
        orientation = Orientation(read_exif(path, "picture").orientation)
    upright = orientation.to_upright(np.asarray(linear, dtype=np.float32))
    return Picture(upright, tuple(encoded.notices), encoded.bits)


def _damage(path: Path, error: Exception) -> str:
    """Why a picture cannot be decoded; for a JPEG that ends early also how much of it is missing."""
    if "truncated" not in str(error) and "cannot be decoded" not in str(error):
        return f"the picture is damaged or cut short ({error}); {COPY_AGAIN}"
    data = path.read_bytes()
    kinds = ((data[:2] == b"\xff\xd8", "JPEG"), (data[:4] == b"\x89PNG", "PNG"), (is_heif(data[:12]), "HEIC"))
    kind = next((kind for is_it, kind in kinds if is_it), "TIFF")
    missing = _missing_share(data) if kind == "JPEG" else 0
    share = f": about {missing} % of the picture is missing" if missing else ""
    return f"the {kind} is damaged or cut short{share}; {COPY_AGAIN}"


def _missing_share(data: bytes) -> int:
    """Percent of the rows that a sequential JPEG lacks; 0 for a progressive one, where it cannot be measured."""
    with PIL.Image.open(io.BytesIO(data), formats=("JPEG",)) as picture:
        with contextlib.suppress(OSError):
            picture.load()
        picture.tile = []  # stop decoding and look at the rows that are there
        box = picture.getbbox()  # missing rows are still zero
        return round(100 * (1 - (box[3] if box else 0) / picture.height))


def _read(path: Path) -> _Encoded:
    with path.open("rb") as file:
        head = file.read(25)
    if is_heif(head):
        return _heif(path)
    encoded = None
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        encoded = _deep_tiff(path)  # first, because Pillow cannot open every kind of these
        if encoded is not None:
            return encoded
    with PIL.Image.open(path, formats=("JPEG", "PNG", "TIFF")) as picture:
        _check_size(picture.width, picture.height)
        if picture.format == "PNG" and head[24:25] == b"\x10":
            encoded = _deep(_by_opencv(path, "PNG"), 16)
            encoded.profile = picture.info.get("icc_profile") or None
        else:
            encoded = _shallow(picture, picture.info.get("icc_profile") or None)
        encoded.colour_space = _colour_space(path)
        return encoded


def _heif(path: Path) -> _Encoded:
    picture = decode_heif(path, _MOST_PIXELS)
    if picture.bits == 8 and picture.values.ndim == 3 and picture.values.shape[2] == 3:
        encoded = _Encoded(picture.values, 8)
    else:
        encoded = _deep(picture.values, picture.bits)
    encoded.profile = picture.profile
    if picture.profile is None and picture.primaries not in PRIMARIES_REC709:
        encoded.matrix = coded_primaries(picture.primaries)
        if encoded.matrix is None:
            encoded.notices.append("its colours are of a kind that is not known here: read as sRGB")
    return encoded


def _check_size(width: int, height: int) -> None:
    if width * height > _MOST_PIXELS:
        raise PIL.Image.DecompressionBombError


def _colour_space(path: Path) -> str:
    """sRGB, Adobe RGB or unknown, as Exif says (Exif 3.0, tag ColorSpace; DCF 2.0, interoperability index R03)."""
    with path.open("rb") as file:
        tags = read_tags(Source.whole(file))
        index = tags.pointed(_INTEROP_POINTER).text(_INTEROP_INDEX)
        space = tags.number(_COLOUR_SPACE)
    return "Adobe RGB" if index.startswith("R03") else "unknown" if space == _UNCALIBRATED else "sRGB"


def _shallow(picture: PIL.Image.Image, profile: bytes | None) -> _Encoded:
    """Eight bits a channel or fewer, by Pillow."""
    notices: list[str] = []
    picture.load()
    if picture.mode == "CMYK":
        return _Encoded(np.asarray(_from_cmyk(picture, profile, notices)), 8, notices=notices)
    if picture.mode in ("RGBA", "RGBa", "LA", "La", "PA") or "transparency" in picture.info:
        notices.append("transparent parts are put on white")
        white = PIL.Image.new("RGBA", picture.size, "white")
        picture = PIL.Image.alpha_composite(white, picture.convert("RGBA"))
    return _Encoded(np.asarray(picture.convert("RGB")), 8, profile, notices=notices)


def _deep_tiff(path: Path) -> _Encoded | None:
    """More than 8 bits, or floating point; None for what Pillow reads whole."""
    with tifffile.TiffFile(path) as file:
        page: Any = file.pages.first
        _check_size(page.imagewidth, page.imagelength)
        bits = int(np.max(page.bitspersample))
        if bits <= 8 or page.photometric in (_PALETTE, _SEPARATED):
            return None
        try:
            values = page.asarray()
        except ValueError:  # a compression that tifffile leaves to a plug-in; OpenCV has LZW
            values = _by_opencv(path, "TIFF")
        else:
            if values.ndim == 3 and page.planarconfig == 2 and page.samplesperpixel == values.shape[0]:
                values = np.moveaxis(values, 0, -1)
        profile = page.tags.valueof(_PROFILE)
        if page.photometric == _WHITE_IS_ZERO and not np.issubdtype(values.dtype, np.floating):
            values = np.uint64(2**bits - 1) - values.astype(np.uint64)
    encoded = _deep(values, bits)
    encoded.profile = bytes(profile) if profile else None
    return encoded


def _by_opencv(path: Path, kind: str) -> Any:
    # From memory: OpenCV's own opening of files depends on the system's code page.
    values = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_UNCHANGED)
    if values is None:
        raise ValueError(f"the {kind} cannot be decoded")
    if values.ndim == 3:
        values = values[..., [2, 1, 0, 3][: values.shape[2]]]
    return values


def _deep(values: Any, bits: int) -> _Encoded:
    if values.ndim == 2:
        values = values[..., None]
    if values.ndim != 3 or values.shape[2] > 4 or min(values.shape) == 0:
        raise ValueError(f"a picture of shape {values.shape} is not a photograph")
    linear = bool(np.issubdtype(values.dtype, np.floating))
    if linear:
        scaled = np.nan_to_num(values.astype(np.float32), nan=0.0, posinf=1.0, neginf=0.0)
    else:
        scaled = values.astype(np.float32) / np.float32(2**bits - 1)
    notices: list[str] = []
    if scaled.shape[2] in (2, 4):
        alpha = np.clip(scaled[..., -1:], 0, 1)
        scaled = scaled[..., :-1]
        if alpha.min() < 1:
            notices.append("transparent parts are put on white")
            scaled = scaled * alpha + (1 - alpha)
    if scaled.shape[2] == 1:
        scaled = np.repeat(scaled, 3, axis=2)
    return _Encoded(scaled, bits, linear=linear, notices=notices)


def _from_cmyk(picture: PIL.Image.Image, profile: bytes | None, notices: list[str]) -> PIL.Image.Image:
    if profile:
        try:
            source = PIL.ImageCms.ImageCmsProfile(io.BytesIO(profile))
            target = PIL.ImageCms.createProfile("sRGB")
            converted = PIL.ImageCms.profileToProfile(picture, source, target, outputMode="RGB")
            if converted is not None:
                return converted
        except (PIL.ImageCms.PyCMSError, OSError):
            pass
    notices.append("CMYK without a usable profile: its colours are a guess")
    return picture.convert("RGB")


def _linearise(encoded: _Encoded) -> F32:
    values = encoded.values
    if encoded.linear:
        return np.asarray(values, dtype=np.float32)
    if encoded.profile is None:
        if encoded.matrix is not None:
            return _by_matrix(encoded.matrix, values)
        if encoded.colour_space == "Adobe RGB":
            encoded.notices.append("no colour profile; Exif says Adobe RGB (1998), so it is read as that")
            return _by_matrix(adobe_rgb(), values)
        if encoded.colour_space == "unknown":
            encoded.notices.append("no colour profile, and Exif says it is not sRGB: read as sRGB nevertheless")
        return _by_srgb(values)
    matrix = matrix_profile(encoded.profile)
    if matrix is not None:
        return _by_matrix(matrix, values)
    try:
        eight = values if values.dtype == np.uint8 else (values * 255 + 0.5).astype(np.uint8)
        source = PIL.ImageCms.ImageCmsProfile(io.BytesIO(encoded.profile))
        target = PIL.ImageCms.createProfile("sRGB")
        return _by_srgb(np.asarray(PIL.ImageCms.profileToProfile(PIL.Image.fromarray(eight), source, target)))
    except (PIL.ImageCms.PyCMSError, OSError):
        encoded.notices.append("its colour profile cannot be read: read as sRGB")
        return _by_srgb(values)


def _fractions(values: Any) -> F32:
    scale = np.float32(255 if values.dtype == np.uint8 else 1)
    return np.asarray(values.astype(np.float32) / scale)


def _by_srgb(values: Any) -> F32:
    if values.dtype == np.uint8:  # 256 powers instead of millions
        return np.asarray(srgb_decode(_fractions(np.arange(256, dtype=np.uint8)))[values])
    return srgb_decode(values)


def _by_matrix(profile: MatrixProfile, values: Any) -> F32:
    return profile.linearise(_fractions(values))
