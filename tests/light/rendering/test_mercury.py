"""Colours under mercury: measured cameras and the 24-patch chart under published lamps (fixtures/light.json).

Errors are CIEDE2000 (CIE 142-2001, scikit-image) at the luminance of the truth, which is the chart under D65; the
camera's balance is right. A matrix knows nothing of the camera but what a raw file says: its colour matrix.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from pipeline.fixtures.light import colour_matrix, lab_d65, lab_of, response, tables, xyz_d65
from skimage.color import deltaE_ciede2000

from pipeline.imaging.colour import REC709_FROM_XYZ, XYZ_FROM_REC709
from pipeline.light.rendering import mercury
from pipeline.light.rendering.mercury import UnderMercury, foretell, greenness, rendering_matrix

MERCURY, SKIN = "H38HT-100", slice(0, 2)
WHITE = np.ones(31)
CHART = np.array(list(tables()["reflectances"].values()))


@cache
def own_matrix(camera: str) -> np.ndarray:
    """Of balanced colour, as LibRaw makes it of a file's colour matrix."""
    to_camera = colour_matrix(camera)
    return REC709_FROM_XYZ @ np.linalg.inv(to_camera / (to_camera @ xyz_d65(WHITE)[1])[:, None])


def light(lamps: dict[str, float], surface: np.ndarray, camera: str) -> np.ndarray:
    """(3,) of a surface under a mixture, each lamp's share of the green that a white gives."""
    return sum(share * response(surface, lamp, camera) for lamp, share in lamps.items())


def errors(lamps: dict[str, float], camera: str = "D5100", sure: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """(24,) by the camera's own matrix, and by that for the light."""
    white, day = light(lamps, WHITE, camera), response(WHITE, "D65", camera)
    balanced = np.array([light(lamps, surface, camera) / white for surface in CHART])
    logs = np.log(white / day)
    own = own_matrix(camera)
    found = []
    for matrix in (own, rendering_matrix(logs[[0, 2]] - logs[1], own, foretell(own), sure)):
        xyz = balanced @ matrix.T @ XYZ_FROM_REC709.T
        lab = np.array([lab_of(np.maximum(one, 1e-6), xyz_d65(WHITE)[1]) for one in xyz])
        truth = np.array([lab_d65(surface) for surface in CHART])
        lab[:, 0] = truth[:, 0]
        found.append(deltaE_ciede2000(lab, truth))
    return found[0], found[1]


def test_spectra_are_those_of_the_tables() -> None:
    """Which tests/fixtures/test_fixtures.py compares with the published ones."""
    kept = json.loads(Path(mercury.__file__).with_name("spectra.json").read_text(encoding="utf-8"))
    assert np.array_equal(kept["mercury"], tables()["lamps"][MERCURY])
    assert np.array_equal(kept["daylight"], tables()["lamps"]["D65"])
    assert np.array_equal(kept["observer"], tables()["observer"]) and np.array_equal(kept["chart"], CHART)


def test_colours_under_clear_mercury() -> None:
    """As a photographed chart is allowed to leave (3 in the median; it leaves 1.9), skin above all."""
    before, after = errors({MERCURY: 1.0})
    assert np.median(before) > 8 and before[SKIN].min() > 10
    assert np.median(after) < 3.5 and after[SKIN].max() < 1.5
    before, after = errors({MERCURY: 1.0}, "SD Merrill")  # three layers, of which its matrix says little
    assert np.median(after) < np.median(before) - 1 and (after[SKIN] < before[SKIN] - 2).all()


@pytest.mark.parametrize("other", ["LED-B3", "LED-B5", "HP3", "FL4"])
@pytest.mark.parametrize("share", [0.25, 0.5, 0.75, 0.9])
def test_colours_where_mercury_mixes_with_another_lamp(other: str, share: float) -> None:
    before, after = errors({MERCURY: share, other: 1 - share})
    assert np.median(after) < np.median(before) - 0.5 and np.median(after) < 4


@pytest.mark.parametrize("camera", ["D5100", "SD Merrill"])
@pytest.mark.parametrize("lamp", sorted(tables()["lamps"]))
def test_no_other_lamp_comes_out_worse(lamp: str, camera: str) -> None:
    before, after = errors({lamp: 1.0}, camera)
    assert np.median(after) < np.median(before) + 0.05 and after[SKIN].mean() < before[SKIN].mean() + 0.2


def test_the_cameras_own_matrix_where_there_is_no_mercury() -> None:
    own = own_matrix("D5100")
    mercury = foretell(own)
    for white in ([0.0, 0.0], [0.6, -0.7], [-0.1, 0.1], [0.54, -0.34]):  # daylight, warm, sky, metal halide
        assert rendering_matrix(np.array(white), own, mercury) is own
    green = np.array([-0.46, -0.43])
    assert rendering_matrix(green, own, mercury, sure=0.0) is own and rendering_matrix(green, own, None) is own
    half, whole = rendering_matrix(green, own, mercury, 0.5), rendering_matrix(green, own, mercury)
    assert half - own == pytest.approx((whole - own) / 2)
    assert rendering_matrix(3 * green, own, mercury) == pytest.approx(whole)  # no more than all
    assert whole.sum(axis=1) == pytest.approx(np.ones(3))  # white stays white
    assert greenness(green) == pytest.approx(0.63, abs=0.01)


def test_a_matrix_that_says_nothing_foretells_nothing() -> None:
    for odd in (np.zeros((3, 3)), np.ones((3, 3)), np.eye(3), -own_matrix("D5100")):
        assert foretell(odd) is None


def test_what_is_kept_comes_back() -> None:
    found = foretell(own_matrix("D5100"))
    assert found is not None
    again = UnderMercury.from_arrays(found.as_arrays())
    assert again is not None and again.green == found.green and (again.matrix == found.matrix).all()
    assert UnderMercury.from_arrays({}) is None
    with pytest.raises(ValueError, match="under_mercury"):
        UnderMercury.from_arrays({"under_mercury": np.zeros(9)})
