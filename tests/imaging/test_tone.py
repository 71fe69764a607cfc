"""The curve and the matrix of tone, against what their parameters promise."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.imaging.colour import LUMINANCE, srgb_decode, srgb_encode
from pipeline.imaging.tone import render, shoulder

SAME = np.eye(3)


def shown(colour: tuple[float, float, float], matrix: np.ndarray = SAME, ev: float = 0.0, saturation: float = 1.0):
    """Linear light that a display makes of one colour; the shoulder begins high, so that what is below is linear."""
    out = render(np.full((2, 2, 3), colour, np.float32), matrix, ev, 0.9, 2.0, saturation)
    return srgb_decode(out)[1, 1].astype(np.float64)


@pytest.mark.parametrize(("knee", "white"), [(0.55, 3.0), (0.3, 1.6), (0.9, 2.0)])
def test_shoulder_is_straight_then_bends_without_a_kink_to_white(knee: float, white: float) -> None:
    """What "knee" and "white" say: the same below the knee, slope 1 there, 1 at white and above, never falling."""
    below = np.linspace(0, knee, 50)
    assert shoulder(below, knee, white) == pytest.approx(below)
    step = 1e-5
    at, after = shoulder(np.array([knee, knee + step]), knee, white)
    assert (after - at) / step == pytest.approx(1.0, abs=1e-3)
    assert shoulder(np.array([white, white + 0.1, 2 * white]), knee, white) == pytest.approx([1, 1, 1], abs=1e-6)
    x = np.linspace(0, white, 500)
    y = shoulder(x, knee, white)
    assert (np.diff(y) > 0).all() and (np.diff(y, 2) < 1e-9).all()  # never a reversal, never steeper again
    assert (y <= x + 1e-9).all()
    assert shoulder(np.array([-0.2]), knee, white) == pytest.approx([0])


@pytest.mark.parametrize("white", [1.0, 0.9])
def test_without_room_there_is_no_shoulder(white: float) -> None:
    """An exponential that starts with slope 1 can only end beyond 1 at 1; then the scale is cut there."""
    x = np.array([-0.1, 0.2, 0.7, 0.95, 1.0, 1.5])
    assert shoulder(x, 0.6, white) == pytest.approx(np.clip(x, 0, 1))


def test_pixels_are_the_srgb_code_of_the_curve() -> None:
    """IEC 61966-2-1 of the curve, for greys from black to beyond white, to a quarter of an 8-bit code."""
    grey = np.geomspace(1e-4, 4.0, 400).astype(np.float32)
    out = render(np.repeat(grey[None, :, None], 3, axis=2), SAME, 0.0, 0.55, 3.0, 1.0)
    assert out[0] == pytest.approx(np.repeat(srgb_encode(shoulder(grey, 0.55, 3.0))[:, None], 3, axis=1), abs=1e-3)


def test_a_stop_doubles_the_light() -> None:
    assert shown((0.1, 0.2, 0.3), ev=1.0) == pytest.approx([0.2, 0.4, 0.6], rel=2e-3)
    assert shown((0.1, 0.2, 0.3), ev=-2.0) == pytest.approx([0.025, 0.05, 0.075], rel=5e-3)


def test_the_matrix_takes_camera_colour_by_rows() -> None:
    matrix = np.array([[1.2, -0.1, -0.1], [0.0, 0.9, 0.1], [0.2, 0.0, 0.8]])
    colour = (0.2, 0.3, 0.4)
    assert shown(colour, matrix) == pytest.approx(matrix @ colour, rel=2e-3)


@pytest.mark.parametrize("saturation", [0.0, 0.5, 1.3])
def test_saturation_moves_colour_about_its_luminance(saturation: float) -> None:
    """0 is the grey of the same luminance (Y of ITU-R BT.709), 1 as measured, above it further from grey."""
    colour = np.array([0.30, 0.20, 0.25])
    light = float(colour @ LUMINANCE)
    out = shown(tuple(colour), saturation=saturation)
    assert out == pytest.approx(light + saturation * (colour - light), rel=3e-3)
    assert out @ LUMINANCE == pytest.approx(light, rel=2e-3)


@pytest.mark.parametrize("colour", [(0.4, 0.3, -0.05), (-0.1, 0.3, 0.1), (0.5, -0.02, 0.4)])
def test_a_colour_outside_the_gamut_keeps_luminance_and_hue(colour: tuple[float, float, float]) -> None:
    """It goes straight towards the grey of its luminance until its least channel is nothing."""
    wanted = np.array(colour)
    light = float(wanted @ LUMINANCE)
    out = shown(colour)
    assert out.min() == pytest.approx(0, abs=1e-4)
    assert out @ LUMINANCE == pytest.approx(light, rel=3e-3)
    share = (out - light) / (wanted - light)
    assert np.ptp(share) < 5e-3 and 0 < share.mean() < 1


def test_what_is_darker_than_black_is_black() -> None:
    assert shown((-0.01, -0.02, -0.01)) == pytest.approx([0, 0, 0])
