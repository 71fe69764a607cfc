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


def test_a_finished_picture_of_codes_below_16_is_black_and_a_raw_of_that_light_is_not() -> None:
    """IEC 61966-2-1: codes 13, 0 and 10 of 255, as a real JPEG of a dark room has them, are 0.004, 0 and 0.003."""
    dark = np.tile(np.array([0.004, 0.0, 0.003]), (240, 320, 1)) + noisy(0.0, 0.001)
    of_camera = np.array([[1.7, -0.6, -0.1], [-0.2, 1.6, -0.4], [0.0, -0.5, 1.5]])
    picture = frame(dark)
    assert "black" in blank_notice(picture)
    assert blank_notice(Image(picture.pixels, Domain.CAMERA, NOISE, np.ones(3), of_camera)) == ""
    dim = noisy(0.01, 0.001)  # code 25
    assert "black" not in blank_notice(frame(dim))


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
