"""Resize and sharpening, against the arithmetic of averages and the signs of an unsharp mask."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pipeline.imaging.colour import LUMINANCE
from pipeline.imaging.resample import resize, resize_energy, sharpen


def test_down_is_the_mean_over_areas() -> None:
    pixels = np.random.default_rng(0).random((24, 40, 3), dtype=np.float32)
    blocks = pixels.reshape(6, 4, 8, 5, 3).mean(axis=(1, 3))
    assert resize(pixels, 6, 8) == pytest.approx(blocks, abs=1e-6)
    assert resize(pixels, 24, 40) is pixels


def test_up_is_smooth() -> None:
    """A ramp keeps rising: an area "average" would make flat steps of it, and the nearest pixel too."""
    pixels = np.repeat(np.repeat(np.linspace(0, 1, 16, dtype=np.float32)[None, :, None], 8, 0), 3, 2)
    wide = resize(pixels, 8, 64)
    assert wide.shape == (8, 64, 3)
    inner = np.diff(wide[4, 8:-8, 1])
    assert inner.min() > 0.5 / 15 / 4 and inner.max() < 1.5 / 15 / 4


@pytest.mark.parametrize(("before", "after"), [((480, 640), (120, 160)), ((600, 400), (120, 200))])
def test_energy_is_what_white_noise_keeps(before: tuple[int, int], after: tuple[int, int]) -> None:
    """The variance of a mean of n independent values is 1 / n; measured on noise through the resize itself."""
    noise = np.random.default_rng(1).standard_normal((*before, 3)).astype(np.float32)
    left = float(resize(noise, *after).var())
    assert left == pytest.approx(resize_energy(before, after), rel=0.03)


def test_an_enlargement_adds_no_noise() -> None:
    assert resize_energy((100, 150), (200, 300)) == 1.0
    assert resize_energy((100, 150), (100, 150)) == 1.0


def edge(low: float = 0.1, high: float = 0.4, colour: tuple[float, float, float] = (1.0, 1.0, 1.0)) -> np.ndarray:
    """A soft edge down the middle of a picture, of light in some colour."""
    step = np.where(np.arange(40) < 20, low, high).astype(np.float32)
    soft = cv2.GaussianBlur(np.repeat(step[None], 12, axis=0), (0, 0), 0.8)
    return (soft[..., None] * np.array(colour, np.float32)).astype(np.float32)


def test_sharpening_darkens_the_dark_side_and_lightens_the_light_side() -> None:
    """An unsharp mask adds what a blur took away: undershoot before a rising edge, overshoot after it."""
    pixels = edge()
    out = sharpen(pixels, 0.5, 1.0)
    change = (out - pixels)[6, :, 1]
    assert change[17:20].min() < -0.002 and change[20:23].max() > 0.002
    assert (change[:20] <= 1e-6).all() and (change[20:] >= -1e-6).all()
    steep = np.diff(out[6, :, 1]).max() / np.diff(pixels[6, :, 1]).max()
    assert 1.1 < steep < 2.0


def test_more_amount_sharpens_more_and_none_nothing() -> None:
    pixels = edge()
    assert sharpen(pixels, 0.0, 1.0) is pixels
    little, much = (np.abs(sharpen(pixels, a, 1.0) - pixels).sum() for a in (0.1, 0.2))
    assert much == pytest.approx(2 * little, rel=0.05)


def test_halos_end_a_quarter_of_the_step_beyond_it() -> None:
    """However much is asked for: in cube roots of light, where light and dark halos look equal, an edge between two
    pixels overshoots by a quarter of its step and no more."""
    step = np.where(np.arange(40) < 20, 0.125, 0.343).astype(np.float32)  # cube roots 0.5 and 0.7
    pixels = np.repeat(np.repeat(step[None, :, None], 12, 0), 3, 2)
    root = np.cbrt(sharpen(pixels, 50.0, 1.0)[6, :, 1])
    assert root[19] == pytest.approx(0.5 - 0.25 * 0.2, abs=1e-3)
    assert root[20] == pytest.approx(0.7 + 0.25 * 0.2, abs=1e-3)


def test_sharpening_burns_nothing_out() -> None:
    """A bright edge that would end above the end of the scale stays below it; what is there already, and what lies far
    below, is as without an end."""
    step = np.where(np.arange(40) < 20, 0.5, 0.93).astype(np.float32)
    pixels = np.repeat(np.repeat(step[None, :, None], 12, 0), 3, 2)
    free, held = sharpen(pixels, 2.0, 1.0), sharpen(pixels, 2.0, 1.0, 1.0)
    assert free.max() > 1 and 0.93 < held.max() < 254 / 255
    assert held[:, :19] == pytest.approx(free[:, :19])
    assert sharpen(pixels, 2.0, 1.0, 0.9)[:, 20:] == pytest.approx(np.full((12, 20, 3), 0.93))
    assert sharpen(pixels, 2.0, 1.0, 3.0) == pytest.approx(free)


def test_sharpening_keeps_hue_and_flat_parts() -> None:
    pixels = edge(colour=(0.3, 1.0, 0.6))
    out = sharpen(pixels, 0.8, 1.0)
    assert out[..., 0] / out[..., 1] == pytest.approx(np.full(out.shape[:2], 0.3), rel=1e-4)
    assert out[:, :10] == pytest.approx(pixels[:, :10], rel=1e-5)


def test_sharpening_goes_by_luminance() -> None:
    """An edge in red and blue that leaves luminance (ITU-R BT.709) alone is no edge to sharpen."""
    red = np.where(np.arange(40) < 20, 0.1, 0.4)
    blue = (0.3 - LUMINANCE[0] * red - LUMINANCE[1] * 0.25) / LUMINANCE[2]
    line = np.stack([red, np.full(40, 0.25), blue], axis=1).astype(np.float32)
    pixels = np.repeat(line[None], 12, axis=0)
    assert sharpen(pixels, 1.0, 1.0) == pytest.approx(pixels, rel=1e-4)
