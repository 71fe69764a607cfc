"""Figures for the constants by which pans prove the falloff of a lens: small drawn bursts, and fits that nearly do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache

import numpy as np

from pipeline.imaging.lens.falloff import NODES, Falloff
from pipeline.light.flicker import View
from pipeline.light.lens import pans
from tests.light.lens.drawn import WIDTH, Pan, U, burst, seen


@cache
def _views() -> tuple[tuple[View, ...], ...]:
    pan = Pan(frames=4, step=14.0, modulation=0.3)
    return tuple(tuple(seen(*burst(n, 1.3 * U**1.5, pan))) for n in (2, 3, 4, 6, 8))


def of_pans() -> Iterator[float]:
    """Which fits are believed, which motions count, and what few bursts under flickering lamps say."""

    def believed(corner: float, error: float, bursts: int = 9, hump: float = 0.0) -> list[float]:
        made = pans.Fit(np.array([corner + 4 * hump, -4 * hump, 0, 0]), np.full(NODES, error), bursts)
        return [float(made.sure), float(made.proved), float(made.contradicts(Falloff(0 * U)))]

    for bursts in range(2, 8):
        yield from believed(1.0, 0.01, bursts)
    for value in np.linspace(0.03, 0.05, 41):
        yield from believed(1.0, value)
    for value in np.linspace(0.1, 0.5, 81):
        yield from believed(value, 0.001) + believed(value, 0.039)
    for value in np.linspace(0.0, 0.2, 81):
        yield from believed(0.2, 0.001, hump=value)

    one = _views()[2]

    def counts(**motion: float) -> float:
        return float(pans.evidence([replace(v, motion=replace(v.motion, **motion)) for v in one]) is not None)

    yield from [counts(explained=part) for part in (0.19, 0.21)]
    yield from [counts(dx=float(dx)) for dx in np.linspace(0.025, 0.035, 11) * WIDTH]
    found = [one for views in _views() if (one := pans.evidence(views)) is not None]
    fit = pans.fit_bursts(found)
    assert fit is not None
    yield from [*fit.terms.tolist(), *fit.errors.tolist()]
