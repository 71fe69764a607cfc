"""Figures for the constants by which bursts are registered and evened: small drawn bursts that flicker and move."""

from __future__ import annotations

from functools import cache
from unittest.mock import patch

import cv2
import numpy as np

from pipeline.light import flicker, registration, static_bands
from pipeline.light.registration import Motion
from pipeline.types import F32, Image
from tests.constants_light import picture

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


def of_registration() -> list[float]:
    """Bursts that stand still, pan, pan too fast, and zoom."""
    out: list[float] = []
    for zoom, pan in ((0.0, 0.0), (0.0, 3.3), (0.0, 26.0), (0.0, 29.5), (0.02, 1.0)):
        out += _registered(zoom, pan)
    reference, frame = _logs(0.0, 3.3)[2], _logs(0.0, 3.3)[3]
    for across in range(60, 96, 6):
        for down in range(0, 24, 6):
            out.append(registration._explained(reference, frame, Motion(float(across), float(down))))
    holes = reference.copy()
    holes[np.random.default_rng(4).random((_HIGH, _WIDE)) < 0.5] = np.nan
    out.append(registration._explained(reference, holes, Motion()))
    zoomed = _logs(0.02, 1.0)
    turned = registration._refined(zoomed[2], zoomed[3], Motion(), turns=True)
    out += [turned.dx, turned.dy, turned.scale, 100 * turned.roll, *(1e4 * v for v in turned.keystone)]
    edges = [registration._edges(one) for one in (reference, frame)]
    out += [float(one.sum()) for one in edges] + [float(one.max()) for one in edges]
    noise = np.random.default_rng(6).normal(0, 1, (2, _HIGH, _WIDE)).astype(np.float32)
    out += [m.dx for m in registration._proposed(noise[0], noise[1], 1.0)]
    far = [registration._edges(one) for one in _logs(0.02, 1.0)]
    for one, other in ((edges[0], edges[1]), (far[0], far[4]), (far[0], far[3]), (edges[0], far[0])):
        out += [v for m in registration._proposed(one, other, 1.0) for v in (m.dx, m.dy)]
    out += [float(_decided(0.5, v, 0.0).still) for v in np.linspace(0.52, 0.54, 41)]
    out += [_decided(0.3, v, 0.99).scale for v in np.linspace(0.5, 0.74, 49)]
    return out


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


def of_static() -> list[float]:
    """Arcs of nearly too few frames, too short, too wide, too near to the middle."""
    rng = np.random.default_rng(8)
    out: list[float] = []

    def believed(radius: float, spread: float, static: float, noise: float, count: int) -> list[float]:
        phase = np.linspace(-1, 1, count) * spread * np.sqrt(3)
        main = radius * np.exp(1j * phase) - static + rng.normal(0, noise, (count, 2)) @ np.array([1, 1j])
        found = static_bands.static_amplitudes(main, main[:, None] * np.array([1.0, 0.5j]))
        return [0.0] * 3 if found is None else [1.0, found[0].real, float(abs(found[1][1]))]

    for value in np.linspace(0.7, 1.1, 41):
        out += believed(value, 0.8, 0.3, 1e-4, 12)
    for value in np.linspace(0.4, 0.6, 41):
        out += believed(0.3, value, 0.3, 1e-4, 12)
    for value in np.linspace(0.002, 0.04, 60):
        out += believed(0.3, 0.8, value, 0.004, 12) + believed(0.3, 0.8, value, 1e-4, 12)
    for count in (3, 4, 5, 6):
        out += believed(0.3, 0.9, 0.3, 1e-4, count)
    for _ in range(8):
        out += believed(0.3, 0.8, 0.3, 0.03, 7)
    return out


@cache
def _views(zoom: float, pan: float) -> tuple[flicker.View, ...]:
    return tuple(flicker.views(_burst(zoom, pan)))


def of_flicker() -> list[float]:
    """Gain maps of a burst, of a long one's typical picture, and which pixels are bright enough."""
    out = [float(v) for one in flicker.agree(_views(0.0, 3.3)) for v in one.coefficients[:5, :2].ravel()]
    rng = np.random.default_rng(5)
    out += [float(v.good.sum()) for v in flicker.views([picture(rng.uniform(0.0017, 0.003, (24, 24, 3)))] * 2)]
    still = np.ones((8, 8), dtype=bool)
    many = [
        flicker.View(rng.uniform(0.1, 1, (8, 8, 3)).astype(np.float32), still, Motion(), np.ones(3), np.ones(3))
        for _ in range(30)
    ]
    none = flicker.GainMap.constant(np.zeros(3))
    typical, known = flicker._scene(many, [none] * 30)
    out.append(float(typical.sum()))
    out.append(float(flicker.ratios(many[0], typical * rng.choice([0.01, 1.0], (8, 8, 1)), known, (2, 2))[1].sum()))
    for count in range(24, 40):
        part = np.arange(64).reshape(8, 8) < count
        out.append(float(np.isfinite(flicker.ratios(many[0], typical, part, (1, 1))[0]).sum()))
    model = flicker.terms(1.0)
    profile = np.where(rng.random((18, 3)) < 0.2, 0.5, 0.0) + rng.normal(0, 0.02, (18, 3))
    out += flicker._start(model, profile, model.prior)[:4].ravel().tolist()
    design = model.design(18, 12)
    parts = rng.normal(0, 0.02, (216, 3)) + np.where(rng.random((216, 1)) < 0.4, rng.uniform(0, 0.4, (216, 1)), 0)
    fitted, _ = flicker._fit(design, parts, np.full((216, 3), 2500.0), model.prior, np.zeros((len(model.of), 3)))
    out += fitted[:4].ravel().tolist()
    return out
