"""Who else may be the subject throughout a burst."""

from __future__ import annotations

from collections.abc import Container, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.geometry import Box, row_to_box
from pipeline.people.belonging import mounts_of
from pipeline.people.confidence import UNSTEADY, Verdict
from pipeline.people.detect import SURE, within
from pipeline.people.tracking import LINKING, Observation, camera_shifts, linked
from pipeline.types import F64


@dataclass(frozen=True)
class CandidateRules:
    """Chosen by eye on ../shared/data/court, checked with `python -m tests.real_crops --only court`."""

    share: float = 0.25  # of a burst's frames: who may be the subject in so many may be it in all
    led: float = 0.5  # the same where somebody leads
    near: float = 0.5  # heights of the subject, from which whoever is in one crop of a burst is to be in the next
    shown: float = 0.8  # share of somebody inside a crop, from which they are in it
    standing: float = 75  # percentile of somebody's heights over a burst
    # Where it is not sure whom a frame is about: heights of the tallest one, from which whoever is found counts, and of
    # the frame, below which the tallest one is too far away for the picture to be about people.
    counts: float = 0.3
    beyond: float = 0.3  # of their own heights: what they hold, a racket or a bat, that the detector does not know
    tallest: float = 0.25


RULES = CandidateRules()


def about_one(first: Container[int], verdicts: Sequence[Verdict | None]) -> list[Verdict | None]:
    """The verdicts of a burst, in doubt where somebody leads and a frame is not of the path that comes first: a crop
    around whoever was found while the one whom the burst is about was missed is not earned.

    first  the frames of that path, see `tracking.paths`; verdicts  as from `confidence.judged`
    """
    return [
        replace(verdict, doubt=UNSTEADY, others=())
        if verdict is not None and not verdict.everybody and not verdict.doubt and at not in first
        else verdict
        for at, verdict in enumerate(verdicts)
    ]


def throughout(
    frames: Sequence[Observation],
    shifts: Sequence[F64],
    rows: Sequence[int | None],
    verdicts: Sequence[Verdict | None],
) -> list[tuple[Box, ...]]:
    """What each frame of a burst must hold besides its subject: the same people in each, with all that reaches out of
    their boxes, in fractions; arguments as of `confidence.judged`, and its result.

    In one frame the detector misses somebody, or places them just below what counts; so a person may be the subject
    by what a share of the frames says, and stands, where missed, between where they were seen before and after.
    """
    names = linked(frames, shifts)
    counts: dict[int, int] = {}
    for own, row, verdict in zip(names, rows, verdicts, strict=True):
        if row is not None and verdict is not None:
            for name in own[[row, *verdict.others]].tolist():
                counts[name] = counts.get(name, 0) + 1
    told = [verdict for verdict in verdicts if verdict is not None]
    share = RULES.share if any(verdict.everybody for verdict in told) else RULES.led
    subjects = {int(own[row]) for own, row in zip(names, rows, strict=True) if row is not None}
    held: list[list[Box]] = [[] for _ in frames]
    for name in (name for name, count in counts.items() if count >= share * len(told)):
        seen = {at: int(np.flatnonzero(own == name)[0]) for at, own in enumerate(names) if name in own}
        places = np.array(list(seen))
        reach = np.array([frames[at].reach[row, :4] for at, row in seen.items()], np.float64)
        for at in range(len(frames)):
            itself = name in subjects if rows[at] is None else seen.get(at) == rows[at]
            if np.abs(places - at).min() <= LINKING.skip and not itself:
                held[at].append(row_to_box(np.array([np.interp(at, places, side) for side in reach.T])))
    return [tuple(boxes) for boxes in held]


