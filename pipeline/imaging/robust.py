"""Fits that a minority of wrong values cannot move: the weighted median, and least squares done again and again with
weights that fall with the distance from the last fit; how far errors reach beyond, and how unsure they leave it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.types import F64

_Solution = TypeVar("_Solution")
_Setting = TypeVar("_Setting")
_MEDIAN_TO_DEVIATION = 1.4826  # of a normal distribution
_KNOWN = 1e-3  # least weight of tiles that are known about one


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


def around(misses: F64, tiles: tuple[int, int], reach: float, most: float) -> F64:
    """(T, 3) by how many times the variance of errors around each tile exceeds the frame's own; at least 1.

    A tile that a player covers misses every smooth map by far and loses its say by that. The flank of the soft shadow
    beside does not: each of its tiles misses by little, all to one side, most in corners. But what is around it misses
    by far, and so does its place in other frames, whose median is no truth there. So an error's variance is taken
    from there, not from the tile alone (weights from a model of the variance: Carroll and Ruppert, "Robust estimation
    in heteroscedastic linear models", Annals of Statistics 10(2), 1982).

    misses: (T, 3) distances of the tiles from the fit, in the standard deviations that their weights state, NaN where
    not known; reach: standard deviation of the neighbourhood, tiles; most: a miss counts no further than so many of
    the frame's own deviations. NaN where nothing about a tile is known.
    """
    import cv2

    known = np.isfinite(misses @ np.ones(3))
    if not known.any():
        return np.full_like(misses, np.nan)
    scale = np.maximum(1.0, _MEDIAN_TO_DEVIATION * np.median(misses[known], axis=0))
    squares = np.ones((len(misses), 4))
    squares[:, :3] = np.minimum(misses / scale, most) ** 2
    squares[~known] = 0
    edge = cv2.BORDER_CONSTANT
    blurred = cv2.GaussianBlur(squares.reshape(*tiles, 4), (0, 0), reach, borderType=edge).reshape(-1, 4)
    share = np.where(blurred[:, 3:] > _KNOWN, blurred[:, 3:], np.nan)
    return np.asarray(np.maximum(blurred[:, :3] / share, 1.0))


def unsureness(x: F64, y: F64, weight: F64, prior: F64, block: F64) -> F64:
    """(K, 3) variance of ridge coefficients as the data show it, over what independent errors of these weights give.

    x (T, K), y and weight (T, 3), prior (K, 3) standard deviations, block (T,). One block after another is left out
    (the jackknife by groups; for errors that neighbours share: Kuensch, Annals of Statistics 17, 1989, 1217-1241):
    where a few tiles in a corner decide a coefficient, or a player passes, it moves by more than its variance says.
    """
    order = np.argsort(block, kind="stable")
    ends = np.flatnonzero(np.diff(block[order])) + 1
    members = list(zip([0, *ends], [*ends, len(block)], strict=True))
    x, y, weight = x[order], y[order], weight[order]
    ratio = np.zeros_like(prior)
    for part in range(3):
        weighted = weight[:, part, None] * x
        grams = np.stack([weighted[a:b].T @ x[a:b] for a, b in members])
        sides = np.stack([y[a:b, part] @ weighted[a:b] for a, b in members])
        data, side = grams.sum(axis=0), sides.sum(axis=0)
        whole = data + np.diag(1 / prior[:, part] ** 2)
        inverse = np.linalg.inv(whole)
        without = np.linalg.solve(whole - grams, (side - sides)[..., None])[..., 0]
        moved = ((without - inverse @ side) ** 2).sum(axis=0) * (1 - 1 / len(members))
        ratio[:, part] = moved / np.diag(inverse @ data @ inverse)
    return ratio
