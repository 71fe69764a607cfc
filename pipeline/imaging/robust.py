"""Fits that a minority of wrong values cannot move: the weighted median, and least squares done again and again with
weights that fall with the distance from the last fit."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.types import F64

_Solution = TypeVar("_Solution")
_Setting = TypeVar("_Setting")


def weighted_median(values: NDArray[Any], weights: NDArray[Any], interpolated: bool = False) -> float:
    """The value (N,) at which half of the weight (N,), >= 0, lies on either side; ValueError where there is none.

    The mean of the lower and the upper weighted median, as np.median of each value repeated as often as its weight
    says. interpolated: straight between the middles of neighbours' weights, so that it moves smoothly with the
    values; for a handful of values.
    """
    if len(values) == 0:
        raise ValueError("the median of no values")
    order = np.argsort(values, kind="stable")
    ordered, running = values[order], np.cumsum(weights[order])
    if interpolated:
        return float(np.interp(0.5 * weights.sum(), running - 0.5 * weights[order], ordered))
    low = int(np.searchsorted(running, running[-1] / 2))
    high = min(int(np.searchsorted(running, running[-1] / 2, side="right")), len(values) - 1)
    return float((ordered[low] + ordered[high]) / 2)


def reweighted(
    solve: Callable[[F64], _Solution],
    weigh: Callable[[_Solution, _Setting], F64],
    start: _Solution,
    schedule: Iterable[_Setting],
) -> tuple[_Solution, F64]:
    """Iteratively reweighted least squares: the last solution, and the weights that gave it.

    For each setting of `schedule` (a scale that narrows, or just a count): weights from the distance of the data from
    the present solution, then a weighted solution. Holland and Welsch, "Robust regression using iteratively
    reweighted least-squares", Communications in Statistics A6(9), 1977. ValueError where the schedule is empty.
    """
    solution, weights = start, None
    for setting in schedule:
        weights = weigh(solution, setting)
        solution = solve(weights)
    if weights is None:
        raise ValueError("a schedule of no steps")
    return solution, weights


def cauchy(distance: NDArray[Any]) -> F64:
    """Weights 1 / (1 + d^2) of distances in units of the scale: what is far keeps a little say (Holland and Welsch)."""
    return np.asarray(1 / (1 + distance**2))


def biweight(distance: NDArray[Any]) -> F64:
    """Tukey's (1 - d^2)^2 within |d| < 1 and 0 beyond (Beaton and Tukey, Technometrics 16, 1974)."""
    return np.where(np.abs(distance) < 1, (1 - distance**2) ** 2, 0.0)


def ridge(x: F64, y: F64, weights: F64, prior: F64) -> F64:
    """Weighted least squares of y (N,) or (N, C) on x (N, K), with `prior` (K, K) added to the normal matrix.

    The prior is the inverse covariance, in units of the weights, of coefficients thought to be near zero (Hoerl and
    Kennard, Technometrics 12, 1970). (K,) or (K, C).
    """
    normal = x.T @ (weights[:, None] * x) + prior
    target = x.T @ (weights[:, None] * y if y.ndim > 1 else weights * y)
    return np.asarray(np.linalg.solve(normal, target), dtype=np.float64)
