"""What files say of when and with what their pictures were taken."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.types import Frame


def has_lost(frame: Frame) -> bool:
    """Whether the file does not say when it was taken, or with which camera."""
    return frame.exif.time is None or not (frame.exif.make or frame.exif.model)


def camera_of(frame: Frame) -> tuple[str, str, str]:
    """Make, model and serial number, "" where the file does not say."""
    return frame.exif.make, frame.exif.model, frame.exif.serial


def may_be_one_camera(one: Frame, other: Frame) -> bool:
    """Whether nothing says that two frames are of two cameras."""
    return all(not a or not b or a == b for a, b in zip(camera_of(one), camera_of(other), strict=True))


def at_another_time(one: Frame, other: Frame) -> bool:
    """Whether both say when they were taken, and not the same, neither as their files say it nor as corrected by
    `clocks`: an edited copy may not say of which camera it is. Many programs leave out what is below a second."""
    times = [times_of(frame) for frame in (one, other)]
    if any(time.microsecond == 0 for some in times for time in some):
        times = [{time.replace(microsecond=0) for time in some} for some in times]
    return all(times) and not times[0] & times[1]


def times_of(frame: Frame) -> set[datetime]:
    """When a frame was taken as its file says and as corrected; nothing where its file does not say."""
    time, added = frame.exif.time, timedelta(seconds=frame.exif.corrected_by)
    return set() if time is None else {time, time - added}
