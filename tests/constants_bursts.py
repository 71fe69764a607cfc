"""Figures for the constants by which bursts are registered and evened: small drawn bursts that flicker and move."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache, partial
from unittest.mock import patch

import cv2
import numpy as np

from pipeline.imaging.camera_curve import bend
from pipeline.light import flicker, lamp_perspective, registration, row_wave, shared_lamp, static_bands
from pipeline.light.gain_map import GainMap
from pipeline.light.registration import Motion
from pipeline.light.response import evidence
from pipeline.light.shared_lamp import Perspective, places
from pipeline.light.singles import frame
from pipeline.types import F32, F64, Image
from tests.constants_light import picture
from tests.light.singles.test_frame import LAMPS, alone
from tests.light.test_flicker import MARGIN, surfaces
from tests.light.test_flicker import WIDTH as WIDE

_HIGH, _WIDE = 72, 108


@cache
def _burst(zoom: float, pan: float) -> tuple[Image, ...]:
    """Five frames of drawn panels, one player who crosses, flicker along the rows, noise; dark at one edge."""
    rng = np.random.default_rng(3)
    wall = np.full((_HIGH, 2 * _WIDE, 3), 0.3)
    for _ in range(90):
        y, x = int(rng.integers(0, _HIGH)), int(rng.integers(0, 2 * _WIDE))
        wall[y : y + int(rng.integers(3, 16)), x : x + int(rng.integers(3, 16))] = rng.uniform(0.03, 0.6, 3)
    wall[:, : 2 * _WIDE // 3] *= np.linspace(0.004, 1, 2 * _WIDE // 3)[:, None]
    wall = cv2.GaussianBlur(wall, (0, 0), 0.7)
    frames = []
    for k in range(5):
        matrix = np.array([[1 + zoom * k, 0, -pan * k - _WIDE / 2], [0, 1 + zoom * k, -zoom * k * _HIGH / 2]])
        seen = cv2.warpAffine(wall, matrix, (_WIDE, _HIGH), borderMode=cv2.BORDER_REFLECT)
        seen[20:64, 15 + 9 * k : 26 + 9 * k] = (0.5, 0.1, 0.08)
        seen *= (1 + 0.3 * np.cos(2.4 * k + 0.9 * np.pi * np.linspace(0, 1, _HIGH)))[:, None, None]
        noisy = seen + rng.normal(0, 1, seen.shape) * np.sqrt(1e-4 * np.maximum(seen, 0) + 1e-6)
        frames.append(picture(noisy, 1e-4))
    return tuple(frames)


@cache
def _logs(zoom: float, pan: float) -> list[F32]:
    out = []
    for one in _burst(zoom, pan):
        good = (one.pixels > 0.002).all(axis=2, keepdims=True) & (one.pixels < 0.85).all(axis=2, keepdims=True)
        out.append(np.where(good, np.log2(np.maximum(one.pixels, 1e-5)), np.nan).astype(np.float32))
    return out


def _registered(zoom: float, pan: float) -> list[float]:
    motions = registration.motions(_logs(zoom, pan), 2)
    return [float(v) for m in motions for v in (m.dx, m.dy, m.scale, m.explained)]


def of_registration() -> Iterator[float]:
    """Bursts that stand still, pan, pan too fast, and zoom."""
    for zoom, pan in ((0.0, 0.0), (0.0, 3.3), (0.0, 26.0), (0.0, 29.5), (0.02, 1.0)):
        yield from _registered(zoom, pan)
    reference, frame = _logs(0.0, 3.3)[2], _logs(0.0, 3.3)[3]
    for across in range(60, 96, 6):
        for down in range(0, 24, 6):
            yield registration._explained(reference, frame, Motion(float(across), float(down)))
    holes = reference.copy()
    holes[np.random.default_rng(4).random((_HIGH, _WIDE)) < 0.5] = np.nan
    yield registration._explained(reference, holes, Motion())
    zoomed = _logs(0.02, 1.0)
    turned = registration._refined(zoomed[2], zoomed[3], Motion(), turns=True)
    yield from [turned.dx, turned.dy, turned.scale, 100 * turned.roll, *(1e4 * v for v in turned.keystone)]
    edges = [registration._edges(one) for one in (reference, frame)]
    yield from [float(one.sum()) for one in edges] + [float(one.max()) for one in edges]
    noise = np.random.default_rng(6).normal(0, 1, (2, _HIGH, _WIDE)).astype(np.float32)
    yield from [m.dx for m in registration._proposed(noise[0], noise[1], 1.0)]
    far = [registration._edges(one) for one in _logs(0.02, 1.0)]
    for one, other in ((edges[0], edges[1]), (far[0], far[4]), (far[0], far[3]), (edges[0], far[0])):
        yield from [v for m in registration._proposed(one, other, 1.0) for v in (m.dx, m.dy)]
    yield from [float(_decided(0.5, v, 0.0).still) for v in np.linspace(0.52, 0.54, 41)]
    yield from [_decided(0.3, v, 0.99).scale for v in np.linspace(0.5, 0.74, 49)]


def _decided(still: float, moved: float, zoomed: float) -> Motion:
    """The motion that is chosen where so much of the frame is explained by none, by a shift and by a zoom."""

    def explained(_: F32, __: F32, motion: Motion) -> float:
        return still if motion.still else moved if motion.scale == 1 else zoomed

    edges = np.random.default_rng(6).normal(0, 1, (_HIGH, _WIDE)).astype(np.float32)
    shifted = np.roll(edges, 5, axis=1)
    with (
        patch.object(registration, "_explained", explained),
        patch.object(registration, "_refined", lambda _, __, motion, turns=False: motion),
    ):
        return registration._motion(edges, shifted, edges, shifted, (Motion(), Motion()))


def of_static() -> Iterator[float]:
    """Arcs of nearly too few frames, too short, too wide, of a lamp that is no sine, of frames that are off."""
    rng = np.random.default_rng(8)
    at = np.linspace(-1, 1, 24)

    def waves(depth: float, spread: float, count: int, noise: float, cycles: float = 0.5, second: float = 0.0) -> F64:
        angle = (1.2 + np.linspace(-1, 1, count) * spread * np.sqrt(3))[:, None] + np.pi * cycles * at
        light = np.log2(1 + depth * (np.cos(angle) + second * np.cos(2 * angle)))
        bend = np.polynomial.legendre.legval(at, rng.normal(0, noise, (4, count)))
        return np.asarray(light + bend - light[0])

    def believed(*shown: float, cycles: float = 0.5, second: float = 0.0) -> list[float]:
        depth, spread, count, noise = shown
        lamp = static_bands.find_lamp(waves(depth, spread, int(count), noise, cycles, second), 0.5)
        return [0.0] * 4 if lamp is None else [1.0, lamp.depth, lamp.cycles, float(lamp.shared(at)[3])]

    for count in (3, 4, 5):
        yield from believed(0.3, 0.9, count, 0.002)
    model = row_wave.terms(0.5)
    for count in (6, 14):
        rows = waves(0.25, 0.6, count, 0.002)
        functions = np.polynomial.legendre.legvander(at, row_wave.DEGREE) @ model.rows
        level = np.array(model.across) == 0
        parts = np.zeros((count, len(model.of), 3))
        parts[:, level, 0] = np.linalg.lstsq(functions, rows.T, rcond=None)[0].T[:, np.array(model.of)[level]]
        parts[:, :, 1] = 0.2 * parts[:, :, 0]
        found = static_bands.static_bands(model.cycles, np.stack([model.legendre(one) for one in parts]))
        yield from [0.0] if found is None else [float(v) for v in found[:3, 0, :2].ravel()]
    for value in np.linspace(0.1, 0.5, 6):
        yield from believed(0.25, float(value), 6, 0.003) + believed(0.25, float(value), 8, 0.012)
    for second in (0.1, 0.3):
        yield from believed(0.25, 0.5, 6, 0.003, second=second) + believed(0.25, 0.6, 6, 0.003, cycles=0.7)
    for value in np.linspace(0.016, 0.032, 17):
        yield from believed(float(value), 0.9, 6, 0.0003)


@cache
def _views(zoom: float, pan: float) -> tuple[flicker.View, ...]:
    return tuple(flicker.views(_burst(zoom, pan)))


def of_flicker() -> Iterator[float]:
    """Which pixels are bright enough, a long burst's typical picture, fits alone, and last the gain maps of a burst."""
    rng = np.random.default_rng(5)
    yield from [float(v.good.sum()) for v in flicker.views([picture(rng.uniform(0.0017, 0.003, (24, 24, 3)))] * 2)]
    still = np.ones((8, 8), dtype=bool)
    many = [
        flicker.View(rng.uniform(0.1, 1, (8, 8, 3)).astype(np.float32), still, Motion(), np.ones(3), np.ones(3))
        for _ in range(30)
    ]
    none = flicker.GainMap.constant(np.zeros(3))
    typical, known = flicker.typical_scene(many, [none] * 30)
    yield float(typical.sum())
    yield float(flicker.ratios(many[0], typical * rng.choice([0.01, 1.0], (8, 8, 1)), known, (2, 2))[1].sum())
    for count in range(24, 40):
        part = np.arange(64).reshape(8, 8) < count
        yield float(np.isfinite(flicker.ratios(many[0], typical, part, (1, 1))[0]).sum())
    model = flicker.terms(1.0)
    profile = np.where(rng.random((18, 3)) < 0.2, 0.5, 0.0) + rng.normal(0, 0.02, (18, 3))
    yield from flicker._start(model, profile, model.prior)[:4].ravel().tolist()
    design = model.design(18, 12)
    parts = rng.normal(0, 0.02, (216, 3)) + np.where(rng.random((216, 1)) < 0.4, rng.uniform(0, 0.4, (216, 1)), 0)
    start, block = np.zeros((len(model.of), 3)), flicker._blocks((18, 12))
    fitted, _, unsure = flicker._fit(
        model, design, parts, np.full((216, 3), 2500.0), model.prior, start, block, (18, 12)
    )
    yield from fitted[:4].ravel().tolist() + unsure[:4].ravel().tolist()
    yield from flicker._weigh(parts, np.full((216, 3), 2500.0), (18, 12), 3, still=1.0).sum(axis=0).tolist()
    for some in (_views(0.0, 3.3), _views(0.0, 3.3)[1:4]):  # of the second no lamp is known
        yield from [float(v) for one in flicker.agree(some) for v in one.coefficients[:5, :2].ravel()]


