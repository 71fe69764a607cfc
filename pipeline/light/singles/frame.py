"""The flicker in a single frame, by the lamp of a burst that shows the same part of the hall.

One frame does not show how its rows were lit: a dark band may be a dark wall. But an evened burst says how each place
looks in even light, and what its lamp does there in each phase. So all that is unknown of a frame is its phase, and how
it was exposed. Its tiles are compared with the burst's scene, each band of rows at a shift of its own, since who took a
step sees the floor move further than the wall. The phase is believed only where both prove to show the same surfaces,
and where the wave foretells bands of rows that were left out of the fit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.robust import biweight
from pipeline.light.flicker import FLICKER, Agreed, View, ratios, tiled, typical_scene
from pipeline.light.gain_map import GainMap
from pipeline.light.mixing.at_feet import on_people
from pipeline.light.mixing.standing import Standing
from pipeline.light.registration import REGISTRATION, Motion, motions, warp
from pipeline.light.row_wave import ACROSS, DEGREE, TO_CHANNELS, TO_PARTS
from pipeline.light.shared_lamp import Perspective, Place, SharedLamp, places
from pipeline.light.static_bands import is_pulse, pan_along
from pipeline.store.packing import LARGEST, take
from pipeline.types import F32, F64


@dataclass(frozen=True)
class SingleFrameConstants:
    """How a frame is compared with a burst, and when its phase is believed. Stops, unless they say so.

    Chosen by trial on generated halls, real court frames with a pulse put on them, and photographs of other places:
    `python -m tests.single_frames`. That each one matters: `pytest tests/test_constants.py`.
    """

    swing: float = 0.1  # of a lamp from its brightest to its darkest, that is worth it
    together: int = 5  # rows of tiles that move by one shift
    shifted: float = 0.4  # of the width, farthest that a band is looked for
    shared: float = 0.2  # of the width, least that it must share
    phases: int = 48  # tried
    apart: float = 1.0  # radians, of which another phase is no neighbour
    loose: float = 2.0  # deviations, of what a tile that counts half misses
    fit_steps: int = 5
    bands: int = 8  # of rows, that are left out in turn
    same: float = 3.0  # deviations within which a tile shows the same surface
    agrees: float = 0.4  # share of the tiles that must: true ones have 0.31 to 0.85, of other places at most 0.35
    held_out: float = 0.06  # by which bands are off that were foretold, at most
    gained: float = 0.5  # of what they are off by without a wave, at most
    error: float = 0.06  # standard error of the wave, at most
    decided: float = 20.0  # natural log, by which no wave, and any other phase, must be less likely


SINGLE_FRAME = SingleFrameConstants()
_SIDE = 512  # pixels of a kept scene, at most
_NOTHING = 1e-9
_SLOPES = np.arange(-20, 21) / 20  # stops from the middle to an edge, that light may fall off by
_FINE = (96, 12)  # tiles at which a lamp is read for a gain map, as in flicker


@dataclass(frozen=True)
class KnownHall:
    """What an evened burst says of the part of the hall that it shows.

    scene (H, W, 3) log2 in its middle frame's place and in even light, NaN where not known; shared: what the burst's
    own evening leaves of its lamp, as of Agreed; lamp: without frames; aside: how far to either side the burst showed
    the hall, half widths; down: as of View
    """

    scene: F32
    shared: F64
    lamp: SharedLamp
    perspective: Perspective
    aside: tuple[float, float]
    down: int

    @staticmethod
    def of(views: Sequence[View], evened: Agreed) -> KnownHall | None:
        """Of a burst's views; None where no lamp is believed, it hardly flickers, or it may be no pulse."""
        lamp = evened.lamp
        if lamp is None or _swing(lamp) < SINGLE_FRAME.swing or not is_pulse(lamp.phases):
            return None
        scene, known = typical_scene(views, [-one for one in evened.maps])
        height, width = scene.shape[:2]
        ends = [(side - 2 * v.motion.dx / width) / v.motion.scale for v in views for side in (-1, 1)]
        alone = replace(lamp, phases=np.zeros(0), exposure=np.zeros((0, 3)))
        logs = np.log2(np.maximum(scene, 1e-5)) - GainMap(evened.shared @ TO_CHANNELS).on(height, width)
        logs = np.where(known[..., None], logs, np.nan)
        return KnownHall(
            logs.astype(np.float32), evened.shared, alone, evened.perspective, (min(ends), max(ends)), views[0].down
        )

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """For the store; `from_arrays` reads them back."""
        lamp, seen = self.lamp, self.perspective
        return {
            "hall_scene": self.scene.astype(np.float16),
            "hall_shared": self.shared,
            "hall_amplitudes": lamp.amplitudes,
            "hall_harmonic": lamp.harmonic,
            "hall_at": np.array([lamp.cycles, seen.floor, seen.nearer, *self.aside, self.down], dtype=np.float64),
        }

    @staticmethod
    def from_arrays(arrays: Mapping[str, NDArray[Any]]) -> KnownHall:
        """What `as_arrays` gave. Raises ValueError for what it cannot have given."""
        scene = take(arrays, "hall_scene", np.float16, (None, None, 3), -LARGEST, LARGEST, may_be_nan=True)
        if not 0 < min(scene.shape[:2]) <= max(scene.shape[:2]) <= _SIDE:
            raise ValueError(f"a scene of {scene.shape}")
        none = SharedLamp.nothing()
        amplitudes, harmonic = (
            take(arrays, f"hall_{name}", np.float64, getattr(none, name).shape, -LARGEST, LARGEST)
            for name in ("amplitudes", "harmonic")
        )
        cycles, floor, nearer, least, most, down = take(arrays, "hall_at", np.float64, (6,), -LARGEST, LARGEST).tolist()
        shared = take(arrays, "hall_shared", np.float64, (DEGREE + 1, ACROSS + 1, 3), -LARGEST, LARGEST)
        lamp = replace(none, amplitudes=amplitudes, harmonic=harmonic, cycles=cycles)
        return KnownHall(scene.astype(np.float32), shared, lamp, Perspective(floor, nearer), (least, most), int(down))


