"""Robust helpers against numpy's median, scipy's robust least squares and the published weight functions."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from pipeline.imaging.robust import biweight, cauchy, reweighted, ridge, weighted_median


@pytest.mark.parametrize("seed", range(20))
def test_weighted_median_is_the_median_of_repeated_values(seed: int) -> None:
    rng = np.random.default_rng(seed)
    values, counts = rng.normal(0, 1, 9), rng.integers(1, 5, 9)
    assert weighted_median(values, counts.astype(float)) == np.median(np.repeat(values, counts))


def test_weighted_median_between_two_halves_is_their_mean() -> None:
    """Two values of equal weight: the lower weighted median is 1, the upper 4."""
    assert weighted_median(np.array([4.0, 1.0]), np.ones(2)) == 2.5
    assert weighted_median(np.array([4.0, 1.0]), np.array([1.0, 1.5])) == 1.0


def test_interpolated_median_moves_smoothly() -> None:
    """With equal weights the plain median; a weight more on one side pulls it there, straight between neighbours."""
    values = np.array([1.0, 2.0, 4.0, 8.0])
    assert weighted_median(values, np.ones(4), interpolated=True) == np.median(values)
    # Middles of the weights at 0.5, 1.5, 2.5, 4: half of 5 is at 2.5, the third value.
    assert weighted_median(values, np.array([1.0, 1, 1, 2]), interpolated=True) == 4.0
    assert weighted_median(values, np.array([1.0, 1, 1, 1.5]), interpolated=True) == pytest.approx(3.5)


def test_no_values_and_no_steps_are_refused() -> None:
    with pytest.raises(ValueError, match="no values"):
        weighted_median(np.zeros(0), np.zeros(0))
    with pytest.raises(ValueError, match="no steps"):
        reweighted(lambda w: 0.0, lambda s, _: np.ones(1), 0.0, ())


def line(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Sixty points of 1 + 2 t with noise of 0.1, every fifth far above; invented."""
    rng = np.random.default_rng(seed)
    t = np.linspace(-1, 1, 60)
    y = 1 + 2 * t + rng.normal(0, 0.1, 60)
    y[::5] += rng.uniform(1, 4, 12)
    return np.stack([np.ones(60), t], axis=1), y


@pytest.mark.parametrize("seed", range(4))
def test_cauchy_weights_end_where_scipy_s_cauchy_loss_does(seed: int) -> None:
    """The fixed point of the weights 1 / (1 + (r / s)^2) is the minimum of the sum of ln(1 + (r / s)^2)."""
    x, y = line(seed)
    start = np.linalg.lstsq(x, y, rcond=None)[0]
    found, weights = reweighted(
        lambda w: ridge(x, y, w, np.zeros((2, 2))), lambda s, _: cauchy((y - x @ s) / 0.2), start, range(100)
    )
    reference = least_squares(lambda s: y - x @ s, start, loss="cauchy", f_scale=0.2, xtol=1e-14, ftol=1e-14).x
    assert found == pytest.approx(reference, abs=1e-5)
    assert found == pytest.approx([1, 2], abs=0.1) and abs(start[0] - 1) > 0.3
    assert weights[::5].max() < 0.1 < np.median(weights)


def test_weights_are_those_that_gave_the_solution() -> None:
    x, y = line(0)
    scales: list[float] = []

    def weigh(s: np.ndarray, scale: float) -> np.ndarray:
        scales.append(scale)
        return biweight((y - x @ s) / scale)

    found, weights = reweighted(lambda w: ridge(x, y, w, np.zeros((2, 2))), weigh, np.zeros(2), (8.0, 4.0, 2.0))
    assert scales == [8.0, 4.0, 2.0]
    assert found == pytest.approx(np.linalg.lstsq(x * np.sqrt(weights)[:, None], y * np.sqrt(weights), rcond=None)[0])


def test_weight_functions_are_the_published_ones() -> None:
    """Holland and Welsch 1977, table 1 (from memory): Cauchy 1 / (1 + d^2); biweight (1 - d^2)^2 inside, 0 outside."""
    d = np.array([-2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 3.0])
    assert cauchy(d) == pytest.approx([1 / 5, 1 / 2, 4 / 5, 1, 4 / 5, 1 / 2, 1 / 10])
    assert biweight(d) == pytest.approx([0, 0, 9 / 16, 1, 9 / 16, 0, 0])


def test_ridge_is_least_squares_with_the_prior_as_further_rows() -> None:
    """Hoerl and Kennard 1970: the same as observing each coefficient as 0 with weight of the prior."""
    rng = np.random.default_rng(3)
    x, y, w = rng.normal(0, 1, (30, 3)), rng.normal(0, 1, (30, 2)), rng.uniform(0, 2, 30)
    prior = np.diag([1.0, 4.0, 9.0])
    rows = np.concatenate([x * np.sqrt(w)[:, None], np.sqrt(prior)])
    target = np.concatenate([y * np.sqrt(w)[:, None], np.zeros((3, 2))])
    assert ridge(x, y, w, prior) == pytest.approx(np.linalg.lstsq(rows, target, rcond=None)[0])
    assert ridge(x, y[:, 0], w, prior) == pytest.approx(ridge(x, y, w, prior)[:, 0])