def of_shared_lamp() -> Iterator[float]:
    """One lamp whose phase turns over the hall, more so in lower rows, with errors of the scene and a frame exposed
    otherwise; also in a burst longer than is looked at for a start."""
    rng, tiles, constants = np.random.default_rng(9), (8, 10), shared_lamp.SHARED_LAMP
    rows, columns = (v.ravel() for v in np.meshgrid(*((np.arange(n) + 0.5) / n * 2 - 1 for n in tiles), indexing="ij"))
    for frames in (6, 14):
        angle = rng.uniform(0, 6, frames)[:, None] + 1.3 * rows + (0.4 + 0.1 * rows) * columns
        light = np.log2(1 + 0.35 * np.cos(angle) + 0.03 * np.cos(2 * angle))
        seen = np.stack([light, 0.2 * light, -0.1 * light * columns], axis=2) + rng.normal(0, 0.02, (*light.shape, 3))
        seen[1] += [0.1, 0.01, 0.0]
        waves = light.reshape(frames, *tiles).mean(axis=2)
        place = places(tiles, Perspective(), [Motion()] * frames, (32, 40), 1)
        lamp = shared_lamp.SharedLamp.starting(waves - waves.mean(axis=0), 0.42)
        yield from lamp.phases.tolist()
        for steps in (constants.first, constants.again):
            lamp, part, _ = shared_lamp.fitted(lamp, seen, np.full_like(seen, 4.0), place, lambda _, w, *__: w, steps)
            yield from lamp.amplitudes[:2].ravel().tolist() + lamp.harmonic[0].ravel().tolist()
            yield from [*lamp.phases.tolist(), *lamp.exposure[:2].ravel().tolist(), part]
        for noise in np.geomspace(0.1, 0.5, 30) if frames == 6 else ():
            error = rng.normal(0, noise, (*light.shape, 3)) * [1, 0.1, 0.1]
            seen = np.stack([light, 0 * light, 0 * light], axis=2) + error
            _, part, _ = shared_lamp.fitted(lamp, seen, np.full_like(seen, 400.0), place, lambda _, w, *__: w, 1)
            yield float(part > 1 - constants.unexplained)


