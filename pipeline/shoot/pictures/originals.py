"""Which frames of a shoot are surely pictures of their own, and which may be copies, or their originals."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from enum import Enum
from functools import cached_property, lru_cache
from itertools import pairwise
from pathlib import Path, PurePosixPath

from pipeline.formats.exif import read_tags
from pipeline.formats.jpeg_segments import FRAMES, walk
from pipeline.formats.source import DamagedError, Source
from pipeline.shoot.pictures.said import at_another_time, has_lost, may_be_one_camera
from pipeline.types import Frame

_SOFTWARE, _MAKER_NOTE = 0x0131, 0x927C  # Exif 2.32
_LEAST = 3  # frames that tell how a camera writes its files. No source
_KEPT = 1 << 14


class Role(Enum):
    """What a frame may be to one that is held: a copy; in the place of another, which it replaced; or the picture of
    which the one that is held is a copy."""

    COPY = "copy"
    REPLACED = "replaced"
    ORIGINAL = "original"


class Originals:
    """Which frames are surely pictures of their own: those that stand in their place among the others of a camera and
    folder, the next number taken no earlier, saved as the others were. A copy that says another time, as some programs
    write the time of saving, mostly has another name or folder."""

    def __init__(
        self, frames: Sequence[Frame], held: Sequence[Frame], paired: Mapping[str, Collection[str]] | None = None
    ) -> None:
        """held  frames that are; paired  of them, which others have their name, moment or octets: of the rest the
        original may be among those in their place. None: they are copies, whose originals are known"""
        self._series = defaultdict[tuple[str, ...], list[Frame]](list)
        for frame in frames:
            if not has_lost(frame):
                self._series[_series(frame)].append(frame)
        self._in_place: dict[str, Frame] = {}
        for some in self._series.values():
            some.sort(key=_count)
            times = [one.exif.time or datetime.max for one in some]
            rises = [earlier <= later for earlier, later in pairwise(times)]
            for one, before, after in zip(some, [True, *rises], [*rises, True], strict=True):
                if before and after and len(some) > 1:
                    self._in_place[one.name] = one
        self._held = {_series(frame) for frame in held}
        self._held_raws = {_numbered(frame) for frame in held if frame.kind != "picture"}
        alone = [of for of in held if paired is not None and self._in_place.keys().isdisjoint(paired.get(of.name, ()))]
        self._of = {of.name: self._originals_of(of) for of in alone}

    def asked(self, frames: Sequence[Frame], settled: Collection[str]) -> list[Frame]:
        """The frames that may be something to one that is held, whichever it is. One that is `settled` is asked only
        where another may be taken for the original in its stead."""
        sought = [some for some in self._of.values() if not some <= set(settled)]
        originals = frozenset[str]().union(*sought)
        return [one for one in frames if one.name in originals or (one.name not in settled and self._may_be_copy(one))]

    def _may_be_copy(self, frame: Frame) -> bool:
        if frame.name not in self._in_place:
            return True
        if frame.kind != "picture" and _numbered(frame) in self._held_raws:
            return True
        return bool(self._held) and (_exported(frame, self._held) or frame.name in self._odd)

    def role(self, frame: Frame, of: Frame) -> Role | None:
        """What a frame may be to one that is held, for all that their files say; None where nothing: in its place, only
        a copy of what the same camera called otherwise or put into another folder, or one of the others of `Role`."""
        if frame.name not in self._in_place or _exported(frame, {_series(of)}):
            return Role.COPY
        if frame.kind != "picture" and of.kind == frame.kind and _numbered(frame) == _numbered(of):
            return Role.COPY  # of a folder in which all times were set anew
        if frame.name in self._of.get(of.name, ()):
            return Role.ORIGINAL
        return Role.REPLACED if self._held and frame.name in self._odd else None

    def must_be_sure(self, frame: Frame, of: Frame) -> bool:
        """Whether what their files say speaks against a frame being to one that is held what its `role` is."""
        role = self.role(frame, of)
        if role is Role.ORIGINAL:
            return at_another_time(frame, of) or not (has_lost(of) or of.name in self._in_place)
        return role is Role.REPLACED

    def is_in_place(self, frame: Frame) -> bool:
        """Whether a frame stands where its number and time say."""
        return frame.name in self._in_place

    def _originals_of(self, of: Frame) -> frozenset[str]:
        """Frames in their place of which one may be the original of a copy that is held: where both say when they were
        taken those of its moment, if there are any, for programs that save a picture anew may write another time."""
        if of.kind != "picture":
            return frozenset()
        here = [one for one in self._in_place.values() if one is not of and may_be_one_camera(one, of)]
        if of.name in self._in_place:  # in a row of its own, as exports under other names are
            here = [one for one in here if _series(one) != _series(of) and not at_another_time(one, of)]
            return frozenset(one.name for one in here)
        then = [one.name for one in here if of.exif.time is not None and not at_another_time(one, of)]
        return frozenset(then or [one.name for one in here])

    @cached_property
    def _odd(self) -> frozenset[str]:
        """Frames in their place that were saved otherwise than most of their row."""
        found: set[str] = set()
        for some in self._series.values():
            here = [one for one in some if one.name in self._in_place]
            if len(here) >= _LEAST:
                found |= _unlike_most(here)
        return frozenset(found)


def _unlike_most(frames: Sequence[Frame]) -> set[str]:
    ways = {one.name: _way_of_saving(one) for one in frames}
    way, count = Counter(ways.values()).most_common(1)[0]
    if 2 * count <= len(frames):
        return set()
    return {one.name for one in frames if ways[one.name] != way}


def _way_of_saving(frame: Frame) -> tuple[object, ...]:
    """What the files of one camera have in common, and one that a program saved anew mostly has not. Cameras change
    their quantisation from frame to frame, and programs that rate add XMP to what they leave as it is."""
    if frame.kind != "picture":
        return frame.kind, frame.path.suffix.casefold()  # a program converts it into another
    try:
        told = frame.path.stat()
        return _read_way(frame.path, told.st_mtime_ns, told.st_size)
    except OSError:
        return ("unread",)


@lru_cache(maxsize=_KEPT)
def _read_way(path: Path, _changed: int, _size: int) -> tuple[object, ...]:
    with path.open("rb") as file:
        source = Source.whole(file)
        tags, of_frame = read_tags(source), b""
        try:
            for place in walk(source):
                if place.marker in FRAMES:
                    of_frame = bytes([place.marker]) + place.payload.read(0, place.payload.length)
        except DamagedError:
            pass
        return path.suffix.casefold(), of_frame, tags.text(_SOFTWARE), _MAKER_NOTE in tags.fields


def _exported(frame: Frame, held: Collection[tuple[str, ...]]) -> bool:
    """Whether a picture may be an export of a frame of the rows that are held: of the same camera, in another row."""
    own = _series(frame)
    return frame.kind == "picture" and any(one != own and one[:2] == own[:2] for one in held)


def _series(frame: Frame) -> tuple[str, ...]:
    """What frames that one camera numbered have in common."""
    path = PurePosixPath(frame.relative)
    exif = frame.exif
    return exif.make, exif.model, exif.serial, str(path.parent), re.sub(r"\d+", "0", path.stem)


def _numbered(frame: Frame) -> tuple[str, ...]:
    """What the frames that one camera gave one name have in common, whatever their folder."""
    return frame.exif.make, frame.exif.model, frame.exif.serial, PurePosixPath(frame.relative).stem.casefold()


def _count(frame: Frame) -> tuple[int, ...]:
    return tuple(map(int, re.findall(r"\d+", PurePosixPath(frame.relative).stem)))
