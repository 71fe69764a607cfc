"""white_balance: multipliers that make neutral things neutral, and white blown highlights."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from pipeline.imaging.orientation import Orientation
from pipeline.light import palette
from pipeline.light.gain_map import GainMap, apply_gain_map
from pipeline.light.neutral import Vote, agree_on_white
from pipeline.light.references import (
    MeasuredReferences,
    Reading,
    WhiteMap,
    agreeing,
    measure_references,
    plausible,
    readings,
)
from pipeline.light.scenes import Scene, ShootLight
from pipeline.steps.base import (
    ApplyContext,
    MeasureContext,
    Params,
    SolveContext,
    Solved,
    Step,
    camera_of,
    rounded,
    stops_in_words,
)
from pipeline.types import F64, Domain, Image, JsonObject

_COLUMNS: F64 = np.linspace(-1, 1, 9)  # places across the frame at which white is asked for
_PER_STOP = 1 / np.log(2)
_UNSURE = 0.35
_RECOGNISED = 0.6
_STRANGE = "white balance: its colours are little like those of the reference frames; look at it"
# Walls and stands behind the play span more of the court than the players do, so from side to side the light on
# players changes less than on what tells it (generated halls, python -m tests.evenness).
_NEARER = 0.7


class WhiteBalanceParams(Params):
    """Parameters of white_balance."""

    method: Literal["gray_world", "reference_patch", "camera", "fixed"] = Field(
        "camera",
        description="camera: as shot; gray_world: from the colours of the pictures; reference_patch: from the "
        "neutral patches and charts under references in shoot.yaml; fixed: the multipliers given",
    )
    multipliers: tuple[float, float, float] | None = Field(
        None, description="for method fixed: red, green and blue multipliers of the raw channels, e.g. [1.9, 1, 1.6]"
    )
    within_frame: bool = Field(
        True,
        description="follow the light from one side of a frame to the other where two lamps mix; "
        "no: one balance a frame (for gray_world and reference_patch)",
    )


class WhiteSource(StrEnum):
    """Where the white of a frame comes from."""

    CAMERA = "camera"
    FIXED = "fixed"
    GRAY_WORLD = "gray world"
    REFERENCE = "reference"
    DAYLIGHT = "daylight"


@dataclass(frozen=True)
class WhiteBalanceMeasurement:
    """The camera's balances, (3,) multipliers with green = 1 (as_shot None: the file carries none), and what the
    references of this frame show."""

    as_shot: F64 | None
    daylight: F64
    references: MeasuredReferences

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """For the store; zeros stand for no balance."""
        as_shot = np.zeros(3) if self.as_shot is None else self.as_shot
        return {"as_shot": as_shot, "daylight": self.daylight, **self.references.as_arrays()}

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> WhiteBalanceMeasurement:
        """What `as_arrays` gave."""
        as_shot = arrays["as_shot"] if arrays["as_shot"].any() else None
        return cls(as_shot, arrays["daylight"], MeasuredReferences.from_arrays(arrays))

    @property
    def camera_balance(self) -> F64:
        """(3,) multipliers of the camera: as shot, or for daylight."""
        return self.as_shot if self.as_shot is not None else self.daylight


@dataclass(frozen=True)
class WhiteBalanceSolution:
    """The balance of one frame.

    gains     (3,) multipliers, green = 1; source  where they come from, and words  the same for a person
    gain_map  stops on top, where light changes over the frame or within its burst
    evened    the colour of the flicker is in the gain map; matrix  (3, 3) of a chart, to working-linear
    sure      0 to 1, None where nothing was judged
    """

    gains: F64
    source: WhiteSource
    words: str
    gain_map: GainMap | None = None
    evened: bool = False
    sure: float | None = None
    matrix: F64 | None = None

    @property
    def stops(self) -> GainMap:
        """All of it, in stops."""
        total = GainMap.of_multipliers(self.gains)
        return total if self.gain_map is None else total + self.gain_map

    def as_json(self) -> JsonObject:
        """For the record and the keys."""
        found: JsonObject = {"gains": self.gains.tolist(), "source": self.source.value, "words": self.words}
        if self.gain_map is not None:
            found["gain_map"] = self.gain_map.as_json()
        if self.evened:
            found["evened"] = True
        if self.sure is not None:
            found["sure"] = self.sure
        if self.matrix is not None:
            found["matrix"] = self.matrix.tolist()
        return found


def measure(context: MeasureContext) -> WhiteBalanceMeasurement:
    """The camera's balances, and what the references of this frame show."""
    references = measure_references(
        context.proxy,
        context.references,
        context.daylight,
        Orientation(context.frame.exif.orientation),
        rendered=context.frame.kind == "picture",
    )
    return WhiteBalanceMeasurement(context.as_shot, context.daylight, references)


