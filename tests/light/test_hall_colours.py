"""What scenes of a shoot say of the colours in its lights: clouds of published surfaces under published lamps, as
tests/light/rendering/test_alike.py draws them."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from pipeline.fixtures.light import response

from pipeline.light import palette
from pipeline.light.hall.colours import turns
from pipeline.light.hall.remembered import maps_of_memory, whites_of_memory
from pipeline.light.hall.unchanged import Proof
from pipeline.light.references import WhiteMap
from pipeline.light.rendering.mercury import foretell, rendering_matrix
from pipeline.light.scene_white import SceneWhite, WhiteSource
from pipeline.light.scenes import ShootLight
from tests.light.rendering.test_alike import WHITE, apart, lit, own_matrix

LAMPS = ("HP1", "LED-B5")
CAMERA = "D5100"


def hall(
    lamps: tuple[str, str] = LAMPS, match: tuple[float, ...] = (1.0, 1.0, 1.0), camera: str = CAMERA
) -> tuple[ShootLight, dict[int, WhiteMap]]:
    """Two bursts, one at each end, a third that shows something else, and the references at the ends."""
    own, scenes, whites = own_matrix(camera), [], []
    for k, lamp in enumerate((*lamps, lamps[0])):
        of = lit(lamp, camera, k % 2)
        white = response(WHITE, lamp, camera) / response(WHITE, "D65", camera)
        chroma = np.log(white[[0, 2]] / white[1])
        shown = of.chroma + chroma if k < 2 else np.array([[0.9, -0.9]]) + 0 * of.chroma
        histogram = palette.root_histogram(palette.counts(shown, of.weight)).astype(np.float16)
        scenes.append(SimpleNamespace(
            to_working=own, mercury=foretell(own), chroma_histogram=histogram, names=(f"F{k}",)
        ))  # fmt: skip
        whites.append(chroma)
    light = SimpleNamespace(
        scenes=tuple(scenes), group=np.zeros(3), match=np.array(match), chromaticities=np.array(whites),
        of={f"F{k}": k for k in range(3)},
    )  # fmt: skip
    both = np.array(whites[:2])
    return light, {0: WhiteMap(both, both, (None, None), ("F0", "F1"))}  # type: ignore[return-value]


def inside(turn: np.ndarray) -> np.ndarray:
    """On balanced camera colour, as `apart` asks for it."""
    own = own_matrix(CAMERA)
    return np.linalg.inv(own) @ turn @ own


def test_both_ends_get_their_turn() -> None:
    found = turns(*hall(match=(1.0, 1.0, 0.3)))
    matrices = np.array([inside(found[0]), inside(found[1])])
    assert apart(LAMPS, CAMERA, matrices, "floor") < 0.6 * apart(LAMPS, CAMERA, np.array([np.eye(3)] * 2), "floor")
    assert np.allclose(found[2], found[0])  # it is lit by the same lamp, whatever it shows


def test_what_is_not_recognised_has_no_say() -> None:
    """What it shows would make of the one lamp what no lamp is."""
    assert turns(*hall(match=(1.0, 1.0, 0.3))) and not turns(*hall(match=(1.0, 1.0, 1.0)))


def test_mercury_is_left_to_what_is_foretold_of_it() -> None:
    assert turns(*hall(("H38HT-100", "LED-B3"))) == {}


@pytest.mark.parametrize(
    ("lamps", "camera"), [(("FL4", "FL2"), "D5100"), (("FL2", "LED-B3"), "D5100"), (("FL4", "LED-B5"), "D5100")]
)
def test_a_tube_that_is_a_little_green_is_not_mercury(lamps: tuple[str, str], camera: str) -> None:
    """By the colour of its white it is taken for mercury by up to a sixth, and gets as much of the matrix: what is seen
    through that is laid on each other."""
    light, maps = hall(lamps, (1.0, 1.0, 0.3), camera)
    own = own_matrix(camera)
    base = np.array([
        np.linalg.inv(own) @ rendering_matrix(white, own, light.scenes[0].mercury) for white in maps[0].whites
    ])  # fmt: skip
    found = turns(light, maps)
    turned = np.array([np.linalg.inv(own) @ found[k] @ own @ base[k] for k in (0, 1)])
    assert not np.allclose(base, np.eye(3))
    assert apart(lamps, camera, turned, "floor") < max(0.6 * apart(lamps, camera, base, "floor"), 0.6)
    assert apart(lamps, camera, turned, "skin") < apart(lamps, camera, base, "skin") + 1.5


def test_a_balance_carries_the_turn_into_its_matrix() -> None:
    light, maps = hall(match=(1.0, 1.0, 0.3))
    found = turns(light, maps)
    white = SceneWhite.of_map(maps[0], light, 0, found[0])
    assert white.source is WhiteSource.REFERENCE
    assert white.matrix_in(light.scenes[0], white.white) == pytest.approx(found[0] @ own_matrix(CAMERA))
    plain = SceneWhite.of_map(maps[0], light, 0)
    assert plain.matrix_in(light.scenes[0], plain.white) is None


def test_what_a_memory_places_is_turned_as_what_references_place() -> None:
    """Its map lies elsewhere by the change of camera time or floor polish, here by a quarter of what lies between the
    lamps and a little aside; what it does not place has no turn."""
    light, maps = hall(match=(1.0, 1.0, 0.3))
    moved = np.array([0.05, -0.03]) + 0.25 * (maps[0].chromaticities[1] - maps[0].chromaticities[0])
    elsewhere = WhiteMap(maps[0].chromaticities + moved, maps[0].whites, (None, None), ("left", "right"))
    proof = Proof("unchanged", {k: light.chromaticities[k] + moved for k in (0, 1)}, elsewhere)
    found = turns(light, *maps_of_memory({0: proof}, taken=()))
    wanted = turns(light, maps)
    assert sorted(found) == [0, 1]
    for k in (0, 1):
        assert found[k] == pytest.approx(wanted[k], abs=0.02)
        white = whites_of_memory({0: proof}, light, (), [], found)[k]
        assert white.matrix_in(light.scenes[k], white.white) == pytest.approx(found[k] @ own_matrix(CAMERA))
    assert maps_of_memory({0: proof}, taken=(0,)) == ({}, {})
    beyond = elsewhere.chromaticities[0] + 0.05 * (elsewhere.chromaticities[0] - elsewhere.chromaticities[1])
    past = replace(proof, scenes={0: beyond})
    assert whites_of_memory({0: past}, light, (), [])[0].words == "hall memory, 100 % left"
    assert maps_of_memory({0: replace(proof, state="changed")}, taken=()) == ({}, {})


def test_a_remembered_mercury_lamp_is_foretold_as_on_the_night_of_the_card() -> None:
    light, maps = hall(("H38HT-100", "LED-B3"))
    by_card = SceneWhite.of_map(maps[0], light, 0)
    by_memory = SceneWhite(by_card.white, WhiteSource.HALL, "hall memory", 1.0)
    wanted = by_card.matrix_in(light.scenes[0], by_card.white)
    assert wanted is not None and by_memory.matrix_in(light.scenes[0], by_card.white) == pytest.approx(wanted)