def of_lamp_perspective() -> Iterator[float]:
    """Floors that are looked for everywhere and nearby, by tiles that say next to nothing of them and more and more."""
    rng, tiles, frames = np.random.default_rng(3), (12, 16), 3
    at = partial(places, motions=[Motion()] * frames, size=(48, 64), down=1)
    amplitudes = np.zeros((3, 8, 2))
    amplitudes[0, :4, 0] = 0.3, 0.2, 0.05, 0.02
    phases, exposure = np.linspace(0, 5, frames), np.full((frames, 3), 0.01)
    lamp = shared_lamp.SharedLamp(amplitudes, np.full((3, 2, 2), 0.01), phases, 0.42, exposure)
    for floor, nearer in ((0.35, 3.5), (-0.4, 1.1)):
        seen = lamp.on(at(tiles, Perspective(floor, nearer)), False) + rng.normal(0, 0.01, (frames, 192, 3))
        for number, weight in enumerate(np.geomspace(0.3, 3000, 36)):
            start, place = Perspective(0.1, 1.8) if number % 2 else None, at(tiles, lamp_perspective.USUAL)
            found = lamp_perspective.perspective_of(lamp, seen, np.full_like(seen, weight), place, at, start)
            yield from (found.floor, found.nearer)


def of_response() -> Iterator[float]:
    """Scores that are nearly sure, of strengths that are nearly weak; drawn frames beside their scene, dark in places
    and off it in others; light that changes by about `least`."""
    for at in np.linspace(3.2, 4.8, 65):
        yield evidence.strength_of([evidence.CurveEvidence(np.array([at, -1, -9]), np.ones(3))])
    for strength in np.linspace(0.08, 0.12, 41):
        score = 1e4 * (strength - evidence.TRIED)
        yield evidence.strength_of([evidence.CurveEvidence(score, np.ones(3))])
    rng = np.random.default_rng(4)
    scene = np.exp(rng.uniform(np.log(0.002), np.log(0.5), (24, 32, 3))).astype(np.float32)
    scene[:8] = np.linspace(0.002, 0.007, 32, dtype=np.float32)[None, :, None] * [1.1, 1.0, 1.2]
    gain = np.exp2(np.linspace(-0.4, 0.4, 24, dtype=np.float32))[:, None, None] * np.ones((1, 32, 3), np.float32)
    shown = bend(scene * gain, 0.3) * np.exp(rng.normal(0, 0.05, scene.shape)).astype(np.float32)
    flat = np.full(3, 1e-4)
    view = flicker.View(shown, np.ones((24, 32), bool), Motion(), flat, flat)
    for strength in (0.0, 0.4, 0.8):
        yield from evidence._of_frame(view, scene, gain, strength)
    for stops in np.linspace(0.085, 0.115, 13):
        maps = [GainMap.constant(np.full(3, v)) for v in (0, stops)]
        yield float(evidence.curve_evidence([view, view], maps) is None)


