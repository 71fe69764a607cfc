"""What is decided for all frames of a burst: whether they are cropped around the same people, around whom, and how."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.geometry import Box, HeightBox, heights_to_box
from pipeline.steps.crop_solution import (
    NO_SUBJECT,
    NOBODY,
    TOO_WIDE,
    UNLIKE,
    WOULD_CHANGE,
    WOULD_CUT,
    CropParams,
    CropSolution,
    CropSource,
)
from pipeline.steps.crop_solution import RULES as CROP

if TYPE_CHECKING:
    from pipeline.people import framing
    from pipeline.people.framing import CropConstraints
    from pipeline.people.observe import FrameObservation
    from pipeline.people.subject import Subject
    from pipeline.types import F64


@dataclass(frozen=True)
class BurstRules:
    """Chosen by eye, checked with `python -m tests.closer`."""

    clear: float = 0.8  # confidence from which whoever else may be the subject is left out, if there is no room for all
    # Of a frame left whole: one whose crop goes through a hand or foot of somebody near. Where half of a burst is left
    # whole none of it is cropped, or the little by which noise moves neighbours would decide.
    rough: float = 0.5
    hardly: float = 0.95  # of a frame of the aspect asked for: a crop that keeps as much is none


RULES = BurstRules()


@dataclass(frozen=True, slots=True)
class Found:
    """A frame's crop and the notice of it, "" for none; rough: 0 to 1, it goes through a hand or foot of somebody near
    or through what moves, see framing.limbs_cut."""

    solution: CropSolution
    notice: str = ""
    rough: float = 0.0


def around_subjects(
    names: Sequence[str],
    measured: Mapping[str, FrameObservation],
    subjects: Mapping[str, Subject | None],
    params: CropParams,
    turned: float,
    seconds: Mapping[str, float],
) -> list[tuple[str, Found]]:
    """What is found for each frame of one burst; those of one aspect go together, also where frames between
    them are left whole, so that their crops are of one size."""
    from pipeline.people import framing
    from pipeline.people.belonging import moving, uncompared
    from pipeline.people.candidates import lengths, missed
    from pipeline.people.constraints import constraints_of
    from pipeline.people.tracking import camera_shifts, linked

    found: dict[str, Found] = {}
    runs: dict[float, dict[str, framing.CropConstraints]] = {}
    own = {name: subjects.get(name) for name in names}
    if crowded(own, measured, params.margin, turned, partial(aspect_of, params.aspect)):
        own = {name: None if one is None else replace(one, others=()) for name, one in own.items()}
    frames, taken = [measured[name].people for name in own], [seconds[name] for name in own if name in seconds]
    shifts = camera_shifts(frames, taken)
    links = linked(frames, shifts)
    unseen, moves, stands = missed(frames, links), moving(frames, shifts), lengths(frames, links)
    unknown = uncompared(frames, shifts)
    if own and all(_trimmable(subject) for subject in own.values()):
        trimmed = _trimmed({n: one for n, one in own.items() if one}, measured, unseen, moves, params, turned)
        if trimmed:
            return [(name, Found(trimmed[name])) for name in names]
    rest = zip(unseen, moves, stands, unknown, strict=True)
    for (name, subject), told in zip(own.items(), rest, strict=True):
        people = measured[name].people
        height, width = people.size
        constraints = None if subject is None else constraints_of(people, subject, params.margin, turned, *told)
        aspect = aspect_of(params.aspect, height, width, constraints)
        if constraints is not None:  # so many pixels on the longer side
            constraints = replace(constraints, least=_least(params, height, width) / (max(aspect, 1.0) * height))
        doubt = NO_SUBJECT if subject is None else subject.doubt
        sure = None if subject is None else subject.confidence
        if constraints is None or doubt:
            nobody = CropSolution(CropSource.NOBODY, None, None, turned, doubt, sure)
            found[name] = Found(nobody, NOBODY.format(why=doubt))
        elif not framing.fits(constraints, aspect):
            words = TOO_WIDE.format(aspect=params.aspect)
            found[name] = Found(CropSolution(CropSource.DOES_NOT_FIT, turned=turned, confidence=sure), words)
        else:
            runs.setdefault(aspect, {})[name] = constraints
    for aspect, run in runs.items():
        found |= _framed(run, aspect, params, turned, measured, subjects)
    return [(name, found[name]) for name in names]


def _trimmable(subject: Subject | None) -> bool:
    """Whether people are there, but whom the frame is about is not sure."""
    from pipeline.people.confidence import NOT_WHO

    return subject is not None and subject.doubt in NOT_WHO


def _trimmed(
    subjects: Mapping[str, Subject],
    measured: Mapping[str, FrameObservation],
    missed: Sequence[F64],
    moves: Sequence[NDArray[np.bool_] | None],
    params: CropParams,
    turned: float,
) -> dict[str, CropSolution]:
    """Of a burst of which it is not sure whom it is about, the largest crops of an aspect that is not the frame's,
    around everybody near; none where some frame has no room for them.

    missed, moves  of each frame, as for `constraints_of`
    """
    from pipeline.people import framing
    from pipeline.people.candidates import around_all
    from pipeline.people.constraints import constraints_of

    aspects = {aspect_of(params.aspect, *measured[name].people.size) for name in subjects}
    held: dict[str, framing.CropConstraints] = {}
    for (name, subject), there, going in zip(subjects.items(), missed, moves, strict=True):
        people = measured[name].people
        height, width = people.size
        around = around_all(people, there)
        change = abs(np.log(min(aspects) * height / width))
        if around is None or len(aspects) > 1 or params.aspect == "free" or change < CROP.other_shape:
            return {}
        body, whole = around
        group = replace(subject, box=body, whole=whole, others=(), faces=(), ball=None, towards=0.0, row=None)
        constraints = constraints_of(people, group, params.margin, turned, there, going)
        if not framing.fits(constraints, min(aspects)):
            return {}
        held[name] = replace(constraints, least=np.inf)
    boxes = framing.frame_burst(list(held.values()), framing.Style(min(aspects), params.fill, 0.0))
    if any(framing.cut_by(box, one) for box, one in zip(boxes, held.values(), strict=True)):
        return {}
    return {
        name: CropSolution(
            CropSource.TRIMMED,
            rounded(heights_to_box(box, *measured[name].people.size)),
            round(min(aspects), 6),
            turned,
            subjects[name].doubt,
            subjects[name].confidence,
        )
        for name, box in zip(held, boxes, strict=True)
    }


def _least(params: CropParams, height: int, width: int) -> float:
    """Pixels of the longer side that a crop has at least."""
    if params.at_least is not None:
        return params.at_least
    return min(CROP.web, CROP.of_longer_side * max(height, width))


def _framed(
    run: Mapping[str, framing.CropConstraints],
    aspect: float,
    params: CropParams,
    turned: float,
    measured: Mapping[str, FrameObservation],
    subjects: Mapping[str, Subject | None],
) -> dict[str, Found]:
    """Of frames of one burst that are cropped alike."""
    from pipeline.people import framing
    from pipeline.people.belonging import rise
    from pipeline.people.confidence import EARNING

    sure = min((s.confidence for n in run if (s := subjects[n]) is not None), default=0.0)
    fill = params.fill * (CROP.unsure + (1 - CROP.unsure) * rise(sure, EARNING.enough, 1.0))
    boxes = framing.frame_burst(list(run.values()), framing.Style(aspect, fill, params.lead_room))
    frames = [constraints.frame for constraints in run.values()]
    if all(_area(box) >= RULES.hardly * _area(frame) for box, frame in zip(boxes, frames, strict=True)):
        boxes = frames
    found: dict[str, Found] = {}
    for (name, constraints), box in zip(run.items(), boxes, strict=True):
        height, width = measured[name].people.size
        subject = subjects[name]
        own = None if subject is None else subject.confidence
        if framing.cut_by(box, constraints):
            words = WOULD_CUT.format(aspect=params.aspect)
            found[name] = Found(CropSolution(CropSource.WOULD_CUT, turned=turned, confidence=own), words)
            continue
        placed = rounded(heights_to_box(box, height, width))
        source = CropSource.EVERYBODY if subject is not None and subject.everybody else CropSource.SUBJECT
        rough = min(float(framing.limbs_cut(np.array([box]), constraints)[0]), 1.0)
        found[name] = Found(CropSolution(source, placed, round(aspect, 6), turned, confidence=own), rough=rough)
    return found


def _area(box: HeightBox) -> float:
    return (box.x1 - box.x0) * (box.y1 - box.y0)


def aspect_of(written: str, height: int, width: int, constraints: framing.CropConstraints | None = None) -> float:
    """Width to height in pixels of a crop of a frame of this size."""
    if written == "original":
        return width / height
    if written == "free":
        if constraints is None:
            return width / height
        x0, y0, x1, y1 = constraints.must
        return float(np.clip((x1 - x0) / (y1 - y0), CROP.narrowest, CROP.widest))
    across, down = (float(v) for v in written.split(":"))
    # An upright frame keeps its orientation when a wide aspect is asked for: 3:2 becomes 2:3. An upright
    # aspect such as 4:5 is meant as it stands, since phones and pages want it of wide frames too.
    return down / across if height > width and across > down else across / down


def rounded(box: Iterable[float]) -> Box:
    """A box as it is kept: to the fifth place."""
    return Box(*(round(float(v), 5) for v in box))


def crowded(
    subjects: Mapping[str, Subject | None],
    measured: Mapping[str, FrameObservation],
    margin: float,
    turned: float,
    aspect: Callable[[int, int, CropConstraints], float],
) -> bool:
    """Whether the subject of a burst is clear, and the aspect of some frame has no room for whoever else may be it:
    they are left out of all its crops then, though never cut.

    aspect  of a frame of this height and width in pixels
    """
    from pipeline.people.constraints import constraints_of
    from pipeline.people.framing import fits

    for name, subject in subjects.items():
        if subject is not None and not subject.everybody and subject.confidence >= RULES.clear:
            people = measured[name].people
            constraints = constraints_of(people, subject, margin, turned)
            if not fits(constraints, aspect(*people.size, constraints)):
                return True
    return False


def as_one(
    found: Sequence[tuple[str, Found]],
    measured: Mapping[str, FrameObservation],
    subjects: Mapping[str, Subject | None],
    aspect: str,
    seconds: Mapping[str, float],
) -> Iterable[tuple[str, CropSolution, str]]:
    """(frame, solution, notice) of the frames of one burst, in its order, as they are to be.

    seconds  when each was taken, empty where that is not known

    Where nobody leads, all frames that have a subject are cropped, or none is, for one reason: a crop that comes and
    goes within a burst, or whose people do, was not earned. Where somebody leads, none is where no crop was found for
    half of them, or only one through hands and feet, see RULES. Others pass as they are, and what is left whole among
    crops says so.
    """
    whole = [one for _, one in found if one.solution.source in (CropSource.DOES_NOT_FIT, CropSource.WOULD_CUT)]
    cropped = {name: one.solution for name, one in found if one.solution.source is CropSource.EVERYBODY}
    led = [one for _, one in found if one.solution.source is CropSource.SUBJECT]
    spoilt = len(whole) + RULES.rough * sum(one.rough for one in led)
    if whole and spoilt >= (len(whole) + len(led)) / 2:
        why, words = whole[0].solution.source, whole[0].notice
    elif cropped and _changes(cropped, measured, subjects, seconds):
        why, words = CropSource.WOULD_CHANGE, WOULD_CHANGE.format(aspect=aspect)
    else:
        for name, one in found:
            if led and one in whole:
                yield name, replace(one.solution, why=UNLIKE), f"{one.notice}, {UNLIKE}"
            else:
                yield name, one.solution, one.notice
        return
    for name, one in found:
        if subjects.get(name) is None or one.solution.source is CropSource.NOBODY:
            yield name, one.solution, one.notice
        else:
            yield name, replace(one.solution, source=why, box=None, aspect=None), words


def _changes(
    crops: Mapping[str, CropSolution],
    measured: Mapping[str, FrameObservation],
    subjects: Mapping[str, Subject | None],
    seconds: Mapping[str, float],
) -> bool:
    """Whether somebody near is in the crop of one frame, and cut by or missing in that of the next that shows them."""
    from pipeline.people.candidates import in_each

    told = [(n, one.box, own.box) for n, one in crops.items() if one.box and (own := subjects[n])]
    names, boxes, people = zip(*told, strict=True)
    frames, taken = [measured[n].people for n in names], [seconds[n] for n in names if n in seconds]
    return not in_each(frames, boxes, [box.y1 - box.y0 for box in people], taken)
