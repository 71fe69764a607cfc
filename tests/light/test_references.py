"""What reference frames say, and what is refused: published lamps (fixtures/light.json), closed forms of mixtures."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from pipeline.fixtures.demo import PATCH, write_demo
from pipeline.fixtures.hall import BurstPlan, Hall
from pipeline.fixtures.light import Lamp, response, tables

from pipeline.engine.run import read_shoot
from pipeline.imaging.geometry import Box
from pipeline.imaging.orientation import Orientation
from pipeline.light.references import Reading, WhiteMap, agreeing, measure_references, plausible, readings, where
from pipeline.light.scene_white import SceneWhite
from pipeline.shoot.facts import Reference
from pipeline.steps.decode import decode
from pipeline.types import Domain, Image, Noise

UP = Orientation.TOP_LEFT

GREY = np.ones(31)
DAY = {c: 1 / (response(GREY, "D65", c) / response(GREY, "D65", c)[1]) for c in ("D5100", "SD Merrill")}
BOX = Box(0.4, 0.4, 0.6, 0.6)


def frame_with(patch: np.ndarray) -> Image:
    pixels = np.full((80, 120, 3), 0.2, np.float32)
    pixels[24:56, 36:84] = patch
    noise = Noise(np.full(3, 1e-5), np.full(3, 1e-7))
    return Image(pixels, Domain.CAMERA, noise, np.ones(3), np.eye(3))


def measured(image: Image, *references: Reference, orientation: int = 1, camera: str = "D5100") -> dict:
    return {
        "F1": SimpleNamespace(references=measure_references(image, references, DAY[camera], Orientation(orientation)))
    }


def told(image: Image, reference: Reference | None = None) -> tuple[list, list[str]]:
    notices: list[str] = []
    reference = reference or Reference("F1", patch=BOX)
    return readings([reference], measured(image, reference), notices), notices


@pytest.mark.parametrize("camera", sorted(DAY))
@pytest.mark.parametrize("lamp", sorted(tables()["lamps"]))
def test_white_under_every_published_lamp_is_taken(lamp: str, camera: str) -> None:
    white = response(GREY, lamp, camera) * 0.3
    reference = Reference("F1", patch=BOX)
    found = readings([reference], measured(frame_with(white), reference, camera=camera), notices := [])
    assert notices == []
    assert found[0].white == pytest.approx(white, rel=1e-5)


@pytest.mark.parametrize(
    ("patch", "words"),
    [([0.5, 0.99, 0.4], "clipped"), ([0.001, 0.002, 0.001], "dark"), ([0.5, 0.08, 0.05], "coloured")],
)
def test_refused_by_name(patch: list[float], words: str) -> None:
    found, notices = told(frame_with(np.array(patch)))
    assert found == []
    assert len(notices) == 1 and "F1" in notices[0] and words in notices[0]


@pytest.mark.parametrize("channel", [0, 2])
@pytest.mark.parametrize(("times", "taken"), [(4.3, True), (1 / 4.3, True), (4.8, False), (1 / 4.8, False)])
def test_how_far_from_daylight_a_neutral_may_be(channel: int, times: float, taken: bool) -> None:
    """Published lamps stay within a factor of four (sodium apart); from 4.5 on it is paint and not light."""
    patch = 0.1 / DAY["D5100"]
    patch[channel] *= times
    found, notices = told(frame_with(patch))
    assert bool(found) == taken and (taken or "coloured" in notices[0])


def test_a_few_clipped_pixels_are_enough_to_refuse() -> None:
    image = frame_with(np.array([0.3, 0.5, 0.3]))
    image.pixels[40, 50:60] = 1.0
    image.pixels[41, 50:60] = 1.0
    assert "clipped" in told(image)[1][0]


def test_neither_chart_nor_card() -> None:
    plain = frame_with(np.array([0.2, 0.2, 0.2]))
    for reference in (Reference("F1", chart="auto"), Reference("F1", patch="auto")):
        found, notices = told(plain, reference)
        assert found == [] and "F1" in notices[0] and "found" in notices[0]


def test_a_frame_that_could_not_be_read() -> None:
    notices: list[str] = []
    assert readings([Reference("F9", patch=BOX)], {}, notices) == []
    assert "F9" in notices[0] and "could not be read" in notices[0]


def test_several_patches_of_one_frame_keep_their_order() -> None:
    image = frame_with(np.array([0.3, 0.5, 0.3]))
    image.pixels[:20] = 1.0
    two = (Reference("F1", patch=Box(0, 0, 1, 0.2)), Reference("F1", patch=BOX))
    found = readings(two, measured(image, *two), notices := [])
    assert [f.reference for f in found] == [two[1]]
    assert found[0].white == pytest.approx([0.3, 0.5, 0.3])
    assert len(notices) == 1


@pytest.mark.parametrize(
    ("orientation", "row", "column"),
    [
        (1, 0.2, -0.5),
        (3, -0.2, 0.5),
        (6, 0.5, 0.2),
        (8, -0.5, -0.2),
        (2, 0.2, 0.5),
        (4, -0.2, -0.5),
        (5, -0.5, 0.2),
        (7, 0.5, -0.2),
    ],
)
def test_place_on_the_sensor(orientation: int, row: float, column: float) -> None:
    """Exif 274: a patch a quarter from the left and three fifths down the upright frame."""
    reference = Reference("F1", patch=Box(0.15, 0.5, 0.35, 0.7))
    m = measured(frame_with(np.array([0.2, 0.2, 0.2])), reference, orientation=orientation)
    assert m["F1"].references.places[0] == pytest.approx([row, column])


def reading(frame: str, chromaticity: tuple[float, float], white: tuple[float, float], matrix=None) -> Reading:
    return Reading(frame, np.array(chromaticity), np.array(white), matrix)


def test_disagreeing_patch_is_refused_by_name() -> None:
    """Three agree that white lies (0.3, 0.2) from the floor; the fourth was put on a red bench."""
    found = [reading(f"F{i}", (0.01 * i, 0.0), (0.3 + 0.01 * i, 0.2)) for i in range(3)]
    bench = reading("F7", (0.01, 0.01), (0.9, 0.1))
    notices: list[str] = []
    assert agreeing([*found, bench], np.zeros((4, 2)), notices) == found
    assert len(notices) == 1 and "F7" in notices[0] and "disagrees" in notices[0]


@pytest.mark.parametrize(("off", "refused"), [(0.0765, False), (0.084, True)])
def test_how_far_off_a_reading_may_be(off: float, refused: bool) -> None:
    """0.08 in natural log, about five CIELAB units on a white; one that is off by less is believed."""
    found = [
        reading("F1", (0, 0), (0.3, 0.2)),
        reading("F2", (0, 0), (0.3, 0.2)),
        reading("F3", (0, 0), (0.3 + off, 0.2)),
    ]
    notices: list[str] = []
    assert len(agreeing(found, np.zeros((3, 2)), notices)) == (2 if refused else 3)
    assert len(notices) == refused


def test_the_worst_goes_first_and_then_the_others_agree() -> None:
    """One wild reading among four must not take a good one with it: beside it the first looks 0.105 off."""
    good = [reading(f"F{n}", (0, 0), (white, 0.2)) for n, white in enumerate((0.30, 0.37, 0.44))]
    wild = reading("F9", (0, 0), (1.4, 0.2))
    notices: list[str] = []
    assert agreeing([wild, *good[1:], good[0]], np.zeros((4, 2)), notices) == [*good[1:], good[0]]
    assert len(notices) == 1 and "F9" in notices[0]


def test_readings_move_with_the_colours_of_the_hall() -> None:
    """White keeps its distance from the hall's own colours; where those move, as along the court, white moves too."""
    places = [(0.0, 0.0), (0.07, 0.0), (0.03, 0.06)]
    found = [reading(f"F{n}", (x, y), (x + 0.3, y + 0.2)) for n, (x, y) in enumerate(places)]
    notices: list[str] = []
    assert agreeing(found, np.zeros((3, 2)), notices) == found and notices == []


