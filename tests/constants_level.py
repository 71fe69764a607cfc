"""Figures that hold the constants of imaging.level and imaging.manhattan in place: see tests/constants.py."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from pipeline.imaging import level, manhattan, rotation
from tests.imaging.test_level import hall, turned
from tests.imaging.test_manhattan import SURE, seen_by

_HALLS = [
    turned(hall(yaw, pitch, roll, focal, people=6), degrees)
    for yaw, pitch, roll, focal, degrees in ((0, 0, -1.7, 1.1, 0.7), (-1, -6, 2.9, 1.8, 0))
]
_NOISE = np.random.default_rng(0).standard_normal((90, 90)).astype(np.float32)


def of_level() -> Iterator[float]:
    """What the lines of drawn halls say, and how many of many made-up answers are believed, each nearly good enough."""
    for grey in _HALLS:
        for edge in level.LEVEL.edges:
            for one in level.families(grey, edge):
                yield from [] if one is None else [float(v) for v in vars(one).values()]
        *_, length = level.segments(grey, level.LEVEL.between)
        yield from [float(len(length)), float(length.sum())]

    def told(vertical: level.Family | None, flat: level.Family | None) -> bool:
        return isinstance(level.agreed(vertical, flat), level.Tilt)

    good = level.Family(1.0, 0.05, 0.0, 2.0, 0.9, 0.1, 0.02, 0.0, 2, 0.9, 0.5)  # but seen in two cells only
    sweeps = (
        ("length", np.linspace(0, 1, 101)), ("share", np.linspace(0, 1, 101)), ("rival", np.linspace(0, 1, 101)),
        ("error", np.linspace(0.01, 0.5, 99)), ("moved", np.linspace(0, 0.6, 121)), ("roll", np.linspace(0.2, 1.8, 81)),
    )  # fmt: skip
    for name, values in sweeps:
        for pair in (lambda odd: (odd, good), lambda odd: (good, odd)):
            yield float(sum(told(*pair(replace(good, **{name: float(v)}))) for v in values))
    both = [replace(good, roll=float(v)) for v in np.linspace(4, 6, 81)]
    yield float(sum(told(one, one) for one in both))
    unsure = [replace(good, roll=1.4, rival=0.69, share=float(v)) for v in np.linspace(0.25, 1, 76)]
    yield float(sum(told(good, one) for one in unsure))
    lone = replace(good, length=3.0, cells=9, lump=0.2)
    alone = (
        ("length", np.linspace(0.5, 2.5, 101)), ("share", np.linspace(0.3, 1, 101)), ("rival", np.linspace(0, 1, 101)),
        ("error", np.linspace(0.01, 0.3, 99)), ("moved", np.linspace(0, 0.3, 121)), ("lump", np.linspace(0, 1, 101)),
        ("cells", range(9)), ("side", np.linspace(0, 0.5, 101)), ("slope", np.linspace(0, 1, 101)),
    )  # fmt: skip
    for name, values in alone:
        kind = type(getattr(good, name))
        for pair in (lambda odd: (odd, None), lambda odd: (None, odd)):
            yield float(sum(told(*pair(replace(lone, **{name: kind(v)}))) for v in values))
    small = [level._family(np.full(1, 0.1), np.zeros(1), np.full(1, v)) for v in np.linspace(0.04, 0.06, 81)]
    yield float(sum(one.cells for one in small if one is not None))
    slanted = [replace(good, roll=1.8, slope=float(v)) for v in np.linspace(0, 1, 101)]
    yield from [found.degrees for one in slanted if isinstance(found := level.agreed(lone, one), level.Tilt)]
    yield from _level_together(replace(good, length=1.0, share=0.5, rival=0.5, cells=4, lump=0.3))
    *_, length = level.segments(_HALLS[0], level.LEVEL.edges[1], noisy=True)
    yield from [float(len(length)), float(length.sum())]
    inside = np.linspace(0, 0.1, 101), np.zeros(101), np.zeros(101), np.full(101, 0.02)
    yield float(len(level._of_hall(inside, np.array([[0.4, 0.3, 0.52, 0.7]]), (640, 960))[0]))
    yield float(sum(level.is_noisy(_NOISE * np.float32(v)) for v in np.linspace(0.04, 0.08, 81)))


def _level_together(upright: level.Family) -> Iterator[float]:
    """How many made-up answers of verticals and three directions are believed together, each nearly good enough."""
    unsure = manhattan.Fit(roll=1.1, spread=0.22, evidence=12.0, share=0.5, moved=0.1, second=10.0, bent=1.0)
    weak = replace(upright, length=0.1)

    def told(odd: level.Family, other: level.Family = weak, fit: manhattan.Fit = unsure) -> bool:
        return isinstance(level._in_perspective(fit, [other, odd]), level.Tilt)

    for name, values in (
        ("length", np.linspace(0, 1, 101)), ("share", np.linspace(0, 1, 101)), ("rival", np.linspace(0, 1, 101)),
        ("error", np.linspace(0.01, 0.3, 99)), ("moved", np.linspace(0, 0.3, 121)), ("lump", np.linspace(0, 1, 101)),
        ("cells", range(9)), ("side", np.linspace(0, 0.5, 101)), ("roll", np.linspace(0.4, 1.8, 71)),
    ):  # fmt: skip
        kind = type(getattr(upright, name))
        yield float(sum(told(replace(upright, **{name: kind(v)})) for v in values))
    yield float(sum(told(upright, replace(weak, roll=float(v))) for v in np.linspace(1, 2, 101)))
    vague = replace(unsure, spread=0.5)
    yield float(sum(told(upright, fit=replace(vague, roll=float(v))) for v in np.linspace(1, 2, 101)))
    yield float(sum(told(upright, fit=replace(unsure, evidence=float(v))) for v in np.linspace(4, 12, 81)))
    rivalled, clear = replace(upright, rival=0.8), replace(unsure, spread=0.15, evidence=20.0)
    yield float(sum(told(rivalled, fit=replace(clear, spread=float(v))) for v in np.linspace(0.1, 0.3, 81)))
    yield float(sum(told(rivalled, fit=replace(clear, evidence=float(v))) for v in np.linspace(8, 20, 61)))


def of_manhattan() -> Iterator[float]:
    """What is believed and joined; what lines of drawn cameras say, some at the limits of what cameras do."""
    for name, values in (
        ("spread", np.linspace(0.1, 0.5, 161)), ("moved", np.linspace(0.2, 0.5, 121)),
        ("share", np.linspace(0.4, 1, 121)), ("evidence", np.linspace(5, 30, 126)), ("second", np.linspace(1, 9, 161)),
    ):  # fmt: skip
        usual = replace(SURE, second=6.0)
        for good in (SURE, usual, replace(usual, spread=0.23), replace(usual, share=0.67), replace(SURE, spread=0.3)):
            yield float(sum(replace(good, **{name: float(v)}).sure for v in values))

    def parts(turn: float = 0.0, down: float = 0.0, gap: float = 0.0, long: float = 0.1) -> int:
        of_two = [0.0, 0.05 + gap + long / 2], [0.0, down], [0.0, turn], [0.1, long]
        return len(manhattan.joined(tuple(np.array(values) for values in of_two), 640)[0])  # type: ignore[arg-type]

    yield float(sum(parts(turn=v) for v in np.linspace(0.5, 2, 76)))
    yield float(sum(parts(down=v / 640) for v in np.linspace(0.5, 2, 76)))
    yield float(sum(parts(gap=v) for v in np.linspace(0.02, 0.1, 81)))
    yield float(sum(parts(long=v, down=0.2) for v in np.linspace(0.01, 0.02, 81)))
    views = ((2.0, -12, 8, 2.5, 40), (-3.0, -9, -30, 1.5, 230), (1.0, -40, 20, 0.35, 20), (0.5, -5, 20, 9.0, 20))
    for seed, (*camera, count) in enumerate(views):
        lines = seen_by(*camera, seed=seed, count=count, strays=30)
        found = manhattan.fit([lines, lines], [640, 432])
        yield from [] if found is None else [float(v) for v in vars(found).values()]
    few = [seen_by(0, -10, 10, 2.0, count=n, strays=0) for n in range(5, 12)]
    yield float(sum(manhattan.fit([lines, lines], [640, 640]) is None for lines in few))
    for of_bent in (SURE, replace(SURE, share=0.67), replace(SURE, spread=0.3)):
        yield float(sum(replace(of_bent, bent=float(v)).sure for v in np.linspace(0.9, 1.3, 81)))


def of_borders() -> Iterator[float]:
    """Where pictures end whose border is nearly plain, or crossed by another, and which lines are near a rim."""
    columns = np.arange(90)
    for width in np.linspace(4, 14, 11):
        crossed = np.where(columns < width, 0.9, np.where(columns[:, None] < 10, 0.1, 0.5)).astype(np.float32)
        yield float(rotation.shown(crossed + 0.3 * _NOISE * (columns[:, None] > 12))[1])
    for v in np.linspace(0.008, 0.016, 81):
        yield float(rotation.shown(np.where(columns < 10, 0.0, 0.5) + np.float32(v) * _NOISE)[0])
    beside = np.linspace(-0.5, -0.48, 101), np.zeros(101), np.full(101, 90.0), np.full(101, 0.02)
    yield float(len(rotation.off_rim(beside, np.array([-0.5, -0.3, 0.5, 0.3]))[0]))
