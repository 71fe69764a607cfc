"""Static banding: bands that stand still over a burst, because the frame rate is a fraction of the lamps' flicker.

At 20 frames a second under lamps that flicker at 120 Hz every frame meets nearly the same phase: the bands of an
electronic shutter, and the slope that a curtain's few milliseconds leave, are then in all frames, and comparing
frames shows only what jitter moves. But all frames show one lamp, at different phases: 1 + d cos(phase), with a
second harmonic. How the frames differ gives each frame's phase and the depth d, and these give the part that all
frames share. Logarithms of light are compared, so that the sine is not one any more: that helps to tell the depth.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.light.row_wave import ACROSS, DEGREE
from pipeline.types import F64


@dataclass(frozen=True)
class StaticConstants:
    """How the lamp is fitted, and when its static bands are believed. Standard deviations are those expected.

    Chosen by trial on generated halls and on bursts drawn from closed forms: `python -m tests.evenness`,
    `pytest tests/light/test_flicker.py`. That each one matters: `pytest tests/test_constants.py`.
    """

    frames: int = 4  # fewest
    most: int = 12  # frames that are fitted: more say little more
    error: float = 0.01  # stops, of a frame's wave as measured, in each of its independent parts
    least_error: float = 0.005  # the same, of a burst whose frames fit better
    parts: int = 4  # independent parts of a frame's wave over its rows: a wave and its harmonic
    depth: float = 0.3  # of the lamp as the shutter shows it, standard deviation
    harmonic: float = 0.1  # of the depth, standard deviation of either part
    cycles: float = 0.15  # by which the cycles per frame may be off that were found before
    exposure: float = 0.01  # stops, by which shutter and aperture repeat
    across: float = 0.1  # stops, of the wave's change from side to side and of its colour
    outlier: float = 2.0  # errors, from which a row counts less (soft L1)
    sure: float = 3.0  # standard errors, root mean square over the rows
    decided: float = 2.0  # natural log of the likelihood by which another solution must be worse


STATIC = StaticConstants()
_ROWS = 24  # of a frame, at which waves are compared; 2.3 waves and their harmonics need ten
_FINE = 201
_DARKEST = 0.02  # of the lamp's mean light: below it the logarithm runs away
_MEDIAN_TO_DEVIATION = 1.4826  # of a normal distribution
_SAME_PHASE = 0.06  # radians, within which frames show one light: about 0.02 stops of a deep lamp
# Where a fit starts: how far the static part lies to one side of the middle of the frames, as a lamp's depth, for a
# short arc on either side or for a whole circle about the middle. The best of all is kept.
_STARTS = (0.0, 0.15, -0.15, 0.35, -0.35)


@dataclass(frozen=True)
class Lamp:
    """A lamp that all frames show: phases (F,) radians at the middle row, depth, cycles per frame, harmonic (2,)."""

    phases: F64
    depth: float
    cycles: float
    harmonic: F64

    def shared(self, at: F64) -> F64:
        """(R,) mean log2 light of the frames at rows -1 to 1: what they have in common."""
        angle = self.phases[:, None] + np.pi * self.cycles * at
        return np.asarray(_wave(angle, self.depth, self.harmonic)[0].mean(axis=0))


def static_bands(cycles: float, maps: F64) -> F64 | None:
    """(DEGREE + 1, ACROSS + 1, 3) Legendre coefficients of the bands that all frames share, or None.

    cycles per frame, nearly; maps (F, DEGREE + 1, ACROSS + 1, 3): those of each frame, by common part and differences.
    """
    pick = np.unique(np.linspace(0, len(maps) - 1, min(STATIC.most, len(maps))).round().astype(int))
    at, fine = np.linspace(-1, 1, _ROWS), np.linspace(-1, 1, _FINE)
    whole = maps[pick]
    waves = np.einsum("rd,fdjk->frjk", np.polynomial.legendre.legvander(at, DEGREE), whole)
    lamp = find_lamp(waves[:, :, 0, 0], cycles)
    if lamp is None:
        return None
    # Every other part of the wave is a constant times the same turning, plus its own static part.
    angle, angle_fine = (lamp.phases[:, None] + np.pi * lamp.cycles * rows for rows in (at, fine))
    turning = np.stack([np.cos(angle), np.sin(angle)], axis=2)
    design = (turning - turning.mean(axis=0)).reshape(-1, 2)
    known = (waves - waves.mean(axis=0)).reshape(len(design), -1)
    pull = (STATIC.error / STATIC.across) ** 2 * _ROWS / STATIC.parts
    amplitudes = np.linalg.solve(design.T @ design + pull * np.eye(2), design.T @ known)
    turning_fine = np.stack([np.cos(angle_fine), np.sin(angle_fine)], axis=2).mean(axis=0)
    shared = (turning_fine @ amplitudes).reshape(_FINE, ACROSS + 1, 3)
    shared[:, 0, 0] = lamp.shared(fine)
    fitted = np.polynomial.legendre.legfit(fine, shared.reshape(_FINE, -1), DEGREE).reshape(DEGREE + 1, ACROSS + 1, 3)
    return np.asarray(fitted - whole.mean(axis=0))


def pan_along(shared: F64, by: float) -> F64:
    """Legendre coefficients like those of static_bands, moved to the right by `by` half widths of the frame; what lies
    beyond an edge of the first is like the edge."""
    at = np.linspace(-1, 1, 4 * (ACROSS + 1))
    moved = np.polynomial.legendre.legvander(np.clip(at - by, -1, 1), ACROSS)
    return np.asarray(np.einsum("ij,djk->dik", np.polynomial.legendre.legfit(at, moved, ACROSS), shared))


def find_lamp(waves: F64, cycles: float) -> Lamp | None:
    """The lamp whose light makes the frames differ as they do, or None where they do not show it.

    waves (F, R): log2 light of each frame at rows evenly from -1 to 1, relative to an unknown part that all frames
    share; cycles per frame, nearly. Robust least squares with priors (STATIC); a lamp is believed when the part that
    all frames share is well above its standard error, and no other lamp explains the frames about as well.
    """
    count, rows = waves.shape
    if count < STATIC.frames:
        return None
    at = np.linspace(-1, 1, rows)
    problem, fits = _fits(waves, cycles)
    best = min(fits, key=lambda fit: float(fit.cost))
    lamp = problem.lamp(best.x)
    if _most_in_one(lamp.phases) > count / 2:
        return None  # a flash in the others, or a lamp that was switched
    shared = lamp.shared(at)
    freedom = max(STATIC.parts * (count - 1) - count - 4, 1)  # phases, depth, cycles, harmonic
    # The errors of this burst by its own rows; a few that nothing shows well, at an edge, do not count.
    off = np.abs(problem.residuals(best.x)[: waves.size])
    spread = (_MEDIAN_TO_DEVIATION * float(np.median(off))) ** 2 * waves.size / freedom
    spread = max(spread, (STATIC.least_error / STATIC.error) ** 2)
    step = 1e-4
    slopes = np.stack([(problem.lamp(best.x + step * e).shared(at) - shared) / step for e in np.eye(len(best.x))], 1)
    covariance = np.linalg.pinv(best.jac.T @ best.jac) * spread
    variance = np.einsum("ri,ij,rj->r", slopes, covariance, slopes)
    if float((shared**2).mean()) < STATIC.sure**2 * float(variance.mean()):
        return None
    for fit in fits:
        gap = problem.lamp(fit.x).shared(at) - shared
        other = float((gap**2).mean()) > STATIC.sure**2 * float(variance.mean())
        if other and float(fit.cost - best.cost) < STATIC.decided * max(1.0, spread):
            return None
    return lamp


def best_lamp(waves: F64, cycles: float) -> Lamp:
    """The lamp that explains best how the frames differ, whether or not it tells what they share; see `find_lamp`."""
    problem, fits = _fits(waves, cycles)
    return problem.lamp(min(fits, key=lambda fit: float(fit.cost)).x)


def is_pulse(phases: F64) -> bool:
    """Whether frames in such phases (F,), in order of time, show a lamp that pulses.

    Lamps that are switched, and flashes of others, leave frames in fewer than four lights; what fades or is uncovered
    runs one way. A pulse may do so too, of few frames.
    """
    about = np.angle(np.exp(1j * phases).mean())
    turns = np.angle(np.exp(1j * (phases - about)))
    in_order = np.sort(turns)
    gaps = np.append(np.diff(in_order), in_order[0] + 2 * np.pi - in_order[-1])
    distinct = int((gaps > _SAME_PHASE).sum())
    one_way = abs(float(np.sign(np.diff(turns)).sum())) == len(turns) - 1
    return distinct >= STATIC.frames and not (one_way and float(np.ptp(turns)) < np.pi)


def _most_in_one(phases: F64) -> int:
    """The number of frames in one phase."""
    apart = np.abs(np.angle(np.exp(1j * (phases[:, None] - phases))))
    return int((apart < _SAME_PHASE).sum(axis=1).max())


def lamp_light(angle: F64, lamp: Lamp) -> F64:
    """log2 of a lamp's light at angles of any shape."""
    return _wave(angle, lamp.depth, lamp.harmonic)[0]


