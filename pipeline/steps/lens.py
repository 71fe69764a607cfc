"""lens: even out the falloff of the lens towards the corners; distortion and lateral colour where asked for."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from pipeline.imaging.orientation import Orientation
from pipeline.steps.base import (
    ApplyContext,
    MeasureContext,
    Order,
    Params,
    SolveContext,
    Solved,
    Step,
    camera_of,
    signed,
)
from pipeline.store.packing import LARGEST, take
from pipeline.textfile.messages import counted, install
from pipeline.types import Domain, Frame, Image, JsonObject

if TYPE_CHECKING:
    from pipeline.imaging.geometry import Box
    from pipeline.imaging.lens.database import Known
    from pipeline.imaging.lens.falloff import Falloff
    from pipeline.imaging.lens.warp import UprightWarp, Warp


@dataclass(frozen=True)
class LensRules:
    """What decides here, besides the parameters.

    nothing      stops at the corners that are not worth a step (chosen by us, no source)
    focal_steps  parts of an octave of focal length, within one of which a falloff counts as one (chosen by us, no
                 source)
    """

    nothing: float = 0.02
    focal_steps: float = 4.0


RULES = LensRules()
NO_DATABASE = f"lens: the open lens database was not asked, since what reads it is not installed: {install('lens')}"
_NO_STRENGTH = "lens: strength does nothing with vignetting: none; it is a part of the falloff that is taken out"

DISPROVED = (
    "lens: {who}: pans show corners {found:.1f} EV darker than the middle, the lens database says {given:.1f} EV; "
    "the pictures are believed"
)


class LensParams(Params):
    """Parameters of lens."""

    vignetting: Literal["auto", "file", "database", "shoot", "none"] = Field(
        "auto",
        description="where the falloff towards the corners is known from: file: what a DNG says of its lens; "
        "database: the open lens database (extra lens), by camera, lens, focal length and f-number; shoot: measured in "
        "pans of the shoot itself, where they prove it; auto: the first of these that knows, for raw frames only; "
        "none: left alone",
    )
    strength: float = Field(1.0, ge=0, le=1, description="part of the falloff that is taken out, in stops")
    distortion: bool = Field(
        False, description="make straight lines straight, as the file or the database says; crops follow"
    )
    lateral_colour: bool = Field(
        False, description="take out colour fringes towards the corners, as the file or the database says"
    )


class LensSource(StrEnum):
    """Who knows what the lens did."""

    FILE = "file"
    DATABASE = "database"
    SHOOT = "shoot"
    NONE = "none"


_WORDS = {
    LensSource.FILE: "as the file says",
    LensSource.DATABASE: "from the open lens database",
    LensSource.SHOOT: "measured in this shoot",
}


@dataclass(frozen=True)
class LensMeasurement:
    """What a file says of its lens: opcodes of a DNG; None where it says nothing. size  (height, width), pixels."""

    size: tuple[int, int]
    falloff: Falloff | None = None
    warp: Warp | None = None

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """For the store."""
        arrays: dict[str, NDArray[Any]] = {"size": np.array(self.size)}
        if self.falloff is not None:
            arrays |= {"stops": self.falloff.stops, "centre": np.array(self.falloff.centre)}
            if self.falloff.gains is not None:
                arrays["gains"] = self.falloff.gains
        if self.warp is not None:
            arrays |= {"factors": self.warp.factors, "tangential": self.warp.tangential}
            arrays["warp_centre"] = np.array(self.warp.centre)
        return arrays

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> LensMeasurement:
        """The reverse of `as_arrays`. Raises ValueError for what that cannot have given."""
        from pipeline.imaging.lens.falloff import COARSE, NODES, Falloff
        from pipeline.imaging.lens.warp import POWERS, Warp

        height, width = take(arrays, "size", np.int64, (2,), 1, LARGEST).tolist()
        falloff = warp = None
        if "stops" in arrays:
            x, y = take(arrays, "centre", np.float64, (2,), 0, 1).tolist()
            gains = take(arrays, "gains", np.float32, (COARSE, COARSE, 3), 1e-6, 1e6) if "gains" in arrays else None
            falloff = Falloff(take(arrays, "stops", np.float64, (NODES,), -LARGEST, LARGEST), (x, y), gains)
        if "factors" in arrays:
            x, y = take(arrays, "warp_centre", np.float64, (2,), 0, 1).tolist()
            factors = take(arrays, "factors", np.float64, (3, POWERS), -LARGEST, LARGEST)
            warp = Warp(factors, take(arrays, "tangential", np.float64, (3, 2), -LARGEST, LARGEST), (x, y))
        return cls((height, width), falloff, warp)


@dataclass(frozen=True)
class LensSolution:
    """What is to be taken out of one frame; None for nothing. source, moved_by  who says so, of each."""

    source: LensSource = LensSource.NONE
    falloff: Falloff | None = None
    moved_by: LensSource = LensSource.NONE
    warp: Warp | None = None

    def as_json(self) -> JsonObject:
        """For the record and the keys: numbers, not the version of the database that they are from. A new version that
        says the same renders nothing again."""
        found: JsonObject = {}
        if self.falloff is not None:
            found["vignetting"] = self.source.value
            found["stops"] = self.falloff.stops.tolist()
            if self.falloff.centre != (0.5, 0.5):
                found["centre"] = list(self.falloff.centre)
            if self.falloff.gains is not None:
                found["gains"] = hashlib.sha256(self.falloff.gains.tobytes()).hexdigest()
        if self.warp is not None:
            found["moved_by"] = self.moved_by.value
            found["warp"] = self.warp.as_json()
        return found

    def upright(self, frame: Frame, height: int, width: int) -> UprightWarp | None:
        """How places move in the upright frame of this size; None where they stay."""
        from pipeline.imaging.lens.warp import UprightWarp

        if self.warp is None:
            return None
        return UprightWarp(self.warp, Orientation(frame.exif.orientation), (height, width))


def measure(context: MeasureContext) -> LensMeasurement:
    """What the file says of its lens."""
    from pipeline.formats.dng_opcodes import read_lens_opcodes
    from pipeline.imaging.lens.opcodes import falloff_of, warp_of

    if context.frame.kind != "raw":
        return LensMeasurement(context.full_size)
    opcodes = read_lens_opcodes(context.frame.path)
    return LensMeasurement(context.full_size, falloff_of(opcodes), warp_of(opcodes))


# ---- solve -------------------------------------------------------------------------------------------------


def solve(context: SolveContext[LensMeasurement], params: LensParams) -> Solved[LensSolution]:
    """What to take out of each frame, from the first source that knows."""
    wanted = [f for f in context.frames if params.vignetting != "auto" or f.kind == "raw"]
    sources = ("file", "database", "shoot") if params.vignetting == "auto" else (params.vignetting,)
    notices = [_NO_STRENGTH] if params.vignetting == "none" and params.strength != 1 else []
    found: dict[str, LensSolution] = {}
    from_file = {f.name: context.measured[f.name] for f in wanted}
    geometry = params.distortion or params.lateral_colour
    asks = [
        f
        for f in wanted
        if ("database" in sources and not ("file" in sources and from_file[f.name].falloff is not None))
        or (geometry and from_file[f.name].warp is None)
    ]
    known = _from_database(context, asks, notices)
    for frame in wanted:
        of_file, of_database = from_file[frame.name], known.get(frame.name)
        solution = LensSolution()
        if "file" in sources and of_file.falloff is not None:
            solution = LensSolution(LensSource.FILE, of_file.falloff)
        elif "database" in sources and of_database is not None and of_database.falloff is not None:
            solution = LensSolution(LensSource.DATABASE, of_database.falloff)
        found[frame.name] = _with_warp(solution, of_file, of_database, params)
    if "shoot" in sources:
        unsure = [f for f in wanted if found[f.name].source is not LensSource.FILE]
        _measured(context, unsure, found, notices)
    found = {name: _scaled(one, params.strength) for name, one in found.items()}
    notices += _in_short(context.frames, found)
    return Solved({f.name: found.get(f.name, LensSolution()) for f in context.frames}, tuple(notices))


def _with_warp(
    solution: LensSolution, of_file: LensMeasurement, known: Known | None, params: LensParams
) -> LensSolution:
    """With the part of the warp that is wanted, of the file or else of the database, and no empty corners."""
    from pipeline.imaging.lens.warp import only

    for source, warp in (
        (LensSource.FILE, of_file.warp),
        (LensSource.DATABASE, None if known is None else known.warp),
    ):
        if warp is not None:
            part = only(warp, params.distortion, params.lateral_colour)
            return solution if part is None else replace(solution, moved_by=source, warp=part.filled(*of_file.size))
    return solution


def _from_database(
    context: SolveContext[LensMeasurement], frames: Sequence[Frame], notices: list[str]
) -> dict[str, Known]:
    """Frame -> what the database knows of its lens."""
    named = [f for f in frames if f.exif.lens and f.exif.focal_length and f.exif.f_number]
    if not named:
        return {}
    from pipeline.imaging.lens.database import LensDatabase

    try:
        database = LensDatabase()
    except ImportError:
        notices.append(NO_DATABASE)
        return {}
    kept: dict[tuple[Any, ...], Known | None] = {}
    found: dict[str, Known] = {}
    for frame in named:
        e, size = frame.exif, context.measured[frame.name].size
        key = (e.make, e.model, e.lens, e.focal_length, e.f_number, max(size), min(size))
        if key not in kept:
            kept[key] = database.find(e, size)
        one = kept[key]
        if one is not None:
            found[frame.name] = one
    return found


def _measured(
    context: SolveContext[LensMeasurement],
    frames: Sequence[Frame],
    found: dict[str, LensSolution],
    notices: list[str],
) -> None:
    """Gives `found` what the pans of the shoot prove about the lens of `frames`, and takes from it what they disprove:
    some cameras take falloff out of their raw files and do not say so."""
    from pipeline.light.lens.pans import PANS, fit_bursts

    groups: dict[tuple[Any, ...], list[Frame]] = {}
    for frame in frames:
        groups.setdefault(_setting(frame), []).append(frame)
    for group in groups.values():
        names = {f.name for f in group}
        bursts = [b for b in context.bursts if len(b.frames) > 1 and names.issuperset(b.frames)]
        if len(bursts) < PANS.bursts:  # whatever they show, it proves nothing: spare looking
            continue
        scenes = [s for s in context.light().scenes if s.pans is not None and names.issuperset(s.names)]
        fit = fit_bursts([s.pans for s in scenes if s.pans is not None])
        given = next((one for f in group if (one := found[f.name].falloff) is not None), None)
        if fit is None or (given is not None and not fit.contradicts(given)):
            continue
        measured = fit.falloff
        source = LensSource.NONE if measured is None else LensSource.SHOOT
        found |= {f.name: replace(found[f.name], source=source, falloff=measured) for f in group}
        if given is not None:
            who = f"{camera_of(group[0])}, {group[0].exif.lens}"
            notices.append(DISPROVED.format(who=who, given=given.corner, found=max(float(fit.stops[-1]), 0.0)))


def _setting(frame: Frame) -> tuple[Any, ...]:
    """What a falloff is the same for: camera, lens, focal length to a quarter of an octave, f-number, sides."""
    e = frame.exif
    focal = None if not e.focal_length else round(np.log2(e.focal_length) * RULES.focal_steps)
    return e.make, e.model, e.serial, e.lens, focal, e.f_number, frame.kind


def _scaled(solution: LensSolution, strength: float) -> LensSolution:
    """With that part of the falloff; without what is nothing."""
    if solution.falloff is None:
        return solution
    falloff = solution.falloff.scaled(strength)
    some = falloff.gains is not None or np.ptp(falloff.stops) >= RULES.nothing
    return replace(solution, falloff=falloff) if some else replace(solution, source=LensSource.NONE, falloff=None)


def _in_short(frames: Sequence[Frame], found: Mapping[str, LensSolution]) -> list[str]:
    """A notice for each lens and source of what is taken out, and one for those that nothing is known of."""
    groups: dict[tuple[str, str, LensSource], list[Frame]] = {}
    for frame in (f for f in frames if f.name in found):
        key = (camera_of(frame), frame.exif.lens, found[frame.name].source)
        groups.setdefault(key, []).append(frame)
    notices, unknown = [], []
    for (camera, lens, source), group in groups.items():
        who, many = f"{camera}, {lens}" if lens else camera, counted(len(group), "frame")
        if source is LensSource.NONE:
            unknown.append(f"{who}: {many}")
        else:
            most = max(one.corner for f in group if (one := found[f.name].falloff) is not None)
            notices.append(f"lens: {who}: corners lifted by up to {most:.1f} EV, {_WORDS[source]}: {many}")
    if unknown:
        first, others = unknown[0], len(unknown) - 1
        more = f", and {counted(others, 'more camera or lens', 'more cameras or lenses')}" if others else ""
        notices.append(f"lens: corners left as shot, since nothing says how dark the lens makes them: {first}{more}")
    return notices


# ---- apply -------------------------------------------------------------------------------------------------


def on_proxy(image: Image, solution: LensSolution, frame: Frame) -> Image:
    """The image without the falloff; its noise is carried along, and clipped light stays what it is."""
    from pipeline.light.gain_map import apply_coarse_gains

    if solution.falloff is None:
        return image
    place = image.place
    gains = solution.falloff.gains_on(place.height, place.width, Orientation(frame.exif.orientation))
    return apply_coarse_gains(image, gains)


def apply(image: Image, params: LensParams, context: ApplyContext[LensSolution]) -> Image:
    """Lift what the lens darkened, and move what it moved."""
    if context.solution is None:
        return image
    image = on_proxy(image, context.solution, context.frame)
    place = image.place
    warp = context.solution.upright(context.frame, place.height, place.width)
    if warp is None:
        return image
    from pipeline.imaging.lens.warp import CUBIC_ENERGY

    gains = image.noise_gain_map
    noise = replace(image.noise.averaged(CUBIC_ENERGY), spectrum=image.noise.spectrum)
    return replace(
        image,
        pixels=warp.apply(image.pixels, place),
        noise=noise,
        noise_gain_map=None if gains is None else warp.gains(gains),
        warp=warp.gains,
    )


def reaches(solution: LensSolution, frame: Frame, box: Box, height: int, width: int) -> Box:
    """What of the frame as taken a box of the corrected picture needs."""
    warp = solution.upright(frame, height, width)
    return box if warp is None else warp.box_before(box)


def in_words(solution: LensSolution) -> str:
    """By how much the corners are lifted, and who says so."""
    words = []
    if solution.falloff is not None:
        words.append(f"corners {signed(solution.falloff.corner)} EV ({_WORDS[solution.source]})")
    if solution.warp is not None:
        words.append(f"lines and colours moved {_WORDS[solution.moved_by]}")
    return "; ".join(words)


STEP: Step[LensParams, LensMeasurement, LensSolution] = Step(
    name="lens",
    version=1,
    summary="Lift the corners that the lens darkened; straighten lines and take out colour fringes where asked for.",
    Params=LensParams,
    place="shared",
    takes=(Domain.CAMERA,),
    order=Order.EARLY,
    misplaced="lens undoes what the lens did before light is balanced; put it right after decode",
    from_arrays=LensMeasurement.from_arrays,
    measure=measure,
    solve=solve,
    without="corners stay as dark as the lens made them",
    apply=apply,
    on_proxy=on_proxy,
    reaches=reaches,
    in_words=in_words,
)
