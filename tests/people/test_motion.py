"""A ball that no network knows: it moves against the hall, is round, and is nobody's hand; and each number of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from unittest.mock import patch

import numpy as np
import pytest

from pipeline.people import tracking
from pipeline.people.belonging import MOTION, compact, crossed, flying, moving, uncompared
from pipeline.people.constraints import constraints_of
from pipeline.people.subject import find_subjects
from pipeline.people.tracking import Observation
from pipeline.types import F64
from tests.people.rules import Scenario, guards, near
from tests.people.test_candidates import crops
from tests.people.test_subject import ball
from tests.people.test_tracking import RATIO, hall, observed, standing, tenths, view

HEIGHT, WIDTH = 107, 160  # pixels of the picture that the camera's turn is measured by
PLAYER = standing(0.8)  # 0.5 tall from 0.3 to 0.8


def round_at(x: float, y: float, radius: float) -> np.ndarray:
    """(HEIGHT, WIDTH) whether a pixel is in a disc, all in pixels."""
    rows, columns = np.mgrid[:HEIGHT, :WIDTH]
    return np.asarray((columns + 0.5 - x) ** 2 + (rows + 0.5 - y) ** 2 <= radius**2)


def block(x: int, y: int, wide: int, high: int) -> np.ndarray:
    mask = np.zeros((HEIGHT, WIDTH), bool)
    mask[y : y + high, x : x + wide] = True
    return mask


def flight(
    things: Sequence[np.ndarray], level: float = 230, wall: float | None = 100, turn: int = 0,
    gains: Sequence[np.ndarray | float] = (1.0, 1.0, 1.0), people: Sequence[Sequence[float]] = (PLAYER,),
) -> list[Observation]:  # fmt: skip
    """Three frames of a plain wall (None: one of patches), which the camera moves by so many pixels from each to the
    next, with a thing so bright in each."""
    frames = []
    for at, (thing, gain) in enumerate(zip(things, gains, strict=True)):
        picture = np.full((HEIGHT, WIDTH), wall, float) if wall is not None else view(hall(), 100 - turn * at, 90) * 1.0
        picture[thing] = level
        frames.append(observed(people, small=np.clip(np.round(picture * gain), 0, 255).astype(np.uint8)))
    return frames


def masks(frames: Sequence[Observation], turn: int = 0) -> list[np.ndarray | None]:
    return moving(frames, tenths(len(frames), turn / WIDTH))


def moved(frames: Sequence[Observation], turn: int = 0) -> np.ndarray:
    found = masks(frames, turn)[1]
    assert found is not None
    return found


def ball_in(frames: Sequence[Observation], turn: int = 0) -> F64:
    return flying(frames[1], moved(frames, turn), 0.5)


BALL = [round_at(x, 40, 3.5) for x in (25, 45, 65)]


@pytest.mark.parametrize("turn", [0, 5, -9])
def test_a_ball_is_where_it_is_now_and_not_where_it_was(turn: int) -> None:
    frames = flight(BALL, wall=None, turn=turn)
    (found,) = ball_in(frames, turn)
    assert not (moved(frames, turn) & ~BALL[1]).any()
    assert (found * [WIDTH, HEIGHT, WIDTH, HEIGHT]).tolist() == pytest.approx([42, 37, 48, 43], abs=1.1)


def test_where_one_thing_was_and_another_comes_nothing_is_now() -> None:
    """Somebody dark is there before and somebody bright after; between them the wall is seen."""
    frames, place = flight(BALL), round_at(120, 40, 9)
    frames[0].small[place], frames[2].small[place] = 20, 230
    assert moved(frames)[BALL[1]].all() and not moved(frames)[place].any()


def test_nothing_is_known_where_the_turn_is_not() -> None:
    frames = flight(BALL)
    assert moving(frames, [np.zeros(3), np.array([np.nan, np.nan, 0.1]), np.array([0, 0, 0.1])]) == [None] * 3
    assert moving([frames[0], observed(small=frames[1].small[:80]), frames[2]], tenths(3)) == [None] * 3
    assert moving([], []) == []


def test_lamps_that_pulse_move_nothing() -> None:
    """Bands a third darker that run over the frame, and one end of the hall darker in one frame; the ball stays one."""
    rows = np.arange(HEIGHT)[:, None]
    bands = [1 - 0.33 * (0.5 + 0.5 * np.sin(2 * np.pi * (rows / 60 + at / 3))) * np.ones(WIDTH) for at in range(3)]
    bands[0] = bands[0] * np.linspace(1, 0.7, WIDTH)
    still = flight([round_at(25, 40, 3.5)] * 3, wall=None, gains=bands)
    assert not moved(still).any()
    assert len(ball_in(flight(BALL, gains=bands))) == 1


def test_a_line_that_the_turn_is_off_by_a_pixel_shows_nothing() -> None:
    lines = [block(30 + at, 20, 2, 40) for at in range(3)]
    assert not moved(flight(lines)).any()


def test_a_hand_is_no_ball() -> None:
    """A round thing in a person's box, where arms swing, beside it, and in the box of what is hardly a person."""
    there, hardly = (flight(BALL, people=[PLAYER, standing(45 / WIDTH, foot=0.6, sure=sure)]) for sure in (0.3, 0.29))
    assert not len(ball_in(there)) and len(ball_in(hardly)) == len(ball_in(flight(BALL))) == 1


