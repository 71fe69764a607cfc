"""Frames that are copies of others: what is held back in one must not go out in another."""

from __future__ import annotations

import re
import zlib
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence, Set
from contextlib import suppress
from datetime import datetime, timedelta
from functools import cache
from itertools import product
from pathlib import Path, PurePosixPath

from pipeline.shoot.pictures.copied import has_lost, same_pictures
from pipeline.store.keys import digest_file
from pipeline.types import Frame

SAME = "its file is the same as that of {frame}, which is held back"
VERSION = (
    "by its name and time it may be another version of {frame}, which is held back; if it is another picture, such as "
    "the next of a burst that is named by the second, write under players who is in it"
)
MOMENT = (
    "by its time, to a part of a second, it may be another version of {frame}, which is held back; if it is another "
    "picture, write under players who is in it"
)
PICTURE = (
    "its file does not say when or with which camera it was taken, and its picture may be that of {frame}, which is "
    "held back; if it is another, write under players who is in it"
)
ELSEWHEN = (
    "its file says another time, camera or name, but its picture may be that of {frame}, which is held back; if it is "
    "another, write under players who is in it"
)
_TEXTS = (SAME, VERSION, MOMENT, PICTURE, ELSEWHEN)
_REASONS = tuple(one.partition("{frame}")[0] for one in _TEXTS)
_PART = 1 << 16  # octets that tell most files apart
_LEAST = 5  # characters of a name that says which frame it is, with a digit
_COUNTED = 3  # digits of a number that counts frames, or more; shorter ones count copies
_COUNTER = re.compile(rf"\d{{{_COUNTED},}}")
_NEAR = 100  # numbers that are nearer count frames; of versions they are sizes, such as 1200 and 2048. No source
_FEW = 6  # versions of one frame without a time; more are a series. No source
_MOST = 60  # versions of one frame; more are a series, whatever their times say. No source
_CAMERAS = 3  # that may have called frames alike: seconds in which versions of such frames were taken. No source
_COARSE = 100_000  # microseconds: a camera that writes tenths of a second gives two frames of a burst one time
_EVEN = 4  # a file without a time that can be packed so many times smaller may be one even tone, as others are
_DAY = re.compile(r"(?:.*\D)?(?:19|20)\d\d(?:0\d|1[0-2])(?:[0-2]\d|3[01])")


def copies(frames: Sequence[Frame], held: Collection[str], named: Collection[str]) -> dict[str, str]:
    """Frame -> why it is to be held back as well: it is the very file of one of `held`; or it has the name of one in
    another folder, or one of the two is called after the other, such as "TH1_0001 (1)" or "TH1_0001_edit", or both
    after a third that need not be there, and they were not taken at another time; or one camera took both at one part
    of a second, which it cannot; or it shows the same, and its file does not say credibly that it is a picture of its
    own. So is a copy of such a copy.

    named  frames of which a person wrote who is in them: these are not judged by their names, times and looks
    """
    found: dict[str, str] = {}
    last = frozenset(held)
    while last:
        of_octets = {name for name in last if not found.get(name, "").startswith(_REASONS[0])}  # else all were found
        more, sure = _copies_of(frames, last, of_octets, {*held, *found}, named)
        last = frozenset(sure.difference(found))  # what is only near to one, as the next of a burst is, ends it
        found |= more
    return found


