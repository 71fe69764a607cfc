"""What a sensor makes of a picture, on the GPU: mosaics with the noise of the measured cameras, and what is told of it.

The noise: Wei, Fu, Yang, Huang, "A physics-based noise formation model for extreme low-light raw denoising", CVPR 2020;
the cameras' read noise against their gain is that paper's (../shared/data/noise). The ranges are wider than theirs.
"""

from __future__ import annotations

import math

import torch
from torch import Tensor
from torch.nn.functional import pixel_unshuffle

from pipeline.imaging.learned import domain

# Read noise of the cameras: log deviation = slope * log gain + bias, in digital numbers of 14 bits; each fitted twice.
CAMERAS = ((0.677, 1.512), (0.656, 1.093), (0.652, 2.080), (0.598, 1.537), (0.568, 1.998), (0.487, 1.464),
           (0.563, 0.799), (0.477, -0.090), (0.541, 1.218), (0.462, 0.566))  # fmt: skip
SATURATION = 15000.0  # digital numbers above black
HIGH_GAIN = (2e-4, 7.5e-3)  # a at about ISO 800 and above 25,600, 1 = saturation
LOW_GAIN = (6e-6, 2e-4)  # down to ISO 100 or less
WHITE = 0.7  # of saturation at exposure 1
PLAIN = 0.1  # share of pictures that are made even
COLOURS = torch.tensor([0, 1, 1, 2])


def _uniform(like: Tensor, low: float, high: float, shape: tuple[int, ...] = ()) -> Tensor:
    size = (like.shape[0], *(shape or (1, 1, 1)))
    return low + (high - low) * torch.rand(size, device=like.device)


def _log_uniform(like: Tensor, low: float, high: float) -> Tensor:
    return torch.exp(_uniform(like, math.log(low), math.log(high)))


def _normal(like: Tensor) -> Tensor:
    return torch.randn(like.shape[0], 1, 1, 1, device=like.device)


def _chance(like: Tensor, share: float) -> Tensor:
    return torch.rand(like.shape[0], 1, 1, 1, device=like.device) < share


def linear(encoded: Tensor) -> Tensor:
    """sRGB to linear (IEC 61966-2-1)."""
    return torch.where(encoded <= 0.04045, encoded / 12.92, ((encoded.clamp(min=0) + 0.055) / 1.055) ** 2.4)


def scenes(encoded: Tensor) -> Tensor:
    """(B, 3, H, W) sRGB, 0 to 1 -> balanced light in other colours, and brighter or darker; white is about WHITE."""
    light = linear(encoded)
    light = light * torch.exp(_uniform(light, -0.2, 0.2, (3, 1, 1)))
    grey = light.mean(1, keepdim=True)
    light = (grey + _uniform(light, 0.5, 1.3) * (light - grey)).clamp(min=0)
    # Walls and floors: even, or sloping a little, as no photograph of eight bits is.
    mean, size = light.mean((2, 3), keepdim=True), light.shape[2:]
    run = [torch.linspace(-1, 1, n, device=light.device).view(s) for n, s in zip(size, ((-1, 1), (1, -1)), strict=True)]
    slope = _uniform(light, -0.2, 0.2) * run[0] + _uniform(light, -0.2, 0.2) * run[1]
    slope = 1 + slope * _chance(light, 0.5)
    # Of deep colours too, as no photograph's mean is.
    dull = mean.mean(1, keepdim=True)
    mean = (dull + _uniform(light, 0.5, 4) * (mean - dull)).clamp(min=0)
    light = torch.where(_chance(light, PLAIN), mean * slope, light)
    exposure = _uniform(light, 0.35, 1.4)
    exposure = torch.where(_chance(light, 0.15), _log_uniform(light, 0.04, 0.35), exposure)
    exposure = torch.where(_chance(light, 0.10), _uniform(light, 1.4, 3.5), exposure)
    return light * WHITE * exposure


