"""exposure: one brightness across a burst, a light zone or the whole shoot."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from pipeline.errors import FrameError
from pipeline.imaging.colour import LUMINANCE
from pipeline.imaging.orientation import Orientation
from pipeline.light.gain_map import GainMap, apply_gain_map
from pipeline.steps import white_balance
from pipeline.steps.base import ApplyContext, MeasureContext, Params, SolveContext, Solved, Step, signed
from pipeline.steps.exposure_limits import Shown, kept_levels, raised
from pipeline.steps.white_balance import WhiteBalanceSolution
from pipeline.store.packing import LARGEST, take
from pipeline.textfile.messages import counted
from pipeline.types import F64, Image, JsonObject

if TYPE_CHECKING:
    from pipeline.light.scenes import Scene, ShootLight
    from pipeline.steps.bright_pixels import BrightPixels


@dataclass(frozen=True)
class ExposureRules:
    """What decides here, besides the parameters.

    own_reach     stops by which what is in a picture may move its level, at most; ends of one hall seldom differ by
                  more (common practice, no source)
    own_share     part of that difference which counts, between the bursts of across: burst and the zones of across:
                  zone. Half: a picture should look right by itself and still match its neighbours (chosen by eye)
    common        share of a frame that it has in common with its burst; with less it shows another scene (chosen on
                  bursts with a person before the lens: python -m tests.evenness)
    flicker       stops that a typical burst varies by from which its lamps are reported to flicker (chosen by eye:
                  less is hard to see between two prints)
    recognised    match (0 to 1) from which a scene's surfaces may decide its brightness (chosen by eye)
    said          stops by which a limit must change a level to be reported (chosen by eye)
    """

    own_reach: float = 0.8
    own_share: float = 0.5
    common: float = 0.03
    flicker: float = 0.15
    recognised: float = 0.6
    said: float = 0.05


RULES = ExposureRules()
_ROWS = 9  # of a frame, at which flicker is compared; decides a notice only (chosen by eye)
_NO_TARGET = "exposure: target does nothing with across: none; write across: burst, zone or shoot"
_LOST = "exposure: it has hardly anything in common with its burst; look at its brightness and colour"


class ExposureParams(Params):
    """Parameters of exposure."""

    across: Literal["none", "burst", "zone", "shoot"] = Field(
        "burst",
        description="burst: the frames of one burst agree; zone: also all bursts under the same light; shoot: also "
        "both ends of the hall; none: every frame stays as exposed",
    )
    target: Literal["median", "reference", "exposed"] | Annotated[float, Field(ge=-6, le=6)] = Field(
        "median",
        description="median: the typical raw picture gets the brightness under mean, a finished one (JPEG, TIFF, PNG) "
        "keeps its own; a number: the same with that many stops added; reference: as bright as the reference frames "
        "show the hall; exposed: as bright as it was shot",
    )
    mean: float = Field(
        0.16, ge=0.02, le=0.6, description="mean luminance of the typical picture, as a fraction of white"
    )
    limit: float = Field(3.5, ge=0, le=6, description="most stops that target may add or take away")


@dataclass(frozen=True, slots=True)
class ExposureSolution:
    """Stops to add over a frame (gain_map), and the mean of its constant term over R, G and B (ev)."""

    ev: float
    gain_map: GainMap

    @staticmethod
    def of(stops: GainMap) -> ExposureSolution:
        """Of a gain map of stops, rounded as solutions are."""
        return ExposureSolution(round(float(stops.coefficients[0, 0].mean()), 4), stops.rounded())

    def as_json(self) -> JsonObject:
        """For the record and the keys."""
        return {"ev": self.ev, "gain_map": self.gain_map.as_json()}


@dataclass(frozen=True)
class ExposureMeasurement:
    """The brightest pixels of a frame, and the multipliers (3,) of daylight, green = 1."""

    bright: BrightPixels
    daylight: F64

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """For the store."""
        return {"daylight": self.daylight, **self.bright.as_arrays()}

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> ExposureMeasurement:
        """What `as_arrays` gave. Raises ValueError for what it cannot have given."""
        from pipeline.steps.bright_pixels import BrightPixels

        return cls(BrightPixels.from_arrays(arrays), take(arrays, "daylight", np.float64, (3,), 1 / LARGEST, LARGEST))


def measure(context: MeasureContext) -> ExposureMeasurement:
    """The brightest pixels under the camera's own balance."""
    from pipeline.steps.bright_pixels import bright_pixels

    balance = context.daylight if context.as_shot is None else context.as_shot
    up = Orientation(context.frame.exif.orientation)
    bright = bright_pixels(context.proxy, balance, up, context.frame.kind == "picture")
    return ExposureMeasurement(bright, context.daylight)


