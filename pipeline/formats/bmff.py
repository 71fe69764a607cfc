"""The one reader of boxes of the ISO base media file format (ISO/IEC 14496-12, 4.2)."""

from __future__ import annotations

import struct
from collections.abc import Iterator

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
