"""white_balance: multipliers that make neutral things neutral, and white blown highlights."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from pipeline.errors import FrameError
from pipeline.imaging.orientation import Orientation
from pipeline.light.gain_map import GainMap, apply_gain_map, polynomial
from pipeline.steps import decode
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
from pipeline.store.packing import LARGEST, take
from pipeline.textfile.messages import and_more, listed, percent_sure
from pipeline.types import F64, Domain, Image, JsonObject

if TYPE_CHECKING:
    from pipeline.light.references import MeasuredReferences, WhiteMap
    from pipeline.light.scene_white import SceneWhite, WhiteSource
    from pipeline.light.scenes import Scene, ShootLight


@dataclass(frozen=True)
class WhiteBalanceRules:
    """What decides here, besides the parameters. All chosen by eye; no published values exist.

    rows, columns  places at which white is asked for, down and across a frame; degrees: of the polynomial, down and
                across, that is fitted through them
    people      by how many times more places count where people stand: no map can follow both them and the wall
    unsure      probability that what the pictures suggest is right; frames below it are named: likelier wrong
    recognised  match (0 to 1) below which a scene's colours are too little like those of the reference frames
    """

    rows: int = 25
    columns: int = 33
    degrees: tuple[int, int] = (12, 14)
    people: float = 4.0
    unsure: float = 0.5
    recognised: float = 0.6


RULES = WhiteBalanceRules()
_JUDGED = "judged from the colours of the pictures"
_DOWN, _ACROSS = (np.linspace(-1, 1, n) for n in (RULES.rows, RULES.columns))
_UNSURE = "white balance: not sure what is white, so it stays near {}; look at the colours"
_CAST = "white balance: very warm light in a finished picture: part of its cast was taken off; look at the colours"
_UNLIKE_REFERENCES = "white balance: its colours are little like those of the reference frames; look at it"


class WhiteBalanceParams(Params):
    """Parameters of white_balance."""

    method: Literal["gray_world", "reference_patch", "camera", "fixed"] = Field(
        "camera",
        description="camera: as shot; gray_world: from the colours of the pictures, drawn to the camera's "
        "balance where few pictures agree (of a strong warm cast of JPEG, TIFF and PNG a part is taken off); "
        "reference_patch: from the neutral patches and charts under references in shoot.yaml; "
        "fixed: the multipliers given",
    )
    multipliers: tuple[float, float, float] | None = Field(
        None, description="for method fixed: red, green and blue multipliers of the raw channels, e.g. [1.9, 1, 1.6]"
    )
    within_frame: bool = Field(
        True,
        description="follow the light from one side of a frame to the other where two lamps mix; "
        "no: one balance a frame (for gray_world and reference_patch)",
    )


@dataclass(frozen=True)
class WhiteBalanceMeasurement:
    """What white_balance measures in one frame.

    as_shot, daylight  the camera's balances, (3,) multipliers with green = 1; as_shot None: the file carries none
    references  what the references of this frame show
    """

    as_shot: F64 | None
    daylight: F64
    references: MeasuredReferences

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """For the store; zeros mean that there is no balance."""
        as_shot = np.zeros(3) if self.as_shot is None else self.as_shot
        return {"as_shot": as_shot, "daylight": self.daylight, **self.references.as_arrays()}

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> WhiteBalanceMeasurement:
        """The reverse of `as_arrays`. Raises ValueError for what that cannot have given."""
        from pipeline.light.references import MeasuredReferences

        given = take(arrays, "as_shot", np.float64, (3,), 0, LARGEST)
        daylight = take(arrays, "daylight", np.float64, (3,), 1 / LARGEST, LARGEST)
        if given.any() and not given.all():
            raise ValueError("as_shot is no balance")
        return cls(given if given.any() else None, daylight, MeasuredReferences.from_arrays(arrays))

    @property
    def camera_balance(self) -> F64:
        """(3,) multipliers of the camera: as shot, or for daylight."""
        return self.as_shot if self.as_shot is not None else self.daylight


@dataclass(frozen=True, slots=True)
class WhiteBalanceSolution:
    """The balance of one frame.

    gains     (3,) multipliers, green = 1; source  where they come from, and words  the same for a person
    gain_map  stops on top, where light changes over the frame or within its burst
    evened    the gain map takes out the colour of the flicker
    matrix    (3, 3) to working-linear, of a chart or foretold for the lamp
    sure      0 to 1; None where the camera or the recipe decided
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
        """Multipliers and gain map together, in stops."""
        total = GainMap.of_multipliers(self.gains)
        return total if self.gain_map is None else total + self.gain_map

    def as_json(self) -> JsonObject:
        """For the record and the keys: without the words, so that a better sentence renders nothing again."""
        found: JsonObject = {"gains": self.gains.tolist(), "source": self.source.value}
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
    from pipeline.light.references import measure_references

    references = measure_references(
        context.proxy,
        context.references,
        context.daylight,
        Orientation(context.frame.exif.orientation),
        rendered=context.frame.kind == "picture",
    )
    return WhiteBalanceMeasurement(context.as_shot, context.daylight, references)


