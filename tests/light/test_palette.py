"""Palettes of scenes: a change of light is a translation, and is found as one.

Scenes are lit by multiplying (closed form), or drawn from published spectra (fixtures/light.json).
"""

from __future__ import annotations

import numpy as np
import pytest
from pipeline.fixtures.light import response, tables

from pipeline.light import palette
from pipeline.light.palette import (
    ChromaSamples,
    chroma_samples,
    counts,
    histogram,
    register,
    spectrum,
)
from pipeline.types import Domain, Image, Noise

HEIGHT, WIDTH = 96, 144
DAYLIGHT = np.array([1.9, 1.0, 1.5])
NOISE = Noise(np.full(3, 3e-5), np.full(3, 1e-7))


def picture(pixels: np.ndarray, seed: int = 0) -> Image:
    rng = np.random.default_rng(seed)
    seen = pixels + rng.normal(0, 1, pixels.shape) * np.sqrt(NOISE.a * pixels + NOISE.b)
    return Image(np.minimum(seen, 1).astype(np.float32), Domain.CAMERA, NOISE, np.ones(3), np.eye(3))


def samples_of(*pixels: np.ndarray, pans: tuple[float, ...] = ()) -> ChromaSamples:
    images = [picture(p, seed) for seed, p in enumerate(pixels)]
    return chroma_samples(
        [(i.pixels, i, pan, 1.0) for i, pan in zip(images, pans or (0.0,) * len(images), strict=True)], DAYLIGHT
    )


def hall(seed: int, colours: np.ndarray, floor: float = 0.4) -> np.ndarray:
    """Colours (N, 3) strewn over a wall, with a floor, all shaded; invented places."""
    rng = np.random.default_rng(seed)
    out = np.broadcast_to(colours[0], (HEIGHT, WIDTH, 3)).copy()
    for _ in range(70):
        y, x = int(rng.integers(0, HEIGHT)), int(rng.integers(0, WIDTH))
        out[y : y + int(rng.integers(4, 24)), x : x + int(rng.integers(4, 24))] = colours[rng.integers(2, len(colours))]
    out[round(HEIGHT * (1 - floor)) :] = colours[1]
    return out * rng.uniform(0.4, 0.7, (HEIGHT, WIDTH, 1))


def measured(lamp: str, camera: str = "D5100") -> np.ndarray:
    """(12, 3): wall, floor, and ten surfaces of the published chart under a published lamp."""
    names = ["neutral 6.5 (.44 D)", "orange yellow", "white 9.5 (.05 D)", "light skin", "dark skin", "red",
             "blue", "green", "neutral 5 (.70 D)", "moderate red", "cyan", "foliage"]  # fmt: skip
    return np.array([response(np.array(tables()["reflectances"][n]), lamp, camera) for n in names])


def shift_between(one: ChromaSamples, other: ChromaSamples) -> palette.Shift:
    return register(spectrum(histogram(one)), spectrum(histogram(other)), 1.6)


@pytest.mark.parametrize("step", [(0.0, 0.0), (0.013, -0.021), (0.31, -0.47), (-0.222, 0.186), (0.5, -0.8)])
def test_change_of_light_is_found(step: tuple[float, float]) -> None:
    """The same picture under red and blue gains exp(step): by definition a translation by step in ln R/G, ln B/G."""
    pixels = hall(0, measured("FL2")) * 0.3
    found = shift_between(samples_of(pixels * np.exp([step[0], 0, step[1]])), samples_of(pixels))
    assert found.step == pytest.approx(step, abs=0.005)
    assert found.match > 0.9


def test_other_view_of_the_hall_is_found() -> None:
    """Other places, another share of floor, less light: the palette is the same."""
    colours = measured("HP3")
    other = hall(2, colours, floor=0.6) * 0.3 * np.exp([0.25, 0, -0.3])
    found = shift_between(samples_of(other), samples_of(hall(1, colours) * 0.6))
    assert found.step == pytest.approx([0.25, -0.3], abs=0.015)
    assert found.match > 0.8


def test_register_is_antisymmetric() -> None:
    one, other = samples_of(hall(0, measured("FL2")) * 0.5), samples_of(hall(3, measured("HP3")) * 0.4)
    assert shift_between(one, other).step == pytest.approx(-shift_between(other, one).step, abs=0.003)


def test_nothing_in_common_matches_badly() -> None:
    rng = np.random.default_rng(0)
    one = hall(0, np.exp(rng.normal(0, 0.5, (12, 3))) * 0.5)
    other = hall(1, np.exp(np.random.default_rng(9).normal(0, 0.5, (12, 3))) * 0.5, floor=0.1)
    assert shift_between(samples_of(one), samples_of(other)).match < 0.75


def test_counts_keep_all_weight_and_the_mean_place() -> None:
    rng = np.random.default_rng(0)
    points, weight = rng.uniform(-0.5, 0.5, (500, 2)), rng.uniform(0, 1, 500)
    binned = counts(points, weight)
    assert binned.sum() == pytest.approx(weight.sum())
    u = palette.LOW[0] + palette.STEP * (np.arange(binned.shape[0]) + 0.5)
    v = palette.LOW[1] + palette.STEP * (np.arange(binned.shape[1]) + 0.5)
    mean = np.array([binned.sum(axis=1) @ u, binned.sum(axis=0) @ v]) / binned.sum()
    assert mean == pytest.approx(weight @ points / weight.sum(), abs=1e-9)


def test_a_place_keeps_its_sample_where_the_camera_turns_and_zooms() -> None:
    """A point at x of the middle frame is at zoom * x + pan in another, and at zoom * y."""
    image = Image(np.full((20, 30, 3), 0.2, np.float32), Domain.CAMERA, NOISE, np.ones(3), np.eye(3))
    plain = chroma_samples([(image.pixels, image, 0.0, 1.0)], DAYLIGHT)
    moved = chroma_samples([(image.pixels, image, 0.3, 1.25)], DAYLIGHT)
    assert 1.25 * moved.column + 0.3 == pytest.approx(plain.column)
    assert 1.25 * moved.row == pytest.approx(plain.row)


@pytest.mark.parametrize("value", [0.0, 1.0])
def test_pictures_that_show_nothing(value: float) -> None:
    image = Image(np.full((20, 30, 3), value, np.float32), Domain.CAMERA, NOISE, np.ones(3), np.eye(3))
    empty = chroma_samples([(image.pixels, image, 0.0, 1.0)], DAYLIGHT)
    assert empty.total == 0
    assert not histogram(empty).any()
    shift = register(spectrum(histogram(empty)), spectrum(histogram(empty)), 1.6)
    assert np.isfinite(shift.step).all() and shift.match == 0
