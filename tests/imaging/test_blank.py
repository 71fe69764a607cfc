"""Frames that show next to nothing: a lens cap, a closed shutter, a flash; and frames that show something after all."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.imaging.blank import blank_notice
from pipeline.types import Domain, Image, Noise

NOISE = Noise(np.full(3, 1e-4), np.full(3, 1e-6))


def frame(pixels: np.ndarray, saturation: float = 1.0) -> Image:
    return Image(pixels.astype(np.float32), Domain.CAMERA, NOISE, np.full(3, saturation), np.eye(3))


def noisy(level: float, deviation: float = 0.01, shape: tuple[int, int] = (240, 320)) -> np.ndarray:
    return np.random.default_rng(0).normal(level, deviation, (*shape, 3))


def test_a_lens_cap_is_named_whatever_the_noise() -> None:
    assert "black" in blank_notice(frame(noisy(0.0)))
    assert "black" in blank_notice(frame(noisy(0.0) * 4, 4.0))


def test_a_burnt_frame_is_named() -> None:
    assert "clipped" in blank_notice(frame(np.ones((240, 320, 3))))
    yellow = noisy(0.3)
    yellow[..., :2] = 1.0
    assert "clipped" in blank_notice(frame(yellow))


@pytest.mark.parametrize("channel", [0, 1, 2])
def test_one_clipped_channel_leaves_a_picture(channel: int) -> None:
    """A wood floor that fills the frame under tungsten clips red and shows its boards in green and blue."""
    floor = noisy(0.3) + 0.2 * (np.arange(320) % 40 < 20)[None, :, None]
    floor[..., channel] = 1.0
    assert blank_notice(frame(floor)) == ""


def test_one_even_tone_is_named() -> None:
    assert "even tone" in blank_notice(frame(noisy(0.6, 0.003)))


@pytest.mark.parametrize("stops", [0, 1, 2, 3])
def test_a_dark_hall_is_no_lens_cap(stops: int) -> None:
    """18 % grey of ISO 12232 is 0.18 of full scale; walls of a hall lie at a quarter of it, with noise of high ISO."""
    hall = noisy(0.045, 0.02)
    hall[80:160] += 0.135
    assert blank_notice(frame(hall / 2**stops)) == ""


def test_a_lamp_in_the_dark_and_a_player_before_a_burnt_wall_are_pictures() -> None:
    night = noisy(0.0)
    night[100:160, 100:180] = 0.5
    assert blank_notice(frame(night)) == ""
    burnt = np.ones((240, 320, 3))
    burnt[60:200, 120:180] = 0.2
    assert blank_notice(frame(burnt)) == ""
    wall = 0.5 + noisy(0, 0.003) + np.linspace(0, 0.05, 320)[None, :, None]
    assert blank_notice(frame(wall)) == ""
