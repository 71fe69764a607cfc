"""Sharpness of known charts: against the arithmetic of its filters, known blurs, noise, brightness and size."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.ndimage import convolve, gaussian_filter

from pipeline.imaging.geometry import WHOLE, Box
from pipeline.imaging.sharpness import Detail, edges, noise_of, sharpness
from pipeline.types import F32

# The demonstration's sensor (fixtures/demo.py, expose) by ISO; a doubles with ISO, as photon noise does.
A_6400, B_6400 = 1.6e-3, 1.6e-5


def chart(seed: int = 3, size: int = 300) -> F32:
    """Dark and light patches of chance with hard edges, mean 0.2: a shirt with its number and folds."""
    rng = np.random.default_rng(seed)
    small = rng.uniform(0.08, 0.32, (size // 10, size // 10))
    return np.kron(small, np.ones((10, 10))).astype(np.float32)


def at_iso(picture: F32, iso: float, seed: int = 0) -> Detail:
    """`picture` as a sensor with Poisson and Gaussian noise of known size gives it."""
    rng = np.random.default_rng(seed)
    a, b = A_6400 * iso / 6400, B_6400 * (iso / 6400) ** 2
    noisy = a * rng.poisson(np.maximum(picture, 0) / a) + np.sqrt(b) * rng.standard_normal(picture.shape)
    return Detail(noisy.astype(np.float32), a, b)


def clean(picture: F32) -> Detail:
    return Detail(picture, 1e-7, 1e-12)


@pytest.mark.parametrize("period", [5, 8, 13])
def test_waves_have_the_contrast_that_the_filters_leave(period: int) -> None:
    """Oracle: a wave c sin(w x) keeps exp(-s^2 w^2 / 2) of itself after a Gaussian of s = 1 pixel, and its second
    difference is 2 - 2 cos(w) times as large; of a level and an upright one the Laplacian's root mean square is c."""
    w, contrast = 2 * np.pi / period, 0.04
    wave = np.sin(w * np.arange(312, dtype=np.float64))
    picture = (0.25 * (1 + contrast * (wave + wave[:, None]))).astype(np.float32)
    told = contrast * np.exp(-(w**2) / 2) * (2 - 2 * np.cos(w))
    assert sharpness(clean(picture), WHOLE) == pytest.approx(told, rel=0.03)


def test_what_is_left_along_a_movement_is_not_sharp() -> None:
    """A wave of one direction, as movement leaves it, has a tenth of the contrast across it: the harmonic mean of 1,
    1, 1 and a tenth, against that of 1, 1 and the square root of 2 twice."""
    w, contrast = 2 * np.pi / 8, 0.04
    picture = np.broadcast_to(1 + contrast * np.sin(w * np.arange(312)), (312, 312)).astype(np.float32) / 4
    laplacian = contrast / np.sqrt(2) * np.exp(-(w**2) / 2) * (2 - 2 * np.cos(w))
    assert sharpness(clean(picture), WHOLE) == pytest.approx(laplacian * (1 + np.sqrt(2)) / 2 * 4 / 13, rel=0.03)


@pytest.mark.parametrize("iso", [0, 12800])
@pytest.mark.parametrize("way", ["across", "down", "slanting"])
def test_movement_blurs_as_much_whichever_way_it_goes(way: str, iso: float) -> None:
    """Oracle of the blur: a uniform kernel of five pixels (four of movement) along the way."""
    kernel = {"across": np.ones((1, 5)), "down": np.ones((5, 1)), "slanting": np.eye(4)}[way]
    still = np.asarray(gaussian_filter(chart(), 0.7), dtype=np.float32)
    moved = np.asarray(convolve(still, kernel / kernel.sum()), dtype=np.float32)
    one, other = (at_iso(v, iso) if iso else clean(v) for v in (moved, still))
    assert sharpness(one, WHOLE) / sharpness(other, WHOLE) == pytest.approx(0.66, abs=0.08)


