"""The average of a mosaic against its definition: the bilinear kernels of each colour, then the integral over areas."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import convolve

from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw.area import by_area
from pipeline.types import F64

PATTERNS = {"RGGB": [[0, 1], [1, 2]], "BGGR": [[2, 1], [1, 0]], "GRBG": [[1, 0], [2, 1]], "GBRG": [[1, 2], [0, 1]]}
# Bilinear interpolation of a Bayer mosaic, as every handbook has it: green from its four neighbours, red and blue from
# two or four.
GREEN = np.array([[0, 1, 0], [1, 4, 1], [0, 1, 0]]) / 4
OTHER = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]]) / 4


def averaged(plane: F64, size: tuple[int, int]) -> F64:
    """The mean over each of `size` equal parts, from the integral of the plane, which is constant over each pixel."""
    for axis, parts in enumerate(size):
        side = plane.shape[axis]
        whole = np.concatenate(
            [np.zeros((1, plane.shape[1 - axis])), np.cumsum(plane if axis == 0 else plane.T, axis=0)]
        )
        edges = np.linspace(0, side, parts + 1)
        at = np.stack([np.interp(edges, np.arange(side + 1), column) for column in whole.T], axis=1)
        mean = np.diff(at, axis=0) * parts / side
        plane = mean if axis == 0 else mean.T
    return plane


def defined(mosaic: np.ndarray, pattern: np.ndarray, size: tuple[int, int]) -> F64:
    colour = np.tile(pattern, [side // 2 + 1 for side in mosaic.shape])[: mosaic.shape[0], : mosaic.shape[1]]
    planes = [
        convolve(np.where(colour == c, mosaic, 0).astype(np.float64), GREEN if c == 1 else OTHER, mode="mirror")
        for c in range(3)
    ]
    return np.stack([averaged(plane, size) for plane in planes], axis=2)


@pytest.mark.parametrize("name", PATTERNS)
@pytest.mark.parametrize(("shape", "size"), [((40, 60), (13, 20)), ((41, 63), (14, 22)), ((64, 48), (16, 12))])
def test_is_the_bilinear_demosaic_averaged_over_areas(name: str, shape: tuple[int, int], size: tuple[int, int]) -> None:
    mosaic = np.random.default_rng(3).integers(400, 16000, shape).astype(np.uint16)
    pattern, black, white = np.array(PATTERNS[name]), np.array([500.0, 512.0, 520.0]), np.array([15000.0, 15500, 16000])
    found = by_area(mosaic, black, white, pattern, Orientation(1), size)
    expected = (defined(mosaic, pattern, size) - black) / (white - black)
    np.testing.assert_allclose(found, expected, atol=3e-6)


def test_gives_an_upright_picture_of_what_was_held_upright() -> None:
    mosaic = np.random.default_rng(4).integers(400, 16000, (40, 60)).astype(np.uint16)
    pattern, black, white = np.array(PATTERNS["RGGB"]), np.full(3, 512.0), np.full(3, 15000.0)
    lying = by_area(mosaic, black, white, pattern, Orientation(1), (13, 20))
    upright = by_area(mosaic, black, white, pattern, Orientation(6), (20, 13))
    np.testing.assert_array_equal(upright, np.rot90(lying, -1))


def test_does_not_clip_noise_below_black() -> None:
    found = by_area(
        np.full((16, 16), 500, np.uint16), np.full(3, 512.0), np.full(3, 1512.0), np.array(PATTERNS["RGGB"]),
        Orientation(1), (4, 4),
    )  # fmt: skip
    np.testing.assert_allclose(found, -0.012, atol=1e-6)
