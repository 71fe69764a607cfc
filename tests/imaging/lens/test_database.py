"""The open lens database. Expected values are its own published calibrations: of Canon EF 70-200 f/2.8L IS II at f/2.8
and 100 mm, nearest to 6.6 m (slr-canon.xml), and the models of its documentation:
vignetting 1 + k1 r^2 + k2 r^4 + k3 r^6, r = 1 at the corner; distortion of PTLens a r^3 + b r^2 + c r + 1 - a - b - c,
r = 1 at half of the shorter side."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.imaging.lens.database import LensDatabase
from pipeline.imaging.lens.falloff import NODES
from pipeline.types import CameraFacts

pytest.importorskip("lensfunpy", reason="the extra lens is not installed")

SIZE = (3648, 5472)
FACTS = CameraFacts("Canon", "Canon EOS R6", "EF70-200mm f/2.8L IS II USM", 6400, 0.001, 2.8, 100.0)


@pytest.fixture(scope="module")
def database() -> LensDatabase:
    return LensDatabase()


def lens_of(database: LensDatabase):
    camera = database._database.find_cameras("Canon", "Canon EOS R6")[0]
    return next(x for x in database._database.find_lenses(camera, None, FACTS.lens) if "extender" not in x.model)


def test_falloff_is_that_of_the_calibration(database: LensDatabase) -> None:
    found = database.find(FACTS, SIZE)
    assert found is not None and found.falloff is not None
    k1, k2, k3 = lens_of(database).interpolate_vignetting(100.0, 2.8, 10.0).terms
    u = np.linspace(0, 1, NODES)
    assert found.falloff.stops == pytest.approx(-np.log2(1 + k1 * u + k2 * u**2 + k3 * u**3), abs=0.003)
    near = [c for c in lens_of(database).calib_vignetting if c.focal == 100.0 and abs(c.aperture - 2.8) < 0.01]
    corners = [-np.log2(1 + sum(c.terms)) for c in near if c.distance > 5]
    assert min(corners) - 0.01 < found.falloff.corner < max(corners) + 0.01


def test_distortion_is_that_of_the_calibration(database: LensDatabase) -> None:
    found = database.find(FACTS, SIZE)
    assert found is not None and found.warp is not None
    a, b, c = lens_of(database).interpolate_distortion(100.0).terms
    half_diagonal = np.hypot(*SIZE) / SIZE[0]  # in halves of the shorter side
    r = np.linspace(0.15, 1, 9)
    want = np.array([a * (q := v * half_diagonal) ** 3 + b * q * q + c * q + 1 - a - b - c for v in r])
    got = np.polynomial.polynomial.polyval(r, found.warp.factors[1])
    assert got / got[0] == pytest.approx(want / want[0], abs=2e-4)


def test_a_crop_of_the_sensor_sees_the_middle_of_the_picture_only(database: LensDatabase) -> None:
    small = database.find(replace(FACTS, model="Canon EOS 7D Mark II"), SIZE)  # crop factor 1.6
    full = database.find(FACTS, SIZE)
    assert small is not None and full is not None and small.falloff is not None and full.falloff is not None
    u = np.linspace(0, 1, NODES)
    assert small.falloff.corner == pytest.approx(np.interp(1 / 1.6**2, u, full.falloff.stops), abs=0.03)


@pytest.mark.parametrize(
    "changes",
    [
        {"lens": ""}, {"lens": "70.0-200.0 mm f/2.8"}, {"lens": "EF70-200mm f/2.8L IS III USM X"},
        {"lens": "EF70-200mm f/2.8L"}, {"lens": "70-200mm"},
        {"model": "Evencourt Test Camera"}, {"focal_length": None}, {"f_number": None}, {"focal_length": 400.0},
    ],
)  # fmt: skip
def test_a_lens_that_is_not_surely_this_one_has_no_answer(database: LensDatabase, changes: dict) -> None:
    assert database.find(replace(FACTS, **changes), SIZE) is None


def test_makers_write_one_name_in_several_ways(database: LensDatabase) -> None:
    for name in ("Canon EF 70-200mm f/2.8L IS II USM", "EF70-200mm F2.8L IS II USM"):
        assert database.find(replace(FACTS, lens=name), SIZE) is not None
