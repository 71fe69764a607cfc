"""One lamp for a whole burst: what all its frames together say of the flicker in each.

Lamps on one mains keep their phases to each other. So at every place of the hall their sum is one lamp,
1 + Re(a e^(i phase)) and a harmonic, where a is a complex number for each channel that changes smoothly from place to
place, as one lamp gives way to the other, and is the same in every frame: frames differ by one phase each. Fitted to
the tiles of all frames at once, each place has as many witnesses as there are frames, and a shadow, which follows no
phase, moves a little. What a place shows in all frames alike is left out for each tile: it is the scene's error.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from pipeline.imaging.robust import cauchy
from pipeline.light.gain_map import basis
from pipeline.light.row_wave import ACROSS, DEGREE, ROW_WAVE, TO_CHANNELS, TO_PARTS
from pipeline.light.static_bands import STATIC, best_lamp, lamp_light
from pipeline.types import F64


@dataclass(frozen=True)
class SharedLampConstants:
    """How the lamp of a burst is fitted, and when it is believed. Standard deviations in parts of the mean light,
    but for exposure, in stops.

    Chosen by trial on generated halls and real court frames: `python -m tests.burst_parts`, `python -m
    tests.court_flicker`. That each one matters: `pytest tests/test_constants.py`.
    """

    # A far wall shows more of the hall from side to side than the floor before it: the change across, of degree 1, 2
    # and 3, is another in each row. What does not change across does not change down either.
    down: tuple[float, ...] = (0.04, 0.03, 0.03)
    harmonic: tuple[float, ...] = (0.05, 0.03)  # and its change from side to side
    exposure: float = 0.02  # by which shutter and aperture repeat; frames beyond go where they must (Cauchy)
    exposure_colour: float = 0.005
    first: int = 6  # Gauss-Newton steps of the first fit of a burst
    again: int = 3  # of the later ones, which start from it
    turn: float = 0.3  # radians, most that a phase turns in one step
    tried: int = 72  # phases that are tried for a frame of a long burst, which was not fitted
    unexplained: float = 0.5  # most of the weighted power of how frames differ, noise too, that it may leave


SHARED_LAMP = SharedLampConstants()
_DARKEST = 0.05  # of the mean light: below it the logarithm runs away
_OWN = 4  # variables of each frame: its phase and its exposure by part
_ANY = 100.0
_NOTHING = 1e-9
Weigh = Callable[[F64, F64, tuple[int, int], int], F64]


@dataclass(frozen=True)
class SharedLamp:
    """amplitudes (3, K, 2), harmonic (3, K', 2): coefficients of smooth functions of the place for each part (common,
    two differences), cosine and sine; phases (F,) radians at the middle row; cycles per frame; exposure (F, 3) stops.
    """

    amplitudes: F64
    harmonic: F64
    phases: F64
    cycles: float
    exposure: F64

    @staticmethod
    def starting(waves: F64, cycles: float) -> SharedLamp:
        """The same everywhere, from the rows of frames: waves (F, R) stops at rows evenly from edge to edge, less the
        burst's typical ones; cycles per frame, nearly."""
        pick = np.unique(np.linspace(0, len(waves) - 1, min(STATIC.most, len(waves))).round().astype(int))
        lamp, at = best_lamp(waves[pick], cycles), np.linspace(-1, 1, waves.shape[1])
        phases = lamp.phases
        if len(pick) < len(waves):
            tried = np.linspace(-np.pi, np.pi, SHARED_LAMP.tried, endpoint=False)
            known = _level(waves - waves[pick].mean(axis=0) + lamp.shared(at))
            light = _level(lamp_light(tried[:, None] + np.pi * lamp.cycles * at, lamp))
            phases = tried[np.argmin((light**2).sum(axis=1) - 2 * known @ light.T, axis=1)]
        amplitudes = np.zeros((3, 2 * ACROSS + 1, 2))
        harmonic = np.zeros((3, len(SHARED_LAMP.harmonic), 2))
        amplitudes[0, 0, 0], harmonic[0, 0] = lamp.depth, lamp.depth * lamp.harmonic
        return SharedLamp(amplitudes, harmonic, phases, lamp.cycles, np.zeros((len(waves), 3)))

    def on(self, tiles: tuple[int, int], whole: bool) -> F64:
        """(F, T, 3) stops by part over tiles, exposure not in them; whole: with what all frames have in common."""
        place = _Place.on(tiles)
        found = np.stack([_light(self, f, place) for f in range(len(self.phases))])
        return np.asarray(found if whole else found - found.mean(axis=0))

    def maps(self, tiles: tuple[int, int], whole: bool) -> F64:
        """(F, DEGREE + 1, ACROSS + 1, 3) the Legendre coefficients of `on`."""
        down, across = (np.linalg.pinv(basis(n, degree)) for n, degree in zip(tiles, (DEGREE, ACROSS), strict=True))
        values = self.on(tiles, whole).reshape(-1, *tiles, 3)
        return np.asarray(np.einsum("dr,frcp,ac->fdap", down, values, across, optimize=True))

    def _moved(self, by: F64) -> SharedLamp:
        """By a step of all that is fitted: amplitudes, harmonic, cycles, then of each frame phase and exposure."""
        first, second = self.amplitudes.size, self.harmonic.size
        own = by[first + second + 1 :].reshape(-1, _OWN)
        return SharedLamp(
            self.amplitudes + by[:first].reshape(self.amplitudes.shape),
            self.harmonic + by[first : first + second].reshape(self.harmonic.shape),
            self.phases + own[:, 0],
            self.cycles + float(by[first + second]),
            self.exposure + own[:, 1:],
        )

    def _values(self) -> F64:
        own = np.column_stack([np.zeros_like(self.phases), self.exposure])  # a phase is not expected to be anything
        return np.concatenate([self.amplitudes.ravel(), self.harmonic.ravel(), [self.cycles], own.ravel()])

    def _spread(self) -> F64:
        """Standard deviations of `_values`."""
        colour = np.array([1.0, ROW_WAVE.colour, ROW_WAVE.colour])[:, None, None]
        of = [
            (colour * np.array(sizes)[:, None] * np.ones(2)).ravel()
            for sizes in ((ROW_WAVE.wave, *ROW_WAVE.wave_across, *SHARED_LAMP.down), SHARED_LAMP.harmonic)
        ]
        usual = np.array([SHARED_LAMP.exposure, *[SHARED_LAMP.exposure_colour] * 2])
        own = np.column_stack([np.full_like(self.phases, _ANY), usual / np.sqrt(cauchy(self.exposure / usual))])
        return np.concatenate([*of, [STATIC.cycles], own.ravel()])


