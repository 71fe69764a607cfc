"""Fields of gains and the waves they hold, against numpy's Legendre series and closed forms."""

from __future__ import annotations

import json
import tracemalloc

import numpy as np
import pytest

from pipeline.imaging.orientation import Orientation
from pipeline.light.gain_map import GainMap, apply_gain_map, basis, polynomial
from pipeline.light.row_wave import find_cycles, terms
from pipeline.types import Domain, Image, Noise

UP = Orientation.TOP_LEFT
QUARTER = 0.0125  # EV, of the 0.05 EV by which the frames of a burst may differ


def image(pixels: np.ndarray, saturation: float = 1.0) -> Image:
    noise = Noise(np.array([1e-3, 2e-3, 3e-3]), np.array([1e-6, 2e-6, 3e-6]))
    return Image(pixels.astype(np.float32), Domain.CAMERA, noise, np.full(3, saturation), np.eye(3))


def wavy(seed: int = 0, rows: int = 5, columns: int = 3) -> GainMap:
    fall = 0.2 / (1 + np.arange(rows)[:, None, None] + np.arange(columns)[None, :, None])
    return GainMap(np.random.default_rng(seed).normal(0, 1, (rows, columns, 3)) * fall)


def test_values_are_those_of_the_legendre_series() -> None:
    gain_map = wavy()
    x, y = (np.arange(40) + 0.5) / 20 - 1, (np.arange(30) + 0.5) / 15 - 1
    for channel in range(3):
        expected = np.polynomial.legendre.leggrid2d(y, x, gain_map.coefficients[..., channel])
        assert gain_map.on(30, 40)[..., channel] == pytest.approx(expected, abs=1e-12)
    # P2(x) = (3 x^2 - 1) / 2 and P3(x) = (5 x^3 - 3 x) / 2: Rodrigues' formula (Abramowitz and Stegun 22.3.8).
    assert basis(40, 3)[:, 2] == pytest.approx((3 * x**2 - 1) / 2)
    assert basis(40, 3)[:, 3] == pytest.approx((5 * x**3 - 3 * x) / 2)


def test_sum_and_negative() -> None:
    one, other = wavy(1, 2, 4), wavy(2, 6, 1)
    assert (one + other).on(7, 9) == pytest.approx(one.on(7, 9) + other.on(7, 9))
    assert (one + -one).on(7, 9) == pytest.approx(np.zeros((7, 9, 3)))
    assert GainMap.constant(np.array([1.0, 0, -1])).on(2, 2) == pytest.approx(np.tile([1.0, 0, -1], (2, 2, 1)))


@pytest.mark.parametrize("orientation", Orientation)
def test_apply_is_the_pixelwise_product(orientation: Orientation) -> None:
    gain_map = wavy(3)
    sensor = np.random.default_rng(1).uniform(0.02, 0.3, (90, 130, 3))
    out = apply_gain_map(image(orientation.to_upright(sensor)), gain_map, orientation).pixels
    expected = orientation.to_upright(sensor * 2 ** gain_map.on(90, 130))
    assert np.abs(np.log2(out / expected)).max() < QUARTER


def test_bands_of_an_electronic_shutter_survive_the_interpolation_of_gains() -> None:
    """Two waves over the rows and their harmonic (worked_values.json, bands: 1/60 s at 120 Hz shows two)."""
    at = np.linspace(-1, 1, 401)
    wave = 0.4 * np.cos(2 * np.pi * at) + 0.05 * np.sin(4 * np.pi * at)
    gain_map = GainMap(np.tile(np.polynomial.legendre.legfit(at, wave, 18)[:, None, None], (1, 1, 3)))
    grey = image(np.full((700, 50, 3), 0.2))
    row = (np.arange(700) + 0.5) / 350 - 1
    true = 0.4 * np.cos(2 * np.pi * row) + 0.05 * np.sin(4 * np.pi * row)
    assert np.abs(np.log2(apply_gain_map(grey, gain_map, UP).pixels[:, 0, 1] / 0.2) - true).max() < QUARTER


@pytest.mark.parametrize("varying", [False, True])
def test_clipped_light_stays_neutral(varying: bool) -> None:
    """A white lamp clips every channel alike; balancing gains must not colour it."""
    balance = GainMap.constant(np.log2([1.9, 1.0, 1.6]))
    gain_map = balance + (wavy(4) if varying else GainMap.constant(np.zeros(3)))
    blown = apply_gain_map(image(np.ones((40, 60, 3))), gain_map, Orientation.RIGHT_TOP)
    assert np.ptp(blown.pixels, axis=2).max() < 1e-5
    # Red jersey that is bright but not clipped keeps its hue.
    red = np.full((40, 60, 3), [0.8, 0.1, 0.1])
    assert apply_gain_map(image(red), balance, UP).pixels[0, 0] == pytest.approx([1.52, 0.1, 0.16], rel=1e-5)


def test_noise_and_saturation_follow_the_gain() -> None:
    """var(g x) = g^2 var(x); of a x + b that makes a -> g a and b -> g^2 b in the new units."""
    gains = np.array([1.9, 1.0, 0.5])
    before = image(np.full((8, 8, 3), 0.2))
    after = apply_gain_map(before, GainMap.constant(np.log2(gains)), UP)
    assert after.noise.a == pytest.approx(before.noise.a * gains)
    assert after.noise.b == pytest.approx(before.noise.b * gains**2)
    assert after.saturation == pytest.approx(gains)
    variance = before.noise.a * 0.2 + before.noise.b
    assert after.noise.a * after.pixels[0, 0] + after.noise.b == pytest.approx(variance * gains**2)