def solve(context: SolveContext[ExposureMeasurement], params: ExposureParams) -> Solved[ExposureSolution]:
    """A gain map of stops for each frame: what makes it agree with its burst, plus one level for each burst.

    light.flicker finds the first, by a robust fit (pipeline.light.flicker); for the level see ExposureRules. Across
    bursts, what was white as exposed is not lowered to grey (pipeline.steps.exposure_limits). A level is lowered until
    hardly a pixel burns out that was whole in the file.
    """
    light = context.light()
    if params.across == "none":
        flat = {f.name: ExposureSolution.of(GainMap.constant(np.zeros(3))) for f in context.frames}
        return Solved(flat, () if params.target == "median" else (_NO_TARGET,))
    balance = context.earlier_of(white_balance.STEP)
    frames = {f.name: f for f in context.frames}
    own, as_found = (np.array([_brightness(light, i, b) for i in range(len(light.scenes))]) for b in (balance, {}))
    light = _as_shown(context, light, balance)
    finished = np.array([frames[s.names[0]].kind == "picture" for s in light.scenes], dtype=bool)
    lost = np.where(finished & np.isfinite(own), as_found - own, 0.0)
    levels, highest, notices = _levels(context, light, own, lost, finished, params)
    more = params.target if isinstance(params.target, float) else 0.0
    by_frame, named = {}, {}
    shown = Shown(context)
    for scene, level, most in zip(light.scenes, levels, highest, strict=True):
        members = [frames[n] for n in scene.names]
        shared = _shared_gain([balance.get(n) for n in scene.names])
        evening = [_left_over(f, balance.get(n), shared) for n, f in zip(scene.names, scene.flicker, strict=True)]
        kept = kept_levels(shown, members, evening, raised(shown, members, evening, level, most, more))
        for name, even, part, own_level in zip(scene.names, evening, scene.steady, kept, strict=True):
            by_frame[name] = ExposureSolution.of(even + GainMap.constant(np.full(3, own_level)))
            said = [_LOST] if part < RULES.common else []
            if abs(level - own_level) > RULES.said:
                said.append(_held_back(level, own_level))
            if said:
                named[name] = "; ".join(said)
    return Solved(by_frame, (*notices, *_single_frames(light)), named)


_SEEN = 0.15  # stops between neighbours that a person should look at; chosen by us, no source


def _held_back(level: float, kept: float) -> str:
    why = "white stays white" if kept > level else "bright parts do not burn out"
    look = "; compare it with its neighbours" if abs(kept - level) >= _SEEN else ""
    return f"exposure: {signed(kept)} EV in place of {signed(level)} EV, so that {why}{look}"


def _flicker_range(scene: Scene) -> float:
    """Most stops of green by which a row changes over a burst, or one frame from row to row."""
    rows = np.array([p.on(_ROWS, 1)[:, 0, 1] for p in scene.flicker])
    return float(max(np.ptp(rows, axis=0).max(), np.ptp(rows, axis=1).max()))


