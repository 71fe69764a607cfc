"""What the network for web sizes sees, on the GPU: mosaics at twice that size, as imaging/raw/area.py makes them.

Bilinear demosaic and area average to two pixels for one along each side, then u of the three balanced colours
(domain.py): averaged to the web size itself, a picture has lost fine detail, and noise from beyond its finest has been
folded into it. Sixteen planes of a colour in a cell of 2x2 web pixels; six numbers of the noise, and the scale.
"""

from __future__ import annotations

from functools import cache
from random import Random

import numpy as np
import torch
from torch import Tensor
from torch.nn.functional import avg_pool2d, conv2d, interpolate, pad, pixel_unshuffle

from pipeline.imaging.learned import domain
from tests.training import sensor
from tests.training.network import bilinear_kernels

SCALE = 2048 / 6000  # web pixels for a pixel of the sensor: most frames
SCALES = (SCALE, SCALE, SCALE, SCALE, 0.25, 0.3, 0.375, 0.44, 0.52, 0.66)
# Pixels of a picture along the side of a crop, for its web pixels, and whether it is sharp at those, averaged to them
# and no finer. The others are as sharp as the sensor, or soft.
SIDES = ((1.0, False), (2.0, True), (2.0, True), (2.0, True), (1.5, False), (8 / 3, False), (2.0, False))


@cache
def _shares(parts: int, side: int, device: str) -> Tensor:
    edges = np.arange(parts + 1) * (side / parts)
    at = np.arange(side)
    covered = np.minimum(at + 1, edges[1:, None]) - np.maximum(at, edges[:-1, None])
    shares = covered.clip(0)
    return torch.from_numpy((shares / shares.sum(1, keepdims=True)).astype(np.float32)).to(device)


def by_area(x: Tensor, parts: int) -> Tensor:
    """(B, C, side, side) -> (B, C, parts, parts)."""
    shares = _shares(parts, x.shape[-1], str(x.device))
    return shares @ x @ shares.T


def scene_of(light: Tensor, side: int) -> Tensor:
    """What the sensor sees, (B, C, side, side)."""
    if side < light.shape[-1]:
        return by_area(light, side)
    return interpolate(light, size=(side, side), mode="bicubic", align_corners=False).clamp(0, 1)


@cache
def _where(side: int, down: int, across: int, device: str) -> Tensor:
    """(3, side, side): 1 where a colour has a pixel; red is first, less `down` rows and `across` columns."""
    y, x = np.mgrid[0:side, 0:side]
    colours = np.array([[0, 1], [1, 2]])[(y + down) % 2, (x + across) % 2]
    return torch.from_numpy((colours == np.arange(3)[:, None, None]).astype(np.float32)).to(device)


def told_input(
    noisy: Tensor, where: Tensor, gains: Tensor, a: Tensor, b: Tensor, parts: int
) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """(B, 1, side, side) mosaic, its colours, gains (B, 3, 1, 1), noise of the mosaic as told -> (B, 55, parts/2,
    parts/2), foot, and the noise of a pixel at twice the size, about."""
    share = min(1.0, (2 * parts / noisy.shape[-1]) ** 2)
    a, b = share * a, share * b
    foot = domain.foot(a, b)
    sparse = pad(noisy * where, (1, 1, 1, 1), mode="reflect")
    light = by_area(conv2d(sparse, bilinear_kernels().to(noisy.device), groups=3), 2 * parts)
    planes = pixel_unshuffle(domain.to_root(light * gains, foot), 4)
    numbers = [*domain.told(gains * a, gains.square() * b, foot), torch.full_like(foot, parts / noisy.shape[-1])]
    told = torch.cat(numbers, 1)
    return torch.cat([planes, told.expand(-1, -1, *planes.shape[2:])], 1), foot, a, b


def case(step: int, parts: int) -> tuple[int, bool, int, tuple[int, int]]:
    """Of a step: pixels of a picture along a crop's side, whether they are averaged to the web's, pixels of the sensor,
    and which of the Bayer orders."""
    draw = Random(step)
    of_picture, averaged = draw.choice(SIDES)
    side = 2 * round(parts / draw.choice(SCALES) / 2)
    return round(of_picture * parts), averaged, side, (draw.randrange(2), draw.randrange(2))


def batch(encoded: Tensor, step: int, parts: int) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """As sensor.batch, at web size: (B, 3, H, W) sRGB -> input, balanced light, foot of u, noise in u."""
    _, averaged, side, order = case(step, parts)
    light = sensor.scenes(avg_pool2d(encoded, encoded.shape[-1] // parts) if averaged else encoded)
    gains = sensor.gains_of(light)
    scene = scene_of((light / gains).clamp(max=1), side)
    a, b, rows = sensor.camera_noise(light)
    where = _where(side, *order, str(light.device))
    noisy = sensor.expose((scene * where).sum(1, keepdim=True), a, b, rows)
    a, b = sensor.told_wrongly(a, b)
    told, foot, a, b = told_input(noisy, where, gains, a, b, parts)
    noise = domain.deviation(domain.BRIGHT, 1.5 * a, 2.25 * b, foot).flatten()
    return told, by_area(scene, parts) * gains, foot, noise


def seen_at(light: Tensor, gains: Tensor, iso: int) -> tuple[Tensor, Tensor]:
    """Balanced light (B, 3, parts, parts) as the camera of tests/denoise_table.py sees it: the input, and the foot."""
    parts = light.shape[-1]
    scene = scene_of(light / gains, 2 * round(parts / SCALE / 2))
    a, b = (torch.full((len(light), 1, 1, 1), v, device=light.device) for v in
            (1.6e-3 * iso / 6400, 1.6e-5 * (iso / 6400) ** 2))  # fmt: skip
    where = _where(scene.shape[-1], 0, 0, str(light.device))
    mosaic = (scene * where).sum(1, keepdim=True)
    noisy = torch.poisson(mosaic / a) * a + b.sqrt() * torch.randn_like(mosaic)
    return told_input(noisy, where, gains, a, b, parts)[:2]


def wanted_of(light: Tensor) -> Tensor:
    """What `seen_at` is to give."""
    parts = light.shape[-1]
    return by_area(scene_of(light, 2 * round(parts / SCALE / 2)), parts)
