"""How the light's chroma changes over a frame, where the lamps at one end of a hall give way to those at the other.

From side to side, and by perspective less and less towards the bottom: half of the frame's width is several metres at
the far wall, and half as many on the floor at half of its distance. So all rows show one profile of the light across
the hall, each a shorter part of it. Neighbouring bands of columns show much the same surfaces within a few rows, so
their histograms register (light.palette), and the profile and the perspective that explain the steps best are the
gradient. It is believed as far as it explains them: what is no light, and differs from side to side, it explains badly.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.robust import cauchy, reweighted, ridge
from pipeline.light.mixing.floor import floor_edge
from pipeline.light.palette import ChromaSamples, counts, register, root_histogram, spectrum
from pipeline.light.shared_lamp import Perspective
from pipeline.types import F64


@dataclass(frozen=True)
class GradientConstants:
    """What a gradient of the light over the frame may be, and when it is believed. Chroma in natural log.

    No published values exist. Chosen by trial on generated halls (`python -m tests.evenness`) and on real photographs,
    which light hardly differs in: `pytest tests/light/mixing`. That each one matters: `pytest tests/test_constants.py`.
    """

    band_least: float = 40.0  # pixels' worth of weight that a band needs
    slope: float = 0.5  # chroma over half a frame, standard deviation of slopes that are expected
    bends: float = 0.3  # the same of each higher power
    floor: float = 0.25  # half heights by which the floor may begin off the middle of the frame, standard deviation
    edge: float = 0.06  # the same off where it is seen to begin
    reach: tuple[float, ...] = (0.12, 0.1, 0.08)  # chroma from band to band, each time it is looked for
    useless: float = 0.6  # match of two bands, below which they show different things
    step_error: float = 0.02  # chroma, standard deviation of a step between bands
    step_outlier: float = 0.03  # chroma, by which a step is off that counts half (Cauchy)
    fit_steps: int = 6
    # Share of what the steps differ by that the gradient explains: not believed below, wholly above. Generated halls
    # of two lamps reach 0.5 to 0.9, real court frames 0.1 to 0.2.
    doubted: float = 0.3
    believed: float = 0.5
    # How many times its standard error it is, likewise: halls in which lamps mix reach 14 and more, a street with sky
    # on one side and trees on the other 9 (../shared/data/people, 192 pixels wide). What one picture leaves in doubt
    # others may prove (mixing.hall).
    unclear: float = 8.0
    clear: float = 16.0


GRADIENT = GradientConstants()
_COLUMNS, _ROWS = 10, 6  # bands
_POWERS = 4
_LAGS = (1, 2)
_CLEAREST = 50.0  # that is told apart: beyond it nothing is in doubt
_EYES = 0.4  # half heights; of a camera at the height of eyes, 25 metres from the wall
# Where the floor begins, and how fast it comes nearer below; without perspective first.
_NEARER = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0)
_VIEWS = ((0.0, 0.0), *((float(f), n) for f in np.linspace(-0.5, 0.5, 5) for n in _NEARER))


@dataclass(frozen=True)
class ChromaGradient:
    """By how much the light's chroma is off that in the middle of the upright frame, which all rows have in common.

    powers    (4, 2) of x, x^2, x^3 and x^4 in ln R/G and ln B/G, x from -1 to 1 across what the burst shows of the wall
    floor     row, -1 to 1, from which the surfaces come nearer;  nearer  how fast: at row y they are 1 + nearer (y -
              floor) times as near as the wall
    half      half of what the burst shows, in half widths of a frame
    doubted   (4, 2) what was found besides, and not believed by itself (mixing.hall)
    clear     how many times its standard error all that was found is, over what the burst shows
    """

    powers: F64
    floor: float = 0.0
    nearer: float = 0.0
    half: float = 1.0
    doubted: F64 = field(default_factory=lambda: np.zeros((_POWERS, 2)))
    clear: float = 0.0

    @staticmethod
    def none() -> ChromaGradient:
        """The same light everywhere."""
        return ChromaGradient(np.zeros((_POWERS, 2)))

    @property
    def horizon(self) -> float:
        """The row at the height of the camera; what stands above it is hardly ever a player. -inf: not known. How much
        nearer the floor comes is known badly: from the floor's edge it is no farther than `_EYES`."""
        return self.floor - min(1 / self.nearer, _EYES) if self.nearer else -np.inf

    def distance(self, rows: F64) -> F64:
        """Of what is seen at rows, -1 to 1, against the wall: 1 and less."""
        return Perspective(self.floor, self.nearer).distance(rows)

    def at(self, columns: F64, distance: F64 | float = 1.0) -> F64:
        """(..., 2) at columns, -1 to 1 across the middle frame, of what stands at a distance, 1 the wall's."""
        return np.asarray(_powers(np.clip(columns / self.half, -1, 1) * distance) @ self.powers)

    def as_array(self) -> NDArray[Any]:
        """(20,) for the store."""
        view = self.floor, self.nearer, self.half
        return np.array([*self.powers.ravel(), *view, *self.doubted.ravel(), self.clear])

    @staticmethod
    def from_array(values: NDArray[Any]) -> ChromaGradient:
        """What as_array gave. Raises ValueError for what it cannot have given."""
        if not (abs(values[8]) <= 1 and 0 <= values[9] <= _VIEWS[-1][1] and values[10] >= 1 and values[19] >= 0):
            raise ValueError("no perspective of a frame")
        powers, doubted = (values[at : at + 8].reshape(_POWERS, 2) for at in (0, 11))
        floor, nearer, half = (float(v) for v in values[8:11])
        return ChromaGradient(powers, floor, nearer, half, doubted, float(values[19]))


