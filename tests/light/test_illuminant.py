"""The colour of lamps against CIE 15, colour-science and two measured cameras."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from pipeline.imaging.colour import camera_to_working
from pipeline.light.illuminant import cct_mccamy, describe, duv, light_xy

# CIE 15:2018, tables of the illuminants: x, y (2 degree) and correlated colour temperature. From memory,
# held against colour-science below.
CIE = {
    "A": (0.44758, 0.40745, 2856),
    "D65": (0.31272, 0.32903, 6504),
    "FL1": (0.3131, 0.3371, 6430),
    "FL2": (0.3721, 0.3751, 4230),
    "FL3": (0.4091, 0.3941, 3450),
    "FL4": (0.4402, 0.4031, 2940),
    "FL5": (0.3138, 0.3452, 6350),
    "FL6": (0.3779, 0.3882, 4150),
    "FL7": (0.3129, 0.3292, 6500),
    "FL8": (0.3458, 0.3586, 5000),
    "FL9": (0.3741, 0.3727, 4150),
    "FL10": (0.3458, 0.3588, 5000),
    "FL11": (0.3805, 0.3769, 4000),
    "FL12": (0.4370, 0.4042, 3000),
    "HP1": (0.5330, 0.4150, 1959),
    "HP2": (0.4778, 0.4158, 2506),
    "HP3": (0.4302, 0.4075, 3144),
    "HP4": (0.3812, 0.3797, 4002),
    "HP5": (0.3776, 0.3713, 4039),
    "LED-B1": (0.4560, 0.4078, 2733),
    "LED-B2": (0.4357, 0.4012, 2998),
    "LED-B3": (0.3756, 0.3723, 4103),
    "LED-B4": (0.3422, 0.3502, 5109),
    "LED-B5": (0.3118, 0.3236, 6598),
    "LED-BH1": (0.4474, 0.4066, 2851),
    "LED-RGB1": (0.4557, 0.4211, 2840),
    "LED-V1": (0.4548, 0.4044, 2724),
    "LED-V2": (0.3781, 0.3775, 4070),
}


@pytest.fixture(scope="module")
def colour() -> Any:
    return pytest.importorskip("colour", reason="the extra `spectra` (colour-science) is not installed")


@pytest.mark.parametrize("name", CIE)
def test_cct_of_the_cie_illuminants(name: str) -> None:
    """CIE 15:2018. The table rounds FL to 10 K; McCamy is 1 % off at most here."""
    x, y, kelvin = CIE[name]
    assert cct_mccamy((x, y)) == pytest.approx(kelvin, rel=0.01)


def test_table_is_that_of_colour_science(colour: Any) -> None:
    published = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]
    for name, (x, y, _) in CIE.items():
        assert published[name] == pytest.approx([x, y], abs=1e-4), name


def test_mccamy_is_that_of_colour_science(colour: Any) -> None:
    """The same closed form, McCamy 1992."""
    for x, y, _ in CIE.values():
        assert cct_mccamy((x, y)) == pytest.approx(float(colour.temperature.xy_to_CCT_McCamy1992([x, y])), rel=1e-6)


@pytest.mark.parametrize("off", [-0.03, -0.01, 0.0, 0.01, 0.03])
def test_duv_and_cct_near_the_locus(colour: Any, off: float) -> None:
    """Against the exact search of Ohno 2014: Duv within 0.0006 from 2,000 K and 0.0002 from 2,600 K, CCT within 6 %."""
    for kelvin in (2000, 2600, 3000, 4000, 5000, 6500, 8000, 12000):
        uv = colour.temperature.CCT_to_uv_Ohno2013(np.array([kelvin, off]))
        x, y = colour.UCS_uv_to_xy(uv)
        assert duv((x, y)) == pytest.approx(off, abs=0.0006 if kelvin < 2600 else 0.0002)
        assert cct_mccamy((x, y)) == pytest.approx(kelvin, rel=0.06 if kelvin < 2600 else 0.035)


def seen(camera: Any, light: Any, tables: tuple[Any, Any, Any]) -> tuple[float, float] | None:
    """A lamp as a camera sees it through the least-squares colour matrix of the chart under D65."""
    chart, observer, d65 = tables
    xyz = (chart * d65) @ observer / (d65 @ observer[:, 1])
    answer = (chart * d65) @ camera / (d65 @ camera[:, 1])
    matrix = np.linalg.lstsq(xyz, answer, rcond=None)[0].T
    to_working, daylight = camera_to_working(matrix)
    white = light @ camera
    return light_xy(white[1] / white, daylight, to_working)


@pytest.fixture(scope="module")
def measured(colour: Any) -> dict[str, dict[str, tuple[float, float] | None]]:
    """x, y of every lamp of colour-science, by itself and through both cameras; 5 nm, or lines fall between samples."""
    shape = colour.SpectralShape(400, 700, 5)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape).values
    chart = np.array([s.copy().align(shape).values for s in colour.SDS_COLOURCHECKERS["ISO 17321-1"].values()])
    lamps = {**colour.SDS_ILLUMINANTS, **colour.SDS_LIGHT_SOURCES}
    lights = {n: s.copy().align(shape).values for n, s in lamps.items() if not n.startswith("ISO 7589 Sens")}
    out: dict[str, dict[str, tuple[float, float] | None]] = {"itself": {}}
    for name, light in lights.items():
        total = light @ observer
        out["itself"][name] = (float(total[0] / total.sum()), float(total[1] / total.sum()))
    for label, sensitivities in colour.MSDS_CAMERA_SENSITIVITIES.items():
        camera = sensitivities.copy().align(shape).values
        key = "Nikon" if "Nikon" in label else "Sigma"
        out[key] = {n: seen(camera, light, (chart, observer, lights["D65"])) for n, light in lights.items()}
    return out


@pytest.mark.parametrize(("camera", "median", "worst"), [("Nikon", 0.02, 0.12), ("Sigma", 0.08, 0.19)])
def test_cct_through_a_measured_camera(measured: Any, camera: str, median: float, worst: float) -> None:
    """NPL sensitivities (Darrodi et al. 2015, in colour-science); HP1 apart, half of whose light is one line."""
    errors = []
    for name, (_, _, kelvin) in CIE.items():
        xy = measured[camera][name]
        assert xy is not None and abs(duv(xy)) < 0.035, name
        if name != "HP1":
            errors.append(abs(cct_mccamy(xy) / kelvin - 1))
    assert np.median(errors) < median and max(errors) < worst


def test_strong_colours_are_no_lamps() -> None:
    """Rec. 709 green and red, ITU-R BT.709-6."""
    assert all(describe(xy).startswith("no white light") for xy in ((0.30, 0.60), (0.64, 0.33)))


def test_light_is_d65_under_daylight_gains() -> None:
    """Whatever the camera, its daylight gains are D65: IEC 61966-2-1."""
    gains = np.array([2.1, 1.0, 1.6])
    assert light_xy(gains, gains, np.eye(3)) == pytest.approx((0.3127, 0.3290), abs=1e-4)


def test_bad_gains_are_refused() -> None:
    with pytest.raises(ValueError, match="above 0"):
        light_xy(np.array([1.0, 0.0, 1.0]), np.ones(3), np.eye(3))
    assert light_xy(np.ones(3), np.ones(3), np.array([[-1.0, 0, 0], [0, -1, 0], [0, 0, 1]])) is None


@pytest.mark.parametrize(
    ("xy", "words"),
    [
        ((0.3756, 0.3723), "4100 K"),
        ((0.3127, 0.3290), "6500 K"),
        ((0.3112, 0.3829), "6300 K, greenish"),  # clear mercury
        ((0.3769, 0.3542), "3950 K, pinkish"),
        ((0.5330, 0.4150), "below 2000 K"),
        ((0.2500, 0.2530), "above 12500 K"),
    ],
)
def test_words(xy: tuple[float, float], words: str) -> None:
    assert describe(xy) == words


def test_mccamy_has_no_answer_beyond_its_turn() -> None:
    assert math.isnan(cct_mccamy((0.64, 0.33))) and math.isnan(cct_mccamy((0.3, 0.1)))


def _off_the_locus(by: float) -> tuple[float, float]:
    """A chromaticity about 4000 K that lies so far above the Planckian locus."""
    low, high = 0.33, 0.52
    for _ in range(40):
        y = (low + high) / 2
        low, high = (y, high) if duv((0.38, y)) < by else (low, y)
    return 0.38, y


def test_words_change_where_the_standards_say() -> None:
    """No temperature beyond Duv 0.05 (CIE 15); tinted beyond 0.006 (ANSI C78.377). In steps of 50 K up to 5,000 K."""
    assert "no white" in describe(_off_the_locus(0.052)) and "no white" not in describe(_off_the_locus(0.048))
    assert "greenish" in describe(_off_the_locus(0.0063)) and "greenish" not in describe(_off_the_locus(0.0057))
    near = [describe((x, 0.345)).split(" K")[0] for x in np.linspace(0.335, 0.37, 400)]
    below = {int(k) for k in near if 4000 < int(k) < 5000}
    above = {int(k) for k in near if int(k) > 5000}
    assert {4550, 4650, 4750, 4850, 4950} <= below and all(k % 100 == 0 for k in above)


def test_the_cubic_has_no_answer_beyond_its_turn() -> None:
    """The cubic turns back at the root of its derivative: beyond it redder light would seem cooler again."""
    roots = np.roots([3 * 449.0, 2 * 3525.0, 6823.3])
    turn = float(roots[np.isreal(roots)].real.max())
    for n, known in ((turn + 0.03, True), (turn - 0.03, False)):
        assert math.isfinite(cct_mccamy((0.3320 + n * (0.1858 - 0.4), 0.4))) == known