@dataclass(frozen=True)
class _Place:
    """functions (T, K) of the place that the amplitudes belong to, rows (T,) from -1 to 1."""

    functions: F64
    rows: F64

    @staticmethod
    def on(tiles: tuple[int, int]) -> _Place:
        rows, across = np.repeat(basis(tiles[0], 1)[:, 1], tiles[1]), np.tile(basis(tiles[1], ACROSS), (tiles[0], 1))
        return _Place(np.concatenate([across, rows[:, None] * across[:, 1:]], axis=1), rows)


def fitted(
    lamp: SharedLamp, seen: F64, weight: F64, tiles: tuple[int, int], weigh: Weigh, steps: int, whole: bool = False
) -> tuple[SharedLamp, float]:
    """The lamp nearest to how the frames differ, and how much of that it explains, 0 to 1.

    Robust least squares by Gauss-Newton, from a lamp that is near. What a tile shows in all frames is projected out, a
    variable of its own (Golub and Pereyra, SIAM Journal on Numerical Analysis 10, 1973, 413-432): what is wrong in the
    scene moves nothing.

    seen (F, T, 3): stops of frames against their scene by part in tiles, NaN where not known; weight (F, T, 3) of
    them. weigh: (what the lamp leaves of a frame (T, 3), its weights, tiles, the number of the step) -> (T, 3) weights.
    whole: the scene was found with maps that hold what all frames have in common.
    """
    place, every, known = _Place.on(tiles), range(len(seen)), np.nan_to_num(seen)
    none = replace(lamp, amplitudes=0 * lamp.amplitudes, harmonic=0 * lamp.harmonic, exposure=0 * lamp.exposure)
    expected, trust = none._values(), np.zeros_like(weight)
    light = np.stack([_light(lamp, f, place) for f in every])
    scene = np.zeros(seen.shape[1:]) if whole else -light.mean(axis=0)
    size, frames = len(expected), len(expected) - _OWN * len(seen)
    for step in range(steps):
        normal, target, moved = np.zeros((size, size)), np.zeros(size), np.zeros((3, len(scene), size))
        rest = np.zeros_like(known)
        for f in every:
            light, slopes = _slopes(lamp, f, place)
            rest[f] = known[f] - light - lamp.exposure[f]
            left = np.where(np.isfinite(seen[f]), rest[f] - scene, np.nan)
            trust[f] = weigh(left, weight[f], tiles, step)
            own = np.r_[0:frames, frames + _OWN * f : frames + _OWN * (f + 1)]
            for part, slope in enumerate(slopes):
                weighted = slope * trust[f, :, part, None]
                normal[np.ix_(own, own)] += weighted.T @ slope
                target[own] += weighted.T @ rest[f, :, part]
                moved[part, :, :frames] += weighted[:, :frames]
                moved[part, :, own[frames:]] = weighted[:, frames:].T
        scene, share = _common(rest, trust)
        for part in range(3):
            normal -= (moved[part] * share[:, part, None]).T @ moved[part]
            target -= moved[part].T @ scene[:, part]
        prior = 1 / lamp._spread() ** 2
        by = np.linalg.solve(normal + np.diag(prior), target - prior * (lamp._values() - expected))
        widest = float(np.abs(by[frames::_OWN]).max())
        lamp = lamp._moved(np.asarray(by * min(1.0, SHARED_LAMP.turn / max(widest, _NOTHING)), dtype=np.float64))
    level = known - lamp.exposure[:, None]
    lit = np.stack([_light(lamp, f, place) for f in every])
    before, after = (float((trust * (one - _common(one, trust)[0]) ** 2).sum()) for one in (level, level - lit))
    return lamp, 1 - after / max(before, _NOTHING)


