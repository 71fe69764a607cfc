"""Frames of made-up cameras."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

from pipeline.types import Exif, Frame

EVENING = datetime(2026, 2, 14, 19)


def frame(
    relative: str,
    second: float | None = 0,
    serial: str = "",
    model: str = "W1",
    utc_offset: int | None = None,
    gps_time: datetime | None = None,
) -> Frame:
    """A frame `second` seconds after 19:00, called by its path without suffix; None: no time."""
    time = None if second is None else EVENING + timedelta(seconds=second)
    exif = Exif(make="Westerby", model=model, serial=serial, time=time, has_subseconds=True, utc_offset=utc_offset)
    path = Path(relative)
    return Frame(path.with_suffix("").as_posix(), path, relative, "raw", exif)
