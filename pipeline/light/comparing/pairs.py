"""Comparisons between the scenes of a shoot, few enough for a long night, and what all of them together say."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.robust import cauchy, reweighted
from pipeline.light import palette
from pipeline.light.comparing.tones import AsShown, Brighter, ToneSpectrum, brighter, tone_spectrum
from pipeline.store.folded import Folded
from pipeline.types import F64

Histogram: TypeAlias = NDArray[Any] | Folded
_HELD, _LOOSE = 1e6, 1e-9  # weights that hold the first scene of a group, and keep one without a comparison at nought


@dataclass(frozen=True)
class PairConstants:
    """Which scenes are compared, and how their comparisons are weighed. Chroma in natural log; match is the correlation
    of histograms, 0 to 1.

    No published values exist. Chosen by trial on drawn halls under published lamps: `pytest tests/light/test_scenes.py
    tests/light/test_even_light.py`. That each one matters: `pytest tests/test_constants.py`.
    """

    most_alone: int = 60  # reference scenes that may have nothing in common, so that the cost stays linear
    reference_scenes: int = 10  # of a camera, that all its others are compared with
    far: float = 0.35  # chroma; a scene further off becomes a reference scene itself
    poor: float = 0.9  # match; so does one that matches worse
    nothing_shared: float = 0.45  # match; two histograms that match no better show different things
    reach: float = 1.6  # chroma between any two lamps of a hall
    distance_cost: float = 0.4  # of a match, for each unit of chroma: near scenes are compared first
    nearly_best: float = 0.8  # of the best match, above which a reference scene has a say
    match_power: int = 4  # by which match counts
    nearness: float = 0.02  # chroma, that keeps the weight of a scene in the same light finite
    chroma_outlier: float = 0.05  # chroma, by which a comparison is off that counts half (Cauchy)
    tone_power: int = 8  # by which the match of two scenes' tones counts
    tone_outlier: float = 0.1  # stops, by which a comparison is off that counts half (Cauchy)
    same_surfaces: float = 0.91  # mean match of colours and of tones, from which two scenes show the same surfaces:
    # bursts of generated halls reach 0.92 to 0.99, of 6,000 pairs of unrelated photographs (../shared/data) 0.3 %
    fit_steps: int = 12


PAIRS = PairConstants()


@dataclass(frozen=True)
class Pair:
    """Two scenes, by index, that were compared: step (2,) the first one's shift of chroma; weight  of the comparison;
    match  of their colours, 0 to 1"""

    one: int
    other: int
    step: F64
    weight: float
    match: float = 1.0


def find_pairs(
    histograms: Sequence[Histogram], cameras: Sequence[tuple[str, ...]], first: Sequence[int]
) -> tuple[list[Pair], NDArray[np.int64], F64]:
    """The scenes that are compared, and the group and match of each: each against a few reference scenes, these against
    the earlier ones and the one before it, so that the number of comparisons grows with that of the scenes only.

    histograms  of chroma (palette.histogram); cameras  only scenes of one are compared; first  best reference scenes
    """
    count = len(histograms)
    group, match = np.full(count, -1, dtype=np.int64), np.ones(count)
    pairs: list[Pair] = []
    reference_scenes: list[int] = []
    found_again: dict[int, int] = {}  # how many scenes show the surfaces of a reference scene
    spectra: dict[int, palette.Spectrum] = {}
    before: dict[tuple[str, ...], tuple[int, palette.Spectrum]] = {}
    for index in [*dict.fromkeys(first), *(i for i in range(count) if i not in first)]:
        own = palette.spectrum(histograms[index].astype(np.float64))
        near = [h for h in reference_scenes if cameras[h] == cameras[index]]
        shifts = [(h, palette.register(own, spectra[h], PAIRS.reach)) for h in near]
        best = max(
            shifts, key=lambda s: s[1].match * (1 - PAIRS.distance_cost * float(np.hypot(*s[1].step))), default=None
        )
        if best is None or best[1].match < PAIRS.nothing_shared:
            group[index] = group.max() + 1
            match[index] = 1.0 if best is None else best[1].match
        else:
            group[index] = group[best[0]]
            match[index] = best[1].match
            last = before.get(cameras[index])
            if last is not None and last[0] not in near:
                shifts.append((last[0], palette.register(own, last[1], PAIRS.reach)))
            pairs += [
                Pair(
                    index, h, s.step, s.match**PAIRS.match_power / (PAIRS.nearness + float(np.hypot(*s.step))), s.match
                )
                for h, s in shifts
                if group[h] == group[index] and s.match > PAIRS.nearly_best * best[1].match
            ]
        for h, s in shifts:
            if h in found_again and s.match >= PAIRS.same_surfaces:
                found_again[h] += 1
        needed = best is None or best[1].match < PAIRS.poor or float(np.hypot(*best[1].step)) > PAIRS.far
        alone = best is None or best[1].match < PAIRS.nothing_shared  # a new group, which others must find
        own_references = [h for h in reference_scenes if cameras[h] == cameras[index]]
        room = len(own_references) < PAIRS.reference_scenes + len(first)
        if needed and not room and not alone:  # one that nothing was like, such as a test shot, makes room
            spare = next((h for h in own_references if not found_again[h] and h not in first), None)
            if spare is not None:
                reference_scenes.remove(spare)
                room = True
        if index in first or (alone and len(reference_scenes) < PAIRS.most_alone) or (needed and room):
            reference_scenes.append(index)
            found_again[index] = 0
            spectra[index] = own
        before[cameras[index]] = index, own
    return pairs, group, match


def _weight(of: palette.Shift) -> float:
    """Scenes in like light count most."""
    return float(of.match**PAIRS.match_power / (PAIRS.nearness + float(np.hypot(*of.step))))


def tone_differences(
    histograms: Sequence[Histogram], pairs: Sequence[Pair], chromaticities: F64, shown: Sequence[AsShown] | None = None
) -> list[Brighter]:
    """How the tones of each pair compare, their colours laid on each other as all comparisons together say.

    histograms  tone_histogram of each scene; shown  of each, as for tone_spectrum
    """

    def spectrum(index: int) -> ToneSpectrum:
        return tone_spectrum(np.asarray(histograms[index]), None if shown is None else shown[index])

    often = {i for i, n in Counter(p.other for p in pairs).items() if n > 1}
    kept: dict[int, ToneSpectrum] = {}
    own, at = np.zeros(0, np.complex64), -1
    found = []
    for pair in pairs:
        if pair.one != at:
            own, at = spectrum(pair.one), pair.one
        other = kept.get(pair.other)
        if other is None:
            other = spectrum(pair.other)
            if pair.other in often:
                kept[pair.other] = other
        found.append(brighter(own, other, chromaticities[pair.one] - chromaticities[pair.other]))
    return found


def of_one_place(pairs: Sequence[Pair], found: Sequence[Brighter], count: int) -> NDArray[np.int64]:
    """(count,) a number for each scene, the same for those that are proven to show the same surfaces, by their colours
    and tones together, be it by way of others. found  of each pair"""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    matches = [(p.match + f.match) / 2 for p, f in zip(pairs, found, strict=True)]
    same = [(p.one, p.other) for p, m in zip(pairs, matches, strict=True) if m >= PAIRS.same_surfaces]
    one, other = np.array(same, dtype=np.int64).reshape(-1, 2).T
    joined = coo_array((np.ones(len(same)), (one, other)), shape=(count, count))
    return np.asarray(connected_components(joined, directed=False)[1], dtype=np.int64)


def agreed_chroma(pairs: Sequence[Pair], fixed: NDArray[np.int64], at: F64) -> F64:
    """(scenes, 2) chromaticities that fit all pairs best; those of the scenes `fixed` (G,), one a group, are `at`."""
    steps, weights = np.array([p.step for p in pairs]).reshape(-1, 2), np.array([p.weight for p in pairs])
    return _agreed(pairs, steps, weights, fixed, at, PAIRS.chroma_outlier)


def agreed_tones(pairs: Sequence[Pair], found: Sequence[Brighter], fixed: NDArray[np.int64]) -> F64:
    """(scenes,) stops that fit what was found of all pairs best; 0 for the scenes `fixed` (G,), one a group."""
    stops = np.array([f.stops for f in found]).reshape(-1, 1)
    weights = np.array([max(f.match, 0.0) ** PAIRS.tone_power for f in found])
    return _agreed(pairs, stops, weights, fixed, np.zeros((len(fixed), 1)), PAIRS.tone_outlier)[:, 0]


def _agreed(
    pairs: Sequence[Pair], differences: F64, weights: F64, fixed: NDArray[np.int64], at: F64, outlier: float
) -> F64:
    """(scenes, K) values whose differences fit those of the pairs (P, K) best, weights (P,); those of the scenes
    `fixed` (G,) are `at` (G, K).

    Least squares done again with Cauchy weights, so that a comparison that disagrees with the other ways round loses
    its say (imaging.robust.reweighted); the system is sparse, and its cost grows with the pairs.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.linalg import splu

    one, other = (np.array([getattr(p, k) for p in pairs], dtype=np.int64) for k in ("one", "other"))
    count = max([*(fixed + 1).tolist(), *(one + 1).tolist(), *(other + 1).tolist()], default=0)
    held = np.zeros(count)
    held[fixed] = 1.0

    def solve(w: F64) -> F64:
        diagonal = _HELD * held + np.bincount(one, w, count) + np.bincount(other, w, count) + _LOOSE
        places = np.arange(count)
        entries = np.concatenate([diagonal, -w, -w])
        rows, columns = np.concatenate([places, one, other]), np.concatenate([places, other, one])
        matrix = coo_array((entries, (rows, columns)), shape=(count, count)).tocsc()
        target = np.zeros((count, differences.shape[1]))
        target[fixed] = _HELD * at
        np.add.at(target, one, w[:, None] * differences)
        np.add.at(target, other, -w[:, None] * differences)
        return np.asarray(splu(matrix).solve(target), dtype=np.float64)

    def weigh(values: F64, _: int) -> F64:
        off = np.linalg.norm(differences - (values[one] - values[other]), axis=1)
        return np.asarray(weights * cauchy(off / outlier))

    return reweighted(solve, weigh, solve(weights), range(PAIRS.fit_steps))[0]
