"""People before a wall where lamps mix: the perspective of a level floor, and light in closed form.

A point z metres away and h metres below the camera lies focal * h / z half heights below the horizon.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.light.mixing.gradient import ChromaGradient
from pipeline.light.mixing.standing import Standing, each_alone, standing, without_people
from pipeline.light.scene_white import PLAYER_DISTANCE, gradient_at
from pipeline.light.scenes import look, unknown
from pipeline.types import Frame
from tests.light.mixing.test_gradient import X, lit
from tests.light.test_palette import DAYLIGHT, HEIGHT, WIDTH, hall, measured, picture

HORIZON, FLOOR = -0.6, -0.2  # rows; the floor meets the wall at FLOOR
FOCAL = 3.0
WALL = 24.0
EYE = (FLOOR - HORIZON) * WALL / FOCAL  # metres, for the floor's edge to lie there
VIEW = ChromaGradient(np.array([[0.3, -0.4], *[[0.0, 0.0]] * 3]), FLOOR, 1 / (FLOOR - HORIZON))
PLAYERS = ((0.2, 9.0, 1.8), (0.6, 12.0, 1.7), (0.8, 15.0, 1.75), (0.45, 18.0, 1.85))  # across, metres away, tall


def box(across: float, away: float, tall: float, eye: float = EYE, horizon: float = HORIZON) -> list[float]:
    feet, head = (horizon + FOCAL * h / away for h in (eye, eye - tall))
    half = 0.1 * (feet - head)
    return [across - half, (head + 1) / 2, across + half, (feet + 1) / 2, 0.9]


def boxes(*players: tuple[float, float, float], **seen: float) -> np.ndarray:
    return np.array([box(*one, **seen) for one in players], np.float32).reshape(-1, 5)


def row_of(away: float) -> float:
    """Of the feet of somebody so far away."""
    return HORIZON + FOCAL * EYE / away


def test_somebody_is_as_far_as_the_floor_at_the_feet() -> None:
    """Nine metres of 24: 0.375 of the wall's distance, from the shins to the face; beside, the wall is at 1."""
    people = standing([boxes((0.7, 9.0, 1.8))], [0.0], 1.0)
    feet = row_of(9.0)
    body = np.linspace(feet - 1.4 * FOCAL / 9.0, feet - 0.2, 5)
    assert people.distance(VIEW, body, np.full(5, 0.4)) == pytest.approx(9.0 / WALL, abs=0.03)
    assert people.distance(VIEW, np.array([-0.9, -0.3]), np.array([-0.6, -0.6])) == pytest.approx([1.0, 1.0])


def balanced(often: float) -> float:
    """Of people's light against the wall's, where so many frames show people who count five times, by least squares."""
    shares = np.linspace(0, 1, 1001)
    off = 5 * often * (1 - shares) ** 2 + (1 - often) * shares**2
    return float(shares[np.argmin(off)])


def test_a_place_that_somebody_passes_gets_some_of_that_persons_light_in_all_frames() -> None:
    """A runner, one place a frame, and a camera that turns: what stands still in the hall stays one place."""
    runs = [boxes((at, 9.0, 1.8)) for at in (0.2, 0.4, 0.6)]
    people = standing(runs, [0.0] * 3, 1.0)
    at = np.array([2 * v - 1 for v in (0.2, 0.4, 0.6)])
    assert people.at(np.full(3, 0.2), at)[0] == pytest.approx(np.full(3, balanced(1 / 3)), abs=0.03)
    still = standing([boxes((0.5 + pan / 2, 9.0, 1.8)) for pan in (0.0, 0.4, 0.8)], [0.0, 0.4, 0.8], 1.8)
    share, _ = still.at(np.full(2, 0.2), np.array([0.0, 0.8]) / 1.8)
    assert share == pytest.approx([1.0, 0.0], abs=0.25)


def test_two_who_are_taken_for_one_as_well_do_not_take_the_wall_between_them() -> None:
    """The box around both goes, be it first or last; one around somebody's upper and lower half is that person's."""
    two = boxes((0.35, 9.0, 1.8), (0.65, 10.0, 1.8))
    both = np.array([[*np.minimum(*two[:, :2]), *np.maximum(*two[:, 2:4]), 0.3]], np.float32)
    for seen in (np.concatenate([two, both]), np.concatenate([both, two])):
        assert np.array_equal(each_alone(seen), two)
    left, top, end, bottom = boxes((0.5, 9.0, 1.8))[0, :4]
    middle = (top + bottom) / 2
    halves = np.array([[left, top, end, bottom], [left, top, end, middle], [left, middle, end, bottom]], np.float32)
    assert np.array_equal(each_alone(halves), halves)
    assert np.array_equal(each_alone(two[:1]), two[:1])
    assert each_alone(two[:0]).shape == (0, 5)


