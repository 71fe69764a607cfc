"""One surface, one colour: what two kinds of lamp do to the colours of a hall that both light.

A white balance makes white alike at both ends of a hall, not the floor: under metal halide wood is greener than under
LED, by 3 CIEDE2000 where the camera's one matrix, made for daylight, turns both into pictures; skin under sodium by 10.
No reference but a chart shows that, and yet the pictures do: floor, walls, shirts and skin are the same at both ends.
So for each light a white-preserving matrix is sought that lays the colours of its pictures on those of the others, no
further from daylight's than lamps are.

How far that is, is known: a lamp's spectrum, a chart of known spectra and a camera's own matrix foretell what the
matrix for that lamp would be (as in light.rendering.mercury), and those of many lamps, how they spread, in all six
numbers together. A floor that is a little green tells so of skin what it would be. The further a lamp's white is from
daylight, the further its colours may be: a lamp like daylight keeps its colours, and the other comes to it.

The match of colours is the correlation of their histograms, by kernels that narrow (Tsin and Kanade, "A correlation-
based approach to robust point set registration", ECCV 2004), so that what only one end shows pulls at nothing.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from pipeline.imaging.colour import REC709_FROM_XYZ
from pipeline.types import F64


@dataclass(frozen=True)
class AlikeConstants:
    """How the colours of lights are laid on each other. Chroma in natural log of R/G and B/G.

    Chosen on drawn halls whose lamps are none of those in spectra.json: `python -m tests.evenness_of_raws`. That each
    one matters: `pytest tests/test_constants.py`.
    """

    kernels: tuple[float, ...] = (0.14, 0.12, 0.10, 0.08)  # chroma, standard deviations, one after another
    steps: int = 8  # of each
    witnesses: float = 120.0  # colours of one surface that a whole histogram counts as: errors are shared
    white: float = 0.008  # chroma by which the white of a light may be off
    as_daylight: float = 0.2  # chroma of a lamp's white, below which it is as daylight's are among each other
    skin: float = 3.0  # weight of the two skin patches: people look at skin first (common practice, no source)
    pull: float = 0.05  # of a lamp's matrix to daylight's, patches being 1


ALIKE = AlikeConstants()
_FREE = 6  # numbers of a white-preserving matrix
_LOOSE = 1e-5  # variance that no direction is denied
# Squared distance from daylight's, in standard deviations of lamps' matrices, up to which a light's is believed. By
# scratch, on 600 drawn pairs of ends: beyond, the ends came further apart in 57 and nearer in 21.
_BELIEVED = 2.5
# Sum of the six variances of lamps' matrices, up to which a camera's own matrix foretells them: 0.5 for a Bayer camera,
# 107 for a layered one, whose matrix takes apart what its layers hardly do. Such ends came 2.5 CIEDE2000 further apart.
_FORETOLD = 10.0


@dataclass(frozen=True)
class Lit:
    """The colours of a hall in one light. chroma (N, 2) ln R/G and B/G of balanced colour, white being 0; weight (N,);
    shares (L,) of the lights in it; white (2,) chroma of white against daylight; known: a chart has its matrix."""

    chroma: F64
    weight: F64
    shares: F64
    white: F64
    known: bool = False


def matrix_of(six: F64) -> F64:
    """(..., 6) -> (..., 3, 3) from balanced colour to balanced colour, white kept."""
    free = six.reshape(*six.shape[:-1], 3, 2)
    return np.asarray(np.eye(3) + np.concatenate([free, -free.sum(axis=-1, keepdims=True)], axis=-1))


def colours_of(chroma: F64) -> F64:
    """(N, 2) -> (N, 3) balanced camera colour of green 1."""
    return np.stack([np.exp(chroma[:, 0]), np.ones(len(chroma)), np.exp(chroma[:, 1])], axis=1)


def alike(lights: Sequence[Lit], to_working: F64) -> F64 | None:
    """(L, 3, 3) for each light a matrix on balanced camera colour, before the camera's own; None where nothing is to be
    gained: one light, or pictures whose colours a camera has made; or where only what no lamp does would lay their
    colours on each other, since the ends do not show the same floor, or the camera's matrix foretells nothing.

    lights  colours in mixtures of L lights, the one most in each; to_working  (3, 3) the camera's own matrix
    """
    count = len(lights)
    spread = lamp_spread(to_working)
    if spread is None or all(one.known for one in lights) or sum(len(one.chroma) > 0 for one in lights) < 2:
        return None
    prior = np.zeros((count, 8, 8))
    for at, one in enumerate(lights):
        far = 0.0 if one.known else float(one.white @ one.white) + ALIKE.as_daylight**2
        prior[at, :_FREE, :_FREE] = np.linalg.inv(far * spread + _LOOSE * np.eye(_FREE) * (1e-3 if one.known else 1))
        prior[at, _FREE:, _FREE:] = np.eye(2) / ALIKE.white**2
    trusted = np.zeros((8 * count, 8 * count))
    for at, block in enumerate(prior):
        trusted[8 * at : 8 * at + 8, 8 * at : 8 * at + 8] = block
    found = np.zeros(8 * count)
    # Pictures say how lights differ, and not what is common to all: colours that meet nowhere would grow alike by it.
    shown = np.array([float(len(one.chroma) > 0) for one in lights])
    apart = np.kron(np.eye(count) - np.outer(shown, shown) / shown.sum(), np.eye(8))
    for kernel in ALIKE.kernels:
        for _ in range(ALIKE.steps):
            seen = [_seen(one, at, found.reshape(count, 8)) for at, one in enumerate(lights)]
            normal, target = np.zeros_like(trusted), np.zeros_like(found)
            _compare(lights, seen, kernel, normal, target)
            normal, target = trusted + apart @ normal @ apart, apart @ target - trusted @ found
            found = found + np.linalg.solve(normal, target)
    six = found.reshape(count, 8)[:, :_FREE]
    odd = np.einsum("li,lij,lj->l", six, prior[:, :_FREE, :_FREE], six)
    if any(far > _BELIEVED for far, one in zip(odd, lights, strict=True) if not one.known):
        return None
    return np.asarray(matrix_of(six))


def _seen(one: Lit, at: int, found: F64) -> tuple[F64, F64]:
    """(N, 2) chroma of a light's colours by what has been found (L, 8), and (N, 2, 8 L) how it changes with that."""
    count = len(found)
    colour = colours_of(one.chroma)
    shown = np.maximum(colour @ matrix_of(one.shares @ found[:, :_FREE]).T, 1e-3)
    free = colour[:, :2] - colour[:, 2:]  # (N, 2): a matrix moves colours by how far they are from grey
    slopes = np.zeros((len(colour), 2, 3, 2))
    for channel, of in ((0, 0), (1, 2)):
        slopes[:, channel, of] = free / shown[:, of, None]
        slopes[:, channel, 1] = -free / shown[:, 1, None]
    whole = np.zeros((len(colour), 2, count, 8))
    whole[..., :_FREE] = one.shares[:, None] * slopes.reshape(len(colour), 2, 1, _FREE)
    whole[:, 0, at, _FREE] = whole[:, 1, at, _FREE + 1] = 1
    chroma = np.log(shown[:, [0, 2]] / shown[:, 1:2]) + found[at, _FREE:]
    return chroma, whole.reshape(len(colour), 2, -1)


