"""Where errors are larger than their weights say, against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from pipeline.imaging.robust import around
from pipeline.light.flicker import _weigh
from pipeline.light.registration import Motion, over_the_burst

TILES = (20, 30)
REACH, MOST = 2.0, 3.0


def half(miss: float) -> np.ndarray:
    """(T, 3) misses of the second part, far larger in the right third of the frame than anywhere else."""
    found = np.full((*TILES, 3), 0.4)
    found[:, 20:, 1] = miss
    return found.reshape(-1, 3)


def test_tiles_beside_share_the_variance_by_the_distance() -> None:
    """Of a step, blurred by a normal distribution, its integral is left (the standard normal table)."""
    found = around(half(100.0), TILES, REACH, MOST).reshape(*TILES, 3)
    usual = 0.4**2  # below the deviation that the weights state: the frame's own
    part = norm.cdf((np.arange(30) + 0.5 - 20) / REACH)
    assert found[10, :, 1] == pytest.approx(np.maximum(1, usual + (MOST**2 - usual) * part), rel=0.03)
    assert (found[..., [0, 2]] == 1).all()  # each part for itself: a shadow has no colour


def test_a_frame_that_is_off_everywhere_is_its_own_measure() -> None:
    assert around(np.full((600, 3), 7.0), TILES, REACH, MOST) == pytest.approx(1.0)


def test_what_is_not_known_says_nothing() -> None:
    misses = half(100.0).reshape(*TILES, 3)
    misses[:, 20:] = np.nan
    found = around(misses.reshape(-1, 3), TILES, REACH, MOST).reshape(*TILES, 3)
    assert (found[:, :20] == 1).all()
    assert np.isnan(found[:, 29]).all()
    assert np.isnan(around(np.full((600, 3), np.nan), TILES, REACH, MOST)).all()


def test_what_is_darker_counts_less_where_the_camera_stands_still() -> None:
    """A shadow takes light and never adds any; where the camera turns, errors of the scene are of either sign."""
    rest = np.full((600, 3), 0.01)
    rest[104], rest[404] = [0.05, 0, 0], [-0.05, 0, 0]
    weight = np.full_like(rest, 1 / 0.02**2)
    still, turned = (_weigh(rest, weight, TILES, 3, still) for still in (1.0, 0.0))
    assert still[404, 0] < 0.5 * still[104, 0]
    assert turned[404, 0] == pytest.approx(turned[104, 0], rel=1e-3)


def test_the_burst_shares_it_where_the_place_lies_in_each_frame() -> None:
    """Eight pixels to the right are two tiles of four; a place that one frame does not show counts by the others."""
    disturbed, calm = np.ones((*TILES, 3)), np.ones((*TILES, 3))
    disturbed[5, 10] = 7.0
    calm[15, 4] = np.nan
    disturbed[15, 2] = 4.0
    pan = Motion(dx=8.0)
    each = {0: disturbed.reshape(-1, 3), 2: calm.reshape(-1, 3)}
    still, other, panned = (
        one.reshape(*TILES, 3) for one in over_the_burst(each, [Motion(), Motion(dx=4.0), pan], TILES, 4.0)
    )
    assert still[5, 10] == pytest.approx((7 + 1) / 2, abs=1e-5)
    assert other[5, 11] == pytest.approx(4.0, abs=1e-5)
    assert panned[5, 12] == pytest.approx(4.0, abs=1e-5)
    assert still[15, 2] == pytest.approx(4.0, abs=1e-5)
    assert still[0, 0] == pytest.approx(1.0)
