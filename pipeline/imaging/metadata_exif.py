"""Exif block of a `Metadata` (Exif 2.32): only what helps a reader; no GPS, serial number or maker note."""

from __future__ import annotations

import math
import struct
from fractions import Fraction

from pipeline.imaging.metadata_model import Metadata, offset_text, subseconds

_SHORT, _LONG = 3, 4
_SIZES = {2: 1, 3: 2, 4: 4, 5: 8, 7: 1}  # octets per value of a TIFF type
Entry = tuple[int, int, int, bytes]  # tag, type, count, value


def exif_block(metadata: Metadata, size: tuple[int, int]) -> bytes:
    """Big-endian TIFF structure of two directories. `size` = (height, width) of the picture in pixels.

    Texts are UTF-8 in ASCII fields, as the IPTC mapping and common readers have it (Exif 2.32 itself knows
    only 7-bit ASCII there; common practice).
    """
    m = metadata
    exif: list[Entry] = [
        (36864, 7, 4, b"0232"),  # ExifVersion
        (37121, 7, 4, b"\x01\x02\x03\x00"),  # ComponentsConfiguration: Y, Cb, Cr
        (40960, 7, 4, b"0100"),  # FlashpixVersion
        _short(40961, 1),  # ColorSpace: sRGB
        _long(40962, size[1]),  # PixelXDimension
        _long(40963, size[0]),  # PixelYDimension
        *_rational(33434, m.exposure_time, 1_000_000),
        *_rational(33437, m.f_number, 100),
        *_rational(37386, m.focal_length, 100),
        *_text(42036, m.lens),
    ]
    if m.iso is not None and math.isfinite(m.iso) and m.iso >= 1:
        exif.append(_short(34855, min(round(m.iso), 65535)))  # 65535 = "this or more" (Exif 2.32, 4.6.5)
    if m.created is not None:
        exif += _text(36867, f"{m.created:%Y:%m:%d %H:%M:%S}")
        exif += _text(37521, subseconds(m.created))
        if m.utc_offset is not None:
            exif += _text(36881, offset_text(m.utc_offset))
    main: list[Entry] = [
        *_text(270, m.caption),
        *_text(271, m.make),
        *_text(272, m.model),
        _short(274, 1),  # Orientation: delivered pixels are upright
        *_rational(282, 72.0, 1),  # XResolution, YResolution: 72 where nothing is known (Exif 2.32, 4.6.4)
        *_rational(283, 72.0, 1),
        _short(296, 2),
        *_text(315, m.creator),
        _short(531, 1),  # YCbCrPositioning: centred, as JFIF has it
        *_text(33432, m.copyright),
        _long(34665, 0),  # ExifIFD: the place is known once this directory's length is
    ]
    start = 8
    length = len(_directory(main, start))
    main[-1] = _long(34665, start + length)
    header = b"MM\x00\x2a" + struct.pack(">I", start)
    return header + _directory(main, start) + _directory(exif, start + length)


def _directory(entries: list[Entry], start: int) -> bytes:
    """One image file directory at offset `start`, followed by the values that do not fit into four bytes."""
    entries = sorted(entries)
    offset = start + 2 + 12 * len(entries) + 4
    table, values = struct.pack(">H", len(entries)), b""
    for tag, kind, count, value in entries:
        if len(value) != count * _SIZES[kind]:
            raise ValueError(f"tag {tag}: {len(value)} bytes for {count} values of type {kind}")
        if len(value) <= 4:
            field = value.ljust(4, b"\0")
        else:
            field = struct.pack(">I", offset + len(values))
            values += value + b"\0" * (len(value) % 2)  # values begin on a word boundary (TIFF 6.0)
        table += struct.pack(">HHI", tag, kind, count) + field
    return table + struct.pack(">I", 0) + values


def _text(tag: int, text: str) -> list[Entry]:
    data = text.encode("utf-8") + b"\0"
    return [(tag, 2, len(data), data)] if text else []


def _short(tag: int, value: int) -> Entry:
    return tag, _SHORT, 1, struct.pack(">H", value)


def _long(tag: int, value: int) -> Entry:
    return tag, _LONG, 1, struct.pack(">I", value)


def _rational(tag: int, value: float | None, denominator: int) -> list[Entry]:
    """Closest fraction with at most this denominator: 0.001 -> 1/1000. Unknown or senseless: nothing."""
    if value is None or not math.isfinite(value) or not 0 < value < 2**31:
        return []
    ratio = Fraction(value).limit_denominator(denominator)
    if ratio == 0 or ratio.numerator >= 2**32:
        return []
    return [(tag, 5, 1, struct.pack(">II", ratio.numerator, ratio.denominator))]
