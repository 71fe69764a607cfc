"""Contrast on luminance: its slopes, hue, gamut and noise, against what is published or promised."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest

from pipeline.imaging import tone
from pipeline.imaging.colour import LUMINANCE, srgb_decode, srgb_encode, to_lab
from pipeline.imaging.tone import CONTRAST, colourfulness, contrasted, curve, render, shoulder
from pipeline.light.chart.values import LINEAR

SAME = np.eye(3)
KNEE, WHITE = 0.55, 3.0


def shown(colours: np.ndarray, contrast: float = 0.4, **more: Any) -> np.ndarray:
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
    assert colourfulness(grey, 0.4) == pytest.approx([1 + CONTRAST.follow * 0.2])


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
    """Y of ITU-R BT.709 of a grey is the curve of Y up to the knee, that of a colour lies between what its
    luminance and its largest channel ask for; a colour stays on its line from grey."""
    greys = np.linspace(0.002, 0.5, 40)[:, None] * np.ones(3)
    assert shown(greys) @ LUMINANCE == pytest.approx(curve(greys[:, 0], KNEE, WHITE, 0.4), rel=4e-3, abs=2e-4)
    rng = np.random.default_rng(5)
    colours = rng.uniform(0.01, 1.2, (300, 1)) * rng.uniform(0.05, 1, (300, 3))
    light = colours @ LUMINANCE
    out = shown(colours)
    free = out.max(axis=1) < KNEE
    assert free.sum() > 50
    most = colours.max(axis=1)
    ratio = (out @ LUMINANCE / light)[free]
    low, high = (contrasted(x[free], 0.4) / x[free] for x in (light, most))
    assert (ratio > 0.996 * low).all() and (ratio < 1.004 * high).all()
    before, after = colours - light[:, None], out - (out @ LUMINANCE)[:, None]
    along = (before * after).sum(axis=1) / np.linalg.norm(before, axis=1) / np.linalg.norm(after, axis=1)
    assert along.min() > 0.999


def test_a_mild_colour_moves_from_grey_by_the_slope() -> None:
    colour = np.array([[0.20, 0.17, 0.15]])
    light = float(colour[0] @ LUMINANCE)
    out = shown(colour)[0]
    moved = (out / (out @ LUMINANCE) - 1) / (colour[0] / light - 1)
    assert moved == pytest.approx(1 + CONTRAST.follow * 0.4 * 0.18 / (light + 0.18), rel=0.03)


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
    out = shown(np.array([[3.0, 3.0, 3.0], [9.0, 5.0, 5.0], [0.0, 0.0, 0.0], [-0.01, -0.02, -0.01]]))
    assert out[:2] == pytest.approx(1.0)
    assert out[2:4] == pytest.approx(0.0, abs=1e-6)


def test_the_black_point_becomes_black_and_middle_grey_stays() -> None:
    assert contrasted(np.array([0.003, 0.004, 0.18]), 0.4, 0.004) == pytest.approx([0, 0, 0.18])
    assert contrasted(np.array([0.18, 0.09]), 0.0, 0.0) == pytest.approx([0.18, 0.09])


def test_noise_in_the_shadows_is_not_raised() -> None:
    """8-bit codes of noise of 0.003 about black and deep shadows, grey and coloured: no larger than straight."""
    rng = np.random.default_rng(9)
    for level in (0.0, 0.003, 0.01):
        colours = level + 0.003 * rng.standard_normal((20000, 3))
        before, after = (255 * render(colours[None].astype(np.float32), SAME, 0, KNEE, WHITE, 1, *c, raw=True)[0]
                         for c in ((), (0.4, 0.0, 0.003)))  # fmt: skip
        grey = [(v @ np.ones(3) / 3).std() for v in (before, after)]
        colour = [(v - v.mean(axis=1, keepdims=True)).std() for v in (before, after)]
        assert grey[1] < 1.05 * grey[0] and colour[1] < 1.1 * colour[0], (level, grey, colour)


# Linear Rec. 709 and noise of what went black or speckled: a navy jersey of the demo, and the blue patch of a real
# chart whose green lies far below zero (a Kodak DC120), as plain LibRaw shows it.
DEEP = {"navy": ((0.006, 0.007, 0.155), 0.008), "patch": ((0.012, -0.045, 0.24), 0.01)}


@pytest.mark.parametrize("colour, noise", DEEP.values(), ids=DEEP)
@pytest.mark.parametrize("black", [0.0, 0.004])
@pytest.mark.parametrize("dim", [1.0, 0.4])
def test_a_noisy_dark_blue_stays_blue_and_smooth(
    colour: tuple[float, ...], noise: float, black: float, dim: float
) -> None:
    """Against channels cut at zero and coded by IEC 61966-2-1: no half a percent more near black, luma (ITU-R BT.709,
    of codes) no more than a tenth less even, seven tenths of its blue and no third more noise there."""
    rng = np.random.default_rng(4)
    linear = dim * np.array(colour) + noise * rng.standard_normal((20000, 3))
    plain = 255 * srgb_encode(np.clip(linear, 0, 1))
    for own in ((0.0, 0.0, 0.0), (0.4, black, noise / 4)):
        given = linear[None].astype(np.float32)
        codes = 255 * render(given, SAME, 0.0, KNEE, WHITE, 1.0, *own, raw=True)[0]
        dark, before = ((v.max(axis=1) < 20).mean() for v in (codes, plain))
        assert dark <= before + 0.005, (own, dark, before)
        assert (codes @ LUMINANCE).std() < 1.1 * (plain @ LUMINANCE).std(), own
        assert np.median(codes[:, 2]) > 0.7 * np.median(plain[:, 2]), own
        assert codes[:, 2].std() < 4 / 3 * plain[:, 2].std(), own


def test_a_channel_that_falls_below_zero_makes_no_edge() -> None:
    """Blue whose green falls far below zero, and a red and a green likewise: what is shown changes without a jump."""
    falling = np.linspace(0.03, -0.2, 400)
    for big, small in ((2, 1), (0, 2), (1, 0)):
        colours = np.full((400, 3), 0.01)
        colours[:, big], colours[:, small] = 0.16, falling
        for own in ((0.0, 0.0), (0.4, 0.004)):
            given = colours[None].astype(np.float32)
            codes = 255 * render(given, SAME, 0.0, KNEE, WHITE, 1.0, *own, raw=True)[0]
            assert np.abs(np.diff(codes, axis=0)).max() < 2, (big, own)
            assert np.ptp(codes[:, big]) < 12 and codes[:, big].min() > 90, (big, own)
            assert (np.diff(codes[:, small]) <= 1e-3).all()


def test_saturated_chart_colours_keep_their_smallest_channel() -> None:
    """Red and orange as the straight curve showed them of a real chart (CRW_0304) keep four fifths of the code of their
    smallest channel; the published chart colours that Rec. 709 holds (D. Pascale) keep half of its share in their
    luminance, and hue within 3 degrees in CIELAB."""
    real = srgb_decode(np.array([[152, 42, 51], [175, 100, 31]], np.float32) / 255).astype(np.float64)
    colours = np.vstack([real, LINEAR[LINEAR.min(axis=1) > 0.005]])
    now, straight = (shown(colours, c, raw=True) for c in (0.4, 0.0))
    codes = 255 * srgb_encode(now[:2])
    assert codes[0, 1] > 0.8 * 42 and codes[1, 2] > 0.8 * 31
    share, before = (v.min(axis=1) / (v @ LUMINANCE) for v in (now, straight))
    assert (share > before / 2).all(), share / before
    one, other = (to_lab(v[:2]) for v in (now, straight))
    turned = np.degrees([np.arctan2(v[:, 2], v[:, 1]) for v in (one, other)])
    assert turned[0] == pytest.approx(turned[1], abs=3)


@pytest.mark.parametrize("contrast", [0.4, 1.5])
def test_purer_colours_stay_purer(contrast: float) -> None:
    """From grey to the edge of Rec. 709 and beyond, by six hues and three lights, as far as no channel is in the
    shoulder: the smallest channel's share in luminance falls all the way."""
    for hue in ((1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 0), (0, 1, 1), (1, 0, 1), (1, 0.4, 0)):
        for light in (0.02, 0.1, 0.3):
            pure = np.linspace(0, 1.1, 200)[:, None]
            colours = light * (1 - pure + pure * np.array(hue))
            out = shown(colours, contrast, raw=True)
            share = out.min(axis=1) / (out @ LUMINANCE)
            assert (np.diff(share) < 1e-4).all(), (hue, light)


def test_colours_of_jerseys_get_more_than_less_pure_ones() -> None:
    """Red, green, magenta and blue of the published chart (D. Pascale) end at least as far from grey, in CIELAB, as
    they would by what each has to the edge alone; both skin patches stay within 1 of that."""
    with patch.object(tone, "CONTRAST", replace(tone.CONTRAST, pure=0.0)):
        without = to_lab(shown(LINEAR, 0.4, raw=True))
    found = to_lab(shown(LINEAR, 0.4, raw=True))
    more = np.hypot(*found[:, 1:].T) - np.hypot(*without[:, 1:].T)
    assert (more[[12, 13, 14, 16]] > 1).all() and more[:2].max() < 1
