"""Which cameras' dates are not believed. A wrong date in print is worse than none, and nobody can ask at midnight."""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise

from pipeline.types import Frame

# Days between a camera's date and the start of the event, or the other frames, from which on the date is not believed:
# a tournament lasts as long (common practice, no source).
BELIEVED = timedelta(days=3)
# No camera wrote dates before there was a standard for them: Exif 1.0, JEIDA, October 1995. A clock that was never set
# says 1980 (the first date of a FAT file system), 1994 or the like.
_FIRST = datetime(1995, 10, 1)
_ONE_DAY = timedelta(hours=14)  # longer than a day's play; chosen by us, no source


def with_doubts(frames: Sequence[Frame], start: datetime | None, proven: Set[str]) -> tuple[Frame, ...]:
    """The frames with `exif.doubt` where their date must not be written.

    start   of the event; where it is known, what is days from it is doubted
    proven  names of frames whose date a person has vouched for, which counts where there is no start

    Without a start, dates within three days of each other stand together. Those that stand with a proven one are
    believed; where none is proven, the latest ones (a clock that was never set is behind) if most frames are among
    them. A frame without a time has the date of the start, unless the frames are of several days.
    """
    return tuple(_doubted(frames, start.replace(tzinfo=None)) if start else _without_start(frames, proven))


def _doubted(frames: Sequence[Frame], start: datetime) -> list[Frame]:
    times = [frame.exif.time for frame in frames if frame.exif.time is not None]
    several = any(_ONE_DAY < abs(time - start) <= BELIEVED for time in times)
    said = []
    for frame in frames:
        time, why = frame.exif.time, ""
        if time is None and several:
            why = "it has no time, and the shoot is of several days: no date is written"
        elif time is not None and abs(time - start) > BELIEVED:
            why = (
                f"the camera says {time:%Y-%m-%d}, start in the facts {start:%Y-%m-%d}: no date is written; correct "
                "start, or the camera under clocks"
            )
        said.append(_with(frame, why))
    return said


def _without_start(frames: Sequence[Frame], proven: Set[str]) -> list[Frame]:
    timed = sorted(((f.exif.time, f.name) for f in frames if f.exif.time is not None), key=lambda one: one[0])
    groups = [timed[:1]]
    for before, after in pairwise(timed):
        if after[0] - before[0] > BELIEVED:
            groups.append([])
        groups[-1].append(after)
    right = [some for some in groups if any(name in proven for _, name in some)]
    if not right and 2 * len(groups[-1]) > len(timed) and groups[-1][0][0] >= _FIRST:
        right = groups[-1:]
    believed = {name for some in right for _, name in some}
    others = f", most frames {right[0][0][0]:%Y-%m-%d}" if right else ""
    said = []
    for frame in frames:
        time, why = frame.exif.time, ""
        if time is not None and frame.name not in believed:
            if right or time < _FIRST:
                too_early = "" if right else ", before cameras wrote dates"
                why = f"the camera says {time:%Y-%m-%d}{others}{too_early}: no date is written"
            else:
                why = "the cameras' dates are days apart, and nothing tells which is right: no date is written"
        said.append(_with(frame, why))
    return said


def _with(frame: Frame, why: str) -> Frame:
    return frame if frame.exif.doubt == why else replace(frame, exif=replace(frame.exif, doubt=why))
