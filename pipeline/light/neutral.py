"""Where white is when no reference shows it: candidates from one scene, and what many scenes agree on.

White shirts, lines, nets and paper are the brightest surfaces of a hall that are lit like the rest, and lamps lie in a
band about the daylight locus. So a candidate is a colour that stands out by its brightness and is a plausible lamp
(after Joze, Drew, Finlayson and Rey, "The role of bright pixels in illumination estimation", CIC 20, 2012). Area
hardly counts: that is what makes gray-world take a wood floor for the light.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from pipeline.imaging.robust import reweighted
from pipeline.light.palette import LOW, STEP, ChromaSamples, counts
from pipeline.types import F64


@dataclass(frozen=True)
class NeutralConstants:
    """What decides which colour is taken for white. Chroma and distances in natural log of R/G and B/G.

    No published values exist. Chosen by trial on scenes of measured surfaces under published lamps for two measured
    cameras: `pytest tests/light/test_neutral.py`. That each one matters: `pytest tests/test_constants.py`.
    """

    bright: float = 10.0  # power of the mean that stands for a colour's brightness: close to its brightest part
    stands_out: float = 3.5  # power by which brightness counts
    area: float = 0.3  # power by which area counts
    least: float = 25.0  # pixels' worth of weight that make a colour
    smoothed_bins: float = 12.0  # over which a colour of one bin is spread by the smoothing: 4 pi sigma^2, sigma 1 bin
    smoothing: float = 1.0  # bins, standard deviation
    most_luminance: float = 4.0  # of the brightest tenth; what is brighter is a lamp or a reflection of one
    candidates: int = 6  # of one scene
    least_score: float = 0.05  # of the best candidate's
    across: float = 0.25  # chroma, standard deviation of lamps across their band
    settle_window: float = 0.3  # chroma from the histogram's peak
    settle_reach: tuple[float, ...] = (0.06, 0.05, 0.04, 0.04)  # chroma, of each step of the mean shift
    same_light: float = 0.02  # chroma: scenes nearer than this share an answer; half a bin of the histogram
    near: float = 0.15  # chroma, standard deviation: scenes in light this alike vote together
    far_say: float = 0.02  # weight of a scene in quite another light
    most_points: int = 600  # heaviest candidates that are looked at, so that the cost stays bounded
    density_reach: float = 0.06  # chroma, standard deviation of the kernel that finds the densest place
    mean_reach: float = 0.05  # chroma, of the mean shift from there
    mean_steps: int = 8
    counted_near: float = 0.12  # chroma about the answer within which a vote counts for it


NEUTRAL = NeutralConstants()
# Where published lamps lie in (u, v) about daylight for a measured camera (tests/light/test_neutral.py): from daylight
# by warm white (0.6, -0.7) to high-pressure sodium (1.15, -1.4), and off that line to clear mercury.
_BANDS = (
    np.array([[-0.1, 0.1], [0.0, 0.0], [0.3, -0.35], [0.6, -0.7], [0.75, -1.0], [1.15, -1.4]]),
    np.array([[0.15, -0.3], [-0.55, -0.45]]),
)


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
    return np.exp(-0.5 * (best / NEUTRAL.across) ** 2)


def candidates(of: ChromaSamples) -> list[Candidate]:
    """The likeliest whites of one scene, the best first; empty when too little can be used."""
    from scipy.ndimage import gaussian_filter, maximum_filter

    weight = of.weight
    area = gaussian_filter(counts(of.chroma, weight), NEUTRAL.smoothing)
    bright = np.minimum(of.luminance, NEUTRAL.most_luminance) ** NEUTRAL.bright
    power = gaussian_filter(counts(of.chroma, weight * bright), NEUTRAL.smoothing)
    total = float(area.sum())
    if total < NEUTRAL.least:
        return []
    known = area * NEUTRAL.smoothed_bins > NEUTRAL.least
    brightness = np.where(known, (power / np.maximum(area, 1e-9)) ** (1 / NEUTRAL.bright), 0.0)
    u, v = (LOW[k] + STEP * (np.arange(area.shape[k]) + 0.5) for k in (0, 1))
    grid = np.stack(np.meshgrid(u, v, indexing="ij"), axis=-1).reshape(-1, 2)
    score = brightness**NEUTRAL.stands_out * (area / total) ** NEUTRAL.area * plausible(grid).reshape(area.shape)
    peaks = np.argwhere((score == maximum_filter(score, 3)) & (score > NEUTRAL.least_score * score.max()))
    order = sorted(peaks.tolist(), key=lambda p: -score[tuple(p)])[: NEUTRAL.candidates]
    return [Candidate(_settled(of, grid.reshape(*area.shape, 2)[tuple(p)]), float(score[tuple(p)])) for p in order]


def _settled(of: ChromaSamples, start: F64) -> F64:
    """The middle of the bright pixels about `start`, by mean shift (Fukunaga and Hostetler 1975)."""
    near = (np.abs(of.chroma - start) < NEUTRAL.settle_window).all(axis=1)
    points = of.chroma[near]
    weight = of.weight[near] * np.minimum(of.luminance[near], NEUTRAL.most_luminance) ** NEUTRAL.bright
    for reach in NEUTRAL.settle_reach:
        w = weight * np.exp(-0.5 * ((points - start) ** 2).sum(axis=1) / reach**2)
        if w.sum() <= 0:
            break
        start = (w[:, None] * points).sum(axis=0) / w.sum()
    return np.asarray(start)


@dataclass(frozen=True)
class Vote:
    """What the scenes agree on for one of them: chroma of white (2,), and how sure it is, 0 to 1."""

    white: F64
    sure: float


def agree_on_white(chromaticities: F64, found: Sequence[Sequence[Candidate]]) -> list[Vote]:
    """White of each scene from its own candidates and those of scenes in similar light.

    chromaticities (N, 2): where the hall's own colours (its floor, its walls) lie in each scene; the offset of white
    from them changes only slowly from one lamp to the other. So candidates are compared by that offset, weighted by
    how alike the light of their scenes is, and the densest offset wins. found: the candidates of each scene.
    """
    owner = np.array([i for i, some in enumerate(found) for _ in some], dtype=int)
    if len(owner) == 0:
        return [Vote(np.zeros(2), 0.0)] * len(chromaticities)
    offset = np.array([c.chroma for some in found for c in some]) - chromaticities[owner]
    share = np.array([c.score / sum(o.score for o in some) for some in found for c in some])
    votes = []
    cells: dict[tuple[int, int], tuple[F64, float]] = {}
    for chromaticity in chromaticities:
        cell = (round(chromaticity[0] / NEUTRAL.same_light), round(chromaticity[1] / NEUTRAL.same_light))
        if cell not in cells:
            distance = np.linalg.norm(chromaticities[owner] - chromaticity, axis=1)
            weight = share * (np.exp(-0.5 * (distance / NEUTRAL.near) ** 2) + NEUTRAL.far_say)
            cells[cell] = _densest(offset, weight)
        best, sure = cells[cell]
        votes.append(Vote(chromaticity + best, sure))
    return votes


def _densest(points: F64, weight: F64) -> tuple[F64, float]:
    """The densest place among weighted points, and the share of the weight that is near it."""
    keep = np.argsort(-weight)[: NEUTRAL.most_points]
    points, weight = points[keep], weight[keep]
    gap = ((points[:, None] - points[None]) ** 2).sum(axis=-1)
    density = np.exp(-0.5 * gap / NEUTRAL.density_reach**2) @ weight
    best, _ = reweighted(
        lambda w: np.asarray((w[:, None] * points).sum(axis=0) / w.sum()),
        lambda best, _: np.asarray(weight * np.exp(-0.5 * ((points - best) ** 2).sum(axis=1) / NEUTRAL.mean_reach**2)),
        points[int(np.argmax(density))],
        range(NEUTRAL.mean_steps),
    )
    near = np.linalg.norm(points - best, axis=1) < NEUTRAL.counted_near
    return np.asarray(best), float(weight[near].sum() / weight.sum())
