"""A bounded reader of TIFF directories, the form that Exif takes in every raw container.

TIFF 6.0, section 2, and Exif 2.32, section 4.6. Nothing is followed more than a fixed number of times and
nothing is read beyond its place, so junk gives fewer tags and `damaged`, never an error or an endless loop.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from typing import BinaryIO

# Bytes of one value by TIFF type; 13 is IFD (TIFF technical note 1), 129 is UTF-8 (Exif 3.0).
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 129: 1}
_FORMATS = {1: "B", 3: "H", 4: "I", 5: "II", 6: "b", 8: "h", 9: "i", 10: "ii", 11: "f", 12: "d", 13: "I"}
_TEXT = (2, 7, 129)
# 42 TIFF; "RO", "RS" and "OR" in ORF; 0x55 in RW2 (common practice, no source).
_MAGIC = (42, 0x4F52, 0x5352, 0x524F, 0x55)
_MOST_ENTRIES = 512
_MOST_DIRECTORIES = 8
_MOST_TEXT = 1024  # bytes
EXIF_POINTER = 0x8769


@dataclass(frozen=True)
class Source:
    """Bytes `start` to `start + length` of an open file. Reading past an end gives fewer bytes."""

    file: BinaryIO
    start: int
    length: int

    def read(self, at: int, size: int) -> bytes:
        if at < 0 or at >= self.length:
            return b""
        self.file.seek(self.start + at)
        return self.file.read(max(0, min(size, self.length - at)))

    def part(self, at: int, length: int) -> Source:
        at = min(max(at, 0), self.length)
        return Source(self.file, self.start + at, max(0, min(length, self.length - at)))


@dataclass(frozen=True)
class Field:
    """Where the value of a tag lies: `count` values of TIFF type `kind` at byte `at` of `source`."""

    source: Source
    order: str  # "<" or ">"
    kind: int
    count: int
    at: int

    def part(self) -> Source:
        return self.source.part(self.at, _SIZES[self.kind] * self.count)


@dataclass
class Tags:
    """Tags of one frame; `damaged` once something that should be there could not be read."""

    fields: dict[int, Field] = field(default_factory=dict)
    damaged: bool = False

    def add(self, other: Tags) -> None:
        """The tags of `other` that are not here yet."""
        self.fields = other.fields | self.fields
        self.damaged |= other.damaged

    def number(self, *names: int) -> float | None:
        """First of the tags that holds a positive number (below 1e9); the first of several values."""
        for name in names:
            found = self.fields.get(name)
            if found is None or found.kind not in _FORMATS:
                continue
            form = found.order + _FORMATS[found.kind]
            raw = found.source.read(found.at, struct.calcsize(form))
            if len(raw) < struct.calcsize(form):
                self.damaged = True
                continue
            values = struct.unpack(form, raw)
            numerator, denominator = values if len(values) == 2 else (values[0], 1)
            value = float(numerator / denominator) if denominator else 0.0
            if 0 < value < 1e9:
                return value
        return None

    def text(self, *names: int) -> str:
        """First of the tags that holds printable text, without blanks around it, or ""."""
        for name in names:
            found = self.fields.get(name)
            if found is None or found.kind not in _TEXT:
                continue
            size = min(found.count, _MOST_TEXT)
            raw = found.source.read(found.at, size)
            self.damaged |= len(raw) < size
            decoded = raw.split(b"\0")[0].decode("utf-8", "replace")
            value = "".join(c for c in decoded if c.isprintable()).strip()
            if value:
                return value
        return ""


def read_tiff(source: Source) -> Tags:
    """Tags of the first directory and of the Exif directory it points to, for a TIFF that begins at byte 0.

    Where the first directory has no pointer to Exif, the directories chained to it are searched for one.
    """
    head = source.read(0, 8)
    order = {b"II": "<", b"MM": ">"}.get(head[:2])
    if order is None or len(head) < 8:
        return Tags(damaged=True)
    magic, offset = struct.unpack(order + "HI", head[2:])
    if magic not in _MAGIC:
        return Tags(damaged=True)
    tags, following = _directory(source, offset, order)
    seen, pointer = {offset}, tags.number(EXIF_POINTER)
    while pointer is None and following and following not in seen and len(seen) < _MOST_DIRECTORIES:
        seen.add(following)
        chained, following = _directory(source, following, order)
        pointer = chained.number(EXIF_POINTER)
    if pointer is not None and int(pointer) not in seen:
        tags.add(_directory(source, int(pointer), order)[0])
    return tags


def _directory(source: Source, offset: int, order: str) -> tuple[Tags, int]:
    """Tags of the directory at byte `offset`, and the place of the next directory (0 for none)."""
    head = source.read(offset, 2)
    if len(head) < 2:
        return Tags(damaged=True), 0
    (count,) = struct.unpack(order + "H", head)
    length = 12 * min(count, _MOST_ENTRIES)
    block = source.read(offset + 2, length + 4)
    tags = Tags(damaged=count > _MOST_ENTRIES or len(block) < length)
    for at in range(0, min(length, len(block) - 11), 12):
        tag, kind, number, value = struct.unpack_from(order + "HHII", block, at)
        size = _SIZES.get(kind, 0) * number
        if size:
            place = offset + 2 + at + 8 if size <= 4 else value
            tags.fields.setdefault(tag, Field(source, order, kind, number, place))
    following = struct.unpack_from(order + "I", block, length)[0] if len(block) == length + 4 else 0
    return tags, following
