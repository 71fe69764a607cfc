"""JPEG, PNG, TIFF and HEIF to linear light, by their colour profile."""

from __future__ import annotations

import contextlib
import io
import logging
import struct
import warnings
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import PIL.Image
import PIL.ImageCms
import tifffile
from numpy.typing import NDArray

from pipeline.errors import COPY_AGAIN, FrameError
from pipeline.formats.damage.jpeg_data import check_jpeg_data
from pipeline.formats.declared import (
    check_jpeg,
    check_png,
    check_strips,
    check_tiff,
    check_tiff_size,
    held_shallow,
)
from pipeline.formats.exif import read_exif, read_tags
from pipeline.formats.heif import PRIMARIES_REC709, decode_heif, is_heif
from pipeline.formats.icc import MatrixProfile, adobe_rgb, coded_primaries, matrix_profile
from pipeline.formats.jpeg_steps import jpeg_steps
from pipeline.formats.source import Source
from pipeline.imaging.colour import srgb_decode
from pipeline.imaging.memory import MEMORY, refuse_too_large
from pipeline.imaging.orientation import Orientation
from pipeline.types import F32

PIL.Image.MAX_IMAGE_PIXELS = MEMORY.decode // MEMORY.linear // 2  # Pillow refuses above twice this number
logging.getLogger("tifffile").addHandler(logging.NullHandler())  # else what it finds damaged goes to the terminal
_BAND = 1 << 20  # pixels that are brought to linear light at a time, so that nothing is held twice
_READ_DEEP = (1, 5, 8, 32773, 32946)  # compressions of a deep TIFF that tifffile expands to a known length
_INTEROP_POINTER, _COLOUR_SPACE, _UNCALIBRATED, _INTEROP_INDEX = 0xA005, 0xA001, 0xFFFF, 0x0001  # Exif 3.0, 4.6
_PROFILE = 34675  # ICC.1:2010 annex B.4, in TIFF
_WHITE_IS_ZERO, _PALETTE, _SEPARATED = 0, 3, 5  # TIFF 6.0, PhotometricInterpretation


@dataclass(frozen=True)
class Picture:
    """pixels (H, W, 3) linear Rec. 709, upright, 1.0 = clipping; notices for the report; bits a channel in the file;
    steps (2, 8, 8) by which a JPEG rounds luma and colour, by frequency, upright, None for other files."""

    pixels: F32
    notices: tuple[str, ...]
    bits: int
    steps: NDArray[np.uint16] | None = None


@dataclass
class _Encoded:
    """What the file holds, and what defines its colour.

    values  (H, W, 3) of 8 bits, 0 to 255; deeper ones (H, W, 1 to 4) as stored: numbers from 0 to 2**bits - 1, floating
            point where `linear`, the last of 2 or 4 alpha
    """

    values: Any
    bits: int
    profile: bytes | None = None
    colour_space: str = "sRGB"  # by Exif, used where there is no profile
    matrix: MatrixProfile | None = None  # likewise, of a HEIF file
    linear: bool = False
    deep: bool = False
    white: int = 0  # the number that is black where white is zero
    notices: list[str] = field(default_factory=list)
    steps: NDArray[np.uint16] | None = None