def test_of_two_the_one_further_from_the_pictures_guess_goes() -> None:
    one, other = reading("F1", (0, 0), (0.3, 0.2)), reading("F2", (0, 0), (0.6, -0.3))
    for order in ([one, other], [other, one]):
        notices: list[str] = []
        assert agreeing(order, np.tile([0.28, 0.2], (2, 1)), notices) == [one]
        assert "F2" in notices[0]


def test_references_in_different_light_may_differ() -> None:
    ends = [reading("F1", (0, 0), (0.3, 0.2)), reading("F2", (0.5, -0.4), (0.9, -0.3))]
    notices: list[str] = []
    assert agreeing(ends, np.zeros((2, 2)), notices) == ends
    assert notices == []


def test_one_light_pools_and_moves_with_the_anchor() -> None:
    near = [reading(f"F{i}", (0.004 * i, 0), (0.3 + 0.004 * i + e, 0.2)) for i, e in enumerate((0.0, 0.03, -0.001))]
    found = WhiteMap.of(near)
    assert found.names == ("F0 and F1 and F2",)
    assert found.white(np.array([0.004, 0.0])) == pytest.approx([0.304, 0.2], abs=0.002)
    assert found.white(np.array([0.304, -0.1])) == pytest.approx([0.604, 0.1], abs=0.002)


