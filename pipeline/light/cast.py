"""A strong warm cast of finished pictures, which their camera left in: light of lamps warmer than daylight.

Which cast is on a picture is asked of its colours: without it they must be as common as those of pictures are
(`natural_colours.npz`; Brainard and Freeman, "Bayesian color constancy", J. Opt. Soc. Am. A 14, 1997, for the idea, and
Gehler et al., "Bayesian color constancy revisited", CVPR 2008). `python -m tests.casts` is the study behind it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.light import palette
from pipeline.light.neutral import Candidate, Vote
from pipeline.store.folded import Folded
from pipeline.types import F64, CameraFacts


@dataclass(frozen=True)
class CastConstants:
    """When a cast is strong and sure, and how much of it is taken off. Chroma in natural log.

    Chosen by how much of published lamps' casts is left in pictures that had no part in the table, and how few
    pictures without a cast are changed: `python -m tests.casts`. taken and what follows was chosen by eye.
    """

    weakest: float = 0.12  # chroma of light from which it is a cast
    furthest: float = 1.65  # chroma of the warmest lamp that is looked for
    step: float = 0.08  # chroma, of the casts that are tried along the lamps
    beside: float = 0.1  # chroma, standard deviation of lamps across their way: greener and pinker than the published
    colours: float = 8.0  # as so many independent colours all pixels of a picture count: things have one colour each
    rare: float = 0.05  # share of finished pictures that are taken to have one: their cameras have balanced them
    sure: float = 0.9  # how probable a cast must be
    likely: float = 0.7  # the same where nothing that may be white is anything but warm:
    warm: float = 0.25  # chroma from which a candidate is, and
    bright: float = 0.9  # share of them by score that has to be
    # How probable it must be for one scene whose exposure is not known: such files are of all kinds, and flowers, fur
    # and low suns that fill a frame look like a lamp.
    unsupported: float = 0.99
    near: float = 0.5  # chroma from the likeliest cast within which what may be white tells more exactly
    taken: float = 0.6  # part that is taken off: the picture looks lit by warm lamps and not orange
    taken_in_halls: float = 0.9  # where the exposure says that lamps lit a hall: white cloth is to look white
    bluer: float = 0.1  # chroma towards blue at which what may be white may come out, the middle by score: where it is
    # hardly warm other light is on it, or there is no cast, and white must not turn blue
    left: float = 0.3  # chroma that is left at the most: as much as pictures by candles keep
    hall: float = 5.5  # light value at ISO 100 from which they did: candles and street lamps give 4 and less, a dim
    # hall at ISO 12,800 has 6, matches and stages 8 to 9 (tables of exposure values, common practice, from memory)
    outdoors: float = 11.0  # light value from which it is the sun's: a low sun has 12


CAST = CastConstants()
_WARM = np.array([0.6, -0.7]) / np.hypot(0.6, 0.7)  # from daylight to warm white (light.neutral)
# White under D65, LED-B4, LED-B3, A and LED-B1 (CIE 15:2018, from x and y) in linear Rec. 709: ln R/G and ln B/G.
_LAMPS = np.array([[0.0, 0.0], [0.210, -0.215], [0.409, -0.489], [0.804, -1.265], [0.868, -1.339]])
_ACROSS = (-2, -1, 0, 1, 2)  # standard deviations beside the lamps' way that are tried
_NATURAL = Path(__file__).with_name("natural_colours.npz")


@lru_cache(maxsize=1)
def natural_colours() -> F64:
    """(80, 112) natural log of how common colours are in pictures without a cast, bins as of palette.histogram."""
    with np.load(_NATURAL) as kept:
        return np.asarray(kept["log_share"].astype(np.float64) * float(kept["unit"]))


@lru_cache(maxsize=4)
def _casts(of: CastConstants) -> tuple[F64, F64]:
    """The casts that are tried, (N, 2), and the natural log of how probable each is beforehand, (N,)."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(_LAMPS, axis=0).T))])
    far = np.arange(0.0, of.furthest, of.step)
    on_way = np.stack([np.interp(far, along, _LAMPS[:, k]) for k in (0, 1)], axis=1)
    beside = of.beside * np.array(_ACROSS, dtype=np.float64)
    tried = on_way[:, None] + beside[None, :, None] * (_WARM[::-1] * [-1, 1])
    share = np.where(far < of.weakest, (1 - of.rare) / (far < of.weakest).sum(), of.rare / (far >= of.weakest).sum())
    prior = np.log(share)[:, None] - 0.5 * (beside / of.beside) ** 2
    return tried.reshape(-1, 2), prior.reshape(-1)