def read_picture(path: Path, orientation: Orientation | None = None) -> Picture:
    """Read, linearise and turn upright by `orientation` (None: the file's own tag 274).

    No profile means sRGB, or Adobe RGB (1998) where Exif says so (DCF 2.0: index R03).

    Raises FrameError with the reason and what to do.
    """
    import cv2

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Pillow warns of odd tags; what matters raises
            if path.stat().st_size == 0:
                raise FrameError(f"the file is empty (0 bytes); {COPY_AGAIN}")
            if orientation is None:
                orientation = Orientation(read_exif(path, "picture").orientation)
            encoded = _read(path)
            encoded.values = orientation.to_upright(encoded.values)
            linear = _linearise(encoded)
    except PIL.UnidentifiedImageError as error:
        raise FrameError("not a JPEG, PNG, TIFF or HEIC, whatever its name says") from error
    except PIL.Image.DecompressionBombError as error:
        raise FrameError("too many megapixels: too large to be finished; save it smaller or in parts") from error
    except FileNotFoundError as error:
        raise FrameError("the file is gone; put the card or the disk back and run again") from error
    except PermissionError as error:
        raise FrameError("no permission to read the file; allow reading it and run again") from error
    except MemoryError as error:
        raise FrameError(
            "not enough memory for a picture of this size; close other programs, or save it smaller"
        ) from error
    except (
        OSError, SyntaxError, ValueError, TypeError, KeyError, IndexError, ArithmeticError, RuntimeError, struct.error,
        cv2.error, zlib.error, tifffile.TiffFileError,
    ) as error:  # fmt: skip
        raise FrameError(_damage(path, error)) from error
    steps = encoded.steps
    if steps is not None and orientation.swaps_sides:
        steps = np.ascontiguousarray(steps.swapaxes(1, 2))
    return Picture(linear, tuple(encoded.notices), encoded.bits, steps)


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
        head = file.read(26)
    if is_heif(head):
        return _heif(path)
    if head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        check_tiff(path)
        encoded = _deep_tiff(path)  # first, because Pillow cannot open every kind of these
        if encoded is not None:
            return encoded
    if head[:2] == b"\xff\xd8":
        check_jpeg(path)
    if head[:4] == b"\x89PNG" and len(head) == 26:
        check_png(head, path.stat().st_size)
    with PIL.Image.open(path, formats=("JPEG", "PNG", "TIFF")) as picture:
        refuse_too_large(picture.width, picture.height, held_shallow())
        if picture.format == "PNG" and head[24:25] == b"\x10":
            encoded = _deep(_by_opencv(path, "PNG"), 16)
            encoded.profile = picture.info.get("icc_profile") or None
        else:
            encoded = _shallow(picture, picture.info.get("icc_profile") or None)
            encoded.steps = jpeg_steps(picture)
            if picture.format in ("JPEG", "MPO") and (said := check_jpeg_data(path.read_bytes())):
                encoded.notices.append(said)
        encoded.colour_space = _colour_space(path)
        return encoded


def _heif(path: Path) -> _Encoded:
    picture = decode_heif(path)
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
    return _Encoded(
        np.asarray(picture if picture.mode == "RGB" else picture.convert("RGB")), 8, profile, notices=notices
    )


def _deep_tiff(path: Path) -> _Encoded | None:
    """More than 8 bits, or floating point; None for what Pillow reads whole."""
    with tifffile.TiffFile(path) as file:
        page: Any = file.pages.first
        bits = int(np.max(page.bitspersample))
        sides = (page.imagewidth, page.imagelength, page.imagedepth, page.samplesperpixel)
        if not all(isinstance(side, int) for side in sides):
            raise ValueError("its size is no number")
        tile = page.tilewidth * page.tilelength * page.tiledepth if page.is_tiled else 1
        check_tiff_size(page.imagewidth, page.imagelength * page.imagedepth, page.samplesperpixel, bits, tile)
        if bits <= 8 or page.photometric in (_PALETTE, _SEPARATED):
            return None
        check_strips(file, page)
        try:
            if page.compression not in _READ_DEEP:
                raise ValueError(f"a TIFF of compression {int(page.compression)} cannot be decoded")
            values = page.asarray(maxworkers=1)
        except ValueError:  # a compression that tifffile leaves to a plug-in; OpenCV has LZW
            values = _by_opencv(path, "TIFF")
        else:
            if values.ndim == 3 and page.planarconfig == 2 and page.samplesperpixel == values.shape[0]:
                values = np.moveaxis(values, 0, -1)
        profile = page.tags.valueof(_PROFILE)
        white_is_zero = page.photometric == _WHITE_IS_ZERO and not np.issubdtype(values.dtype, np.floating)
    encoded = _deep(values, bits)
    if white_is_zero:
        encoded.white = 2**bits - 1
    encoded.profile = bytes(profile) if profile else None
    return encoded


def _by_opencv(path: Path, kind: str) -> Any:
    import cv2

    # From memory: OpenCV's own opening of files depends on the system's code page.
    values = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_UNCHANGED)
    if values is None:
        raise ValueError(f"the {kind} cannot be decoded")
    if values.ndim == 3:
        values = values[..., ::-1] if values.shape[2] == 3 else values[..., [2, 1, 0, 3][: values.shape[2]]]
    return values


def _deep(values: Any, bits: int) -> _Encoded:
    if values.ndim == 2:
        values = values[..., None]
    if values.ndim != 3 or values.shape[2] > 4 or min(values.shape) == 0:
        raise ValueError(f"a picture of shape {values.shape} is not a photograph")
    return _Encoded(values, bits, deep=True, linear=bool(np.issubdtype(values.dtype, np.floating)))


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
    """Linear Rec. 709 (H, W, 3), band by band: beside the values and the result hardly anything is in memory."""
    try:
        return _in_bands(encoded, _conversion(encoded))
    except (PIL.ImageCms.PyCMSError, OSError):
        encoded.notices.append("its colour profile cannot be read: read as sRGB")
        return _in_bands(encoded, _srgb_of(encoded))


