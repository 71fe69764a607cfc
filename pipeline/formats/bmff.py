"""The one reader of boxes of the ISO base media file format (ISO/IEC 14496-12, 4.2)."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import Literal

from pipeline.formats.source import DamagedError, Source

MAXIMUM_BOXES = 4096  # looked at in one file, all levels together; a raw has some 50 (the frames at hand; no source)
Path = tuple[bytes, ...]
# Boxes that are opened -> bytes before the boxes in them: a uuid box begins with its 16-byte type. The makers' raws
# keep their TIFF blocks in a uuid box in moov (common practice, no source).
_OPENED: dict[Path, int] = {(b"moov",): 0, (b"moov", b"uuid"): 16}


def boxes(source: Source) -> Iterator[tuple[Path, Source]]:
    """(names from the top level down, body) of each box, an opened box before those in it.

    A body that runs past the end of its container is cut. Raises DamagedError, after what could be read, for a
    box smaller than its own header and for more than `MAXIMUM_BOXES`.
    """
    left = [MAXIMUM_BOXES]
    yield from _level(source, (), left)


def _level(source: Source, above: Path, left: list[int]) -> Iterator[tuple[Path, Source]]:
    at = 0
    while at + 8 <= source.length:
        if not left[0]:
            raise DamagedError(f"more than {MAXIMUM_BOXES} boxes")
        left[0] -= 1
        head = source.read(at, 16)
        if len(head) < 8:
            raise DamagedError(f"the file ends in a box at byte {at}")
        size, name = struct.unpack_from(">I4s", head)
        begin = 8
        if size == 1 and len(head) == 16:  # a 64-bit size follows
            size, begin = struct.unpack_from(">Q", head, 8)[0], 16
        elif size == 0:  # to the end of the container
            size = source.length - at
        if size < begin:
            raise DamagedError(f"a box of {size} bytes at byte {at}")
        path, body = (*above, name), source.part(at + begin, size - begin)
        yield path, body
        if path in _OPENED:
            skipped = _OPENED[path]
            yield from _level(body.part(skipped, body.length - skipped), path, left)
        at += size


# ---- items of a HEIF file --------------------------------------------------------------------------------------

_MOST_PLACES = 1 << 24  # octets of a list of places
Kind = Literal["Exif", "XMP"]


def metadata_items(whole: Source, meta: Source) -> Iterator[tuple[Kind, list[Source]]]:
    """The Exif and XMP items of a file (ISO/IEC 14496-12, 8.11.3 and 8.11.6; 23008-12, annex A), each in its parts.

    meta  body of the meta box at the top level. Raises DamagedError.
    """
    inside = {path[0]: body for path, body in boxes(meta.part(4, meta.length)) if len(path) == 1}
    names, places = inside.get(b"iinf"), inside.get(b"iloc")
    if names is None or places is None:
        return
    start = 6 if names.read(0, 1) == b"\0" else 8
    kinds: dict[int, bytes] = {}
    for _, entry in boxes(names.part(start, names.length)):
        data = entry.read(0, 1024)
        wide = data[:1] == b"\3"
        number = int.from_bytes(data[4 : 8 if wide else 6], "big")
        kinds[number] = data[10 if wide else 8 :][:4] + data[14 if wide else 12 :]
    for number, parts in _extents(places.read(0, _MOST_PLACES), whole, inside.get(b"idat")).items():
        kind = kinds.get(number, b"")
        if kind.startswith(b"Exif"):
            yield "Exif", parts
        elif kind.startswith(b"mime") and b"xml" in kind:
            yield "XMP", parts


def exif_of_item(data: bytes) -> bytes:
    """The TIFF block of an Exif item, which begins with the length of what stands before it (23008-12, A.2.1)."""
    return data[4 + int.from_bytes(data[:4], "big") :]


def _extents(data: bytes, whole: Source, inside: Source | None) -> dict[int, list[Source]]:
    """Number of an item -> where its bytes lie."""
    version, sizes, at = data[0], (data[4] >> 4, data[4] & 15, data[5] >> 4, data[5] & 15), 6

    def number(size: int) -> int:
        nonlocal at
        at += size
        if at > len(data):
            raise DamagedError("a list of items ends early")
        return int.from_bytes(data[at - size : at], "big")

    found: dict[int, list[Source]] = {}
    for _ in range(number(2 if version < 2 else 4)):
        item = number(2 if version < 2 else 4)
        method = number(2) & 15 if version else 0
        number(2)
        base = number(sizes[2])
        holder = whole if method == 0 else inside
        for _ in range(number(2)):
            if version:
                number(sizes[3])
            offset, length = number(sizes[0]), number(sizes[1])
            if holder is not None and method < 2:
                found.setdefault(item, []).append(holder.part(base + offset, length or holder.length))
    return found