@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 0.9])
@pytest.mark.parametrize("pair", [("HP3", "LED-B5"), ("H38HT-100", "LED-B3"), ("FL4", "FL2")])
def test_two_lights_mix_as_light_does(pair: tuple[str, str], share: float) -> None:
    """(1 - s) A + s B of the spectra; each lamp is scaled to the same green, as the formula in R/G and B/G assumes.

    The anchor is a grey wall, whose chroma against green is that of the lamps and so mixes exactly.
    """
    one, other = (response(GREY, lamp) for lamp in pair)
    wood = np.linspace(0.12, 0.5, 31)
    floors = [response(wood, lamp) for lamp in pair]

    def ratio(rgb: np.ndarray) -> np.ndarray:
        return np.log(rgb / rgb[1])[[0, 2]]

    found = WhiteMap.of([reading("F1", ratio(one), ratio(one)), reading("F2", ratio(other), ratio(other))])
    mixed = (1 - share) * one + share * other
    assert found.shares(ratio(mixed)) == pytest.approx([1 - share, share], abs=0.01)
    assert found.white(ratio(mixed)) == pytest.approx(ratio(mixed), abs=0.004)
    # From the floor, whose own green differs a little from lamp to lamp: within two CIELAB units on a white.
    found = WhiteMap.of([reading("F1", ratio(floors[0]), ratio(one)), reading("F2", ratio(floors[1]), ratio(other))])
    place = ratio((1 - share) * floors[0] + share * floors[1])
    assert found.white(place) == pytest.approx(ratio(mixed), abs=0.03)


def test_three_lights_by_nearness() -> None:
    lights = [((0.0, 0.0), (0.3, 0.2)), ((0.5, -0.4), (0.9, -0.3)), ((-0.3, 0.3), (0.1, 0.45))]
    found = WhiteMap.of([reading(f"F{i}", *pair) for i, pair in enumerate(lights)])
    for chromaticity, white in lights:
        assert found.white(np.array(chromaticity)) == pytest.approx(white, abs=0.002)
        assert found.shares(np.array(chromaticity)).sum() == pytest.approx(1)
    between = found.white(np.array([0.25, -0.2]))
    assert 0.5 < between[0] < 0.7 and -0.2 < between[1] < 0.1


def test_no_more_than_all_is_said_of_a_light() -> None:
    lights = reading("F1", (0.0, 0.0), (0.3, 0.2)), reading("F2", (0.6, -0.4), (0.9, -0.2))
    at = np.log(1 - 0.1 * (np.exp([0.6, -0.4]) - 1))  # beyond the first, by a tenth of the way to the other
    light = SimpleNamespace(chromaticities=[at], match=[1.0])
    assert SceneWhite.of_map(WhiteMap.of(lights), light, 0).words == "references, 100 % F1"  # type: ignore[arg-type]


def test_matrices_blend_with_the_camera_s_own() -> None:
    own = np.diag([2.0, 1.0, 1.0])

    def camera(_: np.ndarray) -> np.ndarray:
        return np.eye(3)

    found = WhiteMap.of([reading("F1", (0, 0), (0, 0), own), reading("F2", (0.5, -0.5), (0.5, -0.5))])
    assert found.matrix(np.zeros(2), camera) == pytest.approx(own, abs=0.02)
    assert found.matrix(np.array([0.5, -0.5]), camera) == pytest.approx(np.eye(3), abs=0.02)
    # Beyond either reference nothing is extrapolated: that would amplify noise.
    assert found.matrix(np.array([0.9, -0.9]), camera) == pytest.approx(np.eye(3), abs=0.02)
    assert WhiteMap.of([reading("F1", (0, 0), (0, 0))]).matrix(np.zeros(2), camera) is None


