"""Capture facts of a frame from its Exif, whatever the container."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path

import rawpy

from pipeline.model import Exif
from pipeline.shoot.tiff_ifd import Value, header, number, read_directory, text

_HEAD = 4 << 20  # every container keeps its directories in the first megabytes
_EXIF_POINTER = 0x8769
# The main and the Exif directory of the CR3 container, ISO base media boxes in moov/uuid.
_CR3_BOXES = (b"CMT1", b"CMT2")


def read_exif(path: Path, kind: str) -> Exif:
    """Never raises for what is in the file; what is missing is named in `notices`. Raises OSError only."""
    with path.open("rb") as file:
        data = file.read(_HEAD)
    try:
        tags = _tags(data)
    except (struct.error, ValueError, IndexError, OverflowError, RecursionError):
        tags = {}
    if kind == "raw" and 0x9003 not in tags:
        return _from_libraw(path, tags)
    return _exif(tags)


def _tags(data: bytes) -> dict[int, Value]:
    if data[:2] == b"\xff\xd8":
        return _from_jpeg(data)
    if data[:8] == b"FUJIFILM":
        start, length = struct.unpack_from(">II", data, 84)
        return _from_jpeg(data[start : start + length])
    if data[4:8] == b"ftyp":
        return _from_boxes(data)
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return _from_png(data)
    found = _from_tiff(data, 0)
    if 0x9003 not in found and data[:4] == b"IIU\0":  # RW2 keeps its Exif in the embedded JPEG
        at = data.find(b"\xff\xd8\xff")
        if at > 0:
            found |= _from_jpeg(data[at:])
    return found


def _from_tiff(data: bytes, base: int) -> dict[int, Value]:
    head = header(data, base)
    if head is None:
        return {}
    order, offset = head
    tags = read_directory(data, offset, order, base)
    pointer = number(tags, _EXIF_POINTER)
    if pointer:
        tags |= read_directory(data, int(pointer), order, base)
    return tags


def _from_jpeg(data: bytes) -> dict[int, Value]:
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF and data[at + 1] not in (0xDA, 0xD9):
        length = struct.unpack_from(">H", data, at + 2)[0]
        if data[at + 1] == 0xE1 and data[at + 4 : at + 10] == b"Exif\0\0":
            return _from_tiff(data[at + 10 : at + 2 + length], 0)
        at += 2 + max(length, 2)
    return {}


def _from_png(data: bytes) -> dict[int, Value]:
    at = 8
    while at + 8 <= len(data):
        length, name = struct.unpack_from(">I4s", data, at)
        if name == b"eXIf":
            return _from_tiff(data[at + 8 : at + 8 + length], 0)
        at += 12 + length
    return {}


def _from_boxes(data: bytes) -> dict[int, Value]:
    """ISO base media (ISO/IEC 14496-12): moov, in it a uuid box, in it TIFF blocks."""
    tags: dict[int, Value] = {}
    stack = [(0, len(data))]
    seen = 0
    while stack and seen < 1000:
        at, end = stack.pop()
        while at + 8 <= end and seen < 1000:
            seen += 1
            size, name = struct.unpack_from(">I4s", data, at)
            body = at + 8
            if size == 1 and at + 16 <= end:
                size, body = struct.unpack_from(">Q", data, at + 8)[0], at + 16
            stop = end if size == 0 else min(end, at + size)
            if size != 0 and size < 8:
                break
            if name == b"moov":
                stack.append((body, stop))
            elif name == b"uuid":
                stack.append((body + 16, stop))
            elif name in _CR3_BOXES:
                tags |= _from_tiff(data[body:stop], 0)
            at = stop
    return tags


def _exif(tags: Mapping[int, Value], notices: tuple[str, ...] = ()) -> Exif:
    time, has_subseconds = _time(tags)
    iso = number(tags, 0x8827, 0x0017)
    if iso is None or iso >= 65535:  # 65535 = "see the other sensitivity tags" (Exif 2.32, tag 34855)
        iso = number(tags, 0x8832, 0x8831) or iso
    orientation = int(number(tags, 0x0112) or 1)
    return Exif(
        make=text(tags, 0x010F),
        model=text(tags, 0x0110),
        serial=text(tags, 0xA431, 0xC62F),
        lens=text(tags, 0xA434),
        iso=iso,
        exposure_time=number(tags, 0x829A),
        f_number=number(tags, 0x829D),
        focal_length=number(tags, 0x920A),
        time=time,
        has_subseconds=has_subseconds,
        utc_offset=_offset(text(tags, 0x9011, 0x9010)),
        orientation=orientation if 1 <= orientation <= 8 else 1,
        notices=notices,
    )


def _time(tags: Mapping[int, Value]) -> tuple[datetime | None, bool]:
    stamp = text(tags, 0x9003, 0x9004, 0x0132)[:19]
    try:
        moment = datetime.strptime(stamp, "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None, False
    # A decimal fraction, left aligned: "35" is 0.35 s (Exif 2.32, tag 37521).
    digits = text(tags, 0x9291).strip()
    if not digits.isascii() or not digits.isdigit():
        return moment, False
    return moment + timedelta(microseconds=round(float(f"0.{digits}") * 1e6)), True


def _offset(value: str) -> int | None:
    if len(value) >= 6 and value[0] in "+-" and value[1:3].isdigit() and value[4:6].isdigit():
        return (-1 if value[0] == "-" else 1) * (int(value[1:3]) * 60 + int(value[4:6]))
    return None


def _from_libraw(path: Path, tags: Mapping[int, Value]) -> Exif:
    """What LibRaw itself knows of a container that carries no readable Exif; time to the second."""
    known = _exif(tags)
    try:
        with rawpy.imread(str(path)) as raw:
            other, flip = raw.other, raw.sizes.flip
    except (rawpy.LibRawError, OSError):
        return known
    stamp = other.timestamp
    return Exif(
        make=known.make,
        model=known.model,
        serial=known.serial,
        iso=other.iso_speed or known.iso,
        exposure_time=other.shutter_speed or known.exposure_time,
        f_number=other.aperture or known.f_number,
        focal_length=other.focal_length or known.focal_length,
        time=stamp.replace(tzinfo=None) if isinstance(stamp, datetime) else known.time,
        orientation={3: 3, 5: 8, 6: 6}.get(flip, 1),
        notices=("no Exif time in this file: its time is known to the second only",),
    )
