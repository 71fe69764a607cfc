"""The compiled filter against its definition, patch by patch, with the DCT of scipy (Yu and Sapiro, IPOL 2011)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.fft import dctn, idctn

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


def test_a_wide_plane_is_joined_from_its_pieces() -> None:
    """More patches across than are in work at a time."""
    plane = np.random.default_rng(8).standard_normal((10, 1200)).astype(np.float32)
    sigma = np.full((8, 8), 1.2, np.float32)
    found = sliding_dct(plane, None, sigma, (3, 1))
    np.testing.assert_allclose(found, defined(plane, None, sigma.astype(np.float64), (3, 1)), atol=2e-5)
