"""Noise is carried through gains that vary over the frame: the variance of scaled noise is the closed form g**2."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.imaging.geometry import Box
from pipeline.imaging.orientation import Orientation
from pipeline.light.gain_map import GainMap, apply_gain_map, gains_at_pixels, gains_of_part
from pipeline.shoot.facts import FrameFacts
from pipeline.steps import crop, denoise
from pipeline.steps.base import ApplyContext
from pipeline.types import Domain, Exif, Frame, Image, Noise

UP = Orientation.TOP_LEFT

A, B, LEVEL = 1e-3, 1e-5, 0.1
CONTEXT = ApplyContext(Frame("F1", Path("F1.dng"), "F1.dng", "raw", Exif()), FrameFacts(), None)


def picture(seed: int = 0, shape: tuple[int, int] = (240, 320)) -> Image:
    """An even grey with the noise of the model."""
    rng = np.random.default_rng(seed)
    pixels = LEVEL + np.sqrt(A * LEVEL + B) * rng.standard_normal((*shape, 3))
    return Image(pixels.astype(np.float32), Domain.CAMERA, Noise(np.full(3, A), np.full(3, B)), np.ones(3), np.eye(3))


def banded() -> GainMap:
    coefficients = np.zeros((4, 2, 3))
    coefficients[0, 0], coefficients[1, 0], coefficients[3, 0], coefficients[0, 1] = 0.5, 0.8, 0.4, 0.3
    return GainMap(coefficients)


def variance_of_model(image: Image) -> np.ndarray:
    """Variance that the image's model gives each pixel."""
    u = (
        np.ones(3, np.float32)
        if image.noise_gain_map is None
        else gains_at_pixels(image.noise_gain_map, image.pixels.shape)
    )
    return (image.noise.a * image.pixels.clip(0) * u + image.noise.b * u * u).astype(np.float64)


def test_variance_is_what_the_model_says_in_every_band() -> None:
    image = apply_gain_map(picture(), banded(), UP)
    truth = apply_gain_map(picture().with_pixels(np.full((240, 320, 3), LEVEL, np.float32)), banded(), UP)
    rest = (image.pixels - truth.pixels).astype(np.float64)
    for rows in np.array_split(np.arange(240), 6):
        assert (rest[rows] ** 2).mean() == pytest.approx(variance_of_model(truth)[rows].mean(), rel=0.05)


@pytest.mark.long
def test_a_part_keeps_its_own_gains() -> None:
    image = apply_gain_map(picture(), banded(), UP)
    assert image.noise_gain_map is not None
    whole = gains_at_pixels(image.noise_gain_map, (240, 320))
    part = gains_of_part(image.noise_gain_map, Box(0.25, 0.5, 0.75, 1.0))
    assert part is not None
    assert gains_at_pixels(part, (120, 160))[4:-4, 4:-4] == pytest.approx(whole[120:, 80:240][4:-4, 4:-4], rel=0.02)
    box = crop.CropParams(to="centre", aspect="1:1", share=None)
    small = crop.apply(image, box, CONTEXT)
    assert small.noise_gain_map is not None and small.pixels.shape == (240, 240, 3)
    assert gains_at_pixels(small.noise_gain_map, (240, 240))[:, 4:-4] == pytest.approx(
        whole[:, 40:280][:, 4:-4], rel=0.02
    )


def test_denoise_cleans_bright_and_dark_bands_alike() -> None:
    params = denoise.DenoiseParams(keep_grain=0.0)
    even = denoise.apply(picture(), params, CONTEXT)
    image = denoise.apply(apply_gain_map(picture(), banded(), UP), params, CONTEXT)
    gains = np.exp2(banded().on(240, 320))
    left = (image.pixels / gains - LEVEL).astype(np.float64)
    expected = (even.pixels - LEVEL).astype(np.float64).std()
    for rows in np.array_split(np.arange(240), 6):
        assert left[rows].std() < 1.6 * expected
