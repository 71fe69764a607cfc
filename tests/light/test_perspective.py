"""What of a hall each row shows, against a pinhole camera of known height, and how the lamps of a burst tell it."""

from __future__ import annotations

from functools import partial

import cv2
import numpy as np
import pytest

from pipeline.light.flicker import agree, views
from pipeline.light.lamp_perspective import USUAL, perspective_of
from pipeline.light.registration import Motion
from pipeline.light.row_wave import TO_PARTS
from pipeline.light.shared_lamp import Perspective, SharedLamp, places
from pipeline.types import Image
from tests.light.test_flicker import photograph, surfaces

SIZE = HEIGHT, WIDTH = 96, 144
TILES = (24, 36)
EYES, WALL, FOCAL, HORIZON = 1.55, 24.0, 300.0, 40.0  # metres, metres, pixels, row
ROWS, COLUMNS = (np.arange(n) + 0.5 for n in SIZE)
# Of a pinhole, a floor at EYES below is z = FOCAL EYES / (row - HORIZON) away (Hartley and Zisserman, Multiple View
# Geometry, 2004, chapter 8), and what is at column u from the middle is u z / FOCAL to the side.
AWAY = np.minimum(FOCAL * EYES / np.maximum(ROWS - HORIZON, 1e-9), WALL)
ASIDE = AWAY[:, None] * (COLUMNS - WIDTH / 2) / FOCAL
BELOW = FOCAL * EYES / WALL / (HEIGHT / 2)  # half heights from the horizon to the floor's edge
TRUE = Perspective(HORIZON / (HEIGHT / 2) - 1 + BELOW, 1 / BELOW)


def test_a_floor_comes_nearer_as_before_a_pinhole() -> None:
    assert TRUE.distance(ROWS / (HEIGHT / 2) - 1) == pytest.approx(AWAY / WALL)


def test_a_place_of_the_hall_keeps_its_functions_in_a_pan_and_a_zoom() -> None:
    """A wall point at tile (4, 30) of the middle frame, and where a camera that turned and zoomed shows it; upside down
    the floor is above."""
    turned = Motion(dx=-16.0, dy=8.0, scale=1.0)
    one, other, same = places(TILES, TRUE, [Motion(), turned, Motion()], SIZE, 1)
    assert one is same and one is not other
    assert other.columns[6, 26] == pytest.approx(one.columns[4, 30])
    assert other.columns[22, 10] == pytest.approx(one.columns[20, 14])
    flipped = places(TILES, TRUE, [Motion()], SIZE, -1)[0]
    assert flipped.columns == pytest.approx(one.columns[::-1])
    zoomed = places(TILES, TRUE, [Motion(scale=2.0)], SIZE, 1)[0]
    assert zoomed.columns[0, -1] == pytest.approx(np.polynomial.legendre.legvander(35 / 36 / 2, 3).ravel())


def lamps(phase: float, aside: np.ndarray = ASIDE) -> np.ndarray:
    """(H, W, 3) light of a lamp at one side, which flickers over the rows, and a steady one at the other; mean 1.
    aside: metres to the side, of what is seen."""
    share = (0.5 - 0.45 * np.tanh(aside / 4))[..., None]
    wave = np.cos(phase + 0.8 * np.pi * ROWS / HEIGHT)[:, None, None]
    return 1 + share * wave * [0.22, 0.30, 0.35]


def test_the_floor_is_found_by_how_the_frames_differ() -> None:
    """From nothing, and from nearby; where the frames say nothing, it is the usual one."""
    phases, at = np.linspace(0, 2.5, 6), partial(places, motions=[Motion()] * 6, size=SIZE, down=1)
    light = np.stack([cv2.resize(np.log2(lamps(p)), TILES[::-1], interpolation=cv2.INTER_AREA) for p in phases])
    seen = light.reshape(6, -1, 3) @ TO_PARTS
    wrong = np.where(np.arange(TILES[0])[:, None] < 6, np.linspace(-0.5, 0.5, TILES[1]), 0.0)
    seen[..., 0] += wrong.ravel()  # in the scene, alike in all frames
    amplitudes = np.zeros((3, 8, 2))
    amplitudes[0, 0, 0] = 0.15
    lamp = SharedLamp(amplitudes, np.zeros((3, 2, 2)), phases + 0.4 * np.pi, 0.4, np.zeros((6, 3)))
    for start in (None, Perspective(0.2, 2.0)):
        found = perspective_of(lamp, seen, np.full_like(seen, 100.0), at(TILES, USUAL), at, start)
        assert found.floor == pytest.approx(TRUE.floor, abs=0.08)
        assert found.nearer == pytest.approx(TRUE.nearer, rel=0.25)
    nothing = perspective_of(lamp, seen, np.full_like(seen, 1e-9), at(TILES, USUAL), at, None)
    assert (nothing.floor, nothing.nearer) == pytest.approx((USUAL.floor, USUAL.nearer), abs=0.06)


def shown(seed: int) -> tuple[list[Image], np.ndarray]:
    """A burst of a hall with a floor, and its light in stops."""
    rng = np.random.default_rng(seed)
    light = np.stack([lamps(p) for p in rng.uniform(0, 6, 6)])
    scene = surfaces(seed)[:HEIGHT, :WIDTH]
    return [photograph(scene * one, rng) for one in light], np.log2(light)


@pytest.mark.parametrize("down", [1, -1])
def test_wall_and_floor_of_a_burst_are_even(down: int) -> None:
    """Held upside down too. Frames of which no row is known to be the lowest are evened as if all were wall."""
    images, light = shown(5)
    turned = [i.with_pixels(np.ascontiguousarray(i.pixels[::down])) for i in images]

    def left(lowest: int) -> float:
        maps = np.stack([one.on(*SIZE) for one in agree(views(turned, lowest))])[:, ::down]
        return float(np.quantile(np.ptp(maps + light, axis=0), 0.95))

    assert left(down) < 0.012
    assert left(0) > 0.018
