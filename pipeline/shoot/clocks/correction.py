"""Applies `clocks:` to the frames of a shoot: which entry is meant for which frame, and how many seconds it adds."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cached_property

from pipeline.errors import Problem
from pipeline.shoot.clocks.bodies import (
    Body,
    as_yaml,
    bodies,
    by_time,
    folder_parts,
    folders,
    holding,
    identity,
    in_folder,
    meant,
    to_separate,
)
from pipeline.shoot.clocks.dates import days_of, with_doubts
from pipeline.shoot.clocks.days import slipped
from pipeline.shoot.clocks.entries import Clock
from pipeline.shoot.frame_names import FrameIndex
from pipeline.types import Frame

# A correction of this much or more is one of the time zone, which the camera's own offset from UTC then does not
# describe; the smallest step between time zones of today (IANA time zone database).
_ZONE_STEP = timedelta(minutes=15)
_NAMED = 12  # keys that a message names


@dataclass(frozen=True)
class Corrected:
    """What `clocks` made of the frames.

    frames  with corrected times, in order of time, then name; `exif.doubt` says whose date is not believed
    added   frame -> seconds that an entry added to its time, not 0
    right   frames whose clock is right, as the person says
    """

    frames: tuple[Frame, ...]
    added: Mapping[str, float]
    right: frozenset[str]


@dataclass(frozen=True)
class _Meant:
    """An entry with the frames that it is for, and its rank: of two for one frame the higher counts."""

    clock: Clock
    rank: int
    frames: frozenset[str]


def with_clocks(
    frames: Sequence[Frame], clocks: Iterable[Clock], start: datetime | None = None, now: datetime | None = None
) -> tuple[Corrected, list[Problem]]:
    """The frames with corrected times, and what is wrong with the entries.

    start  of the event, aware or naive, by which a reading without a date finds its day where the camera's is wrong
    now    by this computer's clock, naive; None: ask it

    Where several entries are for a frame, that of the deepest folder counts, else that of its serial number or model.
    A correction of 15 minutes or more takes away the offset from UTC, which belonged to the wrong time; so does any
    correction, and "right", where the offset is not that of the start: the person has judged that clock.
    """
    problems: list[Problem] = []
    cameras = _Cameras(frames)
    found = [entry for clock in clocks if (entry := _meant(clock, cameras, problems)) is not None]
    found = _without_repeats(found, problems)
    seconds = _Seconds(frames, found, start, problems)
    moved = [_moved(frame, seconds, start, problems) for frame in frames]
    added = {name: number for name in seconds.of if (number := seconds.frame(name))}
    right = frozenset(name for name, entry in seconds.of.items() if entry.clock.right)
    proven = {name for name in seconds.of if seconds.dates(name)}
    dated = with_doubts(sorted(moved, key=by_time), start, proven, slipped(moved, start, proven), now)
    return Corrected(dated, added, right), sorted(set(problems))


class _Cameras:
    """The cameras and folders of a shoot, found once for all entries."""

    def __init__(self, frames: Sequence[Frame]) -> None:
        self.frames = frames
        self.timed = [frame for frame in frames if frame.exif.time is not None]
        self.everybody = bodies(self.timed)
        self.untimed = [body for body in bodies(frames) if not body.times]
        self.holding = holding(frames)

    def inside(self, folder: str, frames: Sequence[Frame]) -> list[Frame]:
        """Those of `frames` in a folder."""
        return in_folder(frames, folder) if folder_parts(folder) in self.holding else []

    @cached_property
    def choices(self) -> str:
        """What can be written."""
        shown = {body.key for body in self.everybody}
        of_folders = [as_yaml(name) for name in folders(self.timed) if name not in shown and self._is_clear(name)]
        of_folder = f"a folder: {_listed(of_folders)}" if of_folders else ""
        written = ", or ".join(filter(None, (_keys(self.everybody), of_folder)))
        return "; ".join(filter(None, (written and f"write {written}", to_separate(self.everybody))))

    def _is_clear(self, name: str) -> bool:
        """Whether an entry may be called that."""
        return bool(self.inside(name, self.timed)) and _meant(Clock(name), self, []) is not None


def _meant(clock: Clock, cameras: _Cameras, problems: list[Problem]) -> _Meant | None:
    everybody = cameras.everybody
    inside = cameras.inside(clock.key, cameras.timed)
    known = [] if clock.key.endswith(("/", "\\")) else meant(clock.key, everybody)
    if len(known) > 1:
        problems.append(clock.problem(f"is {len(known)} cameras; {_choose(known, 'one of ')}"))
        return None
    of_body = frozenset(frame.name for body in known for frame in body.frames)
    of_folder = frozenset(frame.name for frame in inside)
    there = {identity(frame) for frame in inside}
    if of_body and of_folder and of_body != of_folder:
        folder = f"write {as_yaml(f'{clock.key}/')} for the folder; " if len(there) == 1 else ""
        problems.append(clock.problem(f"is a camera and a folder; {folder}for the camera, {_choose(known)}"))
        return None
    if of_body:
        return _Meant(clock, 0, of_body)
    if not of_folder:
        problems.append(_nothing(clock, cameras))
        return None
    if len(there) > 1:
        several = [body for body in everybody if identity(body.frames[0]) in there]
        problems.append(clock.problem(f"this folder holds frames of {len(several)} cameras; {_choose(several)}"))
        return None
    depth = len([part for part in clock.key.replace("\\", "/").split("/") if part not in ("", ".")])
    return _Meant(clock, 1 + depth, of_folder)


def _nothing(clock: Clock, cameras: _Cameras) -> Problem:
    """Why an entry is for no frame, and what would be."""
    if meant(clock.key, cameras.untimed) or cameras.inside(clock.key, cameras.frames):
        return clock.problem("no frame of it has a time, so there is nothing to correct; delete the line")
    if not cameras.everybody:
        return clock.problem("no frame of the shoot has a time, so there is nothing to correct; delete the line")
    return clock.problem(f"no camera or folder of this shoot is called that; {cameras.choices}")


def _keys(some: Sequence[Body]) -> str:
    """The keys of those that have one, with the models."""
    named = [body for body in some if body.key]
    return _listed([b.written if b.key == b.model or not b.model else f"{b.written} ({b.model})" for b in named])


def _choose(some: Sequence[Body], one_of: str = "") -> str:
    """What to write for one of these cameras, and what to do first for those that no key can name."""
    written = f"write {one_of}{_keys(some)}" if any(body.key for body in some) else ""
    return "; ".join(filter(None, (written, to_separate(some))))


def _listed(names: Sequence[str]) -> str:
    if len(names) > _NAMED:
        return f"{', '.join(names[:_NAMED])} and {len(names) - _NAMED} more"
    return " or ".join(filter(None, (", ".join(names[:-1]), *names[-1:])))


def _without_repeats(found: Sequence[_Meant], problems: list[Problem]) -> list[_Meant]:
    """The entries without those for the same frames as an earlier one, which are problems."""
    first: dict[frozenset[str], _Meant] = {}
    for entry in found:
        if entry.frames in first:
            other = first[entry.frames].clock
            line = other.places.get("key", (0, 0))[0]
            problems.append(
                entry.clock.problem(f"is the same camera as {other.key} on line {line}; leave one of the two out")
            )
        else:
            first[entry.frames] = entry
    return list(first.values())


class _Seconds:
    """Seconds to add to the times of each frame; entries that lean on other frames are followed."""

    def __init__(
        self, frames: Sequence[Frame], found: Sequence[_Meant], start: datetime | None, problems: list[Problem]
    ) -> None:
        self.frames: Mapping[str, Frame] = {frame.name: frame for frame in frames}
        self.index = FrameIndex(frames)
        self.start = start.replace(tzinfo=None) if start else None
        self.problems = problems
        self.of: dict[str, _Meant] = {}
        for entry in sorted(found, key=lambda each: each.rank):
            self.of.update(dict.fromkeys(entry.frames, entry))
        self.known: dict[str, float] = {}  # key of an entry -> its seconds
        for entry in found:
            self._entry(entry, ())

    @cached_property
    def event(self) -> tuple[datetime, datetime]:
        """Its first and last time, by the cameras' own."""
        assert self.start is not None
        return days_of(self.start, (f.exif.time for f in self.frames.values() if f.exif.time is not None))

    def frame(self, name: str) -> float:
        """Seconds for the frame of that name; 0 where no entry is for it, or where the entry is wrong."""
        entry = self.of.get(name)
        return 0.0 if entry is None else self.known.get(entry.clock.key, 0.0)

    def dates(self, name: str) -> bool:
        """Whether the entry for the frame of that name vouches for its date: seconds do that of its time of day only,
        and prepare writes a 0 for every camera."""
        clock = self.of[name].clock
        by_days = clock.seconds is not None and abs(clock.seconds) >= timedelta(days=1).total_seconds()
        return clock.right or by_days or (clock.shows is not None and clock.shows.day is not None)

    def _entry(self, entry: _Meant, trail: tuple[Clock, ...]) -> float:
        clock = entry.clock
        if clock in trail:
            circle = " -> ".join(each.key for each in (*trail[trail.index(clock) :], clock))
            message = (
                f"goes round in a circle ({circle}); give one of these cameras seconds, or a frame that shows a clock"
            )
            self.problems.append(clock.problem(message))
            self.known[clock.key] = 0.0
        if clock.key not in self.known:
            seconds = clock.seconds if clock.seconds is not None else self._of_frame(entry, (*trail, clock))
            self.known.setdefault(clock.key, seconds)
        return self.known[clock.key]

    def _of_frame(self, entry: _Meant, trail: tuple[Clock, ...]) -> float:
        clock = entry.clock
        own = self._timed(clock, "frame", entry.frames)
        if own is None or own.exif.time is None:
            return 0.0
        if own.name not in entry.frames:
            there = next(body for body in bodies(self.frames.values()) if own.name in {f.name for f in body.frames})
            self.problems.append(
                clock.problem(f"{own.name} was taken by {there.name}; name a frame of this one", "frame")
            )
            return 0.0
        if clock.shows is not None:
            near = own.exif.time
            if self.start is not None and not self.event[0] <= near <= self.event[1]:
                near = self.start
            return (clock.shows.near(near) - own.exif.time).total_seconds()
        other = self._timed(clock, "same_as", self.frames.keys() - entry.frames)
        if other is None or other.exif.time is None:
            return 0.0
        if identity(other) == identity(own) or other.name in entry.frames:
            message = f"{other.name} is of the same camera as {own.name}; name a frame of another camera"
            self.problems.append(clock.problem(message, "same_as"))
            return 0.0
        leans_on = self.of.get(other.name)
        seconds = self._entry(leans_on, trail) if leans_on is not None else 0.0
        return (other.exif.time - own.exif.time).total_seconds() + seconds

    def _timed(self, clock: Clock, part: str, among: Set[str]) -> Frame | None:
        """The frame that `part` of an entry names; None, with a problem, where there is none or it has no time.

        among  the frames that it should name: two cameras may have frames of one name
        """
        written = getattr(clock, part)
        name, why = FrameIndex([self.frames[name] for name in among]).find(written)
        if name is None:
            name, why = self.index.find(written)
        if name is None:
            self.problems.append(clock.problem(why, part))
        elif self.frames[name].exif.time is None:
            self.problems.append(clock.problem(f"{name} has no time; name another frame", part))
        else:
            return self.frames[name]
        return None


def _moved(frame: Frame, seconds: _Seconds, start: datetime | None, problems: list[Problem]) -> Frame:
    exif, added = frame.exif, seconds.frame(frame.name)
    if exif.time is None or not (added or (frame.name in seconds.of and seconds.of[frame.name].clock.right)):
        return frame
    try:
        shift = timedelta(seconds=added)
        time = exif.time + shift
    except OverflowError:
        clock = seconds.of[frame.name].clock
        problems.append(clock.problem(f"{added:.6g} seconds cannot be the error of a clock; correct it", ""))
        return frame
    zone = start.utcoffset() if start else None
    other_zone = zone is not None and exif.utc_offset != zone.total_seconds() / 60
    offset = None if other_zone or abs(shift) >= _ZONE_STEP else exif.utc_offset
    return replace(frame, exif=replace(exif, time=time, utc_offset=offset, corrected_by=added))