def test_what_flies_is_not_to_be_cut() -> None:
    frames = flight(BALL)
    (subject,) = find_subjects(frames[1:2])
    assert subject is not None
    (x0, y0, x1, y1) = constraints_of(frames[1], subject, 0.0, 0.0, None, moved(frames)).balls[0] / [RATIO, 1, RATIO, 1]
    assert x0 < 42 / WIDTH and x1 > 48 / WIDTH and y0 < 37 / HEIGHT and y1 > 43 / HEIGHT
    assert not len(constraints_of(frames[1], subject, 0.0, 0.0).balls)


@pytest.mark.parametrize("ball_like", [True, False])
def test_a_crop_goes_through_nothing_that_flies(ball_like: bool) -> None:
    """A ball that the network misses, or a foot, where the crop of the middle frame would have its left edge."""
    main = standing(0.6)
    held = ball(0.6, 0.5, 0.9, 0.03)
    nothing = [np.zeros((HEIGHT, WIDTH), bool)] * 3

    def left_edges(things: Sequence[np.ndarray]) -> list[float]:
        frames = [replace(one, balls=np.array([held], np.float32)) for one in flight(things, wall=None, people=[main])]
        with patch.object(tracking, "camera_shifts", lambda frames, seconds=(): tenths(len(frames))):
            return [box.x0 * WIDTH for box in crops(frames)[1] if box is not None]

    _, before, _ = left_edges(nothing)
    places = [before + by for by in (-20, 0, 20)]
    _, after, _ = left_edges([round_at(x, 40, 3.5) if ball_like else block(round(x) - 3, 40, 7, 3) for x in places])
    assert after < before - 3.4 or after > before + 3.4


def test_the_first_and_the_last_frame_of_a_burst_show_what_moves_too() -> None:
    """By the two frames beside them; two frames alone do not tell what is there now from what was there before."""
    for turn in (0, 5):
        frames = flight(BALL, 250, None if turn else 100, turn)
        first, _, last = masks(frames, turn)
        assert first is not None and last is not None
        for mask, ball_there in ((first, BALL[0]), (last, BALL[2])):
            assert mask[ball_there].all() and not mask[~ball_there].any()
        assert masks(frames[:2], turn) == [None] * 2


@pytest.mark.parametrize("turn, unknown", [(0, 0), (5, 10), (-9, 18)])
def test_of_a_place_that_another_frame_does_not_show_nothing_is_known(turn: int, unknown: int) -> None:
    """The first frame is compared with the second and the third; what leaves the picture is at its rim."""
    frames = flight(BALL, wall=None, turn=turn)
    first = uncompared(frames, tenths(3, turn / WIDTH))[0]
    columns = np.flatnonzero(first.all(axis=0))
    assert len(columns) == unknown and first.sum() == unknown * HEIGHT
    assert not unknown or (columns < unknown).all() == (turn < 0)
    assert not uncompared(frames[:2], tenths(2, turn / WIDTH))[0].any()


