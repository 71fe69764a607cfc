"""Figures for the constants of the filters: denoise, groups of patches, pictures' noise, sharpening, light, tone."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from typing import Any, cast
from unittest.mock import patch

import cv2
import numpy as np

from pipeline.imaging import resample, sharpness, tone
from pipeline.imaging.denoise import block_wiener, cells, denoise, edges, picture_noise, picture_noise_pool
from pipeline.imaging.geometry import WHOLE
from pipeline.imaging.learned import finished, repeats, settle, texture, tiles, web
from pipeline.imaging.sharpness import Detail
from pipeline.light import highlights
from pipeline.types import F32, Noise

_NOISE = Noise(np.array([1e-3, 2e-3, 1.5e-3]), np.array([1e-5, 2e-5, 3e-5]))


@cache
def _picture(height: int, width: int) -> F32:
    """Patches of chance colours with hard edges, in noise."""
    rng = np.random.default_rng(height)
    small = rng.uniform(0.02, 0.6, (-(-height // 9), -(-width // 9), 3))
    flat = np.kron(small, np.ones((9, 9, 1)))[:height, :width]
    noisy = flat + rng.standard_normal(flat.shape) * np.sqrt(_NOISE.a * flat + _NOISE.b)
    return np.asarray(noisy, dtype=np.float32)


def of_denoise() -> Iterator[float]:
    """Small pictures, one nearly too small to be halved, and without the filter one that is halved again and again."""
    for shape in ((33, 34), (31, 40)):
        for quality in denoise.QUALITIES:
            out = denoise.denoise(_picture(*shape), _NOISE, quality=quality)
            yield from out[::9, ::9].ravel().tolist()
    packed = np.ascontiguousarray(_picture(24, 27)[..., [0, 1, 1, 2]])
    out = denoise.denoise_mosaic(packed, _NOISE, balance=np.array([2.0, 1.0, 1.5]), quality="standard")
    yield from out[::7, ::7].ravel().tolist()
    out = denoise.denoise(_picture(33, 34), Noise(np.zeros(3), np.zeros(3)), 1e5)
    yield float(out.std())
    with patch.object(denoise, "sliding_dct", lambda plane, *_: plane * np.float32(1 - 1 / plane.shape[-2])):
        out = denoise.denoise(_picture(256, 260), _NOISE)
        yield from out[::40, ::40].ravel().tolist()


def of_learned() -> Iterator[float]:
    """What the network is told of balances that it knows and does not, and what is made of strengths; no picture."""
    for balance in ((2.0, 1.0, 1.5), (0.8, 1.0, 4.0)):
        gains = tiles.gains_told(np.array(balance))
        yield from gains.tolist()
        yield from tiles.luma_weights(gains * 1e-3, gains**2 * 1e-5, 0.01, np.ones(3, np.float32)).tolist()
    yield from tiles.Settings(1.2, 2.0).levels


def of_learned_web() -> Iterator[float]:
    """What the network is told of scales, and a mean of its result, put down as a constant, with the classical one."""
    for scale in (0.05, 0.15, 0.19, 0.21, 0.5, 0.7):
        yield float(web.web_times(scale))
        work = web._Work(_picture(8, 8), np.ones(3), scale, _NOISE, tiles.Settings(), cast(Any, None))
        yield work.scale
    u, classical = (np.full((40, 40, 3), v, np.float32) for v in (0.3, 0.5))
    u += 0.02 * (_picture(40, 40) - 0.3)
    work.settle(u)
    yield from (100 * u[::9, ::9]).ravel().tolist()
    work.with_classical(u, classical, classical)
    yield from u[::9, ::9].ravel().tolist()


def of_learned_finished() -> Iterator[float]:
    """What is left of corrections that are put down as the noise itself, strong here and weak there."""
    deviations, codes, apart = np.meshgrid(np.linspace(0.5, 4, 8), np.linspace(0.1, 3.2, 8), np.geomspace(0.03, 0.3, 8))
    for known in (True, False):
        share = finished.share_taken(*(one.astype(np.float32) for one in (deviations, codes, apart)), known)
        yield from share[::2, ::2].ravel().tolist()
    for smoothed in np.linspace(-10, -5, 11):
        yield finished.part_believed(np.ones(4), np.full(4, np.exp(smoothed)))
    levels = np.stack([np.stack([np.linspace(0, 1, 9), np.full(9, 2e-5)])] * 3, axis=1)
    noise = Noise(np.zeros(3), np.full(3, 2e-5), np.ones((5, 3, 8, 8)), levels)
    by = cast(Any, _Given(4 * _picture(64, 64)))
    yield from finished.learned_picture(_picture(64, 64), noise, tiles.Settings(), by)[::7, ::7].ravel().tolist()
    found, grey = np.full((32, 64, 3), 0.01, np.float32), np.linspace(0.85, 1, 32, dtype=np.float32)
    worth = np.ones((16, 32), np.float32)
    yield from finished._too_light(found, worth, np.tile(grey, (16, 1)), 0.02 * worth)[8].tolist()


class _Given:
    """In place of a network: what it gives."""

    sides, channels = 1, 30

    def __init__(self, correction: F32) -> None:
        self.correction = correction

    def cells(self, height: int, width: int) -> F32:
        return np.empty((height, width, self.channels), np.float32)

    def picture(self, part: tiles.Part) -> F32:
        return np.resize(self.correction, (2 * (part.low - part.top), 2 * (part.right - part.left), 3)).copy()

    def looks(self, part: tiles.Part) -> tuple[F32, F32]:
        whole = self.picture(part)
        return 0.6 * whole, 0.4 * whole


def of_settle() -> Iterator[float]:
    """Faint noise, and a picture that is halved as often as can be."""
    for side in (35, 59, 140):
        faint = 0.4 + 0.02 * (_picture(side, side) - 0.3)
        yield from (100 * settle.correction(faint, 0.15))[:, ::9, ::9].ravel().tolist()


def of_texture() -> Iterator[float]:
    """Weaves from too weak to strong, slow and fine, of which the clean picture has none or a part."""
    y, x = np.mgrid[0:150, 0:170].astype(np.float32)
    rng = np.random.default_rng(4)
    noise = Noise(np.full(3, 1e-3), np.full(3, 1e-5))
    for strength in np.linspace(0.01, 0.06, 11):
        for period in (4.3, 15.0, 21.0):
            weave = (1 + strength * np.sin(2 * np.pi * x / period) * np.sin(2 * np.pi * y / period))[..., None]
            noisy = 0.3 * weave + 0.0176 * rng.standard_normal((*weave.shape[:2], 3))
            clean = np.asarray(0.3 + 0.1 * (noisy.mean(axis=2, keepdims=True) - 0.3), np.float32).repeat(3, axis=2)
            texture.give_back(clean, noisy.astype(np.float32), noise, 0.34)
            yield from (100 * clean[::37, ::41, 1]).ravel().tolist()


def of_repeats() -> Iterator[float]:
    """Weaves from too weak to strong, slow and fine, of some unevenness, and of one colour more than of others."""
    y, x = np.mgrid[0:140, 0:170].astype(np.float32)
    rng = np.random.default_rng(4)
    noise, level = Noise(np.full(3, 1e-3), np.full(3, 1e-5)), np.array([0.2, 0.4, 0.3])
    weak = itertools.product((0.03, 0.05, 0.1), (0.0, 0.2, 0.4))
    for strength, uneven in [*weak, *((0.4, part) for part in np.linspace(0.1, 0.9, 17))]:
        for period in (6.1, 14.3, 19.5):
            wave = np.sin(2 * np.pi * x / period) * np.sin(2 * np.pi * (y + 0.2 * x) / period)
            bent = wave * (1 + uneven * np.sin(2 * np.pi * x / (5 * period))) * (1 + 0.2 * (y > 80))
            picture = level * (1 + strength * bent[..., None] * np.array([1.0, 1.0, 0.7]))
            picture = picture + np.sqrt(1e-3 * level + 1e-5) * rng.standard_normal(picture.shape)
            aside = repeats.set_aside(picture.astype(np.float32), noise, 0.68)
            yield from (100 * (np.zeros((8, 5)) if aside is None else aside[::9, ::17, 1])).ravel().tolist()


def of_cells() -> Iterator[float]:
    """A small mosaic of hard edges and dark places, cleaned."""
    mosaic = np.ascontiguousarray(_picture(44, 48)[..., 1])
    mosaic[:20] *= np.float32(0.02)
    packed = np.stack([mosaic[y::2, x::2] for y in (0, 1) for x in (0, 1)], axis=-1)
    yield from denoise.denoise_mosaic(packed, _NOISE, quality="fine")[::5, ::5].ravel().tolist()
    planes = np.stack([np.hypot(*np.mgrid[0:20, 0:24]).astype(np.float32) / 9] * 4)
    yield from cells.explained(planes[0], planes, np.eye(4)[::-1])[:, ::5, ::5].ravel().tolist()
    planes[cells.GREENS] = 0.3 * np.cos(np.mgrid[0:20, 0:24][0] / 2)
    cells.calm_greens(planes, np.eye(4)[::-1])
    yield from planes[cells.GREENS, ::5, ::5].ravel().tolist()


def of_edges() -> Iterator[float]:
    """A step and a slope, one of them weak."""
    plane = np.minimum(np.mgrid[0:24, 0:28][1] / np.float32(4), 3).astype(np.float32)
    plane[:12, 14:] += np.float32(9)
    yield from edges.firm(plane, edges.edge_share(plane), 1.5)[::5, ::3].ravel().tolist()


def of_blocks() -> Iterator[float]:
    """One plane, shrunk in groups by itself as a first estimate."""
    plane = np.ascontiguousarray(_picture(40, 44)[..., 1])
    sigma = np.full((8, 8), 0.03, np.float32)
    yield from block_wiener.collaborate(plane, plane, sigma, block_wiener.match(plane))[::3, ::3].ravel().tolist()


def of_picture_noise() -> Iterator[float]:
    """A small picture with blacks and whites, just large enough to be halved once, and the levels of noise."""
    picture = np.clip(cv2.GaussianBlur(_picture(212, 200), (0, 0), 0.7), 0, 1)
    picture[:60, :60] = np.linspace(0.0006, 0.0011, 60)[:, None, None]
    picture[80:120] *= 1.8
    found = picture_noise.picture_statistics(picture.clip(0, 1))
    yield from found.power[:, ::3, :, ::2, ::3].ravel().tolist()
    yield from found.blocks.ravel().tolist()
    noise = picture_noise.PictureNoise(found.power[:, 2], found.power[0, :, 0, 3, 3], 1).noise()
    assert noise.levels is not None
    yield from np.log(noise.levels[1]).ravel().tolist()
    for width in range(60, 120, 4):
        yield from picture_noise.picture_statistics(picture[:100, :width].clip(0, 1)).blocks[0].tolist()
    for power in np.geomspace(0.03, 1, 50):  # of noise about as strong as counts, alone and of a JPEG
        blocks = np.full((100, 3, 64), power, np.float32)
        blocks[:, :, 8:] *= 0.1
        for step in (0, 3):
            yield float(picture_noise._shows_noise(blocks, np.full((2, 8, 8), step, np.uint16)))
    for few in range(100):
        blocks = np.zeros((100, 3, 64), np.float32)
        blocks[:few, :, 0] = 9
        yield float(picture_noise._drawn(blocks))


def of_picture_pool() -> Iterator[float]:
    """Made-up statistics of many kinds of noise and texture."""
    rng = np.random.default_rng(8)
    scales, bins = picture_noise.SCALES, picture_noise.BINS
    radius = np.hypot(*np.mgrid[0:8, 0:8])
    white = np.log(4.0) * np.arange(scales)[:, None, None, None, None]
    strong = np.broadcast_to(picture_noise.coded(np.exp(5.3 - white)), (scales, bins, 3, 8, 8))
    every = np.full((scales, bins), 100, np.int32)
    found = picture_noise_pool.pool([picture_noise.PictureStatistics(strong, every, (3000, 4000))], None)
    assert found is not None
    yield from found.power[:, 0, 3, 3].tolist()
    for case in (*range(2), *range(3, 28), 2):  # the long one last: no other constant waits for it
        frames = []
        for _ in range({0: 1, 2: 70}.get(case, 3)):
            level = rng.uniform(-6, 5, (1, 1, 3, 1, 1)) + rng.uniform(-1.5, 2.5, (scales, 1, 3, 1, 1)).cumsum(axis=0)
            level -= 1.4 * np.arange(scales)[:, None, None, None, None]
            bright = rng.normal(0, 0.6, (1, bins, 1, 1, 1))
            logs = level + bright - rng.uniform(0, 0.4) * radius + rng.normal(0, 0.3, (scales, bins, 3, 8, 8))
            blocks = rng.integers(0, 4, (scales, bins)).astype(np.int32)
            logs = logs - rng.uniform(3, 10) * (case % 2) * np.array([0, 1, 1])[:, None, None]
            frames.append(picture_noise.PictureStatistics(picture_noise.coded(np.exp(logs)), blocks, (3000, 4000)))
        if case % 4 == 0:
            frames = [replace(one, size=(1000, 1000)) for one in frames]
        if case % 2 == 0:
            frames = [replace(one, steps=np.full((2, 8, 8), 12, np.uint16)) for one in frames]
        found = picture_noise_pool.pool(frames, (100.0, 6400.0, None)[case % 3])
        if found is not None:
            yield from found.power[:, :, ::3, ::3].ravel().tolist()
            yield from found.bright.tolist()
            for known in (True, False):
                own = picture_noise_pool.of_frame(replace(found, alike=True), frames[0], 800.0, known)
                yield from own.power[:2, :, ::3, ::3].ravel().tolist()
        yield float(len(picture_noise_pool.alike(frames)))
    for less in (0.54, 3.0):  # two frames of many that show so much less
        usual, calm = (
            picture_noise.PictureStatistics(
                picture_noise.coded(np.exp(2 - off - white) * np.ones(strong.shape)), every, (3000, 4000)
            )
            for off in (0, less)
        )
        found = picture_noise_pool.pool([usual] * 22 + [calm] * 2, 6400.0)
        assert found is not None
        yield float(found.alike)


def of_sharpen() -> Iterator[float]:
    """A picture with blacks and hard edges, sharpened far beyond use."""
    picture = _picture(45, 45).clip(0)
    picture[:9] *= np.geomspace(1e-8, 1, 9, dtype=np.float32)[:, None, None]
    for amount in (0.3, 3.0, 30.0):
        ratio = resample.sharpen(picture, amount, 1.0)[::3, ::5] / np.maximum(picture[::3, ::5], 1e-12)
        yield from ratio.ravel().tolist()
    yield from resample.sharpen(picture, 3.0, 1.0, 1.0)[::3, ::5].ravel().tolist()


def of_sharpness() -> Iterator[float]:
    """Parts of nearly too few pixels, and one that is nearly too long."""
    luma = np.ascontiguousarray(np.tile(_picture(60, 63)[..., 1], (1, 6)))
    for shape in ((40, 340), (40, 310), *((n, n) for n in range(9, 16)), (11, 300)):
        yield sharpness.sharpness(Detail(luma[: shape[0], : shape[1]], 2e-3, 2e-5), WHOLE)
    rng = np.random.default_rng(64)
    patches = np.kron(rng.uniform(0.02, 0.5, (20, 20)), np.ones((9, 9)))
    tilted = np.tile(np.rot90(np.tril(np.ones((24, 24)))) * 0.3 + 0.1, (8, 8))[:180, :180]
    drawn = np.asarray(patches + tilted + rng.normal(0, 0.004, (180, 180)), np.float32)
    faint = np.asarray(0.2 + 0.02 * drawn, np.float32)  # edges little above the noise, of all sizes
    wave = 0.2 + 0.1 * np.sin(np.arange(120) / 30)  # slopes that two blurs leave alike
    soft = np.asarray(wave + wave[:, None], np.float32)
    three = drawn[:44, :44].copy()
    three[:24, :24] = 0.2
    pictures = [three, *(drawn[:size, :size] for size in (*range(40, 51), 60, 76, 92, 180))]
    for picture in (*pictures, *(drawn[:, : 50 + 3 * n] for n in range(20)), soft):
        for noise in (1e-5, 2e-3):
            found = sharpness.edges(Detail(picture, noise, noise / 100), WHOLE)
            yield -1.0 if found is None else found
    for noise in np.geomspace(1e-8, 1e-4, 12):
        found = sharpness.edges(Detail(faint, float(noise), float(noise) / 100), WHOLE)
        yield -1.0 if found is None else found


def of_highlights() -> Iterator[float]:
    """Two channels on their way into the clip, beside one that stays below it; the same in a finished picture."""
    rising = np.linspace(0.8, 1.05, 60, dtype=np.float32)
    pixels = np.stack([rising, rising[::-1], np.full(60, 0.5, np.float32)], axis=1)[None]
    yield from highlights.rebuild_highlights(pixels, np.array([1.0, 0.95, 0.6])).ravel().tolist()
    gains, warm = np.array([0.6, 1.0, 2.0], np.float32), np.array([1.0, 0.9, 0.8], np.float32)
    lit, pale = (rising - 0.1)[None, :, None] * warm, np.stack([rising / rising, rising - 0.45, rising - 0.45], axis=1)
    for shown in (lit, pale[None]):
        yield from highlights.rebuild_highlights(shown, np.ones(3), gains, finished=True).ravel().tolist()


def of_tone() -> Iterator[float]:
    """Light with contrast, and colours on both sides of the edge of the gamut."""
    light = np.geomspace(0.001, 3, 12)
    yield from tone.curve(light, 0.55, 3.0, 0.4, 0.002).tolist()
    yield from tone.colourfulness(light, 0.4, 0.01).tolist()
    colours = np.array([[0.3, 0.2, b] for b in np.linspace(-0.1, 0.1, 12)], np.float32)
    yield from tone.render(colours[None], np.eye(3), 0.0, 0.55, 3.0, 1.0, 0.4).ravel().tolist()
    yield from tone.render(colours[None], np.eye(3), 0.0, 0.55, 3.0, 1.0, 0.4, raw=True).ravel().tolist()
    yield from tone.colourfulness(light, 1.5).tolist()  # more than it is let