def missed(frames: Sequence[Observation], names: Sequence[NDArray[np.intp]]) -> list[F64]:
    """(K, 4) of each frame of a burst: boxes of those who were found before and after it but not in it, in fractions,
    as far between as the frame is. A leap, a turn or somebody nearer hides a player from the detector for a frame.

    names  of its people, as from `tracking.linked`
    """
    found: list[list[F64]] = [[] for _ in frames]
    for name in {name for own in names for name in own.tolist()}:
        seen = [(at, int(np.flatnonzero(own == name)[0])) for at, own in enumerate(names) if name in own]
        if max(float(frames[at].people[row, 4]) for at, row in seen) < SURE.person:
            continue
        for (first, before), (last, after) in pairwise(seen):
            a, b = (frames[at].people[row, :4].astype(np.float64) for at, row in ((first, before), (last, after)))
            for at in range(first + 1, last):
                found[at].append(a + (b - a) * (at - first) / (last - first))
    return [np.array(boxes, np.float64).reshape(-1, 4) for boxes in found]


def lengths(frames: Sequence[Observation], names: Sequence[NDArray[np.intp]]) -> list[F64]:
    """(N,) of each frame of a burst: how tall each person stands in it, in fractions of the frame's height: three
    quarters of its frames show no more, since a box around two is taller; arguments as of `missed`."""
    tall = [frame.people[:, 3] - frame.people[:, 1] for frame in frames]
    found = [own.astype(np.float64) for own in tall]
    for name in {name for own in names for name in own.tolist()}:
        here = [own == name for own in names]
        usual = float(
            np.percentile(np.concatenate([t[one] for t, one in zip(tall, here, strict=True)]), RULES.standing)
        )
        for own, one in zip(found, here, strict=True):
            own[one] = usual
    return found


def around_all(frame: Observation, missed: F64) -> tuple[Box, Box] | None:
    """The boxes, in fractions, around everybody who counts in a frame of which it is not sure whom it is about: around
    their bodies; and all that reaches out of these, faces, animals, what carries them, and what may be a ball or a
    racket. None where all are far.

    missed  (K, 4) as of `missed`
    """
    boxes = np.concatenate([frame.people[:, :4].astype(np.float64), missed])
    tall = boxes[:, 3] - boxes[:, 1]
    if not len(boxes) or tall.max() < RULES.tallest:
        return None
    counts = tall >= RULES.counts * tall.max()
    reach = np.concatenate([frame.reach[:, :4].astype(np.float64), missed])
    room = RULES.beyond * tall[:, None] * np.array([frame.size[0] / frame.size[1], 1.0])
    reach += np.concatenate([-room, room], axis=1)
    near = frame.animals[:, 3] - frame.animals[:, 1] >= RULES.counts * tall.max()
    mounts = (frame.animals[near], *(mounts_of(own, frame) for own in reach[counts]))
    things = (frame.faces, frame.balls, frame.rackets, *mounts)
    whole = np.concatenate([reach[counts], *(rows[:, :4] for rows in things)])
    return _hull(boxes[counts]), _hull(whole)


def _hull(boxes: F64) -> Box:
    return row_to_box(np.concatenate([boxes[:, :2].min(axis=0), boxes[:, 2:4].max(axis=0)]))


def in_each(
    frames: Sequence[Observation], crops: Sequence[Box], tall: Sequence[float], seconds: Sequence[float] = ()
) -> bool:
    """Whether crops (fractions) of consecutive frames hold the same people of those near the subject, which is
    `tall` (fractions) in each: nobody is in one crop, and cut by or out of the next.

    seconds  as for `camera_shifts`
    """
    shown: dict[int, bool] = {}
    names = linked(frames, camera_shifts(frames, seconds))
    for frame, crop, height, own in zip(frames, crops, tall, names, strict=True):
        people = frame.people
        near = (people[:, 4] >= SURE.person) & (people[:, 3] - people[:, 1] >= RULES.near * height)
        inside = within(people[:, :4], np.array(crop)) >= RULES.shown
        for name, now in zip(own[near].tolist(), inside[near].tolist(), strict=True):
            if shown.setdefault(name, now) != now:
                return False
    return True
