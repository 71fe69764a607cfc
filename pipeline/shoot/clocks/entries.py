"""`clocks:` of shoot.yaml as it is written: what each key may hold, with its place in the file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any

from pipeline.errors import Problem
from pipeline.textfile.messages import did_you_mean
from pipeline.textfile.yamlfile import Document

_WRITE = 'write seconds such as -3.2, {frame: A_0012, shows: "19:30:12"} or {frame: A_0012, same_as: B_0033}'
_SHOWS = 'write what the clock in the picture shows, by 24 hours and with its seconds: "19:30:12"'
_NUMBER = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)")
_DECIMAL_COMMA = re.compile(r"[-+]?\d*,\d+")
_CLOCK_TIME = re.compile(r"\d{1,2}:\d{2}(:\d{2})?.*")
_READING = re.compile(
    r"(?:(?P<date>\d{4}-\d{2}-\d{2})[ T]+)?(?P<hour>\d{1,2}):(?P<minute>\d{2}):(?P<second>\d{2})"
    r"(?:[.,](?P<fraction>\d{1,6}))?"
)
_RIGHT = "right"
_PARTS = ("frame", "shows", "same_as")
_Place = tuple[int, int]


@dataclass(frozen=True)
class Reading:
    """What a clock in a picture shows: time since midnight, at most 24 h; its day where a date is given."""

    since_midnight: timedelta
    day: date | None = None

    def near(self, moment: datetime) -> datetime:
        """The moment that is meant: on its own day, else on the day that brings it nearest to `moment`."""
        if self.day is not None:
            return datetime.combine(self.day, time()) + self.since_midnight
        midnight = datetime.combine(moment.date(), time())
        days = (midnight + timedelta(days=step) for step in (-1, 0, 1))
        return min((day + self.since_midnight for day in days), key=lambda there: abs(there - moment))


@dataclass(frozen=True)
class Clock:
    """One entry of `clocks`.

    key      a serial number or its end, a model, or a folder, as written
    seconds  to add to that camera's times; None where a frame says it
    right    the person says that this clock is right, whatever other cameras say: it is not named again
    frame    a frame of that camera, which `shows` a clock or was taken in the same moment as the frame `same_as`
    file, places  where it stands: "" the value, "key" the key, and each part -> (line, column)
    """

    key: str
    seconds: float | None = None
    frame: str = ""
    shows: Reading | None = None
    same_as: str = ""
    right: bool = False
    file: str = field(default="", compare=False)
    places: Mapping[str, _Place] = field(default_factory=dict, compare=False)

    def problem(self, message: str, part: str = "key") -> Problem:
        """A problem of this entry, at its key or another of its parts."""
        return Problem(self.file, *self.places.get(part, (0, 0)), f"clocks {self.key}: {message}")


def read_clocks(written: Any, doc: Document, problems: list[Problem]) -> tuple[Clock, ...]:
    """The entries of `clocks`, which stands in `doc`; what does not fit is left out and added to `problems`."""
    if not isinstance(written, dict):
        problems.append(doc.problem(("clocks",), "clocks: write a camera, a colon and seconds, such as 0012: -3.2"))
        return ()
    found: list[Clock] = []
    for key, value in written.items():
        clock = _clock(key, value, doc)
        if isinstance(clock, Clock):
            found.append(clock)
        else:
            problems.append(clock)
    return tuple(found)


def _clock(key: str, value: Any, doc: Document) -> Clock | Problem:
    path = ("clocks", key)
    text = doc.texts.get(path)
    places = {"": doc.at(path), "key": doc.at(path, key=True)}
    if isinstance(value, dict):
        return _of_frame(key, value, doc, places)
    if isinstance(value, int | float) and not isinstance(value, bool):
        return Clock(key, float(value), file=doc.file, places=places)
    if value == _RIGHT:
        return Clock(key, 0.0, right=True, file=doc.file, places=places)
    if value is None and re.fullmatch(r"\d+", key):
        # {0012: -3,2} is two entries to YAML: -3, and a key 2 without a value.
        return doc.problem(path, f"clocks {key}: has no value; write decimals with a point, such as -3.2")
    if isinstance(value, str) and _NUMBER.fullmatch(value.strip()):
        return Clock(key, float(value), file=doc.file, places=places)
    if isinstance(value, str) and _DECIMAL_COMMA.fullmatch(value.strip()):
        point = value.strip().replace(",", ".")
        return doc.problem(path, f"clocks {key}: {value} is not a number; write it with a point: {point}")
    if isinstance(value, str) and _CLOCK_TIME.fullmatch(value.strip()):
        return doc.problem(
            path, f'clocks {key}: name the frame that shows this time: {{frame: A_0012, shows: "{value.strip()}"}}'
        )
    said = f"{' '.join(text.split())[:40]} is not a number; " if text else ""
    return doc.problem(path, f"clocks {key}: {said}{_WRITE}")


def _of_frame(key: str, value: dict[str, Any], doc: Document, places: dict[str, _Place]) -> Clock | Problem:
    path = ("clocks", key)
    for part in value:
        if part not in _PARTS:
            hint = did_you_mean(part, _PARTS) or f"; {_WRITE}"
            return doc.problem((*path, part), f"clocks {key}: no key {part}{hint}", key=True)
        if (*path, part) not in doc.texts or not doc.texts[*path, part].strip():
            return doc.problem((*path, part), f"clocks {key}: {part} is empty or a list; {_WRITE}")
    texts = {part: doc.texts[*path, part].strip() for part in value}
    places |= {part: doc.at((*path, part)) for part in value}
    if "frame" not in texts or len(texts) != 2:
        return doc.problem(path, f"clocks {key}: give frame and one of shows and same_as; {_WRITE}")
    shows = None
    if "shows" in texts:
        shows = reading_of(texts["shows"])
        if shows is None:
            return doc.problem((*path, "shows"), f"clocks {key}: {texts['shows']} is not a time; {_SHOWS}")
    return Clock(key, None, texts["frame"], shows, texts.get("same_as", ""), file=doc.file, places=places)


def reading_of(text: str) -> Reading | None:
    """ "19:30:12", "19:30:12.4" or "2026-02-14 19:30:12" (ISO 8601, 24:00:00 is the end of a day); else None."""
    match = _READING.fullmatch(text)
    if match is None:
        return None
    hour, minute, second = (int(match[part]) for part in ("hour", "minute", "second"))
    fraction = timedelta(microseconds=int((match["fraction"] or "").ljust(6, "0")))
    if minute > 59 or second > 59 or hour > 24 or (hour == 24 and (minute or second or fraction)):
        return None
    try:
        day = date.fromisoformat(match["date"]) if match["date"] else None
    except ValueError:
        return None
    return Reading(timedelta(hours=hour, minutes=minute, seconds=second) + fraction, day)