def solve(context: SolveContext[WhiteBalanceMeasurement], params: WhiteBalanceParams) -> Solved[WhiteBalanceSolution]:
    """Multipliers for every frame; where light changes within a burst or a frame, a gain map on top of them.

    How a white is carried from a reference to other frames: light.palette, after Barron, "Convolutional Color
    Constancy", ICCV 2015 (a change of light shifts the log-chroma histogram).
    """
    from pipeline.light.cast import in_hall, outdoors, unexposed
    from pipeline.light.hall.colours import turns
    from pipeline.light.hall.remembered import hall_proofs, maps_of_memory, whites_of_memory
    from pipeline.light.scene_white import SceneWhite, WhiteSource, reference_maps, votes_of

    if params.method == "fixed":
        gains = np.array(params.multipliers or (1.0, 1.0, 1.0))
        return Solved({f.name: _balance(gains, WhiteSource.FIXED, "fixed multipliers") for f in context.frames})
    if params.method == "camera":
        return _as_shot(context)
    light = context.light()
    context = _as_decoded(context)
    kinds = ({f.name for f in context.frames if of_kind(f.exif)} for of_kind in (outdoors, in_hall, unexposed))
    votes = votes_of(light, context.measured, *kinds)
    notices: list[str] = []
    maps: dict[int, WhiteMap] = {}
    remembered: dict[int, SceneWhite] = {}
    if params.method == "reference_patch":
        maps = reference_maps(context.facts.references, context.measured, light, votes, notices)
        if context.facts.hall:
            said: list[str] = []
            proofs = hall_proofs(context.facts.remembered, light, context.frames, context.measured, votes, said)
            remembered = whites_of_memory(proofs, light, maps, said, turns(light, *maps_of_memory(proofs, maps)))
            if context.facts.remembered is not None or not maps:  # the first night there has nothing to compare with
                notices += said
        if context.facts.references and not maps and not remembered:
            notices.append(f"white balance: no usable reference, so white is {_JUDGED}")
    turned = turns(light, maps)
    whites = [
        SceneWhite.of_map(maps[group], light, index, turned.get(index))
        if group in maps
        else remembered.get(index) or SceneWhite.of_vote(vote)
        for index, (vote, group) in enumerate(zip(votes, light.group.astype(int).tolist(), strict=True))
    ]
    notices += _without_reference(context, light, maps) if maps else []
    by_frame = {
        name: _for_frame(scene, at, whites[index], context.measured[name].daylight, params.within_frame)
        for index, scene in enumerate(light.scenes)
        for at, name in enumerate(scene.names)
    }
    notices += _certainty_notices(light, whites)
    doubts = {
        name: _CAST if whites[index].cast else _UNSURE.format(_stays(context.measured[name]))
        for index, scene in enumerate(light.scenes)
        if whites[index].cast or (whites[index].source is WhiteSource.GRAY_WORLD and whites[index].sure < RULES.unsure)
        for name in scene.names
    }
    doubts |= {
        name: _UNLIKE_REFERENCES
        for index, scene in enumerate(light.scenes)
        if light.match[index] < RULES.recognised and int(light.group[index]) in maps
        for name in scene.names
    }
    return Solved(by_frame, tuple(notices), doubts)


