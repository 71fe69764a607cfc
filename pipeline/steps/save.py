"""save: encode as JPEG or TIFF with an sRGB profile."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from pydantic import Field, field_validator

from pipeline.captions.filename_template import DEFAULT_NAME, NAME_FIELDS, check_name
from pipeline.errors import FrameError
from pipeline.steps.base import EncodedFile, FileName, NoMeasurement, NoSolution, Order, Params, Step
from pipeline.types import Domain, Image, JsonObject, JsonValue

if TYPE_CHECKING:
    import PIL.Image

    from pipeline.formats.metadata.model import Metadata

_UNITS = {"": 1, "B": 1, "KB": 1000, "MB": 1000_000, "KIB": 1024, "MIB": 1024**2}
# Metadata is budgeted in steps, so that a longer caption seldom changes the pixels of a file that must fit.
_BUDGET = 4096
_LOWEST = 40  # below this quality blocks show in skin; the frame is refused instead
_OCTETS = 4  # a pixel; white noise at quality 100 and full chroma takes 2.9 (tests/steps/test_save.py)


class SaveParams(Params):
    """Parameters of save."""

    format: Literal["jpeg", "tiff"] = Field("jpeg", description="jpeg, or tiff (16 bit, lossless)")
    quality: int = Field(88, ge=40, le=100, description="JPEG quality")
    at_most: str | None = Field(None, description='largest file, such as "1.5 MB"; quality is lowered to meet it')
    chroma: Literal["auto", "full", "half"] = Field(
        "auto", description="JPEG chroma resolution: auto = full from quality 90 on"
    )

    name: str = Field(
        DEFAULT_NAME,
        description=f"file name without suffix, a template that may use {', '.join(NAME_FIELDS)}",
    )

    @field_validator("name")
    @classmethod
    def _name(cls, value: str) -> str:
        return check_name(value)

    @field_validator("at_most", mode="before")
    @classmethod
    def _size(cls, value: Any) -> Any:
        if value is not None:
            parse_size(str(value))
            return str(value)
        return value


def parse_size(text: str) -> int:
    """'1.5 MB' -> octets. Raises ValueError."""
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*([KM]?I?B?)\s*", text.upper())
    if match is None or match[2] not in _UNITS:
        raise ValueError(f'{text!r} is not a size; write for example "1.5 MB" or "800 KB"')
    size = round(float(match[1]) * _UNITS[match[2]])
    if size < 10_000:
        raise ValueError(f"{text!r} is too small for a photograph; the least is 10 KB")
    return size


@dataclass(frozen=True)
class Encoded:
    """JPEG bytes without metadata, and the quality that was used."""

    data: bytes
    quality: int


def encode_jpeg(image: Image, params: SaveParams, reserve: int) -> Encoded:
    """Encode; with `at_most`, the highest quality whose file, plus `reserve` octets of metadata, fits.

    The search halves the interval of qualities, so it costs at most seven encodings. Raises FrameError
    when not even the lowest quality fits.
    """
    import PIL.Image

    picture = PIL.Image.fromarray((image.pixels * 255.0 + 0.5).clip(0, 255).astype(np.uint8), "RGB")
    best = _jpeg(picture, params.quality, params)
    if params.at_most is None:
        return Encoded(best, params.quality)
    room = parse_size(params.at_most) - reserve
    if len(best) <= room:
        return Encoded(best, params.quality)
    low, high = _LOWEST, params.quality - 1
    found: Encoded | None = None
    while low <= high:
        quality = (low + high) // 2
        data = _jpeg(picture, quality, params)
        if len(data) <= room:
            found, low = Encoded(data, quality), quality + 1
        else:
            high = quality - 1
    if found is None:
        raise FrameError(f"does not fit into {params.at_most} at quality {_LOWEST}; allow more or resize smaller")
    return found


def _jpeg(picture: PIL.Image.Image, quality: int, params: SaveParams) -> bytes:
    import PIL.ImageFile

    from pipeline.formats.icc import srgb_profile

    full = params.chroma == "full" or (params.chroma == "auto" and quality >= 90)
    out = io.BytesIO()
    # Pillow gives an optimised file one or two octets a pixel, and fails where noise takes more.
    PIL.ImageFile.MAXBLOCK = max(PIL.ImageFile.MAXBLOCK, _OCTETS * picture.width * picture.height)
    picture.save(out, "JPEG", quality=quality, subsampling=0 if full else 2, optimize=True, icc_profile=srgb_profile())
    return out.getvalue()


def reserve(metadata: Metadata | None) -> int:
    """Octets kept free for the texts of a file that must fit, in whole steps of _BUDGET."""
    from pipeline.formats.metadata.embed import metadata_size

    return 0 if metadata is None else -(-metadata_size(metadata) // _BUDGET) * _BUDGET


def encode(image: Image, params: SaveParams, metadata: Metadata | None) -> EncodedFile:
    """The finished file with its texts. Raises FrameError where it does not fit."""
    from pipeline.formats.jpeg_segments import scan_digest
    from pipeline.formats.metadata.embed import embed_jpeg
    from pipeline.formats.tiff import encode_tiff

    if params.format == "tiff":
        data, cut = encode_tiff(image.pixels, metadata)
        return EncodedFile(data, 0, "", cut)
    encoded = encode_jpeg(image, params, reserve(metadata))
    data, notices = encoded.data, tuple[str, ...]()
    if encoded.quality < params.quality:
        notices = (f"quality {encoded.quality} instead of {params.quality} to stay within {params.at_most}",)
    if metadata is not None:
        data, cut = embed_jpeg(data, metadata)
        notices += cut
    return EncodedFile(data, encoded.quality, scan_digest(encoded.data), notices)


def key(params: SaveParams, metadata: Metadata | None) -> JsonValue:
    """What the encoded pixels depend on: not the name, and of the texts only their length where a file must fit.
    A TIFF is written whole, text included."""
    of: JsonObject = params.model_dump(mode="json", exclude={"name"})
    if params.format == "tiff":
        of["texts"] = repr(metadata)
    elif params.at_most:
        of["reserve"] = reserve(metadata)
    return of


def file_name(params: SaveParams) -> FileName:
    """The template of names, and the suffix of the format."""
    return FileName(params.name, {"jpeg": "jpg", "tiff": "tif"}[params.format])


STEP: Step[SaveParams, NoMeasurement, NoSolution] = Step(
    name="save",
    version=1,
    summary="Encode as JPEG or TIFF with an embedded sRGB profile, within an upper size if one is given.",
    Params=SaveParams,
    place="delivery",
    takes=(Domain.DISPLAY,),
    order=Order.LAST,
    required=True,
    misplaced="save writes the file; put it last",
    key=key,
    file_name=file_name,
    encode=encode,
)
