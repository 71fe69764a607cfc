"""One lamp for a whole burst: what all its frames together say of the flicker in each.

Lamps on one mains keep their phases to each other, so at every place of the hall their sum is one lamp,
1 + d cos(phase), and only the phase differs from frame to frame. Fitted alone, a frame is continued by its bright rows
into rows that show little; fitted as that lamp, it needs a phase and a level, and what else its gain map has (colour,
the change from side to side) follows from the phase by two amplitudes that the burst shares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.light.row_wave import ACROSS, DEGREE, Terms
from pipeline.light.static_bands import STATIC, best_lamp, lamp_light
from pipeline.types import F64


@dataclass(frozen=True)
class SharedLampConstants:
    """When one lamp is believed to be what the frames show.

    Chosen by trial on generated halls and real court frames: `python -m tests.evenness`, `python -m
    tests.court_flicker`. That each one matters: `pytest tests/test_constants.py`.
    """

    unexplained: float = 0.05  # most of the power of the waves that the lamp may leave
    pull: float = 0.1  # rows' worth of trust that colour and sides follow no lamp


SHARED_LAMP = SharedLampConstants()
_ROWS = 24  # of a frame, at which waves are compared: as in static_bands
_PHASES = 360  # that are tried for a frame of a long burst, which was not fitted


def expected(model: Terms, parts: F64) -> F64:
    """(F, T, 3) coefficients that one lamp explains; all zero where there is none that explains the frames.

    parts (F, T, 3): coefficients of the model's terms as fitted so far, by common part and differences, less the
    burst's typical ones. The mean of a frame over its rows is its own: it is expected to be zero.
    """
    mean = np.zeros_like(parts)
    if len(parts) < STATIC.frames:
        return mean
    at = np.linspace(-1, 1, _ROWS)
    functions = np.polynomial.legendre.legvander(at, DEGREE) @ model.rows
    terms = [[t for t, a in enumerate(model.across) if a == degree] for degree in range(ACROSS + 1)]
    shapes = [functions[:, [model.of[t] for t in own]] for own in terms]
    waves = parts[:, terms[0], 0] @ shapes[0].T
    pick = np.unique(np.linspace(0, len(parts) - 1, min(STATIC.most, len(parts))).round().astype(int))
    lamp = best_lamp(waves[pick], model.cycles)
    down = np.pi * lamp.cycles * at
    phases = lamp.phases
    if len(pick) < len(parts):
        tried = np.linspace(-np.pi, np.pi, _PHASES, endpoint=False)
        known = _level(waves - waves[pick].mean(axis=0) + lamp.shared(at))
        light = _level(lamp_light(tried[:, None] + down, lamp))
        distance = (light**2).sum(axis=1) - 2 * known @ light.T
        phases = tried[np.argmin(distance, axis=1)]
    angle = phases[:, None] + down

    def take(wave: F64, degree: int, part: int) -> None:
        found = np.linalg.lstsq(shapes[degree], wave.T, rcond=None)[0].T
        mean[:, terms[degree], part] = found - np.median(found, axis=0)

    take(lamp_light(angle, lamp), 0, 0)
    left = (parts - mean)[:, terms[0], 0] @ shapes[0].T
    power, of = (float((_level(w - w.mean(axis=0)) ** 2).sum()) for w in (left, waves))
    if power > SHARED_LAMP.unexplained * of:
        return np.zeros_like(parts)
    turning = np.stack([np.cos(angle), np.sin(angle)], axis=2)
    for degree, own in enumerate(terms):
        for part in range(3):
            if degree == part == 0:
                continue
            wave, design = parts[:, own, part] @ shapes[degree].T, turning
            wave, design = wave - wave.mean(axis=0), design - design.mean(axis=0)
            if degree == 0:
                wave, design = _level(wave), _level(design)
            x = design.reshape(-1, 2)
            amplitudes = np.linalg.solve(x.T @ x + SHARED_LAMP.pull * np.eye(2), x.T @ wave.ravel())
            take(turning @ amplitudes, degree, part)
    mean[:, 0] = 0
    return mean


def _level(waves: F64) -> F64:
    """Less the mean over the rows, (F, R, ...)."""
    return np.asarray(waves - waves.mean(axis=1, keepdims=True))
