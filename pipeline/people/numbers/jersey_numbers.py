"""Whose number was read: from readings of single frames to players that a person may confirm.

A single frame can be misread with full certainty. So a number counts only where several frames of a burst agree on it
for the same person, other readings of that person are rare, and the number is in the roster.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.geometry import Box
from pipeline.people.detect import within
from pipeline.people.numbers.digits import Reading
from pipeline.people.tracking import Observation, best_path, camera_shifts
from pipeline.shoot.facts import SIDES, Facts
from pipeline.types import F32, F64


@dataclass(frozen=True)
class ReadingRules:
    """Whose numbers are read, where a number can be, and whose it is. Shares of a person's box where nothing else is
    said.

    Chosen by eye on shoots of the generator and checked with `python -m tests.people.test_numbers FOLDER...` (share of
    suggestions that are right).
    """

    most_people: int = 4  # of a burst
    most_frames: int = 8  # of a burst that are read for each: the sharpest
    least_height: float = 0.2  # of the frame's height: digits of smaller people have too few pixels
    least_sharpness: float = 0.035  # see imaging.sharpness
    in_focus: float = 0.6  # of the sharpest person's sharpness in the burst
    left: float = 0.10  # the torso, where a number can be
    top: float = 0.08
    right: float = 0.90
    bottom: float = 0.55
    middle_left: float = 0.20  # where the middle of a number can be
    middle_right: float = 0.80
    beside: float = 0.1  # across: two people are as close to a number as each other, and the nearer one has it
    lowest: float = 0.04  # heights of a number
    tallest: float = 0.30
    read: float = 0.6  # certainty of a reading, from which something was read at all
    # A box of several people: less certain than `unsure`, around somebody whose box is more certain by `surer`, with
    # the share `inside` of that box in it.
    unsure: float = 0.6
    surer: float = 0.15
    inside: float = 0.75


@dataclass(frozen=True)
class AgreementRules:
    """When readings of several frames are offered to a person as a number, and when jerseys are those of one team.

    A wrong suggestion costs more than a missing one. Chosen as ReadingRules are.
    """

    certainty: float = 0.8  # mean of the readings of the number
    frames: int = 2  # in which the number is read
    share: float = 0.3  # of the frames read
    agree: float = 0.8  # of the frames in which anything was read
    same_jersey: float = 28.0  # distance of mean BGR colours, 0 to 441, of two jerseys of one team at most
    known: int = 3  # people read, from which on a jersey's colour stands for a team
    in_roster: float = 0.5  # share of the numbers of one colour that a team's roster has
    clearly: float = 0.5  # by how much that share is larger than the other team's, for the team to be sure


READING, AGREEMENT = ReadingRules(), AgreementRules()


@dataclass(frozen=True)
class Track:
    """One person through a burst: index of the frame in the burst -> row of `people`; `read` are the frames to read."""

    rows: Mapping[int, int]
    read: tuple[int, ...]


def find_tracks(frames: Sequence[Observation]) -> list[Track]:
    """The people of one burst who are sharp and large enough for a number to be read, the best first."""
    shifts = camera_shifts(frames)
    best = max((float(f.sharp[_tall(f) >= READING.least_height].max(initial=0.0)) for f in frames), default=0.0)
    worth = [_worth(frame, max(READING.least_sharpness, READING.in_focus * best)) for frame in frames]
    found: list[Track] = []
    while len(found) < READING.most_people and (path := best_path(frames, worth, shifts)):
        sharpest = sorted(path, key=lambda at: -float(frames[at].sharp[path[at]]))[: READING.most_frames]
        found.append(Track(path, tuple(sorted(sharpest))))
        for at, row in path.items():
            worth[at] = worth[at].copy()
            worth[at][row] = 0.0
    return [track for track in found if len(track.rows) >= AGREEMENT.frames]


def _tall(frame: Observation) -> F32:
    return np.asarray(frame.people[:, 3] - frame.people[:, 1])


def _worth(frame: Observation, least: float) -> F64:
    tall = _tall(frame).astype(np.float64)
    can = (tall >= READING.least_height) & (frame.sharp >= least) & ~_several(frame.people)
    return np.where(can, tall * np.sqrt(frame.people[:, 4]), 0.0)


def _several(people: F32) -> NDArray[np.bool_]:
    """(N,) which boxes are of several people in one: not sure, and round somebody who is surer."""
    mask = np.zeros(len(people), np.bool_)
    for i, box in enumerate(people):
        if box[4] < READING.unsure:
            inside = within(people[:, :4], box[:4])
            mask[i] = bool(((inside > READING.inside) & (people[:, 4] >= box[4] + READING.surer)).any())
    return mask


def torso(person: F32) -> Box:
    """The part of the box of `person` (5,) in which a number can be; both in fractions of the frame."""
    x0, y0, x1, y1 = (float(v) for v in person[:4])
    return Box(
        x0 + READING.left * (x1 - x0),
        y0 + READING.top * (y1 - y0),
        x0 + READING.right * (x1 - x0),
        y0 + READING.bottom * (y1 - y0),
    )


def own_reading(row: int, people: F32, readings: Sequence[Reading]) -> Reading | None:
    """The number on the jersey of person `row` of `people` (N, 5), None without; boxes in fractions of the frame.

    A number on the jersey of somebody else, in front or behind, is theirs.
    """
    person = people[row]
    tall = float(person[3] - person[1])
    legible = [r for r in readings if r.sure >= READING.read]
    sized = [r for r in legible if READING.lowest <= (r.box.y1 - r.box.y0) / tall <= READING.tallest]
    own = [r for r in sized if _owner(r, people) == row]
    return max(own, key=lambda r: r.box.y1 - r.box.y0, default=None)


def _owner(reading: Reading, people: F32) -> int | None:
    """The row of `people` in whose middle a number is; of two alike the one nearer to the camera, with lower feet."""
    x, y = (reading.box.x0 + reading.box.x1) / 2, (reading.box.y0 + reading.box.y1) / 2
    across = (x - people[:, 0]) / np.maximum(people[:, 2] - people[:, 0], 1e-6)
    down = (y - people[:, 1]) / np.maximum(people[:, 3] - people[:, 1], 1e-6)
    can = ~_several(people) & (across > READING.middle_left) & (across < READING.middle_right)
    can &= (down > READING.top) & (down < READING.bottom)
    if not can.any():
        return None
    off = np.where(can, np.abs(across - 0.5), np.inf)
    near = np.flatnonzero(off <= off.min() + READING.beside)
    return int(near[np.argmax(people[near, 3])])


@dataclass(frozen=True)
class Agreed:
    """A number that a burst agrees on: mean certainty 0 to 1, in how many of the frames read, and the jersey's colour
    (3,), mean BGR 0 to 255."""

    number: str
    sure: float
    frames: int
    of: int
    jersey_colour: F64


def agree(readings: Sequence[Reading | None], jersey_colour: F64) -> Agreed | None:
    """The number on which the readings of one person agree, one for each frame read (None: no number); else None.

    jersey_colour (3,) is the mean BGR of the torso, 0 to 255.
    """
    counts = Counter(r.digits for r in readings if r is not None)
    if not counts:
        return None
    number, count = counts.most_common(1)[0]
    # A 12 that is half turned away reads as 1 or 2: a longer number read more than once rules out its parts.
    longer = any(number in other and other != number and n >= AGREEMENT.frames for other, n in counts.items())
    sure = float(np.mean([r.sure for r in readings if r is not None and r.digits == number]))
    total = sum(counts.values())
    few = count < AGREEMENT.frames or count < AGREEMENT.share * len(readings) or count < AGREEMENT.agree * total
    if few or longer or sure < AGREEMENT.certainty:
        return None
    return Agreed(number, sure, count, len(readings), jersey_colour)


def teams_of(found: Sequence[Agreed], facts: Facts) -> list[tuple[str, ...]]:
    """For each number the sides whose player it can be: one where that is sure, none where no roster has the number.

    People in one jersey colour are one team. Where several of a colour were read and most of their numbers are not in
    a side's roster, none of them is of that side: a visitor's 7 is not taken for the home 7 of a roster without
    visitors.
    """
    rosters = {side: {p.number for p in facts.roster if p.team == side} for side in SIDES}
    sides: list[tuple[str, ...]] = []
    for one in found:
        away = [float(np.linalg.norm(other.jersey_colour - one.jersey_colour)) for other in found]
        alike = [other.number for other, d in zip(found, away, strict=True) if d <= AGREEMENT.same_jersey]
        fits = {side: np.mean([n in roster for n in alike]) for side, roster in rosters.items()}
        can = [side for side in SIDES if one.number in rosters[side]]
        if len(alike) >= AGREEMENT.known:
            can = [side for side in can if fits[side] >= AGREEMENT.in_roster]
            surest = [side for side in can if fits[side] == max(fits.values())]
            can = surest if len(can) > 1 and abs(fits["home"] - fits["away"]) >= AGREEMENT.clearly else can
        sides.append(tuple(can))
    return sides


def unpublished(one: Agreed, sides: Sequence[str], facts: Facts) -> bool:
    """Whether the roster has a player of that number on one of `sides` who may not be published."""
    players = [facts.player(side, one.number) for side in sides]
    return any(player is not None and not player.publish for player in players)


def wording(one: Agreed, sides: Sequence[str], facts: Facts) -> str:
    """For a person to read: home 7 (0.93, 5 of 6 frames); with it that a frame is one to be held, if it is so."""
    who = " or ".join(f"{side} {one.number}" for side in sides)
    hold = "; publish: no" if unpublished(one, sides, facts) else ""
    return f"{who} ({min(one.sure, 0.99):.2f}, {one.frames} of {one.of} frames{hold})"