def solve(context: SolveContext[WhiteBalanceMeasurement], params: WhiteBalanceParams) -> Solved[WhiteBalanceSolution]:
    """Multipliers for every frame, and where light changes within a burst or a frame a field of stops on top."""
    if params.method == "fixed":
        gains = np.array(params.multipliers or (1.0, 1.0, 1.0))
        return Solved({f.name: _balance(gains, WhiteSource.FIXED, "fixed multipliers") for f in context.frames})
    if params.method == "camera":
        return _as_shot(context)
    light = context.light()
    votes = _votes(light)
    notices: list[str] = []
    whites: list[_White] = []
    maps = _reference_maps(context, light, votes, notices) if params.method != "gray_world" else {}
    for index in range(len(light.scenes)):
        found = maps.get(int(light.group[index]))
        if found is not None:
            whites.append(_from_map(found, light, index))
        else:
            whites.append(_from_vote(votes[index].white, votes[index].sure, light.chromaticities[index]))
    notices += _lonely(context, light, maps) if maps else []
    by_frame = {
        name: _for_frame(scene, at, whites[index], context.measured[name].daylight, params.within_frame)
        for index, scene in enumerate(light.scenes)
        for at, name in enumerate(scene.names)
    }
    notices += _how_sure(light, whites)
    strange = {
        name: _STRANGE
        for index, scene in enumerate(light.scenes)
        if light.match[index] < _RECOGNISED and int(light.group[index]) in maps
        for name in scene.names
    }
    return Solved(by_frame, tuple(notices), strange)


def _balance(gains: F64, source: WhiteSource, words: str) -> WhiteBalanceSolution:
    return WhiteBalanceSolution(rounded(gains / gains[1]), source, words)


def _as_shot(context: SolveContext[WhiteBalanceMeasurement]) -> Solved[WhiteBalanceSolution]:
    result: dict[str, WhiteBalanceSolution] = {}
    for frame in context.frames:
        as_shot = context.measured[frame.name].as_shot
        if as_shot is not None:
            result[frame.name] = _balance(as_shot, WhiteSource.CAMERA, "camera, as shot")
    missing = [f.name for f in context.frames if f.name not in result]
    if missing:
        light = context.light()
        votes = _votes(light)
        for name in missing:
            vote, daylight = votes[light.of[name]], context.measured[name].daylight
            if vote.sure:
                source, words = WhiteSource.GRAY_WORLD, "gray-world (the file carries no camera balance)"
            else:
                source, words = WhiteSource.DAYLIGHT, "daylight (nothing to judge by)"
            result[name] = _balance(daylight * _gains(vote.white), source, words)
    return Solved(result)


def _gains(white: F64) -> F64:
    """(2,) chroma of white relative to daylight -> (3,) multipliers on top of daylight's."""
    return np.asarray(np.exp([-white[0], 0.0, -white[1]]))


@dataclass(frozen=True)
class _White:
    """White of one scene: a function of the anchor across the frame, and where it comes from."""

    at: Callable[[F64], F64]
    chromaticity: F64
    source: WhiteSource
    words: str
    sure: float
    matrix: Callable[[F64], F64 | None] | None = None


