"""Rows of frames.csv whose time is that of another frame than the one that they name: files have other names by now, or
cells slipped."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from operator import itemgetter
from pathlib import Path
from typing import TypeVar

from pipeline.shoot.clocks.bodies import card_folder
from pipeline.shoot.frame_names import FrameIndex, Meant
from pipeline.shoot.pictures.said import camera_of, may_be_one_camera
from pipeline.textfile.messages import and_more
from pipeline.textfile.tables import Row
from pipeline.types import Frame

_Of = TypeVar("_Of")
_SAME_TIME = timedelta(milliseconds=1.5)  # frames.csv has thousandths, which some spreadsheets leave out, or seconds
_ALIKE = 0.05  # seconds within which rows are off by the same. No source


def put_in_doubt(meanings: Sequence[tuple[Row, Meant]], index: FrameIndex) -> list[tuple[Row, Meant]]:
    """The rows of frames.csv, each with the frame that it means; in doubt where its time is not that of this frame but
    that of another one."""
    off = {at: away for at, (row, meant) in enumerate(meanings) if (away := _away(row, meant, index)) is not None}
    wrong = {at: away for at, away in off.items() if away[1]}
    every, alike = Counter(camera for camera, _ in off.values()), Counter(wrong.values())
    slipped = _slipped(meanings, ((at, away[0]) for at, away in off.items()), index) if wrong else {}
    # Most of a camera and folder, as entries of `clocks` are for: a clock was set. Where half of these have the time of
    # a frame as many frames on, cells slipped: the others' frames were deleted, or lie in another folder.
    set_right = {away for away, count in alike.items() if count > max(2 * slipped[away[0]], every[away[0]] // 2)}
    taken = sorted((time, name) for name, frame in index.frames.items() if (time := frame.exif.time))
    found = []
    for at, (row, meant) in enumerate(meanings):
        others = _taken_then(row, meant, index, taken) if at in wrong and wrong[at] not in set_right else []
        if others:
            table, whose = Path(row.file).name, and_more(others)
            why = f"the time in {table} is not that of {meant.name} but of {whose}; correct frame or time"
            meant = Meant(None, why, (*meant.may, *others))
        found.append((row, meant))
    return found


def _slipped(
    meanings: Sequence[tuple[Row, Meant]], bodies: Iterable[tuple[int, tuple[str, ...]]], index: FrameIndex
) -> dict[tuple[str, ...], int]:
    """Camera and folder -> most of its rows that have the time of the frame as many frames on, of its own or of all.
    Where cells slipped, all do; and within a burst of even pace, or of two bodies that one hand releases, these are off
    by one and the same time, as rows are whose clock was set."""
    order: dict[tuple[str, ...], list[tuple[datetime, str]]] = {}
    for name, frame in index.frames.items():
        if frame.exif.time is not None:
            for whose in (_body(frame), ()):
                order.setdefault(whose, []).append((frame.exif.time, name))
    taken = {whose: [(time, at) for at, (time, _) in enumerate(sorted(of))] for whose, of in order.items()}
    places = {(whose, name): at for whose, of in order.items() for at, (_, name) in enumerate(sorted(of))}
    found: dict[tuple[str, ...], Counter[tuple[tuple[str, ...], int]]] = {}
    for at, body in bodies:
        row, meant = meanings[at]
        for whose in (body, ()):
            here = places[whose, meant.name or ""]
            there = _of_time(taken[whose], _time_of(row))
            found.setdefault(body, Counter()).update((whose, other - here) for other in there if other != here)
    return {body: max(slips.values(), default=0) for body, slips in found.items()}


def _body(frame: Frame) -> tuple[str, ...]:
    """Its camera and folder: two bodies may say nothing of which they are, and each have a clock of its own."""
    return (*camera_of(frame), card_folder(frame))


def _time_of(row: Row) -> datetime | None:
    try:
        return datetime.fromisoformat(row["time"]).replace(tzinfo=None)
    except ValueError:
        return None


def _away(row: Row, meant: Meant, index: FrameIndex) -> tuple[tuple[str, ...], int] | None:
    """(camera and folder, how far the time of its frame is from that of a row, 0 where it is the same); None where one
    of them is not known. Two bodies may say nothing of which they are, and each have a clock of its own."""
    frame, time = index.frames[meant.name] if meant.name else None, _time_of(row)
    if frame is None or frame.exif.time is None or time is None:
        return None
    away = frame.exif.time - time
    same = abs(away) <= _SAME_TIME or time in _saved_shorter(frame.exif.time)
    return _body(frame), 0 if same else round(away.total_seconds() / _ALIKE) or 1


def _saved_shorter(time: datetime) -> list[datetime]:
    """What a spreadsheet that shows no thousandths, or no seconds, makes of a time: cut off or rounded."""
    seconds = [(time + half).replace(microsecond=0) for half in (timedelta(0), timedelta(seconds=0.5))]
    return seconds + [(time + half).replace(second=0, microsecond=0) for half in (timedelta(0), timedelta(seconds=30))]


def _taken_then(row: Row, meant: Meant, index: FrameIndex, taken: Sequence[tuple[datetime, str]]) -> list[str]:
    """Other frames of the camera that were taken when a row says; where there are none, those of other cameras whose
    time has parts of a second, which no chance is. taken  when each was, in order"""
    this, then = index.frames[meant.name or ""], _of_time(taken, _time_of(row))
    own = [name for name in then if may_be_one_camera(index.frames[name], this)]
    return own or [name for name in then if (time := index.frames[name].exif.time) and time.microsecond]


def _of_time(taken: Sequence[tuple[datetime, _Of]], time: datetime | None) -> list[_Of]:
    if time is None:
        return []
    begin = bisect_left(taken, time - _SAME_TIME, key=itemgetter(0))
    end = bisect_right(taken, time + _SAME_TIME, key=itemgetter(0))
    return [of for _, of in taken[begin:end]]