def test_who_stands_still_while_the_lens_zooms_is_one_place() -> None:
    """Half as large again about the frame's middle: the second frame's box is the first one's, drawn from there."""
    first = boxes((0.7, 9.0, 1.8))
    second = first.copy()
    second[:, :4] = 0.5 + 1.5 * (first[:, :4] - 0.5)
    alone, both = (standing(of, [0.0] * len(of), 1.0, zoom) for of, zoom in (([first], [1.0]), ([second], [1.5])))
    assert both.share == pytest.approx(alone.share, abs=0.01)
    assert both.feet[both.share > 0.5] == pytest.approx(alone.feet[both.share > 0.5], abs=0.05)


def test_a_moment_of_a_long_burst_does_not_make_a_place_that_persons() -> None:
    """Somebody who passes in one of 60 frames, and one who stands there in twenty; the camera shows the last place in
    ten frames only, and somebody stands there in five."""
    there = boxes((0.25, 9.0, 1.8)), boxes((0.5, 9.0, 1.8)), boxes((1.05 - 0.3, 9.0, 1.8))
    frames = [
        (there[2] if k % 2 else boxes())
        if k >= 50
        else boxes(*[(0.5, 9.0, 1.8)] * (k < 20), *[(0.25, 9.0, 1.8)] * (k == 7))
        for k in range(60)
    ]
    people = standing(frames, [0.0] * 50 + [-0.6] * 10, 1.6)
    share, _ = people.at(np.full(3, 0.2), np.array([-0.5, 0.0, 1.1]) / 1.6)
    assert share == pytest.approx([balanced(1 / 60), balanced(20 / 60), balanced(5 / 10)], abs=0.15)


def test_who_stands_in_front_counts() -> None:
    """Between the knees of who is farther and the chest of who is nearer, whichever was found first."""
    for order in (1, -1):
        people = standing([boxes((0.5, 9.0, 1.8), (0.5, 12.0, 1.8))[::order]], [0.0], 1.0)
        assert people.distance(VIEW, np.array([0.1]), np.array([0.0])) == pytest.approx([9.0 / WALL], abs=0.03)


def test_feet_below_the_frame_are_nearer_than_its_edge() -> None:
    people = standing([boxes((0.5, 5.0, 1.8)).clip(0, 1)], [0.0], 1.0)
    assert people.distance(VIEW, np.array([0.5]), np.array([0.0])) < VIEW.distance(np.array([1.1]))


def test_people_do_not_hide_the_light_behind_them() -> None:
    """Light that runs by 0.4 along the wall, and twelve players before it whose shirts run the other way by twice that:
    it is the wall's, to a tenth, and just what it is where they are black."""
    light = np.broadcast_to(X[:, None] * [0.2, -0.2], (HEIGHT, WIDTH, 2))
    pixels = lit(hall(0, measured("HP4"), floor=0.5) * 0.4, light)
    players = boxes(*((x, 7.5 + k % 3, 1.8) for k, x in enumerate(np.linspace(0.04, 0.96, 12))))
    rng = np.random.default_rng(1)
    for x0, y0, x1, y1, _ in players:
        part = pixels[int(y0 * HEIGHT) : int(y1 * HEIGHT), int(x0 * WIDTH) : int(np.ceil(x1 * WIDTH))]
        lean = (x0 + x1 - 1) * np.array([-0.4, 0.0, 0.4])
        part[:] = measured("HP4")[0] * np.exp(lean) * rng.uniform(0.15, 0.3, (*part.shape[:2], 1))
    frames, images = [Frame("F1", Path("F1.dng"), "F1.dng", "raw")], [picture(pixels)]
    around = [[*players[4:8, :2].min(axis=0), *players[4:8, 2:4].max(axis=0), 0.3]]  # four, taken for one as well
    seen = np.concatenate([players, np.array(around, np.float32)])
    known, blind = (look(frames, images, DAYLIGHT, people).chroma_gradient for people in ([seen], None))
    black = look(frames, [without_people(images[0], players)], DAYLIGHT).chroma_gradient
    assert np.ptp(known.at(X), axis=0) == pytest.approx([0.4, 0.4], abs=0.04)
    assert known.as_array() == pytest.approx(black.as_array())
    assert known.as_array() != pytest.approx(blind.as_array(), abs=1e-4)


