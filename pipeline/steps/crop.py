"""crop: around the player the moment is about, to an aspect, or to the box that frames.csv gives."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.geometry import WHOLE, Box, box_to_pixels, centred, pixels_to_box, widened
from pipeline.light.gain_map import gains_of_part
from pipeline.steps import lens
from pipeline.steps.base import ApplyContext, MeasureContext, SolveContext, Solved, Step
from pipeline.steps.crop_burst import around_subjects, as_one, aspect_of, rounded
from pipeline.steps.crop_solution import LEFT_WHOLE, RULES, CropParams, CropSolution, CropSource, in_words
from pipeline.types import Burst, Domain, Image

if TYPE_CHECKING:
    from pipeline.people.observe import FrameObservation
    from pipeline.people.subject import Subject
    from pipeline.people.tracking import Observation


NO_MODEL = (
    "crop: the model file that finds people is not there, so crops are loose and around the centre; "
    "see: evencourt models"
)
FEWER = (
    "crop: frames.csv names {named} players, and the crop shows {whole} of {near} people near the subject; check that "
    "the named players are in it"
)


def measure(context: MeasureContext) -> FrameObservation:
    """Who and what stands in the frame; see people.observe."""
    from pipeline.people.observe import observe

    balance = context.as_shot if context.as_shot is not None else context.daylight
    return observe(context.proxy, balance, context.detail, context.models, context.full_size)


def measured_of(arrays: Mapping[str, NDArray[Any]]) -> FrameObservation:
    """What the store kept of a measurement."""
    from pipeline.people.observe import FrameObservation

    return FrameObservation.from_arrays(arrays)


# ---- solve -------------------------------------------------------------------------------------------------


def solve(context: SolveContext[FrameObservation], params: CropParams) -> Solved[CropSolution]:
    """A box for every frame; burst by burst where it follows a subject."""
    from pipeline.people import straighten
    from pipeline.people.untimed_bursts import moments_of

    solutions: dict[str, CropSolution] = {}
    notices: dict[str, str] = {}
    known = {f.name: f for f in context.frames}
    typed = ((name, row.crop_of(context.delivery)) for name, row in context.facts.rows.items())
    boxes = {name: box for name, box in typed if box is not None}
    blind = False
    for burst in moments_of(context.bursts, context.measured) if params.to == "subject" else context.bursts:
        names = [n for n in burst.frames if n in known]
        free = [n for n in names if n not in boxes]
        solutions |= {n: CropSolution(CropSource.TABLE, rounded(boxes[n])) for n in names if n in boxes}
        measured = {n: context.measured[n] for n in free} if params.to == "subject" or params.level else {}
        turned, level = 0.0, ""
        if params.level and measured:
            straight = straighten.turn([m.tilt for m in measured.values()])
            turned, level = straight.degrees, straight.said
        found, told, unseen = _burst(context, params, burst, measured, free, turned)
        if turned:
            kept = {n: _nobody_cut(params, one, measured[n].people) for n, one in found.items()}
            if all(kept.values()):
                found = {n: one for n, one in kept.items() if one}
            else:
                level = straighten.WOULD_CUT
                found, told, unseen = _burst(context, params, burst, measured, free, 0.0)
        blind |= unseen
        solutions |= {n: replace(one, level=level) for n, one in found.items()}
        notices |= told
    solutions = _moved(context, solutions)
    return Solved(solutions, (NO_MODEL,) if blind else (), notices)


def _burst(
    context: SolveContext[FrameObservation],
    params: CropParams,
    burst: Burst,
    measured: Mapping[str, FrameObservation],
    free: Sequence[str],
    turned: float,
) -> tuple[dict[str, CropSolution], dict[str, str], bool]:
    """The crops of a burst's frames without a box of their own, turned by so many degrees; notices; whether nobody
    could be looked for."""
    if params.to != "subject":
        return {n: CropSolution(CropSource(params.to), turned=turned) for n in free}, {}, False
    if any(not m.has_models[0] for m in measured.values()):
        return {n: CropSolution(CropSource.LOOSE, turned=turned) for n in free}, {}, True
    solutions: dict[str, CropSolution] = {}
    notices: dict[str, str] = {}
    subjects = context.subjects()
    taken = dict(zip(burst.frames, burst.seconds, strict=False))
    found = around_subjects(free, measured, subjects, params, turned, taken)
    for name, solution, notice in as_one(found, measured, subjects, params.aspect, taken):
        solutions[name] = solution
        named = len(context.facts.row(name).players)
        notice = notice or _fewer(named, measured[name].people, subjects[name], solution)
        if notice:
            notices[name] = notice
    return solutions, notices, False


def _nobody_cut(params: CropParams, solution: CropSolution, frame: Observation) -> CropSolution | None:
    """The crop of a frame that is straightened, in another shape than the frame's where it is left whole and that shape
    would cut somebody at its rim; None where any would."""
    from pipeline.imaging import rotation
    from pipeline.people import straighten

    if solution.source not in LEFT_WHOLE or solution.box is not None:
        return solution
    height, width = frame.size
    same, other = (of(solution.turned, height, width) for of in (rotation.inscribed, rotation.widest))
    if not straighten.cuts(frame.people, same, solution.turned, height, width):
        return solution
    if params.aspect == "original" or straighten.cuts(frame.people, other, solution.turned, height, width):
        return None
    aspect = (other.x1 - other.x0) * width / ((other.y1 - other.y0) * height)
    return replace(solution, box=rounded(other), aspect=round(aspect, 6))


def _moved(context: SolveContext[FrameObservation], solutions: Mapping[str, CropSolution]) -> dict[str, CropSolution]:
    """The crops around subjects where lens moves the subjects; those of frames.csv are of the picture as delivered."""
    found, lenses = dict(solutions), context.earlier_of(lens.STEP)
    for frame in context.frames:
        solution, moving = solutions.get(frame.name), lenses.get(frame.name)
        if solution is None or solution.box is None or solution.source is CropSource.TABLE or moving is None:
            continue
        height, width = context.measured[frame.name].people.size
        warp = moving.upright(frame, height, width)
        if warp is not None:
            box = warp.box_after(solution.box)
            wide = box if solution.aspect is None else widened(box, solution.aspect, height, width)
            found[frame.name] = replace(solution, box=rounded(wide))
    return found


def fallback(context: SolveContext[FrameObservation], params: CropParams) -> Solved[CropSolution]:
    """The boxes that a person drew, which may leave somebody out on purpose; the others loose and around the centre."""
    found: dict[str, CropSolution] = {}
    for frame in context.frames:
        box = context.facts.row(frame.name).crop_of(context.delivery)
        source = CropSource.LOOSE if params.to == "subject" else CropSource(params.to)
        found[frame.name] = CropSolution(source) if box is None else CropSolution(CropSource.TABLE, rounded(box))
    return Solved(found)


def _fewer(named: int, frame: Observation, subject: Subject | None, solution: CropSolution) -> str:
    """The notice where a crop shows fewer people than frames.csv names, though the frame shows as many; "" without."""
    from pipeline.people.detect import SURE, within

    if named < 2 or subject is None or solution.box is None:
        return ""
    tall = subject.box[3] - subject.box[1]
    people = frame.people[frame.people[:, 4] >= SURE.person]
    grown = people[people[:, 3] - people[:, 1] >= RULES.named * tall]
    whole = int((within(grown[:, :4], np.array(solution.box)) > RULES.shown).sum())
    return (
        FEWER.format(named=named, whole=whole, near=len(grown))
        if whole < min(named, len(grown)) or whole < len(grown)
        else ""
    )


# ---- apply -------------------------------------------------------------------------------------------------


def box_for(params: CropParams, solution: CropSolution | None, height: int, width: int) -> Box:
    """Box in fractions of an upright frame of this size; it differs in the last pixel from that of another size, since
    its aspect is one of whole pixels."""
    from pipeline.imaging import rotation

    solution = solution or CropSolution(CropSource(params.to))
    turned, source = solution.turned, solution.source
    whole = rotation.inscribed(turned, height, width) if turned else WHOLE
    if solution.box is not None:
        box, aspect = solution.box, solution.aspect
        if aspect is None and params.aspect not in ("original", "free"):
            across, down = (float(v) for v in params.aspect.split(":"))
            aspect = across / down
            if height > width and aspect > 1 > (box[2] - box[0]) * width / ((box[3] - box[1]) * height):
                aspect = down / across  # drawn standing on an upright frame: as one that is made stands there
        if source is CropSource.TABLE and aspect is not None:
            box = widened(box, aspect, height, width)
        return centred(box, aspect, 1.0, height, width)
    if source in LEFT_WHOLE:
        return whole
    share = RULES.loose if source is CropSource.LOOSE else params.share or 1.0 if source is CropSource.CENTRE else 1.0
    kept = None if params.aspect in ("original", "free") else aspect_of(params.aspect, height, width)
    return centred(whole, kept, share, height, width)


def reads(params: CropParams, solution: CropSolution | None, height: int, width: int) -> Box:
    """What of the upright frame a crop needs: more than the box where the picture is turned first."""
    from pipeline.imaging import rotation

    box = box_for(params, solution, height, width)
    turned = 0.0 if solution is None else solution.turned
    return rotation.before_turn(box, turned, height, width) if turned else box


def apply(image: Image, params: CropParams, context: ApplyContext[CropSolution]) -> Image:
    """Turn the picture straight if it is to be, and cut the box out of it."""
    from pipeline.imaging import rotation

    left, top, width, height = image.place
    turned = context.solution.turned if context.solution is not None else 0.0
    pixels = rotation.rotated(image.pixels, turned, image.place) if turned else image.pixels
    box = box_to_pixels(box_for(params, context.solution, height, width), height, width)
    gains = gains_of_part(image.noise_gain_map, pixels_to_box(box, height, width))
    cut = pixels[box.y0 - top : box.y1 - top, box.x0 - left : box.x1 - left]
    return replace(image, pixels=cut, noise_gain_map=gains, part=None, warp=None)


STEP: Step[CropParams, FrameObservation, CropSolution] = Step(
    name="crop",
    version=24,
    summary="Cut to an aspect around the player the moment is about, or to the box that frames.csv gives.",
    Params=CropParams,
    place="delivery",
    takes=tuple(Domain),
    from_arrays=measured_of,
    measure=measure,
    solve=solve,
    fallback=fallback,
    without="crops are those of frames.csv, the others loose and around the centre",
    apply=apply,
    kept=box_for,
    reads=reads,
    in_words=in_words,
)
