"""Contrast on luminance: its slopes, hue, gamut and noise, against what is published or promised."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.imaging.colour import LUMINANCE, srgb_decode, to_lab
from pipeline.imaging.tone import CONTRAST, colourfulness, contrasted, curve, render, shoulder
from pipeline.light.chart.values import LINEAR

SAME = np.eye(3)
KNEE, WHITE = 0.55, 3.0


def shown(colours: np.ndarray, contrast: float = 0.4, **more: float) -> np.ndarray:
    """Linear light that a display makes of colours (N, 3)."""
    out = render(np.asarray(colours, np.float32)[None], SAME, 0.0, KNEE, WHITE, 1.0, contrast, **more)
    return srgb_decode(out)[0].astype(np.float64)


def test_middle_grey_stays_and_the_slope_there_is_the_system_gamma() -> None:
    """ITU-R BT.2100-2, table 5: the HLG display's gamma on luminance is 1.2 at its nominal 1000 cd/m2."""
    grey = np.array([CONTRAST.middle])
    assert contrasted(grey, 0.4) == pytest.approx(grey)
    step = 1e-4
    slope = np.log(contrasted(grey * (1 + step), 0.4) / contrasted(grey, 0.4)) / np.log(1 + step)
    assert slope == pytest.approx([1.2], abs=1e-3)
    assert colourfulness(grey, 0.4) == pytest.approx([1.2])


def test_shadows_get_the_whole_slope_and_highlights_keep_theirs() -> None:
    for light, wanted in ((1e-5, 1.4), (50.0, 1.0)):
        pair = contrasted(np.array([light, light * 1.01]), 0.4)
        assert np.log(pair[1] / pair[0]) / np.log(1.01) == pytest.approx(wanted, abs=5e-3)


@pytest.mark.parametrize("contrast", [0.0, 0.2, 0.4, 1.0])
def test_the_curve_is_smooth_rises_and_ends_at_white(contrast: float) -> None:
    x = np.linspace(0, WHITE, 20001)
    y = curve(x, KNEE, WHITE, contrast)
    assert y[0] == 0 and y[-1] == pytest.approx(1, abs=1e-6)
    slope = np.diff(y) / np.diff(x)
    assert (slope > 0).all() and np.abs(np.diff(slope)).max() < 0.1 * slope.max()
    if contrast >= 0.4:  # an S: flat in the shadows, steep, flat at the top
        assert slope[0] < 0.5 * slope.max() and slope[-1] < 0.5 * slope.max()


def test_no_contrast_is_the_shoulder_alone() -> None:
    rng = np.random.default_rng(3)
    colours = rng.uniform(-0.05, 3.2, (40, 3)).astype(np.float32)
    x = np.linspace(0, 3, 50)
    assert np.array_equal(curve(x, KNEE, WHITE), shoulder(x, KNEE, WHITE))
    plain = render(colours[None], SAME, 0.2, KNEE, WHITE, 1.1)
    assert np.array_equal(render(colours[None], SAME, 0.2, KNEE, WHITE, 1.1, 0.0, 0.0, 0.3), plain)


def test_luminance_follows_the_curve_and_hue_is_kept() -> None:
    """Y of ITU-R BT.709 of what is shown is the curve of Y up to the knee; a colour stays on its line from grey."""
    rng = np.random.default_rng(5)
    colours = rng.uniform(0.01, 1.2, (300, 1)) * rng.uniform(0.05, 1, (300, 3))
    light = colours @ LUMINANCE
    out = shown(colours)
    free = out.max(axis=1) < KNEE
    assert free.sum() > 50
    assert out[free] @ LUMINANCE == pytest.approx(curve(light[free], KNEE, WHITE, 0.4), rel=4e-3, abs=2e-4)
    before, after = colours - light[:, None], out - (out @ LUMINANCE)[:, None]
    along = (before * after).sum(axis=1) / np.linalg.norm(before, axis=1) / np.linalg.norm(after, axis=1)
    assert along.min() > 0.999


