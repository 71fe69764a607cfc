"""Bursts: frames of one camera, close in time, with one set of exposure settings."""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right, insort
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from statistics import median

from pipeline.shoot.clocks.bodies import Identity, identity
from pipeline.types import Burst, Exif, Frame


@dataclass(frozen=True)
class BurstLimits:
    """Where one burst ends and the next begins; common practice, no source.

    gap            s, pause within a burst: the slowest bursts of sports cameras are about 3 frames a second
    longest        s; a longer pause is another moment of the game, whatever the rate before it
    dropped        median intervals of the burst: it goes on over a frame or two that the camera dropped
    zoom           relative change of focal length; smaller ones are rounding in the lens data, not zooming
    whole_seconds  s between times of whole seconds: such times are rounded down, and a burst runs over the turn of one
    tenths         s, the same of times of tenths of a second, which some cameras write
    counted        times as long as those units must be what a burst takes, so that they tell its rate
    """

    gap: float = 0.6
    longest: float = 1.5
    dropped: float = 2.5
    zoom: float = 0.02
    whole_seconds: float = 1.0
    tenths: float = 0.1
    counted: float = 2.0


LIMITS = BurstLimits()
_ROUNDING = 1e-6
_NUMBER = re.compile(r"(.*?)(\d+)")


def find_bursts(frames: Sequence[Frame], gap: float = LIMITS.gap) -> tuple[Burst, ...]:
    """Every frame in exactly one burst; bursts in the order of their first frame in `frames`.

    Each camera body (clocks.bodies) is a stream of its own, taken in order of time, then name. A burst ends
    where ISO, exposure time, aperture or orientation differ from the frame before, where the focal length is
    more than 2 % from that of the burst's first frame, or where the pause is longer than `gap` seconds or 2.5
    times the burst's own median interval, whichever is longer, and in any case than 1.5 s.

    Times without sub-seconds are whole seconds, rounded down: two frames that read 1 s apart may be anything
    up to 2 s apart, and a burst runs over the turn of a second. There frames at most 1 s apart make one burst.
    The same holds for a camera that always writes the same sub-seconds. A frame without a time is a burst of its own.
    Raises ValueError for a gap that is not above 0 and at most 1.5 s.
    """
    if not 0 < gap <= LIMITS.longest:
        raise ValueError(f"gap of {gap} s: give more than 0 and at most {LIMITS.longest} s")
    groups: list[tuple[list[Frame], float]] = []
    streams: dict[Identity, list[tuple[datetime, Frame]]] = {}
    for frame in frames:
        exif = frame.exif
        if exif.time is None:
            groups.append(([frame], 0.0))
        else:
            streams.setdefault(identity(frame), []).append((exif.time, frame))
    for stream in streams.values():
        unit = _unit([time for time, _ in stream])
        stream.sort(key=lambda timed: (timed[0], timed[1].name))
        groups += [(group, unit) for group in _split(stream, gap, unit)]
    place = {frame.name: index for index, frame in enumerate(frames)}
    groups.sort(key=lambda group: place[group[0][0].name])
    return tuple(
        Burst(tuple(frame.name for frame in group), group[0].exif.time is not None, *_seconds(group, unit))
        for group, unit in groups
    )


def _unit(times: Sequence[datetime]) -> float:
    """Seconds that the times of one camera are rounded down to; 0 where they tell finer ones than tenths.

    Told by all of them: three digits of which the last two never change are tenths, one fraction throughout is none.
    """
    micros = [time.microsecond for time in times]
    if len(set(micros)) == 1:
        return LIMITS.whole_seconds
    return LIMITS.tenths if len({one % 100_000 for one in micros}) == 1 else 0.0