@dataclass(frozen=True)
class Found:
    """What a burst says of a single frame.

    phase  radians at the middle row; motion  of the burst's scene in it; agrees  share of its tiles that show the same
    surfaces; held_out, without  stops by which bands of rows are off that were left out, with the wave and without;
    error  of the wave, stops; decided  natural log by which another phase, or none, is less likely; slope  by which
    light is that only falls off down the rows, or up
    """

    phase: float
    motion: Motion
    agrees: float
    held_out: float
    without: float
    error: float
    decided: float
    slope: float

    @property
    def believed(self) -> bool:
        """Whether it is proven."""
        c = SINGLE_FRAME
        return (
            self.agrees >= c.agrees
            and self.held_out <= min(c.held_out, c.gained * self.without)
            and self.error <= c.error
            and self.decided >= c.decided
            and self.slope > 0
        )


def evened_by(halls: Sequence[KnownHall], views: Sequence[View], own: Agreed) -> Agreed:
    """A single frame, or a burst too short to show what its frames have in common, evened by other bursts too.

    halls: of these, likeliest first; views, own: the frames, and how they agree among themselves. That is kept, and
    only what they have in common is added, from those whose phase a burst proves.
    """
    if own.lamp is not None:
        return own
    known = [
        by_hall + -even
        for one, even in zip(views, own.maps, strict=True)
        if (by_hall := _by_the_first(halls, one)) is not None
    ]
    if not known:
        return own
    total = known[0]
    for one in known[1:]:
        total += one
    common = GainMap(total.coefficients / len(known))
    return replace(own, maps=[even + common for even in own.maps])


def _by_the_first(halls: Sequence[KnownHall], one: View) -> GainMap | None:
    """Stops to ADD to a frame by the first burst that proves its phase."""
    for hall in halls:
        if hall.scene.shape == one.pixels.shape and hall.down == one.down:
            found = phase_in(one, hall)
            if found.believed:
                return gain_map(found, hall, one.people)
    return None