def _in_bands(encoded: _Encoded, convert: Callable[[Any], Any]) -> F32:
    height, width = encoded.values.shape[:2]
    own = encoded.linear and encoded.values.dtype == np.float32 and encoded.values.shape[2] == 3
    linear = encoded.values if own and encoded.values.flags.writeable else np.empty((height, width, 3), np.float32)
    rows = max(1, _BAND // width)
    transparent = False
    for begin in range(0, height, rows):
        band = encoded.values[begin : begin + rows]
        if encoded.deep and not _is_coded(encoded):
            band, seen = _opaque(encoded, band)
            transparent |= seen
        linear[begin : begin + rows] = convert(band)
    if transparent:
        encoded.notices.append("transparent parts are put on white")
    return np.asarray(linear)


def _is_coded(encoded: _Encoded) -> bool:
    """Whether all colours of the values are few whole numbers, each of which need be converted only once."""
    values = encoded.values
    return values.dtype in (np.uint8, np.uint16) and values.shape[2] in (1, 3) and not encoded.white


def _conversion(encoded: _Encoded) -> Callable[[Any], Any]:
    """From a band of values to linear light. Raises PyCMSError or OSError for a profile that cannot be used."""
    if encoded.linear:
        return np.asarray
    if encoded.profile is None:
        if encoded.matrix is not None:
            return _matrix_of(encoded, encoded.matrix)
        if encoded.colour_space == "Adobe RGB":
            encoded.notices.append("no colour profile; Exif says Adobe RGB (1998), so it is read as that")
            return _matrix_of(encoded, adobe_rgb())
        if encoded.colour_space == "unknown":
            encoded.notices.append("no colour profile, and Exif says it is not sRGB: read as sRGB nevertheless")
        return _srgb_of(encoded)
    matrix = matrix_profile(encoded.profile)
    if matrix is not None:
        return _matrix_of(encoded, matrix)
    source = PIL.ImageCms.ImageCmsProfile(io.BytesIO(encoded.profile))
    by_profile = PIL.ImageCms.buildTransform(source, PIL.ImageCms.createProfile("sRGB"), "RGB", "RGB")
    table = srgb_decode(_fractions(np.arange(256, dtype=np.uint8), 8))

    def convert(band: Any) -> Any:
        eight = band if encoded.bits == 8 and band.dtype == np.uint8 else _eight_bits(encoded, band)
        return table[np.asarray(PIL.ImageCms.applyTransform(PIL.Image.fromarray(eight), by_profile))]

    return convert


def _eight_bits(encoded: _Encoded, band: Any) -> Any:
    return (_scaled(encoded, band) * 255 + 0.5).astype(np.uint8)


def _fractions(values: Any, bits: int) -> F32:
    return np.asarray(values.astype(np.float32) / np.float32(2**bits - 1))


def _scaled(encoded: _Encoded, band: Any) -> F32:
    """A band of three channels, 0 to 1."""
    if band.dtype == np.float32:
        return np.asarray(band)
    fractions = _fractions(band, encoded.bits)
    return np.repeat(fractions, 3, axis=2) if band.shape[2] == 1 else fractions


def _srgb_of(encoded: _Encoded) -> Callable[[Any], Any]:
    if not _is_coded(encoded):
        return srgb_decode
    # 256 or 65,536 powers instead of millions
    every = np.arange(256 if encoded.values.dtype == np.uint8 else 65536, dtype=encoded.values.dtype)
    table = srgb_decode(_fractions(every, encoded.bits))
    return lambda band: table[band]


def _matrix_of(encoded: _Encoded, profile: MatrixProfile) -> Callable[[Any], Any]:
    return lambda band: profile.linearise(_scaled(encoded, band))


def _opaque(encoded: _Encoded, values: Any) -> tuple[F32, bool]:
    """A band of deep values as float32 (rows, W, 3), 0 to 1, on white; and whether something was transparent."""
    if encoded.linear:
        scaled = np.nan_to_num(values.astype(np.float32), nan=0.0, posinf=1.0, neginf=0.0)
    else:
        if encoded.white:
            values = np.uint64(encoded.white) - values.astype(np.uint64)
        scaled = values.astype(np.float32) / np.float32(2**encoded.bits - 1)
    transparent = False
    if scaled.shape[2] in (2, 4):
        alpha = np.clip(scaled[..., -1:], 0, 1)
        scaled = scaled[..., :-1]
        if alpha.min() < 1:
            transparent = True
            scaled = scaled * alpha + (1 - alpha)
    if scaled.shape[2] == 1:
        scaled = np.repeat(scaled, 3, axis=2)
    return scaled, transparent
