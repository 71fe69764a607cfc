"""What the network for web sizes sees, on the GPU: mosaics brought to web size as pipeline/imaging/raw/area.py does.

Bilinear demosaic and area average, then u of the three balanced colours (domain.py), four pixels of a colour in a cell;
six numbers of the noise as it is after that, and how coarse it is: the power of the means of 8x8 blocks, 1 for white
noise, which is what the first coefficient of a picture's noise spectrum says.
"""

from __future__ import annotations

import random
from functools import cache

import numpy as np
import torch
from torch import Tensor
from torch.nn.functional import avg_pool2d, conv2d, interpolate, pad, pixel_unshuffle

from pipeline.imaging.learned import domain
from tests.training import sensor
from tests.training.network import bilinear_kernels

SCALE = 2048 / 6000  # web pixels for a pixel of the sensor: most frames
SCALES = (SCALE, SCALE, SCALE, 0.28, 0.42, 0.52, 0.65, 0.8)
_BLOCK = 8
CHANNELS = 19  # of the input: twelve planes of pixels, six numbers of the noise, how coarse it is


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


def scene_of(light: Tensor, scale: float) -> Tensor:
    """What the sensor sees where the web picture has `light`."""
    side = 2 * round(light.shape[-1] / scale / 2)
    return interpolate(light, size=(side, side), mode="bicubic", align_corners=False).clamp(0, 1)


def _small(mosaic: Tensor, parts: int) -> Tensor:
    """(B, 1, side, side) RGGB -> (B, 3, parts, parts)."""
    where = torch.ones_like(mosaic[:1]).expand(1, 3, -1, -1).clone()
    colours = torch.tensor([[0, 1], [1, 2]], device=mosaic.device).repeat(mosaic.shape[-2] // 2, mosaic.shape[-1] // 2)
    for colour in range(3):
        where[0, colour] *= colours == colour
    kernels = bilinear_kernels().to(mosaic.device)
    sparse = pad(mosaic * where, (1, 1, 1, 1), mode="reflect")
    return by_area(conv2d(sparse, kernels, groups=3), parts)


@cache
def left(scale: float, device: str) -> tuple[Tensor, float]:
    """Of white noise: the variance left in each colour (1, 3, 1, 1), and how coarse it is."""
    parts = 256
    side, state = 2 * round(parts / scale / 2), torch.get_rng_state()
    torch.manual_seed(3)
    noise = torch.randn(8, 1, side, side).to(device)
    torch.set_rng_state(state)
    small = _small(noise, parts)[..., _BLOCK:-_BLOCK, _BLOCK:-_BLOCK]
    variance = small.var(dim=(0, 2, 3))
    means = avg_pool2d(small, _BLOCK).var(dim=(0, 2, 3)) * _BLOCK**2
    return variance.view(1, 3, 1, 1), float((means / variance).mean())


def told_input(noisy: Tensor, gains: Tensor, a: Tensor, b: Tensor, scale: float, parts: int) -> tuple[Tensor, Tensor]:
    """(B, 1, side, side) mosaic, gains (B, 3, 1, 1), noise of the mosaic as told -> (B, 19, parts/2, parts/2), foot."""
    variance, coarse = left(scale, str(noisy.device))
    balanced_a, balanced_b = gains * a * variance, gains.square() * b * variance
    foot = domain.foot(balanced_a[:, 1:2], balanced_b[:, 1:2])
    planes = pixel_unshuffle(domain.to_root(_small(noisy, parts) * gains, foot), 2)
    numbers = torch.cat([*domain.told(balanced_a, balanced_b, foot), torch.full_like(foot, coarse / 4)], 1)
    return torch.cat([planes, numbers.expand(-1, -1, *planes.shape[2:])], 1), foot


def batch(encoded: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """As sensor.batch, at web size: (B, 3, H, W) sRGB -> input, balanced light, foot of u, noise in u."""
    scale, parts = random.choice(SCALES), encoded.shape[-1]
    light = sensor.scenes(encoded)
    gains = sensor.gains_of(light)
    scene = scene_of((light / gains).clamp(max=1), scale)
    a, b, rows = sensor.camera_noise(light)
    noisy = sensor.expose(sensor.mosaic_of(scene), a, b, rows)
    a, b = sensor.told_wrongly(a, b)
    told, foot = told_input(noisy, gains, a, b, scale, parts)
    variance, _ = left(scale, str(light.device))
    green = variance[:, 1:2]
    noise = domain.deviation(domain.BRIGHT, 1.5 * a * green, 2.25 * b * green, foot).flatten()
    return told, by_area(scene, parts) * gains, foot, noise
