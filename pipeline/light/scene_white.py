"""The white of each scene of a shoot: from its references, else from what the pictures themselves suggest."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

import numpy as np

from pipeline.light import palette
from pipeline.light.cast import warm_cast, without_cast
from pipeline.light.comparing.common_chroma import to_common
from pipeline.light.gain_map import GainMap
from pipeline.light.neutral import Vote, agree_on_white
from pipeline.light.references import Reading, ShowsReferences, WhiteMap, agreeing, plausible, readings, where
from pipeline.light.rendering.mercury import rendering_matrix
from pipeline.light.scenes import Scene, ShootLight, upright_pan
from pipeline.shoot.facts import Reference
from pipeline.textfile.messages import percent_sure
from pipeline.types import F64

# How far from the camera players are taken to be where they may stand before the wall, 1 = as far as it. Walls and
# stands span more of the court than players do, so the light on players changes less from side to side. Half heights
# above the horizon, from where on nobody is. And by which power of the way from the middle to a side the wall counts
# instead: few players are at the sides, where the wall is most unlike them and would glow in the other end's lamp.
# Chosen on the generated halls: python -m tests.evenness.
PLAYER_DISTANCE, ABOVE_PLAYERS, TO_SIDES = 0.45, 0.15, 4
STOPS_PER_LOG = float(1 / np.log(2))  # natural log -> stops


class WhiteSource(StrEnum):
    """Where the white of a frame comes from."""

    CAMERA = "camera"
    FIXED = "fixed"
    GRAY_WORLD = "gray world"
    REFERENCE = "reference"
    DAYLIGHT = "daylight"
    HALL = "hall memory"


class HasBalances(ShowsReferences, Protocol):
    """A measurement with what the frame's references show and the camera's balances, (3,) multipliers, green = 1."""

    @property
    def daylight(self) -> F64:
        """(3,) multipliers for daylight."""

    @property
    def as_shot(self) -> F64 | None:
        """(3,) multipliers that the camera chose; None where the file has none."""


@dataclass(frozen=True)
class SceneWhite:
    """The white of one scene.

    white   (2,) ln R/G and ln B/G against daylight in the middle of its frames; elsewhere it is off that by as much as
            the light is (gradient_at)
    source  where white comes from, and words  the same for a person;  sure  0 to 1
    matrix  what is foretold, white (2,) -> (3, 3) camera to working-linear, to the same by charts; None without those
    cast    part of a strong warm cast is taken off
    turn    (3, 3) on working-linear colours, that makes surfaces look as in the hall's other lights (hall.colours)
    """

    white: F64
    source: WhiteSource
    words: str
    sure: float
    matrix: Callable[[Callable[[F64], F64]], F64 | None] | None = None
    cast: bool = False
    turn: F64 | None = None

    @staticmethod
    def of_vote(vote: Vote) -> SceneWhite:
        """White as the pictures suggest it; the camera's, else daylight, where they suggest nothing."""
        white, sure = vote.white, vote.sure
        if vote.cast:
            source, words = WhiteSource.GRAY_WORLD, "part of a strong warm cast of the finished picture taken off"
        elif sure:
            source, words = WhiteSource.GRAY_WORLD, f"gray-world of the hall, {percent_sure(sure)}"
        elif vote.of_camera:
            source, words = WhiteSource.CAMERA, "camera, as shot (too little to judge by)"
        else:
            source, words = WhiteSource.DAYLIGHT, "daylight (too little to judge by)"
        return SceneWhite(white, source, words, sure, cast=vote.cast)

    @staticmethod
    def of_map(found: WhiteMap, light: ShootLight, index: int, turn: F64 | None = None) -> SceneWhite:
        """White of the scene at `index` as the references of its group give it."""
        chromaticity = light.chromaticities[index]
        shares = found.shares(chromaticity).clip(0, 1)  # light a little beyond one of two is of that one, in words
        parts = [f"{round(100 * s)} % {n}" for n, s in zip(found.names, shares, strict=True) if round(100 * s) >= 1]
        words = f"reference {found.names[0]}" if len(found.names) == 1 else "references, " + ", ".join(parts)
        sure = float(light.match[index])
        return SceneWhite(
            found.white(chromaticity), WhiteSource.REFERENCE, words, sure,
            lambda foretold: found.matrix(chromaticity, foretold, turn is not None), turn=turn,
        )  # fmt: skip

    def matrix_in(self, scene: Scene, at: F64) -> F64 | None:
        """(3, 3) to working-linear in light whose white is `at` (2,): a chart's, else what is foretold of the lamp;
        None: the camera's own."""
        # A green surface that is taken for white must not be taken for a lamp as well.
        guessed = max(0.0, 2 * self.sure - 1)
        sources = {WhiteSource.REFERENCE: 1.0, WhiteSource.HALL: 1.0, WhiteSource.GRAY_WORLD: guessed}
        known = sources.get(self.source, 0.0)

        def foretold(white: F64) -> F64:
            matrix = rendering_matrix(white, scene.to_working, scene.mercury, known)
            return matrix if self.turn is None else self.turn @ matrix

        matrix = None if self.matrix is None else self.matrix(foretold)
        if matrix is None:
            matrix = foretold(at)
        return None if matrix is scene.to_working else matrix


