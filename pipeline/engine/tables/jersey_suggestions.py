"""Jersey numbers over a whole shoot: choosing whom to read, reading in parallel, and suggesting players a frame."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial

import numpy as np

from pipeline.engine.measure import octets
from pipeline.imaging.geometry import Box, box_of_part, pixels_inside
from pipeline.people.detect import picture_for_detection
from pipeline.people.numbers.digits import DIGITS, Reading, read_numbers, reader
from pipeline.people.numbers.jersey_numbers import (
    Agreed,
    Track,
    agree,
    find_tracks,
    own_reading,
    teams_of,
    torso,
    unpublished,
    wording,
)
from pipeline.people.observe import FrameObservation
from pipeline.shoot.facts import Facts
from pipeline.steps.decode import STEP as DECODE
from pipeline.steps.decode import decode
from pipeline.store.keys import digest_json, environment
from pipeline.store.records import from_json, is_record
from pipeline.store.store import Store
from pipeline.types import F32, F64, Burst, Frame
from pipeline.workers.executors import Workers, map_unordered

Readings = Mapping[int, Sequence[Reading]]
# Pixels of a torso in the decode, of those that the reader scales it to: a little more, so that it only scales down.
# Chosen by eye, no source.
_TORSO_MARGIN = 1.25
_Kept = dict[int, list[Reading]]
_VERSION = 1  # of what is read for a frame and how it is kept; raised when either changes


@dataclass(frozen=True)
class _Task:
    """A frame, the longer side of its decode in pixels, and row of `people` -> torso in fractions of the frame."""

    frame: Frame
    long_edge: int
    torsos: Mapping[int, Box]


@dataclass(frozen=True)
class KeptReadings:
    """Where readings are kept: the store, and frame name -> key of its measurements there."""

    store: Store
    keys: Mapping[str, str]

    def key(self, task: _Task) -> str:
        """Key of what is read in one frame: its bytes, the places, the reader and how torsos are given to it."""
        torsos = {str(row): list(box) for row, box in task.torsos.items()}
        of = {"measured": self.keys[task.frame.name], "edge": task.long_edge, "torsos": torsos}
        rules = {"digits": asdict(DIGITS), "decode": DECODE.version, "reader": reader(), "version": _VERSION}
        return digest_json({**of, **rules, "on": environment()})

    def get(self, task: _Task) -> Readings | None:
        """What was read in the places of `task`."""
        data = self.store.shared("numbers", self.key(task), partial(is_record, _Kept))
        return None if data is None else from_json(_Kept, data)

    def put(self, task: _Task, readings: Readings) -> None:
        """Keep what was read. Raises OSError."""
        self.store.put_record("numbers", self.key(task), _Kept, {row: list(some) for row, some in readings.items()})
        if self.store.is_as_read(task.frame):  # else it may be what other bytes show
            self.store.share("numbers", self.key(task))


@dataclass(frozen=True)
class Person:
    """A person followed through a burst, with what is needed after the burst has left the memory.

    names          of the burst's frames; track  indices into them
    people         index of a frame -> (P, 5) boxes of everybody in it, fractions of the frame, and certainty
    jersey_colour  median over the track, see people.observe
    """

    names: Sequence[str]
    track: Track
    people: Mapping[int, F32]
    jersey_colour: F64


@dataclass(frozen=True)
class Suggestion:
    """A suggestion for one frame: `text`, its players from left to right; unpublished  one of them is withheld."""

    text: str
    unpublished: bool


def suggested_players(
    frames: Sequence[Frame],
    bursts: Sequence[Burst],
    facts: Facts,
    measured: Mapping[str, FrameObservation],
    workers: Workers,
    progress: Callable[[str, int, int], None] = lambda phase, done, total: None,
    kept: KeptReadings | None = None,
) -> tuple[dict[str, Suggestion], tuple[str, ...]]:
    """(frame -> suggestion by the numbers read from jerseys, notices on frames that could not be read).

    measured  what the crop step measured in each frame; kept  as for read_people. A suggestion is only ever for a
    person to confirm.
    """
    found, notices = read_people(frames, bursts, measured, workers, progress, kept)
    placed: dict[str, list[tuple[float, str, bool]]] = {}
    for (one, agreed), sides in zip(found, teams_of([agreed for _, agreed in found], facts), strict=True):
        if not sides:
            continue
        for at, row in one.track.rows.items():
            x = float(one.people[at][row, 0] + one.people[at][row, 2])
            placed.setdefault(one.names[at], []).append(
                (x, wording(agreed, sides, facts), unpublished(agreed, sides, facts))
            )
    return {name: _joined(some) for name, some in placed.items()}, notices


def _joined(placed: Sequence[tuple[float, str, bool]]) -> Suggestion:
    """One suggestion from the (x, text, unpublished) of each person of a frame."""
    text = ", ".join(dict.fromkeys(text for _, text, _ in sorted(placed)))
    return Suggestion(text, any(unpublished for *_, unpublished in placed))


def read_people(
    frames: Sequence[Frame],
    bursts: Sequence[Burst],
    measured: Mapping[str, FrameObservation],
    workers: Workers,
    progress: Callable[[str, int, int], None] = lambda phase, done, total: None,
    kept: KeptReadings | None = None,
) -> tuple[list[tuple[Person, Agreed]], tuple[str, ...]]:
    """([(person, the number that the frames of the burst agree on)], notices). The number may be in no roster.

    measured  what the crop step measured in each frame; progress  called with ("numbers", done, total)
    kept      where earlier readings are, None to read anew. Raises OSError where one cannot be kept.
    """
    people, tasks = _people_to_read(frames, bursts, measured)
    read: dict[str, Readings] = {}
    notices: list[str] = []
    waiting = []
    for task in tasks:
        known = kept.get(task) if kept is not None else None
        if known is None:
            waiting.append(task)
        else:
            read[task.frame.name] = known
    for index, result in map_unordered(_read_frame, waiting, workers, size=octets):
        name = waiting[index].frame.name
        if isinstance(result, Exception):
            notices.append(f"{name}: its jersey numbers were not read: {result}")
        else:
            read[name] = result
            if kept is not None:
                kept.put(waiting[index], result)
        progress("numbers", len(read) + len(notices), len(tasks))
    return [(one, agreed) for one in people if (agreed := _agreed(one, read)) is not None], tuple(notices)


def _people_to_read(
    frames: Sequence[Frame], bursts: Sequence[Burst], measured: Mapping[str, FrameObservation]
) -> tuple[list[Person], list[_Task]]:
    """The people whose number may be legible, and a task for each frame with one of them; burst by burst."""
    known = {f.name: f for f in frames}
    people: list[Person] = []
    tasks: list[_Task] = []
    for burst in bursts:
        names = [n for n in burst.frames if n in measured]
        observations = [measured[n].people for n in names]
        torsos: dict[int, dict[int, Box]] = {}
        for track in find_tracks(observations):
            colours = [observations[at].jersey_colour[row] for at, row in track.rows.items()]
            boxes = {at: observations[at].people for at in track.rows}
            people.append(Person(names, track, boxes, np.median(colours, axis=0).astype(np.float64)))
            for at in track.read:
                row = track.rows[at]
                torsos.setdefault(at, {})[row] = torso(observations[at].people[row])
        for at, some in torsos.items():
            tasks.append(_Task(known[names[at]], _edge(observations[at].size, some.values()), some))
    return people, tasks


def _edge(size: tuple[int, int], torsos: Collection[Box]) -> int:
    """Longer side of the decode, pixels, at which the smallest torso has the pixels that the reader needs.

    size  (height, width) of the whole frame
    """
    height, width = size
    least = min(y1 - y0 for _, y0, _, y1 in torsos)
    return min(max(size), round(_TORSO_MARGIN * DIGITS.edge / least * max(1.0, width / height)))


def _read_frame(task: _Task) -> Readings:
    """Row of `people` -> numbers read in and around that torso, boxes in fractions of the frame."""
    decoded = decode(task.frame, task.long_edge)
    image = decoded.image
    picture = picture_for_detection(image.pixels, decoded.camera_balance, image.to_working)
    height, width = picture.shape[:2]
    result: dict[int, list[Reading]] = {}
    for row, box in task.torsos.items():
        part = pixels_inside(box, height, width)
        readings = read_numbers(picture[part.y0 : part.y1, part.x0 : part.x1])
        result[row] = [replace(r, box=box_of_part(r.box, part, height, width)) for r in readings]
    return result


def _agreed(one: Person, read: Mapping[str, Readings]) -> Agreed | None:
    """The number that the frames of a track agree on; None where they do not."""
    found: list[Reading | None] = []
    for at in one.track.read:
        row, of_frame = one.track.rows[at], read.get(one.names[at])
        if of_frame is not None:
            found.append(own_reading(row, one.people[at], of_frame.get(row, ())))
    return agree(found, one.jersey_colour)
