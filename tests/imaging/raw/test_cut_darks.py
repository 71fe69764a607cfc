"""Darks of which a camera cut off more of one colour than of another: as dark as they were, and of no colour."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.imaging.colour import LUMINANCE, to_lab
from pipeline.imaging.raw.cut_darks import cut_level, grey_darks
from pipeline.types import Domain, Image, Noise

PATTERN = np.array([[1, 0], [2, 1]])
ZERO, WHITE = np.zeros(3), np.full(3, 255.0)
CUT = np.array(
    [0.0, 5.0, 8.0]
)  # as three raws of the 1990s in ../shared/data show it: red 5 where green and blue are 0


def mosaic(light: np.ndarray, cut: np.ndarray = CUT, pedestal: float = 0.0) -> np.ndarray:
    """light (H, W, 3) of saturation as a camera of 8 bits writes it, that takes `cut` off and keeps nothing below 0."""
    numbers = light * 255 - cut + np.random.default_rng(0).normal(0, 0.7, light.shape) + pedestal
    whole = np.clip(np.round(numbers), 0, 255).astype(np.uint16)
    out = np.empty(light.shape[:2], np.uint16)
    for row in (0, 1):
        for column in (0, 1):
            out[row::2, column::2] = whole[row::2, column::2, PATTERN[row, column]]
    return out


def scene() -> np.ndarray:
    """A grey wall, a tenth of it black card, a tenth deep blue cloth."""
    light = np.full((100, 200, 3), 0.4)
    light[:, :20] = 5 / 255
    light[:, 20:40] = 0.03, 0.05, 0.3
    return light


def test_the_level_is_that_of_the_darks_and_only_where_a_file_ends_at_zero() -> None:
    assert cut_level(mosaic(scene()), PATTERN, ZERO, WHITE) == pytest.approx(5.5 / 255, abs=1.5 / 255)
    for kept in (16.0, 2.0):  # what is below black is kept, or some of it: then it can be told from black
        assert cut_level(mosaic(scene(), pedestal=kept), PATTERN, np.full(3, kept), WHITE) == 0
    assert cut_level(mosaic(np.maximum(scene(), 0.2)), PATTERN, ZERO, WHITE) == 0  # nothing dark, nothing cut off
    assert cut_level(mosaic(scene()[:1]), PATTERN, ZERO, WHITE) == 0  # no whole cell


def noisy_darks(red: float, others: float) -> float:
    """The level of grey darks, told in standard deviations of noise: black is right, and what is below it cut off."""
    light = np.random.default_rng(3).normal([red, others, others], 1, (400, 400, 3))
    values = np.clip(np.round(20 * light), 0, None).astype(np.uint16)
    plane = np.where(np.arange(400)[:, None] % 2, values[..., 1], values[..., 0])
    plane[1::2, ::2] = values[1::2, ::2, 2]
    plane[::2, ::2] = values[::2, ::2, 1]
    return cut_level(plane, PATTERN, ZERO, np.full(3, 4095.0)) * 4095 / 20


def test_noise_that_is_cut_in_half_takes_no_colour() -> None:
    """Gaussian noise about a right black ends at 0 alike in all colours: a normal variable is below 0 by half."""
    assert [noisy_darks(light, light) for light in (0, 0.7, 1.0, 2.0)] == [0, 0, 0, 0]


def test_a_little_more_light_changes_the_level_a_little() -> None:
    """Of warm darks, in standard deviations: frames of one burst, of which one is darker, stay alike."""
    levels = [noisy_darks(2**ev, 0.1 * 2**ev) for ev in np.arange(-1, 4, 0.1)]
    assert max(levels) > 0.5 and np.abs(np.diff(levels)).max() < 0.3


def test_darks_are_grey_and_as_bright_and_what_is_brighter_keeps_its_colour() -> None:
    """CIE 15:2004: a* and b* of grey are 0. Balanced by a camera whose red is weak, as those are."""
    level, gains = 0.02, np.array([0.7, 1.0, 1.3])
    dark, deep, between = (0.02, 0.002, 0.0), (0.03, 0.05, 0.3), (0.03, 0.02, 0.02)
    pixels = np.array([[dark, deep, between]], np.float32)
    noise = Noise(np.zeros(3), np.zeros(3))
    before = Image(pixels, Domain.CAMERA, noise, np.ones(3), np.eye(3), cut_darks=level)
    balanced = before.with_pixels((pixels * gains).astype(np.float32))
    found = grey_darks(balanced, before)
    lab = to_lab(found.pixels[0].astype(np.float64))
    assert np.abs(lab[0, 1:]).max() < 0.01
    assert found.pixels[0, 0] @ LUMINANCE == pytest.approx(balanced.pixels[0, 0] @ LUMINANCE, rel=1e-5)
    assert found.pixels[0, 1] == pytest.approx(balanced.pixels[0, 1])
    half = (balanced.pixels[0, 2] + balanced.pixels[0, 2] @ LUMINANCE) / 2
    assert found.pixels[0, 2] == pytest.approx(half, rel=1e-4)
    assert found.cut_darks == 0 and grey_darks(found, found) is found


def test_levels_are_told_in_shares_of_each_colours_white_and_before_gains() -> None:
    whites = np.array([510.0, 255.0, 255.0])
    assert cut_level(mosaic(scene()), PATTERN, ZERO, whites) < cut_level(mosaic(scene()), PATTERN, ZERO, WHITE)
    pixels = np.full((1, 1, 3), 0.04, np.float32) * np.array([1, 0.1, 0], np.float32)
    noise = Noise(np.zeros(3), np.zeros(3))
    twice = Image(pixels, Domain.CAMERA, noise, np.full(3, 2.0), np.eye(3), cut_darks=0.02)  # after two times the light
    assert np.ptp(grey_darks(twice, twice).pixels) < 1e-6