def _single_frames(light: ShootLight) -> list[str]:
    """A notice on frames that stand alone, where the lamps are known to flicker: one frame does not show how, unless a
    burst did (light.singles)."""
    ranges = [_flicker_range(s) for s in light.scenes if len(s.names) > 2]
    single = [s.names[0] for s in light.scenes if len(s.names) == 1 and not s.flicker[0].coefficients.any()]
    if not single or not ranges or np.median(ranges) < RULES.flicker:
        return []
    more = f" and {counted(len(single) - 1, 'more single frame')}" if len(single) > 1 else ""
    return [
        f"exposure: {single[0]}{more}: the lamps flicker, and no burst of the same view tells how its rows were lit; "
        "its overall brightness is evened, its balance comes from its light zone"
    ]


def _gains(balance: WhiteBalanceSolution | None) -> F64:
    return np.ones(3) if balance is None else balance.gains


def _shared_gain(balances: Sequence[WhiteBalanceSolution | None]) -> GainMap:
    """The mean balance of a burst, in stops."""
    return GainMap.constant(np.mean([np.log2(_gains(b)) for b in balances], axis=0))


def _left_over(flicker: GainMap, balance: WhiteBalanceSolution | None, shared: GainMap) -> GainMap:
    """The part of the flicker that white_balance left: it may have taken out the colour, or changed it by the frame."""
    if balance is None:
        return flicker
    if balance.evened:
        return GainMap(np.repeat(flicker.coefficients[..., 1:2], 3, axis=2))
    return flicker + shared + -GainMap.of_multipliers(balance.gains)


def _as_shown(
    context: SolveContext[ExposureMeasurement], light: ShootLight, balance: Mapping[str, WhiteBalanceSolution]
) -> ShootLight:
    """The light with tones of luminance as balanced, where all that needs is known."""
    from pipeline.light.scenes import tones_as_shown

    gains, matrices = [], []
    try:
        for scene in light.scenes:
            of = balance[scene.names[0]]
            gains.append(of.gains / context.measured[scene.names[0]].daylight)
            matrices.append(scene.to_working if of.matrix is None else of.matrix)
    except (FrameError, KeyError):
        return light
    return replace(light, tone=tones_as_shown(light, gains, matrices)) if light.pairs else light


def _brightness(light: ShootLight, index: int, balance: Mapping[str, WhiteBalanceSolution]) -> float:
    """Mean log2 luminance of a scene as balanced; NaN when nothing is usable."""
    scene = light.scenes[index]
    gains: F64 = np.log2(_gains(balance.get(scene.names[0])))
    return float(np.log2(2.0 ** (scene.level + gains) @ LUMINANCE))