@pytest.mark.parametrize("tall, held", [(0.4, True), (0.2, False)])
def test_a_foot_of_somebody_near_may_be_where_nothing_is_known(tall: float, held: bool) -> None:
    main, other = standing(0.7), standing(0.2, tall=tall)
    frames = flight([np.zeros((HEIGHT, WIDTH), bool)] * 3, people=[main, other])
    (subject,) = find_subjects(frames[:1])
    assert subject is not None
    left = block(0, 0, round((other[2] + 0.05) * WIDTH), HEIGHT)
    found = constraints_of(frames[0], subject, 0.08, 0.0, None, np.zeros_like(left), None, left)
    beyond = other[2] * RATIO + 0.05 * tall
    assert bool(crossed(np.array([[beyond, 0.0, RATIO, 1.0]]), found.moving)[0]) is held  # type: ignore[arg-type]
    further = other[2] * RATIO + 0.1 * tall + 0.02
    assert not crossed(np.array([[further, 0.0, RATIO, 1.0]]), found.moving)[0]  # type: ignore[arg-type]


def test_no_side_of_a_crop_goes_where_a_heel_may_be_that_the_next_frames_do_not_show() -> None:
    """The camera turns to the right; a neighbour's box ends just outside of the first frame's crop."""
    main = standing(0.6)
    held = ball(0.6, 0.5, 0.9, 0.03)

    def left_edge(turn: int, *others: Sequence[float]) -> float:
        frames = flight([np.zeros((HEIGHT, WIDTH), bool)] * 3, wall=None, turn=turn, people=[main, *others])
        frames = [replace(one, balls=np.array([held], np.float32)) for one in frames]
        with patch.object(tracking, "camera_shifts", lambda frames, seconds=(): tenths(3, turn / WIDTH)):
            found = crops(frames)[1][0]
        assert found is not None
        return found.x0

    beside = standing(0.1)
    ends = left_edge(0) - 0.04 * 0.5 / RATIO
    neighbour = (ends - (beside[2] - beside[0]), beside[1], ends, beside[3], 0.5)
    assert left_edge(0, neighbour) < ends + 0.1 * 0.5 / RATIO
    assert left_edge(-60, neighbour) > ends + 0.1 * 0.5 / RATIO


def test_a_side_through_what_moves_costs_and_one_beside_it_does_not() -> None:
    """A ball twelve pixels across in the middle; sides of crops, in heights of the frame, through it and beside it."""
    mask = round_at(80, 50, 6)
    middle, beyond = 80 / HEIGHT, 8 / HEIGHT
    crops = np.array([
        [middle, 0, RATIO, 1], [0, 0, middle, 1], [0, 50 / HEIGHT, RATIO, 1], [0, 0, RATIO, 50 / HEIGHT],
        [middle + beyond, 0, RATIO, 1], [0, 0, middle - beyond, 1], [0, 50 / HEIGHT + beyond, RATIO, 1],
        [0, 0, RATIO, 50 / HEIGHT - beyond], [0, 0, RATIO, 1], [middle, 50 / HEIGHT, RATIO, 1],
    ])  # fmt: skip
    assert crossed(crops, mask).tolist() == [1, 1, 1, 1, 0, 0, 0, 0, 0, 2]


def test_the_rim_of_the_frame_cuts_nothing() -> None:
    rim = block(0, 40, 6, 6) | block(154, 40, 6, 6) | block(80, 0, 6, 6) | block(80, 101, 6, 6)
    assert crossed(np.array([[0.0, 0.0, WIDTH / HEIGHT, 1.0]]), rim).tolist() == [0]


def test_a_line_of_the_court_does_not_move() -> None:
    line, foot = block(20, 30, 40, 1), block(90, 60, 5, 3)
    assert np.array_equal(compact(line | foot), foot)


