"""exposure: one brightness across a burst, a light zone or the whole shoot."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from pydantic import Field

from pipeline.imaging.colour import LUMINANCE
from pipeline.imaging.orientation import Orientation
from pipeline.light.gain_map import GainMap, apply_gain_map
from pipeline.light.scenes import Scene, ShootLight, zones
from pipeline.steps import white_balance
from pipeline.steps.base import ApplyContext, NoMeasurement, Params, SolveContext, Solved, Step, signed
from pipeline.steps.white_balance import WhiteBalanceSolution
from pipeline.types import F64, Image, JsonObject

_PULL = 0.8  # stops; ends of one hall seldom differ by more (common practice, no source)
_AGREES = 0.03  # of a frame: less in common with its burst is another scene
_LOST = "exposure: it has hardly anything in common with its burst; look at its brightness and colour"
_PULSES = 0.15  # stops between the frames of a burst from which lamps are said to pulse
_RECOGNISED = 0.6  # match from which a scene's surfaces may tell its brightness


class ExposureParams(Params):
    """Parameters of exposure."""

    across: Literal["none", "burst", "zone", "shoot"] = Field(
        "burst",
        description="burst: the frames of one burst agree; zone: also all bursts under the same light; shoot: also "
        "both ends of the hall; none: every frame stays as exposed",
    )
    target: Literal["median", "reference", "exposed"] | float = Field(
        "median",
        description="median: the typical picture gets the brightness under mean; a number: the same with so many "
        "stops added; reference: as bright as the reference frames show the hall; exposed: as bright as it was shot",
    )
    mean: float = Field(
        0.16, ge=0.02, le=0.6, description="mean luminance of the typical picture, as a fraction of white"
    )
    limit: float = Field(3.5, ge=0, le=6, description="most stops that target may add or take away")


@dataclass(frozen=True)
class ExposureSolution:
    """Stops to add over a frame, and their mean (ev)."""

    ev: float
    gain_map: GainMap

    @staticmethod
    def of(stops: GainMap) -> ExposureSolution:
        """Rounded as solutions are."""
        return ExposureSolution(round(float(stops.coefficients[0, 0].mean()), 4), stops.rounded())

    def as_json(self) -> JsonObject:
        """For the record and the keys."""
        return {"ev": self.ev, "gain_map": self.gain_map.as_json()}


def solve(context: SolveContext[NoMeasurement], params: ExposureParams) -> Solved[ExposureSolution]:
    """A field of stops per frame: what the burst agrees on, and one level per burst."""
    light = context.light()
    if params.across == "none":
        return Solved({f.name: ExposureSolution.of(GainMap.constant(np.zeros(3))) for f in context.frames})
    balance = context.earlier_of(white_balance.STEP)
    own = np.array([_brightness(light, i, balance) for i in range(len(light.scenes))])
    levels, notices = _levels(context, light, own, params)
    by_frame = {}
    for scene, level in zip(light.scenes, levels, strict=True):
        shared = _shared_gain([balance.get(n) for n in scene.names])
        for name, flicker in zip(scene.names, scene.flicker, strict=True):
            left = _left_over(flicker, balance.get(name), shared)
            by_frame[name] = ExposureSolution.of(left + GainMap.constant(np.full(3, level)))
    lost = {n: _LOST for s in light.scenes for n, part in zip(s.names, s.steady, strict=True) if part < _AGREES}
    return Solved(by_frame, (*notices, *_single_frames(light)), lost)


def _swing(scene: Scene) -> float:
    """Stops that a place of the frame changes by over a burst or from band to band."""
    rows = np.array([p.on(9, 1)[:, 0, 1] for p in scene.flicker])
    return float(max(np.ptp(rows, axis=0).max(), np.ptp(rows, axis=1).max()))


def _single_frames(light: ShootLight) -> list[str]:
    """What cannot be known of frames that stand alone, where the lamps are seen to pulse."""
    swing = [_swing(s) for s in light.scenes if len(s.names) > 2]
    single = [s.names[0] for s in light.scenes if len(s.names) == 1]
    if not single or not swing or np.median(swing) < _PULSES:
        return []
    more = f" and {len(single) - 1} more single frames" if len(single) > 1 else ""
    return [
        f"exposure: {single[0]}{more}: the lamps pulse, and one frame alone does not tell how its rows were lit; "
        "its brightness as a whole is evened, its balance comes from its light zone"
    ]


def _gains(balance: WhiteBalanceSolution | None) -> F64:
    return np.ones(3) if balance is None else balance.gains


def _shared_gain(balances: Sequence[WhiteBalanceSolution | None]) -> GainMap:
    return GainMap.constant(np.mean([np.log2(_gains(b)) for b in balances], axis=0))


def _left_over(flicker: GainMap, balance: WhiteBalanceSolution | None, shared: GainMap) -> GainMap:
    """What of the flicker is still to be done: white_balance may have done its colour, or changed it frame by frame."""
    if balance is None:
        return flicker
    if balance.evened:
        return GainMap(np.repeat(flicker.coefficients[..., 1:2], 3, axis=2))
    return flicker + shared + -GainMap.of_multipliers(balance.gains)


def _brightness(light: ShootLight, index: int, balance: Mapping[str, WhiteBalanceSolution]) -> float:
    """Mean log2 luminance of a scene as balanced; NaN when nothing is usable."""
    scene = light.scenes[index]
    gains: F64 = np.log2(_gains(balance.get(scene.names[0])))
    return float(np.log2(2.0 ** (scene.level + gains) @ LUMINANCE))


def _levels(
    context: SolveContext[NoMeasurement], light: ShootLight, own: F64, params: ExposureParams
) -> tuple[list[float], list[str]]:
    """Stops to add to each scene, and what the report should say.

    tone says by how many stops the surfaces that two scenes share are brighter in one. own is the mean of what is
    in the picture, which a white bench changes and the light does not. For zone and shoot tone alone decides; for
    burst both have half a say, since a picture should look right by itself, but a burst further than _PULL
    from the others was lit by something else. A scene whose surfaces nobody recognises has only itself.
    """
    part = zones(light) if params.across == "zone" else light.group
    known = np.isfinite(own) & (light.match >= _RECOGNISED)
    references = {light.of[r.frame] for r in context.facts.references if r.frame in light.of}
    aim = float(np.log2(params.mean)) + (params.target if isinstance(params.target, float) else 0.0)
    # Of a scene that has only itself.
    levels: F64 = np.where(np.isfinite(own) & (params.target != "exposed"), aim - own, 0.0)
    for number in np.unique(part):
        members = [int(i) for i in np.flatnonzero(part == number) if known[i]]
        typical = [i for i in members if i not in references] or members
        if not typical:
            continue
        tones, usual = light.tone, float(np.median(own[typical] - light.tone[typical]))  # of a picture at tone 0
        shown = [i for i in members if i in references] or [
            i for i in references if light.group[i] == light.group[members[0]]
        ]
        for i in members:
            if params.target == "exposed":
                levels[i] = 0.0 if params.across == "burst" else float(np.median(tones[typical])) - tones[i]
            elif params.target == "reference" and shown:
                levels[i] = float(np.median(tones[shown])) - tones[i]
            elif params.across == "burst":
                levels[i] -= float(np.clip(usual + tones[i] - own[i], -_PULL, _PULL)) / 2
            else:
                levels[i] = aim - usual - tones[i]
    notices = []
    if params.target == "reference" and not references:
        notices.append("exposure: target is reference, but shoot.yaml names no reference frame; median was used")
    return [float(v) for v in np.clip(levels, -params.limit, params.limit)], notices


def apply(image: Image, params: ExposureParams, context: ApplyContext[ExposureSolution]) -> Image:
    """Multiply by the gains of the gain map; blown light stays white; noise and saturation follow."""
    if context.solution is None:
        return image
    return apply_gain_map(image, context.solution.gain_map, Orientation(context.frame.exif.orientation))


def in_words(solution: ExposureSolution) -> str:
    """The mean of the stops added."""
    return f"{signed(solution.ev)} EV"


STEP = Step[ExposureParams, NoMeasurement, ExposureSolution](
    name="exposure",
    version=2,
    summary="Even out the flicker of the lamps across a burst, row by row and per channel, and set one level.",
    Params=ExposureParams,
    place="shared",
    solve=solve,
    apply=apply,
    in_words=in_words,
)