def _votes(light: ShootLight) -> list[Vote]:
    """White by the pictures alone, for every scene; scenes that share nothing vote apart."""
    result = [Vote(np.zeros(2), 0.0)] * len(light.scenes)
    for group in np.unique(light.group):
        members = np.flatnonzero(light.group == group)
        votes = agree_on_white(light.chromaticities[members], [light.scenes[i].whites for i in members])
        for index, vote in zip(members, votes, strict=True):
            result[index] = vote
    return result


def _from_vote(white: F64, sure: float, chromaticity: F64) -> _White:
    source = WhiteSource.GRAY_WORLD if sure else WhiteSource.DAYLIGHT
    words = f"gray-world of the hall, {sure:.0%} agreed" if sure else "daylight (too little to judge by)"
    return _White(lambda a: white + a - chromaticity, chromaticity, source, words, sure)


def _from_map(found: WhiteMap, light: ShootLight, index: int) -> _White:
    chromaticity = light.chromaticities[index]
    shares = found.shares(chromaticity)
    parts = [f"{round(100 * s)} % {n}" for n, s in zip(found.names, shares, strict=True) if round(100 * s) >= 1]
    words = f"reference {found.names[0]}" if len(found.names) == 1 else "references, " + ", ".join(parts)
    return _White(
        found.white,
        chromaticity,
        WhiteSource.REFERENCE,
        words,
        float(light.match[index]),
        lambda d: found.matrix(chromaticity, d),
    )


def _reference_maps(
    context: SolveContext[WhiteBalanceMeasurement], light: ShootLight, votes: Sequence[Vote], notices: list[str]
) -> dict[int, WhiteMap]:
    """Group of scenes -> its references."""
    groups: dict[int, list[Reading]] = {}
    told: dict[int, list[tuple[F64, float, float]]] = {}
    for shown in readings(context.facts.references, context.measured, notices):
        name, (row, column) = shown.reference.frame, shown.place
        index = light.of[name]
        scene, group = light.scenes[index], int(light.group[index])
        frame = scene.names.index(name)
        here = palette.at(scene.chroma_gradient * _NEARER, np.array([column - scene.pan[frame]]))[0]
        flicker = _colour(scene.flicker[frame]).at(row, column)
        logs = np.log(shown.white * context.measured[name].daylight) + flicker / _PER_STOP
        chroma = np.array([logs[0] - logs[1], logs[2] - logs[1]])
        groups.setdefault(group, []).append(Reading(name, light.chromaticities[index] + here, chroma, shown.matrix))
        common = palette.commonness(scene.chroma_histogram.astype(np.float32), chroma - here)
        told.setdefault(group, []).append((votes[index].white + here, votes[index].sure, common))
    maps = {}
    for group, found in groups.items():
        white, sure, shares = (np.array(part) for part in zip(*told[group], strict=True))
        kept = plausible(found, white, sure, shares, notices)
        if agreed := agreeing([found[i] for i in kept], white[kept], notices):
            maps[group] = WhiteMap.of(agreed)
    if not maps:
        notices.append("white_balance: no usable reference; gray_world was used instead")
    return maps


def _lonely(context: SolveContext[WhiteBalanceMeasurement], light: ShootLight, maps: dict[int, WhiteMap]) -> list[str]:
    """Scenes that no reference speaks for."""
    by_name = {f.name: f for f in context.frames}
    without = [i for i in range(len(light.scenes)) if int(light.group[i]) not in maps]
    served = {camera_of(by_name[s.names[0]]) for i, s in enumerate(light.scenes) if int(light.group[i]) in maps}
    notices = []
    for camera in sorted({camera_of(by_name[light.scenes[i].names[0]]) for i in without} - served):
        notices.append(f"white_balance: no reference frame of {camera}; its frames take gray_world")
    strange = [n for i in without for n in light.scenes[i].names if camera_of(by_name[n]) in served]
    if strange:
        more = f" and {len(strange) - 1} more" if len(strange) > 1 else ""
        notices.append(
            f"white_balance: {strange[0]}{more}: nothing in the picture is known from the reference frames; gray_world"
        )
    return notices