SIZE = (4 * _POWERS + 4,)  # of ChromaGradient.as_array


def _powers(x: F64) -> F64:
    return np.stack([x ** (k + 1) for k in range(_POWERS)], axis=-1)


@dataclass(frozen=True)
class _Steps:
    """Between bands: chroma (N, 2) from column one (N,) to other (N,) at row (N,), all -1 to 1; weight (N,)."""

    chroma: F64
    weight: F64
    one: F64
    other: F64
    row: F64

    def design(self, view: ChromaGradient) -> F64:
        """(N, 4) of which the steps are made, by the perspective of a view."""
        distance = view.distance(self.row)
        return _powers(self.other * distance) - _powers(self.one * distance)


def chroma_gradient(of: ChromaSamples) -> ChromaGradient:
    """The gradient of the pictures; none where their bands have nothing in common, or do not bear it out."""
    found = ChromaGradient(np.zeros((_POWERS, 2)), half=max(1.0, float(np.abs(of.column).max(initial=0.0))))
    share, clear = 0.0, 0.0
    edge = 0.0, 0.0
    for number, reach in enumerate(GRADIENT.reach):
        if number:
            edge = floor_edge(of.moved(found.at(of.column, found.distance(of.row))), found.half)
        steps = _steps(of, found, reach)
        if steps is None:
            return ChromaGradient.none()
        found, share = _best(steps, found.half, *edge)
        clear = _clear(steps, found)
    sure = float(np.interp(share, (GRADIENT.doubted, GRADIENT.believed), (0.0, 1.0)))
    sure *= float(np.interp(clear, (GRADIENT.unclear, GRADIENT.clear), (0.0, 1.0)))
    return replace(found, powers=sure * found.powers, doubted=(1 - sure) * found.powers, clear=clear)


