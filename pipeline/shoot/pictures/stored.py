"""The stored picture in a raw, TIFF, PNG or HEIC file, whatever else its file says: the same octets, perhaps moved, in
a copy into which somebody wrote another time or name."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from contextlib import suppress
from functools import lru_cache
from pathlib import Path

import numpy as np

_READ = 1 << 17  # octets about the middle of a file, which are of its picture, that tell most from each other
_MOVED = 1 << 16  # octets by which what a file says may have become longer. No source
_EVERY = 1 << 11  # octets from one mark to the next, about
_LONG = 32  # octets of a mark
_LEAST = 8  # different marks that tell a picture: one even tone, as others are, has few. No source
_SAME = 0.9  # share of the marks of a whole file that the same picture has: the rest is what it says. No source
_KEPT = 1 << 12  # files of a night: some 5 kB each


def same_stored(held: Iterable[Path], others: Iterable[Path]) -> Iterator[tuple[Path, Path]]:
    """(one of `others`, one of `held` in which the same picture is stored). Files that cannot be read are passed over.

    Marks stand where the octets themselves say so, and move with them: Manber, Finding similar files in a large file
    system, USENIX Winter 1994.
    """
    kept = list(held)
    sizes = sorted(size for path in kept if (size := _size(path)) is not None)
    at = defaultdict[int, list[Path]](list)
    for path in kept:
        for mark in _middle(path):
            at[mark].append(path)
    for path in others if at else ():
        size = _size(path)
        if size is None or bisect_left(sizes, size - _MOVED) == bisect_right(sizes, size + _MOVED):
            continue
        marks = _middle(path)
        shared = Counter(one for mark in marks for one in at.get(mark, ()))
        for one, count in shared.items():
            if 2 * count >= min(len(marks), len(_middle(one))):
                with suppress(OSError):
                    if _are_same(path, one):
                        yield path, one


def _size(path: Path) -> int | None:
    with suppress(OSError):  # it fails by itself when it is decoded
        return path.stat().st_size
    return None


def _middle(path: Path) -> frozenset[int]:
    """Marks about the middle of a file, none where these do not tell a picture."""
    with suppress(OSError):
        told = path.stat()
        return _marks_of(path, told.st_mtime_ns, told.st_size)
    return frozenset()


@lru_cache(maxsize=_KEPT)
def _marks_of(path: Path, _changed: int, size: int) -> frozenset[int]:
    with path.open("rb") as file:
        file.seek(max(0, (size - _READ) // 2))
        marks = frozenset(_marks(file.read(_READ)))
    return marks if len(marks) >= _LEAST else frozenset()


def _are_same(one: Path, other: Path) -> bool:
    """Whether two files have nearly all marks in common."""
    first, second = (set(_every(path)) for path in (one, other))
    return len(first & second) >= _SAME * min(len(first), len(second))


def _every(path: Path) -> Iterator[int]:
    with path.open("rb") as file:
        while data := file.read(1 << 20):
            yield from _marks(data)


def _marks(data: bytes) -> Iterator[int]:
    """A number for each place after eight octets that say that there is one."""
    octets = np.frombuffer(data, np.uint8)
    if len(octets) < _LONG + 8:
        return
    before = octets[: -_LONG - 7].astype(np.uint32)
    for at in range(1, 8):
        before = before * np.uint32(0x01000193) ^ octets[at : at - _LONG - 7]  # FNV-1
    places = np.flatnonzero(before % _EVERY == 0)
    after = np.lib.stride_tricks.sliding_window_view(octets, _LONG)[places + 8]
    yield from (hash(one.tobytes()) for one in after)
