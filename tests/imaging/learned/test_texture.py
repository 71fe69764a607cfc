"""Texture that repeats comes back where a network took it; noise, bands of a sensor and false colour do not."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pipeline.imaging.learned import texture, web
from pipeline.imaging.learned.texture import give_back
from pipeline.imaging.raw.demosaic import demosaic_noise
from pipeline.types import Noise
from tests.denoise_cases import by_area, camera_noise, mosaic_of, score, sensor
from tests.denoise_cases import web as web_case
from tests.denoise_table import learned_web
from tests.training.evaluate import cloth

SCALE, SIDE, LEVEL = 2048 / 6000, 192, 0.3
ENERGY, SPECTRUM = demosaic_noise(round(SCALE, 2))
A, B = camera_noise(6400)
NOISE = Noise(A * ENERGY, B * ENERGY, SPECTRUM)
DEVIATION = np.sqrt(NOISE.a * LEVEL + NOISE.b)


@pytest.fixture(autouse=True)
def _one_thread() -> None:
    cv2.setNumThreads(1)


def noise_of(seed: int = 3) -> np.ndarray:
    """(SIDE, SIDE, 3) of an even mosaic, demosaiced and averaged as the program does it."""
    large = round(SIDE / SCALE / 2) * 2
    mosaic = np.random.default_rng(seed).normal(LEVEL, np.sqrt(A * LEVEL + B), (large, large))
    return by_area(mosaic, SIDE) - LEVEL


def weave(strength: float = 0.05, period: float = 4.6) -> np.ndarray:
    y, x = np.mgrid[0:SIDE, 0:SIDE]
    return strength * (np.sin(2 * np.pi * (0.9 * x + 0.4 * y) / period) * np.sin(2 * np.pi * y / period))[..., None]


def given(change: np.ndarray) -> np.ndarray:
    """What comes back in an even picture of what it lacks, and of noise."""
    clean = np.full((SIDE, SIDE, 3), LEVEL, np.float32)
    give_back(clean, (LEVEL + change + noise_of()).astype(np.float32), NOISE, SCALE)
    return clean - LEVEL


def test_cloth_that_the_network_took_comes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """Drawn cloth of 3 pixels along the rows, ISO 6400: by 3 dB nearer to the truth, where none is set aside before."""
    monkeypatch.setattr(web, "set_aside", lambda *of: None)
    picture = cloth(3, "straight", 1)
    truth = web_case(picture, 6400, 7)[0]
    found = score(truth, learned_web(picture, 6400, 7))
    monkeypatch.setattr(web, "give_back", lambda *of: None)
    assert found[0] > score(truth, learned_web(picture, 6400, 7))[0] + 3


def test_a_weave_far_below_the_noise_comes_back() -> None:
    wanted = LEVEL * weave(0.05)
    found = given(wanted)
    assert wanted.std() < 0.8 * DEVIATION.mean()
    assert (found - wanted)[32:-32, 32:-32].std() < 0.3 * wanted.std()


def test_noise_stays_away() -> None:
    """Also of which a third less of the deviation was told."""
    assert given(np.zeros((SIDE, SIDE, 1))).std() < 0.01 * DEVIATION.mean()
    clean, noisy = (np.full((SIDE, SIDE, 3), LEVEL, np.float32) for _ in range(2))
    noisy += noise_of().astype(np.float32)
    give_back(clean, noisy, Noise(NOISE.a * 0.45, NOISE.b * 0.45, SPECTRUM), SCALE)
    assert clean.std() < 0.2 * DEVIATION.mean()


@pytest.mark.parametrize("axis", [0, 1])
def test_bands_stay_away(axis: int) -> None:
    """Of rows, and of columns, as strong as the noise."""
    lines = DEVIATION.mean() * np.random.default_rng(5).standard_normal((SIDE, 1, 1))
    found = given(np.broadcast_to(np.swapaxes(lines, 0, axis), (SIDE, SIDE, 1)))
    assert found.mean(axis=1 - axis).std() < 0.05 * lines.std()


def test_false_colour_stays_away() -> None:
    """A weave that makes red brighter where it makes blue darker is moiré of the sensor."""
    change = LEVEL * weave(0.06) * np.array([1, 0, -1]) * (DEVIATION / DEVIATION.mean()) ** 2
    assert given(change).std() < 0.1 * change.std()


def test_only_what_makes_a_frequency_stronger_is_given() -> None:
    """A clean picture with more of a weave than was seen: that is as fine detail looks which folds over."""
    clean = np.asarray(LEVEL * np.repeat(1 + weave(0.3), 3, axis=2), np.float32)
    before = clean.copy()
    give_back(clean, (LEVEL * (1 + weave(0.15)) + noise_of()).astype(np.float32), NOISE, SCALE)
    assert (clean - before).std() < 0.05 * LEVEL * weave(0.15).std()


def test_the_demosaic_leaves_what_opencv_leaves() -> None:
    """Share of the amplitude of fine waves, of each colour: OpenCV's bilinear demosaic and area average, and ours."""
    y, x = np.mgrid[0:SIDE, 0:SIDE]
    for across, down in ((3.0, 3.9), (2.8, 9.0), (5.0, 6.5)):
        wave = np.sin(2 * np.pi * x / across) * np.cos(2 * np.pi * y / down)
        picture = 0.3 + 0.15 * np.repeat(wave[..., None], 3, axis=2)
        truth = web_case(picture, 6400, 7)[0]
        left = by_area(mosaic_of(sensor(picture)), SIDE)
        ours = texture._as_seen(truth.astype(np.float32), SCALE)
        true, theirs, found = (p[8:-8, 8:-8] - p[8:-8, 8:-8].mean(axis=(0, 1)) for p in (truth, left, ours))
        shares = [(p * true).sum(axis=(0, 1)) / (true**2).sum(axis=(0, 1)) for p in (theirs, found)]
        assert shares[0].max() < 0.97
        assert np.allclose(*shares, atol=0.03)


def test_black_beside_a_weave_stays_black() -> None:
    dark = np.where(np.arange(SIDE) < SIDE // 2, 1.0, 1e-7)[:, None, None]
    clean = np.asarray(np.repeat(np.full((SIDE, SIDE, 1), LEVEL) * dark, 3, axis=2), np.float32)
    noisy = LEVEL * dark * (1 + weave(0.3)) + noise_of() * dark
    give_back(clean, noisy.astype(np.float32), NOISE, SCALE)
    assert clean[SIDE // 2 :].max() < 1e-6 and clean[: SIDE // 2].std() > 0.5 * LEVEL * weave(0.3).std()


def test_odd_and_small_pictures() -> None:
    for height, width in ((63, 200), (64, 64), (131, 97)):
        y, x = np.mgrid[0:height, 0:width]
        change = 0.05 * np.sin(2 * np.pi * x / 4.6) * np.sin(2 * np.pi * y / 4.6)
        clean = np.full((height, width, 3), LEVEL, np.float32)
        give_back(clean, np.repeat((LEVEL + change)[..., None], 3, axis=2).astype(np.float32), NOISE, SCALE)
        assert (np.abs(clean - LEVEL).max() > 0.03) == (height >= 64)
        assert np.isfinite(clean).all()
