"""Colours under mercury vapour lamps, which have hardly any red: what a white balance leaves of that, foretold.

A clear mercury lamp is four lines (405, 436, 546 and 578 nm), so that its light is known wherever it is met, and no
other lamp of a hall is as green. A camera's own matrix holds for daylight: balanced on a white patch, skin and wood
come out 11 to 13 CIEDE2000 off. The matrix also says what the camera sees, as far as its sensitivities are those of the
eye mixed (Luther, "Aus dem Gebiet der Farbreizmetrik", Z. tech. Phys. 8, 1927; named from memory): so a chart is lit by
the lamp's published spectrum, seen by them, and fitted as if it had been photographed (chart.fit).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.colour import REC709_FROM_XYZ
from pipeline.store.packing import LARGEST, take
from pipeline.types import F64


@dataclass(frozen=True)
class MercuryConstants:
    """How much of a light is mercury, by how green its white is. Chroma in natural log of R/G and B/G.

    Chosen on published lamps and their mixtures with clear mercury, seen by two measured cameras:
    `pytest tests/light/rendering/test_mercury.py`.
    """

    # Filters of real cameras overlap less than the curves of the eye: white under clear mercury is twice as green as
    # the matrix foretells (a measured camera of a common kind: 2.1).
    greener: float = 2.0
    spared: float = 0.08  # share of that, below which nothing is done: LED, fluorescent and metal halide reach it
    # How warm light is, from where on it may be sodium's, a little green as well, under which skin would lose.
    warm: tuple[float, float] = (0.85, 1.1)
    least: float = 0.03  # chroma that is foretold: a camera that sees less of it is not helped


MERCURY = MercuryConstants()
_WARM = np.array([0.6, -0.7]) / np.hypot(0.6, 0.7)  # from daylight to warm white (light.neutral), and
_GREEN = np.array([-0.7, -0.6]) / np.hypot(0.7, 0.6)  # across it
_SINGULAR = 1e-6  # determinant of a matrix that says nothing


@lru_cache(maxsize=1)
def _spectra() -> dict[str, F64]:
    """400 to 700 nm in steps of 10: observer (31, 3), daylight (31,), mercury (31,), chart (24, 31). Sources: there."""
    raw = json.loads(Path(__file__).with_name("spectra.json").read_text(encoding="utf-8"))
    return {name: np.array(raw[name], dtype=np.float64) for name in ("observer", "daylight", "mercury", "chart")}


def greenness(white: F64) -> float:
    """How far white (2,), ln R/G and ln B/G against daylight, lies on the green side of daylight and warm lamps."""
    return float(white @ _GREEN)


@dataclass(frozen=True)
class UnderMercury:
    """What a camera's own matrix foretells of clear mercury.

    green   how green it sees white under it (greenness)
    matrix  (3, 3) balanced camera colour to linear Rec. 709 under it
    """

    green: float
    matrix: F64

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """For the store."""
        return {"under_mercury": np.append(self.matrix, self.green)}

    @staticmethod
    def from_arrays(arrays: Mapping[str, NDArray[Any]]) -> UnderMercury | None:
        """What as_arrays gave, None where nothing was given. Raises ValueError for what it cannot have given."""
        if "under_mercury" not in arrays:
            return None
        found = take(arrays, "under_mercury", np.float64, (10,), -LARGEST, LARGEST)
        return UnderMercury(float(found[9]), found[:9].reshape(3, 3))


def foretell(to_working: F64) -> UnderMercury | None:
    """What mercury makes of the colours of a camera whose own matrix is `to_working`, (3, 3) balanced camera colour to
    linear Rec. 709; None where that says nothing, as of finished pictures, or the camera hardly sees a difference.

    Takes 20 ms for each camera, and SciPy.
    """
    return _foretold(tuple(np.ravel(to_working).tolist()))


@lru_cache(maxsize=16)
def _foretold(own: tuple[float, ...]) -> UnderMercury | None:
    from pipeline.light.chart.fit import fit_matrix

    to_working, spectra = np.array(own).reshape(3, 3), _spectra()
    if abs(np.linalg.det(to_working)) < _SINGULAR or np.array_equal(to_working, np.eye(3)):
        return None
    sensitivity = spectra["observer"] @ (np.linalg.inv(to_working) @ REC709_FROM_XYZ).T
    white, day = (spectra[lamp] @ sensitivity for lamp in ("mercury", "daylight"))
    if min(white.min(), day.min()) <= 0:
        return None
    logs = np.log(white / day)
    green = greenness(logs[[0, 2]] - logs[1])
    if green < MERCURY.least:
        return None
    fit = fit_matrix((spectra["chart"] * spectra["mercury"]) @ sensitivity / white[1], to_working)
    return None if fit.refusal else UnderMercury(green, fit.matrix)


def rendering_matrix(white: F64, own: F64, mercury: UnderMercury | None, sure: float = 1.0) -> F64:
    """(3, 3) balanced camera colour to linear Rec. 709 in light in which white is at `white` (2,), ln R/G and ln B/G
    against daylight: `own` itself, the camera's, where that light is not at all mercury's.

    sure  0 to 1, how well white is known
    """
    share = sure * mercury_share(white, mercury)
    return own if mercury is None or share <= 0 else own + share * (mercury.matrix - own)


def mercury_share(white: F64, mercury: UnderMercury | None) -> float:
    """How much of a light is mercury's, 0 to 1, by where white (2,) is; 0 where nothing is foretold of that."""
    if mercury is None:
        return 0.0
    share = greenness(white) / (MERCURY.greener * mercury.green)
    share = float(np.clip((share - MERCURY.spared) / (1 - MERCURY.spared), 0.0, 1.0))
    return share * float(np.interp(white @ _WARM, MERCURY.warm, (1.0, 0.0)))