def gain_map(found: Found, hall: KnownHall, people: Standing | None) -> GainMap:
    """Stops to ADD to a frame in a known phase so that it is lit as the burst is that was evened."""
    lamp = _in_phase(hall.lamp, found.phase)
    stops = lamp.maps([_place(hall, found.motion, _FINE)], whole=True)[0]
    size = (hall.scene.shape[0], hall.scene.shape[1])
    even = GainMap((pan_along(hall.shared, 2 * found.motion.dx / size[1]) - stops) @ TO_CHANNELS)
    return even + on_people(lamp, [people], hall.perspective, [found.motion], size, hall.down, whole=True)[0]


def phase_in(one: View, hall: KnownHall) -> Found:
    """In which phase of a burst's lamp a frame was taken, and what proves it."""
    good = one.good
    logs = np.where(good[..., None], np.log2(np.maximum(one.pixels, 1e-5)), np.nan).astype(np.float32)
    motion = motions([hall.scene, logs], 0)[1]
    tiles = (max(2, good.shape[0] // FLICKER.tile), max(2, good.shape[1] // FLICKER.tile))
    ground, aside = _laid(warp(hall.scene, motion, back=True), logs, tiles)
    scene = np.exp2(np.nan_to_num(ground)).astype(np.float32)
    seen, weight = ratios(replace(one, motion=Motion()), scene, np.isfinite(ground[..., 1]), tiles)
    # The lamp is read at the wall, from which the burst knows it best.
    motion = replace(motion, dx=motion.dx + aside)
    return _Fit(hall.lamp, seen @ TO_PARTS, weight, _place(hall, motion, tiles)).found(motion)


def _swing(lamp: SharedLamp) -> float:
    """Stops from the darkest to the brightest phase, in the middle."""
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    light = 1 + sum(
        of[0, 0, 0] * np.cos(n * angle) + of[0, 0, 1] * np.sin(n * angle)
        for n, of in ((1, lamp.amplitudes), (2, lamp.harmonic))
    )
    return float(np.ptp(np.log2(np.maximum(light, 0.05))))


def _in_phase(lamp: SharedLamp, phase: float) -> SharedLamp:
    return replace(lamp, phases=np.array([phase]), exposure=np.zeros((1, 3)))


def _place(hall: KnownHall, motion: Motion, tiles: tuple[int, int]) -> Place:
    """Of a frame's tiles; what the burst never showed counts as its edge."""
    size = (hall.scene.shape[0], hall.scene.shape[1])
    place = places(tiles, hall.perspective, [motion], size, hall.down)[0]
    aside = np.clip(place.columns[..., 1], *hall.aside)
    degree = place.columns.shape[2] - 1
    return Place(place.rows, np.asarray(np.polynomial.legendre.legvander(aside, degree), dtype=np.float64))


def _laid(scene: F32, frame: F32, tiles: tuple[int, int]) -> tuple[F32, float]:
    """The scene (H, W, 3) log2 with each band of rows moved to the side so that it lies on the frame's best, and by how
    many pixels most of the upper half was moved."""
    height, width = scene.shape[:2]
    tile = width // tiles[1]
    reach = int(SINGLE_FRAME.shifted * tiles[1])
    shifts = np.arange(-reach, reach + 1) * tile
    best = shifts[np.argmax([_agreement(scene, frame, s, tiles) for s in shifts], axis=0)]
    tried = np.arange(-(tile // 2), tile - tile // 2)
    finer = np.zeros((len(tried), tiles[0]))
    for k, more in enumerate(tried):
        for shift in np.unique(best):
            rows = best == shift
            finer[k, rows] = _agreement(scene, frame, shift + more, tiles)[rows]
    best = best + tried[np.argmax(finer, axis=0)]
    at = np.minimum(np.arange(height) * tiles[0] // height, tiles[0] - 1)
    laid = np.full_like(scene, np.nan)
    for shift in np.unique(best):
        rows = best[at] == shift
        laid[rows] = _aside(scene[rows], int(shift))
    return laid, float(np.median(best[: tiles[0] // 2]))


def _agreement(scene: F32, frame: F32, shift: int, tiles: tuple[int, int]) -> F64:
    """(R,) of each row of tiles: how much of it, and of those beside, differs from the scene by one light alone, the
    scene moved right by so many pixels."""
    import cv2

    apart = frame - _aside(scene, int(shift))
    known = np.isfinite(apart).all(axis=2)
    share = tiled(known[..., None].astype(np.float32), tiles)[..., 0]
    filled = np.where(known[..., None], apart, 0).astype(np.float32)
    means = tiled(filled, tiles) / np.maximum(share, FLICKER.covered)[..., None]
    shown = share > FLICKER.covered
    count = shown.sum(axis=1)
    order = np.sort(np.where(shown[..., None], means, np.nan), axis=1)  # NaN last
    middle = np.take_along_axis(order, np.maximum(count - 1, 0)[:, None, None] // 2, axis=1)
    off = np.sqrt(((means - np.nan_to_num(middle)) ** 2).mean(axis=2)) / REGISTRATION.scale
    agrees = np.where(shown, 1 / (1 + off**2) ** 2, 0).sum(axis=1) / np.maximum(count, 1)
    part = count / tiles[1]
    agrees = np.where(part >= SINGLE_FRAME.shared, agrees * part**REGISTRATION.overlap_power, 0)
    return np.asarray(cv2.blur(agrees[:, None], (1, SINGLE_FRAME.together))[:, 0], dtype=np.float64)


def _aside(picture: F32, by: int) -> F32:
    """Moved right by so many pixels; NaN where nothing comes from."""
    moved = np.full_like(picture, np.nan)
    if by >= 0:
        moved[:, by:] = picture[:, : picture.shape[1] - by]
    else:
        moved[:, :by] = picture[:, -by:]
    return moved


class _Fit:
    """Phase and exposure of a frame: seen (T, 3) stops by part against the scene in tiles, weight (T, 3) of them."""

    def __init__(self, lamp: SharedLamp, seen: F64, weight: F64, place: Place) -> None:
        self._known = np.asarray(np.isfinite(seen).all(axis=1) & (weight[:, 0] > 0))
        self._lamp, self._place = lamp, place
        self._seen, self._weight = np.nan_to_num(seen), np.where(self._known[:, None], weight, 0.0)
        rows = np.arange(place.tiles[0]) * SINGLE_FRAME.bands // place.tiles[0]
        self._band = np.repeat(rows, place.tiles[1])

    def found(self, motion: Motion) -> Found:
        """The likeliest phase, and what proves it."""
        nothing = Found(0.0, motion, 0.0, np.inf, 0.0, np.inf, 0.0, 0.0)
        if self._known.sum() < SINGLE_FRAME.shared * len(self._known):
            return nothing
        tried = np.linspace(-np.pi, np.pi, SINGLE_FRAME.phases, endpoint=False)
        costs = np.array([self._cost(self._seen - self._stops(p)) for p in tried])
        phase = float(tried[np.argmin(costs)])
        away = np.abs(np.angle(np.exp(1j * (tried - phase)))) > SINGLE_FRAME.apart
        decided = min(float(costs[away].min()), self._cost(self._seen)) - float(costs.min())
        level = self._level(self._seen - self._stops(phase))
        for _ in range(SINGLE_FRAME.fit_steps):
            normal, side, rest, trust = self._sums(phase, level)
            step = np.linalg.solve(normal.sum(axis=0) + _NOTHING * np.eye(4), side.sum(axis=0))
            phase, level = phase + float(np.clip(step[0], -0.3, 0.3)), level + step[1:]
        normal, side, rest, trust = self._sums(phase, level)
        held_out, error = self._left_out(normal, side, rest, trust, self._slope(phase))
        plain = self._seen - self._level(self._seen)
        without = self._bands_off(plain[:, 0], trust)
        agrees = float((self._size(rest)[self._known] < SINGLE_FRAME.same).mean())
        slope = self._falls_off() - self._cost(self._seen - self._stops(phase))
        return Found(phase, motion, agrees, held_out, without, error, decided, slope)

    def _falls_off(self) -> float:
        """The least cost of light that falls off down the rows, or up."""
        down = np.zeros_like(self._seen)
        down[:, 0] = np.repeat(self._place.rows, self._place.tiles[1])
        return min(self._cost(self._seen - by * down) for by in _SLOPES)

    def _stops(self, phase: float) -> F64:
        return _in_phase(self._lamp, phase).stops(0, self._place)

    def _slope(self, phase: float) -> F64:
        step = 1e-3
        return (self._stops(phase + step) - self._stops(phase - step)) / (2 * step)

    def _size(self, rest: F64) -> F64:
        return np.asarray(np.sqrt((rest**2 * self._weight).mean(axis=1)))

    def _trust(self, rest: F64, wide: float = 1.0) -> F64:
        """(T, 3) robust weights."""
        size = self._size(rest)
        scale = wide * max(1.0, FLICKER.median_to_scale * float(np.median(size[self._known])))
        return np.asarray(self._weight * biweight(size / (FLICKER.biweight * scale))[:, None])

    def _level(self, rest: F64) -> F64:
        level = np.median(rest[self._known], axis=0)
        for wide in (2.0, FLICKER.wide, 1.0, 1.0):
            trust = self._trust(rest - level, wide)
            level = (rest * trust).sum(axis=0) / np.maximum(trust.sum(axis=0), _NOTHING)
        return np.asarray(level)

    def _cost(self, rest: F64) -> float:
        """Natural log of how unlikely."""
        off = self._size(rest - self._level(rest))[self._known] / SINGLE_FRAME.loose
        return float(np.log1p(off**2).sum()) / FLICKER.together

    def _sums(self, phase: float, level: F64) -> tuple[F64, F64, F64, F64]:
        """(B, 4, 4) and (B, 4) the normal equations of each band of rows, what is left (T, 3) and its weights."""
        rest = self._seen - self._stops(phase) - level
        trust = self._trust(rest)
        moves = np.concatenate([self._slope(phase)[..., None], np.broadcast_to(np.eye(3), (len(rest), 3, 3))], axis=2)
        weighted = moves * trust[..., None]
        normal, side = np.zeros((SINGLE_FRAME.bands, 4, 4)), np.zeros((SINGLE_FRAME.bands, 4))
        for band in range(SINGLE_FRAME.bands):
            own = self._band == band
            normal[band] = np.einsum("tpi,tpj->ij", weighted[own], moves[own])
            side[band] = np.einsum("tpi,tp->i", weighted[own], rest[own])
        return normal, side, rest, trust

    def _left_out(self, normal: F64, side: F64, rest: F64, trust: F64, slope: F64) -> tuple[float, float]:
        """(stops by which bands are off that the others foretell, standard error of the wave by the same jackknife)."""
        whole, moved, off = normal.sum(axis=0), [], []
        for band in range(len(normal)):
            own = self._band == band
            if not (total := float(trust[own, 0].sum())):
                continue
            step = np.linalg.solve(whole - normal[band] + _NOTHING * np.eye(4), -side[band])
            moved.append(float((slope[:, 0] ** 2).mean()) * step[0] ** 2)
            off.append(float(((rest[own, 0] - slope[own, 0] * step[0] - step[1]) * trust[own, 0]).sum()) / total)
        count = len(off)
        if count < 3:
            return np.inf, np.inf
        return float(np.sqrt(np.mean(np.square(off)))), float(np.sqrt((count - 1) / count * np.sum(moved)))

    def _bands_off(self, rest: F64, trust: F64) -> float:
        """Stops by which bands of rows lie off the level of all others."""
        total = np.bincount(self._band, trust[:, 0], SINGLE_FRAME.bands)
        each = np.bincount(self._band, rest * trust[:, 0], SINGLE_FRAME.bands)
        some = total > 0
        others = (each.sum() - each) / np.maximum(total.sum() - total, _NOTHING)
        return float(np.sqrt(np.mean((each[some] / total[some] - others[some]) ** 2)))
