"""Frames without a capture time that show one moment: who they are about is decided for all of them together."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from pipeline.people.observe import FrameObservation
from pipeline.people.tracking import LINKING, Observation, same_moment
from pipeline.types import Burst

_NUMBER = re.compile(r"(.*?)(\d+)")


def moments_of(bursts: Sequence[Burst], measured: Mapping[str, FrameObservation]) -> list[Burst]:
    """The bursts, with single frames without a time joined where their numbers follow each other and their pictures
    show the same people in the same hall. Frames that were not measured stay alone."""
    found: list[list[str]] = []
    timed: list[Burst] = []
    before: Observation | None = None
    for burst in bursts:
        name = burst.frames[0]
        alone = not burst.timed and name in measured
        follows = alone and before is not None and _next(found[-1][-1], name)
        now = measured[name].people if alone and (follows or _numbered(name)) else None
        if follows and before is not None and now is not None and same_moment(before, now):
            found[-1].append(name)  # of single frames: when these were taken is not known
        else:
            found.append(list(burst.frames))
            timed.append(burst)
        before = now
    return [
        Burst(tuple(names), one.timed, one.seconds, one.longest or _longest(len(names)))
        for names, one in zip(found, timed, strict=True)
    ]


def _longest(count: int) -> tuple[float, ...]:
    """Of frames without a time nothing proves that anybody ran."""
    return tuple(LINKING.untimed * at for at in range(count))


def _numbered(name: str) -> bool:
    return _NUMBER.fullmatch(name) is not None


def _next(before: str, name: str) -> bool:
    """Whether a name has the number after another's, or one soon after it, and all else alike."""
    first, second = _NUMBER.fullmatch(before), _NUMBER.fullmatch(name)
    if first is None or second is None or first[1] != second[1]:
        return False
    return 0 < int(second[2]) - int(first[2]) <= 1 + LINKING.skip