def test_blur_lowers_it_step_by_step() -> None:
    """Oracle of the blur: scipy's Gaussian filter."""
    told = [sharpness(clean(gaussian_filter(chart(), s)), WHOLE) for s in (0, 0.7, 1, 1.5, 2, 3, 5)]
    assert all(later < 0.85 * before for before, later in pairwise(told))
    assert told[-1] < 0.1 * told[0]


@pytest.mark.parametrize("blur", [0.0, 0.7, 1.0, 1.5])
@pytest.mark.parametrize("iso", [800, 3200, 12800])
def test_noise_does_not_move_it(blur: float, iso: float) -> None:
    """The bar of 5 %, for whatever is sharp enough to be called so; the mean of a few frames, as of a burst."""
    picture = np.asarray(gaussian_filter(chart(), blur), dtype=np.float32)
    told = [sharpness(at_iso(picture, iso, seed), WHOLE) for seed in range(6)]
    assert np.mean(told) == pytest.approx(sharpness(clean(picture), WHOLE), rel=0.05)


def test_a_soft_part_at_high_iso_stays_behind_a_sharp_one_at_low() -> None:
    soft = np.asarray(gaussian_filter(chart(), 4), dtype=np.float32)
    sharp = sharpness(at_iso(chart(), 800), WHOLE)
    assert sharpness(at_iso(soft, 12800), WHOLE) < 0.2 * sharp < sharpness(at_iso(chart(), 12800), WHOLE)


@pytest.mark.parametrize("iso", [800, 12800])
def test_nothing_but_noise_is_not_sharp(iso: float) -> None:
    flat = np.full((300, 300), 0.2, np.float32)
    told = np.mean([sharpness(at_iso(flat, iso, seed), WHOLE) for seed in range(6)])
    assert told < 0.06 * sharpness(clean(chart()), WHOLE)


def test_brightness_does_not_move_it() -> None:
    told = [sharpness(clean(chart() * np.float32(gain)), WHOLE) for gain in (0.25, 0.5, 1, 2)]
    assert told == pytest.approx([told[2]] * 4, rel=0.02)
    dark = [sharpness(at_iso(chart() * np.float32(0.35), 6400, seed), WHOLE) for seed in range(6)]
    assert np.mean(dark) == pytest.approx(told[2], rel=0.08)


def test_a_part_of_any_size_is_seen_at_the_size_of_a_web_picture() -> None:
    """The same player on twice the pixels, out of focus in proportion, is as sharp."""
    large = np.kron(chart(), np.ones((4, 4))).astype(np.float32)
    larger = np.kron(chart(), np.ones((8, 8))).astype(np.float32)
    first, second = sharpness(clean(large), WHOLE), sharpness(clean(larger), WHOLE)
    assert second == pytest.approx(first, rel=0.05)


def test_only_the_box_counts() -> None:
    picture = np.tile(np.asarray(gaussian_filter(chart(), 3), dtype=np.float32), (1, 2))
    picture[:, :300] = chart()
    left, right = sharpness(clean(picture), Box(0.0, 0.0, 0.5, 1.0)), sharpness(clean(picture), Box(0.5, 0.0, 1.0, 1.0))
    assert left == pytest.approx(sharpness(clean(chart()), WHOLE), rel=1e-5)
    assert right < 0.3 * left


@pytest.mark.parametrize(
    "box", [(0.5, 0.5, 0.5, 0.5), (0.2, 0.1, 0.22, 0.9), (-0.3, -0.2, 0.01, 0.01), (1.0, 1.0, 1.2, 1.2)]
)
def test_a_part_that_is_too_small_says_nothing(box: tuple[float, float, float, float]) -> None:
    assert sharpness(clean(chart()), Box(*box)) == 0.0


def test_a_black_part_is_not_sharp() -> None:
    assert sharpness(clean(np.zeros((100, 100), np.float32)), WHOLE) == 0.0


@pytest.mark.parametrize("sigma", [0.0, 0.02, 0.08])
def test_noise_is_told_beside_edges_and_slopes(sigma: float) -> None:
    """A slope with a patch on it, and white noise of known standard deviation."""
    picture = np.linspace(0, 1, 300, dtype=np.float32)[:, None] + np.zeros(400, np.float32)
    picture[100:200, 150:250] += 0.5
    noise = sigma * np.random.default_rng(4).standard_normal(picture.shape)
    assert noise_of((picture + noise).astype(np.float32)) == pytest.approx(sigma, rel=0.05, abs=1e-6)


