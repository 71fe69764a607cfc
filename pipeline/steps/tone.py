"""tone: scene light to display values, with the contrast of a finished picture and a soft shoulder."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from pipeline.light.highlights import HIGHLIGHTS
from pipeline.steps import decode, exposure, white_balance
from pipeline.steps.base import ApplyContext, MeasureContext, Params, SolveContext, Solved, Step
from pipeline.store.packing import LARGEST, take
from pipeline.types import Domain, Frame, Image, JsonObject


@dataclass(frozen=True)
class ToneRules:
    """What decides here, besides the parameters. All chosen by eye on real raws beside the pictures embedded in them
    (python -m tests.real_files); no published values exist.

    cell    pixels a side of the small picture over which noise is averaged before shadows are looked for
    darkest part of a frame that counts as its shadows
    share   of what its shadows lie above noise, which becomes the black point: all of it would cut them off
    most    of the scale that a black point takes, after exposure: a few percent of the mean of a picture, as much as
            the glare of a clean lens puts there; a dark jersey against a bright wall stays a dark jersey
    places  across and down a frame at which its lift is looked up
    """

    cell: int = 8
    darkest: float = 0.002
    share: float = 0.5
    most: float = 0.004
    places: int = 9


RULES = ToneRules()
KNEE, WHITE = 0.55, 3.0  # linear values where the shoulder begins and that become white, where a recipe does not say
_DIGITS = 5  # decimals of a black point and a noise floor: far less than a step of 8 bits


class ToneParams(Params):
    """Parameters of tone. Defaults: real raws beside the pictures embedded in them (python -m tests.real_files)."""

    ev: float = Field(0.0, ge=-4, le=4, description="stops to add before the curve")
    contrast: float = Field(
        0.4,
        ge=0,
        le=1.5,
        description="more contrast in shadows and middle tones, and colour that follows; 0 = the straight curve. "
        "Raw frames only: JPEG, TIFF and PNG frames have their camera's",
    )
    knee: float = Field(KNEE, ge=0.1, le=0.99, description="linear value where the shoulder begins")
    white: float = Field(
        WHITE,
        ge=1.0,
        le=16,
        description="linear value that becomes pure white; 1 = no shoulder. JPEG, TIFF and PNG frames: at most as far "
        "as they were brightened",
    )
    saturation: float = Field(1.0, ge=0, le=2, description="1 = as measured, 0 = grey")

    @model_validator(mode="after")
    def _room(self) -> ToneParams:
        if self.knee >= self.white:
            raise ValueError("knee must be below white")
        return self


@dataclass(frozen=True)
class ToneMeasurement:
    """The shadows of one frame: the green of its darkest cells, and the noise (standard deviation) of a pixel of the
    small picture at black, both in parts of saturation."""

    shadow: float
    noise: float

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """For the store."""
        return {"shadow": np.array([self.shadow, self.noise])}

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> ToneMeasurement:
        """The reverse of `as_arrays`. Raises ValueError for what that cannot have given."""
        shadow, noise = take(arrays, "shadow", np.float64, (2,), 0, LARGEST).tolist()
        return cls(shadow, noise)


@dataclass(frozen=True)
class ToneSolution:
    """The curve of one burst.

    black  linear value that becomes black, and floor  noise at black, both after exposure and before `ev`
    white  the value that becomes pure white, of finished frames, after ev; None: as the recipe says
    """

    black: float = 0.0
    floor: float = 0.0
    white: float | None = None

    def as_json(self) -> JsonObject:
        """For the record and the keys."""
        found: JsonObject = {"black": self.black, "floor": self.floor}
        if self.white is not None:
            found["white"] = self.white
        return found


def measure(context: MeasureContext) -> ToneMeasurement:
    """How dark the darkest cells of a frame are, and its noise there."""
    green = context.proxy.pixels[..., 1]
    height, width = (max(1, side // RULES.cell) for side in green.shape)
    rows, columns = (
        np.linspace(0, side, n + 1).astype(int)[:-1] for side, n in zip(green.shape, (height, width), strict=True)
    )
    sums = np.add.reduceat(np.add.reduceat(green.astype(np.float64), rows, axis=0), columns, axis=1)
    counts = np.outer(np.diff([*rows, green.shape[0]]), np.diff([*columns, green.shape[1]]))
    shadow = float(np.quantile(sums / counts, RULES.darkest))
    return ToneMeasurement(max(shadow, 0.0), float(np.sqrt(max(context.proxy.noise.b[1], 0.0))))


def solve(context: SolveContext[ToneMeasurement], params: ToneParams) -> Solved[ToneSolution]:
    """One curve for all raw frames of a burst and one for its finished frames, so that a burst stays as even as it is.

    Raw frames: a black point from the shadows of the burst, as far as they lie above noise. Finished frames (JPEG,
    TIFF, PNG): the shoulder reaches as far as the burst was brightened; where it was not, nothing changes.
    """
    by_name, curves = {f.name: f for f in context.frames}, decode.curves(context)
    found: dict[str, ToneSolution] = {}
    for burst in context.bursts:
        frames = [by_name[n] for n in burst.frames if n in by_name]
        raws, finished = [f for f in frames if f.kind == "raw"], [f for f in frames if f.kind != "raw"]
        if finished:
            lift = max(_lift(context, f) for f in finished)
            end = _bent(2.0 ** (lift + params.ev), max(curves.get(f.name, 0.0) for f in finished))
            white = round(float(np.clip(end, 1.0, params.white)), _DIGITS)
            found |= dict.fromkeys((f.name for f in finished), ToneSolution(white=white))
        if raws:
            found |= dict.fromkeys((f.name for f in raws), _of_raws(context, raws))
    return Solved(found)


def _of_raws(context: SolveContext[ToneMeasurement], frames: Sequence[Frame]) -> ToneSolution:
    shown = context.earlier_of(exposure.STEP)
    shadows, noises = [], []
    for frame in frames:
        brought = shown.get(frame.name)
        gain = 1.0 if brought is None else 2.0**brought.ev
        measured = context.measured[frame.name]
        shadows.append(measured.shadow * gain)
        noises.append(measured.noise * gain)
    shadow, noise = float(np.median(shadows)), float(np.median(noises))
    black = min(RULES.share * max(shadow - noise, 0.0), RULES.most)
    return ToneSolution(round(black, _DIGITS), round(noise, _DIGITS))


def _lift(context: SolveContext[ToneMeasurement], frame: Frame) -> float:
    """Most stops by which balance and exposure brighten a channel anywhere in a finished frame. Of what is nearly white
    no channel ends above green (light.highlights), so by more than green's only what is darker is brightened."""
    brought, balance = (
        context.earlier_of(exposure.STEP).get(frame.name),
        context.earlier_of(white_balance.STEP).get(frame.name),
    )
    maps = ([brought.gain_map] if brought else []) + ([balance.stops] if balance else [])
    total = sum((m.on(RULES.places, RULES.places) for m in maps), start=np.zeros(3))
    return float(max(np.max(total[..., 1]), np.max(total) + np.log2(HIGHLIGHTS.bent)))


