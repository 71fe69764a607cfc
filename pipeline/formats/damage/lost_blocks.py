"""Whether a bad block of a card stands in the picture of a raw file: one octet over and over, as erased flash or a
pulled card leaves it, or a second time what stands elsewhere in the file. Decoders of uncompressed data hand it on.

Blocks of a card are whole sectors of 512 octets (ATA, ACS-3), and a file begins with one: what is lost begins and ends
at a multiple of 512, where dark or burnt parts of a picture do so by chance alone.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.formats.source import Source
from pipeline.formats.tiff_ifd import MAXIMUM_DIRECTORIES, Field, directory, header

_SECTOR = 512
_PAGE = 8  # sectors in a row that stand twice: 4 kB, the least that file systems and flash move (no source)
_SERIES = 64  # more that are even are the camera's own, such as the rim of each row. No source
_READ = _SECTOR << 13
_SUB_IFDS = 0x014A  # TIFF technical note 1
_PLACES = ((0x0111, 0x0117), (0x0144, 0x0145))  # strips, tiles, and their octets (TIFF 6.0)
_SHORT = 3
_WHOLE = (_SHORT, 4, 13)  # TIFF types of whole numbers


def has_lost_blocks(path: Path) -> bool:
    """Whether the picture of a raw file has a lost block. Raises OSError."""
    with path.open("rb") as file:
        begin, end, padded = _picture(Source.whole(file))
        file.seek(-(-begin // _SECTOR) * _SECTOR)
        count = end // _SECTOR - file.tell() // _SECTOR
        parts = [_told(part) for part in _read(Source(file, file.tell(), max(count, 0) * _SECTOR))]
    if not parts:
        return False
    even, ends, sums = (np.concatenate(some) for some in zip(*parts, strict=True))
    return _stands_twice(sums) or (not padded and _is_lost(even, ends))


def _picture(source: Source) -> tuple[int, int, bool]:
    """(begin, end, whether it may be filled up) of most of the picture: of a TIFF the largest that it says, else what
    surely belongs to one, as it is most of any raw file and other things stand before or behind it."""
    found = [
        (sum(sizes), min(at), max(map(sum, zip(at, sizes, strict=True))), tiled) for at, sizes, tiled in _parts(source)
    ]
    size, begin, end, tiled = max(found, default=(0, 0, 0, False))
    if size and size > 0.9 * (end - begin) and end <= source.length and 2 * size > source.length:
        return begin, end, tiled or size < end - begin
    return 3 * source.length // 8, 7 * source.length // 8, False


def _parts(source: Source) -> Iterator[tuple[tuple[int, ...], tuple[int, ...], bool]]:
    """(places, octets, whether they are tiles) of the pictures of a TIFF."""
    start = header(source)
    order, waiting, seen = start[0] if start else "", [start[1]] if start else [], set[int]()
    while waiting and len(seen) < 2 * MAXIMUM_DIRECTORIES:
        if (at := waiting.pop()) in seen:
            continue
        seen.add(at)
        one = directory(source, at, order)
        waiting += [one.following] if one.following else []
        waiting += _numbers(one.tags.fields.get(_SUB_IFDS))
        for tiled, (places, octets) in enumerate(_PLACES):
            at_each, sizes = (_numbers(one.tags.fields.get(tag)) for tag in (places, octets))
            if at_each and len(at_each) == len(sizes):
                yield at_each, sizes, bool(tiled)


def _numbers(field: Field | None) -> tuple[int, ...]:
    if field is None or field.kind not in _WHOLE or field.part().length < field.part().wanted:
        return ()
    data = field.part().read(0, field.part().length)
    return tuple(np.frombuffer(data, f"{field.order}u{2 if field.kind == _SHORT else 4}").tolist())


def _read(source: Source) -> Iterator[NDArray[np.uint8]]:
    """Sectors (N, 512)."""
    for at in range(0, source.length, _READ):
        octets = np.frombuffer(source.read(at, _READ), np.uint8)
        yield octets[: len(octets) // _SECTOR * _SECTOR].reshape(-1, _SECTOR)


_WEIGHTS = np.random.default_rng(1).integers(1, 1 << 63, _SECTOR // 8, np.uint64) | np.uint64(1)


def _told(sectors: NDArray[np.uint8]) -> tuple[NDArray[np.bool_], NDArray[np.uint8], NDArray[np.uint64]]:
    """Of each sector: whether it is one octet over and over; its first octet and its last two; a sum that tells it."""
    even = sectors[:, 0] == sectors[:, -1]
    even[even] = (sectors[even] == sectors[even, :1]).all(axis=1)
    return even, sectors[:, [0, -2, -1]], (sectors.view(np.uint64) * _WEIGHTS).sum(axis=1, dtype=np.uint64)


def _is_lost(even: NDArray[np.bool_], ends: NDArray[np.uint8]) -> bool:
    """Whether an octet fills whole sectors and neither more nor less, wherever it fills any. One more before them may
    be of a sample that happens to have it in its higher half."""
    first, before, last = ends.T.astype(int)
    octet = np.where(even, first, -1)
    changes = np.flatnonzero(np.diff(octet, prepend=-2, append=-2))
    exact = defaultdict[int, list[bool]](list)
    for begin, end in pairwise(changes.tolist()):
        if (of := int(octet[begin])) >= 0 and begin > 0 and end < len(octet):
            exact[of].append(of != first[end] and (last[begin - 1], before[begin - 1]) != (of, of))
    return any(all(some) and len(some) <= _SERIES for some in exact.values())


def _stands_twice(sums: NDArray[np.uint64]) -> bool:
    """Whether `_PAGE` different sectors in a row stand elsewhere once more: noise never does, and what is burnt repeats
    itself sooner. What stands there more often than `_SERIES` is drawn without noise."""
    _, which, times = np.unique(sums, return_inverse=True, return_counts=True)
    order = np.argsort(sums, kind="stable")
    order = order[times[which[order]] <= _SERIES]
    same = sums[order[1:]] == sums[order[:-1]]
    one, other = order[:-1][same], order[1:][same]
    at = np.unique(np.stack([other - one, one], axis=1), axis=0)
    rows = np.flatnonzero((at[_PAGE - 1 :] - at[: 1 - _PAGE] == (0, _PAGE - 1)).all(axis=1))
    return any(len(set(sums[begin : begin + _PAGE].tolist())) == _PAGE for begin in at[rows, 1])