def _steps(of: ChromaSamples, found: ChromaGradient, reach: float) -> _Steps | None:
    """How bands differ from their neighbours, looked for within `reach` about what was found before."""
    middles = ((np.arange(_COLUMNS) + 0.5) / _COLUMNS * 2 - 1, (np.arange(_ROWS) + 0.5) / _ROWS * 2 - 1)
    rest = of.moved(found.at(of.column, found.distance(of.row)))
    places = (of.column / found.half, of.row)
    column, row = (
        np.clip(((at + 1) / 2 * count).astype(int), 0, count - 1)
        for at, count in zip(places, (_COLUMNS, _ROWS), strict=True)
    )
    order = np.argsort(row * _COLUMNS + column, kind="stable")
    ends = np.cumsum(np.bincount(row * _COLUMNS + column, minlength=_COLUMNS * _ROWS))[:-1]
    spectra = []
    for inside in np.split(order, ends):
        weight = of.weight[inside]
        binned = counts(rest.chroma[inside], weight) if weight.sum() > GRADIENT.band_least else None
        spectra.append(None if binned is None else spectrum(root_histogram(binned)))
    chroma, rows = [], []
    for down in range(_ROWS):
        distance = float(found.distance(middles[1][down]))
        offsets = found.at(middles[0] * found.half, distance)
        band = spectra[down * _COLUMNS : (down + 1) * _COLUMNS]
        for lag in _LAGS:
            for k, (other, one) in enumerate(zip(band, band[lag:], strict=False)):
                if one is not None and other is not None:
                    shift = register(one, other, reach * lag**0.5)
                    chroma.append(shift.step + offsets[k + lag] - offsets[k])
                    known = max((shift.match - GRADIENT.useless) / (1 - GRADIENT.useless), 0.0) ** 2
                    rows.append((known, middles[0][k], middles[0][k + lag], middles[1][down]))
    return _Steps(np.array(chroma), *np.array(rows).T) if rows else None


def _prior() -> F64:
    """(4, 4) what is expected of a profile, in units of a step's error."""
    c = GRADIENT
    return np.diag(1 / np.array([c.slope, *(c.bends,) * (_POWERS - 1)]) ** 2) * c.step_error**2


def _clear(steps: _Steps, found: ChromaGradient) -> float:
    """How many times its standard error a profile is. The error is by what the steps are off, whatever their spread
    (White, "A heteroskedasticity-consistent covariance matrix estimator", Econometrica 48(4), 1980; from memory)."""
    x = steps.design(found)
    rest = steps.chroma - x @ found.powers
    weights = steps.weight * cauchy(np.hypot(*rest.T) / GRADIENT.step_outlier)
    inverse = np.linalg.inv((x * weights[:, None]).T @ x + _prior())
    error = inverse @ ((x * (weights**2 * (rest**2).mean(axis=1))[:, None]).T @ x) @ inverse
    over = _powers(np.linspace(-1, 1, 2 * _COLUMNS + 1))
    over -= over.mean(axis=0)
    noise = 2 * float(np.trace(over @ error @ over.T))
    return min(float(np.sqrt(((over @ found.powers) ** 2).sum() / noise)), _CLEAREST) if noise > 0 else 0.0


def _best(steps: _Steps, half: float, edge: float, sure: float) -> tuple[ChromaGradient, float]:
    """The profile and view that explain the steps best, and the share of what they differ by that it explains. edge
    row at which the floor is seen to begin, and how sure that is."""
    c = GRADIENT
    prior = _prior()

    def misfit(rest: F64) -> float:
        size = np.hypot(*rest.T) / c.step_outlier
        return float((steps.weight * np.log1p(size**2)).sum()) * (c.step_outlier / c.step_error) ** 2

    best, least = ChromaGradient(np.zeros((_POWERS, 2)), half=half), np.inf
    for floor, nearer in (*_VIEWS, *((edge, n) for n in _NEARER if sure > 0)):
        x = steps.design(ChromaGradient(best.powers, floor, nearer))

        def solve(weights: F64, x: F64 = x) -> F64:
            return ridge(x, steps.chroma, weights, prior)

        def weigh(powers: F64, _: int, x: F64 = x) -> F64:
            return steps.weight * cauchy(np.hypot(*(steps.chroma - x @ powers).T) / c.step_outlier)

        powers, _ = reweighted(solve, weigh, np.zeros((_POWERS, 2)), range(c.fit_steps))
        cost = misfit(steps.chroma - x @ powers) + float((powers * (prior @ powers)).sum()) / c.step_error**2
        if nearer:
            cost += (1 - sure) * (floor / c.floor) ** 2 + sure * ((floor - edge) / c.edge) ** 2
        if cost < least:
            best, least = ChromaGradient(powers, floor, nearer, half), cost
    nothing = misfit(steps.chroma)
    return best, 1 - least / nothing if nothing > 0 else 0.0