def _copies_of(
    frames: Sequence[Frame],
    held: Set[str],
    of_octets: Set[str],
    known: Set[str],
    named: Collection[str],
) -> tuple[dict[str, str], set[str]]:
    """(frame -> why it is held, of those that are not `known` to be, which of them surely are copies)."""
    found: dict[str, str] = {}
    settled = {*known, *named}
    for pairs, why in ((_of_one_moment(frames, held), MOMENT), (_versions(frames, held), VERSION)):
        for one, other in pairs:
            for frame, twin in ((one, other), (other, one)):
                if twin.name in held and frame.name not in settled:
                    found[frame.name] = why.format(frame=twin.name)
    files = defaultdict[tuple[datetime | None, int], list[tuple[Frame, Path]]](list)
    for frame in frames:
        for path in frame.files:
            with suppress(OSError):  # one that cannot be read fails by itself
                files[_second(frame), path.stat().st_size].append((frame, path))
    for (second, _), some in files.items():
        if len(some) > 1 and any(frame.name in of_octets for frame, _ in some):
            same = _same(some, of_octets, timed=second is not None)
            found |= {one: SAME.format(frame=other) for one, other in same if one not in known}
    sure = set(found)
    for seen, of, surely in same_pictures(frames, held, {*settled, *found}, of_copies=held != known):
        found[seen.name] = (PICTURE if has_lost(seen) else ELSEWHEN).format(frame=of)
        sure |= {seen.name} if surely else set()
    return found, sure


def is_copy(why: str) -> bool:
    """Whether a reason for holding a frame back is one of `copies`."""
    return why.startswith(_REASONS)


def called_otherwise(why: str, called: Mapping[str, str]) -> str:
    """A reason for holding a frame back; one of `copies` with what the other frame is `called` for others."""
    for reason in _TEXTS:
        before, _, after = reason.partition("{frame}")
        if why.startswith(before) and why.endswith(after):
            frame = why[len(before) : len(why) - len(after)]
            return reason.format(frame=called.get(frame, frame))
    return why


def _versions(frames: Sequence[Frame], held: Collection[str]) -> Iterator[tuple[Frame, Frame]]:
    """(a frame, one that is called as it is, or after it, or after what it is called after); one of the two is held"""
    called, after = defaultdict[str, list[Frame]](list), defaultdict[str, list[Frame]](list)
    of_held = {part for frame in frames if frame.name in held for part in name_parts(_stem(frame))}
    for frame in frames:
        called[_stem(frame)].append(frame)
        for part in sorted(name_parts(_stem(frame))):
            if part in of_held:
                after[part].append(frame)
    for stem, some in called.items():
        for one in some if len(some) > 1 else ():
            others = [other for other in some if one.name in held and other is not one]
            yield from ((one, other) for other in others if _are_alike(one, other, stem))
        for part in sorted(name_parts(stem)):
            for one in called.get(part, ()):
                yield from ((one, other) for other in some if not _at_another_time(one, other))
    for part, some in after.items():
        for one in some if _says_which(part, some) else ():
            others = [other for other in some if one.name in held and other is not one]
            yield from ((one, other) for other in others if _are_versions(one, other, part))


def _are_alike(one: Frame, other: Frame, stem: str) -> bool:
    """Whether two frames of one name, in two folders, may be versions of one: an export beside its original, not the
    frame of another camera that counts alike, nor one of a name that says little while a file does not say its time."""
    tells = _says_a_frame(stem) or bool(one.exif.time and other.exif.time)
    return tells and _may_be_one_camera(one, other) and not _at_another_time(one, other)


def _says_a_frame(part: str) -> bool:
    return len(part) >= _LEAST and re.search(r"\d", part) is not None


def _says_which(part: str, some: Sequence[Frame]) -> bool:
    """Whether what the names of `some` frames have in common may be the name of one frame, of which they are versions:
    it ends with a number that counts frames and is no day, and they are few, or were taken together."""
    if not _counts_frames(part) or len(some) > _MOST:
        return False
    seconds = [_second(frame) for frame in some]
    return len({*seconds} - {None}) <= _CAMERAS and seconds.count(None) <= _FEW


def _are_versions(one: Frame, other: Frame, part: str) -> bool:
    """Whether two frames in whose names `part` is may be versions of one that is called so: they were not taken at
    another time, and what else is in their names does not count frames."""
    return not _count_on(_stem(one), _stem(other), part) and not _at_another_time(one, other)


