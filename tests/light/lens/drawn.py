"""Pans through a drawn hall under lamps that flicker, seen through a lens of known falloff."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.imaging.lens.falloff import NODES
from pipeline.light.flicker import View, views
from pipeline.light.highlights import usable
from pipeline.light.registration import Motion
from pipeline.types import Domain, Image
from tests.light.test_flicker import HEIGHT, MARGIN, NOISE, WIDTH, Lamps, shine, surfaces

U = np.linspace(0, 1, NODES)  # squared radius


@dataclass(frozen=True)
class Pan:
    """frames; step  pixels of the small pictures from frame to frame, at most; modulation  of one lamp, the other's is
    a sixth of it."""

    frames: int = 8
    step: float = 10.0
    modulation: float = 0.0


STEADY = Pan()


def darkened(stops: np.ndarray) -> np.ndarray:
    """(HEIGHT, WIDTH) gains of a lens that takes `stops` (NODES,) along the squared radius."""
    y = (np.arange(HEIGHT) + 0.5) / HEIGHT * 2 - 1
    x = (np.arange(WIDTH) + 0.5) / WIDTH * 2 - 1
    aspect = HEIGHT / WIDTH
    squared = (x[None, :] ** 2 + (aspect * y[:, None]) ** 2) / (1 + aspect**2)
    return np.asarray(2.0 ** -np.interp(squared, U, stops))


def burst(seed: int, stops: np.ndarray, pan: Pan = STEADY) -> tuple[list[Image], list[int]]:
    """A burst that follows a player through the hall, and where each frame stands, pixels from the middle."""
    rng = np.random.default_rng(1000 + seed)
    speed, start = rng.uniform(-1, 1) * pan.step, rng.uniform(-8, 8)
    shifts = [round(float(np.clip(speed * (k - pan.frames // 2) + start, -90, 90))) for k in range(pan.frames)]
    phase = (float(rng.uniform(0, 6.28)), float(rng.uniform(0, 6.28)))
    lamps = Lamps(modulation=(pan.modulation, pan.modulation / 6), phase=phase, fps=float(rng.uniform(7, 13)))
    light, _ = shine(lamps, shifts)
    wide, gains = surfaces(seed), darkened(stops)[..., None]
    images = []
    for shift, lit in zip(shifts, light, strict=True):
        scene = wide[:, MARGIN + shift : MARGIN + shift + WIDTH].copy()
        scene[60:100, 88:104] = 0.3  # the player stays in the middle of the frame
        pixels = np.clip(scene * lit * gains, 0, 1)
        pixels = pixels + rng.normal(size=pixels.shape) * np.sqrt(NOISE.a * pixels + NOISE.b)
        images.append(Image(pixels.astype(np.float32), Domain.CAMERA, NOISE, np.ones(3), np.eye(3)))
    return images, shifts


def seen(images: Sequence[Image], shifts: Sequence[int], registered: bool = False) -> list[View]:
    """The frames of a burst, registered by the pictures, or (quicker) as they were drawn."""
    if registered:
        return views(images)
    middle = shifts[len(shifts) // 2]
    return [
        View(i.pixels, usable(i.pixels, i.saturation, 0.002), Motion(dx=float(middle - s)), i.noise.a, i.noise.b)
        for i, s in zip(images, shifts, strict=True)
    ]
