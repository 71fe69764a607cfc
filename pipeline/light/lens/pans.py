"""The falloff of a lens, from pans: falloff stays with the frame while the hall moves through it.

A surface that two frames of a burst show at different distances from the centre differs by the falloff between the two
places, by the flicker of the lamps, and by nothing else. What can be told from flicker counts, and no more: flicker is
free to change each row's level and its slope across, but for the mean slope of a frame. That slope grows with the pan
where it is falloff, and has no reason to where it is flicker. Scenes that merely look darker towards their corners,
as most do, say nothing here: halls are lit in the middle and photographers put the subject there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.lens.falloff import MOST_STOPS, NODES, Falloff
from pipeline.imaging.robust import biweight, reweighted
from pipeline.light.flicker import View, ratios
from pipeline.light.gain_map import basis
from pipeline.store.packing import LARGEST, take
from pipeline.types import F64

TERMS = 4  # of the falloff: powers of the squared radius; a fifth, as FixVignetteRadial has, changes nothing
CURVES = 3  # Legendre polynomials of the column, from the slope on, that all rows of a frame share by flicker
_SIZE = CURVES + TERMS + 1  # curves, terms, what was measured


@dataclass(frozen=True)
class PanConstants:
    """When pans prove a falloff. Stops, where nothing else is said.

    No published values exist. Chosen by trial on drawn bursts with the falloff of lenses in the open lens database:
    `pytest tests/light/lens`.
    """

    moved: float = 0.03  # of the width; smaller pans say nothing
    explained: float = 0.2  # of the frame, least, that a motion explains
    rows: int = 8  # degree of the polynomial in the row that flicker is free to be
    tile: int = 4  # pixels of the small pictures
    together: float = 8.0  # tiles whose errors are one
    biweight: float = 4.0  # scales, beyond which a tile has no say
    steps: int = 5  # of the robust fit
    prior: float = 2.0  # that a term is large by, before anything is measured
    curve: float = 0.05  # stops of each curve by flicker that a burst is thought to have, worth `trust` frames
    trust: float = 3.0
    rounds: int = 6
    again: int = 3  # rounds for each part of the jackknife, which begins where the whole ended
    groups: int = 12  # of the jackknife
    most: int = 120  # bursts that are asked: more say the same
    bursts: int = 4  # fewest with a pan: the error is learnt from how they differ
    error: float = 0.04  # most standard error anywhere along the radius
    sure: float = 4.0  # standard errors that the corner's falloff must be
    least: float = 0.15  # at the corner
    apart: float = 0.3  # at the corner, from which a calibration is not believed
    rise: float = 0.03  # by which it may fall back along the radius: no lens does


PANS = PanConstants()


@dataclass(frozen=True)
class PanEvidence:
    """What the frames of one burst that moved say: for each the normal equations, free flicker taken out, of the curves
    that its rows share, the terms of the falloff and what was measured. pairs (n, _SIZE, _SIZE), symmetric."""

    pairs: F64

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """For the store."""
        return {"pans": self.pairs}

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> PanEvidence | None:
        """What as_arrays gave; None where a burst had none. Raises ValueError."""
        return (
            cls(take(arrays, "pans", np.float64, (None, _SIZE, _SIZE), -LARGEST, LARGEST)) if "pans" in arrays else None
        )


def evidence(views: Sequence[View]) -> PanEvidence | None:
    """What a burst's registered frames say of the falloff; None where none of them moved far enough."""
    reference = views[len(views) // 2]
    height, width = reference.pixels.shape[:2]
    tiles = (max(2, height // PANS.tile), max(2, width // PANS.tile))
    pairs = []
    for view in views:
        motion = view.motion
        if abs(motion.dx) + abs(motion.dy) < PANS.moved * width or motion.explained < PANS.explained:
            continue
        ratio, weight = ratios(view, reference.pixels, reference.good, tiles)
        found = _pair(ratio.mean(axis=1), weight[:, 0], view, tiles, height / width)
        if found is not None:
            pairs.append(found)
    return PanEvidence(np.array(pairs)) if pairs else None


def _pair(ratio: F64, weight: F64, view: View, tiles: tuple[int, int], aspect: float) -> F64 | None:
    """The normal equations of one frame against the reference; None where too little of it can be compared."""
    good = np.isfinite(ratio) & (weight > 0)
    rows, columns = basis(tiles[0], PANS.rows), basis(tiles[1], CURVES)
    if good.sum() < 3 * rows.shape[1]:
        return None
    x = np.tile(columns[:, 1], tiles[0])
    y = np.repeat(rows[:, 1], tiles[1])
    height, width = view.pixels.shape[:2]
    motion = view.motion
    there_x = (x - 2 * motion.dx / width) / motion.scale
    there_y = (y - 2 * motion.dy / height) / motion.scale
    here, there = ((a * a + (b * aspect) ** 2) / (1 + aspect**2) for a, b in ((x, y), (there_x, there_y)))
    falloff = np.stack([there**k - here**k for k in range(1, TERMS + 1)], axis=1)
    level = np.repeat(rows, tiles[1], axis=0)
    free = np.concatenate([level, level[:, 1:] * x[:, None]], axis=1)[good]
    asked = np.concatenate([np.tile(columns[:, 1:], (tiles[0], 1)), falloff], axis=1)[good]
    measured, w = ratio[good], weight[good]
    # For the robust weights a frame may explain itself as it likes; what is falloff, all bursts decide together.
    design = np.concatenate([free, asked], axis=1)
    ridge = 1e-3 * np.eye(design.shape[1])

    def solve(of: F64) -> F64:
        return np.asarray(np.linalg.solve(design.T @ (of[:, None] * design) + ridge, design.T @ (of * measured)))

    def weigh(fit: F64, step: int) -> F64:
        size = np.abs(measured - design @ fit) * np.sqrt(w)
        scale = max(1.0, float(np.median(size)) * 1.5)
        reach = PANS.biweight * scale * (1.5 if step < 2 else 1.0)
        return np.asarray(w / scale**2 / PANS.together * biweight(size / reach))

    _, robust = reweighted(solve, weigh, solve(w), range(PANS.steps))
    if (robust > 0).sum() < 3 * free.shape[1]:
        return None
    every = np.concatenate([asked, measured[:, None]], axis=1)
    inner = free.T @ (robust[:, None] * free) + 1e-6 * np.eye(free.shape[1])
    across = free.T @ (robust[:, None] * every)
    left = every.T @ (robust[:, None] * every) - across.T @ np.linalg.solve(inner, across)
    return np.asarray((left + left.T) / 2)


@dataclass(frozen=True)
class Fit:
    """A falloff as measured. terms (TERMS,) stops of r^2, r^4, ...; errors (NODES,) its standard errors."""

    terms: F64
    errors: F64
    bursts: int

    @property
    def stops(self) -> F64:
        """(NODES,) stops that are missing along the radius, at equal steps of its square."""
        return _POWERS @ self.terms

    @property
    def sure(self) -> bool:
        """Whether it says how large the falloff is, or that there is none."""
        return bool(self.bursts >= PANS.bursts and self.errors.max() <= PANS.error)

    @property
    def proved(self) -> bool:
        """Whether it is a falloff that is sure enough to be taken out."""
        stops = self.stops
        return bool(
            self.sure
            and max(PANS.least, PANS.sure * float(self.errors[-1])) <= stops[-1] <= MOST_STOPS
            and (np.maximum.accumulate(stops) - stops).max() <= PANS.rise
            and stops.min() >= -PANS.rise
        )

    @property
    def falloff(self) -> Falloff | None:
        """The falloff to take out; None where there is none that is proved."""
        return Falloff(np.maximum(np.maximum.accumulate(self.stops), 0.0)) if self.proved else None

    def contradicts(self, other: Falloff) -> bool:
        """Whether another falloff cannot be that of these pictures: the camera may have taken it out already."""
        apart = abs(float(self.stops[-1]) - float(other.stops[-1]))
        return self.sure and apart > max(PANS.apart, PANS.sure * float(self.errors[-1]))


_POWERS = np.vander(np.linspace(0, 1, NODES), TERMS + 1, increasing=True)[:, 1:]


def fit_bursts(bursts: Sequence[PanEvidence]) -> Fit | None:
    """The falloff on which the bursts of one lens at one setting agree best, and how far they differ; None for fewer
    than two.

    Each burst has curves by the flicker of its reference frame, and each frame has its own, whose size is learnt from
    the burst (empirical Bayes, Efron and Morris 1973). The error is the jackknife's over groups of bursts (Efron and
    Stein, Annals of Statistics 9, 1981): bursts are independent, frames of one are not.
    """
    if len(bursts) < 2:
        return None
    pick = np.unique(np.linspace(0, len(bursts) - 1, min(PANS.most, len(bursts))).round().astype(int))
    chosen = [bursts[i].pairs for i in pick]
    terms = _agreed(chosen, np.zeros(TERMS), PANS.rounds)
    groups = min(PANS.groups, len(chosen))
    without = np.array([
        _POWERS @ _agreed([c for i, c in enumerate(chosen) if i % groups != g], terms, PANS.again)
        for g in range(groups)
    ])  # fmt: skip
    away = without - without.mean(axis=0)
    errors = np.sqrt((groups - 1) / groups * (away**2).sum(axis=0))
    return Fit(terms, errors, len(bursts))


def _agreed(bursts: Sequence[F64], terms: F64, rounds: int) -> F64:
    """The terms on which bursts agree, from `terms` on; what each burst's lamps do is learnt on the way."""
    flicker = [np.full(CURVES, PANS.curve**2)] * len(bursts)
    for _ in range(rounds):
        flicker = [_flicker_variance(pairs, terms, v) for pairs, v in zip(bursts, flicker, strict=True)]
        systems = [_of_burst(pairs, v) for pairs, v in zip(bursts, flicker, strict=True)]
        normal = np.eye(TERMS) / PANS.prior**2 + np.sum([n for n, _ in systems], axis=0)
        terms = np.linalg.solve(normal, np.sum([t for _, t in systems], axis=0))
    return terms


def _of_burst(pairs: F64, variance: F64) -> tuple[F64, F64]:
    """Normal matrix and target of the terms of one burst, its curves (CURVES,), of that variance, taken out."""
    trust = np.diag(1 / variance)
    total = np.zeros((_SIZE, _SIZE))
    for pair in pairs:
        total += _without(pair, trust)
    total = _without(total, trust)  # the reference frame has curves of its own, which all pairs share
    return total[CURVES:-1, CURVES:-1], total[CURVES:-1, -1]


def _without(system: F64, trust: F64) -> F64:
    """A system in which the curves are unknowns, as one in which each is its own mean plus an unknown of that trust."""
    own = system[:CURVES, :CURVES] + trust
    across = system[:CURVES]
    return np.asarray(system - across.T @ np.linalg.solve(own, across))


def _flicker_variance(pairs: F64, terms: F64, before: F64) -> F64:
    """(CURVES,) variance of the curves of a burst's frames that the falloff does not explain."""
    trust = np.diag(1 / before)
    found = np.zeros(CURVES)
    for pair in pairs:
        inverse = np.linalg.inv(pair[:CURVES, :CURVES] + trust)
        curves = inverse @ (pair[:CURVES, -1] - pair[:CURVES, CURVES:-1] @ terms)
        found += curves**2 + np.diag(inverse)
    return np.asarray((PANS.trust * PANS.curve**2 + found) / (PANS.trust + len(pairs)))