def _seconds(group: Sequence[Frame], unit: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """`seconds` and `longest` of a burst, whose camera rounds its times down to `unit` seconds."""
    times = [frame.exif.time for frame in group if frame.exif.time is not None]
    if len(times) < len(group) or len(times) < 2:
        return (), ()
    since = [(time - times[0]).total_seconds() for time in times]
    rising = all(a < b for a, b in pairwise(since))
    if not all(frame.exif.has_subseconds for frame in group) or (not unit and not rising):
        unit = LIMITS.whole_seconds
    if not unit:
        return tuple(since), tuple(since)
    longest = _longest(since, _numbers([frame.name for frame in group]), unit)
    if rising and unit < LIMITS.whole_seconds:
        return tuple(since), longest
    if since[-1] < (LIMITS.counted - _ROUNDING) * unit:
        return (), longest
    step = (since[-1] - unit) / (len(since) - 1)
    return tuple(step * at for at in range(len(since))), longest


def _longest(since: Sequence[float], numbers: Sequence[int], unit: float) -> tuple[float, ...]:
    """The most seconds of each frame since the first that times rounded down to `unit` allow: at the slowest even rate,
    counted by frames or by their numbers, whichever is slower, for some may have been thrown away."""
    slow, slow_number = _slowest_step(since, range(len(since)), unit), _slowest_step(since, numbers, unit)
    took = [0.0]
    for (a, b), (first, last) in zip(pairwise(since), pairwise(numbers), strict=True):
        step = max(slow, slow_number * (last - first))
        took.append(took[-1] + max(b - a - unit, 0.0) + step)  # what certainly passed, where frames were dropped
    return tuple(took)


def _numbers(names: Sequence[str]) -> list[int]:
    """The numbers that names end in; 0, 1, 2 ... where they do not rise or names differ in more than that."""
    found = [_NUMBER.fullmatch(name) for name in names]
    numbers = [int(one[2]) for one in found if one is not None]
    alike = len({one and one[1] for one in found}) == 1 and len(numbers) == len(names)
    rise = alike and all(a < b for a, b in pairwise(numbers))
    return numbers if rise else list(range(len(names)))


def _slowest_step(since: Sequence[float], places: Sequence[int], unit: float) -> float:
    """The most seconds from one place to the next: all of a burst took less than a unit more than its times say, and
    what one unit in the midst of it holds took less than that: a camera whose buffer is full slows down."""
    slowest = (since[-1] + unit) / (places[-1] - places[0])
    ticks = [round(one / unit) for one in since]
    for tick in set(ticks) - {ticks[0], ticks[-1]}:
        first, last = bisect_left(ticks, tick), bisect_right(ticks, tick) - 1
        slowest = max(slowest, unit / (places[last] - places[first if first < last else first - 1]))
    return slowest


def _split(stream: Sequence[tuple[datetime, Frame]], gap: float, unit: float) -> list[list[Frame]]:
    fine = unit < LIMITS.whole_seconds
    groups: list[list[Frame]] = []
    pauses: list[float] = []  # of the burst so far, sorted
    before: datetime | None = None
    for time, frame in stream:
        pause = (time - before).total_seconds() if before else 0.0
        before = time
        if groups and _same_settings(groups[-1], frame.exif):
            whole_seconds = not (fine and frame.exif.has_subseconds and groups[-1][-1].exif.has_subseconds)
            own = LIMITS.dropped * median(pauses) if pauses else 0.0
            if pause <= (LIMITS.whole_seconds if whole_seconds else min(max(gap, own), LIMITS.longest)):
                groups[-1].append(frame)
                insort(pauses, pause)
                continue
        groups.append([frame])
        pauses = []
    return groups


def _same_settings(burst: Sequence[Frame], exif: Exif) -> bool:
    last, first = burst[-1].exif, burst[0].exif
    if (last.iso, last.exposure_time, last.f_number, last.orientation) != (
        exif.iso,
        exif.exposure_time,
        exif.f_number,
        exif.orientation,
    ):
        return False
    if not first.focal_length or not exif.focal_length:
        return first.focal_length == exif.focal_length
    return abs(exif.focal_length / first.focal_length - 1) <= LIMITS.zoom
