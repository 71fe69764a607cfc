"""Whether the clocks of a shoot's cameras fit each other and the start of the event, and what to write where not."""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise

from pipeline.shoot.clocks.alternation import by_alternation
from pipeline.shoot.clocks.bodies import Body, as_yaml, bodies, to_separate
from pipeline.shoot.clocks.dates import BELIEVED, days_of
from pipeline.shoot.clocks.evidence import (
    LIMITS,
    Proposal,
    apart,
    as_zone,
    by_date,
    by_gps,
    by_hours,
    by_zone,
    far,
    zone_of,
)
from pipeline.textfile.messages import counted, listed
from pipeline.types import Frame

_DAY = timedelta(days=1)
_LONG = 30  # days of a gap, from which its hours say nothing
_MOST = 6  # cameras that do not fit, of which each is named
_SEE = ": evencourt inspect says what to write under clocks"  # with the ends of serial numbers, which a record has not
_TAKEN = " (no serial number is known: the frames of each folder are taken to be of one camera)"


@dataclass(frozen=True)
class ClockNote:
    """Something about clocks that a person should know.

    text    for the person's own screen: it may hold the end of a serial number
    record  for run.json and the report, without one
    """

    text: str
    record: str


def clock_notes(
    frames: Sequence[Frame],
    start: datetime | None = None,
    corrected: Set[str] = frozenset(),
    right: Set[str] = frozenset(),
) -> tuple[ClockNote, ...]:
    """What does not fit, a sentence for each, after the corrections of `clocks`; nothing is changed.

    start  of the event, aware; None where the facts have none
    corrected, right  names of frames whose times were moved, and whose clock is right, as the person says
    """
    timed = [body for body in bodies(frames) if body.times]  # of the others each frame says so itself
    notes = [note for body in timed if (note := _two_dates(body)) is not None]
    if not timed:
        return tuple(notes)
    main = _main(timed, start)
    lasts = BELIEVED
    if start is not None:
        begins = start.replace(tzinfo=None)
        lasts = max(lasts, days_of(begins, (time for body in timed for time in body.times))[1] - begins)
    judged = {id(body) for body in timed if any(frame.name in right for frame in body.frames)}
    if start is not None and all(far(body, start, within=lasts) for body in timed):
        notes.append(_all_far(timed, start))
    group = next(some for some in _groups(timed, LIMITS.apart) if main in some)
    near = {id(body) for body in group}
    times = sorted(time for body in group for time in body.times)
    zone = _zone(main, start)
    misfits: list[Body] = []
    for body in timed:
        if id(body) in judged:
            continue
        if id(body) not in near:
            misfits.append(body)
        elif far(body, start, within=lasts) and not far(main, start, within=lasts):
            notes.append(_early_or_late(body, start))
        else:
            entered = any(frame.name in corrected for frame in body.frames)
            if proposal := by_gps(body, zone, start) or (None if body is main else by_alternation(body, main)):
                notes.append(_not_right(body, proposal))
            elif not entered and (note := _zones(body, main, timed, start)):
                notes.append(note)
    if len(misfits) == 1:
        notes.append(_apart(misfits[0], main, times, start))
    elif misfits:
        proposals = [(body, _proposal(body, main, times, start)) for body in misfits[:_MOST]]
        notes.append(_all_apart(misfits, main))
        notes += [_not_right(body, proposal) for body, proposal in proposals if proposal is not None]
    if start is None and (undated := sum(bool(frame.exif.doubt) for frame in frames)):
        of = f"all {undated:,}" if undated == len(frames) > 1 else f"{undated:,} of {len(frames):,}"
        text = (
            f"the dates of {of} frames cannot be believed and are written nowhere: fill in start in shoot.yaml, or "
            "correct the cameras under clocks"
        )
        notes.insert(0, ClockNote(text, text))
    return tuple(notes)


def _main(timed: Sequence[Body], start: datetime | None) -> Body:
    """The camera whose clock is taken for right: one that fits the start, if possible to the day; of several, one of
    the days with most frames, then the one with most frames, then that of the latest date, since a clock that was never
    set is behind."""
    frames_of: dict[int, int] = {}
    for group in _groups(timed, _DAY):
        frames_of |= dict.fromkeys(map(id, group), sum(len(body.frames) for body in group))

    def trust(body: Body) -> tuple[bool, bool, int, int, date]:
        fits, to_the_day = not far(body, start), not far(body, start, within=_DAY - LIMITS.before)
        return fits, to_the_day, frames_of[id(body)], len(body.frames), body.times[0].date()

    return max(timed, key=trust)


