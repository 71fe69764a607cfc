"""Greens that a sensor gives unequal leave no mesh, and equal ones stay as they are.

That crosstalk sets the two greens of a cell 1 or 2 % apart is published (Hirakawa, "Cross-talk explained", ICIP 2008).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rawpy

from pipeline.imaging.geometry import WHOLE
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw.greens import imbalance
from pipeline.imaging.raw.window import full_size_window
from tests.clean_patches import hatching
from tests.imaging.raw.test_window import PATTERNS

BLACK, WHITE = np.full(3, 512.0), np.full(3, 15000.0)
BALANCE = np.array([1.9, 1.0, 1.6])
CRW = Path(__file__).parents[4] / "shared/data/raw/CRW_0101.CRW"


def sensor(light: np.ndarray, name: str, apart: float, deviation: float) -> tuple[np.ndarray, np.ndarray]:
    """(mosaic, pattern) of light (H, W, 3), the green of red rows `apart` above that of blue rows, of the light."""
    pattern = np.array(PATTERNS[name]).reshape(2, 2)
    row = int(np.argwhere(pattern == 0)[0][0])
    noise = np.random.default_rng(3).normal(0, deviation, light.shape[:2])
    out = np.empty(light.shape[:2])
    for place, colour in enumerate(PATTERNS[name]):
        cell = (slice(place // 2, None, 2), slice(place % 2, None, 2))
        gain = 1.0 if colour != 1 else 1 + apart / 2 if place // 2 == row else 1 - apart / 2
        out[cell] = np.minimum(light[(*cell, colour)] * gain, 1) * (WHITE - BLACK)[colour] + BLACK[colour]
    return np.round(out + noise * out).clip(0, 65535).astype(np.uint16), pattern


def mesh(mosaic: np.ndarray, pattern: np.ndarray) -> float:
    """Of 255, of a grey of 0.2 of saturation that is drawn about half as bright as white."""
    size = (mosaic.shape[0], mosaic.shape[1])
    rgb, _ = full_size_window(mosaic, BLACK, WHITE, pattern, Orientation.TOP_LEFT, size, WHOLE, BALANCE, None)
    green = 255 * (rgb[16:-16, 16:-16, 1].astype(np.float64)) ** (1 / 2.2)
    return max(hatching(green))


@pytest.mark.parametrize("name", PATTERNS)
def test_unequal_greens_draw_no_mesh(name: str) -> None:
    light = np.broadcast_to(0.2 / BALANCE, (320, 400, 3))
    assert mesh(*sensor(light, name, 0.0, 0.0)) < 0.02
    for apart in (-0.02, 0.02):
        assert mesh(*sensor(light, name, apart, 0.0)) < 0.06


def test_what_is_found_is_what_the_sensor_does() -> None:
    """Also under noise and beside edges; nothing where greens are equal; what is clipped stays."""
    y, x = np.mgrid[0:512, 0:640]
    light = (0.25 + 0.15 * np.sin(x / 40) * np.sin(y / 30) + 0.15 * ((x // 90 + y // 70) % 2))[..., None] / BALANCE
    for apart in (0.02, -0.015):
        mosaic, pattern = sensor(light, "GRBG", apart, 0.03)
        found = imbalance(mosaic, pattern, BLACK[1], WHITE[1])
        assert np.abs(found - apart).max() < 0.005
    assert np.abs(imbalance(*sensor(light, "GRBG", 0.0, 0.03), BLACK[1], WHITE[1])).max() < 0.003
    dark = np.broadcast_to(0.02 / BALANCE, light.shape)  # noise of a sixth of the light, beyond what is told from edges
    assert np.abs(imbalance(*sensor(dark, "GRBG", 0.0, 0.09), BLACK[1], WHITE[1])).max() < 0.01
    white = np.where(x < 320, 0.2, 1.2)[..., None] * np.ones(3)
    mosaic, pattern = sensor(white, "RGGB", 0.02, 0.0)
    size = (512, 640)
    rgb, _ = full_size_window(mosaic, BLACK, WHITE, pattern, Orientation.TOP_LEFT, size, WHOLE, BALANCE, None)
    assert np.abs(rgb[:, 340:, 1] - 1).max() < 1e-5


@pytest.mark.skipif(not CRW.exists(), reason="shared/data is absent")
def test_greens_of_a_real_sensor() -> None:
    """A flat grey in the corner of a real frame, where the means of the greens are 2.8 % apart in the file itself."""
    with rawpy.imread(str(CRW)) as raw:
        mosaic = raw.raw_image_visible[:512, :512].copy()
    black, white = np.full(3, 32.0), np.full(3, 1023.0)
    pattern = np.array([[0, 1], [1, 2]])
    own = mosaic.astype(float)[20:140, 20:180] - 32
    first, second = own[0::2, 1::2].mean(), own[1::2, 0::2].mean()
    truth = 2 * (first - second) / (first + second)
    assert truth > 0.02
    found = imbalance(mosaic, pattern, black[1], white[1])
    assert found[0, 0] == pytest.approx(truth, abs=0.005)
