"""What a picture leaves in doubt of how lamps mix in it, and the bursts of its hall prove or refuse.

Lamps are published (fixtures/light.json), the gradients closed form: as if found, and believed by half.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import PIL.Image
import pytest
from pipeline.fixtures.light import response

from pipeline.light.mixing.gradient import ChromaGradient, chroma_gradient
from pipeline.light.mixing.hall import followed
from tests.court_flicker import DATA, decode
from tests.light.test_palette import samples_of

PEOPLE = DATA.parent / "people"
LED, HALIDE = (np.log(seen[[0, 2]] / seen[1]) for seen in (response(np.ones(31), lamp) for lamp in ("LED-B3", "HP4")))
BETWEEN = HALIDE - LED
ENDS = np.array([LED, HALIDE])
ONE_PLACE = np.zeros(2, np.int64)
CLEAR = 6.0


def found(to_side: np.ndarray, clear: float = CLEAR) -> ChromaGradient:
    """Light that runs by twice `to_side` over the frame, half of it believed."""
    half = np.array([to_side, *[[0.0, 0.0]] * 3]) / 2
    return ChromaGradient(half, floor=0.1, nearer=2.0, doubted=half, clear=clear)


def over(gradient: ChromaGradient) -> np.ndarray:
    """(2,) chroma from the left edge of the wall to the right."""
    return np.ptp(gradient.at(np.array([-1.0, 1.0])), axis=0)


def proven(gradient: ChromaGradient, ends: np.ndarray = ENDS, place: np.ndarray = ONE_PLACE) -> ChromaGradient:
    return followed([gradient, ChromaGradient.none()], ends, place)[0]


def test_light_along_the_line_between_the_ends_is_taken_whole() -> None:
    lean = 0.3 * BETWEEN
    more = proven(found(lean))
    assert more.at(np.array([1.0]))[0] == pytest.approx(lean)
    assert (more.floor, more.nearer, more.half) == (0.1, 2.0, 1.0)


def test_light_across_that_line_is_none() -> None:
    across = 0.3 * BETWEEN[::-1] * [1, -1]
    assert proven(found(across)).at(np.array([1.0]))[0] == pytest.approx(across / 2)


def test_what_lies_across_in_part_loses_that() -> None:
    lean, across = 0.3 * BETWEEN, 0.06 * BETWEEN[::-1] * [1, -1]
    assert proven(found(lean + across)).at(np.array([1.0]))[0] == pytest.approx(lean + across / 2)


@pytest.mark.parametrize(
    ("gradient", "ends", "place"),
    [
        (found(0.3 * BETWEEN, clear=2.0), ENDS, ONE_PLACE),  # as even light looks
        (found(0.3 * BETWEEN), np.array([LED, LED + 0.1 * BETWEEN]), ONE_PLACE),  # one lamp at both ends
        (found(0.3 * BETWEEN), ENDS, np.array([0, 1])),  # another hall
    ],
)
def test_what_the_others_do_not_prove_stays(gradient: ChromaGradient, ends: np.ndarray, place: np.ndarray) -> None:
    assert proven(gradient, ends, place).at(np.array([1.0]))[0] == pytest.approx(0.15 * BETWEEN)


def test_a_picture_shows_no_more_than_both_ends() -> None:
    steep = replace(found(2 * BETWEEN), powers=np.zeros((4, 2)), doubted=np.array([2 * BETWEEN, *[[0.0, 0.0]] * 3]))
    assert np.abs(over(proven(steep))) == pytest.approx(np.abs(BETWEEN))


@pytest.mark.skipif(not PEOPLE.is_dir(), reason="../shared/data/people is not there")
def test_sky_on_one_side_and_trees_on_the_other_are_no_light() -> None:
    """Two streets by daylight, photographed: rows of their bands agree as well as those of a hall do."""
    for name in ("34501842524_3c858b3080_k.jpg", "17790319373_bd19b24cfc_k.jpg"):
        codes = np.asarray(PIL.Image.open(PEOPLE / name).convert("RGB"), np.float32) / 255
        small = cv2.resize(decode(codes).astype(np.float32), (192, 128), interpolation=cv2.INTER_AREA)
        assert np.abs(over(chroma_gradient(samples_of(small)))).max() < 0.06, name
