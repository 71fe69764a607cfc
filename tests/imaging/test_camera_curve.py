"""A camera's contrast taken out and put back: against its formula, and against simulated noise."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.imaging.camera_curve import bend, straighten, straightened_noise
from pipeline.imaging.colour import srgb_decode, srgb_encode
from pipeline.types import Noise


@pytest.mark.parametrize("strength", [0.1, 0.4, 0.8])
def test_it_is_the_formula_on_srgb_values(strength: float) -> None:
    e = np.linspace(0, 1, 1001)
    wanted = (1 - strength) * e + strength * (3 * e**2 - 2 * e**3)
    shown = srgb_encode(bend(srgb_decode(e.astype(np.float32)), strength))
    assert np.abs(shown - wanted).max() < 1e-4  # a fortieth of an 8-bit code


@pytest.mark.parametrize("strength", [0.1, 0.4, 0.8])
def test_there_and_back_every_code_of_16_bits_is_itself(strength: float) -> None:
    codes = np.arange(65536)
    given = srgb_decode((codes / 65535).astype(np.float32))
    back = srgb_encode(bend(straighten(given, strength), strength)) * 255
    assert np.abs(back - codes / 257).max() < 0.02


def test_ends_stay_and_it_goes_on_straight_beyond() -> None:
    ends = np.array([0.0, 1.0], np.float32)
    np.testing.assert_allclose(bend(ends, 0.4), ends, atol=1e-6)
    np.testing.assert_allclose(straighten(ends, 0.4), ends, atol=1e-6)
    beyond = np.array([-0.01, 1.5], np.float32)
    np.testing.assert_allclose(bend(beyond, 0.4), [-0.006, 1.3], atol=1e-6)  # 1 - 0.4 is its slope at both
    np.testing.assert_allclose(straighten(bend(beyond, 0.4), 0.4), beyond, atol=1e-6)


def test_pictures_of_any_shape_and_more_than_a_band() -> None:
    picture = np.random.default_rng(1).random((700, 600, 3), dtype=np.float32)
    row = straighten(picture[350, 300], 0.5)
    np.testing.assert_array_equal(straighten(picture, 0.5)[350, 300], row)
    np.testing.assert_array_equal(straighten(picture[::2, ::3], 0.5), straighten(picture, 0.5)[::2, ::3])


@pytest.mark.parametrize("level", [0.02, 0.18, 0.6])
def test_noise_is_that_of_straightened_pictures(level: float) -> None:
    rng = np.random.default_rng(2)
    signal = np.linspace(0, 1, 65) ** 2
    variance = 1e-4 * signal + 1e-6
    given = Noise(np.full(3, 1e-4), np.full(3, 1e-6), np.ones((5, 3, 8, 8)), np.stack([np.stack([signal] * 3),
                  np.stack([variance] * 3)]))  # fmt: skip
    found = straightened_noise(given, 0.5)
    shown = level + rng.normal(0, np.sqrt(1e-4 * level + 1e-6), 200_000)
    light = straighten(shown.astype(np.float32), 0.5)
    assert found.levels is not None
    expected = np.interp(straighten(np.array([level], np.float32), 0.5)[0], found.levels[0, 1], found.levels[1, 1])
    assert expected == pytest.approx(light.var(), rel=0.05)
    line = Noise(np.zeros(3), np.full(3, 1e-6))
    assert straightened_noise(line, 0.5).b == pytest.approx(np.full(3, 4e-6))  # by the slope at black, 1 / (1 - 0.5)