def _levels(
    context: SolveContext[ExposureMeasurement],
    light: ShootLight,
    own: F64,
    lost: F64,
    finished: NDArray[np.bool_],
    params: ExposureParams,
) -> tuple[list[float], list[float], list[str]]:
    """Stops to add to each scene, the most that keeping its whites may raise them to, and notices.

    own  (scenes,) mean log2 luminance of each picture as balanced, NaN where unknown
    finished  (scenes,) a JPEG, TIFF or PNG, whose brightness somebody has chosen: the typical one keeps it, and gets
    back what its balance took of it: lost (scenes,) stops

    light.tone says by how many stops the surfaces that two scenes share are brighter in one; `own` also depends on
    what the picture shows, such as a white bench. For zone and shoot tone alone decides within one; between the zones
    of a hall both do, as between bursts: what one lamp does to the floor must not set all else apart. For burst the
    difference between the two counts by RULES.own_share, at most RULES.own_reach: a burst further off was lit
    differently. A scene whose surfaces are not recognised has only `own`.

    For white a level is raised in across: burst alone, where evenness between bursts was not asked for: no further
    above its neighbours than what is in the picture may move it, and a picture by itself by RULES.own_reach. Stops
    that target asks for are not given back.
    """
    from pipeline.light.scenes import zones

    part = zones(light) if params.across == "zone" else light.group
    known = np.isfinite(own) & (light.match >= RULES.recognised)
    references = {light.of[r.frame] for r in context.facts.references if r.frame in light.of}
    more = params.target if isinstance(params.target, float) else 0.0
    aim = float(np.log2(params.mean)) + more
    as_shot = finished | (params.target == "exposed")
    # Of a scene that has only itself.
    levels: F64 = np.where(as_shot, more + lost, np.where(np.isfinite(own), aim - own, 0.0))
    highest = levels + RULES.own_reach
    for number in np.unique(part):
        members = [int(i) for i in np.flatnonzero(part == number) if known[i]]
        typical = [i for i in members if i not in references] or members
        if not typical:
            continue
        tones, usual = light.tone, float(np.median(own[typical] - light.tone[typical]))  # of a picture at tone 0
        if params.across == "zone":
            usual += (1 - RULES.own_share) * _off_the_hall(light, own, known, references, typical[0], usual)
        with_reference = [i for i in members if i in references] or [
            i for i in references if light.group[i] == light.group[members[0]]
        ]
        for i in members:
            if params.target == "reference" and with_reference:
                levels[i] = float(np.median(tones[with_reference])) - tones[i]
            elif as_shot[i]:
                level = lost[i]
                if params.across != "burst":
                    level = float(np.median(tones[typical]) + np.median(lost[typical])) - tones[i]
                levels[i] = more + level
            elif params.across == "burst":
                own_part = float(np.clip(usual + tones[i] - own[i], -RULES.own_reach, RULES.own_reach))
                levels[i] -= own_part * RULES.own_share
                if len(typical) > 1 or i not in typical:
                    highest[i] = aim - usual - tones[i] + RULES.own_reach * RULES.own_share
            else:
                levels[i] = aim - usual - tones[i]
    notices = []
    if abs(more) > params.limit:
        notices.append(
            f"exposure: target: {more:g} is more than limit: {params.limit:g} allows; no frame changes by more"
        )
    if params.target == "reference" and not references:
        notices.append("exposure: target is reference, but shoot.yaml names no reference frame; median was used")
    if params.across != "burst" or params.target in ("reference", "exposed"):
        highest = levels
    kept = [[float(v) for v in np.clip(of, -params.limit, params.limit)] for of in (levels, highest)]
    return kept[0], kept[1], notices


def _off_the_hall(
    light: ShootLight, own: F64, known: NDArray[np.bool_], references: Collection[int], one: int, usual: float
) -> float:
    """By how many stops the usual picture of a hall at tone 0 is brighter than that of one zone, to which the scene
    `one` belongs; at most RULES.own_reach."""
    others = [int(i) for i in np.flatnonzero((light.group == light.group[one]) & known) if i not in references]
    hall = float(np.median(own[others] - light.tone[others])) if others else usual
    return float(np.clip(hall - usual, -RULES.own_reach, RULES.own_reach))


def apply(image: Image, params: ExposureParams, context: ApplyContext[ExposureSolution]) -> Image:
    """Multiply by the gain map; clipped highlights stay white, and noise and saturation are scaled along."""
    if context.solution is None:
        return image
    return apply_gain_map(image, context.solution.gain_map, Orientation(context.frame.exif.orientation))


def in_words(solution: ExposureSolution) -> str:
    """The mean of the stops added, such as "+0.50 EV"."""
    return f"{signed(solution.ev)} EV"


STEP: Step[ExposureParams, ExposureMeasurement, ExposureSolution] = Step(
    name="exposure",
    version=14,
    summary="Even out the flicker of the lamps across a burst, row by row and per channel, and set one level.",
    Params=ExposureParams,
    place="shared",
    from_arrays=ExposureMeasurement.from_arrays,
    measure=measure,
    solve=solve,
    without="brightness stays as the camera exposed it",
    apply=apply,
    in_words=in_words,
)