def _bent(light: float, curve: float) -> float:
    """Where a value of light ends when the camera's contrast is put back."""
    from pipeline.imaging.camera_curve import bend

    return float(bend(np.array([light], np.float32), curve)[0]) if curve else light


def displayed(
    image: Image, params: ToneParams, finished: bool, solution: ToneSolution | None = None, samples: bool = False
) -> Image:
    """Linear -> display sRGB (IEC 61966-2-1), 0 to 1. finished  it has a camera's curve, and gets none of ours;
    solution  None: without a black point, a finished frame's shoulder by its own saturation. samples  as of `render`"""
    from pipeline.imaging.camera_curve import bend
    from pipeline.imaging.tone import render

    matrix = image.to_working if image.domain is Domain.CAMERA else np.eye(3)
    found, more = solution or ToneSolution(), 2.0**params.ev
    white = params.white
    if finished:
        most = max(image.saturation[1], image.saturation.max() * HIGHLIGHTS.bent)
        white = found.white or float(np.clip(_bent(most * more, image.curve), 1.0, params.white))
    own: tuple[float, float, float] = (0.0, 0.0, 0.0)
    if not finished and params.contrast > 0:
        own = params.contrast, found.black * more, found.floor * more
    keep = finished and white > 1
    linear, ev = image.pixels, params.ev
    if image.curve:
        linear, ev = bend(image.pixels * np.float32(more), image.curve), 0.0
    pixels = render(
        linear, matrix, ev, params.knee, white, params.saturation, *own, keep_hue=keep, raw=not finished,
        samples=samples,
    )  # fmt: skip
    return replace(image, pixels=pixels, domain=Domain.DISPLAY, to_working=np.eye(3), curve=0.0)


def apply(image: Image, params: ToneParams, context: ApplyContext[ToneSolution]) -> Image:
    """Camera-linear or working-linear -> display sRGB (IEC 61966-2-1), 0 to 1."""
    return displayed(image, params, context.frame.kind != "raw", context.solution)


STEP: Step[ToneParams, ToneMeasurement, ToneSolution] = Step(
    name="tone",
    version=7,
    summary="Bring scene light to display values: contrast and a black point for raw frames, a soft shoulder for all.",
    Params=ToneParams,
    place="both",
    gives=Domain.DISPLAY,
    required=True,
    from_arrays=ToneMeasurement.from_arrays,
    displayed=partial(displayed, samples=True),
    measure=measure,
    solve=solve,
    without="each frame gets the curve without a black point",
    apply=apply,
)
