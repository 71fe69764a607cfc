"""The colours of one hall in two lights: measured cameras, charts and published lamps of fixtures/light.json, none of
which the program itself knows (CIE 15:2018; Darrodi et al., J. Opt. Soc. Am. A 32(3), 2015).

A hall is a cloud of colours for each surface, as samples of pictures are: sensor response to its reflectance under the
lamp's spectrum, balanced exactly by a white. Differences are CIEDE2000 (CIE 142-2001, scikit-image) of what the
camera's own matrix makes of them, at equal luminance.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from pipeline.fixtures.light import response, tables
from pipeline.fixtures.scene import surfaces
from skimage.color import deltaE_ciede2000

from pipeline.imaging.colour import LUMINANCE, to_lab
from pipeline.light.rendering import alike as module
from pipeline.light.rendering.alike import Lit, alike, lamp_spread, matrix_of
from tests.light.rendering.test_mercury import WHITE, own_matrix

HALL = {"floor": 8.0, "wall": 6.0, "white": 2.0, "skin": 1.0, "red": 1.0, "navy": 0.5}
DAY = np.eye(2)


def balanced(surface: str, lamp: str, camera: str) -> np.ndarray:
    """(3,) of a surface, a white being 1."""
    return response(surfaces()[surface], lamp, camera) / response(WHITE, lamp, camera)


def lit(lamp: str, camera: str, number: int, hall: dict[str, float] = HALL, known: bool = False) -> Lit:
    """What a hall shows under a lamp, with the spread that noise and shade give."""
    rng = np.random.default_rng(number)
    colours = np.array([balanced(s, lamp, camera) for s in hall])
    chroma = np.log(colours[:, [0, 2]] / colours[:, 1:2])
    cloud = np.repeat(chroma, 12, axis=0) + rng.normal(0, 0.03, (12 * len(hall), 2))
    logs = np.log(response(WHITE, lamp, camera) / response(WHITE, "D65", camera))
    return Lit(cloud, np.repeat(list(hall.values()), 12), DAY[number], logs[[0, 2]] - logs[1], known)


def apart(lamps: tuple[str, str], camera: str, matrices: np.ndarray, surface: str) -> float:
    """CIEDE2000 between what pictures of the two lights show of a surface."""
    own = own_matrix(camera)
    colours = [own @ m @ balanced(surface, lamp, camera) for lamp, m in zip(lamps, matrices, strict=True)]
    return float(deltaE_ciede2000(*(to_lab(np.maximum(c, 1e-6) * 0.3 / (c @ LUMINANCE)) for c in colours)))


def found(lamps: tuple[str, str], camera: str = "D5100", **given: object) -> np.ndarray:
    matrices = alike([lit(lamp, camera, k, **given) for k, lamp in enumerate(lamps)], own_matrix(camera))  # type: ignore[arg-type]
    assert matrices is not None
    return matrices


SAME = np.array([np.eye(3), np.eye(3)])


@pytest.mark.parametrize(
    ("lamps", "camera"),
    [
        (("LED-B3", "HP4"), "D5100"), (("HP3", "LED-B5"), "D5100"), (("HP1", "LED-B5"), "D5100"),
        (("FL11", "HP3"), "D5100"),
    ],
)  # fmt: skip
def test_surfaces_of_two_lights_come_together(lamps: tuple[str, str], camera: str) -> None:
    matrices = found(lamps, camera)
    for surface, part in (("floor", 0.6), ("wall", 0.8)):
        before = apart(lamps, camera, SAME, surface)
        assert apart(lamps, camera, matrices, surface) < max(part * before, 0.6), surface
    assert np.allclose(matrices.sum(axis=2), 1)  # white stays white


def test_skin_follows_without_being_seen() -> None:
    """Floor and wall alone tell what sodium does to skin: 10 CIEDE2000 by the camera's matrix."""
    lamps = ("HP1", "LED-B5")
    matrices = found(lamps, hall={"grey floor": 8.0, "wall": 6.0, "white": 2.0})
    assert apart(lamps, "D5100", SAME, "skin") > 8
    assert apart(lamps, "D5100", matrices, "skin") < 5


def test_the_lamp_that_is_like_daylight_keeps_its_colours() -> None:
    sodium, led = found(("HP1", "LED-B5")) - np.eye(3)
    assert np.abs(led).max() < 0.25 * np.abs(sodium).max()


def test_one_kind_of_lamp_keeps_its_colours() -> None:
    assert np.abs(found(("FL11", "FL11")) - np.eye(3)).max() < 0.02


def test_colours_of_a_chart_stay_and_the_others_come_to_them() -> None:
    lamps = ("LED-B3", "HP4")
    lights = [lit(lamp, "D5100", k, known=k == 0) for k, lamp in enumerate(lamps)]
    matrices = alike(lights, own_matrix("D5100"))
    assert matrices is not None and np.abs(matrices[0] - np.eye(3)).max() < 0.01
    assert apart(lamps, "D5100", matrices, "floor") < 0.5 * apart(lamps, "D5100", SAME, "floor")
    assert alike([lit(lamp, "D5100", k, known=True) for k, lamp in enumerate(lamps)], own_matrix("D5100")) is None


