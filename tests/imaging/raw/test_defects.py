"""Defects and row noise: planted ones found, what is not there left alone."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from scipy.special import ndtr
from skimage import data

from pipeline.imaging.raw.defects import MOST_CANDIDATES, Candidates, candidates, repair
from pipeline.imaging.raw.noise import Sensor
from pipeline.imaging.raw.noise_pool import row_variance, vote
from pipeline.imaging.raw.row_noise import RowNoise, remove_rows, row_noise
from pipeline.types import Noise
from tests.imaging.raw.test_noise import RGGB, SCENES, UNBALANCED, linear, mosaic_of
from tests.tables import texts

BLACK, SPAN = 512, 14488
SENSOR = Sensor(RGGB, Noise(np.full(3, 1.6e-3), np.full(3, 1.6e-5)), BLACK, SPAN)


def expose(signal: np.ndarray, seed: int, a: float = 1.6e-3, b: float = 1.6e-5) -> np.ndarray:
    rng = np.random.default_rng(seed)
    noisy = a * rng.poisson(np.maximum(signal, 0) / a) + rng.normal(0, b**0.5, signal.shape)
    return np.clip(np.round(noisy * SPAN + BLACK), 0, BLACK + SPAN).astype(np.uint16)


def scene(index: int, exposure: float = 0.4) -> np.ndarray:
    """A photograph, each time another part of it, as a mosaic of 288 x 432."""
    picture = linear(SCENES[index % len(SCENES)])
    y, x = (index * 37) % 24, (index * 53) % 80
    part = np.roll(picture, (-2 * y, -2 * x), (0, 1))[:288, :432]
    return mosaic_of(part * exposure * UNBALANCED)


@cache
def shoot() -> tuple[tuple[Candidates, ...], np.ndarray, np.ndarray]:
    """Twelve frames of six bursts; 20 hot pixels, 6 dead ones, and a glint in every frame somewhere else."""
    rng = np.random.default_rng(3)
    places = np.sort(rng.choice(288 * 432, 26, replace=False))
    places = places[(places // 432 > 3) & (places // 432 < 284) & (places % 432 > 3) & (places % 432 < 428)]
    dead = places[::5]
    hot = np.setdiff1d(places, dead)
    found = []
    for i in range(12):
        frame = expose(scene(i), i)
        frame.flat[hot] = np.minimum(frame.flat[hot] + 6000, BLACK + SPAN)
        frame.flat[dead] = BLACK
        frame[100 + 4 * i, 50 + 7 * i] = 12000
        found.append(candidates(frame, SENSOR))
    return tuple(found), hot, dead


def test_what_stays_is_found_and_a_glint_is_not() -> None:
    found, hot, dead = shoot()
    bursts = [i // 2 for i in range(12)]
    voted = vote(found, [SENSOR.noise] * 12, bursts, 432)
    assert set(voted) <= set(hot) | set(dead)
    assert len(set(voted) & set(hot)) >= 0.9 * len(hot)
    assert len(set(voted) & set(dead)) >= 0.5 * len(dead)  # a dead pixel in a shadow cannot be seen


def test_one_burst_of_many_finds_nothing() -> None:
    found, _, _ = shoot()
    none = np.zeros(0, np.bool_)
    still = (found[0],) * 6 + tuple(
        replace(c, index=c.index[:0], excess=c.excess[:0], alone=none) for c in found[6:]
    )  # fmt: skip
    assert len(vote(still, [SENSOR.noise] * 12, [0] * 6 + [1, 1, 1, 2, 2, 2], 432)) == 0


@pytest.mark.parametrize(("frames", "size", "share"), [(1, 6000, 0.85), (2, 6000, 0.9), (5, 3000, 0.8)])
def test_few_frames_prove_what_no_lens_drew(frames: int, size: int, share: float) -> None:
    """One hot pixel in a shoot of one or a few frames; in these photographs nothing else is taken for one."""
    rng = np.random.default_rng(8)
    y, x = rng.integers(4, 284, 60), rng.integers(4, 428, 60)
    hot = np.unique(432 * y + x)
    found = []
    for i in range(frames):
        frame = expose(scene(i, 0.2), i)
        frame.flat[hot] = np.minimum(frame.flat[hot] + size, BLACK + SPAN)
        found.append(candidates(frame, SENSOR))
    voted = vote(found, [SENSOR.noise] * frames, range(frames), 432)
    assert set(voted) <= set(hot)
    assert len(voted) >= share * len(hot)
    assert len(vote([], [], [], 432)) == 0


@pytest.mark.parametrize("colour", [(0.53, 1.0, 0.59), (0.9, 1.0, 0.35)])  # white light and tungsten, to the sensor
@pytest.mark.parametrize("blur", [0.4, 0.5, 0.7])
def test_catchlights_are_proven_by_no_frame(colour: tuple[float, float, float], blur: float) -> None:
    """300 points of light anywhere between pixels, 0.1 to 3 times saturation, of a Gaussian lens over square pixels."""
    rng = np.random.default_rng(2)
    picture = np.full((288, 432, 3), 0.02)
    for y, x, light in zip(
        rng.uniform(8, 280, 300), rng.uniform(8, 424, 300), np.geomspace(0.1, 3, 300), strict=True
    ):  # fmt: skip
        top, left = int(y) - 4, int(x) - 4
        down, across = (np.diff(ndtr((start + np.arange(11) - 0.5 - at) / blur)) for start, at in ((top, y), (left, x)))
        spot = light * np.outer(down, across)[..., None] * np.array(colour)
        picture[top : top + 10, left : left + 10] += spot
    found = candidates(expose(mosaic_of(picture), 1), SENSOR)
    assert found.alone.sum() <= 1
    net = np.full((256, 256), 0.05)
    net[::18], net[:, ::18] = 0.4, 0.4
    assert not candidates(expose(cv2.GaussianBlur(net, (0, 0), 0.5), 3), SENSOR).alone.any()


def test_sharp_points_of_light_are_no_candidates() -> None:
    """A point as sharp as a lens draws (0.5 pixels) reaches the next pixels, which have other colours."""
    signal = np.full((256, 256), 0.02)
    signal[20:240:16, 20:240:16] = 3.0
    assert len(candidates(expose(cv2.GaussianBlur(signal, (0, 0), 0.5), 1), SENSOR).index) < 15
    edge = np.full((256, 256), 0.02)
    edge[:, 128:] = 1.0  # the edge of a highlight
    assert len(candidates(expose(edge, 2), SENSOR).index) < 15


def test_repair_takes_the_neighbours_of_the_same_colour() -> None:
    frame = np.tile(np.array([[100, 200], [300, 400]], np.uint16), (8, 8))
    spoilt = frame.copy()
    places = np.array([0, 5 * 16 + 5, 5 * 16 + 7, 15 * 16 + 15])  # two of them neighbours, two in corners
    spoilt.flat[places] = 9999
    np.testing.assert_array_equal(repair(spoilt, places), frame)
    assert spoilt[0, 0] == 9999  # the input stays
    assert repair(frame, places[:0]) is frame
    with pytest.raises(ValueError, match="another size"):
        repair(frame, np.array([256]))


@pytest.mark.parametrize("shape", [(0, 0), (2, 2), (7, 9), (40, 30), (64, 900)])
@pytest.mark.parametrize("value", [0, 512, 15000])
def test_nothing_to_find(shape: tuple[int, int], value: int) -> None:
    frame = np.full(shape, value, np.uint16)
    found = candidates(frame, SENSOR)
    assert len(found.index) == 0
    assert len(vote([found] * 9, [SENSOR.noise] * 9, range(9), max(1, shape[1]))) == 0
    assert not row_noise(frame, SENSOR).present
    assert remove_rows(frame, SENSOR, 1e-6) is frame


def test_candidates_are_bounded() -> None:
    frame = np.random.default_rng(0).choice([600, 9000], (400, 400), p=[0.96, 0.04]).astype(np.uint16)
    assert len(candidates(frame, SENSOR).index) == MOST_CANDIDATES


def of_camera(name: str) -> tuple[float, float, float]:
    """K, read and row noise at the greatest gain, in digital numbers (Wei et al., CVPR 2020)."""
    sensor = next(row for row in texts("sensor_noise") if row["camera"] == name and row["profile"] == "1")
    gain = float(sensor["gain"])
    read, row = (
        np.exp(float(sensor[f"{k}_slope"]) * np.log(gain) + float(sensor[f"{k}_bias"])) for k in ("read", "row")
    )
    return gain, float(read), float(row)


def rows(signal: np.ndarray, gain: float, read: float, row: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """The exposed mosaic, and the offset of each row."""
    rng = np.random.default_rng(seed)
    offset = rng.normal(0, row, (len(signal), 1)) if row else np.zeros((len(signal), 1))
    value = gain * rng.poisson(signal * SPAN / gain) + rng.normal(0, read, signal.shape) + BLACK
    return np.clip(np.round(value + offset), 0, 16383).astype(np.uint16), offset[:, 0]


@cache
def dim(index: int) -> np.ndarray:
    """A dark hall of 1024 x 1536: a photograph enlarged, underexposed."""
    picture = getattr(data, SCENES[index % len(SCENES)])()[:400, :600] / 255.0
    return mosaic_of(
        cv2.resize(picture**2.2, (1536, 1024), interpolation=cv2.INTER_CUBIC).clip(0, 1) * 0.1 * UNBALANCED
    )


@pytest.mark.parametrize(
    "camera",
    ["CanonEOS5D4", *(pytest.param(c, marks=pytest.mark.long) for c in ("CanonEOS700D", "CanonEOS70D", "SonyA7S2"))],
)
def test_row_noise_of_measured_cameras(camera: str) -> None:
    gain, read, row = of_camera(camera)
    sensor = Sensor(RGGB, Noise(np.full(3, gain / SPAN), np.full(3, (read / SPAN) ** 2)), BLACK, SPAN)
    taken = [rows(dim(i), gain, read, row, i) for i in range(8)]
    pooled = row_variance([row_noise(frame, sensor) for frame, _ in taken], (read / SPAN) ** 2)
    assert pooled**0.5 * SPAN == pytest.approx(row, rel=0.25)
    shares = []
    for i, (frame, offset) in enumerate(taken):
        clean = remove_rows(frame, sensor, pooled)
        left = offset - (frame.astype(float) - clean).mean(axis=1)
        shares.append(left[8:-8].std() / offset[8:-8].std())
        without, _ = rows(dim(i), gain, read, 0.0, i + 20)
        assert remove_rows(without, sensor, pooled) is without  # bit for bit
    assert max(shares) <= 1.0 + 1e-9
    assert np.median(shares) < 0.8  # in the darkest frames of a full-size shoot 0.53
    quiet = [row_noise(rows(dim(i), gain, read, 0.0, 40 + i)[0], sensor) for i in range(8)]
    assert row_variance(quiet, (read / SPAN) ** 2) == 0


def test_a_picture_of_rows_is_no_row_noise() -> None:
    """Seats and blinds: stripes over the whole width, as fine as a lens draws, in every frame."""
    y = np.arange(1024)[:, None]
    for period in (5.0, 9.0, 30.0):
        stripes = 0.02 * (1 + 0.5 * np.sin(2 * np.pi * y / period + 0.3)) * np.ones((1, 1024))
        frame = expose(stripes, 1)
        assert remove_rows(frame, SENSOR, 1e-6) is frame
    assert row_variance([RowNoise(0.0, np.inf, 0.0)] * 20, 1e-6) == 0
