"""The network: 3x3 convolutions and hardly more, so that it is fast (pipeline/imaging/learned/winograd.py).

Input (1, 10, h, w): u of the packed RGGB cells (domain.py), then six planes that are even: what each colour's noise is.
Output (1, 12, h, w): u of red at the four pixels of each cell, row by row, then of green, then of blue. It is the
bilinear demosaic of the input and a correction, which starts as nothing. Four scales, each halving the one before.

For web sizes (web.py) it takes a cell of 2x2 pixels at twice the size, sixteen planes of each colour, and seven even
planes; its base is the mean of each pixel's four. For finished pictures (finished.py) it gives the correction alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn.functional import conv2d, interpolate, leaky_relu, pad

from pipeline.imaging.learned import told
from pipeline.imaging.learned.domain import CHANNELS

LEAK = 0.1  # slope below zero: a unit that is driven under zero for every picture can come back


@dataclass(frozen=True)
class Plan:
    """channels of the input; of each scale, the finest first: units, blocks on the way down, and on the way up."""

    channels: int
    widths: tuple[int, ...]
    down: tuple[int, ...]
    up: tuple[int, ...]


MOSAIC = Plan(CHANNELS, (32, 64, 128, 144), (1, 1, 1, 1), (1, 1, 1))
WEB = Plan(55, (48, 48, 48), (1, 1, 1), (1, 1))
FINISHED = Plan(told.CHANNELS, (48, 64, 64, 64), (1, 1, 1, 1), (1, 1, 1))


def bilinear_kernels() -> Tensor:
    """(3, 1, 3, 3): the bilinear demosaic of planes that are zero where a colour has no pixel."""
    square = [[1, 2, 1], [2, 4, 2], [1, 2, 1]]
    return torch.tensor([square, [[0, 1, 0], [1, 4, 1], [0, 1, 0]], square], dtype=torch.float32)[:, None] / 4


def bilinear() -> np.ndarray:
    """(12, 4, 3, 3): the bilinear demosaic as a convolution over packed RGGB cells."""
    colours = np.array([[0, 1], [1, 2]])
    weights = np.zeros((12, 4, 3, 3), np.float32)
    for place in range(4):
        for colour, kernel in enumerate(bilinear_kernels()[:, 0].numpy()):
            for oy in (-1, 0, 1):
                for ox in (-1, 0, 1):
                    y, x = place // 2 + oy, place % 2 + ox
                    if colours[y % 2, x % 2] == colour:
                        weights[4 * colour + place, 2 * (y % 2) + x % 2, 1 + y // 2, 1 + x // 2] += kernel[
                            oy + 1, ox + 1
                        ]
    return weights


def base_of(channels: int) -> np.ndarray:
    """(12, n, k, k): what the network corrects, by the planes of pixels of its input."""
    if channels == CHANNELS:
        return bilinear()
    if channels == told.CHANNELS:
        return np.zeros((12, 0, 1, 1), np.float32)
    mean = np.zeros((12, 48, 1, 1), np.float32)
    for plane in range(48):
        colour, row, column = plane // 16, plane // 4 % 4, plane % 4
        mean[4 * colour + 2 * (row // 2) + column // 2, plane] = 0.25
    return mean


class Block(nn.Module):
    """Adds to its input what two convolutions make of it."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.first = nn.Conv2d(width, width, 3, padding=1)
        self.second = nn.Conv2d(width, width, 3, padding=1)
        nn.init.zeros_(self.second.weight)
        nn.init.zeros_(self.second.bias)

    def forward(self, x: Tensor) -> Tensor:
        return x + self.second(leaky_relu(self.first(x), LEAK))


class Network(nn.Module):
    def __init__(self, plan: Plan = MOSAIC) -> None:
        super().__init__()
        self.plan = plan
        w = plan.widths
        self.inp = nn.Conv2d(plan.channels, w[0], 3, padding=1)
        self.down = nn.ModuleList(nn.ModuleList(Block(c) for _ in range(n)) for c, n in zip(w, plan.down, strict=True))
        self.halve = nn.ModuleList(nn.Conv2d(fine, coarse, 2, 2) for fine, coarse in pairwise(w))
        self.widen = nn.ModuleList(nn.Conv2d(coarse, fine, 1) for fine, coarse in pairwise(w))
        self.up = nn.ModuleList(nn.ModuleList(Block(c) for _ in range(n)) for c, n in zip(w, plan.up, strict=False))
        self.out = nn.Conv2d(w[0], 12, 3, padding=1)
        nn.init.zeros_(self.out.weight)
        nn.init.zeros_(self.out.bias)
        self.register_buffer("base", torch.from_numpy(base_of(plan.channels)), persistent=False)

    def forward(self, x: Tensor) -> Tensor:
        base: Tensor | float = 0.0
        if self.base.shape[1]:
            with torch.autocast(x.device.type, enabled=False):
                pixels, rim = x[:, : self.base.shape[1]].float(), self.base.shape[-1] // 2
                base = conv2d(pad(pixels, (rim, rim, rim, rim), mode="reflect"), self.base)
        h = self.inp(x)
        kept = []
        for level, blocks in enumerate(self.down):
            for block in blocks:
                h = block(h)
            if level < len(self.halve):
                kept.append(h)
                h = self.halve[level](h)
        for level in reversed(range(len(self.up))):
            h = kept[level] + interpolate(self.widen[level](h), scale_factor=2, mode="nearest")
            for block in self.up[level]:
                h = block(h)
        return base + self.out(h).float()


def working(network: Network, inputs: Tensor) -> dict[str, float]:
    """The share of each block's units that are above zero anywhere in these inputs: none means that it does nothing."""
    found, hooks = {}, []

    def note(name: str) -> Callable[[nn.Module, object, Tensor], None]:
        def hook(_module: nn.Module, _inputs: object, output: Tensor) -> None:
            found[name] = float((output > 0).any(dim=3).any(dim=2).any(dim=0).float().mean())

        return hook

    for name, module in network.named_modules():
        if isinstance(module, Block):
            hooks.append(module.first.register_forward_hook(note(name)))
    network(inputs)
    for hook in hooks:
        hook.remove()
    return found


def multiply_adds(plan: Plan) -> float:
    """A pixel of the mosaic, or of the web."""
    w, total = plan.widths, 0.0
    for level, width in enumerate(w):
        blocks = plan.down[level] + (plan.up[level] if level < len(plan.up) else 0)
        total += 18 * width * width * blocks / 4 ** (level + 1)
        if level:
            total += 5 * w[level - 1] * width / 4 ** (level + 1)
    base = base_of(plan.channels)
    return total + (9 * (plan.channels * w[0] + 12 * w[0]) + base.size) / 4


def write_weights(network: Network, path: Path) -> None:
    """The weights in half precision, as pipeline/imaging/learned/network.py reads them."""
    state = {name: value.detach().float().cpu().numpy() for name, value in network.state_dict().items()}
    np.savez_compressed(path, **{name: value.astype(np.float16) for name, value in state.items()})
