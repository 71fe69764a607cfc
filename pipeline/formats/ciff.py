"""Make and model from a CIFF heap, the container of CRW raws.

CIFF specification on image data file, version 1.0 revision 4 (1997): a heap of records ends with where its directory
begins; an entry is a type code, a length and a place, and heaps lie in heaps. The layout and the codes are from memory.
"""

from __future__ import annotations

import struct

from pipeline.formats.source import Source

MARK = b"HEAPCCDR"  # from byte 6 on
_ENTRY = 10  # bytes
_STORED = 0xC000  # bits of a type code that say where its bytes are; 0: in the heap
_HEAPS = (0x2800, 0x3000)  # kinds (bits 11 to 13) that are heaps themselves
_KIND = 0x3800
_MAKE_AND_MODEL = 0x080A  # two texts, each with a zero at its end
_MOST_ENTRIES = 512  # of one heap; cameras write some 30
_MOST_HEAPS = 32  # looked at in one file; cameras write some 5
_MOST_TEXT = 256  # bytes


def make_and_model(source: Source) -> tuple[str, str]:
    """What a CIFF file says of its camera; ("", "") for any other file, and where it cannot be read. Never raises."""
    head = source.read(0, 14)
    order = {b"II": "<", b"MM": ">"}.get(head[:2])
    if order is None or len(head) < 14 or head[6:] != MARK:
        return "", ""
    (begin,) = struct.unpack(order + "I", head[2:6])
    waiting, seen = [source.part(begin, source.length)], 0
    while waiting and seen < _MOST_HEAPS:
        heap, seen = waiting.pop(0), seen + 1
        for code, place in _records(heap, order):
            if code & _KIND in _HEAPS:
                waiting.append(place)
            elif code == _MAKE_AND_MODEL:
                return _texts(place.read(0, _MOST_TEXT))
    return "", ""


def _records(heap: Source, order: str) -> list[tuple[int, Source]]:
    """(type code, its bytes) of the records in a heap whose bytes lie there."""
    end = heap.read(heap.length - 4, 4)
    if len(end) < 4:
        return []
    (at,) = struct.unpack(order + "I", end)
    head = heap.read(at, 2)
    if len(head) < 2:
        return []
    count = min(struct.unpack(order + "H", head)[0], _MOST_ENTRIES)
    block = heap.read(at + 2, count * _ENTRY)
    entries = struct.iter_unpack(order + "HII", block[: len(block) // _ENTRY * _ENTRY])
    return [(code, heap.part(place, size)) for code, size, place in entries if not code & _STORED]


def _texts(raw: bytes) -> tuple[str, str]:
    first, second, *_ = (*raw.split(b"\0"), b"", b"")
    make, model = ("".join(c for c in t.decode("utf-8", "replace") if c.isprintable()).strip() for t in (first, second))
    return make, model
