"""A few frames that stand for a whole shoot, and what the whole takes by what they took."""

from __future__ import annotations

import statistics
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from pipeline.engine.measure import measure_key, octets_of
from pipeline.engine.pacing.pace import spread
from pipeline.people.modelfiles import ModelFiles
from pipeline.shoot.facts import Facts
from pipeline.store.store import Store
from pipeline.types import Burst, Frame

_FEWEST = 3  # frames of a format from which it is judged by itself


@dataclass(frozen=True, order=True)
class Weight:
    """What the work on a frame goes by. kind  suffix of its file; octets  of the file, 0 where it has gone"""

    kind: str
    octets: float

    @classmethod
    def of(cls, frame: Frame) -> Weight:
        """Of a frame."""
        return cls(frame.path.suffix.lower(), octets_of(frame))


def not_measured(store: Store, frames: Sequence[Frame], facts: Facts, models: ModelFiles) -> list[Frame]:
    """Frames of which nothing measured seems to be kept; none is read."""

    def is_kept(frame: Frame) -> bool:
        if not store.is_known(frame):
            return False
        references = [r for r in facts.references if r.frame == frame.name]
        return store.holds("measured", measure_key(store.frame_digest(frame), references, models, frame.kind))

    return [frame for frame in frames if not is_kept(frame)]


def foretold(seconds: Mapping[str, float], weights: Mapping[str, Weight], wanted: Collection[str]) -> float:
    """Seconds that the frames `wanted` take together, by those that some took.

    The regression estimator of a total (W. G. Cochran, Sampling Techniques, 1977, chapter 7): on the octets of the
    files, format by format where enough were tried. More octets take no less, and no more than in proportion.
    """
    total = 0.0
    for kind in {weights[name].kind for name in wanted}:
        names = [name for name in wanted if weights[name].kind == kind]
        tried = [name for name in seconds if weights[name].kind == kind]
        if len(tried) < _FEWEST:
            tried = list(seconds)
        octets, took = [weights[name].octets for name in tried], [seconds[name] for name in tried]
        middle, each = statistics.fmean(octets), statistics.fmean(took)
        squares = sum((x - middle) ** 2 for x in octets)
        slope = sum((x - middle) * (y - each) for x, y in zip(octets, took, strict=True)) / squares if squares else 0.0
        slope = min(max(slope, 0.0), each / middle if middle else 0.0)
        total += sum(each + slope * (weights[name].octets - middle) for name in names)
    return total


def representative(
    bursts: Sequence[Burst], weights: Mapping[str, Weight], longest: int, few: int, frames: int
) -> list[Burst]:
    """At least `few` bursts, and more until they have so many frames, with formats and sizes as the whole has them.

    longest  frames of a burst, from its middle
    """
    in_order = sorted(bursts, key=lambda burst: max(weights[name] for name in burst.frames))
    found: list[Burst] = []
    for burst in spread(in_order):
        if len(found) >= few and sum(len(one.frames) for one in found) >= frames:
            break
        found.append(middle_of(burst, longest))
    return found


def middle_of(burst: Burst, longest: int) -> Burst:
    """So many frames from the middle of a burst, or all."""
    start = max(0, (len(burst.frames) - longest) // 2)
    return Burst(burst.frames[start : start + longest])
