"""Frames that are copies of others: what is held back in one must not go out in another."""

from __future__ import annotations

import re
import zlib
from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path, PurePosixPath

from pipeline.store.keys import digest_file
from pipeline.types import Frame

SAME = "its file is the same as that of another frame, which is held back"
VERSION = (
    "by its name and time it is another version of a frame that is held back; write under players who is in it if that "
    "is wrong"
)
_PART = 1 << 16  # octets that tell most files apart
_LEAST = 5  # characters of a name that says which frame it is, with a digit
_EVEN = 4  # a file without a time that can be packed so many times smaller may be one even tone, as others are


def copies(frames: Sequence[Frame], held: Collection[str], named: Collection[str]) -> dict[str, str]:
    """Frame -> why it is to be held back as well: it is the very file of one of `held`, or one of the two is called
    after the other, such as "TH1_0001 (1)" or "TH1_0001_edit", and was not taken at another time.

    named  frames of which a person wrote who is in them: these are not judged by their names
    """
    if not held:
        return {}
    found: dict[str, str] = {}
    settled = {*held, *named}
    for one, other in _versions(frames):
        for frame, twin in ((one, other), (other, one)):
            if twin.name in held and frame.name not in settled:
                found[frame.name] = VERSION
    files = defaultdict[tuple[datetime | None, int], list[tuple[Frame, Path]]](list)
    for frame in frames:
        for path in frame.files:
            with suppress(OSError):  # one that cannot be read fails by itself
                files[_second(frame), path.stat().st_size].append((frame, path))
    for (second, _), some in files.items():
        if len(some) > 1 and any(frame.name in held for frame, _ in some):
            found |= dict.fromkeys(_same(some, held, timed=second is not None), SAME)
    return found


def _versions(frames: Sequence[Frame]) -> Iterator[tuple[Frame, Frame]]:
    """(a frame, one that is called after it)"""
    called = defaultdict[str, list[Frame]](list)
    for frame in frames:
        called[_stem(frame)].append(frame)
    for stem, some in called.items():
        for part in _parts(stem):
            for one in called.get(part, ()):
                yield from ((one, other) for other in some if not _at_another_time(one, other))


def _parts(stem: str) -> set[str]:
    """What a name may be called after: from the beginning of a word, and with the whole of a number."""
    starts = [at for at in range(len(stem)) if not stem[at - 1 : at].isalnum()]
    ends = [at for at in range(_LEAST, len(stem) + 1) if not stem[at : at + 1].isdecimal()]
    parts = {stem[start:end] for start in starts for end in ends if end - start >= _LEAST} - {stem}
    return {part for part in parts if re.search(r"\d", part)}


def _stem(frame: Frame) -> str:
    return PurePosixPath(frame.relative).stem.casefold()


def _second(frame: Frame) -> datetime | None:
    return frame.exif.time and frame.exif.time.replace(microsecond=0)


def _at_another_time(one: Frame, other: Frame) -> bool:
    """Whether both say when they were taken, and not the same, neither as their files say it nor as corrected by
    `clocks`: an edited copy may not say of which camera it is. Many programs leave out what is below a second."""
    times = [_times(frame) for frame in (one, other)]
    if any(time.microsecond == 0 for some in times for time in some):
        times = [{time.replace(microsecond=0) for time in some} for some in times]
    return all(times) and not times[0] & times[1]


def _times(frame: Frame) -> set[datetime]:
    """When a frame was taken as its file says and as corrected; nothing where its file does not say."""
    time, added = frame.exif.time, timedelta(seconds=frame.exif.corrected_by)
    return set() if time is None else {time, time - added}


def _same(some: Sequence[tuple[Frame, Path]], held: Collection[str], *, timed: bool) -> Iterator[str]:
    """The frames that are not `held` of which a file has the octets of one that is; all files are of one size."""
    digests = cache(digest_file)
    kept = defaultdict[bytes, list[Path]](list)
    for frame, path in some:
        if frame.name in held:
            with suppress(OSError):
                kept[_middle(path)].append(path)
    for frame, path in some:
        if frame.name not in held:
            with suppress(OSError):
                alike = kept.get(_middle(path), ())
                if alike and (timed or not _is_even(path)) and digests(path) in map(digests, alike):
                    yield frame.name


def _middle(path: Path) -> bytes:
    with path.open("rb") as file:
        file.seek(max(0, path.stat().st_size - _PART) // 2)
        return file.read(_PART)


def _is_even(path: Path) -> bool:
    data = _middle(path)
    return len(data) < _PART or _EVEN * len(zlib.compress(data, 1)) < len(data)