def _common(values: F64, weight: F64) -> tuple[F64, F64]:
    """(T, 3) weighted means over the frames, 0 where nothing is known, and one over their weights."""
    total = weight.sum(axis=0)
    share = np.divide(1.0, total, out=np.zeros_like(total), where=total > 0)
    return (values * weight).sum(axis=0) * share, share


def _light(lamp: SharedLamp, frame: int, place: _Place) -> F64:
    """(T, 3) stops of a frame by part, without its exposure."""
    return np.asarray(np.log2(_Turned.of(lamp, frame, place).light) @ TO_PARTS)


def _slopes(lamp: SharedLamp, frame: int, place: _Place) -> tuple[F64, F64]:
    """`_light`, and (3, T, P) the slopes of each part by amplitudes, harmonic, cycles, and the frame's own phase and
    exposure."""
    turned = _Turned.of(lamp, frame, place)
    first, second = lamp.amplitudes.size, lamp.harmonic.size
    slopes = np.zeros((3, len(place.rows), first + second + 1 + _OWN))
    by_part = np.einsum("pc,tc,cq->qtp", TO_CHANNELS, 1 / (turned.light * np.log(2)), TO_PARTS, optimize=True)
    for slope, mixed in zip(slopes, by_part, strict=True):
        slope[:, :first] = (mixed[:, :, None] * turned.first[:, None]).reshape(len(slope), -1)
        slope[:, first : first + second] = (mixed[:, :, None] * turned.second[:, None]).reshape(len(slope), -1)
        slope[:, first + second + 1] = (mixed * turned.by_angle).sum(axis=1)
        slope[:, first + second] = slope[:, first + second + 1] * np.pi * place.rows
    slopes[:, :, -3:] = np.eye(3)[:, None]
    return np.log2(turned.light) @ TO_PARTS, slopes


@dataclass(frozen=True)
class _Turned:
    """A frame's lamp at the places of tiles: light (T, 3) of channels; first (T, 2 K), second (T, 2 K') what amplitudes
    and harmonic are multiplied with; by_angle (T, 3) how the parts of the light change with the phase."""

    light: F64
    first: F64
    second: F64
    by_angle: F64

    @staticmethod
    def of(lamp: SharedLamp, frame: int, place: _Place) -> _Turned:
        angle = lamp.phases[frame] + np.pi * lamp.cycles * place.rows
        once, twice = (np.stack([np.cos(n * angle), np.sin(n * angle)], axis=1) for n in (1, 2))
        few = place.functions[:, : lamp.harmonic.shape[1]]

        def products(functions: F64, wave: F64) -> F64:
            return (functions[:, :, None] * wave[:, None]).reshape(len(angle), -1)

        main, other = lamp.amplitudes.reshape(3, -1).T, lamp.harmonic.reshape(3, -1).T
        first, second = products(place.functions, once), products(few, twice)
        light = np.maximum(1 + (first @ main + second @ other) @ TO_CHANNELS, _DARKEST)
        turn, turn_twice = (np.stack([-wave[:, 1], wave[:, 0]], axis=1) for wave in (once, twice))
        by_angle = products(place.functions, turn) @ main + 2 * products(few, turn_twice) @ other
        return _Turned(light, first, second, by_angle)


def _level(waves: F64) -> F64:
    """Less the mean over the rows, (F, R)."""
    return np.asarray(waves - np.nanmean(waves, axis=1, keepdims=True))