def _as_decoded(context: SolveContext[WhiteBalanceMeasurement]) -> SolveContext[WhiteBalanceMeasurement]:
    """References as the frames are decoded: measured before it was known how their camera bends light."""
    from pipeline.light.response.references import Straightened

    curves = decode.curves(context)
    if not curves:
        return context
    return replace(context, measured=Straightened(context.measured, curves, context.facts.references))


def _stays(measured: WhiteBalanceMeasurement) -> str:
    """What an unsure white is drawn to, in words."""
    return "what lamps look like" if measured.as_shot is None else "the camera's own balance"


def _balance(gains: F64, source: WhiteSource, words: str) -> WhiteBalanceSolution:
    return WhiteBalanceSolution(rounded(gains / gains[1]), source, words)


def _as_shot(context: SolveContext[WhiteBalanceMeasurement]) -> Solved[WhiteBalanceSolution]:
    """As the camera balanced them; frames without a balance of their own by the pictures."""
    from pipeline.light.scene_white import WhiteSource, gains_of_white, votes_of

    result: dict[str, WhiteBalanceSolution] = {}
    for frame in context.frames:
        as_shot = context.measured[frame.name].as_shot
        if as_shot is not None:
            result[frame.name] = _balance(as_shot, WhiteSource.CAMERA, "camera, as shot")
    missing = [f.name for f in context.frames if f.name not in result]
    if missing:
        light = context.light()
        votes = votes_of(light, context.measured)
        for name in missing:
            vote, daylight = votes[light.of[name]], context.measured[name].daylight
            if vote.sure:
                source, words = WhiteSource.GRAY_WORLD, "gray-world (the file carries no camera balance)"
            else:
                source, words = WhiteSource.DAYLIGHT, "daylight (nothing to judge by)"
            result[name] = _balance(daylight * gains_of_white(vote.white), source, words)
    return Solved(result)


def fallback(
    context: SolveContext[WhiteBalanceMeasurement], params: WhiteBalanceParams
) -> Solved[WhiteBalanceSolution]:
    """The camera's balance, or daylight's: without any, a raw picture comes out green."""
    from pipeline.light.scene_white import WhiteSource

    found: dict[str, WhiteBalanceSolution] = {}
    for frame in context.frames:
        try:
            measured = context.measured[frame.name]
        except FrameError:  # it has no picture that is fit to be seen
            continue
        if measured.as_shot is not None:
            found[frame.name] = _balance(measured.as_shot, WhiteSource.CAMERA, "camera, as shot")
        else:
            found[frame.name] = _balance(measured.daylight, WhiteSource.DAYLIGHT, "daylight")
    return Solved(found)


def _without_reference(
    context: SolveContext[WhiteBalanceMeasurement], light: ShootLight, maps: Mapping[int, WhiteMap]
) -> list[str]:
    """Notices on cameras and frames that no reference can be carried to."""
    by_name = {f.name: f for f in context.frames}
    without = [i for i in range(len(light.scenes)) if int(light.group[i]) not in maps]
    served = {camera_of(by_name[s.names[0]]) for i, s in enumerate(light.scenes) if int(light.group[i]) in maps}
    notices = []
    lacking: dict[str, list[str]] = {}
    for name in (n for i in without for n in light.scenes[i].names if camera_of(by_name[n]) not in served):
        lacking.setdefault(camera_of(by_name[name]), []).append(name)
    if lacking:
        which = [
            camera if by_name[of_it[0]].exif.camera else f"{camera} ({and_more(of_it)})"
            for camera, of_it in sorted(lacking.items())
        ]
        notices.append(f"white balance: no reference frame of {listed(which)}; white is {_JUDGED} there")
    frames = [n for i in without for n in light.scenes[i].names if camera_of(by_name[n]) in served]
    if frames:
        notices.append(
            f"white balance: {and_more(frames)}: shares no surface with the reference frames, so white is {_JUDGED}"
        )
    return notices


