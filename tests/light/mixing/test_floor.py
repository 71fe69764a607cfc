"""Where the floor begins: drawn halls whose perspective is known in closed form, and a real court."""

from __future__ import annotations

import cv2
import numpy as np
import PIL.Image
import pytest
from pipeline.fixtures.demo import lit
from pipeline.fixtures.hall import HALLS, Hall
from pipeline.fixtures.light import response
from pipeline.fixtures.scene import EYE, WALL, Camera, background, camera_responses, surfaces

from pipeline.light.mixing.floor import _floor_by_row, floor_edge
from pipeline.light.mixing.gradient import chroma_gradient
from pipeline.light.palette import ChromaSamples
from tests.court_flicker import DATA, decode
from tests.light.test_palette import DAYLIGHT, HEIGHT, WIDTH, hall, measured, samples_of

SIZE = 384, 256  # of drawn halls, seen at a half of it


def drawn(of: Hall, x: float) -> tuple[ChromaSamples, float]:
    """(an empty hall, x metres right of the middle of its court; row where its floor begins, -1 to 1)."""
    camera = Camera(x, *SIZE, level=of.horizon, zoom=of.lens)
    layer = background(camera, camera_responses((of.left, of.right), of.camera, of.floor), planks=of.floor == "floor")
    pixels = cv2.resize(lit(layer, 0.0, 0.34, of)[0], (SIZE[0] // 2, SIZE[1] // 2), interpolation=cv2.INTER_AREA)
    day = response(surfaces()["white"], "D65", of.camera)
    edge = (camera.horizon + camera.focal * EYE / WALL) / SIZE[1]
    return samples_of(pixels * (day[1] / day / DAYLIGHT)), 2 * edge - 1


@pytest.mark.parametrize("share", [0.3, 0.45, 0.6])
def test_the_floor_begins_where_it_was_drawn(share: float) -> None:
    samples = samples_of(hall(0, measured("FL2"), floor=share) * 0.4)
    row, sure = floor_edge(samples, 1.0)
    assert row == pytest.approx(1 - 2 * share, abs=0.05)
    assert sure > 0.9


def test_a_line_and_who_hides_a_part_are_passed_over() -> None:
    """A white line over the whole width, which a lens draws soft, and dark stripes over a fifth of the columns."""
    colours = measured("FL2")
    pixels = hall(0, colours, floor=0.5) * 0.4
    pixels[70:72] = colours[2] * 0.4
    pixels[:, 20:48] = colours[8] * 0.1
    samples = samples_of(pixels)
    row, sure = floor_edge(samples, 1.0)
    assert row == pytest.approx(0.0, abs=0.05)
    assert sure > 0.9
    assert _floor_by_row(samples, 1.0)[17:].min() > 0.9


def strewn(rows: slice, share: float) -> np.ndarray:
    """A hall with its floor in the lower half; of pixels in these rows such a share has its colour, the rest another's,
    each in half of the columns."""
    rng, colours = np.random.default_rng(7), measured("FL2")
    pixels = hall(0, colours, floor=0.5)
    height = len(pixels[rows])
    others = np.where(np.arange(WIDTH)[:, None] % 16 < 8, colours[6], colours[7])
    alike = rng.uniform(size=(height, WIDTH, 1)) < share
    pixels[rows] = np.where(alike, colours[1], others) * rng.uniform(0.4, 0.7, (height, WIDTH, 1))
    return pixels * 0.4


def test_a_wall_that_is_much_like_the_floor_leaves_it_in_doubt() -> None:
    """Three fifths of the wall have the floor's colour: their difference is 0.4, and its square 0.16."""
    sure = floor_edge(samples_of(strewn(slice(0, HEIGHT // 2), 0.6)), 1.0)[1]
    assert 0.05 < sure < 0.5


def test_a_court_of_another_colour_within_the_floor_is_floor() -> None:
    """Between the floor's far part and its near one lies a court that has little of its colour."""
    row, _ = floor_edge(samples_of(strewn(slice(58, 74), 0.35)), 1.0)
    assert row == pytest.approx(0.0, abs=0.05)


def test_who_shows_no_floor_is_not_believed() -> None:
    """A stand full of people from top to bottom, and nothing at all."""
    crowd = measured("FL2")[np.random.default_rng(4).integers(0, 12, (HEIGHT // 6, WIDTH // 6))]
    pixels = np.repeat(np.repeat(crowd, 6, axis=0), 6, axis=1) * 0.3
    assert floor_edge(samples_of(pixels), 1.0)[1] < 0.1
    assert floor_edge(ChromaSamples(np.zeros((0, 2)), *(np.zeros(0),) * 5), 1.0)[1] == 0


@pytest.mark.parametrize(("name", "x"), [("E", 7.0), ("E", -1.5), ("A", 0.0), ("B", 2.0), ("C", -6.0)])
def test_the_perspective_of_a_hall_is_that_of_its_floor(name: str, x: float) -> None:
    """Boards of several colours beside each other tell little of the light before them: without the floor's edge its
    beginning is 0.4 too high in E, where players then get the light of the wall, and the wall that of players."""
    samples, edge = drawn(HALLS[name], x)
    found = chroma_gradient(samples)
    assert found.floor == pytest.approx(edge, abs=0.12)


@pytest.mark.skipif(not DATA.is_dir(), reason="../shared/data/court is not there")
def test_a_real_floor_of_two_colours() -> None:
    """The boards of ../shared/data/court/a_29880.jpg stand on the floor at 0.42 of its height (read off by hand)."""
    codes = np.asarray(PIL.Image.open(DATA / "a_29880.jpg").convert("RGB"), np.float32) / 255
    small = cv2.resize(decode(codes).astype(np.float32), (192, 108), interpolation=cv2.INTER_AREA)
    row, sure = floor_edge(samples_of(small), 1.0)
    assert row == pytest.approx(2 * 0.42 - 1, abs=0.08)
    assert sure > 0.5
