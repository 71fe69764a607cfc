"""Whose number was read: from readings of single frames to players that a person may confirm.

One frame may be misread with all certainty. So a number counts where several frames of a burst say the same of the
same person, nothing else is read of that person more than rarely, and the number stands in the roster.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.geometry import Box
from pipeline.people.detect import within
from pipeline.people.digits import Reading
from pipeline.people.tracking import Observation, best_path, camera_shifts
from pipeline.shoot.facts import SIDES, Facts
from pipeline.types import F32, F64

MOST = 4  # people of a burst whose numbers are looked for
FRAMES = 8  # of a burst that are read for each: the sharpest
_TALL = 0.2  # of the frame's height
_SHARP, _IN_FOCUS = 0.035, 0.6  # least sharpness, and against the sharpest person of the burst
TORSO = Box(0.10, 0.08, 0.90, 0.55)  # of a person's box: where a number can be
_MIDDLE = (0.20, 0.80)  # across the box: where the middle of one can be
_UNSURE, _SURER = 0.6, 0.15  # certainty of a box that may be of two people, and how much surer one inside it is
_DIGITS = (0.04, 0.30)  # heights of a number against the person's
_READ = 0.6  # certainty from which something was read at all
_SURE = 0.8  # mean certainty of a number that is offered
_LEAST, _SHARE, _AGREE = 2, 0.3, 0.8  # frames; of those looked at; of those that say anything
_SAME_JERSEY = 28.0  # how far two shirts of one team differ in colour at most, 0 to 255
_KNOWN = 3  # people read, from which on the colour of a kit tells its team


@dataclass(frozen=True)
class Track:
    """One person through a burst: index of the frame in the burst -> row of `people`; `read` are the frames to read."""

    rows: Mapping[int, int]
    read: tuple[int, ...]


def tracks(seen: Sequence[Observation]) -> list[Track]:
    """The people of one burst who are sharp and large enough for a number to be read, who is worth most first."""
    shifts = camera_shifts(seen)
    best = max((float(s.sharp[_tall(s) >= _TALL].max(initial=0.0)) for s in seen), default=0.0)
    worth = [_worth(frame, max(_SHARP, _IN_FOCUS * best)) for frame in seen]
    found: list[Track] = []
    while len(found) < MOST and (path := best_path(seen, worth, shifts)):
        sharpest = sorted(path, key=lambda at: -float(seen[at].sharp[path[at]]))[:FRAMES]
        found.append(Track(path, tuple(sorted(sharpest))))
        for at, row in path.items():
            worth[at] = worth[at].copy()
            worth[at][row] = 0.0
    return [track for track in found if len(track.rows) >= _LEAST]


def _tall(frame: Observation) -> F32:
    return np.asarray(frame.people[:, 3] - frame.people[:, 1])


def _worth(frame: Observation, least: float) -> F64:
    tall = _tall(frame).astype(np.float64)
    can = (tall >= _TALL) & (frame.sharp >= least) & ~_several(frame.people)
    return np.where(can, tall * np.sqrt(frame.people[:, 4]), 0.0)


def _several(people: F32) -> NDArray[np.bool_]:
    """(N,) which boxes are of several people in one: not sure, and round somebody who is surer."""
    mask = np.zeros(len(people), np.bool_)
    for i, box in enumerate(people):
        if box[4] < _UNSURE:
            inside = within(people[:, :4], box[:4])
            mask[i] = bool(((inside > 0.75) & (people[:, 4] >= box[4] + _SURER)).any())
    return mask


def torso(person: F32) -> Box:
    """The part of a person's box in which a number is looked for; all in fractions of the frame."""
    x0, y0, x1, y1 = (float(v) for v in person[:4])
    a, b, c, d = TORSO
    return Box(x0 + a * (x1 - x0), y0 + b * (y1 - y0), x0 + c * (x1 - x0), y0 + d * (y1 - y0))


def own_reading(row: int, people: F32, readings: Sequence[Reading]) -> Reading | None:
    """The number on the shirt of person `row`, of `readings` with boxes in fractions of the frame.

    What stands on somebody else's shirt, before or behind, is left to him.
    """
    person = people[row]
    tall = float(person[3] - person[1])
    own = [
        r
        for r in readings
        if r.sure >= _READ and _DIGITS[0] <= (r.box.y1 - r.box.y0) / tall <= _DIGITS[1] and _owner(r, people) == row
    ]
    return max(own, key=lambda r: r.box.y1 - r.box.y0, default=None)


def _owner(reading: Reading, people: F32) -> int | None:
    """In whose middle a number stands; of two alike, the one nearer to the camera, whose feet are lower."""
    x, y = (reading.box.x0 + reading.box.x1) / 2, (reading.box.y0 + reading.box.y1) / 2
    across = (x - people[:, 0]) / np.maximum(people[:, 2] - people[:, 0], 1e-6)
    down = (y - people[:, 1]) / np.maximum(people[:, 3] - people[:, 1], 1e-6)
    can = ~_several(people) & (across > _MIDDLE[0]) & (across < _MIDDLE[1]) & (down > TORSO.y0) & (down < TORSO.y1)
    if not can.any():
        return None
    off = np.where(can, np.abs(across - 0.5), np.inf)
    near = np.flatnonzero(off <= off.min() + 0.1)
    return int(near[np.argmax(people[near, 3])])


@dataclass(frozen=True)
class Agreed:
    """A number that a burst agrees on: mean certainty, in how many of the frames looked at, and the kit's colour."""

    number: str
    sure: float
    frames: int
    of: int
    jersey_colour: F64


def agree(readings: Sequence[Reading | None], jersey_colour: F64) -> Agreed | None:
    """What the readings of one person say, one for each frame looked at; None where they do not agree.

    kit (3,) is the mean colour of the torso.
    """
    said = Counter(r.digits for r in readings if r is not None)
    if not said:
        return None
    number, count = said.most_common(1)[0]
    # A 12 that is half turned away reads as 1 or 2: a longer number seen more than once speaks against its parts.
    longer = any(number in other and other != number and n >= 2 for other, n in said.items())
    sure = float(np.mean([r.sure for r in readings if r is not None and r.digits == number]))
    total = sum(said.values())
    if count < _LEAST or count < _SHARE * len(readings) or count < _AGREE * total or longer or sure < _SURE:
        return None
    return Agreed(number, sure, count, len(readings), jersey_colour)


def teams_of(found: Sequence[Agreed], facts: Facts) -> list[tuple[str, ...]]:
    """For each whose number it can be: sides of the roster, one where that is sure, none where nobody has it.

    People of one kit are one team. Where several of a kit were read and most of their numbers are not in a side's
    roster, none of them is of that side: so a visitor's 7 is not taken for the home 7 of a roster without visitors.
    """
    rosters = {side: {p.number for p in facts.roster if p.team == side} for side in SIDES}
    sides: list[tuple[str, ...]] = []
    for one in found:
        alike = [o.number for o in found if float(np.linalg.norm(o.jersey_colour - one.jersey_colour)) <= _SAME_JERSEY]
        fits = {side: np.mean([n in roster for n in alike]) for side, roster in rosters.items()}
        can = [side for side in SIDES if one.number in rosters[side]]
        if len(alike) >= _KNOWN:
            can = [side for side in can if fits[side] >= 0.5]
            surest = [side for side in can if fits[side] == max(fits.values())]
            can = surest if len(can) > 1 and abs(fits["home"] - fits["away"]) >= 0.5 else can
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
