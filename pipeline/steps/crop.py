"""crop: around the player the moment is about, to an aspect, or to the box that frames.csv gives."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, field_validator

from pipeline.imaging.geometry import (
    WHOLE,
    Box,
    box_to_pixels,
    centred,
    heights_to_box,
    pixels_to_box,
    widened,
)
from pipeline.light.gain_map import gains_of_part
from pipeline.steps import lens
from pipeline.steps.base import ApplyContext, MeasureContext, Params, SolveContext, Solved, Step
from pipeline.steps.crop_burst import as_one, crowded
from pipeline.steps.crop_solution import (
    LEFT_WHOLE,
    NO_SUBJECT,
    NOBODY,
    TOO_WIDE,
    WOULD_CUT,
    CropSolution,
    CropSource,
    in_words,
)
from pipeline.types import Domain, Image

if TYPE_CHECKING:
    from pipeline.people import framing
    from pipeline.people.observe import FrameObservation
    from pipeline.people.subject import Subject
    from pipeline.people.tracking import Observation


@dataclass(frozen=True)
class CropRules:
    """What a crop must hold.

    Chosen by eye on generated shoots and checked with `python -m tests.crops` (faces cut, holds the main player),
    where no other source stands beside a number.
    """

    web: int = 1200  # pixels that a crop has on its longer side where none are asked for: a page of a web gallery
    of_longer_side: float = 0.5  # of the frame's, where that is less: an enlarged cut-out of a small frame is of no use
    unsure: float = 0.75  # of the wished fill where the confidence is just enough; all of it where it is full
    loose: float = 0.92  # of the possible width, where no model finds the subject: it rarely costs a hand or a ball
    narrowest: float = 2 / 3  # aspects of "free": those of the widest common formats (common practice, no source)
    widest: float = 16 / 9
    named: float = 0.5  # heights of the subject, from which somebody else may be one of the players in frames.csv
    shown: float = 0.8  # share of somebody inside the crop, from which the crop shows them


RULES = CropRules()
NO_MODEL = (
    "crop: the model file that finds people is not there, so crops are loose and around the centre; "
    "see: evencourt models"
)
FEWER = (
    "crop: frames.csv names {named} players, and the crop shows {whole} of {near} people near the subject; check that "
    "the named players are in it"
)


class CropParams(Params):
    """Parameters of crop."""

    to: Literal["subject", "centre", "box", "none"] = Field(
        "subject",
        description="subject: around the player, with face, hands, feet and the ball of the action whole; centre; "
        "box: only where frames.csv gives one; none. A box in frames.csv always wins, widened to the aspect where the "
        "frame allows",
    )
    aspect: str = Field(
        "original",
        description='width to height such as "3:2", "4:5", "16:9", "original", or "free" (as the subject is); of an '
        "upright frame a wide aspect is turned (3:2 gives 2:3), unless frames.csv gives a box that lies",
    )
    margin: float = Field(
        0.08, ge=0, le=1, description="least room around the subject, in parts of its height (to: subject)"
    )
    lead_room: float = Field(
        0.4, ge=0, le=1, description="how much of the room beside the subject lies ahead of its movement; 0 = as behind"
    )
    fill: float = Field(0.7, ge=0.2, le=1, description="how much of the crop's height the subject takes")
    at_least: int | None = Field(
        None,
        ge=0,
        le=20000,
        description="pixels of the longer side that a crop never goes below; it is looser instead (default 1200, but "
        "no more than half of the frame's longer side)",
    )
    level: bool = Field(
        False, description="straighten by the upright and level lines of the hall where they are sure, up to 5 degrees"
    )
    share: float | None = Field(
        None, ge=0.1, le=1.0, description="how much of the possible width to keep (to: centre); default all"
    )

    @field_validator("aspect")
    @classmethod
    def _aspect(cls, value: str) -> str:
        if value not in ("original", "free") and not re.fullmatch(r"\d{1,3}(\.\d+)?:\d{1,3}(\.\d+)?", value):
            raise ValueError('is not an aspect; write "3:2", "4:5", "16:9", "original" or "free" in quotes')
        if ":" in value and not all(float(v) for v in value.split(":")):
            raise ValueError("has a zero side")
        return value


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
    from pipeline.people.untimed import moments_of

    solutions: dict[str, CropSolution] = {}
    notices: dict[str, str] = {}
    known = {f.name: f for f in context.frames}
    typed = ((name, row.crop_of(context.delivery)) for name, row in context.facts.rows.items())
    boxes = {name: box for name, box in typed if box is not None}
    blind = False
    for burst in moments_of(context.bursts, context.measured) if params.to == "subject" else context.bursts:
        names = [n for n in burst.frames if n in known]
        free = [n for n in names if n not in boxes]
        solutions |= {n: CropSolution(CropSource.TABLE, _rounded(boxes[n])) for n in names if n in boxes}
        measured = {n: context.measured[n] for n in free} if params.to == "subject" or params.level else {}
        turned, level = 0.0, ""
        if params.level and measured:
            straight = straighten.turn([m.tilt for m in measured.values()])
            turned, level = straight.degrees, straight.said
        if params.to != "subject":
            solutions |= {n: CropSolution(CropSource(params.to), turned=turned, level=level) for n in free}
        elif any(not m.has_models[0] for m in measured.values()):
            solutions |= {n: CropSolution(CropSource.LOOSE, turned=turned, level=level) for n in free}
            blind = True
        else:
            subjects = context.subjects()
            taken = dict(zip(burst.frames, burst.seconds, strict=False))
            around = _around(free, measured, subjects, params, turned, taken)
            for name, solution, notice in as_one(list(around), measured, subjects, params.aspect, taken):
                solutions[name] = replace(solution, level=level)
                named = len(context.facts.row(name).players)
                notice = notice or _fewer(named, measured[name].people, subjects[name], solution)
                if notice:
                    notices[name] = notice
    solutions = _moved(context, solutions)
    return Solved(solutions, (NO_MODEL,) if blind else (), notices)


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
            found[frame.name] = replace(solution, box=_rounded(wide))
    return found


def fallback(context: SolveContext[FrameObservation], params: CropParams) -> Solved[CropSolution]:
    """The boxes that a person drew, which may leave somebody out on purpose; the others loose and around the centre."""
    found: dict[str, CropSolution] = {}
    for frame in context.frames:
        box = context.facts.row(frame.name).crop_of(context.delivery)
        source = CropSource.LOOSE if params.to == "subject" else CropSource(params.to)
        found[frame.name] = CropSolution(source) if box is None else CropSolution(CropSource.TABLE, _rounded(box))
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


def _rounded(box: Iterable[float]) -> Box:
    return Box(*(round(float(v), 5) for v in box))


def _around(
    names: Sequence[str],
    measured: Mapping[str, FrameObservation],
    subjects: Mapping[str, Subject | None],
    params: CropParams,
    turned: float,
    seconds: Mapping[str, float],
) -> Iterable[tuple[str, CropSolution, str]]:
    """(frame, solution, notice) for the frames of one burst; those of one aspect go together, also where frames between
    them are left whole, so that their crops are of one size."""
    from pipeline.people import framing
    from pipeline.people.belonging import moving
    from pipeline.people.candidates import missed
    from pipeline.people.constraints import constraints_of
    from pipeline.people.tracking import camera_shifts

    found: dict[str, tuple[CropSolution, str]] = {}
    runs: dict[float, dict[str, framing.CropConstraints]] = {}
    own = {name: subjects.get(name) for name in names}
    if crowded(own, measured, params.margin, turned, partial(_aspect, params.aspect)):
        own = {name: None if one is None else replace(one, others=()) for name, one in own.items()}
    frames, taken = [measured[name].people for name in own], [seconds[name] for name in own if name in seconds]
    unseen, moves = missed(frames, taken), moving(frames, camera_shifts(frames, taken))
    for (name, subject), there, going in zip(own.items(), unseen, moves, strict=True):
        people = measured[name].people
        constraints = None if subject is None else constraints_of(people, subject, params.margin, turned, there, going)
        height, width = people.size
        aspect = _aspect(params.aspect, height, width, constraints)
        if constraints is not None:  # so many pixels on the longer side
            constraints = replace(constraints, least=_least(params, height, width) / (max(aspect, 1.0) * height))
        doubt = NO_SUBJECT if subject is None else subject.doubt
        sure = None if subject is None else subject.confidence
        if constraints is None or doubt:
            found[name] = CropSolution(CropSource.NOBODY, None, None, turned, doubt, sure), NOBODY.format(why=doubt)
        elif not framing.fits(constraints, aspect):
            words = TOO_WIDE.format(aspect=params.aspect)
            found[name] = CropSolution(CropSource.DOES_NOT_FIT, turned=turned, confidence=sure), words
        else:
            runs.setdefault(aspect, {})[name] = constraints
    for aspect, run in runs.items():
        found |= _framed(run, aspect, params, turned, measured, subjects)
    return [(name, *found[name]) for name in names]


def _least(params: CropParams, height: int, width: int) -> float:
    """Pixels of the longer side that a crop has at least."""
    if params.at_least is not None:
        return params.at_least
    return min(RULES.web, RULES.of_longer_side * max(height, width))


def _framed(
    run: Mapping[str, framing.CropConstraints],
    aspect: float,
    params: CropParams,
    turned: float,
    measured: Mapping[str, FrameObservation],
    subjects: Mapping[str, Subject | None],
) -> dict[str, tuple[CropSolution, str]]:
    """Solution and notice of frames of one burst that are cropped alike."""
    from pipeline.people import framing
    from pipeline.people.belonging import rise
    from pipeline.people.confidence import EARNING

    sure = min((s.confidence for n in run if (s := subjects[n]) is not None), default=0.0)
    fill = params.fill * (RULES.unsure + (1 - RULES.unsure) * rise(sure, EARNING.enough, 1.0))
    boxes = framing.frame_burst(list(run.values()), framing.Style(aspect, fill, params.lead_room))
    found: dict[str, tuple[CropSolution, str]] = {}
    for (name, constraints), box in zip(run.items(), boxes, strict=True):
        height, width = measured[name].people.size
        subject = subjects[name]
        own = None if subject is None else subject.confidence
        if framing.cut_by(box, constraints):
            words = WOULD_CUT.format(aspect=params.aspect)
            found[name] = CropSolution(CropSource.WOULD_CUT, turned=turned, confidence=own), words
            continue
        placed = _rounded(heights_to_box(box, height, width))
        source = CropSource.EVERYBODY if subject is not None and subject.everybody else CropSource.SUBJECT
        found[name] = CropSolution(source, placed, round(aspect, 6), turned, confidence=own), ""
    return found


def _aspect(written: str, height: int, width: int, constraints: framing.CropConstraints | None = None) -> float:
    """Width to height in pixels of a crop of a frame of this size."""
    if written == "original":
        return width / height
    if written == "free":
        if constraints is None:
            return width / height
        x0, y0, x1, y1 = constraints.must
        return float(np.clip((x1 - x0) / (y1 - y0), RULES.narrowest, RULES.widest))
    across, down = (float(v) for v in written.split(":"))
    # An upright frame keeps its orientation when a wide aspect is asked for: 3:2 becomes 2:3. An upright
    # aspect such as 4:5 is meant as it stands, since phones and pages want it of wide frames too.
    return down / across if height > width and across > down else across / down


# ---- apply -------------------------------------------------------------------------------------------------


def box_for(params: CropParams, solution: CropSolution | None, height: int, width: int) -> Box:
    """Box in fractions of an upright frame of this size; it differs in the last pixel from that of another size, since
    its aspect is one of whole pixels."""
    from pipeline.imaging import turning

    solution = solution or CropSolution(CropSource(params.to))
    turned, source = solution.turned, solution.source
    whole = turning.inscribed(turned, height, width) if turned else WHOLE
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
    kept = None if params.aspect in ("original", "free") else _aspect(params.aspect, height, width)
    return centred(whole, kept, share, height, width)


def reads(params: CropParams, solution: CropSolution | None, height: int, width: int) -> Box:
    """What of the upright frame a crop needs: more than the box where the picture is turned first."""
    from pipeline.imaging import turning

    box = box_for(params, solution, height, width)
    turned = 0.0 if solution is None else solution.turned
    return turning.before_turn(box, turned, height, width) if turned else box


def apply(image: Image, params: CropParams, context: ApplyContext[CropSolution]) -> Image:
    """Turn the picture straight if it is to be, and cut the box out of it."""
    from pipeline.imaging import turning

    left, top, width, height = image.place
    turned = context.solution.turned if context.solution is not None else 0.0
    pixels = turning.rotated(image.pixels, turned, image.place) if turned else image.pixels
    box = box_to_pixels(box_for(params, context.solution, height, width), height, width)
    gains = gains_of_part(image.noise_gain_map, pixels_to_box(box, height, width))
    cut = pixels[box.y0 - top : box.y1 - top, box.x0 - left : box.x1 - left]
    return replace(image, pixels=cut, noise_gain_map=gains, part=None, warp=None)


STEP: Step[CropParams, FrameObservation, CropSolution] = Step(
    name="crop",
    version=15,
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
