"""Clipped light and gray-world against closed forms and what they promise."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.light.highlights import gray_world, rebuild_highlights, usable


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


def test_a_channel_is_rebuilt_from_nine_tenths_of_its_clip_on() -> None:
    """Sensors bend before they clip: up to 0.9 of the clip a channel is believed, from 0.99 on it counts as "at
    least", between the two it goes over evenly. What a channel may be raised to is the pixel's largest."""
    gains = np.array([2.0, 1.0, 1.5])
    for share, moved in ((0.5, 0.0), (0.899, 0.0), (0.945, 0.5), (0.9675, 0.75), (0.991, 1.0)):
        pixel = (np.array([[[0.6, share, 0.6]]]) * gains).astype(np.float32)
        out = rebuild_highlights(pixel, gains)[0, 0]
        assert out[1] == pytest.approx(share + moved * (1.2 - share), abs=1e-4)
        assert out[[0, 2]] == pytest.approx(pixel[0, 0, [0, 2]])


def test_bright_parts_of_a_finished_picture_end_between_as_they_were_and_grey() -> None:
    """A camera's curve draws what is bright towards white, so that a lamp's cast is hardly on it: porcelain under a
    filament lamp, 247, 235 and 223 of 255 in a real picture, turned pink (light.cast; by eye). What is darker, what a
    raw shows and what the gains leave on its own side of grey goes as ever; up to 0.8 of the scale nothing changes."""
    gains, saturation = np.array([0.5, 1.0, 2.5], dtype=np.float32), np.ones(3)
    porcelain = np.array([[[0.93, 0.83, 0.74]]], dtype=np.float32)
    assert rebuild_highlights(porcelain, saturation, gains, finished=True) == pytest.approx(np.full((1, 1, 3), 0.83))
    assert rebuild_highlights(porcelain, saturation, gains)[0, 0, 2] == pytest.approx(1.85)
    cool = np.array([[[0.85, 0.9, 0.95]]], dtype=np.float32)  # a window: no bluer than it was
    assert rebuild_highlights(cool, saturation, gains, finished=True)[0, 0, 2] == pytest.approx(0.95, abs=1e-3)
    white = np.ones((1, 1, 3), dtype=np.float32)  # burnt: white, and no brighter than what is nearly so beside it
    assert rebuild_highlights(white, saturation, gains, finished=True) == pytest.approx(white)
    skin = np.array([[[0.79, 0.5, 0.3]], [[0.95, 0.5, 0.15]]], dtype=np.float32)
    out = rebuild_highlights(skin, saturation, gains, finished=True)
    assert out[0] == pytest.approx(skin[0] * gains) and out[1, 0, 2] == pytest.approx(0.375)
    for share, part in ((0.8, 0.0), (0.86, 0.5), (0.921, 1.0)):
        out = rebuild_highlights(np.array([[[share, 0.7, 0.6001]]], np.float32), saturation, gains, finished=True)
        assert out[0, 0, 2] == pytest.approx(1.5 + part * (0.7 - 1.5), abs=1e-3)
    for share, part in ((0.4, 0.0), (0.45, 0.25), (0.55, 0.75)):  # a court that is nearly burnt in red keeps its gains
        out = rebuild_highlights(np.array([[[0.95, share, share]]], np.float32), saturation, gains, finished=True)
        assert out[0, 0, 2] == pytest.approx((2.5 - part * 1.5) * share, abs=1e-3)


def test_what_may_decide_about_light() -> None:
    """Neither near clipping, where colour is lost, nor in the noise: one channel of the three is enough."""
    saturation = np.array([2.0, 1.0, 1.5])
    good = np.array([1.0, 0.5, 0.7])
    assert usable(good[None, None].astype(np.float32), saturation, 0.004).all()
    for channel in range(3):
        for value, allowed in ((0.84, True), (0.86, False), (0.003 / saturation[channel], False)):
            pixel = good.copy()
            pixel[channel] = value * saturation[channel]
            assert usable(pixel[None, None].astype(np.float32), saturation, 0.004).all() == allowed
