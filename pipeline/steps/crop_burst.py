"""What is decided for all frames of a burst: whether they are cropped around the same people, and around whom."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from pipeline.steps.crop_solution import WOULD_CHANGE, CropSolution, CropSource

if TYPE_CHECKING:
    from pipeline.people.framing import CropConstraints
    from pipeline.people.observe import FrameObservation
    from pipeline.people.subject import Subject


@dataclass(frozen=True)
class BurstRules:
    """Chosen by eye, checked with `python -m tests.closer`."""

    clear: float = 0.8  # confidence from which whoever else may be the subject is left out, if there is no room for all


RULES = BurstRules()


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
    found: Sequence[tuple[str, CropSolution, str]],
    measured: Mapping[str, FrameObservation],
    subjects: Mapping[str, Subject | None],
    aspect: str,
    seconds: Mapping[str, float],
) -> Iterable[tuple[str, CropSolution, str]]:
    """(frame, solution, notice) of the frames of one burst, in its order, as they are to be.

    seconds  when each was taken, empty where that is not known

    Where nobody leads, all frames that have a subject are cropped, or none is, for one reason: a crop that comes and
    goes within a burst, or whose people do, was not earned. Where somebody leads, none is where no crop was found for
    most of them. Others pass as they are.
    """
    whole = [one for one in found if one[1].source in (CropSource.DOES_NOT_FIT, CropSource.WOULD_CUT)]
    cropped = [name for name, one, _ in found if one.source is CropSource.EVERYBODY]
    led = sum(one.source is CropSource.SUBJECT for _, one, _ in found)
    if whole and (len(whole) > led or not led):
        _, solution, words = whole[0]
        why = solution.source
    elif cropped and _changes({name: one for name, one, _ in found if name in cropped}, measured, subjects, seconds):
        why, words = CropSource.WOULD_CHANGE, WOULD_CHANGE.format(aspect=aspect)
    else:
        yield from found
        return
    for name, solution, notice in found:
        subject = subjects.get(name)
        if subject is None or solution.source is CropSource.NOBODY:
            yield name, solution, notice
        else:
            yield name, replace(solution, source=why, box=None, aspect=None), words


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
