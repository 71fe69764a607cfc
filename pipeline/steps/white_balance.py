"""white_balance: multipliers that make neutral things neutral, and white blown highlights."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from pydantic import Field

from pipeline.imaging.orientation import Orientation
from pipeline.light import palette
from pipeline.light.gain_map import GainMap, apply_gain_map, of_solution
from pipeline.light.neutral import Vote, agree_on_white
from pipeline.light.references import Reading, WhiteMap, agreeing, measure_references, plausible, readings
from pipeline.light.scenes import Scene, ShootLight
from pipeline.steps.base import (
    ApplyContext,
    MeasureContext,
    Measured,
    Params,
    Solution,
    SolveContext,
    Solved,
    Step,
    camera_of,
    floats,
)
from pipeline.types import F64, Domain, Image

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


def measure(context: MeasureContext) -> Measured:
    """The camera's balances, and what the references of this frame show."""
    return {
        "as_shot": np.zeros(3) if context.as_shot is None else context.as_shot,
        "daylight": context.daylight,
        **measure_references(
            context.proxy,
            context.references,
            context.daylight,
            Orientation(context.frame.exif.orientation),
            rendered=context.frame.kind == "picture",
        ),
    }


def solve(context: SolveContext, params: WhiteBalanceParams) -> Solved:
    """Multipliers for every frame, and where light changes within a burst or a frame a field of stops on top."""
    if params.method == "fixed":
        gains = np.array(params.multipliers or (1.0, 1.0, 1.0))
        return Solved({f.name: _solution(gains, "fixed multipliers") for f in context.frames})
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
        name: _for_frame(scene, at, whites[index], context.measured[name]["daylight"], params.within_frame)
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


def _solution(gains: F64, source: str) -> Solution:
    return {"gains": floats(gains / gains[1]), "source": source}


def _as_shot(context: SolveContext) -> Solved:
    result: dict[str, Solution] = {}
    for frame in context.frames:
        measured = context.measured[frame.name]
        if measured["as_shot"].any():
            result[frame.name] = _solution(measured["as_shot"], "camera, as shot")
    missing = [f.name for f in context.frames if f.name not in result]
    if missing:
        light = context.light()
        votes = _votes(light)
        for name in missing:
            vote, daylight = votes[light.of[name]], context.measured[name]["daylight"]
            source = (
                "gray-world (the file carries no camera balance)" if vote.sure else "daylight (nothing to judge by)"
            )
            result[name] = _solution(daylight * _gains(vote.white), source)
    return Solved(result)


def _gains(white: F64) -> F64:
    """(2,) chroma of white relative to daylight -> (3,) multipliers on top of daylight's."""
    return np.asarray(np.exp([-white[0], 0.0, -white[1]]))


@dataclass(frozen=True)
class _White:
    """White of one scene: a function of the anchor across the frame, and where it comes from."""

    at: Callable[[F64], F64]
    chromaticity: F64
    source: str
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
    source = f"gray-world of the hall, {sure:.0%} agreed" if sure else "daylight (too little to judge by)"
    return _White(lambda a: white + a - chromaticity, chromaticity, source, sure)


def _from_map(found: WhiteMap, light: ShootLight, index: int) -> _White:
    chromaticity = light.chromaticities[index]
    shares = found.shares(chromaticity)
    parts = [f"{round(100 * s)} % {n}" for n, s in zip(found.names, shares, strict=True) if round(100 * s) >= 1]
    source = f"reference {found.names[0]}" if len(found.names) == 1 else "references, " + ", ".join(parts)
    return _White(found.white, chromaticity, source, float(light.match[index]), lambda d: found.matrix(chromaticity, d))


def _reference_maps(
    context: SolveContext, light: ShootLight, votes: Sequence[Vote], notices: list[str]
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
        logs = np.log(shown.white * context.measured[name]["daylight"]) + flicker / _PER_STOP
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


def _lonely(context: SolveContext, light: ShootLight, maps: dict[int, WhiteMap]) -> list[str]:
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


def _for_frame(scene: Scene, at: int, white: _White, daylight: F64, within: bool) -> Solution:
    chroma_gradient = (
        palette.at(scene.chroma_gradient * _NEARER, _COLUMNS - scene.pan[at])
        if within
        else np.zeros((len(_COLUMNS), 2))
    )
    whites = np.array([white.at(white.chromaticity + d) for d in chroma_gradient])
    shape = np.polynomial.legendre.legfit(_COLUMNS, whites, 2)
    solution = dict(_solution(daylight * _gains(shape[0]), white.source))
    across = np.zeros((1, 3, 3))
    across[0, 1:, 0], across[0, 1:, 2] = -shape[1:, 0] * _PER_STOP, -shape[1:, 1] * _PER_STOP
    gain_map = GainMap(across) + _colour(scene.flicker[at])
    if np.abs(gain_map.coefficients).max() > 0:
        solution["field"] = gain_map.as_json()
    solution["evened"] = True
    solution["sure"] = round(white.sure, 3)
    matrix = white.matrix(scene.to_working) if white.matrix is not None else None
    if matrix is not None:
        solution["matrix"] = [floats(row) for row in matrix]
    return solution


def _how_sure(light: ShootLight, whites: Sequence[_White]) -> list[str]:
    guessed = [(s, w) for s, w in zip(light.scenes, whites, strict=True) if w.source.startswith("gray-world")]
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
    nothing = [n for s, w in zip(light.scenes, whites, strict=True) if w.source.startswith("daylight") for n in s.names]
    if nothing:
        more = f" and {len(nothing) - 1} more" if len(nothing) > 1 else ""
        notices.append(f"white_balance: {nothing[0]}{more}: too little to judge by; daylight")
    return notices


def apply(image: Image, params: WhiteBalanceParams, context: ApplyContext) -> Image:
    """Multiply the channels, rebuild clipped ones; a chart's matrix replaces the camera's."""
    balanced = apply_gain_map(image, of_solution(context.solution), Orientation(context.frame.exif.orientation))
    matrix = context.solution.get("matrix")
    return replace(balanced, to_working=np.array(matrix)) if matrix is not None else balanced


STEP = Step(
    name="white_balance",
    version=2,
    summary="Make neutral things neutral: as shot, gray-world, from reference patches, or fixed multipliers.",
    Params=WhiteBalanceParams,
    place="shared",
    takes=(Domain.CAMERA,),
    measure=measure,
    solve=solve,
    apply=apply,
)