def _fits(waves: F64, cycles: float) -> tuple[_Problem, list[Any]]:
    from scipy.optimize import least_squares

    problem = _Problem(waves - waves.mean(axis=0), np.linspace(-1, 1, waves.shape[1]), cycles)
    return problem, [
        least_squares(
            problem.residuals, start, jac=problem.jacobian, loss="soft_l1", f_scale=STATIC.outlier, max_nfev=100,
        )
        for start in problem.starts()
    ]  # fmt: skip


class _Problem:
    """The residuals of a lamp. Parameters: F phases, depth, cycles, two of the harmonic, F offsets of exposure."""

    def __init__(self, centred: F64, at: F64, cycles: float) -> None:
        self._centred, self._at, self._cycles = centred, at, cycles
        self._count = len(centred)
        self._scale = STATIC.error * np.sqrt(len(at) / STATIC.parts)

    def lamp(self, x: F64) -> Lamp:
        n = self._count
        return Lamp(x[:n], float(x[n]), float(x[n + 1]), x[n + 2 : n + 4])

    def starts(self) -> list[F64]:
        """From the measured amplitudes, which lie on an arc: its centre on either side of their middle, or there."""
        angle = np.pi * self._cycles * self._at
        design = np.stack([np.cos(angle), np.sin(angle), np.ones(len(angle))], axis=1)
        cos, sin, _ = np.linalg.lstsq(design, self._centred.T, rcond=None)[0]
        main = cos - 1j * sin
        axis = np.linalg.svd(np.column_stack([main.real, main.imag]), full_matrices=False)[2][-1]
        rest = np.zeros(self._count + 2)
        return [
            np.concatenate(
                [
                    np.angle(main + side / np.log(2) * complex(axis[0], axis[1])),
                    [abs(side) or STATIC.depth, self._cycles],
                    rest,
                ]
            )
            for side in _STARTS
        ]

    def residuals(self, x: F64) -> F64:
        lamp, offsets = self.lamp(x), x[self._count + 4 :]
        angle = lamp.phases[:, None] + np.pi * lamp.cycles * self._at
        wave = _wave(angle, lamp.depth, lamp.harmonic)[0] + offsets[:, None]
        off = (self._centred - (wave - wave.mean(axis=0))) / self._scale
        priors = [lamp.depth / STATIC.depth, (lamp.cycles - self._cycles) / STATIC.cycles]
        return np.concatenate([off.ravel(), priors, lamp.harmonic / STATIC.harmonic, offsets / STATIC.exposure])

    def jacobian(self, x: F64) -> F64:
        lamp, n = self.lamp(x), self._count
        angle = lamp.phases[:, None] + np.pi * lamp.cycles * self._at
        _, turn, others = _wave(angle, lamp.depth, lamp.harmonic)
        rows = len(self._at)
        slopes = np.zeros((n, rows, 2 * n + 4))
        each = np.arange(n)
        slopes[each, :, each] = turn
        slopes[:, :, n] = others[0]
        slopes[:, :, n + 1] = turn * np.pi * self._at
        slopes[:, :, n + 2], slopes[:, :, n + 3] = others[1:]
        slopes[each, :, n + 4 + each] = 1
        slopes -= slopes.mean(axis=0)
        priors = np.zeros((n + 4, 2 * n + 4))
        widths = [STATIC.depth, STATIC.cycles, STATIC.harmonic, STATIC.harmonic, *[STATIC.exposure] * n]
        priors[np.arange(n + 4), n + np.arange(n + 4)] = 1 / np.array(widths)
        return np.concatenate([-slopes.reshape(n * rows, -1) / self._scale, priors])


def _wave(angle: F64, depth: float, harmonic: F64) -> tuple[F64, F64, F64]:
    """log2 of a lamp's light at (F, R) angles, its slope by the angle, and (3, F, R) by depth and harmonic."""
    cos, sin, cos2, sin2 = np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)
    shape = cos + harmonic[0] * cos2 + harmonic[1] * sin2
    light = np.maximum(1 + depth * shape, _DARKEST)
    turn = depth * (-sin - 2 * harmonic[0] * sin2 + 2 * harmonic[1] * cos2)
    scale = 1 / (light * np.log(2))
    return np.log2(light), turn * scale, np.stack([shape, depth * cos2, depth * sin2]) * scale
