"""What flicker looks like along the rows of a frame and from side to side: the terms of a gain map.

Lamps on one mains flicker at one frequency, whatever their phases, and a shutter takes one readout time. So every
frame of a burst shows a wave of the same length over its rows, with an amplitude and a phase of its own, and its second
harmonic (a lamp's flicker is not a sine, and nor is the logarithm of one). The number of cycles per frame is found
for the burst.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.imaging.robust import cauchy, reweighted
from pipeline.light.gain_map import basis
from pipeline.types import F64

# Legendre degrees that hold 2.3 waves and their harmonic over the rows, and one lamp giving way to the other across.
DEGREE, ACROSS = 18, 3
# Channels to a common part and two differences, and back; each row is one channel.
TO_PARTS = np.array([[1 / 3, 1, 0], [1 / 3, -1, -1], [1 / 3, 0, 1]])
TO_CHANNELS = np.linalg.inv(TO_PARTS)
_SLACK = 5  # degrees of what a wave does not explain: a light switched on, a shutter of uneven speed


@dataclass(frozen=True)
class RowWaveConstants:
    """How far each term of a burst's gain maps is expected to go: standard deviations in stops, but for the cycles.

    No published values exist. Chosen by trial on simulated lamps and shutters: `pytest tests/light/test_flicker.py`.
    That each one matters: `pytest tests/test_constants.py`.
    """

    # Cycles per frame: a curtain of 3 ms at 100 Hz shows 0.3, an electronic shutter of 17 ms at 120 Hz 2.0.
    fewest_cycles: float = 0.3
    most_cycles: float = 2.3
    tried: int = 41  # numbers of cycles between them
    free: float = 4.0  # the mean of a frame goes where it must
    wave: float = 0.3
    harmonic: float = 0.05
    slack: float = 0.04  # of the first degree of what a wave does not explain
    slack_falls: float = 0.6  # from each degree to the next, a factor
    across: tuple[float, ...] = (0.08, 0.03, 0.03)  # of degree 1, 2 and 3 from side to side
    wave_across: tuple[float, ...] = (0.12, 0.04, 0.04)
    rest_across: float = 0.02  # of the harmonic and of the first degree of slack, from side to side
    colour: float = 0.3  # flicker is common to the channels; its colour is this fraction of it
    loose: float = 0.03  # stops beyond which a row counts less when the length is looked for
    pull: float = 1e-3  # ridge in rows' worth of weight: only where a wave is next to nothing does it count
    fit_steps: int = 3
    least_rows: int = 6  # known rows of a frame that say something of the length


ROW_WAVE = RowWaveConstants()


@dataclass(frozen=True)
class Terms:
    """The functions a gain map is made of, for flicker of so many cycles per frame.

    rows (DEGREE + 1, F) Legendre coefficients of F functions of the row; term t is function of[t] of the row
    times the Legendre polynomial across[t] of the column. prior (T, 3): standard deviation in stops before the
    burst is looked at, for the part common to the channels and the two differences.
    """

    cycles: float
    rows: F64
    of: tuple[int, ...]
    across: tuple[int, ...]
    prior: F64

    def functions(self, height: int, width: int) -> tuple[F64, F64]:
        """(height, F) functions of the row, (width, ACROSS + 1) of the column, at the centres of tiles."""
        return basis(height, DEGREE) @ self.rows, basis(width, ACROSS)

    def design(self, height: int, width: int) -> F64:
        """(height * width, T) values of the terms at the centres of tiles."""
        rows, columns = self.functions(height, width)
        return np.stack(
            [np.outer(rows[:, i], columns[:, j]).ravel() for i, j in zip(self.of, self.across, strict=True)], axis=1
        )

    def legendre(self, coefficients: F64) -> F64:
        """(DEGREE + 1, ACROSS + 1, 3) Legendre coefficients of (T, 3) coefficients of the terms."""
        total = np.zeros((DEGREE + 1, ACROSS + 1, 3))
        for i, j, one in zip(self.of, self.across, coefficients, strict=True):
            total[:, j] += self.rows[:, i, None] * one
        return total


def terms(cycles: float) -> Terms:
    """The terms for a number of cycles per frame."""
    at = np.linspace(-1, 1, 201)
    angle = np.pi * cycles * at
    waves = np.stack([np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)], axis=1)
    slack = np.polynomial.legendre.legvander(at, _SLACK)[:, 1:]
    # Each function less what the earlier ones can do: a part of a wave is nearly a constant and a bend, and a
    # prior for each means something only when they are apart.
    apart, _ = np.linalg.qr(np.concatenate([np.ones((len(at), 1)), waves, slack], axis=1))
    functions = apart[:, 1:] * np.sqrt(len(at) / 2)
    rows = np.zeros((DEGREE + 1, 5 + _SLACK))
    rows[0, 0] = 1.0
    rows[:, 1:] = np.polynomial.legendre.legfit(at, functions, DEGREE)
    # (function, degree across): standard deviation in stops
    c = ROW_WAVE
    sizes = {(0, 0): c.free, (1, 0): c.wave, (2, 0): c.wave, (3, 0): c.harmonic, (4, 0): c.harmonic}
    sizes |= {(5 + d, 0): c.slack * c.slack_falls**d for d in range(_SLACK)}
    first, *others = zip(c.across, c.wave_across, strict=True)
    sizes |= {(0, 1): first[0], (1, 1): first[1], (2, 1): first[1]}
    sizes |= {(5, 1): c.rest_across, (3, 1): c.rest_across, (4, 1): c.rest_across}
    for degree, (even, wave) in enumerate(others, start=2):
        sizes |= {(0, degree): even, (1, degree): wave, (2, degree): wave}
    prior = np.array(list(sizes.values()))[:, None] * np.array([1.0, c.colour, c.colour])
    prior[0] = c.free
    return Terms(cycles, rows, tuple(i for i, _ in sizes), tuple(j for _, j in sizes), prior)


def find_cycles(profiles: F64) -> float:
    """The cycles per frame that explain (N, R) row profiles in stops best; NaN where a row is not known.

    Least squares with a Cauchy weight for each length; frames share it, amplitude and phase are their own.
    """
    height = profiles.shape[1]
    at = (np.arange(height) + 0.5) / height * 2 - 1
    every = np.linspace(ROW_WAVE.fewest_cycles, ROW_WAVE.most_cycles, ROW_WAVE.tried)
    angle = np.pi * every[:, None] * at
    waves, cost = np.stack([np.cos(angle), np.sin(angle)], axis=2), np.zeros(len(every))
    for profile in profiles:
        known = np.isfinite(profile)
        if known.sum() >= ROW_WAVE.least_rows:
            cost += _misfits(waves[:, known], profile[known])
    return float(every[np.argmin(cost)])


def _misfits(x: F64, y: F64) -> F64:
    """(L,) what waves (L, R, 2) of each length leave of a profile (R,)."""

    def solve(weights: F64) -> F64:
        weighted = np.swapaxes(x * weights[..., None], 1, 2)
        return np.asarray(np.linalg.solve(weighted @ x + ROW_WAVE.pull * np.eye(x.shape[2]), (weighted @ y)[..., None]))

    def rest(found: F64) -> F64:
        return np.asarray((y - (x @ found)[..., 0]) / ROW_WAVE.loose)

    found, _ = reweighted(
        solve, lambda found, _: cauchy(rest(found)), solve(np.ones(x.shape[:2])), range(ROW_WAVE.fit_steps)
    )
    return np.asarray(np.log1p(rest(found) ** 2).sum(axis=1))