@pytest.fixture(scope="module")
def card_shoot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    lamp = Lamp("HP3", 0.2, 0.3)
    folder = tmp_path_factory.mktemp("cards") / "shoot"
    plan = BurstPlan(0.0, 1600, 1.0, 60.0, frames=1)
    # so far apart that one light lies on card and chart
    hall = Hall(lamp, Lamp("LED-B5", 0.05, 1.0), bursts=(plan,), references=(-20.0, 20.0))
    write_demo(folder, hall=hall, seed=4, width=768, height=512)
    return folder


@pytest.mark.parametrize("asked", [{"patch": "auto"}, {"chart": "auto"}, {"patch": Box(*PATCH)}], ids=str)
def test_card_and_chart_of_a_generated_frame(card_shoot: Path, asked: dict) -> None:
    """White as the generator knows it from published spectra; 0.015 in natural log is one CIELAB unit."""
    truth = json.loads((card_shoot.parent / "shoot-truth" / "truth.json").read_text(encoding="utf-8"))
    frames = {f.name: f for f in read_shoot(card_shoot).frames}
    for name, end in (("TH1_0001", "left"), ("TH1_0002", "right")):
        seen = decode(frames[name], 768)
        reference = Reference(name, **asked)
        shows = SimpleNamespace(references=measure_references(seen.image, [reference], seen.daylight, UP))
        found = readings([reference], {name: shows}, n := [])
        assert n == []
        white, true = found[0].white, np.array(truth["neutral_at_reference"][end])
        assert np.log(white / white[1]) == pytest.approx(np.log(true / true[1]), abs=0.03)
        assert (found[0].matrix is not None) == ("chart" in asked)
        if found[0].matrix is not None:
            assert found[0].matrix.sum(axis=1) == pytest.approx(np.ones(3), abs=0.02)


def test_a_patch_on_the_floor_is_refused_and_a_far_one_pointed_out() -> None:
    """Made by hand: the hall's floor at (0.9, -1.1), white by the pictures at (0.3, -0.3)."""
    floor, white = np.array([0.9, -1.1]), np.array([0.3, -0.3])
    patches = [np.array([0.88, -1.05]), np.array([0.32, -0.31]), np.array([0.6, 0.1])]
    found = [Reading(f"F{i}", floor, patch, None) for i, patch in enumerate(patches)]
    guess, common = np.array([white] * 3), np.array([0.8, 0.8, 0.0])
    assert plausible(found, guess, np.full(3, 0.9), common, notices := []) == [1, 2]
    assert "F0" in notices[0] and "left out" in notices[0]
    assert "F2" in notices[1] and "used all the same" in notices[1]
    assert plausible(found, guess, np.full(3, 0.3), common, nothing := []) == [0, 1, 2] and not nothing


def test_a_chart_is_never_taken_for_the_floor_and_only_a_given_box_is_asked_about() -> None:
    """A chart is known by its 24 colours, whatever else has the colour of its greys."""
    chart = replace(reading("C", (0, 0), (0.6, -0.6)), surely=True, hint=where(Reference("C", chart="auto")))
    card = replace(reading("P", (0, 0), (0.6, -0.6)), hint=where(Reference("P", patch="auto")))
    both = (np.zeros((2, 2)), np.full(2, 0.9), np.ones(2))
    assert plausible([chart, card], *both, notices := []) == [0]
    assert len(notices) == 2 and not any("box" in text for text in notices)
    assert "is the box on the card?" in where(Reference("B", patch=Box(0, 0, 1, 1)))


def test_a_card_that_was_looked_for_does_not_outvote_pictures_and_camera() -> None:
    """Made by hand: 0.35 in log chroma from what both take for white, as a table top may be."""
    table = replace(reading("T", (0, 0), (0.25, -0.25)), guessed=True)
    given = replace(table, guessed=False)
    sure, doubtful = ((np.zeros((2, 2)), np.full(2, s), np.zeros(2)) for s in (0.9, 0.4))
    assert plausible([table, given], *sure, notices := []) == [1] and "left out" in notices[0]
    assert plausible([table, given], *doubtful, []) == [0, 1]


def test_a_picture_gets_white_from_a_chart_and_no_matrix(card_shoot: Path) -> None:
    frames = {f.name: f for f in read_shoot(card_shoot).frames}
    seen = decode(frames["TH1_0001"], 768)
    reference = Reference("TH1_0001", chart="auto")
    arrays = measure_references(seen.image, [reference], seen.daylight, UP, rendered=True)
    assert np.isfinite(arrays.whites).all() and not np.isfinite(arrays.matrices).any()
