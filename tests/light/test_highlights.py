"""Light, tone and exposure numerics against closed forms and published relations."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.imaging.raw.demosaic import demosaic_noise
from pipeline.imaging.resample import resize, resize_energy
from pipeline.imaging.tone import render, shoulder
from pipeline.light.highlights import gray_world, rebuild_highlights


def hall(floor: float, seed: int = 3) -> np.ndarray:
    """Random even colours with a wood floor over `floor` of the rows; invented data."""
    rng = np.random.default_rng(seed)
    pixels = rng.uniform(0.1, 0.5, (60, 90, 1)) * np.exp(rng.normal(0, 0.12, (60, 90, 3)))
    rows = int(60 * floor)
    pixels[60 - rows :] = np.array([0.42, 0.27, 0.14]) * rng.uniform(0.6, 1.1, (rows, 90, 1))
    return pixels.astype(np.float32)


@pytest.mark.parametrize("floor", [0.0, 0.5])
def test_gray_world_is_not_ruled_by_the_floor(floor: float) -> None:
    light = np.array([0.5, 1.0, 0.62])
    estimate = gray_world((hall(floor) * light).astype(np.float32), np.ones(3), np.array([1.8, 1.0, 1.5]))
    assert estimate is not None
    error = np.log(estimate.gains * light)[[0, 2]]
    assert np.abs(error).max() < 0.12
    plain = (hall(floor) * light).reshape(-1, 3).mean(axis=0)
    if floor:
        assert np.abs(error).max() < np.abs(np.log(plain[1] / plain * light)[[0, 2]]).max() / 3


def test_clipped_pixels_come_out_neutral_and_red_kit_stays_red() -> None:
    gains = np.array([1.9, 1.0, 1.7])
    blown = (np.ones((1, 1, 3)) * gains).astype(np.float32)
    out = rebuild_highlights(blown, gains)
    assert np.ptp(out) == pytest.approx(0, abs=1e-6)
    red = (np.array([[[1.0, 0.2, 0.1]]]) * gains).astype(np.float32)
    assert rebuild_highlights(red, gains) == pytest.approx(red)


def test_shoulder_is_straight_then_soft_and_reaches_white() -> None:
    x = np.linspace(0, 3, 3001)
    y = shoulder(x, 0.55, 3.0)
    assert y[x <= 0.55] == pytest.approx(x[x <= 0.55])
    assert y[-1] == pytest.approx(1.0, abs=1e-6)
    slope = np.diff(y)
    assert (slope > 0).all() and (np.diff(slope) < 1e-9).all()  # folds stay: never flat, never a kink upward


def test_tone_keeps_mid_grey() -> None:
    # 0.18 linear is sRGB 117.65 of 255: IEC 61966-2-1.
    grey = np.full((2, 2, 3), 0.18, np.float32)
    assert render(grey, np.eye(3), 0.0, 0.55, 3.0, 1.0) * 255 == pytest.approx(117.65, abs=0.05)


def test_resize_keeps_light_and_scales_noise_as_told() -> None:
    rng = np.random.default_rng(0)
    noise = rng.normal(0.5, 0.1, (400, 600, 3)).astype(np.float32)
    small = resize(noise, 100, 150)
    assert small.mean() == pytest.approx(noise.mean(), abs=1e-4)
    assert small.var() / noise.var() == pytest.approx(resize_energy((400, 600), (100, 150)), rel=0.05)


def test_full_size_bilinear_energy_matches_its_weights() -> None:
    # Bilinear at full size: green 1/2 (1) + 1/2 (4/16); red 1/4 (1) + 1/2 (1/2) + 1/4 (1/4). Closed form.
    energy, _ = demosaic_noise(1.0)
    assert energy[1] == pytest.approx(0.5 + 0.5 / 4, rel=0.03)
    assert energy[0] == pytest.approx(0.25 + 0.25 + 0.0625, rel=0.03)
