"""Where white is when nothing tells: candidates from one scene, and what many scenes agree on.

White kit, lines, nets and paper are the brightest surfaces of a hall that are lit like the rest, and lamps lie in a
band about the daylight locus. So a candidate is a colour that stands out by its brightness and is a plausible lamp
(after Joze, Drew, Finlayson and Rey, "The role of bright pixels in illumination estimation", CIC 20, 2012). Area
hardly counts: that is what makes gray-world take a wood floor for the light.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.ndimage import gaussian_filter, maximum_filter

from pipeline.imaging.robust import reweighted
from pipeline.light.palette import LOW, STEP, ChromaSamples, counts
from pipeline.types import F64

_BRIGHT = 10.0  # power of the mean that stands for a colour's brightness: close to its brightest part
_STANDS_OUT = 3.5  # power by which brightness counts
_AREA = 0.3  # power by which area counts
_LEAST = 25.0  # pixels' worth of weight that make a colour
_CANDIDATES = 6
# Where published lamps lie in (u, v) about daylight for a measured camera (tests/test_neutral.py): from daylight
# by warm white (0.6, -0.7) to high-pressure sodium (1.15, -1.4), and off that line to clear mercury.
_BANDS = (
    np.array([[-0.1, 0.1], [0.0, 0.0], [0.3, -0.35], [0.6, -0.7], [0.75, -1.0], [1.15, -1.4]]),
    np.array([[0.15, -0.3], [-0.55, -0.45]]),
)
_ACROSS = 0.25


@dataclass(frozen=True)
class Candidate:
    """A colour that may be white: chroma (2,) relative to daylight, and a score without unit, larger is likelier."""

    chroma: F64
    score: float


def plausible(chroma: F64) -> F64:
    """(N,) how plausible it is, 0 to 1, that a hall lamp looks like `chroma` (N, 2)."""
    best = np.full(len(chroma), np.inf)
    for band in _BANDS:
        for one, other in pairwise(band):
            along = other - one
            t = np.clip((chroma - one) @ along / (along @ along), 0, 1)
            best = np.minimum(best, np.linalg.norm(chroma - one - t[:, None] * along, axis=1))
    return np.exp(-0.5 * (best / _ACROSS) ** 2)


def candidates(of: ChromaSamples) -> list[Candidate]:
    """The likeliest whites of one scene, the best first; empty when too little can be used."""
    weight = of.weight
    area = gaussian_filter(counts(of.chroma, weight), 1.0)
    power = gaussian_filter(counts(of.chroma, weight * np.minimum(of.luminance, 4.0) ** _BRIGHT), 1.0)
    total = float(area.sum())
    if total < _LEAST:
        return []
    known = area * 12 > _LEAST  # a smoothed colour spreads over a dozen bins
    brightness = np.where(known, (power / np.maximum(area, 1e-9)) ** (1 / _BRIGHT), 0.0)
    u, v = (LOW[k] + STEP * (np.arange(area.shape[k]) + 0.5) for k in (0, 1))
    grid = np.stack(np.meshgrid(u, v, indexing="ij"), axis=-1).reshape(-1, 2)
    score = brightness**_STANDS_OUT * (area / total) ** _AREA * plausible(grid).reshape(area.shape)
    peaks = np.argwhere((score == maximum_filter(score, 3)) & (score > 0.05 * score.max()))
    order = sorted(peaks.tolist(), key=lambda p: -score[tuple(p)])[:_CANDIDATES]
    return [Candidate(_settled(of, grid.reshape(*area.shape, 2)[tuple(p)]), float(score[tuple(p)])) for p in order]


def _settled(of: ChromaSamples, start: F64) -> F64:
    """The middle of the bright pixels about `start`, by mean shift (Fukunaga and Hostetler 1975)."""
    near = (np.abs(of.chroma[:, 0] - start[0]) < 0.3) & (np.abs(of.chroma[:, 1] - start[1]) < 0.3)
    points = of.chroma[near]
    weight = of.weight[near] * np.minimum(of.luminance[near], 4.0) ** _BRIGHT
    for reach in (0.06, 0.05, 0.04, 0.04):
        w = weight * np.exp(-0.5 * ((points - start) ** 2).sum(axis=1) / reach**2)
        if w.sum() <= 0:
            break
        start = (w[:, None] * points).sum(axis=0) / w.sum()
    return np.asarray(start)


@dataclass(frozen=True)
class Vote:
    """What the scenes agree on for one of them: white (2,), and how sure it is, 0 to 1."""

    white: F64
    sure: float


def agree_on_white(chromaticities: F64, found: Sequence[Sequence[Candidate]], near: float = 0.15) -> list[Vote]:
    """White of each scene from its own candidates and those of scenes in similar light.

    anchors (N, 2): where the hall's own colours (its floor, its walls) lie in each scene; a white is told by its
    place against them, which changes only slowly from one lamp to the other. So candidates are compared as
    offsets from the anchor, weighted by how near the anchors are, and the densest offset wins.
    """
    owner = np.array([i for i, some in enumerate(found) for _ in some], dtype=int)
    if len(owner) == 0:
        return [Vote(np.zeros(2), 0.0)] * len(chromaticities)
    offset = np.array([c.chroma for some in found for c in some]) - chromaticities[owner]
    share = np.array([c.score / sum(o.score for o in some) for some in found for c in some])
    votes = []
    cells: dict[tuple[int, int], tuple[F64, float]] = {}
    for chromaticity in chromaticities:
        cell = (
            round(chromaticity[0] / 0.02),
            round(chromaticity[1] / 0.02),
        )  # scenes in the same light share the answer
        if cell not in cells:
            distance = np.linalg.norm(chromaticities[owner] - chromaticity, axis=1)
            weight = share * (np.exp(-0.5 * (distance / near) ** 2) + 0.02)
            cells[cell] = _densest(offset, weight)
        best, sure = cells[cell]
        votes.append(Vote(chromaticity + best, sure))
    return votes


def _densest(points: F64, weight: F64) -> tuple[F64, float]:
    """The densest place among weighted points, and the share of the weight that is near it."""
    keep = np.argsort(-weight)[:600]
    points, weight = points[keep], weight[keep]
    gap = ((points[:, None] - points[None]) ** 2).sum(axis=-1)
    density = np.exp(-0.5 * gap / 0.06**2) @ weight
    best, _ = reweighted(
        lambda w: np.asarray((w[:, None] * points).sum(axis=0) / w.sum()),
        lambda best, _: np.asarray(weight * np.exp(-0.5 * ((points - best) ** 2).sum(axis=1) / 0.05**2)),
        points[int(np.argmax(density))],
        range(8),
    )
    near = np.linalg.norm(points - best, axis=1) < 0.12
    return np.asarray(best), float(weight[near].sum() / weight.sum())