def test_where_next_to_nothing_is_left_people_count_as_well() -> None:
    """Of a close-up, in light that runs by 0.3: rather the gradient of the people in it than none."""
    pixels = lit(hall(0, measured("HP4")) * 0.4, np.broadcast_to(X[:, None] * [0.15, -0.15], (HEIGHT, WIDTH, 2)))
    whole = np.array([[0.0, 0.0, 1.0, 1.0, 0.9]], np.float32)
    found = look([Frame("F1", Path("F1.dng"), "F1.dng", "raw")], [picture(pixels)], DAYLIGHT, [whole]).chroma_gradient
    assert np.ptp(found.at(X), axis=0) == pytest.approx([0.3, 0.3], abs=0.06)


def test_light_on_a_player_and_beside() -> None:
    """The chroma of the light at the player's distance on the player, and the wall's beside; where nobody looked, that
    of a player who may be there."""
    people = standing([boxes((0.7, 9.0, 1.8), (0.2, 11.0, 1.8))], [0.0], 1.0)
    scene = replace(unknown(["F1"]), chroma_gradient=VIEW, people=people)
    assert people.known(VIEW) == 1
    at = np.array([0.1]), np.array([0.4])
    assert gradient_at(scene, 0, *at)[0] == pytest.approx(VIEW.at(np.array([0.4]), 9.0 / WALL)[0], abs=0.02)
    free = np.array([-0.3]), np.array([0.75])
    assert gradient_at(scene, 0, *free)[0] == pytest.approx(VIEW.at(np.array([0.75]))[0], abs=0.02)
    held = gradient_at(scene, 0, np.array([-0.3]), np.array([0.05]), held=True)[0]
    assert held == pytest.approx(VIEW.at(np.array([0.05]), PLAYER_DISTANCE)[0], rel=0.1)
    blind = replace(scene, people=Standing.nobody())
    assert gradient_at(blind, 0, *at)[0] == pytest.approx(
        VIEW.at(np.array([0.4]), PLAYER_DISTANCE + (1 - PLAYER_DISTANCE) * 0.4**4)[0]
    )


def test_spectators_say_nothing_of_who_is_on_the_court() -> None:
    """Forty people on a stand before the wall, with their feet above the floor's edge."""
    seats = np.array([[x, 0.25, x + 0.03, 0.38, 0.9] for x in np.linspace(0, 0.97, 40)], np.float32)
    assert standing([seats], [0.0], 1.0).known(VIEW) == 0


def test_who_is_no_person_but_a_poster_on_the_wall_changes_nothing_there() -> None:
    """With players on the court, so that boxes count."""
    wrong = np.array([[0.85, 0.15, 0.9, 0.35, 0.9]], np.float32)
    people = standing([np.concatenate([boxes(*PLAYERS), wrong])], [0.0], 1.0)
    assert people.known(VIEW) == 1
    assert people.distance(VIEW, np.array([-0.5]), np.array([0.75])) == pytest.approx([1.0])


def test_people_come_back_from_the_store() -> None:
    people = standing([boxes(*PLAYERS)], [0.0], 1.0)
    again = Standing.from_array(people.as_array())
    assert again.share == pytest.approx(people.share, abs=1e-3)
    assert again.feet == pytest.approx(people.feet, abs=2e-3)


def test_people_are_left_out_and_nobody_else() -> None:
    image = picture(np.full((HEIGHT, WIDTH, 3), 0.3))
    left = without_people(image, np.array([[0.25, 0.25, 0.5, 0.75], [-0.2, -0.1, 0.05, 0.2]], np.float32)).pixels
    assert (left[HEIGHT // 4 : 3 * HEIGHT // 4, WIDTH // 4 : WIDTH // 2] == 0).all()
    assert (left[: HEIGHT // 5, : WIDTH // 20] == 0).all()
    assert (left > 0).all(axis=2).mean() > 0.8