def _for_frame(scene: Scene, at: int, white: SceneWhite, daylight: F64, within: bool) -> WhiteBalanceSolution:
    """The balance of the frame at `at` of a scene; within: let it follow the light across the frame."""
    from pipeline.light.scene_white import STOPS_PER_LOG, colour_of, gains_of_white, gradient_at, people_at

    rows, columns = np.meshgrid(_DOWN, _ACROSS, indexing="ij")
    gradient = gradient_at(scene, at, rows, columns) if within else np.zeros((*rows.shape, 2))
    weight = 1 + RULES.people * people_at(scene, at, rows, columns)
    shape = polynomial(white.white + gradient, weight, RULES.degrees)
    middle = shape[0, 0].copy()
    gains = daylight * gains_of_white(middle)
    shape[0, 0] = 0.0
    over = np.zeros((*shape.shape[:2], 3))
    over[..., 0], over[..., 2] = -shape[..., 0] * STOPS_PER_LOG, -shape[..., 1] * STOPS_PER_LOG
    gain_map = GainMap(over) + colour_of(scene.flicker[at])
    matrix = white.matrix_in(scene, middle)
    return WhiteBalanceSolution(
        gains=rounded(gains / gains[1]),
        source=white.source,
        words=white.words,
        gain_map=gain_map.rounded() if np.abs(gain_map.coefficients).max() > 0 else None,
        evened=True,
        sure=round(white.sure, 3),
        matrix=None if matrix is None else rounded(matrix),
    )


def _certainty_notices(light: ShootLight, whites: Sequence[SceneWhite]) -> list[str]:
    """How sure the white of scenes without a reference is."""
    from pipeline.light.scene_white import WhiteSource

    guessed = [(s, w) for s, w in zip(light.scenes, whites, strict=True) if w.source is WhiteSource.GRAY_WORLD]
    notices = []
    if guessed:
        middle = float(np.median([w.sure for _, w in guessed]))
        scenes = "" if len(guessed) == 1 else f"half of {len(guessed)} scenes at least "
        weak = [s.names[0] for s, w in guessed if w.sure < RULES.unsure]
        text = f"white balance: {_JUDGED}, {scenes}{percent_sure(middle)}"
        if weak:
            text += f"; least sure about {and_more(weak)}"
        notices.append(text + ". A grey card at each end makes it sure.")
    nothing = [
        n for s, w in zip(light.scenes, whites, strict=True) if w.source is WhiteSource.DAYLIGHT for n in s.names
    ]
    if nothing:
        notices.append(f"white balance: {and_more(nothing)}: too little to judge by; balanced for daylight")
    return notices


def apply(image: Image, params: WhiteBalanceParams, context: ApplyContext[WhiteBalanceSolution]) -> Image:
    """Multiply the channels and rebuild clipped ones, camera-linear; the light's matrix replaces the camera's."""
    from pipeline.imaging.raw.cut_darks import grey_darks

    solution = context.solution
    if solution is None:
        return image
    balanced = apply_gain_map(image, solution.stops, Orientation(context.frame.exif.orientation))
    lit = balanced if solution.matrix is None else replace(balanced, to_working=solution.matrix)
    return grey_darks(lit, image)


def in_words(solution: WhiteBalanceSolution) -> str:
    """The multipliers in stops, and where they come from."""
    return f"{stops_in_words(np.log2(solution.gains))} ({solution.words})"


STEP: Step[WhiteBalanceParams, WhiteBalanceMeasurement, WhiteBalanceSolution] = Step(
    name="white_balance",
    version=23,
    summary="Make neutral things neutral: as shot, gray-world, from reference patches, or fixed multipliers.",
    Params=WhiteBalanceParams,
    place="shared",
    takes=(Domain.CAMERA,),
    required=True,
    from_arrays=WhiteBalanceMeasurement.from_arrays,
    measure=measure,
    solve=solve,
    fallback=fallback,
    without="frames are balanced as the camera did, or for daylight",
    apply=apply,
    in_words=in_words,
)
