"""Estimated noise against simulated truth over the photographs in scikit-image's wheel."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from skimage import data

from pipeline.imaging.raw.noise import estimate, estimate_rgb, statistics
from tests.tables import texts

RGGB = np.array([[0, 1], [1, 2]])
SCENES = ("astronaut", "coffee", "chelsea", "rocket")
# Signal of red, green, blue of a grey card without a balance; typical of daylight, common practice, no source.
UNBALANCED = np.array([0.5, 1.0, 0.6])


@cache
def linear(name: str) -> np.ndarray:
    """Linear light (IEC 61966-2-1), as soft as a lens draws at the pixel; the blur also takes the photo's own noise."""
    encoded = gaussian_filter(getattr(data, name)()[:512, :640] / 255.0, (1, 1, 0))
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def mosaic_of(rgb: np.ndarray, pattern: np.ndarray = RGGB) -> np.ndarray:
    out = np.empty(rgb.shape[:2])
    for y in (0, 1):
        for x in (0, 1):
            out[y::2, x::2] = rgb[y::2, x::2, (0, 1, 2, 1)[pattern[y, x]]]
    return out


def expose(signal: np.ndarray, a: float, b: float) -> np.ndarray:
    rng = np.random.default_rng(2)
    return np.minimum(a * rng.poisson(signal / a) + rng.normal(0, b**0.5, signal.shape), 1.0).astype(np.float32)


@pytest.mark.parametrize(("a", "b"), [(8e-4, 8e-6), (1.6e-3, 1.6e-5), (6.4e-3, 1e-4)])
def test_slope_within_a_tenth(a: float, b: float) -> None:
    found = [estimate(expose(mosaic_of(linear(n) * 0.7 * UNBALANCED), a, b), RGGB) for n in SCENES]
    assert np.median([f.a for f in found]) == pytest.approx(a, rel=0.10)
    at_shadow = [f.a * 0.03 + f.b for f in found]
    assert np.median(at_shadow) == pytest.approx(a * 0.03 + b, rel=0.15)
    assert np.min(at_shadow) > 0.7 * (a * 0.03 + b)  # never far under


def test_measured_sensors() -> None:
    """K (DN per electron) and read noise of five cameras, Wei et al., CVPR 2020; 14 bit, black at 512."""
    sensors: dict[str, dict[str, str]] = {}
    for row in texts("sensor_noise"):
        sensors.setdefault(row["camera"], row)  # the first profile of each
    span = 16383 - 512
    ratios = []
    for index, sensor in enumerate(sensors.values()):
        gain, slope, bias = (float(sensor[column]) for column in ("gain", "read_slope", "read_bias"))
        a, b = gain / span, (np.exp(slope * np.log(gain) + bias) / span) ** 2
        name = SCENES[index % len(SCENES)]
        found = estimate(expose(mosaic_of(linear(name) * 0.7 * UNBALANCED), a, b), RGGB)
        ratios.append((found.a * 0.1 + found.b) / (a * 0.1 + b))
    assert np.median(ratios) == pytest.approx(1.0, abs=0.15)
    assert np.min(ratios) > 0.8


@pytest.mark.parametrize(
    ("exposure", "size", "black", "lost"),
    [(0.7, 32, None, 0), (0.7, 64, None, 0), (0.7, 300, None, 0), (0.02, 300, None, 0), (0.7, 300, 0.0, 0),
     (0.02, 300, 0.0, 0), (3.0, 300, None, 0), (0.7, 300, None, 40)],
)  # fmt: skip
def test_unsure_is_over_rather_than_under(exposure: float, size: int, black: float | None, lost: int) -> None:
    """Tiny, dark, overexposed frames, frames without values below black, and frames with a part that is lost."""
    a, b, ratios = 1.6e-3, 1.6e-5, []
    for name in SCENES:
        frame = expose(mosaic_of(linear(name)[:size, :size] * exposure * UNBALANCED), a, b)
        frame = frame if black is None else np.maximum(frame, np.float32(black))
        frame[:lost] = 0
        ratios.append(estimate(frame, RGGB).a / a)
    assert np.min(ratios) > 0.7
    assert 0.9 < np.median(ratios) < (1.3 if exposure == 0.7 and size == 300 and black is None else 8)


