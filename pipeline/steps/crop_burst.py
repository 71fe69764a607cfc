"""One decision for a burst in which nobody leads: all of it is cropped around the same people, or all left whole."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from pipeline.steps.crop_solution import WOULD_CHANGE, CropSolution, CropSource

if TYPE_CHECKING:
    from pipeline.people.observe import FrameObservation
    from pipeline.people.subject import Subject


def as_one(
    found: Sequence[tuple[str, CropSolution, str]],
    measured: Mapping[str, FrameObservation],
    subjects: Mapping[str, Subject | None],
    aspect: str,
) -> Iterable[tuple[str, CropSolution, str]]:
    """(frame, solution, notice) of the frames of one burst, in its order, as they are to be.

    Where nobody leads, all frames that have a subject are cropped, or none is, for one reason: a crop that comes and
    goes within a burst, or whose people do, was not earned. Others pass as they are.
    """
    whole = [one for one in found if one[1].source in (CropSource.DOES_NOT_FIT, CropSource.WOULD_CUT)]
    cropped = [name for name, one, _ in found if one.source is CropSource.EVERYBODY]
    if whole:
        _, solution, words = whole[0]
        why = solution.source
    elif cropped and _changes({name: one for name, one, _ in found if name in cropped}, measured, subjects):
        why, words = CropSource.WOULD_CHANGE, WOULD_CHANGE.format(aspect=aspect)
    else:
        yield from found
        return
    for name, solution, notice in found:
        subject = subjects.get(name)
        if subject is None or not subject.everybody or solution.source is CropSource.NOBODY:
            yield name, solution, notice
        else:
            yield name, replace(solution, source=why, box=None, aspect=None), words


def _changes(
    crops: Mapping[str, CropSolution],
    measured: Mapping[str, FrameObservation],
    subjects: Mapping[str, Subject | None],
) -> bool:
    """Whether somebody near is in the crop of one frame, and cut by or missing in that of the next that shows them."""
    from pipeline.people.candidates import in_each

    told = [(measured[n].people, one.box, own.box) for n, one in crops.items() if one.box and (own := subjects[n])]
    frames, boxes, people = zip(*told, strict=True)
    return not in_each(frames, boxes, [box.y1 - box.y0 for box in people])
