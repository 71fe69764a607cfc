"""One lamp for a whole burst: what all its frames together say of the flicker in each.

Lamps on one mains keep their phases to each other. So at every place of the hall their sum is one lamp,
1 + Re(a e^(i phase)) and a harmonic, where a is a complex number for each channel that changes smoothly from place to
place, as one lamp gives way to the other, and is the same in every frame: frames differ by one phase each. Fitted to
the tiles of all frames at once, each place has as many witnesses as there are frames, and a shadow, which follows no
phase, moves a little. What a place shows in all frames alike is left out for each tile: it is the scene's error.

Places are those of the hall. From side to side a frame is several metres at the far wall, and half as many on the floor
at half of its distance, so one column of it is lit by another mixture of lamps on the wall and on the floor.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.kronecker import at_tiles, gram, side
from pipeline.imaging.robust import cauchy
from pipeline.light.gain_map import basis
from pipeline.light.registration import Motion
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
    # and 3, is another in each row, and where the camera is turned to one side so is the middle of a row.
    down: tuple[float, ...] = (0.01, 0.04, 0.03, 0.03)
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
_SHARED = 6 * (2 * ACROSS + 2 + len(SHARED_LAMP.harmonic)) + 1  # of all frames: amplitudes, harmonic, cycles
_POWERS = 3  # of the row: a lamp has two, its slope by the cycles one more
_ANY = 100.0
_NOTHING = 1e-9
Weigh = Callable[[F64, F64, tuple[int, int], int], F64]


@dataclass(frozen=True)
class Perspective:
    """floor: row, -1 to 1, from which the surfaces come nearer; nearer: how fast, at row y they are 1 + nearer (y -
    floor) times as near as the wall."""

    floor: float = 0.0
    nearer: float = 0.0

    def distance(self, rows: F64) -> F64:
        """Of what is seen at rows, -1 to 1, against the wall: 1 and less."""
        return np.asarray(1 / (1 + self.nearer * np.maximum(rows - self.floor, 0.0)))


@dataclass(frozen=True)
class Place:
    """Tiles of a frame: rows (R,) of the sensor, from -1 to 1; columns (R, C, ACROSS + 1) the Legendre polynomials of
    how far to the side in the hall each tile is, in half widths of the wall that the middle frame shows."""

    rows: F64
    columns: F64

    @property
    def tiles(self) -> tuple[int, int]:
        """How many down and across."""
        return self.columns.shape[0], self.columns.shape[1]

    def functions(self) -> F64:
        """(2 ACROSS + 2, R, C) `columns`, and the same times the row."""
        across = np.moveaxis(self.columns, 2, 0)
        return np.concatenate([across, self.rows[:, None] * across])


def places(
    tiles: tuple[int, int], perspective: Perspective, motions: Sequence[Motion], size: tuple[int, int], down: int
) -> list[Place]:
    """The place of each frame, one object for those that show the same; motions against the middle frame, in pixels of
    frames of size (height, width). down: 1 where the last row is the lowest, -1 where the first is."""
    rows, across = (basis(n, 1)[:, 1] for n in tiles)
    found: dict[tuple[float, ...], Place] = {}
    for one in motions:
        at = dx, dy, scale = 2 * one.dx / size[1], 2 * one.dy / size[0], one.scale
        if at not in found:
            aside = perspective.distance(down * (rows - dy) / scale)[:, None] * ((across - dx) / scale)
            found[at] = Place(rows, np.asarray(np.polynomial.legendre.legvander(aside, ACROSS), dtype=np.float64))
    return [found[2 * m.dx / size[1], 2 * m.dy / size[0], m.scale] for m in motions]


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
    def nothing() -> SharedLamp:
        """That does not flicker, in no frames."""
        amplitudes, harmonic = np.zeros((3, 2 * ACROSS + 2, 2)), np.zeros((3, len(SHARED_LAMP.harmonic), 2))
        return SharedLamp(amplitudes, harmonic, np.zeros(0), 0.0, np.zeros((0, 3)))

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
        found = SharedLamp.nothing()
        found.amplitudes[0, 0, 0], found.harmonic[0, 0] = lamp.depth, lamp.depth * lamp.harmonic
        return replace(found, phases=phases, cycles=lamp.cycles, exposure=np.zeros((len(waves), 3)))

    def stops(self, frame: int, place: Place) -> F64:
        """(T, 3) of a frame by part, exposure not in them."""
        return _Turned.of(self, frame, place).stops()

    def at(self, frame: int, rows: F64, down: F64, aside: F64) -> F64:
        """(..., 3) `stops` at single places of the hall: rows of the sensor, which tell the phase; down, the row at
        which the place itself is, and aside, how far to the side in half widths of the wall; all (...)."""
        angle = self.phases[frame] + np.pi * self.cycles * rows
        across = np.polynomial.legendre.legvander(aside, ACROSS)
        functions = np.concatenate([across, down[..., None] * across], axis=-1)
        light = np.zeros((*rows.shape, 3))
        for number, of in ((1, self.amplitudes), (2, self.harmonic)):
            waves = np.stack([np.cos(number * angle), np.sin(number * angle)], axis=-1)
            light += np.einsum("...k,pkw,...w->...p", functions[..., : of.shape[1]], of, waves, optimize=True)
        return np.asarray(np.log2(np.maximum(1 + light @ TO_CHANNELS, _DARKEST)) @ TO_PARTS)

    def on(self, places: Sequence[Place], whole: bool) -> F64:
        """(F, T, 3) `stops` of the frames at their places; whole: with what all frames have in common."""
        found = np.stack([self.stops(f, place) for f, place in enumerate(places)])
        return np.asarray(found if whole else found - found.mean(axis=0))

    def maps(self, places: Sequence[Place], whole: bool) -> F64:
        """(F, DEGREE + 1, ACROSS + 1, 3) the Legendre coefficients of `on`."""
        tiles = places[0].tiles
        down, across = (np.linalg.pinv(basis(n, degree)) for n, degree in zip(tiles, (DEGREE, ACROSS), strict=True))
        values = self.on(places, whole).reshape(-1, *tiles, 3)
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


def fitted(
    lamp: SharedLamp, seen: F64, weight: F64, places: Sequence[Place], weigh: Weigh, steps: int, whole: bool = False
) -> tuple[SharedLamp, float, F64]:
    """The lamp nearest to how the frames differ, how much of that it explains, 0 to 1, and the weights of tiles.

    Robust least squares by Gauss-Newton, from a lamp that is near. What a tile shows in all frames is projected out, a
    variable of its own (Golub and Pereyra, SIAM Journal on Numerical Analysis 10, 1973, 413-432): what is wrong in the
    scene moves nothing.

    seen (F, T, 3): stops of frames against their scene by part in tiles, NaN where not known; weight (F, T, 3) of
    them; places: of each frame. weigh: (what the lamp leaves of a frame (T, 3), its weights, tiles, the number of the
    step) -> (T, 3) weights.
    whole: the scene was found with maps that hold what all frames have in common.
    """
    tiles, every, known = places[0].tiles, range(len(seen)), np.nan_to_num(seen)
    none = replace(lamp, amplitudes=0 * lamp.amplitudes, harmonic=0 * lamp.harmonic, exposure=0 * lamp.exposure)
    expected, trust = none._values(), np.zeros_like(weight)
    scene = np.zeros(seen.shape[1:]) if whole else -np.mean([lamp.stops(f, places[f]) for f in every], axis=0)
    for step in range(steps):
        sums, rest = _Sums(lamp, places), np.zeros_like(known)
        for f in every:
            turned = _Turned.of(lamp, f, places[f])
            rest[f] = known[f] - turned.stops() - lamp.exposure[f]
            left = np.where(np.isfinite(seen[f]), rest[f] - scene, np.nan)
            trust[f] = weigh(left, weight[f], tiles, step)
            sums.add(f, turned, trust[f], rest[f])
        scene, share = _common(rest, trust)
        normal, target = sums.without(scene, share)
        prior = 1 / lamp._spread() ** 2
        by = np.linalg.solve(normal + np.diag(prior), target - prior * (lamp._values() - expected))
        widest = float(np.abs(by[_SHARED::_OWN]).max())
        lamp = lamp._moved(np.asarray(by * min(1.0, SHARED_LAMP.turn / max(widest, _NOTHING)), dtype=np.float64))
    level = known - lamp.exposure[:, None]
    lit = np.stack([lamp.stops(f, places[f]) for f in every])
    before, after = (float((trust * (one - _common(one, trust)[0]) ** 2).sum()) for one in (level, level - lit))
    return lamp, 1 - after / max(before, _NOTHING), trust


class _Sums:
    """The normal equations of a step, frame by frame. How the light of a channel changes with any variable is a sum of
    4 _POWERS functions of the row times ACROSS + 1 from side to side (`_coefficients`): sums over tiles are taken of
    these products alone (products.py)."""

    def __init__(self, lamp: SharedLamp, places: Sequence[Place]) -> None:
        self._places, self._count = places, len(lamp.phases)
        turn = _turning(_coefficients(lamp))
        made_of = np.zeros((turn.size, _SHARED + 1))  # what the frames share, and the phase
        made_of[_where(), np.arange(_SHARED - 1)] = 1
        made_of[:, _SHARED - 1] = np.pi * np.roll(turn, 1, axis=2).ravel()  # a power of the row more
        made_of[:, _SHARED] = turn.ravel()
        made_of = np.einsum("pc,pv->cv", TO_CHANNELS, made_of.reshape(3, -1)).reshape(made_of.shape)
        self._made_of, self._by_phase = made_of[:, :-1], made_of[:, -1]
        tiles, size = places[0].tiles, _SHARED + _OWN * self._count
        self._shared, self._side = np.zeros((len(made_of), len(made_of))), np.zeros(len(made_of))
        self._normal, self._target = np.zeros((size, size)), np.zeros(size)
        # What a variable moves in each tile over all frames, part by part: waves, cycles, then phases and exposures.
        self._waves = np.zeros((3, 3, 4, *tiles))
        self._moved = np.zeros((3, _SHARED + 2 * self._count, *tiles))

    def add(self, frame: int, turned: _Turned, trust: F64, rest: F64) -> None:
        """A frame: what its lamp shows, weights (T, 3), and what the lamp leaves (T, 3)."""
        place, size = self._places[frame], len(self._side)
        tiles, columns = place.tiles, place.columns
        weight, left = (one.T.reshape(3, *tiles) for one in (trust, rest))
        # Of stops by part, the slope by the light of channel c is to_parts[c] / light[c].
        to_parts, by_light = TO_PARTS / np.log(2), 1 / turned.light
        weighted = to_parts.T[:, :, None, None] * (weight[:, None] * by_light)
        pairs = np.tensordot(to_parts[:, None] * to_parts, weight, 1) * by_light[:, None] * by_light
        sums = gram(pairs, turned.waves, columns).transpose(0, 2, 3, 1, 4, 5).reshape(size, size)
        by_phase = sums @ self._by_phase
        by_exposure = side(weighted, turned.waves, columns).reshape(3, size)
        pulled = side(np.tensordot(to_parts, weight * left, 1) * by_light, turned.waves, columns).ravel()
        own = slice(_SHARED + _OWN * frame, _SHARED + _OWN * (frame + 1))
        self._shared += sums
        self._side += pulled
        across = self._made_of.T @ np.column_stack([by_phase, by_exposure.T])
        self._normal[:_SHARED, own], self._normal[own, :_SHARED] = across, across.T
        block = np.diag([float(self._by_phase @ by_phase), *weight.sum(axis=(1, 2))])
        block[0, 1:] = block[1:, 0] = by_exposure @ self._by_phase
        self._normal[own, own] = block
        self._target[own] = [float(self._by_phase @ pulled), *(weight * left).sum(axis=(1, 2))]
        self._waves += (
            weighted[:, :, None] * turned.waves.reshape(-1, 2, _POWERS, 2)[:, :, 0].reshape(-1, 4).T[..., None]
        )
        if frame + 1 == self._count or self._places[frame + 1] is not place:
            self._move(place)
        turn = weight * np.tensordot(to_parts.T, turned.turn * by_light, 1)
        self._moved[:, _SHARED - 1] += np.pi * place.rows[:, None] * turn
        self._moved[:, _SHARED + frame] = turn
        self._moved[:, _SHARED + self._count + frame] = weight

    def _move(self, place: Place) -> None:
        """What the amplitudes move, of frames that show one place, and were added since the last."""
        functions, first = place.functions(), 6 * (2 * ACROSS + 2)
        few = functions[: len(SHARED_LAMP.harmonic), None]
        for moved, by_channel in zip(self._moved, self._waves, strict=True):
            waves = np.tensordot(TO_CHANNELS, by_channel, 1)
            moved[:first] += (waves[:, None, :2] * functions[:, None]).reshape(first, *place.tiles)
            moved[first : _SHARED - 1] += (waves[:, None, 2:] * few).reshape(-1, *place.tiles)
        self._waves[:] = 0

    def without(self, scene: F64, share: F64) -> tuple[F64, F64]:
        """The normal matrix and its right side, less what the tiles' own offsets take: scene (T, 3) of them, share (T,
        3) one over their weights."""
        made_of, every = self._made_of, np.arange(self._count)
        self._normal[:_SHARED, :_SHARED] = made_of.T @ self._shared @ made_of
        self._target[:_SHARED] = made_of.T @ self._side
        for part, moved in enumerate(self._moved):
            flat = moved.reshape(len(moved), -1)
            at = np.r_[:_SHARED, _SHARED + _OWN * every, _SHARED + _OWN * every + 1 + part]
            self._target[at] -= flat @ scene[:, part]
            flat *= np.sqrt(share[:, part])
            self._normal[np.ix_(at, at)] -= flat @ flat.T
        return self._normal, self._target


def _common(values: F64, weight: F64) -> tuple[F64, F64]:
    """(T, 3) weighted means over the frames, 0 where nothing is known, and one over their weights."""
    total = weight.sum(axis=0)
    share = np.divide(1.0, total, out=np.zeros_like(total), where=total > 0)
    return (values * weight).sum(axis=0) * share, share


def _coefficients(lamp: SharedLamp) -> F64:
    """(3, 2, _POWERS, 2, ACROSS + 1) of a lamp's light, part by part: of the wave and its harmonic, times powers of the
    row, cosine and sine, times a function from side to side."""
    found = np.zeros((3, 2, _POWERS, 2, ACROSS + 1), dtype=lamp.amplitudes.dtype)
    found[:, 0, 0] = lamp.amplitudes[:, : ACROSS + 1].swapaxes(1, 2)
    found[:, 0, 1] = lamp.amplitudes[:, ACROSS + 1 :].swapaxes(1, 2)
    found[:, 1, 0, :, : lamp.harmonic.shape[1]] = lamp.harmonic.swapaxes(1, 2)
    return found


def _turning(coefficients: F64) -> F64:
    """How they change with the phase."""
    times = np.array([1.0, 2.0])[:, None, None]
    cos, sin = coefficients[:, :, :, 0], coefficients[:, :, :, 1]
    return np.stack([times * sin, -times * cos], axis=3)


@lru_cache
def _where() -> NDArray[np.int64]:
    """(_SHARED - 1,) which of `_coefficients`, as if flat, each amplitude is, then each of the harmonic."""
    first, second = 6 * (2 * ACROSS + 2), 6 * len(SHARED_LAMP.harmonic)
    numbers = np.arange(1.0, first + second + 1)
    lamp = SharedLamp(
        numbers[:first].reshape(3, -1, 2), numbers[first:].reshape(3, -1, 2), np.zeros(0), 0.0, np.zeros(0)
    )
    return np.argsort(_coefficients(lamp).ravel())[-len(numbers) :]


@dataclass(frozen=True)
class _Turned:
    """A frame's lamp: light (3, R, C) of channels; waves (R, 4 _POWERS) functions of the row that it is made of; turn
    (3, R, C) how channels change with the phase."""

    light: F64
    waves: F64
    turn: F64

    @staticmethod
    def of(lamp: SharedLamp, frame: int, place: Place) -> _Turned:
        angle = lamp.phases[frame] + np.pi * lamp.cycles * place.rows
        waves = np.stack([np.stack([np.cos(n * angle), np.sin(n * angle)], axis=1) for n in (1, 2)], axis=1)
        powers = place.rows[:, None] ** np.arange(_POWERS)
        rows = (waves[:, :, None] * powers[:, None, :, None]).reshape(len(angle), -1)
        at = _coefficients(lamp)
        both = np.stack([at, _turning(at)]).reshape(2, 3, -1, ACROSS + 1)
        light, turn = at_tiles(np.einsum("pc,npij->ncij", TO_CHANNELS, both), rows, place.columns)
        return _Turned(np.maximum(1 + light, _DARKEST), rows, turn)

    def stops(self) -> F64:
        """(T, 3) by part."""
        return np.asarray(np.log2(self.light).reshape(3, -1).T @ TO_PARTS)


def _level(waves: F64) -> F64:
    """Less the mean over the rows, (F, R)."""
    return np.asarray(waves - np.nanmean(waves, axis=1, keepdims=True))