def stands_out(level: float, wall: float) -> bool:
    """Whether a thing of this brightness, before a wall of that, moves."""
    return bool(moved(flight(BALL, level=level, wall=wall)).any())


def off_by(pixels: int) -> bool:
    """Whether a line shows that the turn of the camera is off by so much."""
    return bool(moved(flight([block(60 + pixels * at, 20, 1, 40) for at in range(3)])).any())


def known(thing: np.ndarray) -> bool:
    """Whether anything is known of a frame in which so much moves."""
    nothing = np.zeros_like(thing)
    return masks(flight([nothing, thing, nothing]))[1] is not None


def scattered(count: int) -> np.ndarray:
    """So many pixels, far from the player."""
    mask = block(20, 20, 12, count // 12)
    mask[20 + count // 12, 20 : 20 + count % 12] = True
    return mask


def seen(mask: np.ndarray, people: Sequence[Sequence[float]] = (PLAYER,)) -> bool:
    """Whether what moves passes for a ball."""
    return len(flying(observed(people), mask, 0.5)) == 1


def pixels(count: int) -> bool:
    mask = np.zeros((HEIGHT, WIDTH), bool)
    for number in range(count):
        mask[40 + number // 3, 20 + number % 3] = True
    return seen(mask)


def part_of_somebody(columns: int) -> bool:
    """A thing twenty pixels wide, so many of which lie in somebody's box."""
    return not seen(block(20, 40, 20, 20), [(0.0, 0.2, (20.25 + columns) / WIDTH, 0.9, 0.8)])


def sparse(count: int) -> np.ndarray:
    """So many pixels of a ten by ten box, which hang together and reach all of its sides."""
    mask = block(20, 40, 10, 1) | block(20, 40, 1, 10) | block(20, 49, 10, 1) | block(29, 40, 1, 10)  # 36 pixels
    for number in range(count - 36):
        mask[41 + number // 8, 21 + number % 8] = True
    return mask


HALF = np.array([[80 / HEIGHT, 0.0, RATIO, 1.0]])  # a crop of the right half


def sparse_row(count: int) -> np.ndarray:
    """So many pixels in two rows, twenty columns long."""
    mask = block(20, 40, 20, 1)
    mask[41, 20:count] = True
    return mask


def at_whole(verdict: Callable[[int], bool], at: int) -> bool:
    return verdict(at) and not verdict(at - 1)


SCENARIOS: dict[str, Scenario] = {
    # exp(0.12) times 1 + 100 is 1 + 112.9.
    "MOTION.differs": lambda: stands_out(113, 100) and not stands_out(112, 100),
    # log(24 / 21) is more than 3 / 24, and log(21 / 18) less than 3 / 18.
    "MOTION.steps": lambda: stands_out(23, 20) and not stands_out(17, 20),
    "MOTION.slack": lambda: off_by(3) and not off_by(2),
    "MOTION.elsewhere": lambda: known(scattered(171)) and not known(scattered(172)),  # of 17,120
    # The player's box begins at 119.1, 0.35 heights are 18.7 pixels, and four columns of 50 are more than 171.
    "MOTION.beyond": lambda: known(block(97, 40, 20, 50)) and not known(block(96, 40, 20, 50)),
    "MOTION.fewest": lambda: at_whole(pixels, 6),
    "MOTION.round": lambda: seen(block(20, 40, 10, 6)) and not seen(block(20, 40, 11, 6)),
    "MOTION.filled": lambda: at_whole(lambda count: seen(sparse(count)), 55),
    "MOTION.own": lambda: part_of_somebody(10) and not part_of_somebody(9),
    "MOTION.thick": lambda: at_whole(lambda count: compact(sparse_row(count)).any(), 26),
    # One pixel more to either side: 1 of 107 is a third of it.
    "MOTION.through": lambda: near(float(crossed(HALF, block(79, 40, 2, 1))[0]), 3 / 107 / 0.03),
}
test_a_tenth_more_or_less_changes_what_is_a_ball, test_every_number_is_guarded = guards({"MOTION": MOTION}, SCENARIOS)