def _compare(lights: Sequence[Lit], seen: Sequence[tuple[F64, F64]], kernel: float, normal: F64, target: F64) -> None:
    """Adds to the normal equations what each two lights say of each other: the slope of the logarithm of their
    correlation over the root of each one's with itself, which grows by colours that meet, not by paler ones."""
    pairs = [(i, j) for j in range(len(lights)) for i in range(j) if len(lights[i].chroma) and len(lights[j].chroma)]
    for i, j in pairs:
        say = ALIKE.witnesses / (len(pairs) * kernel**2)
        one, other = seen[i][1], seen[j][1]
        near, apart = _near(lights, seen, i, j, kernel)
        for k in (0, 1):
            cross = one[:, k].T @ near @ other[:, k]
            own = [(of[:, k] * near.sum(axis=1 - at)[:, None]).T @ of[:, k] for at, of in enumerate((one, other))]
            normal += say * (own[0] + own[1] - cross - cross.T)
        target -= say * _pulls(near, apart, one, other)
        for at in (i, j):
            near, apart = _near(lights, seen, at, at, kernel)
            target += 0.5 * say * _pulls(near, apart, seen[at][1], seen[at][1])


def _near(lights: Sequence[Lit], seen: Sequence[tuple[F64, F64]], i: int, j: int, kernel: float) -> tuple[F64, F64]:
    """(N, M) weights of what colours of two lights lie near each other, 1 together; (N, M, 2) how far apart."""
    apart = seen[i][0][:, None] - seen[j][0][None]
    near = np.exp(-0.5 * (apart**2).sum(axis=2) / kernel**2) * lights[i].weight[:, None] * lights[j].weight
    return near / max(float(near.sum()), 1e-12), apart


