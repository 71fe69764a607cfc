"""Exif of a `Metadata` (Exif 2.32): only what helps a reader; no GPS, serial number, owner name or maker note."""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from fractions import Fraction

from pipeline.formats.metadata.model import SOFTWARE, Metadata, offset_text, subseconds
from pipeline.formats.tiff_ifd import EXIF_POINTER

_ASCII, _SHORT, _LONG, _RATIONAL, _UNDEFINED = 2, 3, 4, 5, 7
_FORMATS = {_SHORT: "H", _LONG: "I", _RATIONAL: "I"}
Entry = tuple[int, int, bytes | Sequence[int]]  # tag, type, octets or numbers (two a rational)


def exif_block(metadata: Metadata, size: tuple[int, int]) -> bytes:
    """Big-endian TIFF structure of two directories. `size` = (height, width) of the picture in pixels.

    Texts are UTF-8 in ASCII fields, as the IPTC mapping and common readers have it (Exif 2.32 itself knows
    only 7-bit ASCII there; common practice, no source).
    """
    exif = [
        *_shooting(metadata),
        (37121, _UNDEFINED, b"\x01\x02\x03\x00"),  # ComponentsConfiguration: Y, Cb, Cr
        (40962, _LONG, (size[1],)),  # PixelXDimension
        (40963, _LONG, (size[0],)),  # PixelYDimension
    ]
    main: list[Entry] = [
        *((tag, _ASCII, text) for tag, text in main_texts(metadata).items()),
        (274, _SHORT, (1,)),  # Orientation: delivered pixels are upright
        (282, _RATIONAL, (72, 1)),  # XResolution, YResolution: 72 where the resolution is unknown (Exif 2.32, 4.6.4)
        (283, _RATIONAL, (72, 1)),
        (296, _SHORT, (2,)),  # ResolutionUnit: inch
        (531, _SHORT, (1,)),  # YCbCrPositioning: centred, as JFIF has it
    ]
    start = 8
    length = len(_directory([*main, (EXIF_POINTER, _LONG, (0,))], start, ">"))
    main.append((EXIF_POINTER, _LONG, (start + length,)))
    header = b"MM\x00\x2a" + struct.pack(">I", start)
    return header + _directory(main, start, ">") + _directory(exif, start + length, ">")


def exif_directory(metadata: Metadata, start: int, order: str) -> bytes:
    """The Exif directory of an RGB TIFF, to be placed at the even byte `start`; `order` "<" or ">" as in the TIFF.

    Without the tags that Exif 2.32, 4.6.5, has for compressed pictures only.
    """
    return _directory(_shooting(metadata), start, order)


def main_texts(metadata: Metadata) -> dict[int, bytes]:
    """Texts of the first directory, tag -> UTF-8 with its final NUL; the same in a JPEG's Exif and in a TIFF."""
    m = metadata
    texts = {270: m.caption, 271: m.make, 272: m.model, 305: SOFTWARE, 315: m.creator, 33432: m.copyright}
    return {tag: text.encode("utf-8") + b"\0" for tag, text in texts.items() if text}


def _shooting(m: Metadata) -> list[Entry]:
    """Entries of the Exif directory of any picture.

    DateTimeDigitized equals DateTimeOriginal in a camera that records at once (Exif 2.32, tag 36868).
    """
    entries: list[Entry] = [
        (36864, _UNDEFINED, b"0232"),  # ExifVersion
        (40960, _UNDEFINED, b"0100"),  # FlashpixVersion
        (40961, _SHORT, (1,)),  # ColorSpace: sRGB
        *_rational(33434, m.exposure_time, 1_000_000),
        *_rational(33437, m.f_number, 100),
        *_rational(37386, m.focal_length, 100),
        *_text(42036, m.lens),
    ]
    if m.iso is not None and math.isfinite(m.iso) and m.iso >= 1:
        entries.append((34855, _SHORT, (min(round(m.iso), 65535),)))  # 65535 = "this or more" (Exif 2.32, 4.6.5)
    if m.created is not None:
        time = f"{m.created:%Y:%m:%d %H:%M:%S}"
        offset = "" if m.utc_offset is None else offset_text(m.utc_offset)
        for tags in ((36867, 37521, 36881), (36868, 37522, 36882)):  # original, digitized
            for tag, text in zip(tags, (time, subseconds(m.created), offset), strict=True):
                entries += _text(tag, text)
    return entries


def _directory(entries: Sequence[Entry], start: int, order: str) -> bytes:
    """One image file directory at byte `start`, followed by the values that do not fit into four bytes."""
    offset = start + 2 + 12 * len(entries) + 4
    table, values = struct.pack(order + "H", len(entries)), b""
    for tag, kind, content in sorted(entries, key=lambda entry: entry[0]):
        if isinstance(content, bytes):
            count, value = len(content), content
        else:
            count = len(content) // 2 if kind == _RATIONAL else len(content)
            value = struct.pack(f"{order}{len(content)}{_FORMATS[kind]}", *content)
        if len(value) <= 4:
            field = value.ljust(4, b"\0")
        else:
            field = struct.pack(order + "I", offset + len(values))
            values += value + b"\0" * (len(value) % 2)  # values begin on a word boundary (TIFF 6.0)
        table += struct.pack(order + "HHI", tag, kind, count) + field
    return table + struct.pack(order + "I", 0) + values


def _text(tag: int, text: str) -> list[Entry]:
    return [(tag, _ASCII, text.encode("utf-8") + b"\0")] if text else []


def _rational(tag: int, value: float | None, denominator: int) -> list[Entry]:
    """Closest fraction with at most this denominator: 0.001 -> 1/1000. Nothing for an unknown or impossible value."""
    if value is None or not math.isfinite(value) or not 0 < value < 2**31:
        return []
    ratio = Fraction(value).limit_denominator(denominator)
    if ratio == 0 or ratio.numerator >= 2**32:
        return []
    return [(tag, _RATIONAL, (ratio.numerator, ratio.denominator))]