def warm_cast(
    whites: Sequence[Candidate],
    chroma_histogram: NDArray[Any] | Folded,
    natural: F64 | None = None,
    supported: bool = True,
) -> F64 | None:
    """The white (2,), log chroma against daylight, that one finished picture shows under a strong and sure warm cast;
    None where there is none. whites  the candidates, best first; chroma_histogram  as of palette.histogram;
    natural  as `natural_colours`, which it is otherwise; supported  not its colours alone speak: its exposure is known,
    and not of the sun, or other scenes show the same surfaces

    Where the likeliest cast lies its own white is looked for: the mean of the candidates near it by score. Cameras bend
    the brightest red most, and paper is bluer than cloth: by the best one alone, often the brightest, all others turn
    green."""
    if not whites:
        return None
    table = natural_colours() if natural is None else natural
    shares = np.asarray(chroma_histogram).astype(np.float64)  # roots, so that a wide wall counts less
    total = float(shares.sum())
    if total <= 0:
        return None
    tried, prior = _casts(CAST)
    rarest = float(table.min())  # what lies outside of the table
    match = palette.correlation(shares / total, table - rarest)
    at = np.round(tried / palette.STEP).astype(int)
    logs = CAST.colours * match[at[:, 0], at[:, 1]] + prior
    share = np.exp(logs - logs.max())
    share /= share.sum()
    is_cast = np.arange(len(share)) // len(_ACROSS) * CAST.step >= CAST.weakest
    sure = float(share[is_cast].sum())
    warm = sum(w.score for w in whites if w.chroma @ _WARM > CAST.warm)
    needed = CAST.likely if warm >= CAST.bright * sum(w.score for w in whites) else CAST.sure
    if sure < (needed if supported else max(needed, CAST.unsupported)):
        return None
    likeliest = (share[is_cast] @ tried[is_cast]) / sure
    near = [w for w in whites if np.hypot(*(w.chroma - likeliest)) < CAST.near]
    score = sum(w.score for w in near)
    return np.asarray(sum(w.score * w.chroma for w in near) / score) if near else np.asarray(likeliest)


def _warmth(whites: Sequence[Candidate]) -> float:
    """Chroma from daylight to warm of what may be white in a scene: the middle by score."""
    warmth = np.array([w.chroma @ _WARM for w in whites])
    order = np.argsort(warmth)
    share = np.cumsum(np.array([w.score for w in whites])[order])
    return float(warmth[order][np.searchsorted(share, share[-1] / 2)])


def without_cast(
    votes: Sequence[Vote],
    chromaticities: F64,
    casts: Sequence[F64 | None],
    halls: Sequence[bool] = (),
    whites: Sequence[Sequence[Candidate]] = (),
) -> list[Vote]:
    """White of finished pictures that show the same surfaces: where most of them have a strong warm cast, at least
    CAST.taken of its warmth is taken off of all of them alike, and all but CAST.left; what is left of their votes
    stays. What lies beside the way from daylight to warm lamps goes whole: warm light is expected to look orange, and
    looks ill when it is olive. But what may be white in them is nowhere made bluer than CAST.bluer.

    chromaticities (N, 2) of the scenes; casts  of each, as `warm_cast` says; halls  of each, whether it was exposed
    for a lit hall: where most that have a cast were, CAST.taken_in_halls goes. Empty: none was; whites  of each, what
    may be white in it. Empty: anything may be made blue
    """
    offsets = np.array([c - at for c, at in zip(casts, chromaticities, strict=True) if c is not None]).reshape(-1, 2)
    if 2 * len(offsets) <= len(votes):
        return list(votes)
    cast = np.median(offsets, axis=0) + chromaticities
    lit = [hall for hall, one in zip(halls, casts, strict=False) if one is not None]
    taken = CAST.taken_in_halls if 2 * sum(lit) > len(offsets) else CAST.taken
    warmth = cast @ _WARM
    part = cast - np.minimum((1 - taken) * warmth, CAST.left)[:, None] * _WARM
    shown = [
        _warmth(some) - at @ _WARM
        for some, at, found in zip(whites, chromaticities, casts, strict=False)
        if some and found is not None
    ]
    if shown:
        most = np.maximum(float(np.median(shown)) + chromaticities @ _WARM + CAST.bluer, 0.0)
        part *= np.minimum(1.0, most / np.maximum(part @ _WARM, 1e-12))[:, None]
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


def unexposed(of: CameraFacts) -> bool:
    """Whether a frame does not say how it was exposed."""
    return light_value(of) is None


def outdoors(of: CameraFacts) -> bool:
    """Whether a frame was exposed for more light than a hall has; False where that is not known."""
    value = light_value(of)
    return value is not None and value >= CAST.outdoors
