"""A strong warm cast of finished pictures, which their camera left in: light of filament lamps, candles, sodium."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.light import palette
from pipeline.light.folded import Folded
from pipeline.light.neutral import Candidate, Vote
from pipeline.types import F64, CameraFacts


@dataclass(frozen=True)
class CastConstants:
    """When a cast is strong and sure, and how much of it is taken off. Chroma in natural log.

    No published values exist. Chosen by eye on the finished pictures of ../shared/data: of 122 photographs that show no
    chart, four under candles and a low sun reach `strong`, and of 122 crops of charts 27, all under warm light.
    """

    strong: float = 0.45  # chroma towards warm light: a white in it has a chroma (CIELAB) of some 20
    across: float = 0.25  # chroma that it may lie beside the way from daylight to filament lamps
    warm: float = 0.3  # chroma from which a candidate is warm, and
    sure: float = 0.9  # share of what may be white that has to be
    grey: float = 0.142  # chroma about neutral, in which
    few: float = 0.1  # of the picture may lie at the most: what is grey in it proves that there is no cast
    taken: float = 0.6  # part that is taken off: the picture looks lit by warm lamps and not orange
    taken_in_halls: float = 0.9  # where the exposure says that lamps lit a hall: white cloth is to look white
    hall: float = 5.5  # light value at ISO 100 from which they did: candles and street lamps give 4 and less, a dim
    # hall at ISO 12,800 has 6, matches and stages 8 to 9 (tables of exposure values, common practice, from memory)
    outdoors: float = 11.0  # light value from which it is the sun's: a low sun has 12


CAST = CastConstants()
_WARM = np.array([0.6, -0.7]) / np.hypot(0.6, 0.7)  # from daylight to warm white (light.neutral)


def warm_cast(whites: Sequence[Candidate], chroma_histogram: NDArray[Any] | Folded) -> F64 | None:
    """The white (2,), log chroma against daylight, that one finished picture shows under a strong and sure warm cast;
    None where there is none. whites  the candidates, best first; chroma_histogram  as of palette.histogram

    It is the mean of the warm candidates by score. Cameras bend the brightest red most, and paper is bluer than cloth:
    by the best one alone, often the brightest, all others turned green."""
    if not whites:
        return None
    first = whites[0].chroma
    along, across = float(first @ _WARM), abs(float(first[0] * _WARM[1] - first[1] * _WARM[0]))
    of_all = sum(w.score for w in whites)
    warm = [w for w in whites if w.chroma @ _WARM > CAST.warm]
    score = sum(w.score for w in warm)
    if along < CAST.strong or across > CAST.across or score < CAST.sure * of_all:
        return None
    area = np.asarray(chroma_histogram).astype(np.float64) ** 2  # it holds roots
    u, v = (palette.LOW[k] + palette.STEP * (np.arange(area.shape[k]) + 0.5) for k in (0, 1))
    grey = area[np.hypot(u[:, None], v[None, :]) < CAST.grey].sum()
    return np.asarray(sum(w.score * w.chroma for w in warm) / score) if grey < CAST.few * area.sum() else None


def without_cast(
    votes: Sequence[Vote], chromaticities: F64, casts: Sequence[F64 | None], halls: Sequence[bool] = ()
) -> list[Vote]:
    """White of finished pictures that show the same surfaces: where most of them have a strong warm cast, at least
    CAST.taken of its warmth is taken off of all of them alike; what is left of their votes stays. What lies beside the
    way from daylight to warm lamps goes whole: warm light is expected to look orange, and looks ill when it is olive.

    chromaticities (N, 2) of the scenes; casts  of each, as `warm_cast` says; halls  of each, whether it was exposed
    for a lit hall: where most that have a cast were, CAST.taken_in_halls goes. Empty: none was
    """
    offsets = np.array([c - at for c, at in zip(casts, chromaticities, strict=True) if c is not None]).reshape(-1, 2)
    if 2 * len(offsets) <= len(votes):
        return list(votes)
    cast = np.median(offsets, axis=0) + chromaticities
    lit = [hall for hall, one in zip(halls, casts, strict=False) if one is not None]
    taken = CAST.taken_in_halls if 2 * sum(lit) > len(offsets) else CAST.taken
    part = cast - (1 - taken) * (cast @ _WARM)[:, None] * _WARM
    return [
        replace(vote, white=own, cast=True) if vote.white @ _WARM < own @ _WARM else vote
        for vote, own in zip(votes, part, strict=True)
    ]


def light_value(of: CameraFacts) -> float | None:
    """Exposure value at ISO 100 that a camera set (APEX: log2(N^2 / t) - log2(ISO / 100)); None where not known."""
    if not (of.f_number and of.exposure_time and of.iso):
        return None
    return float(np.log2(of.f_number**2 / of.exposure_time) - np.log2(of.iso / 100))


def in_hall(of: CameraFacts) -> bool:
    """Whether a frame was exposed for the light of a hall, more than candles give and less than the sun; False where
    that is not known."""
    value = light_value(of)
    return value is not None and CAST.hall <= value < CAST.outdoors


def outdoors(of: CameraFacts) -> bool:
    """Whether a frame was exposed for more light than a hall has; False where that is not known."""
    value = light_value(of)
    return value is not None and value >= CAST.outdoors