def _groups(timed: Sequence[Body], gap: timedelta) -> list[list[Body]]:
    """Cameras of which a frame is nearer than `gap` to one of another camera of their group."""
    stamped = sorted((time, number) for number, body in enumerate(timed) for time in body.times)
    joined = list(range(len(timed)))  # number -> another of its group, its own where it is the last

    def last(number: int) -> int:
        while joined[number] != number:
            number = joined[number]
        return number

    for (before, one), (after, other) in pairwise(stamped):
        if one != other and after - before < gap:
            joined[last(one)] = last(other)
    groups: dict[int, list[Body]] = {}
    for number, body in enumerate(timed):
        groups.setdefault(last(number), []).append(body)
    return list(groups.values())


def _apart(body: Body, main: Body, times: Sequence[datetime], start: datetime | None) -> ClockNote:
    """No frame is near one of the cameras that are right, whose times are `times`."""
    gap = apart(body, times) or timedelta()
    alike = not (main.serial or body.serial) and (main.make, main.model) == (body.make, body.model)
    taken = _TAKEN if alike else ""
    return ClockNote(
        f"the clocks of two cameras do not fit together: {main.name} says {span(main)}, {body.name} {span(body)}, "
        f"{duration(gap)} apart at the nearest{taken}; {_advice(body, main, _proposal(body, main, times, start))}",
        f"the clocks of {_model(main)} and {_model(body)} do not fit together, {duration(gap)} apart at the nearest"
        f"{_SEE}",
    )


def _all_apart(misfits: Sequence[Body], main: Body) -> ClockNote:
    """The same of several cameras: each with its span, and what to write once, with the first as the example."""
    shown, more = misfits[:_MOST], len(misfits) - _MOST
    several = [(body.make, body.model) for body in (main, *shown) if not body.serial]
    taken = _TAKEN if len(set(several)) < len(several) else ""
    rest = [counted(more, "more camera")] if more > 0 else []
    spans = listed([f"{main.name} says {span(main)}", *(f"{body.name} {span(body)}" for body in shown), *rest])
    example = next((body for body in shown if body.key), shown[0])
    first = f"{to_separate(misfits)}; " if not all(body.key for body in misfits) else ""
    said = f"the clocks of {len(misfits) + 1} cameras do not fit together"
    return ClockNote(
        f"{said}: {spans}{taken}; {first}write each that is wrong under clocks, such as {_entry(example)}; "
        f"each that is right, such as {example.written}: right",
        f"{said}: {listed([*map(_model, (main, *shown)), *rest])}{_SEE}",
    )


def _proposal(body: Body, main: Body, times: Sequence[datetime], start: datetime | None) -> Proposal | None:
    """What the frames say of the error of a clock that is far from the others."""
    zone = _zone(main, start)
    return (
        by_gps(body, zone, start)
        or (by_zone(body, times, zone, _zone_by(main, start)) if zone is not None else None)
        or by_alternation(body, main)
        or by_date(body, main, times, start)
        or by_hours(body, main)
    )


def _early_or_late(body: Body, start: datetime | None) -> ClockNote:
    """No frame can be of the event, though those of other cameras can."""
    said = f"says {span(body)}, but start in the facts is {start:%Y-%m-%d %H:%M}"
    return ClockNote(f"{body.name} {said}; {_advice(body, None, None)}", f"{_model(body)} {said}{_SEE}")


def _not_right(body: Body, proposal: Proposal) -> ClockNote:
    """A camera whose times fit roughly, and whose frames say by how much they are off."""
    return ClockNote(
        f"the clock of {body.name} may not be right: {_advice(body, None, proposal)}",
        f"the clock of {_model(body)} may not be right{_SEE}",
    )


def _zones(body: Body, main: Body, timed: Sequence[Body], start: datetime | None) -> ClockNote | None:
    """Another time zone in a camera than at the hall, where its times fit as they are."""
    own, zone = zone_of(body), _zone(main, start)
    if own is None or zone is None or own == zone:
        return None
    hall = f"{body.name} is set to {as_zone(own)}, {_zone_by(main, start)} {as_zone(zone)}"
    seconds = (zone - own) * 60
    others = sorted(time for other in timed if other is not body for time in other.times)
    gap = apart(body, others, timedelta(seconds=seconds))
    fits_moved = gap < LIMITS.apart if gap is not None else not far(body, start, timedelta(seconds=seconds))
    moved = (
        f"if its clock is {duration(timedelta(seconds=seconds))} {'slow' if seconds > 0 else 'fast'} too, write under "
    )
    moved += f"clocks: {body.written}: {seconds}; " if fits_moved else ""
    advice = f"{_separated(body)}{moved if fits_moved else ''}if only the setting is wrong, write {body.written}: right"
    return ClockNote(f"{hall}: {advice}", f"{_model(body)} is set to another time zone than the hall's{_SEE}")


