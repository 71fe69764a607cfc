"""Bursts: frames of one camera, close in time, with one set of exposure settings."""

from __future__ import annotations

from bisect import insort
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
    counted        s that a burst takes by such times, from which they tell its rate
    """

    gap: float = 0.6
    longest: float = 1.5
    dropped: float = 2.5
    zoom: float = 0.02
    whole_seconds: float = 1.0
    counted: float = 2.0


LIMITS = BurstLimits()


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
    groups: list[list[Frame]] = []
    streams: dict[Identity, list[tuple[datetime, Frame]]] = {}
    for frame in frames:
        exif = frame.exif
        if exif.time is None:
            groups.append([frame])
        else:
            streams.setdefault(identity(frame), []).append((exif.time, frame))
    for stream in streams.values():
        groups += _split(sorted(stream, key=lambda timed: (timed[0], timed[1].name)), gap)
    place = {frame.name: index for index, frame in enumerate(frames)}
    groups.sort(key=lambda group: place[group[0].name])
    return tuple(
        Burst(tuple(frame.name for frame in group), group[0].exif.time is not None, _seconds(group)) for group in groups
    )


def _seconds(group: Sequence[Frame]) -> tuple[float, ...]:
    """Seconds of each frame of a burst since the first; none where the times do not tell."""
    times = [frame.exif.time for frame in group if frame.exif.time is not None]
    if len(times) < len(group) or len(times) < 2:
        return ()
    since = [(time - times[0]).total_seconds() for time in times]
    if all(frame.exif.has_subseconds for frame in group) and all(a < b for a, b in pairwise(since)):
        return tuple(since)
    if since[-1] < LIMITS.counted:
        return ()
    # Whole seconds: the longest that the burst can have taken, so that nobody counts as faster than they were.
    step = (since[-1] + 1) / (len(since) - 1)
    return tuple(step * at for at in range(len(since)))


def _split(stream: Sequence[tuple[datetime, Frame]], gap: float) -> list[list[Frame]]:
    fine = len({time.microsecond for time, _ in stream}) > 1
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
