"""The same person over a burst: players who cross, are hidden or missed, and a camera that turns."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from unittest.mock import patch

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from pipeline.people import tracking
from pipeline.people.tracking import LINKING, Observation, _links, _moved, camera_shifts, paces, paths, rows_of, speeds
from pipeline.types import F64

RED, WHITE, GREY = (40.0, 40.0, 200.0), (230.0, 230.0, 230.0), (90.0, 90.0, 90.0)
SIZE = (640, 960)  # height, width
RATIO = SIZE[1] / SIZE[0]
PATTERN = np.random.default_rng(0).integers(0, 255, (107, 160), np.uint8)  # of a hall, fine enough for its place


def standing(x: float, foot: float = 0.8, tall: float = 0.5, sure: float = 0.8) -> tuple[float, ...]:
    """Box and certainty of somebody upright about `x`: a third as wide as tall, in fractions of a 3:2 frame."""
    half = tall / 6 / RATIO
    return (x - half, foot - tall, x + half, foot, sure)


def observed(
    people: Sequence[Sequence[float]] = (), *, reach: Sequence[Sequence[float]] | None = None,
    sharp: Sequence[float] | None = None, jersey_colour: Sequence[tuple[float, float, float]] | None = None,
    faces: Sequence[Sequence[float]] = (), balls: Sequence[Sequence[float]] = (),
    rackets: Sequence[Sequence[float]] = (), animals: Sequence[Sequence[float]] = (),
    carriers: Sequence[Sequence[float]] = (), small: np.ndarray | None = None, told_in: int = SIZE[0] // 2,
) -> Observation:  # fmt: skip
    """One frame as `crop` measures it, by default in a hall that stands still."""
    count = len(people)
    return Observation(
        people=np.array(people, np.float32).reshape(-1, 5),
        reach=np.array(people if reach is None else reach, np.float32).reshape(-1, 5),
        sharp=np.array([0.1] * count if sharp is None else sharp, np.float32),
        jersey_colour=np.array([GREY] * count if jersey_colour is None else jersey_colour, np.float32).reshape(-1, 3),
        faces=np.array(faces, np.float32).reshape(-1, 9),
        balls=np.array(balls, np.float32).reshape(-1, 5),
        rackets=np.array(rackets, np.float32).reshape(-1, 5),
        small=PATTERN if small is None else small,
        size=SIZE,
        clipped=np.zeros(count, np.float32),
        told_in=told_in,
        animals=np.array(animals, np.float32).reshape(-1, 5),
        carriers=np.array(carriers, np.float32).reshape(-1, 5),
    )


@cache
def hall(seed: int = 1) -> F64:
    """A wall of patches out of focus, 300 by 400 pixels, 40 to 200."""
    rng = np.random.default_rng(seed)
    blocks = np.kron(rng.uniform(0, 1, (38, 50)), np.ones((8, 8)))[:300, :400]
    soft = gaussian_filter(blocks, 1.5)
    return np.asarray(40 + 160 * (soft - soft.min()) / np.ptp(soft))


def view(wall: F64, x: int, y: int, gain: float = 1.0, noise: float = 0.0, seed: int = 0) -> np.ndarray:
    """107 by 160 pixels of it, as large as `crop` keeps, from (x, y) on."""
    part = gain * wall[y : y + 107, x : x + 160]
    part = part + noise * np.random.default_rng(seed).standard_normal(part.shape)
    return np.clip(np.round(part), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("x, y", [(0, 0), (1, 0), (-3, 2), (9, -4), (-20, 0), (24, 5)])
@pytest.mark.parametrize("gain, noise", [(1.0, 0.0), (0.6, 0.0), (1.0, 8.0), (0.7, 5.0)])
def test_a_turn_of_the_camera_is_measured(x: int, y: int, gain: float, noise: float) -> None:
    """Known shifts, with the pulse of the lamps as a gain and with noise: right to half a pixel of `small`."""
    wall = hall()
    frames = [
        observed(small=view(wall, 100, 90, noise=noise)),
        observed(small=view(wall, 100 - x, 90 - y, gain, noise, 1)),
    ]
    still, turned = camera_shifts(frames)
    assert tuple(still) == (0, 0, 0)
    assert turned[:2] * (160, 107) == pytest.approx((x, y), abs=0.5)


@pytest.mark.parametrize("turned", [0, 6])
def test_players_who_run_are_not_the_camera(turned: int) -> None:
    """Two large players, of more contrast than all the hall, run 12 and 9 pixels; the camera turns by `turned`."""
    frames = []
    for at in range(2):
        picture = view(hall(), 100 - turned * at, 90)
        people = [standing(0.3 + (12 * at + turned * at) / 160, tall=0.7), standing(0.6 + 9 * at / 160, tall=0.6)]
        for number, (x0, y0, x1, y1, _) in enumerate(people):
            rng = np.random.default_rng(number)
            rows, columns = slice(round(y0 * 107), round(y1 * 107)), slice(round(x0 * 160), round(x1 * 160))
            height, width = picture[rows, columns].shape
            shirt = np.kron(rng.choice([0, 255], (20, 8)), np.ones((4, 3)))[:height, :width]
            picture[rows, columns] = shirt.astype(np.uint8)
        frames.append(observed(people, small=picture))
    assert camera_shifts(frames)[1][:2] * (160, 107) == pytest.approx((turned, 0), abs=0.7)


def test_where_there_is_nothing_to_go_by_the_camera_is_not_known() -> None:
    everything = [(0.0, 0.0, 1.0, 1.0, 0.9)]
    dark = np.zeros((107, 160), np.uint8)
    frames = [
        observed(small=dark),
        observed(small=dark),
        observed(small=dark[:8, :8]),
        observed(everything, small=view(hall(), 0, 0)),
    ]
    frames += [observed(everything, small=view(hall(), 9, 9)), observed(small=view(hall(), 50, 50)[:80])]
    first, *others = camera_shifts(frames)
    assert tuple(first) == (0, 0, 0) and np.isnan(np.array(others)[:, :2]).all()


def test_a_turn_says_how_long_it_took() -> None:
    """As the times say; as a usual burst, of ten frames a second, where they do not tell."""
    frames = [observed()] * 3
    assert [shift[2] for shift in camera_shifts(frames, [3.0, 3.04, 3.1])] == pytest.approx([0, 0.04, 0.06])
    assert [shift[2] for shift in camera_shifts(frames)] == pytest.approx([0, 0.1, 0.1])
    assert [shift[2] for shift in camera_shifts(frames, [3.0])] == pytest.approx([0, 0.1, 0.1])


def test_a_turn_unlike_those_beside_it_is_none_of_the_camera() -> None:
    """People fill the frame, and one pattern is taken for another: a camera cannot leap and come back."""
    leap = [np.array([turned / 160, 0.0]) for turned in (6, 6, -50, 6, 6)]
    frames = [observed(small=view(hall(), 100, 90)) for _ in range(6)]
    with patch.object(tracking, "hall_shifts", lambda pictures, people: leap):
        found = camera_shifts(frames)
    assert [bool(np.isfinite(one).all()) for one in found] == [True, True, True, False, True, True]


def test_who_stands_has_no_speed_where_the_camera_is_not_known() -> None:
    """A camera that follows nobody knows whom, in a hall too dark to measure its turn: nobody ran."""
    dark = np.zeros((107, 160), np.uint8)
    frames = [observed([standing(0.3 + 0.05 * n)], small=dark) for n in range(5)]
    shifts = camera_shifts(frames)
    assert not np.any(speeds([0] * 5, frames, shifts))
    assert all(np.isnan(one).all() for one in paces(frames, shifts))


@pytest.mark.parametrize("rate", [5, 10, 20, 30])
def test_a_runner_is_as_fast_at_any_rate_of_frames(rate: int) -> None:
    """3 m/s of a height of 1.75 m, seen for one and a half seconds."""
    seconds = np.arange(round(1.5 * rate)) / rate
    per_second = 3 / 1.75
    frames = [observed([standing(0.1 + per_second * 0.5 / RATIO * second)]) for second in seconds]
    still = [np.array([0, 0, 1 / rate if at else 0]) for at in range(len(frames))]
    assert [p[0] for p in paces(frames, still)] == pytest.approx([per_second] * len(frames), rel=1e-3)
    moving = speeds([0] * len(frames), frames, still)
    assert [m[0] for m in moving] == pytest.approx([per_second] * len(frames), rel=1e-3)


def tenths(frames: int, x: float = 0.0, y: float = 0.0) -> list[F64]:
    """So many frames of a hall that moves so far from each to the next, a tenth of a second apart."""
    return [np.array([x, y, 0.1])] * frames


def walk(
    places: Sequence[Sequence[float | None]], jersey_colours: Sequence[tuple[float, float, float]], **more: float
) -> list[Observation]:
    """Frames with people at `places` (of each person, frame by frame; None is missed), in the order of chance."""
    frames = []
    for at, now in enumerate(zip(*places, strict=True)):
        here = [(x, i) for i, x in enumerate(now) if x is not None]
        if at % 2:
            here.reverse()
        frames.append(
            observed([standing(x, **more) for x, _ in here], jersey_colour=[jersey_colours[i] for _, i in here])
        )
    return frames


def follow(frames: Sequence[Observation], worth: Sequence[F64], shifts: Sequence[F64]) -> list[int | None]:
    return rows_of(paths(frames, worth, shifts), len(frames))


def places_of(rows: Sequence[int | None], frames: Sequence[Observation]) -> list[float | None]:
    return [
        None if row is None else round(float(frame.people[row, 0] + frame.people[row, 2]) / 2, 3)
        for row, frame in zip(rows, frames, strict=True)
    ]


def worths(frames: Sequence[Observation], best: Sequence[float], shy: float = 0.7) -> list[F64]:
    """1 for whoever stands where the subject does, `shy` for others."""
    return [
        np.where(np.abs((f.people[:, 0] + f.people[:, 2]) / 2 - x) < 1e-3, 1.0, shy).astype(np.float64)
        for f, x in zip(frames, best, strict=True)
    ]


STILL = tenths(12)
ONE = [0.30, 0.36, 0.42, 0.48, 0.54, 0.60, 0.66]
OTHER = [0.66, 0.60, 0.54, 0.48, 0.42, 0.36, 0.30]


@pytest.mark.parametrize("preferred", [0, 1])
def test_who_crosses_another_stays_the_same(preferred: int) -> None:
    """Two of as much worth, one a little more; where they meet, worth says nothing and kit and movement decide."""
    paths = ([x + 0.003 for x in ONE], OTHER)
    frames = walk(paths, (RED, WHITE))
    rows = follow(frames, worths(frames, paths[preferred], shy=0.9), STILL)
    assert places_of(rows, frames) == [round(x, 3) for x in paths[preferred]]


def test_worth_that_changes_in_one_frame_does_not_change_the_subject() -> None:
    paths = ([0.4] * 7, [0.6] * 7)
    frames = walk(paths, (RED, WHITE))
    worth = worths(frames, [0.4, 0.4, 0.6, 0.4, 0.6, 0.4, 0.4], shy=0.6)
    assert places_of(follow(frames, worth, STILL), frames) == [0.4] * 7


def test_who_is_hidden_for_some_frames_comes_back() -> None:
    """Two frames without the subject, in which another player is well seen."""
    here = [0.30, 0.34, 0.38, None, None, 0.50, 0.54, 0.58]
    frames = walk((here, [0.8] * 8), (RED, WHITE))
    found = places_of(follow(frames, worths(frames, [x or 0 for x in here], shy=0.4), STILL), frames)
    assert found == here


def test_two_halves_that_do_not_belong_together_each_have_their_subject() -> None:
    """A gap longer than the skip: whoever comes after is a path of its own."""
    gap = [None] * (LINKING.skip + 1)
    frames = walk(([0.2, 0.2, 0.2, *gap, 0.8, 0.8],), (RED,))
    found = places_of(follow(frames, [np.ones(len(f.people)) for f in frames], STILL), frames)
    assert found == [0.2, 0.2, 0.2, *gap, 0.8, 0.8]


def test_nobody_and_nothing_of_worth() -> None:
    assert follow([], [], []) == []
    frames = walk(([None, 0.4, 0.4],), (RED,))
    assert follow(frames, [np.zeros(len(f.people)) for f in frames], STILL[:3]) == [None] * 3
    assert follow(frames, [np.ones(len(f.people)) for f in frames], STILL[:3]) == [None, 0, 0]


def test_the_camera_that_follows_keeps_its_player() -> None:
    """The hall moves under a player who stays in the middle; a spectator moves with the hall past him."""
    shift = tenths(7, -0.05)
    spectator = [0.65 - 0.05 * i for i in range(7)]
    frames = walk(([0.5] * 7, spectator), (RED, GREY))
    rows = follow(frames, [np.ones(len(f.people)) for f in frames], shift)
    assert places_of(rows, frames) == [0.5] * 7
    moving = speeds(rows, frames, shift)
    expected = 10 * 0.05 * RATIO / 0.5  # in own heights a second, to the right against the hall
    assert [m[0] for m in moving] == pytest.approx([expected] * 7, rel=1e-4)


def test_speed_is_told_over_a_gap_and_not_over_a_long_one() -> None:
    frames = walk(([0.30, 0.34, None, 0.42, 0.46],), (RED,))
    rows = follow(frames, [np.ones(len(f.people)) for f in frames], STILL)
    expected = 10 * 0.04 * RATIO / 0.5
    assert [m[0] for m in speeds(rows, frames, STILL)] == pytest.approx(
        [expected, expected, 0, expected, expected], abs=1e-4
    )
    far = walk(([0.3, *[None] * 9, 0.4],), (RED,))
    assert all(not m.any() for m in speeds([0, *[None] * 9, 0], far, STILL[:11]))


def test_many_random_bursts_hold_their_player() -> None:
    """Five players run about at random and are missed now and then; the one worth most is followed in all frames."""
    right = total = 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        start, speed = rng.uniform(0.2, 0.8, 5), rng.uniform(-0.03, 0.03, 5)
        jersey_colours = [RED, WHITE, WHITE, RED, WHITE]
        frames, best = [], []
        for at in range(9):
            x = start + speed * at + rng.normal(0, 0.004, 5)
            here = [i for i in rng.permutation(5) if i == 0 or rng.uniform() > 0.15]
            people = [standing(x[i], tall=0.5 + 0.02 * i, sure=0.8) for i in here]
            frames.append(observed(people, jersey_colour=[jersey_colours[i] for i in here]))
            best.append(here.index(0))
        worth = [np.where(np.arange(len(f.people)) == b, 1.0, 0.7) for f, b in zip(frames, best, strict=True)]
        rows = follow(frames, worth, STILL)
        right += sum(row == b for row, b in zip(rows, best, strict=True))
        total += len(best)
    assert right >= 0.98 * total


def test_a_spectator_whom_the_camera_leaves_behind_is_found_where_the_hall_moved() -> None:
    """The hall moves by a fifth of the picture, so that boxes do not overlap; who stands in it costs standing still."""
    turn = tenths(1, -0.2)
    before, there, elsewhere = (observed([standing(x)]) for x in (0.6, 0.4, 0.2))
    assert _links(before, there, turn)[0, 0] == pytest.approx(LINKING.still, abs=1e-5)
    assert np.isinf(_links(before, there, tenths(1))[0, 0])
    assert np.isinf(_links(before, elsewhere, turn)[0, 0])
    # Who stays in the picture moves against the hall, fast, and costs nothing.
    assert _links(before, before, turn)[0, 0] == pytest.approx(0.0, abs=1e-5)


def test_a_pace_is_against_the_hall_and_not_known_of_one_frame() -> None:
    """The camera turns by 0.02 of the frame; one stands in the hall, one keeps in the frame, one is seen once."""
    shifts = tenths(5, 0.02)
    frames = [
        observed([standing(0.3 + 0.02 * n), standing(0.6), *([standing(0.9)] if n == 2 else [])]) for n in range(5)
    ]
    still, runs, once = paces(frames, shifts)[2]
    assert still == pytest.approx(0, abs=1e-5)
    assert runs == pytest.approx(10 * 0.02 * RATIO / 0.5, rel=1e-4)
    assert np.isnan(once) or once > 1
    assert np.isnan(paces(frames[:1], shifts[:1])[0]).all()


def test_a_box_that_loses_its_legs_or_grows_both_ways_has_not_moved_down() -> None:
    """Against a hall that moved by (0.02, 0.01): the legs hidden; arms up and legs out; a step down; a step aside."""
    first = np.array([(0.4, 0.3, 0.5, 0.8)] * 4)
    by = np.array([(0, 0.01, 0, -0.2), (0, -0.1, 0, 0.1), (0, 0.1, 0, 0.15), (0.05, 0, 0.07, 0)])
    hall = np.array([0.02, 0.01])
    moved = _moved(first, first + by + np.tile(hall, 2), hall)
    assert moved == pytest.approx(np.array([(0, 0), (0, 0), (0, 0.1), (0.06, 0)]))