def of_single_frame() -> Iterator[float]:
    """Frames beside a known hall, of it and of another place; bands that hardly share anything or lie far aside; lamps
    that hardly flicker; and evidence that is nearly enough."""
    scene = np.log2(surfaces(0)[:, MARGIN : MARGIN + WIDE]).astype(np.float32)
    lamp = shared_lamp.SharedLamp.nothing()
    lamp.amplitudes[0, 0, 0], lamp.harmonic[0, 0, 0] = 0.34, 0.01
    lamp = replace(lamp, cycles=0.4, phases=np.arange(4.0) ** 2)
    shared = np.zeros((row_wave.DEGREE + 1, row_wave.ACROSS + 1, 3))
    hall = frame.KnownHall(scene, shared, lamp, Perspective(), (-1.0, 1.0), 1)
    for moment, shift, seed in ((9, 0, 0), (11, 24, 0), (13, -40, 0), (16, 0, 3)):
        found = frame.phase_in(alone(LAMPS, moment, shift, seed)[0], hall)
        yield from [found.agrees, found.held_out, found.without, found.error, found.decided, found.slope]
    tiles = (scene.shape[0] // 4, scene.shape[1] // 4)
    for shift in (70, 74, 78, 82):
        yield frame._laid(scene, np.roll(scene, shift, axis=1), tiles)[1]
    for shift in (36, 37, 38, 39, 40):
        yield float(frame._agreement(scene, scene, 4 * shift, tiles).sum())
    yield from frame._agreement(scene, np.roll(scene, 3, axis=0), 0, tiles).tolist()
    view, _ = alone(LAMPS, 9)
    for depth in np.linspace(0.028, 0.042, 29):
        faint = replace(
            lamp, amplitudes=lamp.amplitudes / 0.34 * depth, harmonic=0 * lamp.harmonic, phases=np.arange(4.0) ** 2
        )
        yield float(frame.KnownHall.of([view] * 2, flicker.Agreed([GainMap(shared)] * 2, faint)) is None)
    sure = frame.Found(0.0, Motion(), 1.0, 0.0, 1.0, 0.0, 100.0, 100.0)
    for share in np.linspace(0.85, 1.15, 13):
        near = ({"agrees": 0.4}, {"held_out": 0.06}, {"error": 0.06}, {"decided": 20.0})
        for one in near:
            yield float(replace(sure, **{name: value * share for name, value in one.items()}).believed)
        yield float(replace(sure, held_out=0.02, without=0.04 * share).believed)
