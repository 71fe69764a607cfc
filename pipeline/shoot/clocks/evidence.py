"""What the frames themselves say of a clock's error. Each finding is proposed to the person and never applied."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from statistics import median

from pipeline.shoot.clocks.bodies import Body
from pipeline.shoot.clocks.dates import BELIEVED
from pipeline.textfile.messages import counted


@dataclass(frozen=True)
class EvidenceLimits:
    """From which on times do not fit, or a finding is worth a proposal; chosen by us, no source.

    apart     between any two frames of two cameras: in one match they are never so far apart all evening
    before    a frame may be taken before the start of the event: warming up, the hall, the teams
    fixes     frames with a fresh GPS time stamp that must agree
    fresh     s; a GPS time stamp further behind than this is that of an older fix
    resolves  s; a GPS time stamp may be cut to whole seconds
    believed  of an error by GPS; a receiver that miscounts its weeks is years off
    long      of both cameras' evenings, before their ends are compared
    ends      of the two evenings, once moved by whole hours
    hours     of a clock in another time zone, at most (UTC-12 to UTC+14, to a hall in between)
    """

    apart: timedelta = timedelta(minutes=15)
    before: timedelta = timedelta(hours=3)
    fixes: int = 3
    fresh: float = 2.0
    resolves: float = 1.0
    believed: timedelta = timedelta(hours=26)
    long: timedelta = timedelta(minutes=30)
    ends: timedelta = timedelta(minutes=5)
    hours: int = 14


LIMITS = EvidenceLimits()
_ZONE = 900.0  # s; zones are whole quarters of an hour apart (IANA time zone database)


@dataclass(frozen=True)
class Proposal:
    """Seconds to add to a camera's times, and what speaks for them, with the size of the error."""

    seconds: float
    because: str


def apart(body: Body, times: Sequence[datetime], shift: timedelta = timedelta()) -> timedelta | None:
    """Between the nearest of a frame of `body`, moved by `shift`, and of `times`, sorted; None without times."""
    gaps = []
    for time in body.times:
        at = bisect_left(times, time + shift)
        gaps += [abs(time + shift - other) for other in times[max(at - 1, 0) : at + 1]]
    return min(gaps, default=None)


def far(body: Body, start: datetime | None, shift: timedelta = timedelta(), *, within: timedelta = BELIEVED) -> bool:
    """Whether no frame of a camera, moved by `shift`, can be of an event that begins at `start` and lasts `within`."""
    if start is None:
        return False
    begins = start.replace(tzinfo=None)
    return all(time + shift < begins - LIMITS.before or time + shift > begins + within for time in body.times)


def zone_of(body: Body) -> int | None:
    """Minutes from UTC to which its clock is set, as most of its frames say; None where none does."""
    counts = Counter(frame.exif.utc_offset for frame in body.frames if frame.exif.utc_offset is not None)
    return counts.most_common(1)[0][0] if counts else None


def as_zone(minutes: int) -> str:
    """ "UTC+01:00"."""
    return f"UTC{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def by_gps(body: Body, zone: int | None, start: datetime | None) -> Proposal | None:
    """The error of a clock by the GPS time stamps of its frames (Exif 2.32, GPS tags 7 and 29, UTC).

    zone  minutes from UTC of the hall, for frames that do not say theirs; None where it is not known: then the error
          is known but for whole quarters of an hour

    A receiver indoors keeps the time of its last fix, so old ones are behind: only those count that are ahead of all
    others, of which three must agree.
    """
    errors: list[float] = []
    known: set[datetime] = set()
    for frame in body.frames:
        fix, time, own = frame.exif.gps_time, frame.exif.time, frame.exif.utc_offset
        if fix is None or time is None or fix in known:
            continue
        known.add(fix)
        offset = own if own is not None else zone
        error = (fix + timedelta(minutes=offset or 0) - time).total_seconds()
        errors.append(error if offset is not None else (error + _ZONE / 2) % _ZONE - _ZONE / 2)
    fresh = [error for error in errors if max(errors) - error <= LIMITS.fresh]
    if len(fresh) < LIMITS.fixes:
        return None
    whole = all(fix.microsecond == 0 for fix in known)
    off = median(fresh) + (LIMITS.resolves / 2 if whole else 0.0)  # cut to whole seconds: half of one behind
    room = LIMITS.resolves + (max(fresh) - min(fresh)) / 2
    # Years off: only where the start of the event says the same.
    possible = abs(off) <= LIMITS.believed.total_seconds() or (
        start is not None and not far(body, start, timedelta(seconds=off))
    )
    if abs(off) <= 2 * room or not possible:
        return None
    by = f"{abs(off):.0f} s {'slow' if off > 0 else 'fast'} (give or take {room:.0f} s)"
    return Proposal(
        round(off),
        f"{counted(len(fresh), 'frame has', 'frames have')} a GPS time stamp, by which its clock is {by}",
    )


def by_zone(body: Body, others: Sequence[datetime], zone: int, known_by: str) -> Proposal | None:
    """A camera that is set to another time zone than the hall's, where its times fit once that is taken out.

    others  times of the cameras that are right, sorted; zone  minutes from UTC of the hall
    known_by  what says so, for the message
    """
    own = zone_of(body)
    if own is None or own == zone:
        return None
    seconds = (zone - own) * 60.0
    gap = apart(body, others, timedelta(seconds=seconds))
    if gap is None or gap >= LIMITS.apart:
        return None
    return Proposal(seconds, f"it is set to {as_zone(own)}, {known_by} {as_zone(zone)}, and without that they fit")


def by_date(body: Body, main: Body, others: Sequence[datetime], start: datetime | None) -> Proposal | None:
    """A date that was set wrong: the times of day fit those of `main`, and the date does not.

    others  times of the cameras that are right, sorted, those of `main` among them

    Without a `start` that says the date, only a date that looks like a slip of the hand: another year or month and
    the same day, or day and month exchanged.
    """
    wrong, right = body.times[0].date(), main.times[0].date()
    shift = timedelta(days=(right - wrong).days)
    if not shift or not (start is not None or _slip(wrong, right)) or far(main, start) or far(body, start, shift):
        return None
    gap = apart(body, others, shift)
    if gap is None or gap >= LIMITS.apart:
        return None
    return Proposal(shift.total_seconds(), f"its date is {wrong}, not {right}, and the times of day fit")


def _slip(wrong: date, right: date) -> bool:
    same_day = wrong.day == right.day and (wrong.month == right.month or wrong.year == right.year)
    return same_day or (wrong.month, wrong.day) == (right.day, right.month)


def by_hours(body: Body, main: Body) -> Proposal | None:
    """Whole hours by which the two evenings begin and end together; weak, since two matches may be as long."""
    first, last, begins, ends = body.times[0], body.times[-1], main.times[0], main.times[-1]
    if min(last - first, ends - begins) < LIMITS.long:
        return None
    hours = round((begins - first) / timedelta(hours=1))
    shift = timedelta(hours=hours)
    off = max(abs(first + shift - begins), abs(last + shift - ends))
    if not 0 < abs(hours) <= LIMITS.hours or off > LIMITS.ends:
        return None
    minutes = max(1, round(off.total_seconds() / 60))
    return Proposal(
        shift.total_seconds(),
        f"moved by {hours:+d} h, they begin and end within {minutes} min of each other; two matches in a row would "
        "look the same, so compare two frames first",
    )
