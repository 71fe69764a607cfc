"""In solve: who each burst is about, burst by burst in the workers, and how good its frames are among all others."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from itertools import compress
from typing import Any

from pipeline.engine.measure import Measurements
from pipeline.errors import AGAIN, in_short, trace
from pipeline.people.observe import FrameObservation
from pipeline.people.quality import Quality
from pipeline.people.ranking import Ranked, rank
from pipeline.people.subject import Subject, find_subjects
from pipeline.people.untimed_bursts import moments_of
from pipeline.shoot.facts import Facts, held_back
from pipeline.store.watch import raise_if_full
from pipeline.textfile.messages import and_more
from pipeline.types import Burst
from pipeline.workers.executors import Workers, map_unordered

_UNRANKED = 3  # of 1 to 5: the rating suggested for a frame that could not be looked at; neither praise nor blame
_Seen = list[tuple[Subject | None, Quality]]
_Times = tuple[tuple[float, ...], tuple[float, ...]]  # seconds and longest, as of find_subjects


def subjects_and_ranks(
    measured: Mapping[str, FrameObservation],
    bursts: Sequence[Burst],
    facts: Facts,
    workers: Workers = 1,
    proposed: Collection[str] = (),
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> tuple[dict[str, Subject | None], dict[str, Ranked], str]:
    """(frame -> its subject, frame -> how good it is, why some could not be looked at or "").

    workers  as for map_unordered: OpenCV stays out of the parent; proposed  frames that may show a card or a chart
    progress  called with frames looked at, frames in all

    Frames of a burst that cannot be looked at have no subject, and are ranked in order of time.
    """
    moments = [_measured(burst, measured) for burst in moments_of(bursts, measured)]
    groups = [names for names, _ in moments if names]
    times = [when for names, when in moments if names]
    seen: dict[int, _Seen] = {}
    unseen: dict[int, Exception] = {}
    done, total = 0, sum(map(len, groups))
    for at, found in map_unordered(_look, _Tasks(measured, groups, times), workers):
        if isinstance(found, Exception):
            raise_if_full(found)
            unseen[at] = found
        else:
            seen[at] = found
        done += len(groups[at])
        progress(done, total)
    why = unseen[min(unseen)] if unseen else None  # whichever worker was first
    subjects: dict[str, Subject | None] = {}
    qualities: dict[str, Quality] = {}
    for at, names in enumerate(groups):
        for name, (subject, quality) in zip(names, seen.pop(at, ()), strict=False):
            subjects[name], qualities[name] = subject, quality
    try:
        rows = {name: facts.row(name) for name in qualities}
        held = {name for name, row in rows.items() if not row.keep or held_back(facts, row)}
        ranks = rank(bursts, qualities, held, {one.frame for one in facts.references}.union(proposed))
    except Exception as error:
        ranks, why = {}, error
    if why is not None:
        trace(why)
        for burst in bursts:
            names = [n for n in burst.frames if n in measured]
            ranks |= {
                n: Ranked(0.0, at, len(names), _UNRANKED, "not ranked")
                for at, n in enumerate(names, 1)
                if n not in ranks
            }
    subjects |= {n: None for names in groups for n in names if n not in subjects}
    return subjects, ranks, "" if why is None else _not_ranked([n for n in ranks if n not in qualities], why)


def _measured(burst: Burst, measured: Mapping[str, FrameObservation]) -> tuple[list[str], _Times]:
    """The frames of a burst that were measured, and when each was taken where that is known, and at the latest."""
    there = [n in measured for n in burst.frames]
    return list(compress(burst.frames, there)), (
        tuple(compress(burst.seconds, there)),
        tuple(compress(burst.longest, there)),
    )


class _Tasks(Sequence[tuple[Mapping[str, FrameObservation], _Times]]):
    """What was measured of each group of frames, and when; a worker reads it from the store."""

    def __init__(
        self,
        measured: Mapping[str, FrameObservation],
        groups: Sequence[Sequence[str]],
        times: Sequence[_Times],
    ) -> None:
        self._measured, self._groups, self._times = measured, groups, times

    def __len__(self) -> int:
        return len(self._groups)

    def __getitem__(self, at: Any) -> Any:
        names, of = self._groups[at], self._measured
        own = of.part(names) if isinstance(of, Measurements) else {n: of[n] for n in names}
        return own, self._times[at]


def _look(task: tuple[Mapping[str, FrameObservation], _Times]) -> _Seen:
    """The subject of each frame of one moment, and what ranking compares."""
    observed, times = task
    frames = list(observed.values())
    subjects = find_subjects([one.people for one in frames], *times)
    return [(subject, one.assessed(subject)) for one, subject in zip(frames, subjects, strict=True)]


def _not_ranked(names: Sequence[str], why: Exception) -> str:
    of = and_more(names) if names else "some frames"
    return f"ranking failed ({in_short(why)}): {of}: taken in order of time, and cropped without a subject; {AGAIN}"
