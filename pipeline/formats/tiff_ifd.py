"""The one reader of TIFF directories, the form that Exif takes in every raw container (TIFF 6.0, section 2).

Nothing is followed more than a fixed number of times and nothing is read beyond its place, so damaged bytes give
fewer tags and `damaged`, never an error or an endless loop.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

from pipeline.formats.source import Source

# Bytes of one value by TIFF type (TIFF 6.0, section 2); 13 is IFD (TIFF technical note 1), 129 is UTF-8 (Exif 3.0).
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 129: 1}
_FORMATS = {1: "B", 3: "H", 4: "I", 5: "II", 6: "b", 8: "h", 9: "i", 10: "ii", 11: "f", 12: "d", 13: "I"}
_TEXT = (2, 7, 129)
# 42 TIFF; "RO", "RS" and "OR" in ORF; 0x55 in RW2 (common practice, no source).
_MAGIC = (42, 0x4F52, 0x5352, 0x524F, 0x55)
_ENTRY = 12  # bytes (TIFF 6.0, section 2)
MAXIMUM_ENTRIES = 512  # of one directory; cameras write some 60 (the frames at hand; no source)
MAXIMUM_DIRECTORIES = 8  # of one chain; raws have up to 5 (the frames at hand; no source)
MAXIMUM_TEXT = 1024  # bytes of one text of a tag
EXIF_POINTER = 0x8769  # Exif 3.0, 4.6.3
CAMERA_JPEG = 0x002E  # in RW2: a whole JPEG with the Exif that the raw lacks (common practice, no source)


@dataclass(frozen=True)
class Field:
    """Where the value of a tag lies: `count` values of TIFF type `kind` at byte `at` of `source`."""

    source: Source
    order: str  # "<" or ">"
    kind: int
    count: int
    at: int

    def part(self) -> Source:
        """The bytes of the value, cut to what the file holds."""
        return self.source.part(self.at, _SIZES[self.kind] * self.count)


@dataclass
class Tags:
    """Tags of one or more directories, the first of a number; `damaged` once something could not be read."""

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

    def rationals(self, name: int, count: int) -> tuple[float, ...] | None:
        """The `count` unsigned rationals of a tag; None where it holds anything else, or a denominator of 0."""
        found = self.fields.get(name)
        if found is None or (found.kind, found.count) != (5, count):
            return None
        raw = found.source.read(found.at, 8 * count)
        if len(raw) < 8 * count:
            self.damaged = True
            return None
        values = struct.unpack(found.order + "II" * count, raw)
        pairs = list(zip(values[::2], values[1::2], strict=True))
        return tuple(above / below for above, below in pairs) if all(below for _, below in pairs) else None

    def text(self, *names: int) -> str:
        """First of the tags that holds printable text, without blanks around it, or ""."""
        for name in names:
            found = self.fields.get(name)
            if found is None or found.kind not in _TEXT:
                continue
            size = min(found.count, MAXIMUM_TEXT)
            raw = found.source.read(found.at, size)
            self.damaged |= len(raw) < size
            decoded = raw.split(b"\0")[0].decode("utf-8", "replace")
            value = "".join(c for c in decoded if c.isprintable()).strip()
            if value:
                return value
        return ""

    def pointed(self, name: int) -> Tags:
        """Tags of the directory that this tag points to; none where there is no such tag."""
        found, place = self.fields.get(name), self.number(name)
        return Tags() if found is None or place is None else directory(found.source, int(place), found.order).tags


@dataclass(frozen=True)
class Directory:
    """One image file directory: its `tags`, its entries as they stand, and the place of the next (0 for none).

    every  all its fields in order, also those whose number stood before
    """

    tags: Tags
    entries: tuple[bytes, ...] = ()
    following: int = 0
    every: tuple[tuple[int, Field], ...] = ()


def header(source: Source) -> tuple[str, int] | None:
    """(byte order "<" or ">", place of the first directory) of a TIFF at byte 0; None for anything else."""
    head = source.read(0, 8)
    order = {b"II": "<", b"MM": ">"}.get(head[:2])
    if order is None or len(head) < 8:
        return None
    magic, first = struct.unpack(order + "HI", head[2:])
    return (order, first) if magic in _MAGIC else None


def directory(source: Source, offset: int, order: str) -> Directory:
    """The directory at byte `offset`: entries of known type and of at most `MAXIMUM_ENTRIES`; never raises."""
    head = source.read(offset, 2)
    if len(head) < 2:
        return Directory(Tags(damaged=True))
    (count,) = struct.unpack(order + "H", head)
    length = _ENTRY * min(count, MAXIMUM_ENTRIES)
    block = source.read(offset + 2, length + 4)
    tags = Tags(damaged=count > MAXIMUM_ENTRIES or len(block) < length)
    entries = tuple(block[at : at + _ENTRY] for at in range(0, min(length, len(block) - _ENTRY + 1), _ENTRY))
    every: list[tuple[int, Field]] = []
    for index, entry in enumerate(entries):
        tag, kind, number, value = struct.unpack(order + "HHII", entry)
        size = _SIZES.get(kind, 0) * number
        if size:
            place = offset + 2 + _ENTRY * index + 8 if size <= 4 else value
            every.append((tag, Field(source, order, kind, number, place)))
            tags.fields.setdefault(*every[-1])
    following = struct.unpack_from(order + "I", block, length)[0] if len(block) == length + 4 else 0
    return Directory(tags, entries, following, tuple(every))


def first_directory(source: Source) -> Tags:
    """Tags of the first directory of a TIFF that begins at byte 0; none, and `damaged`, for anything else."""
    found = header(source)
    return Tags(damaged=True) if found is None else directory(source, found[1], found[0]).tags


def read_tiff(source: Source) -> Tags:
    """Tags of the first directory and of the Exif directory it points to, for a TIFF that begins at byte 0.

    Where the first directory has no pointer to Exif, the directories chained to it are searched for one, each
    once and at most `MAXIMUM_DIRECTORIES` of them.
    """
    found = header(source)
    if found is None:
        return Tags(damaged=True)
    order, offset = found
    first = directory(source, offset, order)
    tags, following = first.tags, first.following
    visited, pointer = {offset}, tags.number(EXIF_POINTER)
    while pointer is None and following and following not in visited and len(visited) < MAXIMUM_DIRECTORIES:
        visited.add(following)
        chained = directory(source, following, order)
        following, pointer = chained.following, chained.tags.number(EXIF_POINTER)
    if pointer is not None:
        tags.add(directory(source, int(pointer), order).tags)
    return tags
