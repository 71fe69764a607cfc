"""The perspective of a burst, by its lamp: where the floor begins for the light that the frames differ by.

A lamp that gives way to another from side to side does so along the wall; where the floor comes nearer, the same
columns show less of that. Which floor makes the frames differ as they do is tried, in tiles that are taken four
together, for the part that all channels have in common.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.light.row_wave import ROW_WAVE
from pipeline.light.shared_lamp import SHARED_LAMP, Perspective, Place, SharedLamp
from pipeline.light.static_bands import STATIC
from pipeline.types import F64


@dataclass(frozen=True)
class LampPerspectiveConstants:
    """Where a floor is expected to begin and how fast to come nearer, and how it is looked for.

    With eyes 1.55 m above it and a wall 24 m away, a floor comes nearer by 2 in half a frame where that is 7.4 degrees
    high, as with 85 mm on a sensor of 24 by 16 mm or less; from higher up by less. Standard deviations are wide: chosen
    by trial on generated halls, `python -m tests.burst_parts`. That each one matters: `pytest tests/test_constants.py`.
    """

    floor: float = 0.1  # half heights below the middle
    floor_spread: float = 0.3
    nearer: float = 2.0
    nearer_spread: float = 0.6  # natural log
    floors: tuple[float, ...] = (-0.6, -0.45, -0.3, -0.15, 0.0, 0.15, 0.3, 0.45, 0.6)  # tried first
    nearers: tuple[float, ...] = (1.0, 2.0, 4.0)
    step: float = 0.075  # of the floor, then finer; half each time
    times: float = 1.4  # of how fast, and its root each time
    finer: int = 3


LAMP_PERSPECTIVE = LampPerspectiveConstants()
USUAL = Perspective(LAMP_PERSPECTIVE.floor, LAMP_PERSPECTIVE.nearer)
_NOTHING = 1e-12
Places = Callable[[tuple[int, int], Perspective], Sequence[Place]]  # of each frame


def perspective_of(
    lamp: SharedLamp, seen: F64, trust: F64, at: Sequence[Place], places: Places, start: Perspective | None
) -> Perspective:
    """The perspective that fits best to how the frames differ, given their phases, and to what is expected.

    lamp: fitted with the frames at places `at` to seen (F, T, 3), stops by part in tiles, NaN where not known, with
    weights trust (F, T, 3). places: (tiles, perspective) -> the place of each frame. start: from which it is looked for
    nearby; None: everywhere.
    """
    c = LAMP_PERSPECTIVE
    misfit = _Misfit(lamp, seen, trust, at, places)
    costs: dict[tuple[float, float], float] = {}

    def best(tried: Sequence[tuple[float, float]]) -> tuple[float, float]:
        for floor, nearer in tried:
            if (floor, nearer) not in costs:
                off = (floor - c.floor) / c.floor_spread, np.log(nearer / c.nearer) / c.nearer_spread
                costs[floor, nearer] = misfit.of(Perspective(floor, nearer)) + float(off[0] ** 2 + off[1] ** 2)
        return min(costs, key=lambda one: costs[one])

    everywhere = [(f, n) for f in c.floors for n in c.nearers]
    floor, nearer = best(everywhere if start is None else [(start.floor, start.nearer)])
    step, times = c.step, c.times
    for _ in range(c.finer):
        floor, nearer = best(
            [(floor - step, nearer), (floor + step, nearer), (floor, nearer * times), (floor, nearer / times)]
        )
        step, times = step / 2, times**0.5
    return Perspective(floor, nearer)


class _Misfit:
    """What a lamp that is free in its amplitudes leaves of the frames' common part, its logarithm taken as straight
    about the lamp that was found; less what the tiles show in all frames."""

    def __init__(self, lamp: SharedLamp, seen: F64, trust: F64, at: Sequence[Place], places: Places) -> None:
        tiles = at[0].tiles
        self._tiles, self._places = (tiles[0] // 2, tiles[1] // 2), places
        self._pick = np.unique(np.linspace(0, len(seen) - 1, min(STATIC.most, len(seen))).round().astype(int))
        stops = np.stack([lamp.stops(f, at[f])[:, 0] for f in self._pick])
        light, weight = np.exp2(stops), trust[self._pick, :, 0]
        straight = stops + lamp.exposure[self._pick, :1] - (light - 1) / (np.log(2) * light)
        known = np.nan_to_num(seen[self._pick, :, 0]) - straight
        self._weight = self._together(weight, tiles)
        self._slope = 4 / (np.log(2) * self._together(light, tiles))
        self._total = np.maximum(self._weight.sum(axis=0), _NOTHING)
        self._target = self._apart(self._together(weight * known, tiles) / np.maximum(self._weight, _NOTHING))
        down = np.linspace(-1 + 1 / self._tiles[0], 1 - 1 / self._tiles[0], self._tiles[0])
        angle = lamp.phases[self._pick, None] + np.pi * lamp.cycles * down
        self._waves = [np.stack([np.cos(n * angle), np.sin(n * angle)], axis=1)[:, None, :, :, None] for n in (1, 2)]
        sizes = (ROW_WAVE.wave, *ROW_WAVE.wave_across, *SHARED_LAMP.down, *SHARED_LAMP.harmonic)
        self._prior = np.diag(np.repeat(1 / np.array(sizes) ** 2, 2))

    def of(self, perspective: Perspective) -> float:
        """Less what nothing at all leaves, in units of the weights."""
        there = self._places(self._tiles, perspective)
        functions = np.stack([there[f].functions() for f in self._pick])[:, :, None]
        count = len(SHARED_LAMP.harmonic)
        moved = np.concatenate([functions * self._waves[0], functions[:, :count] * self._waves[1]], axis=1)
        moved = self._apart(moved.reshape(len(moved), -1, *self._tiles).swapaxes(0, 1) * self._slope)
        flat, target = moved.reshape(len(moved), -1), self._target.ravel()
        side = flat @ target
        return -float(side @ np.linalg.solve(flat @ flat.T + self._prior, side))

    def _together(self, values: F64, tiles: tuple[int, int]) -> F64:
        """(F, R / 2, C / 2) sums of two by two."""
        rows, columns = self._tiles
        whole = values.reshape(-1, *tiles)[:, : 2 * rows, : 2 * columns]
        return np.asarray(whole.reshape(-1, rows, 2, columns, 2).sum(axis=(2, 4)))

    def _apart(self, values: F64) -> F64:
        """(..., F, R, C) less the weighted mean over the frames, times the root of the weights."""
        mean = (self._weight * values).sum(axis=-3, keepdims=True) / self._total
        return np.asarray((values - mean) * np.sqrt(self._weight))