@pytest.mark.parametrize("level", [0.0, 0.01, 0.1, 0.5, 0.9])
def test_one_brightness_only(level: float) -> None:
    found = estimate(expose(np.full((400, 600), level), 1.6e-3, 1.6e-5), RGGB)
    truth = 1.6e-3 * level + 1.6e-5
    assert (found.a > 0.9 * 1.6e-3).all()
    assert ((found.a * level + found.b) / truth).min() > 0.9
    assert ((found.a * level + found.b) / truth).max() < (1.3 if level < 0.9 else 4)


def test_clipped_parts_do_not_count() -> None:
    a, b = 1.6e-3, 1.6e-5
    signal = mosaic_of(linear("coffee") * 1.6)
    assert estimate(expose(signal, a, b), RGGB).a[1] == pytest.approx(a, rel=0.25)


@pytest.mark.parametrize("pattern", [[[1, 0], [2, 1]], [[2, 3], [1, 0]]])
def test_any_bayer_order(pattern: list[list[int]]) -> None:
    order = np.array(pattern)
    levels = np.linspace(0.02, 0.6, 512)[None, :, None] * np.ones((512, 1, 3)) * UNBALANCED
    found = estimate(expose(mosaic_of(levels, order), 2e-3, 2e-5), order)
    np.testing.assert_allclose(found.a, 2e-3, rtol=0.12)


def test_picture() -> None:
    found = estimate_rgb(expose(linear("rocket") * 0.7, 1.6e-3, 1.6e-5), np.ones(3))
    assert np.median(found.a) == pytest.approx(1.6e-3, rel=0.2)


@pytest.mark.parametrize("shape", [(0, 0), (1, 1), (7, 9), (64, 64), (400, 300)])
@pytest.mark.parametrize("value", [0.0, 0.3, 1.0, np.nan, np.inf])
def test_no_information_gives_tiny_values(shape: tuple[int, int], value: float) -> None:
    mosaic = np.full(shape, value, np.float32)
    for found in (estimate(mosaic, RGGB), estimate_rgb(np.stack([mosaic] * 3, axis=-1), np.ones(3))):
        assert np.isfinite(found.a).all()
        assert np.isfinite(found.b).all()
        assert (found.a > 0).all()
        assert (found.b > 0).all()
        assert (found.a + found.b).max() < 1e-6


def test_what_a_clip_at_black_took_is_given_back() -> None:
    """A black frame, cut off at black: max(0, z) of a normal z keeps (1 - 1 / pi) / 2 of its variance (half-normal
    distribution). The estimate is of the noise before the cut."""
    deviation = 0.01
    noise = np.random.default_rng(6).normal(0, deviation, (400, 600))
    frame = np.maximum(noise, 0).astype(np.float32)
    assert frame.var() == pytest.approx(deviation**2 * (1 - 1 / np.pi) / 2, rel=0.02)
    bins = statistics(frame, RGGB).bins
    assert bins[:, 0, 1] == pytest.approx(np.full(3, deviation**2), rel=0.1)


def test_both_greens_are_read() -> None:
    """LibRaw calls the second green of an RGBG mosaic 3; it is green all the same, and gives half of what is known."""
    mosaic = expose(np.full((240, 360), 0.3), 1.6e-3, 1.6e-5)
    for pattern in ([[0, 1], [3, 2]], [[0, 1], [1, 2]]):
        red, green, blue = statistics(mosaic, np.array(pattern)).marks[:, 0]
        assert green == 2 * red == 2 * blue > 0


def test_a_brighter_scale_scales_the_line() -> None:
    """x -> g x: var = a x + b becomes g a (g x) + g^2 b; the same picture in units of which 4 is saturation."""
    picture = expose(np.linspace(0.02, 0.6, 400)[None, :, None] * np.ones((300, 1, 3)), 1.6e-3, 1e-4)
    plain, scaled = estimate_rgb(picture, np.ones(3)), estimate_rgb(picture * np.float32(4), np.full(3, 4.0))
    assert scaled.a == pytest.approx(4 * plain.a, rel=1e-3)
    assert scaled.b == pytest.approx(16 * plain.b, rel=1e-3)


def test_a_picture_that_is_hardly_higher_than_a_block() -> None:
    """Bands are left out where there are many pixels, but never all."""
    flat = np.random.default_rng(2).normal(0.5, 0.01, (40, 262_000)).astype(np.float32)
    assert statistics(flat, np.array([[0, 1], [1, 2]])).bins[:, :, 2].sum() > 0