def _colour(gain_map: GainMap) -> GainMap:
    """The colour of a field: what it does to red and blue beyond what it does to green."""
    return GainMap(gain_map.coefficients - gain_map.coefficients[..., 1:2])


def _for_frame(scene: Scene, at: int, white: _White, daylight: F64, within: bool) -> WhiteBalanceSolution:
    chroma_gradient = (
        palette.at(scene.chroma_gradient * _NEARER, _COLUMNS - scene.pan[at])
        if within
        else np.zeros((len(_COLUMNS), 2))
    )
    whites = np.array([white.at(white.chromaticity + d) for d in chroma_gradient])
    shape = np.polynomial.legendre.legfit(_COLUMNS, whites, 2)
    gains = daylight * _gains(shape[0])
    across = np.zeros((1, 3, 3))
    across[0, 1:, 0], across[0, 1:, 2] = -shape[1:, 0] * _PER_STOP, -shape[1:, 1] * _PER_STOP
    gain_map = GainMap(across) + _colour(scene.flicker[at])
    matrix = white.matrix(scene.to_working) if white.matrix is not None else None
    return WhiteBalanceSolution(
        gains=rounded(gains / gains[1]),
        source=white.source,
        words=white.words,
        gain_map=gain_map.rounded() if np.abs(gain_map.coefficients).max() > 0 else None,
        evened=True,
        sure=round(white.sure, 3),
        matrix=None if matrix is None else rounded(matrix),
    )


def _how_sure(light: ShootLight, whites: Sequence[_White]) -> list[str]:
    guessed = [(s, w) for s, w in zip(light.scenes, whites, strict=True) if w.source is WhiteSource.GRAY_WORLD]
    notices = []
    if guessed:
        sure = np.array([w.sure for _, w in guessed])
        weak = [s.names[0] for s, w in guessed if w.sure < _UNSURE]
        alone = len(guessed) == 1
        text = (
            "white_balance: gray_world took the brightest surface of one scene for white; nothing else tells"
            if alone
            else f"white_balance: gray_world found white from the brightest surfaces of {len(guessed)} scenes; "
            f"{np.median(sure):.0%} of what they suggest agrees"
        )
        if weak:
            text += f"; least sure about {weak[0]}" + (f" and {len(weak) - 1} more" if len(weak) > 1 else "")
        notices.append(text + ". A grey card at each end makes it sure.")
    nothing = [
        n for s, w in zip(light.scenes, whites, strict=True) if w.source is WhiteSource.DAYLIGHT for n in s.names
    ]
    if nothing:
        more = f" and {len(nothing) - 1} more" if len(nothing) > 1 else ""
        notices.append(f"white_balance: {nothing[0]}{more}: too little to judge by; daylight")
    return notices


def apply(image: Image, params: WhiteBalanceParams, context: ApplyContext[WhiteBalanceSolution]) -> Image:
    """Multiply the channels, rebuild clipped ones; a chart's matrix replaces the camera's."""
    solution = context.solution
    if solution is None:
        return image
    balanced = apply_gain_map(image, solution.stops, Orientation(context.frame.exif.orientation))
    return balanced if solution.matrix is None else replace(balanced, to_working=solution.matrix)


def in_words(solution: WhiteBalanceSolution) -> str:
    """The multipliers in stops, and where they come from."""
    return f"{stops_in_words(np.log2(solution.gains))} ({solution.words})"


STEP = Step[WhiteBalanceParams, WhiteBalanceMeasurement, WhiteBalanceSolution](
    name="white_balance",
    version=2,
    summary="Make neutral things neutral: as shot, gray-world, from reference patches, or fixed multipliers.",
    Params=WhiteBalanceParams,
    place="shared",
    takes=(Domain.CAMERA,),
    required=True,
    Measurement=WhiteBalanceMeasurement,
    measure=measure,
    solve=solve,
    apply=apply,
    in_words=in_words,
)
