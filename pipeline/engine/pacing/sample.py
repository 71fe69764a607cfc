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
_ODD = 6  # one in so many may have taken
_FAR = 2.5  # times as long as the others say, and is then left out
# Deviation of the octets tried, as a share of their mean, at which what they say of larger files counts as much as that
# time goes with size. By trial on the nights of tests/engine/test_time_left.py, no source.
_ALIKE = 0.1


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


def foretold(seconds: Mapping[str, float], weights: Mapping[str, Weight], wanted: Collection[str]) -> dict[str, float]:
    """Frame -> seconds that it takes, of the frames `wanted`, by those that some took.

    The regression estimator (W. G. Cochran, Sampling Techniques, 1977, chapter 7) on the octets of the files, format by
    format where enough were tried. More octets take no less, and no more than in proportion; where those tried are of
    one size they do not tell, and time goes with octets (the ratio estimator, chapter 6).
    """
    each_of: dict[str, float] = {}
    for kind in {weights[name].kind for name in wanted}:
        names = [name for name in wanted if weights[name].kind == kind]
        tried = [name for name in seconds if weights[name].kind == kind]
        if len(tried) < _FEWEST:
            tried = list(seconds)
        each, slope, middle = _fitted([(weights[name].octets, seconds[name]) for name in tried])
        each_of |= {name: each + slope * (weights[name].octets - middle) for name in names}
    return each_of


def _fitted(points: Sequence[tuple[float, float]]) -> tuple[float, float, float]:
    """(seconds at the mean of the octets, more seconds for each octet, that mean) of (octets, seconds).

    A frame that took far longer than the others say is left out: its worker loaded libraries for it.
    """
    points = list(points)
    for _ in range(len(points) // _ODD):
        line = _line(points)
        worst = max(points, key=lambda point: point[1] - _at(line, point[0]))
        others = [point for point in points if point is not worst]
        if worst[1] < _FAR * _at(_line(others), worst[0]):
            break
        points = others
    return _line(points)


def _line(points: Sequence[tuple[float, float]]) -> tuple[float, float, float]:
    middle, each = (statistics.fmean(values) for values in zip(*points, strict=True))
    if not middle:
        return each, 0.0, middle
    squares, alike = sum((x - middle) ** 2 for x, _ in points), len(points) * (_ALIKE * middle) ** 2
    products = sum((x - middle) * (y - each) for x, y in points)
    slope = (products + alike * each / middle) / (squares + alike)
    return each, min(max(slope, 0.0), each / middle), middle


def _at(line: tuple[float, float, float], octets: float) -> float:
    each, slope, middle = line
    return each + slope * (octets - middle)


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