def test_a_mild_colour_moves_from_grey_by_the_slope() -> None:
    colour = np.array([[0.20, 0.17, 0.15]])
    light = float(colour[0] @ LUMINANCE)
    ratio = shown(colour)[0] / curve(np.array([light]), KNEE, WHITE, 0.4)[0] - 1
    assert ratio / (colour[0] / light - 1) == pytest.approx(1 + 0.4 * 0.18 / (light + 0.18), rel=0.02)


def test_bright_colours_do_not_newly_clip_and_stay_in_order() -> None:
    """Folds of a red, a yellow and a blue jersey in full light: no channel ends before it did, and all stay apart."""
    shade = np.geomspace(0.2, 1.0, 60)
    for colour in ((0.9, 0.12, 0.1), (0.95, 0.75, 0.06), (0.1, 0.15, 0.8)):
        out = shown(shade[:, None] * np.array(colour))
        assert out.max() < 0.98
        assert (np.diff(out.max(axis=1)) > 1e-4).all() and (np.diff(out @ LUMINANCE) > 1e-4).all()


def test_folds_of_a_white_shirt_are_kept() -> None:
    """Shading of a tenth at 0.6 to 1.0 of white: brighter than straight, and apart by more than half as much."""
    for level in (0.6, 0.7, 0.8, 0.9, 1.0):
        pair = np.array([level * 0.9, level])[:, None] * np.ones(3)
        now, straight = (to_lab(shown(pair, c))[:, 0] for c in (0.4, 0.0))
        assert now[1] < 98 and now[1] > straight[1]
        assert np.ptp(now) > 0.5 * np.ptp(straight)


def test_a_bright_yellow_stays_yellow() -> None:
    """The chart's yellow (measured by D. Pascale, values.XYZ) in strong light, against straight."""
    now, straight, dim = (
        to_lab(shown(light * LINEAR[15][None], c))[0] for light, c in ((1.4, 0.4), (1.4, 0.0), (0.7, 0))
    )
    hues = [np.degrees(np.arctan2(lab[2], lab[1])) for lab in (now, dim)]
    assert hues[0] == pytest.approx(hues[1], abs=2)
    assert np.hypot(*now[1:]) > 0.95 * np.hypot(*straight[1:]) and now[0] > 80


def test_white_and_beyond_is_white_and_nothing_is_black() -> None:
    out = shown(np.array([[3.0, 3.0, 3.0], [9.0, 5.0, 5.0], [0.0, 0.0, 0.0], [-0.01, -0.02, -0.01], [-0.1, 0.0, 0.05]]))
    assert out[:2] == pytest.approx(1.0)
    assert out[2:4] == pytest.approx(0.0, abs=1e-6)
    assert np.isfinite(out).all() and out[4].max() < 1e-3


def test_the_black_point_becomes_black_and_middle_grey_stays() -> None:
    assert contrasted(np.array([0.003, 0.004, 0.18]), 0.4, 0.004) == pytest.approx([0, 0, 0.18])
    assert contrasted(np.array([0.18, 0.09]), 0.0, 0.0) == pytest.approx([0.18, 0.09])


def test_noise_in_the_shadows_is_not_raised() -> None:
    """8-bit codes of noise of 0.003 about black and deep shadows, grey and coloured: no larger than straight."""
    rng = np.random.default_rng(9)
    for level in (0.0, 0.003, 0.01):
        colours = level + 0.003 * rng.standard_normal((20000, 3))
        before, after = (255 * render(colours[None].astype(np.float32), SAME, 0, KNEE, WHITE, 1, *c)[0]
                         for c in ((), (0.4, 0.0, 0.003)))  # fmt: skip
        grey = [(v @ np.ones(3) / 3).std() for v in (before, after)]
        colour = [(v - v.mean(axis=1, keepdims=True)).std() for v in (before, after)]
        assert grey[1] < 1.05 * grey[0] and colour[1] < 1.1 * colour[0], (level, grey, colour)