def _zone(main: Body, start: datetime | None) -> int | None:
    """Minutes from UTC at the hall, as far as it is known."""
    offset = start.utcoffset() if start is not None else None
    return zone_of(main) if offset is None else round(offset.total_seconds() / 60)


def _zone_by(main: Body, start: datetime | None) -> str:
    """What says the time zone of the hall, for "X is set to one zone, ... another"."""
    return f"{main.name} to" if start is None else "start in the facts is at"


def _all_far(timed: Sequence[Body], start: datetime) -> ClockNote:
    """Every camera is far from the start, so that one wrong start is as likely as wrong clocks."""
    first, last = min(body.times[0] for body in timed), max(body.times[-1] for body in timed)
    said = f"{_from_to(first, last)}, but start in the facts is {start:%Y-%m-%d %H:%M}"
    if len(timed) > 1:
        text = f"all cameras say {said}: correct start, or each camera under clocks"
        return ClockNote(text, text)
    one = timed[0]
    return ClockNote(
        f"{one.name} says {said}: correct start, or {_separated(one)}{_write(one)}", f"{_model(one)} says {said}{_SEE}"
    )


def _two_dates(body: Body) -> ClockNote | None:
    """A clock that was set anew in between, or frames of another event that were still on the card."""
    stamped = [(frame.exif.time, frame.name) for frame in body.frames if frame.exif.time is not None]
    for (before, last), (after, name) in pairwise(stamped):
        if after - before > BELIEVED:
            dates = f"frames of {before:%Y-%m-%d} and of {after:%Y-%m-%d}"
            return ClockNote(
                f"{body.name} has {dates} ({last}, then {name}): take out what is of another event; if its clock was "
                "set in between, put the frames with the wrong date into a folder and write that folder under clocks, "
                f'such as FOLDER: {{frame: {as_yaml(name)}, shows: "19:30:12"}}',
                f"{_model(body)} has {dates}{_SEE}",
            )
    return None


def _advice(body: Body, other: Body | None, proposal: Proposal | None) -> str:
    first = _separated(body)
    if proposal is None:
        which = f"the clock of {body.written}" if other else "its clock"
        return f"{first}if {which} is wrong, {_write(body, other)}; if it is right, write {body.written}: right"
    return f"{proposal.because}; {first}if that is so, write under clocks: {body.written}: {proposal.seconds:.10g}"


def _separated(body: Body) -> str:
    """What must be done first with the frames of a camera that no key can name."""
    return "" if body.key else f"{to_separate([body])}; "


def _write(body: Body, other: Body | None = None) -> str:
    """What to write for a camera whose clock is wrong."""
    return f"write under clocks: {_entry(body, other)}"


def _entry(body: Body, other: Body | None = None) -> str:
    """A line of `clocks` for a camera whose clock is wrong."""
    name = as_yaml(_example(body))
    how = f'{{frame: {name}, shows: "19:30:12"}} with a frame that shows a clock'
    if other is not None:
        match = as_yaml(_example(other))
        how = f"{{frame: {name}, same_as: {match}}} with two frames of one moment"
    return f"{body.written}: {how}, or the seconds to add"


def _example(body: Body) -> str:
    """A frame with a time to name, of those whose date is believed where there are some."""
    timed = [frame for frame in body.frames if frame.exif.time is not None]
    return min(timed, key=lambda frame: bool(frame.exif.doubt)).name


def span(body: Body) -> str:
    """ "2026-02-14 19:00 to 20:31" of a camera that has times."""
    return _from_to(body.times[0], body.times[-1])


def _from_to(first: datetime, last: datetime) -> str:
    begin = f"{first:%Y-%m-%d %H:%M}"
    if begin == f"{last:%Y-%m-%d %H:%M}":
        return begin
    return f"{begin} to {last:%H:%M}" if first.date() == last.date() else f"{begin} to {last:%Y-%m-%d %H:%M}"


def _model(body: Body) -> str:
    return body.model or "a camera without a model"


def duration(gap: timedelta) -> str:
    """ "1,785 d", "3 d 2 h", "2 h 05 min", "16 min", "12 s": two parts at most."""
    seconds = round(abs(gap).total_seconds())
    days, hours, minutes = seconds // 86400, seconds // 3600 % 24, seconds // 60 % 60
    if days >= _LONG:
        return f"{round(seconds / 86400):,} d"
    if days:
        return f"{days} d {hours} h" if hours else f"{days} d"
    if hours:
        return f"{hours} h {minutes:02d} min" if minutes else f"{hours} h"
    return f"{minutes} min" if minutes else f"{seconds} s"
