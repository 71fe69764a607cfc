"""Frames that are copies of others: what is held back in one must not go out in another."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from contextlib import suppress
from pathlib import Path, PurePosixPath

from pipeline.store.keys import digest_file
from pipeline.types import Frame

SAME = "its file is the same as that of another frame, which is held back"
VERSION = (
    "by its name and time it is another version of a frame that is held back; write under players who is in it if that "
    "is wrong"
)
_BEGINNING = 1 << 16  # octets that tell most files apart
_LEAST = 5  # characters of a name that says which frame it is, with a digit


def copies(frames: Sequence[Frame], held: Collection[str], named: Collection[str]) -> dict[str, str]:
    """Frame -> why it is to be held back as well: it is the very file that a camera wrote of one of `held`, or it is
    called after it, such as "TH1_0001 (1)" or "TH1_0001_edit", and was not taken at another time.

    named  frames of which a person wrote who is in them: these are not judged by their names
    """
    sources = [frame for frame in frames if frame.name in held]
    others = [frame for frame in frames if frame.name not in held] if sources else []
    found: dict[str, str] = {}
    by_time: dict[object, list[Frame]] = {}
    for frame in sources:
        if frame.exif.time is not None:  # else it is no picture as a camera wrote it, and may be one even tone
            by_time.setdefault(frame.exif.time, []).append(frame)
    for other in others:
        if any(_are_same(other, frame) for frame in by_time.get(other.exif.time, ())):
            found[other.name] = SAME
    called = _called(sources)
    for other in others if called else ():
        if other.name in found or other.name in named:
            continue
        for match in called.finditer(_stem(other)):
            after = [frame for frame in sources if _stem(frame) == match[0] != _stem(other)]
            if any(None in (times := (frame.exif.time, other.exif.time)) or times[0] == times[1] for frame in after):
                found[other.name] = VERSION
    return found


def _called(sources: Sequence[Frame]) -> re.Pattern[str]:
    stems = {_stem(frame) for frame in sources}
    telling = sorted((s for s in stems if len(s) >= _LEAST and re.search(r"\d", s)), key=len, reverse=True)
    some = "|".join(map(re.escape, telling)) or "(?!)"
    return re.compile(rf"(?<![^\W_])(?:{some})(?!\d)")


def _stem(frame: Frame) -> str:
    return PurePosixPath(frame.relative).stem.casefold()


def _are_same(one: Frame, other: Frame) -> bool:
    """Whether a file of one has the bytes of a file of the other."""
    with suppress(OSError):  # one that cannot be read fails by itself
        return any(_same(a, b) for a in one.files for b in other.files)
    return False


def _same(one: Path, other: Path) -> bool:
    if one.stat().st_size != other.stat().st_size or _beginning(one) != _beginning(other):
        return False
    return digest_file(one) == digest_file(other)


def _beginning(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(_BEGINNING)