def gains_of_white(white: F64) -> F64:
    """(2,) chroma of white against daylight, natural log -> (3,) multipliers on top of daylight's, green = 1."""
    return np.asarray(np.exp([-white[0], 0.0, -white[1]]))


def colour_of(gain_map: GainMap) -> GainMap:
    """The colour of a gain map: what it does to red and blue beyond what it does to green."""
    return GainMap(gain_map.coefficients - gain_map.coefficients[..., 1:2])


def gradient_at(scene: Scene, frame: int, rows: F64, columns: F64, held: bool = False) -> F64:
    """(..., 2) how far the chroma of the light is off the scene's at places of a frame, -1 to 1 down and across its
    sensor, natural log. It is that of white: walls, stands and boards, which it is measured on, are grey as a whole.

    Where people stand it is that at their feet, elsewhere that of the wall and the floor. Where nobody is known to
    stand it lies between that on players and that of the wall behind: in the middle it is theirs, at the sides the
    wall's. held: of what somebody holds there, or what stands on the court.
    """
    gradient = scene.chroma_gradient
    across, y = _in_middle_frame(scene, frame, rows, columns)
    above = np.clip((gradient.horizon - y) / ABOVE_PLAYERS, 0.0, 1.0)
    of_wall = np.maximum(above, np.clip(across / gradient.half, -1, 1) ** TO_SIDES)
    unseen = np.minimum(gradient.distance(y), PLAYER_DISTANCE + (1 - PLAYER_DISTANCE) * of_wall)
    seen = scene.people.distance(gradient, y, across)
    if held:
        return gradient.at(across, np.minimum(seen, unseen))
    return gradient.at(across, unseen + scene.people.known(gradient) * (seen - unseen))


def people_at(scene: Scene, frame: int, rows: F64, columns: F64) -> F64:
    """(...) 0 to 1: how much of people there is at places of a frame, -1 to 1 down and across its sensor."""
    across, y = _in_middle_frame(scene, frame, rows, columns)
    gradient = scene.chroma_gradient
    return scene.people.known(gradient) * scene.people.at(y, across / gradient.half)[0]


def _in_middle_frame(scene: Scene, frame: int, rows: F64, columns: F64) -> tuple[F64, F64]:
    """(across, down), -1 to 1 in the upright middle frame, so that a place stays as it is in a pan and a zoom."""
    lies = scene.lies[frame]
    x, y = (2 * v - 1 for v in lies.point_to_upright((columns + 1) / 2, (rows + 1) / 2))
    return (x - upright_pan(scene.pan[frame], lies)) / scene.zoom[frame], y / scene.zoom[frame]


