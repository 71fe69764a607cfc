"""Which cameras' dates are not believed. A wrong date in print is worse than none, and nobody can ask at midnight."""

from __future__ import annotations

from collections.abc import Iterable, Sequence, Set
from dataclasses import replace
from datetime import datetime, timedelta

from pipeline.types import Frame

# Days to the next date, or to the start of the event, up to which dates stand together: of a tournament some days may
# be without pictures (common practice, no source).
BELIEVED = timedelta(days=3)
# No camera wrote dates before there was a standard for them: Exif 1.0, JEIDA, October 1995. A clock that was never set
# says 1980 (the first date of a FAT file system), 1994 or the like.
_FIRST = datetime(1995, 10, 1)
_AHEAD = timedelta(hours=26)  # of this computer's clock: UTC+14 to UTC-12, the zones of today (IANA time zone database)
_ONE_DAY = timedelta(hours=14)  # longer than a day's play; chosen by us, no source


def with_doubts(
    frames: Sequence[Frame],
    start: datetime | None,
    proven: Set[str],
    another_day: Set[str] = frozenset(),
    now: datetime | None = None,
) -> tuple[Frame, ...]:
    """The frames with `exif.doubt` where their date must not be written.

    start        of the event; where it is known, what does not stand with it is doubted
    proven       names of frames whose date a person has vouched for
    another_day  names of those whose day is doubted, since the hours fit another camera's (days.slipped)
    now          by this computer's clock, naive; None: ask it

    Dates of which each is within three days of the next stand together. Without a start, those that stand with a proven
    one are believed; where none is proven, the latest ones if most frames are among them, since a clock that was never
    set is behind. Neither those before cameras wrote dates nor those in the future count there. A frame without a time
    has the date of the start, unless the frames are of several days.
    """
    said = _doubted(frames, start.replace(tzinfo=None)) if start else _without_start(frames, proven, now)
    for at, frame in enumerate(said):
        if frame.name in another_day and not frame.exif.doubt:
            why = (
                f"the camera says {frame.exif.time:%Y-%m-%d}, and another took pictures at these hours of another day: "
                "no date is written; correct it under clocks, or write there that it is right"
            )
            said[at] = _with(frame, why)
    return tuple(said)


def stand_together(times: Iterable[datetime]) -> list[list[datetime]]:
    """The times in order, in groups with more than three days in between."""
    groups: list[list[datetime]] = []
    for time in sorted(times):
        if not groups or time - groups[-1][-1] > BELIEVED:
            groups.append([])
        groups[-1].append(time)
    return groups


def days_of(start: datetime, times: Iterable[datetime]) -> tuple[datetime, datetime]:
    """The first and the last of the times that stand with `start`, naive, itself among them."""
    event = next(some for some in stand_together([*times, start]) if some[0] <= start <= some[-1])
    return event[0], event[-1]


def _doubted(frames: Sequence[Frame], start: datetime) -> list[Frame]:
    times = [frame.exif.time for frame in frames if frame.exif.time is not None]
    first, last = days_of(start, times)
    several = last - start > _ONE_DAY or start - first > _ONE_DAY
    said = []
    for frame in frames:
        time, why = frame.exif.time, ""
        if time is None and several:
            why = "it has no time, and the shoot is of several days: no date is written"
        elif time is not None and not first <= time <= last:
            why = (
                f"the camera says {time:%Y-%m-%d}, start in the facts {start:%Y-%m-%d}: no date is written; correct "
                "start, or the camera under clocks"
            )
        said.append(_with(frame, why))
    return said


def _without_start(frames: Sequence[Frame], proven: Set[str], now: datetime | None) -> list[Frame]:
    latest = (now or datetime.now()) + _AHEAD
    groups = stand_together(frame.exif.time for frame in frames if frame.exif.time is not None)
    vouched = {frame.exif.time for frame in frames if frame.name in proven}
    right = [some for some in groups if not vouched.isdisjoint(some)]
    possible = [some for some in groups if some[0] >= _FIRST and some[-1] <= latest]
    if not right and possible and 2 * len(possible[-1]) > sum(map(len, possible)):
        right = possible[-1:]
    believed = {time for some in right for time in some}
    said = []
    for frame in frames:
        time, why = frame.exif.time, ""
        if time is not None and time not in believed:
            if right:
                why = f"the camera says {time:%Y-%m-%d}, others {right[0][0]:%Y-%m-%d}: no date is written"
            elif time < _FIRST:
                why = f"the camera says {time:%Y-%m-%d}, before cameras wrote dates: no date is written"
            elif time > latest:
                today = latest - _AHEAD
                why = f"the camera says {time:%Y-%m-%d}, this computer's clock {today:%Y-%m-%d}: no date is written"
            else:
                why = "the cameras' dates are days apart, and nothing tells which is right: no date is written"
        said.append(_with(frame, why))
    return said


def _with(frame: Frame, why: str) -> Frame:
    return frame if frame.exif.doubt == why else replace(frame, exif=replace(frame.exif, doubt=why))
