"""Frames that are copies of others: what is held back in one must not go out in another."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence, Set
from contextlib import suppress
from datetime import datetime
from functools import cache
from itertools import product
from pathlib import Path, PurePosixPath

from pipeline.shoot.kinds import suffix_of
from pipeline.shoot.pictures.coded import coded_picture, is_even
from pipeline.shoot.pictures.copied import Compared, same_pictures
from pipeline.shoot.pictures.looks import KeptLooks
from pipeline.shoot.pictures.originals import Role
from pipeline.shoot.pictures.said import at_another_time, camera_of, has_lost, may_be_one_camera, times_of
from pipeline.shoot.pictures.stored import same_stored
from pipeline.shoot.pictures.untold import hall_said, unseen_said
from pipeline.store.cache import NO_CACHE, Cache
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
CODED = "its picture is, to the last bit, that of {frame}, which is held back: only what is said of it is another"
ORIGINAL = (
    "it may be the picture of which {frame}, which is held back, is a copy; if it is another, write under players who "
    "is in it"
)
REPLACED = (
    "its file was saved otherwise than those beside it, and its picture may be that of {frame}, which is held back; if "
    "it is another, write under players who is in it"
)
_TEXTS = (SAME, VERSION, MOMENT, PICTURE, ELSEWHEN, CODED, ORIGINAL, REPLACED)
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
_DAY = re.compile(r"(?:.*\D)?(?:19|20)\d\d(?:0\d|1[0-2])(?:[0-2]\d|3[01])")


def copies(
    frames: Sequence[Frame],
    held: Collection[str],
    named: Collection[str],
    notices: list[str] | None = None,
    cache: Cache = NO_CACHE,
) -> dict[str, str]:
    """Frame -> why it is to be held back as well: it is the very file or picture of one of `held`; or it has the name
    of one in another folder, or one of the two is called after the other, such as "TH1_0001 (1)" or "TH1_0001_edit", or
    both after a third that need not be there, and they were not taken at another time; or one camera took both at one
    part of a second, which it cannot; or it shows the same, and its file does not say credibly that it is a picture of
    its own, or that one is a copy of it. So is a copy of such a copy.

    named    frames of which a person wrote who is in them: these are not judged by their names, times and looks
    notices  takes what could not be told; cache  keeps what pictures look like
    """
    found: dict[str, str] = {}
    kept = KeptLooks(cache, frames)
    unseen, of_hall, asked = list[str](), dict[str, Sequence[str]](), dict[str, None]()
    last = frozenset(held)
    while last:
        exactly = (SAME.partition("{frame}")[0], CODED.partition("{frame}")[0])
        of_octets = {name for name in last if not found.get(name, "").startswith(exactly)}  # else all were found
        more, sure, compared = _copies_of(
            frames, last, of_octets, {*held, *found}, named, kept, {one for some in of_hall.values() for one in some}
        )
        last = frozenset(sure.difference(found))  # what is only near to one, as the next of a burst is, ends it
        found |= more
        unseen += compared.unseen
        of_hall |= compared.hall
        asked |= dict.fromkeys(compared.asked)
    if notices is not None:
        free = [name for name in asked if name not in found]
        notices += [*unseen_said(dict.fromkeys(unseen), free), *hall_said(of_hall, found)]
    return found


def _copies_of(
    frames: Sequence[Frame],
    held: Set[str],
    of_octets: Set[str],
    known: Set[str],
    named: Collection[str],
    kept: KeptLooks,
    of_hall: Set[str],
) -> tuple[dict[str, str], set[str], Compared]:
    """(frame -> why it is held, of those that are not `known` to be, which of them surely are copies, what came of
    comparing pictures). of_hall  frames that proved to show only the hall of one: what is a copy of it tells no more"""
    found: dict[str, str] = {}
    paired = defaultdict[str, set[str]](set)
    settled = {*known, *named}
    for pairs, why in ((_of_one_moment(frames, held), MOMENT), (_versions(frames, held), VERSION)):
        for one, other in pairs:
            for frame, twin in ((one, other), (other, one)):
                if twin.name in held:
                    paired[twin.name].add(frame.name)
                    if frame.name not in settled:
                        found[frame.name] = why.format(frame=twin.name)
    for name, of, why in _of_octets(frames, of_octets):
        paired[of].add(name)
        if name not in known:
            found[name] = why.format(frame=of)
    sure = set(found)
    compared = same_pictures(
        frames, held, {*settled, *found, *of_hall}, of_copies=held != known, paired=paired, kept=kept
    )
    for hit in compared.found:
        of_copy = PICTURE if has_lost(hit.frame) else ELSEWHEN
        why = {Role.COPY: of_copy, Role.ORIGINAL: ORIGINAL, Role.REPLACED: REPLACED}[hit.role]
        found[hit.frame.name] = why.format(frame=hit.of)
        sure |= {hit.frame.name} if hit.surely else set()
    return found, sure, compared


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
                yield from ((one, other) for other in some if not at_another_time(one, other))
    for part, some in after.items():
        for one in some if _says_which(part, some) else ():
            others = [other for other in some if one.name in held and other is not one]
            yield from ((one, other) for other in others if _are_versions(one, other, part))


def _are_alike(one: Frame, other: Frame, stem: str) -> bool:
    """Whether two frames of one name, in two folders, may be versions of one: an export beside its original, not the
    frame of another camera that counts alike, nor one of a name that says little while a file does not say its time."""
    tells = _says_a_frame(stem) or bool(one.exif.time and other.exif.time)
    return tells and may_be_one_camera(one, other) and not at_another_time(one, other)


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
    return not _count_on(_stem(one), _stem(other), part) and not at_another_time(one, other)


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
    fine = {camera_of(f) for f in frames if f.exif.time and f.exif.has_subseconds and f.exif.time.microsecond % _COARSE}
    at = defaultdict[datetime, list[Frame]](list)
    for frame in frames:
        if frame.exif.has_subseconds and camera_of(frame) in fine:
            for time in sorted(times_of(frame)):
                at[time].append(frame)
    still = _standing(frames)
    for some in at.values():
        for one in some:
            if one.name in held and camera_of(one) not in still:
                yield from ((one, other) for other in some if other is not one and may_be_one_camera(one, other))


def _standing(frames: Sequence[Frame]) -> set[tuple[str, str, str]]:
    """The cameras that always write the same part of a second."""
    parts = defaultdict[tuple[str, str, str], list[int]](list)
    for frame in frames:
        if frame.exif.time and frame.exif.has_subseconds:
            parts[camera_of(frame)].append(frame.exif.time.microsecond)
    return {camera for camera, some in parts.items() if len(some) > 2 and len(set(some)) == 1}


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


def _of_octets(frames: Sequence[Frame], held: Set[str]) -> Iterator[tuple[str, str, str]]:
    """(a frame, one of `held` of which a file has the same octets, or the same coded picture; in which of the texts)"""
    files = defaultdict[tuple[datetime | None, int], list[tuple[Frame, Path]]](list)
    pictures = defaultdict[str, list[Frame]](list)
    stored: dict[Path, Frame] = {}
    kinds = {_is_jpeg(path) for frame in frames if frame.name in held for path in frame.files}
    for frame in frames:
        for path in frame.files:
            with suppress(OSError):  # one that cannot be read fails by itself
                files[_second(frame), path.stat().st_size].append((frame, path))
                if _is_jpeg(path) in kinds:
                    if _is_jpeg(path):
                        pictures[coded_picture(path)].append(frame)
                    else:
                        stored[path] = frame
    for digest, alike in pictures.items():
        for of in alike if digest else ():
            if of.name in held:
                yield from ((one.name, of.name, CODED) for one in alike if one.name not in held)
    kept = [path for path, frame in stored.items() if frame.name in held]
    others = [path for path, frame in stored.items() if frame.name not in held]
    yield from ((stored[one].name, stored[of].name, CODED) for one, of in same_stored(kept, others))
    for (second, _), some in files.items():
        if len(some) > 1 and any(frame.name in held for frame, _ in some):
            yield from ((one, of, SAME) for one, of in _same(some, held, timed=second is not None))


def _is_jpeg(path: Path) -> bool:
    return suffix_of(path) in ("jpg", "jpeg")


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
    return len(data) < _PART or is_even(data)
