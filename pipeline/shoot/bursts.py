"""Bursts: frames of one camera, close in time, with one set of exposure settings."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from pipeline.model import Burst, Exif, Frame

GAP = 0.6  # seconds; the slowest bursts of sports cameras are about 3 frames a second (common practice, no source)
LONGEST = 1.5


def _settings(exif: Exif) -> tuple[object, ...]:
    return exif.iso, exif.exposure_time, exif.f_number, exif.orientation


def _zoomed(one: Exif, other: Exif) -> bool:
    if not one.focal_length or not other.focal_length:
        return one.focal_length != other.focal_length
    return abs(one.focal_length / other.focal_length - 1) > 0.02


def find_bursts(frames: Sequence[Frame], gap: float = GAP) -> tuple[Burst, ...]:
    """Every frame in exactly one burst; bursts in order of their first frame.

    Each camera (make, model, serial) is a stream of its own. A burst ends where the pause is longer than
    `gap` seconds, or 2.5 times the burst's own interval if that is longer (at most 1.5 s), or where the
    settings change. Times without sub-seconds are whole seconds, so there a pause of one second is none.
    A frame without a time is a burst of its own.
    """
    streams: dict[tuple[str, str, str], list[Frame]] = {}
    for frame in frames:
        streams.setdefault((frame.exif.make, frame.exif.model, frame.exif.serial), []).append(frame)
    groups: list[list[Frame]] = []
    for stream in streams.values():
        timed = sorted((f for f in stream if f.exif.time is not None), key=lambda f: (f.exif.time, f.name))
        groups += [[f] for f in stream if f.exif.time is None]
        current: list[Frame] = []
        for frame in timed:
            if current and not _continues(current, frame, gap):
                groups.append(current)
                current = []
            current.append(frame)
        if current:
            groups.append(current)
    place = {f.name: i for i, f in enumerate(frames)}
    groups.sort(key=lambda g: place[g[0].name])
    return tuple(Burst(tuple(f.name for f in g)) for g in groups)


def _continues(current: Sequence[Frame], frame: Frame, gap: float) -> bool:
    last = current[-1].exif
    if _settings(last) != _settings(frame.exif) or _zoomed(last, frame.exif):
        return False
    if not (last.has_subseconds and frame.exif.has_subseconds):
        return _pause(last, frame.exif) <= 1.0
    pauses = [_pause(a.exif, b.exif) for a, b in zip(current, current[1:], strict=False)]
    own = 2.5 * median(pauses) if pauses else 0.0
    return _pause(last, frame.exif) <= min(max(gap, own), LONGEST)


def _pause(one: Exif, other: Exif) -> float:
    assert one.time is not None and other.time is not None  # callers sort timed frames only
    return (other.time - one.time).total_seconds()