def test_json_round_trip_and_trimming() -> None:
    gain_map = wavy(5)
    kept = GainMap(np.array(json.loads(json.dumps(gain_map.rounded().as_json()))))
    assert kept.on(9, 9) == pytest.approx(gain_map.on(9, 9), abs=1e-3)
    padded = gain_map + GainMap(np.zeros((19, 5, 3)))
    assert padded.rounded().as_json() == gain_map.rounded().as_json()
    faint = padded.coefficients.copy()
    faint[18, 4] = 1e-4
    assert GainMap(faint).rounded().as_json() == gain_map.rounded().as_json()
    # Nothing at all is one zero and never -0.0, which would be another text and so another key.
    assert json.dumps((-GainMap(np.zeros((4, 3, 3)))).rounded().as_json()) == "[[[0.0, 0.0, 0.0]]]"


def test_multipliers_and_a_gain_map_add() -> None:
    gain_map = wavy(6)
    total = GainMap.of_multipliers(np.array([2.0, 1.0, 0.5])) + gain_map.rounded()
    assert total.on(3, 3) == pytest.approx(gain_map.on(3, 3) + np.array([1.0, 0.0, -1.0]), abs=1e-3)
    assert GainMap.of_multipliers(np.ones(3)).on(2, 2) == pytest.approx(np.zeros((2, 2, 3)))


@pytest.mark.parametrize("waves", [0.4, 1.0, 1.667, 2.0])
def test_waves_over_the_rows_are_found(waves: float) -> None:
    """worked_values.json, bands: 1/250 s at 100 Hz shows 0.4, 1/60 s 1.667 and at 120 Hz 2.0."""
    at = (np.arange(32) + 0.5) / 32 - 0.5
    rng = np.random.default_rng(0)
    phase = rng.uniform(0, 2 * np.pi, (8, 1))
    profiles = np.log2(1 + 0.3 * np.cos(2 * np.pi * waves * at + phase)) + rng.normal(0, 0.005, (8, 32))
    profiles[2, 5:9] = np.nan
    assert find_cycles(profiles) == pytest.approx(waves, abs=0.1)


@pytest.mark.parametrize("waves", [0.8, 1.2, 1.7])
@pytest.mark.parametrize("rows", [slice(20, 28), slice(40, 52), slice(0, 10)])
def test_somebody_dark_in_the_same_rows_of_all_frames_is_no_wave(waves: float, rows: slice) -> None:
    """Fits whose rows all count alike take him for waves of half or twice that length."""
    at = (np.arange(64) + 0.5) / 64 * 2 - 1
    profiles = 0.3 * np.cos(np.pi * waves * at + np.array([[0.3], [1.9], [3.3], [5.0]]))
    profiles[:, rows] -= 1.5
    assert find_cycles(profiles) == pytest.approx(waves, abs=0.1)


def test_terms_hold_a_sine_and_its_logarithm() -> None:
    at = (np.arange(64) + 0.5) / 64 * 2 - 1
    for waves in (0.4, 1.0, 2.0):
        model = terms(waves)
        x = model.design(64, 1)[:, np.array(model.across) == 0]
        y = np.log2(1 + 0.34 * np.cos(np.pi * waves * at + 0.7))
        assert np.abs(y - x @ np.linalg.lstsq(x, y, rcond=None)[0]).max() < 0.012


def test_what_nobody_sees_is_dropped() -> None:
    """Half a thousandth of a stop is less than a tenth of an 8-bit code."""
    for stops, kept in ((0.00048, 1), (0.00052, 2)):
        coefficients = np.zeros((2, 1, 3))
        coefficients[0], coefficients[1, 0, 1] = 1.0, stops
        assert len(GainMap(coefficients).rounded().coefficients) == kept


def test_no_gain_leaves_the_image_alone() -> None:
    """A finished frame with a yellow near its top, whose channels would be taken for clipped ones."""
    yellow = image(np.array([[[1.0, 0.95, 0.2]]]))
    assert apply_gain_map(yellow, GainMap.constant(np.zeros(3)), UP) is yellow


def test_gains_that_differ_from_pixel_to_pixel_take_the_memory_of_one_picture() -> None:
    """A picture of all pixels fills a worker: the gains give their memory to the result."""
    pixels = np.random.default_rng(3).uniform(0.01, 1, (600, 800, 3)).astype(np.float32)
    given, gain_map = image(pixels), wavy()
    apply_gain_map(given, gain_map, UP)  # compiles
    before = pixels.copy()
    tracemalloc.start()
    try:
        made = apply_gain_map(given, gain_map, UP)
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert (given.pixels == before).all()
    assert np.ptp(made.pixels / pixels) > 0.1
    assert most < 1.5 * pixels.nbytes


def test_a_polynomial_goes_through_the_places_that_count() -> None:
    """One of these degrees is found again, whatever counts; of a step the side that counts 1000 times as much is."""
    down, across = np.meshgrid(np.linspace(-1, 1, 9), np.linspace(-1, 1, 11), indexing="ij")
    whole = np.stack([1 + down - 2 * across**2, down * across], axis=-1)
    heavy = np.where(across > 0, 1000.0, 1.0)
    for weight in (np.ones((9, 11)), heavy):
        found = GainMap(np.concatenate([polynomial(whole, weight, (2, 3)), np.zeros((3, 4, 1))], axis=-1))
        assert found.at_each(down.ravel(), across.ravel())[:, :2] == pytest.approx(whole.reshape(-1, 2))
    step = np.where(across > 0, 1.0, 0.0)[..., None]
    found = GainMap(np.repeat(polynomial(step, heavy, (1, 2)), 3, axis=-1)).at_each(down.ravel(), across.ravel())[:, 0]
    assert found[across.ravel() > 0] == pytest.approx(1, abs=0.05)
    assert np.abs(found[across.ravel() <= 0]).max() > 0.5
