"""A bounded reader of TIFF directories, the form that Exif takes in every raw container.

TIFF 6.0 and Exif 2.32. Junk gives fewer tags, never an error or an endless loop.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping

_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_FORMATS = {1: "B", 3: "H", 4: "I", 6: "b", 8: "h", 9: "i", 11: "f", 12: "d", 13: "I"}
_MOST_ENTRIES = 512
_MOST_VALUES = 4096

Value = str | float | tuple[float, ...] | bytes


def read_directory(data: bytes, offset: int, order: str, base: int = 0) -> dict[int, Value]:
    """Tags of the directory at `base + offset`; `order` is "<" or ">". Offsets count from `base`."""
    at = base + offset
    if at < 0 or at + 2 > len(data):
        return {}
    (count,) = struct.unpack_from(order + "H", data, at)
    tags: dict[int, Value] = {}
    for index in range(min(count, _MOST_ENTRIES)):
        entry = at + 2 + 12 * index
        if entry + 12 > len(data):
            break
        tag, kind, number = struct.unpack_from(order + "HHI", data, entry)
        size = _SIZES.get(kind, 0) * number
        if not size or number > _MOST_VALUES:
            continue
        start = entry + 8 if size <= 4 else base + struct.unpack_from(order + "I", data, entry + 8)[0]
        if start + size <= len(data):
            tags[tag] = _value(data[start : start + size], kind, number, order)
    return tags


def _value(raw: bytes, kind: int, number: int, order: str) -> Value:
    if kind == 2:
        return raw.split(b"\0")[0].decode("utf-8", "replace").strip()
    if kind == 7:
        return raw
    if kind in (5, 10):
        pairs = struct.unpack(order + ("I" if kind == 5 else "i") * 2 * number, raw)
        values = tuple(n / d if d else 0.0 for n, d in zip(pairs[::2], pairs[1::2], strict=True))
    else:
        values = struct.unpack(order + _FORMATS[kind] * number, raw)
    return float(values[0]) if number == 1 else tuple(map(float, values))


def header(data: bytes, base: int = 0) -> tuple[str, int] | None:
    """(byte order, offset of the first directory) of a TIFF header, its camera makers' variants included."""
    if len(data) < base + 8:
        return None
    order = {b"II": "<", b"MM": ">"}.get(data[base : base + 2])
    if order is None:
        return None
    magic, offset = struct.unpack_from(order + "HI", data, base + 2)
    # 42 TIFF; "RO", "RS" and "OR" in ORF; 0x55 in RW2.
    if magic not in (42, 0x4F52, 0x5352, 0x524F, 0x55):
        return None
    return order, offset


def number(tags: Mapping[int, Value], *names: int) -> float | None:
    """First of the tags that holds a positive number."""
    for name in names:
        value = tags.get(name)
        if isinstance(value, tuple) and value:
            value = value[0]
        if isinstance(value, float) and 0 < value < 1e9:
            return value
    return None


def text(tags: Mapping[int, Value], *names: int) -> str:
    """First of the tags that holds text, or ""."""
    for name in names:
        value = tags.get(name)
        if isinstance(value, bytes):
            value = value.split(b"\0")[0].decode("utf-8", "replace").strip()
        if isinstance(value, str) and value:
            return value
    return ""