def _count_on(one: str, other: str, part: str) -> bool:
    """Whether what two names have besides `part` counts frames."""
    rest = [_COUNTER.findall(stem.replace(part, " ", 1)) for stem in (one, other)]
    counted = [sorted(pair) for pair in product(*rest) if len(pair[0]) == len(pair[1]) and pair[0] != pair[1]]
    return any(low.startswith("0") or int(high) - int(low) < _NEAR for low, high in counted)


def are_called_after_one(one: str, other: str) -> bool:
    """Whether two folded names may be those of versions of one frame, such as "th1_0001_v1" and "th1_0001_v2"."""
    both = name_parts(one) & name_parts(other)
    return any(_counts_frames(part) and not _count_on(one, other, part) for part in both)


def _counts_frames(part: str) -> bool:
    """Whether a name ends with a number that counts frames and is no day."""
    digits = re.search(r"\d+$", part)
    return digits is not None and len(digits[0]) >= _COUNTED and not _DAY.fullmatch(part)


def _of_one_moment(frames: Sequence[Frame], held: Collection[str]) -> Iterator[tuple[Frame, Frame]]:
    """(a frame, another of the same part of a second): one of the two is held, and nothing says that another camera
    took the other."""
    fine = {_camera(f) for f in frames if f.exif.time and f.exif.has_subseconds and f.exif.time.microsecond % _COARSE}
    at = defaultdict[datetime, list[Frame]](list)
    for frame in frames:
        if frame.exif.has_subseconds and _camera(frame) in fine:
            for time in sorted(_times(frame)):
                at[time].append(frame)
    still = _standing(frames)
    for some in at.values():
        for one in some:
            if one.name in held and _camera(one) not in still:
                yield from ((one, other) for other in some if other is not one and _may_be_one_camera(one, other))


def _standing(frames: Sequence[Frame]) -> set[tuple[str, str, str]]:
    """The cameras that always write the same part of a second."""
    parts = defaultdict[tuple[str, str, str], list[int]](list)
    for frame in frames:
        if frame.exif.time and frame.exif.has_subseconds:
            parts[_camera(frame)].append(frame.exif.time.microsecond)
    return {camera for camera, some in parts.items() if len(some) > 2 and len(set(some)) == 1}


def _camera(frame: Frame) -> tuple[str, str, str]:
    return frame.exif.make, frame.exif.model, frame.exif.serial


def _may_be_one_camera(one: Frame, other: Frame) -> bool:
    return all(not a or not b or a == b for a, b in zip(_camera(one), _camera(other), strict=True))


def name_parts(stem: str) -> set[str]:
    """What a folded name may be called after: from the beginning of a word, and with the whole of a number."""
    starts = [at for at in range(len(stem)) if not stem[at - 1 : at].isalnum()]
    ends = [at for at in range(_LEAST, len(stem) + 1) if not stem[at : at + 1].isdecimal()]
    parts = {stem[start:end] for start in starts for end in ends} - {stem}
    return {part for part in parts if _says_a_frame(part)}


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


def _same(some: Sequence[tuple[Frame, Path]], held: Collection[str], *, timed: bool) -> Iterator[tuple[str, str]]:
    """(a frame that is not held, one of `held` of which a file has the same octets); all files are of one size."""
    digests = cache(digest_file)
    kept = defaultdict[bytes, list[tuple[Frame, Path]]](list)
    for frame, path in some:
        if frame.name in held:
            with suppress(OSError):
                kept[_middle(path)].append((frame, path))
    for frame, path in some:
        if frame.name not in held:
            with suppress(OSError):
                alike = kept.get(_middle(path), ())
                if alike and (timed or not _is_even(path)):
                    same = (twin.name for twin, file in alike if digests(file) == digests(path))
                    yield from ((frame.name, name) for name in same)


def _middle(path: Path) -> bytes:
    with path.open("rb") as file:
        file.seek(max(0, path.stat().st_size - _PART) // 2)
        return file.read(_PART)


def _is_even(path: Path) -> bool:
    data = _middle(path)
    return len(data) < _PART or _EVEN * len(zlib.compress(data, 1)) < len(data)