def told_by_edges(detail: Detail) -> float:
    found = edges(detail, WHOLE)
    assert found is not None
    return found


@pytest.mark.parametrize("blur", [1.0, 1.5, 2.0, 3.0])
@pytest.mark.parametrize("contrast", [0.1, 1.0])
def test_an_edge_is_as_sharp_as_its_blur_says_whatever_its_contrast(blur: float, contrast: float) -> None:
    """Oracle: the slope of an edge under a Gaussian of b is a Gaussian of sqrt(b^2 + s^2) after another of s: of both
    slopes the peaks are as sqrt((b^2 + 4) / (b^2 + 1)), the energies as its square root."""
    apart = np.kron(chart()[::10, ::10], np.ones((30, 30)))[:300, :300]  # edges that do not reach each other
    picture = np.asarray(gaussian_filter(0.2 + contrast * (apart - 0.2), blur), dtype=np.float32)
    peak = np.sqrt((blur**2 + 4) / (blur**2 + 1))
    assert np.sqrt(peak) - 1 < told_by_edges(clean(picture)) < peak - 1 + 0.01


def test_smooth_parts_between_sharp_edges_do_not_make_them_soft() -> None:
    """A face: one sharp rim and a few sharp details on a wide slope of tones, beside a part full of edges."""
    slope = np.tile(np.linspace(0.15, 0.3, 300, dtype=np.float32), (300, 1))
    y, x = np.mgrid[:300, :300]
    for cx, cy, r in ((150, 150, 110), (110, 120, 14), (190, 120, 14), (150, 200, 25)):
        slope = np.where((x - cx) ** 2 + (y - cy) ** 2 < r * r, slope * 0.7, slope)
    face, full = (gaussian_filter(v, 0.8) for v in (slope, np.kron(chart()[::10, ::10], np.ones((20, 20)))[:300, :300]))
    face, full = (clean(np.asarray(v, dtype=np.float32)) for v in (face, full))
    assert sharpness(face, WHOLE) < 0.6 * sharpness(full, WHOLE)
    assert told_by_edges(face) == pytest.approx(told_by_edges(full), rel=0.25)


@pytest.mark.parametrize("blur", [0.7, 1.5, 3.0])
def test_noise_does_not_move_edges(blur: float) -> None:
    picture = np.asarray(gaussian_filter(chart(), blur), dtype=np.float32)
    told = np.mean([told_by_edges(at_iso(picture, 6400, seed)) for seed in range(4)])
    assert told == pytest.approx(told_by_edges(clean(picture)), abs=0.05)


@pytest.mark.parametrize("way", ["across", "down", "slanting"])
def test_what_movement_leaves_sharp_does_not_count(way: str) -> None:
    kernel = {"across": np.ones((1, 9)), "down": np.ones((9, 1)), "slanting": np.eye(7)}[way]
    still = gaussian_filter(np.kron(chart()[::10, ::10], np.ones((30, 30)))[:300, :300], 0.7)
    if way == "slanting":
        still = gaussian_filter(disc(), 0.7)
    moved = clean(np.asarray(convolve(still, kernel / kernel.sum()), dtype=np.float32))
    assert told_by_edges(moved) < 0.6 * told_by_edges(clean(np.asarray(still, dtype=np.float32)))


def disc() -> F32:
    """Discs, whose edges go every way."""
    y, x = np.mgrid[:300, :300] % 60
    return np.where((x - 30) ** 2 + (y - 30) ** 2 < 400, 0.3, 0.1).astype(np.float32)


def test_where_there_are_no_edges_or_few_pixels_nothing_is_told() -> None:
    flat = np.full((300, 300), 0.2, np.float32)
    assert edges(at_iso(flat, 12800), WHOLE) is None and edges(clean(chart()[:43]), WHOLE) is None
    assert edges(clean(chart()), Box(0.5, 0.5, 0.5, 0.5)) is None