def _pulls(near: F64, apart: F64, one: F64, other: F64) -> F64:
    """(8 L,) how half of the mean squared distance grows with what is sought."""
    total = np.zeros(one.shape[2])
    for k in (0, 1):
        rest = apart[..., k] * near
        total += one[:, k].T @ rest.sum(axis=1) - other[:, k].T @ rest.sum(axis=0)
    return total


@lru_cache(maxsize=1)
def _spectra() -> dict[str, F64]:
    """400 to 700 nm in steps of 10: observer (31, 3), daylight (31,), chart (24, 31), lamps (K, 31). Sources: there."""
    raw = json.loads(Path(__file__).with_name("spectra.json").read_text(encoding="utf-8"))
    kept = {name: np.array(raw[name], dtype=np.float64) for name in ("observer", "daylight", "chart")}
    return kept | {"lamps": np.array(list(raw["elsewhere"].values()), dtype=np.float64)}


def lamp_spread(to_working: F64) -> F64 | None:
    """(6, 6) how the matrices of lamps spread about daylight's, for white a chroma of 1 from it; None where the
    camera's matrix (3, 3) says nothing of what it sees."""
    return _spread(tuple(np.ravel(to_working).tolist()))


@lru_cache(maxsize=16)
def _spread(own: tuple[float, ...]) -> F64 | None:
    to_working, spectra = np.array(own).reshape(3, 3), _spectra()
    if abs(np.linalg.det(to_working)) < 1e-6 or np.array_equal(to_working, np.eye(3)):
        return None
    sensitivity = spectra["observer"] @ (np.linalg.inv(to_working) @ REC709_FROM_XYZ).T
    day = spectra["daylight"] @ sensitivity
    true = (spectra["chart"] * spectra["daylight"]) @ sensitivity / day
    pull = 1 / np.maximum(true.mean(axis=1, keepdims=True), 1e-3)
    pull[:2] *= np.sqrt(ALIKE.skin)
    total = np.zeros((_FREE, _FREE))
    for lamp in spectra["lamps"]:
        white = lamp @ sensitivity
        seen = (spectra["chart"] * lamp) @ sensitivity / white
        # (C - I) seen = true - seen, where C keeps white.
        design = np.vstack([(seen[:, :2] - seen[:, 2:]) * pull, ALIKE.pull * np.eye(2)])
        wanted = np.vstack([(true - seen) * pull, np.zeros((2, 3))])
        six = np.linalg.lstsq(design, wanted, rcond=None)[0].T.ravel()
        logs = np.log(np.maximum(white, 1e-6) / day)
        far = float(np.hypot(logs[0] - logs[1], logs[2] - logs[1]))
        total += np.outer(six, six) / (far**2 + ALIKE.as_daylight**2)
    total /= len(spectra["lamps"])
    return total if np.trace(total) <= _FORETOLD else None
