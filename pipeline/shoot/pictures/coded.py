"""The coded picture in a JPEG, without what the file says of it: the same in copies that say another time or name."""

from __future__ import annotations

import zlib
from functools import lru_cache
from hashlib import sha256
from pathlib import Path

from pipeline.formats.jpeg_segments import FRAMES, SOS, walk
from pipeline.formats.source import DamagedError, Source

_TABLES = FRAMES | {0xC4, 0xDB}  # size and colours, Huffman codes, quantisation (ITU-T T.81, table B.1)
_PART = 1 << 16  # octets of the coded picture that tell most from each other
_END = b"\xff\xd9"  # of a picture, and nowhere in its coded data (ITU-T T.81, B.1.1.5)
_LEAST = 1 << 9  # octets: a smaller one is one even tone, as others are. No source
_KEPT = 1 << 14  # files of a night
EVEN = 4  # what can be packed so many times smaller may be one even tone, as others are. No source


def coded_picture(path: Path) -> str:
    """A digest of the tables, the size and the first octets of a JPEG's coded picture; "" where the file is no such
    one, or shows too little to be told from others. Raises OSError."""
    told = path.stat()
    return _coded(path, told.st_mtime_ns, told.st_size)


@lru_cache(maxsize=_KEPT)
def _coded(path: Path, _changed: int, _size: int) -> str:
    with path.open("rb") as file:
        source, digest, begin = Source.whole(file), sha256(), 0
        try:
            for place in walk(source):
                if place.marker in _TABLES:
                    digest.update(place.payload.read(0, place.payload.length))
                begin = place.begin if place.marker == SOS else 0
        except DamagedError:
            return ""
        data = source.read(begin, _PART).partition(_END)[0]  # what comes after is no part of the picture
    if not begin or len(data) < _LEAST or is_even(data):
        return ""
    digest.update(data)
    return digest.hexdigest()


def is_even(data: bytes) -> bool:
    """Whether what is coded so may be one even tone."""
    return EVEN * len(zlib.compress(data, 1)) < len(data)
