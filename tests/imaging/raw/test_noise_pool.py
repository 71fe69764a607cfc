"""Noise pooled over frames, the line in ISO, and what a photographer is told, against simulated truth."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from skimage import data
from sklearn.datasets import load_sample_image

from pipeline.imaging.raw.noise import LEAST_A, NoiseStatistics, statistics
from pipeline.imaging.raw.noise_pool import HEADINGS, camera_noise, iso_line, noise_notes, noise_rows, pool
from tests.imaging.raw.test_noise import RGGB, UNBALANCED, mosaic_of

# Another set than the one the settings were chosen on had wallpapers of a system; these come with packages.
PHOTOGRAPHS = ("astronaut", "coffee", "chelsea", "rocket", "china.jpg", "flower.jpg", "motorcycle", "retina")
A, B = 1.6e-3, 1.6e-5  # at ISO 6400


@cache
def signal(index: int) -> np.ndarray:
    name = PHOTOGRAPHS[index % len(PHOTOGRAPHS)]
    if name == "motorcycle":
        encoded = data.stereo_motorcycle()[0]
    else:
        encoded = load_sample_image(name) if name.endswith(".jpg") else getattr(data, name)()
    soft = gaussian_filter(encoded[:800, :1000, :3] / 255.0, (1, 1, 0))
    soft = soft[: len(soft) // 2 * 2, : soft.shape[1] // 2 * 2]
    return mosaic_of(np.where(soft <= 0.04045, soft / 12.92, ((soft + 0.055) / 1.055) ** 2.4) * UNBALANCED)


def expose(
    index: int, iso: float, exposure: float = 0.6, black: float | None = None, smooth: float = 0.0
) -> np.ndarray:
    rng = np.random.default_rng(1000 * index + int(iso))
    a, b = A * iso / 6400, B * (iso / 6400) ** 2
    light = signal(index) * exposure * (0.5 + 0.5 * rng.random())
    value = a * rng.poisson(light / a) + rng.normal(0, b**0.5, light.shape)
    if smooth:
        for y in (0, 1):
            for x in (0, 1):
                value[y::2, x::2] = gaussian_filter(value[y::2, x::2], smooth)
    value = np.minimum(np.round(value * 14488) / 14488, 1.0)
    return (value if black is None else np.maximum(value, black)).astype(np.float32)


@cache
def seen(iso: float) -> tuple[NoiseStatistics, ...]:
    return tuple(statistics(expose(i, iso), RGGB) for i in range(8))


@pytest.mark.parametrize("iso", [3200, 6400, 12800])
def test_eight_frames(iso: float) -> None:
    """Wanted: a within 5 %, b within 15 %."""
    found = pool(seen(iso))
    np.testing.assert_allclose(found.noise.a, A * iso / 6400, rtol=0.05)
    np.testing.assert_allclose(found.noise.b, B * (iso / 6400) ** 2, rtol=0.15)
    assert found.frames == 8
    assert not found.smoothed
    assert not found.clips_black


def test_odd_frames_do_not_pull() -> None:
    odd = [statistics(np.minimum(3 * expose(9, 6400), 1.0), RGGB), statistics(expose(1, 6400, smooth=0.8), RGGB)]
    black = statistics(np.zeros((600, 800), np.float32), RGGB)
    found = pool([*seen(6400), *odd, black])
    np.testing.assert_allclose(found.noise.a, A, rtol=0.06)
    np.testing.assert_allclose(found.noise.b, B, rtol=0.2)


def test_frames_that_disagree_by_halves_give_a_model_all_the_same() -> None:
    """Two of one noise and two of nine times its variance: none lies near the middle, and none may be lost."""
    loud = [NoiseStatistics(s.bins * [1, 9, 1, 1], s.marks) for s in seen(6400)[2:4]]
    found = camera_noise([(6400.0, s) for s in (*seen(6400)[:2], *loud)])
    model = found.model(6400.0)
    assert np.all((model.a > 0.8 * A) & (model.a < 9 * 1.2 * A))
    assert any("do not agree" in note and "6400" in note for note in noise_notes("Evencourt One", found))


def test_stored_and_read_back() -> None:
    arrays = seen(6400)[0].arrays()
    assert sum(v.nbytes for v in arrays.values()) < 2000
    again = pool([NoiseStatistics.from_arrays(s.arrays()) for s in seen(6400)])
    np.testing.assert_allclose(again.noise.a, pool(seen(6400)).noise.a, rtol=1e-5)


def test_few_frames_take_the_line() -> None:
    frames = [(iso, s) for iso in (3200.0, 12800.0) for s in seen(iso)] + [(6400.0, seen(6400)[6])]
    found = camera_noise(frames)
    np.testing.assert_allclose(found.model(6400.0).a, A, rtol=0.05)
    np.testing.assert_allclose(found.model(6400.0).b, B, rtol=0.2)
    np.testing.assert_allclose(found.model(25600.0).a, 4 * A, rtol=0.06)  # an ISO that no measured frame has
    np.testing.assert_array_equal(found.model(3200.0).a, pool(seen(3200)).noise.a)
    rows = noise_rows("Camera", found)
    assert [len(r) for r in rows] == [len(HEADINGS)] * 3
    assert rows[1][1:3] == ["6400", "1"]
    assert "other ISOs" in rows[1][5]
    assert noise_notes("Camera", found) == []


def test_no_line_from_few_frames() -> None:
    found = camera_noise([(6400.0, s) for s in seen(6400)[:3]])
    assert found.line is None
    assert np.median(found.model(6400.0).a) >= 0.95 * A  # rather too much than too little
    assert noise_rows("Camera", found)[0][4:] == ["", "too few frames to be sure"]
    unknown = camera_noise([(None, s) for s in seen(6400)])
    np.testing.assert_allclose(unknown.model(None).a, A, rtol=0.05)
    with pytest.raises(KeyError, match="800"):
        unknown.model(800.0)
    blind = pool([statistics(np.zeros((8, 8), np.float32), RGGB)] * 9)
    np.testing.assert_array_equal(blind.noise.a, LEAST_A)
    assert iso_line({100.0: blind}) is None


def test_a_smoothed_raw_is_said() -> None:
    smoothed = [statistics(expose(i, 12800, smooth=0.6), RGGB) for i in range(8)]
    frames = [(iso, s) for iso in (3200.0, 6400.0) for s in seen(iso)] + [(12800.0, s) for s in smoothed]
    found = camera_noise(frames)
    assert found.line is not None
    assert found.line.off(12800.0, found.pools[12800.0].noise) < -0.4
    np.testing.assert_allclose(found.line.k * 6400, A, rtol=0.05)
    (note,) = noise_notes("Camera", found)
    assert "12800" in note
    assert "smoothed" in note


def test_clipped_black_is_said() -> None:
    dark = [statistics(expose(i, 6400, 0.2, black=0.0), RGGB) for i in range(8)]
    found = camera_noise([(6400.0, s) for s in dark])
    assert found.pools[6400.0].clips_black
    np.testing.assert_allclose(found.model(6400.0).a, A, rtol=0.15)
    assert "darker than black" in noise_notes("Camera", found)[0]


def test_eight_frames_are_enough_and_seven_are_not() -> None:
    """With fewer the model leans to too much noise, and nothing is said of the camera."""
    smoothed = [statistics(expose(i, 12800, smooth=0.6), RGGB) for i in range(8)]
    assert pool(smoothed).smoothed and not pool(smoothed[:7]).smoothed
    same = [seen(6400)[0]] * 8
    assert (pool(same[:7]).noise.a > pool(same).noise.a).all()
