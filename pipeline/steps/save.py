"""save: encode as JPEG or TIFF with an sRGB profile."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, field_validator

from pipeline.captions.filename_template import DEFAULT_NAME, NAME_FIELDS, check_name
from pipeline.errors import FrameError
from pipeline.steps.base import EncodedFile, FileName, NoMeasurement, NoSolution, Order, Params, Step
from pipeline.types import F32, Domain, Image, JsonObject, JsonValue

if TYPE_CHECKING:
    import PIL.Image

    from pipeline.formats.metadata.model import Metadata


@dataclass(frozen=True)
class SaveRules:
    """What decides here, besides the parameters.

    lowest_quality     of a JPEG that must fit; below it blocks show in skin (chosen by eye), so the frame is refused
    full_chroma_from   quality from which `chroma: auto` keeps the full chroma resolution (common practice, no source)
    metadata_step      octets; room for texts is kept in such steps, so that a longer caption seldom changes the pixels
    smallest_file      octets that at_most may ask for; less holds no photograph (chosen by eye)
    octets_per_pixel   of the encoder's buffer; white noise at quality 100 and full chroma takes 2.9, so a tenth more or
                       less is flat (tests/steps/test_save.py)
    """

    lowest_quality: int = 40
    full_chroma_from: int = 90
    metadata_step: int = 4096
    smallest_file: int = 10_000
    octets_per_pixel: int = 4


RULES = SaveRules()
_STRIP = 256  # rows that are brought to codes at a time
_UNITS = {"": 1, "B": 1, "KB": 1000, "MB": 1000_000, "KIB": 1024, "MIB": 1024**2}


class SaveParams(Params):
    """Parameters of save."""

    format: Literal["jpeg", "tiff"] = Field("jpeg", description="jpeg, or tiff (16 bit, lossless)")
    quality: int = Field(88, ge=RULES.lowest_quality, le=100, description="JPEG quality")
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
    """Octets of a size as written: "1.5 MB" is 1,500,000, "1.5 MiB" 1,572,864 (IEC 80000-13). Raises ValueError."""
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*([KM]?I?B?)\s*", text.upper())
    if match is None or match[2] not in _UNITS:
        raise ValueError(f'{text!r} is not a size; write for example "1.5 MB" or "800 KB"')
    size = round(float(match[1]) * _UNITS[match[2]])
    if size < RULES.smallest_file:
        raise ValueError(f"{text!r} is too small for a photograph; the least is 10 KB")
    return size


@dataclass(frozen=True)
class Encoded:
    """JPEG bytes without metadata, and the quality that was used."""

    data: bytes
    quality: int


def encode_jpeg(image: Image, params: SaveParams, reserve: int) -> Encoded:
    """Encode display sRGB; with `at_most`, at the highest quality whose file, plus `reserve` octets of metadata, fits.

    The search halves the interval of qualities, so it costs at most seven encodings. Raises FrameError
    when not even the lowest quality fits.
    """
    import PIL.Image

    picture = PIL.Image.fromarray(eight_bits(image.pixels), "RGB")
    best = _jpeg(picture, params.quality, params)
    if params.at_most is None:
        return Encoded(best, params.quality)
    room = parse_size(params.at_most) - reserve
    if len(best) <= room:
        return Encoded(best, params.quality)
    low, high = RULES.lowest_quality, params.quality - 1
    found: Encoded | None = None
    while low <= high:
        quality = (low + high) // 2
        data = _jpeg(picture, quality, params)
        if len(data) <= room:
            found, low = Encoded(data, quality), quality + 1
        else:
            high = quality - 1
    if found is None:
        raise FrameError(
            f"does not fit into {params.at_most} at quality {RULES.lowest_quality}; allow more or resize smaller"
        )
    return found


def eight_bits(pixels: F32) -> NDArray[np.uint8]:
    """Display values (H, W, 3), 0 to 1, as codes: in strips, since all pixels of a frame fill a worker's memory."""
    out = np.empty(pixels.shape, np.uint8)
    for first in range(0, len(pixels), _STRIP):
        part = slice(first, first + _STRIP)
        out[part] = (pixels[part] * 255.0 + 0.5).clip(0, 255).astype(np.uint8)
    return out


def _jpeg(picture: PIL.Image.Image, quality: int, params: SaveParams) -> bytes:
    import PIL.ImageFile

    from pipeline.formats.icc import srgb_profile

    full = params.chroma == "full" or (params.chroma == "auto" and quality >= RULES.full_chroma_from)
    out = io.BytesIO()
    # Pillow gives an optimised file one or two octets a pixel, and fails where noise takes more.
    PIL.ImageFile.MAXBLOCK = max(PIL.ImageFile.MAXBLOCK, RULES.octets_per_pixel * picture.width * picture.height)
    picture.save(out, "JPEG", quality=quality, subsampling=0 if full else 2, optimize=True, icc_profile=srgb_profile())
    return out.getvalue()


def reserve(metadata: Metadata | None) -> int:
    """Octets kept free for the texts of a file that must fit, in whole steps of RULES.metadata_step."""
    from pipeline.formats.metadata.embed import metadata_size

    return 0 if metadata is None else -(-metadata_size(metadata) // RULES.metadata_step) * RULES.metadata_step


def encode(image: Image, params: SaveParams, metadata: Metadata | None) -> EncodedFile:
    """The finished file with its texts, display sRGB in. Raises FrameError where it does not fit at any quality."""
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
    """The parameters and texts that the encoded file depends on.

    Not the name, and of the texts only the room for them where a JPEG must fit. A TIFF is always written whole, so its
    texts count.
    """
    of: JsonObject = params.model_dump(mode="json", exclude={"name"})
    if params.format == "tiff":
        of["texts"] = repr(metadata)
    elif params.at_most:
        of["reserve"] = reserve(metadata)
    return of


def file_name(params: SaveParams) -> FileName:
    """The template of names from the parameters, with the suffix of the format."""
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
