"""The compiled filter against its definition, patch by patch, with the DCT of scipy (Yu and Sapiro, IPOL 2011)."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from scipy.fft import dctn, idctn

from pipeline.imaging.denoise import sliding_dct as module
from pipeline.imaging.denoise.sliding_dct import sliding_dct
from pipeline.types import F32, F64


def defined(plane: F32, guide: F32 | None, sigma: F64, steps: tuple[int, int]) -> F64:
    """The weighted mean of the shrunk patches; the weight of one is 1 over the energy of its gains."""
    pads = [(7, 7 + (-(side + 6)) % step) for side, step in zip(plane.shape, steps, strict=True)]
    wide = np.pad(plane.astype(np.float64), pads, mode="symmetric")
    steer = wide if guide is None else np.pad(guide.astype(np.float64), pads, mode="symmetric")
    total, weights = np.zeros(wide.shape), np.zeros(wide.shape)
    for y in range(0, wide.shape[0] - 7, steps[0]):
        for x in range(0, wide.shape[1] - 7, steps[1]):
            place = (slice(y, y + 8), slice(x, x + 8))
            found, by = dctn(wide[place], norm="ortho"), dctn(steer[place], norm="ortho")
            gains = np.asarray(np.abs(found) >= sigma, float) if guide is None else by**2 / (by**2 + sigma**2)
            gains[0, 0] = 1  # the mean of a patch is not shrunk
            weight = 1 / (gains**2).sum()
            total[place] += weight * idctn(gains * found, norm="ortho")
            weights[place] += weight
    return (total / weights)[7 : 7 + plane.shape[0], 7 : 7 + plane.shape[1]]


@pytest.mark.parametrize("steps", [(1, 1), (2, 1), (3, 2), (3, 3), (4, 5), (8, 8)])
@pytest.mark.parametrize("shape", [(21, 26), (8, 9)])
def test_is_the_mean_of_the_shrunk_patches(steps: tuple[int, int], shape: tuple[int, int]) -> None:
    rng = np.random.default_rng(7)
    plane = (rng.standard_normal(shape) + np.linspace(0.0, 0.5, shape[1])).astype(np.float32)
    guide = (0.5 * plane + 0.1 * rng.standard_normal(shape)).astype(np.float32)
    sigma = rng.uniform(0.5, 1.5, (8, 8)).astype(np.float32)
    for by in (None, guide):
        found = sliding_dct(plane, by, sigma, steps)
        np.testing.assert_allclose(found, defined(plane, by, sigma.astype(np.float64), steps), atol=2e-5)


def defined_two(planes: F32, guides: F32 | None, sigma: F64, steps: tuple[int, int]) -> F64:
    """As `defined`, of two planes: kept by the power of both, or shrunk along the eigenvectors of their covariance."""
    pads = [(0, 0), *((7, 7 + (-(side + 6)) % step) for side, step in zip(planes.shape[1:], steps, strict=True))]
    wide = np.pad(planes.astype(np.float64), pads, mode="symmetric")
    steer = wide if guides is None else np.pad(guides.astype(np.float64), pads, mode="symmetric")
    total, weights = np.zeros(wide.shape), np.zeros(wide.shape)
    for y in range(0, wide.shape[1] - 7, steps[0]):
        for x in range(0, wide.shape[2] - 7, steps[1]):
            place = (slice(None), slice(y, y + 8), slice(x, x + 8))
            found, by = (dctn(each[place], axes=(1, 2), norm="ortho") for each in (wide, steer))
            if guides is None:
                turn = np.eye(2)
                gains = np.stack([(np.hypot(*found) >= sigma).astype(float)] * 2)
            else:
                rest = by.reshape(2, 64)[:, 1:]
                turn = np.linalg.eigh(rest @ rest.T)[1].T
                found, by = (np.tensordot(turn, each, 1) for each in (found, by))
                gains = by**2 / (by**2 + sigma**2)
            gains[:, 0, 0] = 1
            weight = 2 / (gains**2).sum()
            total[place] += weight * idctn(np.tensordot(turn.T, gains * found, 1), axes=(1, 2), norm="ortho")
            weights[place] += weight
    return (total / weights)[:, 7 : 7 + planes.shape[1], 7 : 7 + planes.shape[2]]


@pytest.mark.parametrize("steps", [(2, 1), (3, 2)])
def test_two_planes_are_shrunk_along_the_axes_of_each_patch(steps: tuple[int, int]) -> None:
    rng = np.random.default_rng(9)
    planes = (rng.standard_normal((2, 21, 26)) + np.linspace(0.0, 3.0, 26)).astype(np.float32)
    planes[1] *= np.where(np.arange(26) < 13, 0.7, -0.4).astype(np.float32)
    guides = (0.5 * planes + 0.1 * rng.standard_normal(planes.shape)).astype(np.float32)
    sigma = rng.uniform(0.8, 1.8, (8, 8)).astype(np.float32)
    for by in (None, guides):
        found = sliding_dct(planes, by, sigma, steps)
        np.testing.assert_allclose(found, defined_two(planes, by, sigma.astype(np.float64), steps), atol=3e-5)


def test_a_wide_plane_is_joined_from_its_pieces() -> None:
    """More patches across than are in work at a time."""
    plane = np.random.default_rng(8).standard_normal((10, 1200)).astype(np.float32)
    sigma = np.full((8, 8), 1.2, np.float32)
    found = sliding_dct(plane, None, sigma, (3, 1))
    np.testing.assert_allclose(found, defined(plane, None, sigma.astype(np.float64), (3, 1)), atol=2e-5)


@pytest.mark.parametrize("steps", [(1, 1), (2, 1), (3, 2), (5, 7), (8, 8)])
@pytest.mark.parametrize("band", [1, 7, 24])
def test_a_tall_plane_is_done_band_by_band(monkeypatch: pytest.MonkeyPatch, steps: tuple[int, int], band: int) -> None:
    """To the last bit as in one: each row has the same patches in the same order."""
    planes = np.random.default_rng(8).standard_normal((2, 50, 30)).astype(np.float32)
    sigma = np.full((8, 8), 1.2, np.float32)
    whole = [sliding_dct(planes, by, sigma, steps) for by in (None, planes)]
    monkeypatch.setattr(module, "BAND", band)
    for by, one in zip((None, planes), whole, strict=True):
        np.testing.assert_array_equal(sliding_dct(planes, by, sigma, steps), one)


def test_a_large_plane_takes_no_more_than_itself_and_a_band(monkeypatch: pytest.MonkeyPatch) -> None:
    """The result, 4 bytes a pixel; without bands its sums, weights and phases are 16 more."""
    monkeypatch.setattr(module, "BAND", 32)
    plane = np.random.default_rng(8).standard_normal((640, 640)).astype(np.float32)
    sigma = np.full((8, 8), 1.2, np.float32)
    sliding_dct(plane[:16], plane[:16], sigma, (2, 1))
    tracemalloc.start()
    sliding_dct(plane, plane, sigma, (2, 1))
    peak = tracemalloc.get_traced_memory()[1] / plane.size
    tracemalloc.stop()
    assert peak < 7