def votes_of(
    light: ShootLight,
    measured: Mapping[str, HasBalances],
    outdoors: Collection[str] = (),
    halls: Collection[str] = (),
    unexposed: Collection[str] = (),
) -> list[Vote]:
    """White as the pictures and the cameras suggest it, for every scene. Only those that are proven to show the same
    surfaces have a say in each other's: light that is alike says nothing of another hall, or of a test shot at home.

    outdoors  frames lit by the sun or sky: their warmth is no cast; halls  frames exposed for a lit hall;
    unexposed  frames whose exposure is not known
    """
    cameras = np.array([_camera_white([measured[n] for n in _few(scene.names)]) for scene in light.scenes])
    result = [Vote(np.zeros(2), 0.0)] * len(light.scenes)
    finished = np.array([bool((measured[s.names[0]].daylight == 1).all()) for s in light.scenes], dtype=bool)
    for members in (np.flatnonzero(light.place == place) for place in np.unique(light.place)):
        copies = _copies([light.scenes[i] for i in members])
        several, once = len(set(copies)) > 1, members[sorted(set(copies))]
        found = [light.scenes[i].whites for i in once]
        own = bool(finished[once[0]])
        scale = to_common(light.scenes[once[0]].to_working)
        votes = agree_on_white(
            light.chromaticities[once],
            found,
            cameras[once],
            own,
            scale,
            [not own and light.scenes[i].names[0] in halls for i in once],
        )
        if own:
            scenes = [light.scenes[i] for i in once]
            casts = [
                None
                if s.names[0] in outdoors
                else warm_cast(s.whites, s.chroma_histogram, supported=several or s.names[0] not in unexposed)
                for s in scenes
            ]
            lit = [s.names[0] in halls for s in scenes]
            votes = without_cast(votes, light.chromaticities[once], casts, lit, found)
        of = dict(zip(once.tolist(), votes, strict=True))
        for index, first in zip(members, members[copies].tolist(), strict=True):
            result[index] = of[first]
    return result


def _copies(scenes: Sequence[Scene]) -> list[int]:
    """For each scene the first one of just the same colours: a copy under another name is no second witness."""
    first: dict[bytes, int] = {}
    keys = [np.asarray(s.chroma_histogram).tobytes() + s.level.tobytes() for s in scenes]
    return [first.setdefault(key, index) for index, key in enumerate(keys)]


def _few(names: Sequence[str]) -> Sequence[str]:
    """At most three of a burst, since each is read from the disk: a camera's balance hardly moves within one."""
    return [names[i] for i in sorted({0, len(names) // 2, len(names) - 1})]


def _camera_white(balances: Sequence[HasBalances]) -> F64:
    """(2,) chroma that the camera took for white, against daylight, mean over a scene's frames; NaN where none."""
    logs = [np.log(one.daylight / one.as_shot) for one in balances if one.as_shot is not None]
    return np.mean([[v[0] - v[1], v[2] - v[1]] for v in logs], axis=0) if logs else np.full(2, np.nan)


def reference_maps(
    references: Sequence[Reference],
    measured: Mapping[str, HasBalances],
    light: ShootLight,
    votes: Sequence[Vote],
    notices: list[str],
) -> dict[int, WhiteMap]:
    """Group of scenes -> white by its references. References that cannot be used are named in `notices`.

    votes  white of each scene as the pictures suggest it, which a reference is checked against
    """
    groups: dict[int, list[Reading]] = {}
    checks: dict[int, list[tuple[F64, float, float]]] = {}  # white by the pictures, how sure, how common the colour
    for found in readings(references, measured, notices):
        name, (row, column) = found.reference.frame, found.place
        index = light.of[name]
        scene, group = light.scenes[index], int(light.group[index])
        frame = scene.names.index(name)
        here = gradient_at(scene, frame, np.array([row]), np.array([column]), held=True)[0]
        flicker = colour_of(scene.flicker[frame]).at(row, column)
        logs = np.log(found.white * measured[name].daylight) + flicker / STOPS_PER_LOG
        chroma = np.array([logs[0] - logs[1], logs[2] - logs[1]])
        reference, place = found.reference, light.chromaticities[index]
        reading = Reading(
            name, place, chroma - here, found.matrix, where(reference), reference.chart is not None, found.guessed,
            to_common(scene.to_working),
        )  # fmt: skip
        groups.setdefault(group, []).append(reading)
        common = palette.commonness(scene.chroma_histogram.astype(np.float32), chroma - here)
        checks.setdefault(group, []).append((votes[index].white, votes[index].sure, common))
    maps = {}
    for group, some in groups.items():
        white, sure, shares = (np.array(part) for part in zip(*checks[group], strict=True))
        kept = plausible(some, white, sure, shares, notices)
        if agreed := agreeing([some[i] for i in kept], white[kept], notices):
            maps[group] = WhiteMap.of(agreed)
    return maps
