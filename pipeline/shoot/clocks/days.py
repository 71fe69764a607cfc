"""Cameras whose day may be a slip of the hand, where another camera shows no other day for it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence, Set
from datetime import date, datetime, timedelta

from pipeline.shoot.clocks.bodies import Body, bodies
from pipeline.shoot.clocks.dates import BELIEVED
from pipeline.shoot.clocks.evidence import LIMITS, apart
from pipeline.types import Frame

_NIGHT = timedelta(hours=5)  # what is taken up to then belongs to the evening before (common practice, no source)


def slipped(frames: Sequence[Frame], start: datetime | None, proven: Set[str]) -> frozenset[str]:
    """Names of the frames of cameras that took pictures on days of their own only, at hours at which, some days before
    or after, another did. One of the two may be wrong by these days, or each may have had its day of a tournament.

    start   of the event: a camera with frames of its day is right
    proven  names of frames whose date a person has vouched for
    """
    timed = [body for body in bodies(frames) if body.times]
    days = {id(body): _days(body.times) for body in timed}
    taken = Counter(day for body in timed for day in days[id(body)])
    of_start = _days([start.replace(tzinfo=None)]) if start else set()
    found: set[str] = set()
    for body in timed:
        own, names = days[id(body)], {frame.name for frame in body.frames}
        if all(taken[day] == 1 for day in own) and not own & of_start and names.isdisjoint(proven):
            others = sorted(time for other in timed if other is not body for time in other.times)
            if _fits_elsewhere(body, own, taken.keys() - own, others):
                found |= names
    return frozenset(found)


def _days(times: Sequence[datetime]) -> set[date]:
    return {(time - _NIGHT).date() for time in times}


def _fits_elsewhere(body: Body, own: Set[date], taken: Set[date], others: Sequence[datetime]) -> bool:
    """Whether a camera, moved by whole days, is at work when the others are."""
    for days in range(-BELIEVED.days, BELIEVED.days + 1):
        shift = timedelta(days=days)
        if days and {day + shift for day in own} <= taken:
            gap = apart(body, others, shift)
            if gap is not None and gap < LIMITS.apart:
                return True
    return False