def camera_noise(like: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """a, b of each picture and the deviation of its row noise; (B, 1, 1, 1), 1 = saturation. One in ten has none."""
    a = torch.where(_chance(like, 0.78), _log_uniform(like, *HIGH_GAIN), _log_uniform(like, *LOW_GAIN))
    lines = torch.tensor(CAMERAS, device=like.device)[torch.randint(len(CAMERAS), (like.shape[0],), device=like.device)]
    slope, bias = (lines[:, i].view(-1, 1, 1, 1) for i in (0, 1))
    read = torch.exp(slope * torch.log(a * SATURATION) + bias + 0.15 + 0.4 * _normal(like)) / SATURATION
    rows = read * _uniform(like, 0.0, 0.14) * _chance(like, 0.5)
    noisy = ~_chance(like, 0.1)
    return a * noisy, read * read * noisy, rows * noisy


def mosaic_of(light: Tensor) -> Tensor:
    """(B, 3, H, W) -> (B, 1, H, W), RGGB."""
    mosaic = light[:, 1:2].clone()
    mosaic[..., 0::2, 0::2] = light[:, 0:1, 0::2, 0::2]
    mosaic[..., 1::2, 1::2] = light[:, 2:3, 1::2, 1::2]
    return mosaic


def expose(mosaic: Tensor, a: Tensor, b: Tensor, rows: Tensor) -> Tensor:
    """(B, 1, H, W), 1 = saturation, as read out: photons, read noise, rows, defects, steps, clipping."""
    some = a.clamp(min=1e-9)
    photons = torch.where(a > 0, torch.poisson((mosaic / some).clamp(max=1e6)) * some, mosaic)
    noise = torch.randn_like(mosaic)
    tails = torch.exp(0.35 * torch.randn_like(mosaic) - 0.35**2)  # of unit mean square
    noise = torch.where(_chance(mosaic, 0.3), noise * tails, noise)
    row = torch.randn(mosaic.shape[0], 1, mosaic.shape[2], 1, device=mosaic.device)
    out = photons + b.sqrt() * noise + rows * row
    rate = _log_uniform(mosaic, 3e-5, 5e-4) * _chance(mosaic, 0.2)
    draw, size = torch.rand_like(mosaic), torch.rand_like(mosaic)
    out = torch.where(draw < rate, out + 0.05 + size, out)
    out = torch.where(draw > 1 - rate / 2, out * size / 2, out)
    steps = torch.where(_chance(mosaic, 0.2), 3500.0, SATURATION)
    steps = torch.where(_chance(mosaic, 0.04), _log_uniform(mosaic, 150, 1000), steps)  # of the 1990s
    out = torch.round(out * steps) / steps
    out = torch.where(_chance(mosaic, 0.12), out.clamp(min=0), out)  # some cameras cut black off
    return out.clamp(max=1)


def gains_of(like: Tensor) -> Tensor:
    """(B, 3, 1, 1): daylight to tungsten and the lamps of halls."""
    red, blue = _uniform(like, 1.15, 2.8), _uniform(like, 1.15, 3.0)
    return torch.cat([red, torch.ones_like(red), blue], 1)


def told_wrongly(a: Tensor, b: Tensor) -> tuple[Tensor, Tensor]:
    """As a measurement finds them: mostly within some percent, sometimes with a deviation 30 % off or more."""
    off = torch.where(_chance(a, 0.35), _uniform(a, -0.6, 0.6), 0.05 * _normal(a))
    return a * torch.exp(off), b * torch.exp(off + 0.12 * _normal(a))


def told_input(noisy: Tensor, gains: Tensor, a: Tensor, b: Tensor) -> Tensor:
    """(B, 1, H, W) mosaic, gains (B, 3, 1, 1), noise as told (B, 1, 1, 1) -> (B, 10, H/2, W/2), as network.py says."""
    cells = pixel_unshuffle(noisy, 2) * gains[:, COLOURS.to(noisy.device)]
    s = domain.foot(a, b)
    planes = domain.to_root(cells, s)
    numbers = torch.cat(domain.told(gains * a, gains.square() * b, s), 1)
    return torch.cat([planes, numbers.expand(-1, -1, *planes.shape[2:])], 1)


def batch(encoded: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """(B, 3, H, W) sRGB -> the network's input, the balanced light (B, 3, H, W) that it should give, the foot of u
    (B, 1, 1, 1) and each picture's noise in u (B,), both as told."""
    light = scenes(encoded)
    gains = gains_of(light)
    camera = (light / gains).clamp(max=1)
    a, b, rows = camera_noise(light)
    noisy = expose(mosaic_of(camera), a, b, rows)
    a, b = told_wrongly(a, b)
    s = domain.foot(a, b)
    noise = domain.deviation(domain.BRIGHT, 1.5 * a, 2.25 * b, s).flatten()
    return told_input(noisy, gains, a, b), camera * gains, s, noise
