"""A window of a mosaic is the same part of the whole, however the frame lies and wherever the window is."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pipeline.imaging.geometry import WHOLE, Box
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw import window as part_of
from pipeline.imaging.raw.window import full_size_window, overview
from pipeline.types import F32, Part

PATTERNS = {"RGGB": (0, 1, 1, 2), "BGGR": (2, 1, 1, 0), "GRBG": (1, 0, 2, 1), "GBRG": (1, 2, 0, 1)}
BLACK, WHITE = np.array([512.0, 500.0, 530.0]), np.array([15000.0, 14000.0, 16000.0])
BALANCE = np.array([1.9, 1.0, 1.6])
WINDOWS = (Box(0.31, 0.2, 0.72, 0.81), Box(0, 0, 0.3, 0.3), Box(0.55, 0.47, 1, 1), Box(0.0, 0.4, 1.0, 0.6))


def scene(height: int, width: int) -> np.ndarray:
    """Smooth light of three colours with edges, (H, W, 3)."""
    y, x = np.mgrid[0:height, 0:width] / 40
    parts = [0.3 + 0.2 * np.sin(x * a + y * b) for a, b in ((1.0, 0.3), (0.8, 0.5), (0.4, 1.0))]
    return np.stack(parts, axis=-1) + 0.2 * ((x // 1.7 + y // 1.3) % 2)[..., None]


def mosaic_of(light: np.ndarray, name: str) -> tuple[np.ndarray, np.ndarray]:
    """(mosaic, pattern 2x2)."""
    out = np.empty(light.shape[:2], np.uint16)
    for place, colour in enumerate(PATTERNS[name]):
        cell = (slice(place // 2, None, 2), slice(place % 2, None, 2))
        out[cell] = np.round(light[(*cell, colour)] * (WHITE - BLACK)[colour] + BLACK[colour])
    return out, np.array(PATTERNS[name]).reshape(2, 2)


def decoded(name: str, orientation: Orientation, window: Box, edge: int | None = None) -> tuple[F32, Part | None]:
    mosaic, pattern = mosaic_of(scene(161, 242), name)
    height, width = orientation.upright_size(161, 242)
    scale = (edge or 242) / 242
    size = (round(height * scale), round(width * scale))
    return full_size_window(mosaic, BLACK, WHITE, pattern, orientation, size, window, BALANCE, None)


@pytest.mark.parametrize("name", PATTERNS)
@pytest.mark.parametrize("edge", [None, 200])
def test_a_window_is_that_part_of_the_whole(name: str, edge: int | None) -> None:
    """To the bit at full size; to rounding where it is averaged."""
    for orientation in Orientation:
        whole, of_whole = decoded(name, orientation, WHOLE, edge)
        assert of_whole is None
        for window in WINDOWS:
            pixels, part = decoded(name, orientation, window, edge)
            assert part is not None
            height, width = pixels.shape[:2]
            assert (part.height, part.width) == whole.shape[:2]
            same = whole[part.top : part.top + height, part.left : part.left + width]
            assert np.abs(pixels - same).max() < (1e-6 if edge is None else 2e-6)
            # What a crop takes, whose place is rounded: all of it is there.
            x0, y0, x1, y1 = window
            assert part.left <= max(0, x0 * part.width - 1) and part.top <= max(0, y0 * part.height - 1)
            assert part.left + width >= min(part.width, x1 * part.width + 1)
            assert part.top + height >= min(part.height, y1 * part.height + 1)


@pytest.mark.parametrize("name", PATTERNS)
def test_what_comes_out_is_the_light(name: str) -> None:
    """Light that bends slowly leaves nothing to guess: any order of colours, odd sides, to the very border."""
    y, x = np.mgrid[0:161, 0:242] / 80
    light = np.stack([0.2 + 0.1 * np.sin(x), 0.5 + 0.1 * np.cos(y), 0.3 + 0.05 * np.sin(x + y)], axis=-1)
    mosaic, pattern = mosaic_of(light, name)
    for balance in (BALANCE, np.ones(3)):
        pixels, _ = full_size_window(
            mosaic, BLACK, WHITE, pattern, Orientation.TOP_LEFT, (161, 242), WHOLE, balance, None
        )
        assert np.abs(pixels - light)[2:-2, 2:-2].max() < 4e-4
        assert np.abs(pixels - light).max() < 2e-3  # at the border a side is missing


def test_averages_by_area_as_opencv_does() -> None:
    """cv2.INTER_AREA of the whole is the reference."""
    whole, _ = decoded("GRBG", Orientation.TOP_LEFT, WHOLE)
    small, _ = decoded("GRBG", Orientation.TOP_LEFT, WHOLE, 200)
    expected = cv2.resize(whole, (small.shape[1], small.shape[0]), interpolation=cv2.INTER_AREA)
    assert np.abs(small - expected).max() < 1e-5


def test_only_the_window_and_its_rim_are_cleaned() -> None:
    mosaic, pattern = mosaic_of(scene(400, 600), "BGGR")
    seen = []

    def clean(cells: F32) -> F32:
        seen.append(cells)
        return cells

    box = Box(0.4, 0.4, 0.6, 0.6)
    args = (mosaic, BLACK, WHITE, pattern, Orientation.TOP_LEFT, (400, 600), box, BALANCE)
    cleaned, _ = full_size_window(*args, clean)
    assert np.array_equal(cleaned, full_size_window(*args, None)[0])
    rim = 2 * (part_of.WINDOW.rim + part_of.WINDOW.slack + part_of.RIM + 2)
    assert seen[0].shape[0] * 2 in range(80 + 128, 80 + rim) and seen[0].shape[1] * 2 in range(120 + 128, 120 + rim)
    light = scene(400, 600)[100:300, 100:500]
    assert seen[0].mean(axis=(0, 1)) == pytest.approx(light.mean(axis=(0, 1))[[0, 1, 1, 2]], abs=0.08)


@pytest.mark.parametrize("orientation", [Orientation.TOP_LEFT, Orientation.RIGHT_TOP, Orientation.BOTTOM_RIGHT])
def test_the_overview_is_the_whole_frame_small(orientation: Orientation) -> None:
    light = scene(1600, 2400)
    mosaic, pattern = mosaic_of(light, "GBRG")
    small = overview(mosaic, BLACK, WHITE, pattern, orientation, orientation.upright_size(1600, 2400))
    upright = orientation.to_upright(light.astype(np.float32))
    expected = cv2.resize(upright, (small.shape[1], small.shape[0]), interpolation=cv2.INTER_AREA)
    assert max(small.shape) == 1280
    assert np.abs(small - expected).mean() < 0.01


def test_clipped_light_has_no_fringe() -> None:
    """A lamp that is blown out in all channels, next to the dark: nothing gets brighter than the sensor can be, nor
    darker than the dark by more than a twentieth of the step between them."""
    y, x = np.mgrid[0:160, 0:160]
    for lamp in (np.hypot(y - 80, x - 80) < 30, x - y > 3, x > 79):
        light = np.where(lamp[..., None], 1.0, np.array([0.02, 0.04, 0.025]))
        mosaic, pattern = mosaic_of(light, "RGGB")
        pixels, _ = full_size_window(
            mosaic, BLACK, WHITE, pattern, Orientation.TOP_LEFT, (160, 160), WHOLE, BALANCE, None
        )
        assert pixels.max() < 1 + 2e-4 and pixels.min() > -0.03
