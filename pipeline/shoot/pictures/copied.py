"""Frames whose picture is that of another: copies that have neither its name nor its time any more."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from contextlib import suppress
from functools import lru_cache, partial
from pathlib import Path

from pipeline.shoot.pictures.grey import Grey, grey_picture
from pipeline.shoot.pictures.same import SAME, Look, Looks, look_of
from pipeline.types import Frame

_KEPT = 1 << 13  # frames whose looks stay in memory, all of a night: some 30 kB each
_PICTURES = 64  # and their pictures: 300 kB each


def same_pictures(
    frames: Sequence[Frame], held: Collection[str], settled: Collection[str]
) -> Iterator[tuple[str, str]]:
    """(a frame that is not `settled`, one of `held` whose picture it seems to be), of frames that say neither when they
    were taken nor with which camera, or not one of the two: no other can be a copy whose file has lost that."""
    asked = [frame for frame in frames if frame.name not in settled and _has_lost(frame)]
    if not asked:
        return
    names = [frame.name for frame in frames if frame.name in held]
    looks = [_look(frame) for frame in frames if frame.name in held]
    known = [(name, look) for name, look in zip(names, looks, strict=True) if look is not None]
    among = Looks([look for _, look in known])
    for frame in asked:
        look = _look(frame)
        with suppress(_UnreadError):  # one of the two is not there any more
            found = among.same_as(look) if look is not None else None
            if found is not None:
                yield frame.name, known[found][0]


def _has_lost(frame: Frame) -> bool:
    return frame.exif.time is None or not (frame.exif.make or frame.exif.model)


def _look(frame: Frame) -> Look | None:
    try:
        told = frame.path.stat()
    except OSError:  # it fails by itself when it is decoded
        return None
    return _look_of(frame.path, told.st_mtime_ns, told.st_size)


@lru_cache(maxsize=_KEPT)
def _look_of(path: Path, changed: int, size: int) -> Look | None:
    picture = partial(_picture, path, changed, size)
    try:
        return look_of(picture)
    except _UnreadError:
        return None


class _UnreadError(Exception):
    """A picture that cannot be read: it fails by itself when it is decoded."""


@lru_cache(maxsize=_PICTURES)
def _picture(path: Path, changed: int, size: int) -> Grey:
    """Raises _UnreadError."""
    grey = grey_picture(path, SAME.edge)
    if grey is None:
        raise _UnreadError
    return grey
