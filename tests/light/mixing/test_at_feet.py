"""The flicker on people, against a pinhole camera before a floor: that of the lamps at their feet."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.imaging.orientation import Orientation
from pipeline.light.mixing.at_feet import on_people
from pipeline.light.mixing.standing import standing
from pipeline.light.registration import Motion
from pipeline.light.scenes import look
from pipeline.light.shared_lamp import SharedLamp, places
from pipeline.types import Exif, Frame
from tests.light.test_flicker import photograph, surfaces
from tests.light.test_perspective import AWAY, COLUMNS, FOCAL, HEIGHT, SIZE, TILES, TRUE, WIDTH, lamps

FEET, HEAD, LEFT, RIGHT = 80, 16, 96, 116  # rows and columns of somebody who stands before the wall
BOX = np.array([[LEFT / WIDTH, HEAD / HEIGHT, RIGHT / WIDTH, FEET / HEIGHT]], np.float32)
BODY = slice(HEAD + 6, FEET - 6), slice(LEFT + 4, RIGHT - 4)
NEAR = AWAY[FEET] * (COLUMNS - WIDTH / 2) / FOCAL  # metres to the side, of what is as near as the feet


def lamp(frames: int = 2, cycles: float = 0.4) -> SharedLamp:
    """Of amplitudes that change from side to side and down, in colour too."""
    amplitudes, harmonic = (np.random.default_rng(n).normal(0, 0.06, (3, n, 2)) for n in (8, 2))
    return SharedLamp(amplitudes, harmonic, np.linspace(0, 2, frames), cycles, np.zeros((frames, 3)))


def test_the_lamp_at_places_of_tiles_is_that_of_the_tiles() -> None:
    one, there = lamp(), places(TILES, TRUE, [Motion()], SIZE, 1)[0]
    rows = there.rows[:, None] + 0 * there.columns[..., 1]
    assert one.at(1, rows, rows, there.columns[..., 1]).reshape(-1, 3) == pytest.approx(one.stops(1, there))


def test_the_phase_is_that_of_the_row_and_the_place_that_of_the_feet() -> None:
    """Where somebody is, map and what is added are the lamp of the floor at the feet, in the phase of each row of its
    own; far beside nothing is added."""
    one, there = lamp(), standing([BOX], [0.0], 1.0)
    added = on_people(one, [there, None], TRUE, [Motion()] * 2, SIZE, 1, True)
    assert not added[1].coefficients.any()
    rows, columns = (np.arange(n) / n * 2 - 1 for n in SIZE)
    rows, across = rows[BODY[0]], columns[(LEFT + RIGHT) // 2]
    distance = TRUE.distance(np.array([2 * FEET / HEIGHT - 1, *rows]))
    feet = one.at(0, rows, np.full_like(rows, 2 * FEET / HEIGHT - 1), distance[0] * across + 0 * rows)
    behind = one.at(0, rows, rows, distance[1:] * across)
    expected = (behind - feet) @ np.linalg.inv(np.array([[1 / 3, 1, 0], [1 / 3, -1, -1], [1 / 3, 0, 1]]))
    found = added[0].at_each(rows, np.full_like(rows, across))
    assert np.abs(expected).max() > 0.05
    assert found == pytest.approx(expected, abs=0.012)
    assert np.abs(added[0].on(*SIZE)[:, : LEFT - 30]).max() < 0.012


@pytest.mark.parametrize("motion", [Motion(dx=-15.0), Motion(dy=6.0), Motion(scale=1.3)])
def test_somebody_who_stands_still_keeps_the_light_in_a_pan_and_a_zoom(motion: Motion) -> None:
    """Of a lamp that is the same in all rows: what is added moves with the hall."""
    steady = lamp(1, 0.0)
    steady.amplitudes[:, 4:] = 0
    middle = np.array([WIDTH, HEIGHT, WIDTH, HEIGHT]) / 2
    box = BOX[0] * np.array([WIDTH, HEIGHT] * 2) - middle
    moved = box * motion.scale + np.array([motion.dx, motion.dy] * 2) + middle
    seen = (moved / np.array([WIDTH, HEIGHT] * 2)).astype(np.float32)[None]
    maps = [
        on_people(steady, [standing([boxes], [0.0], 1.0)], TRUE, [how], SIZE, 1, True)[0]
        for boxes, how in ((BOX, Motion()), (seen, motion))
    ]
    first, other = (
        one.at(*(2 * (b[at] + b[at + 2]) / 2 - 1 for at in (1, 0)))
        for one, b in zip(maps, (BOX[0], seen[0]), strict=True)
    )
    assert np.abs(first).max() > 0.02
    assert other == pytest.approx(first, abs=0.006)


def test_what_all_frames_have_in_common_stays_in_the_scene() -> None:
    one, there = lamp(3), standing([BOX], [0.0], 1.0)
    added = on_people(one, [there] * 3, TRUE, [Motion()] * 3, SIZE, 1, False)
    assert np.mean([a.coefficients for a in added], axis=0) == pytest.approx(np.zeros((19, 15, 3)), abs=1e-9)
    whole = on_people(one, [there] * 3, TRUE, [Motion()] * 3, SIZE, 1, True)
    assert (added[0] + -added[1]).coefficients == pytest.approx((whole[0] + -whole[1]).coefficients, abs=1e-9)


def test_a_player_of_a_burst_is_as_even_as_wall_and_floor() -> None:
    """Held upside down (Exif 274: 3). With the light of the wall behind 0.11 EV of the player's are left."""
    rng, lies, phases = np.random.default_rng(5), Orientation(3), np.random.default_rng(5).uniform(0, 6, 6)
    light = np.stack([lamps(p) for p in phases])
    light[:, HEAD:FEET, LEFT:RIGHT] = np.stack([lamps(p, NEAR) for p in phases])[:, HEAD:FEET, LEFT:RIGHT]
    images = [photograph(surfaces(5)[:HEIGHT, :WIDTH] * one, rng) for one in light]
    frames = [Frame(f"F{n}", Path(f"F{n}.dng"), f"F{n}.dng", "raw", Exif(orientation=3)) for n in range(6)]
    found = look(frames, images, np.ones(3), [BOX] * 6).flicker
    left = np.ptp([lies.to_upright(a.on(*SIZE)) + np.log2(b) for a, b in zip(found, light, strict=True)], axis=0)
    assert np.quantile(left[BODY], 0.95) < 0.02
    assert np.quantile(left[:, : LEFT - 20], 0.95) < 0.012