def test_what_only_one_end_shows_pulls_at_nothing() -> None:
    """Red stands at one end, blue ones at the other."""
    lamps, hall = ("LED-B3", "LED-B3"), {"floor": 8.0, "wall": 6.0, "white": 2.0}
    lights = [lit(lamps[k], "D5100", k, hall | {stand: 4.0}) for k, stand in enumerate(("red", "chart cyan"))]
    matrices = alike(lights, own_matrix("D5100"))
    assert matrices is not None
    assert all(apart(lamps, "D5100", matrices, s) < 1 for s in ("floor", "wall", "skin"))


@pytest.mark.parametrize("lamps", [("LED-B3", "HP4"), ("HP1", "LED-B5"), ("HP3", "LED-B5")])
def test_ends_with_other_floors_stay_as_they_are(lamps: tuple[str, str], camera: str = "D5100") -> None:
    """Nothing but what no lamp does lays a blue floor on a wooden one: the ends went 94 CIEDE2000 apart in skin."""
    rest = {"wall": 4.0, "white": 1.0}
    lights = [lit(lamps[k], camera, k, rest | {floor: 10.0}) for k, floor in enumerate(("floor", "chart cyan"))]
    assert alike(lights, own_matrix(camera)) is None


def test_colours_do_not_grow_pale_to_meet() -> None:
    """The nearer to grey, the nearer to each other: clouds as wide as noise makes them stay as they are."""
    lamps = ("HP5", "LED-B5")
    matrices = found(lamps)
    for k, lamp in enumerate(lamps):
        before, after = (own_matrix("D5100") @ m @ balanced("floor", lamp, "D5100") for m in (np.eye(3), matrices[k]))
        chroma = [float(np.hypot(*to_lab(v * 0.3 / (v @ LUMINANCE))[1:])) for v in (before, after)]
        assert abs(chroma[1] / chroma[0] - 1) < 0.08


def test_a_camera_whose_matrix_foretells_nothing_keeps_its_colours() -> None:
    """Of layers that hardly tell colours apart: its lamps' matrices lie anywhere, and hold what is seen to nothing."""
    assert lamp_spread(own_matrix("SD Merrill")) is None
    lights = [lit(lamp, "SD Merrill", k) for k, lamp in enumerate(("FL4", "FL2"))]
    assert alike(lights, own_matrix("SD Merrill")) is None


def test_what_is_common_to_both_lights_stays(camera: str = "D5100") -> None:
    """Pictures show how two lights differ. Lamps alike in how far from daylight they are share what is to be changed,
    so that the middle of their colours stays."""
    lights = [lit("FL4", camera, k, HALL | {s: 4.0}) for k, s in enumerate(("red", "chart cyan"))]
    matrices = alike(lights, own_matrix(camera))
    assert matrices is not None and np.allclose(matrices.mean(axis=0), np.eye(3), atol=1e-6)


def test_nothing_is_done_to_one_light_or_to_finished_pictures() -> None:
    one = lit("HP4", "D5100", 0)
    empty = Lit(np.zeros((0, 2)), np.zeros(0), DAY[1], np.zeros(2))
    assert alike([one], own_matrix("D5100")) is None
    assert alike([one, empty], own_matrix("D5100")) is None
    assert alike([one, lit("LED-B3", "D5100", 1)], np.eye(3)) is None and lamp_spread(np.eye(3)) is None


def test_mixtures_say_what_their_lamps_do() -> None:
    """Colours that are seen in two mixtures, 8 : 2 and 2 : 8, tell the matrices of the pure lamps."""
    lamps, camera = ("LED-B3", "HP4"), "D5100"
    pure = found(lamps)
    mixed = []
    for k, share in enumerate((np.array([0.8, 0.2]), np.array([0.2, 0.8]))):
        ends = [lit(lamp, camera, k) for lamp in lamps]
        mixed.append(
            Lit(share @ np.array([e.chroma for e in ends]).swapaxes(0, 1), ends[0].weight, share, ends[k].white)
        )
    matrices = alike(mixed, own_matrix(camera))
    assert matrices is not None
    floor = [apart(lamps, camera, m, "floor") for m in (SAME, matrices, pure)]
    assert floor[1] < 0.6 * floor[0]


def test_lamps_are_the_published_ones_and_not_those_of_the_halls() -> None:
    kept = json.loads(Path(module.__file__).with_name("spectra.json").read_text(encoding="utf-8"))
    used = {"LED-B3", "HP4", "HP3", "LED-B5", "H38HT-100", "FL4", "FL2", "FL11", "HP1", "HP5"}
    assert len(kept["elsewhere"]) == 22 and not used & set(kept["elsewhere"])
    assert kept["elsewhere"]["HP2"] == pytest.approx(tables()["lamps"]["HP2"])
    assert np.allclose(matrix_of(np.arange(6.0)).sum(axis=1), 1)
