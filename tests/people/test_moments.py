"""Which frames are near-duplicates: of real rallies, of drawn halls, and every number; see tests/people/rules."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from pipeline.imaging.geometry import Box
from pipeline.people.moments import LIKENESS, Look, better_ones, look_of
from tests.people.rules import Scenario, guards, turns
from tests.people.test_tracking import hall, view

SUBJECT = Box(0.4, 0.2, 0.6, 0.8)


def with_player(small: np.ndarray, seed: int) -> np.ndarray:
    """A figure of blocks, alike for one seed, in SUBJECT's place."""
    blocks = np.random.default_rng(seed).uniform(0, 255, (8, 4))
    figure = cv2.resize(blocks.astype(np.float32), (32, 64), interpolation=cv2.INTER_NEAREST)
    out = small.copy()
    out[21:85, 64:96] = figure.astype(np.uint8)
    return out


def alike(one: np.ndarray, other: np.ndarray, boxes: tuple[Box | None, Box | None] = (None, None)) -> bool:
    looks = {"a": look_of(one, boxes[0]), "b": look_of(other, boxes[1])}
    return bool(better_ones([["a"], ["b"]], looks, {"a": 2.0, "b": 1.0}))


def test_real_rallies(shared: Callable[[str], Path]) -> None:
    """0.04 s apart: the same; 0.36 s apart, or another rally in that hall: not."""
    small = {}
    for path in sorted(shared("data/court").glob("*.jpg")):
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        small[path.stem] = np.asarray(cv2.resize(grey, (160, 90), interpolation=cv2.INTER_AREA))
    assert alike(small["a_29880"], small["a_29881"])
    assert not alike(small["a_29880"], small["a_29889"])
    assert not any(alike(small["b_29905"], one) for name, one in small.items() if name[0] == "a")


def test_flicker_noise_and_a_small_step_make_no_other_moment_but_another_place_does() -> None:
    wall = hall()
    base = view(wall, 100, 90)
    assert alike(base, view(wall, 100, 90, gain=0.6, noise=6))
    assert alike(base, view(wall, 101, 90))
    assert not alike(base, view(wall, 140, 90)) and not alike(base, view(hall(2), 100, 90))
    assert not alike(base, np.ascontiguousarray(base.T))
    look = look_of(base, None)
    upright = replace(look, wide=False)  # an upright picture is another, whatever its cells are like
    assert not better_ones([["a"], ["b"]], {"a": look, "b": upright}, {"a": 2.0, "b": 1.0})


def test_another_player_or_pose_before_the_same_wall_is_another_moment() -> None:
    base = view(hall(), 100, 90)
    one, same, other = with_player(base, 1), with_player(view(hall(), 100, 90, noise=4), 1), with_player(base, 2)
    here = (SUBJECT, SUBJECT)
    assert alike(one, same, here) and not alike(one, other, here)
    assert not alike(one, same, (SUBJECT, None))


def test_where_one_figure_is_just_too_small_to_compare_the_hall_decides() -> None:
    """A pixel of a box's width must not make two moments of one; figures of other heights are two, but not in one
    burst, which follows one player: there a height is the detector's."""
    here, narrow, low = Box(0.4, 0.2, 0.5, 0.55), Box(0.4, 0.2, 0.44, 0.55), Box(0.4, 0.2, 0.44, 0.3)
    base = view(hall(), 100, 90)
    persons = [look_of(base, box).person is not None for box in (here, narrow, low)]
    assert persons == [True, False, False]
    assert alike(base, base, (here, narrow)) and not alike(base, base, (here, low))
    looks = {"a": look_of(base, here), "b": look_of(base, low)}
    assert better_ones([["a", "b"]], looks, {"a": 1.0, "b": 0.0}) == {"b": "a"}


def test_the_best_stands_for_its_moment_whatever_the_order() -> None:
    look, far = look_of(view(hall(), 100, 90), None), look_of(view(hall(3), 20, 20), None)
    looks = {"a": look, "b": look, "c": far, "d": look}
    points = {"a": 1.0, "b": 3.0, "c": 2.0, "d": 3.0}
    found = better_ones([["a", "b"], ["c"], ["d"]], looks, points)
    assert found == {"a": "b", "d": "b"}  # of equals the earlier
    assert better_ones([["a", "b"], ["c"], ["d"]], dict(reversed(looks.items())), points) == found


def vectors(correlation: float, person: float | None = 1.0, taller: float = 1.0, together: bool = False) -> bool:
    """Whether two looks, of one burst or of two, are near-duplicates that correlate by so much."""

    def unit(of: float, size: int) -> np.ndarray:
        values = np.zeros(size, np.float32)
        values[:2] = of, np.sqrt(1 - of**2)
        return values.astype(np.float16)

    one = Look(unit(1.0, 600), None if person is None else unit(1.0, 160), 0.4, True)
    other = Look(unit(correlation, 600), None if person is None else unit(person, 160), 0.4 * taller, True)
    bursts = [["a", "b"]] if together else [["a"], ["b"]]
    return bool(better_ones(bursts, {"a": one, "b": other}, {"a": 1.0, "b": 0.0}))


def reaches(bursts: int) -> bool:
    """Whether a moment is found again so many bursts later."""
    look = look_of(view(hall(), 100, 90), None)
    far = [look_of(view(hall(3 + i), 20, 20), None) for i in range(bursts)]
    looks = {"a": look, **{f"f{i}": one for i, one in enumerate(far[1:])}, "z": look}
    return "z" in better_ones([[name] for name in looks], looks, dict.fromkeys(looks, 1.0))


def person_values() -> np.ndarray | None:
    return look_of(with_player(view(hall(), 100, 90), 1), SUBJECT).person


def wide_enough(pixels: float) -> bool:
    """Whether a subject of so many pixels' width, its room among them, is compared."""
    room = 0.1 * 0.5 * 107
    box = Box((60 + room) / 160, 0.3, (60 + pixels - room) / 160, 0.8)
    return look_of(view(hall(), 100, 90), box).person is not None


def test_in_one_burst_the_camera_may_follow_who_looks_the_same() -> None:
    """The hall passes by behind somebody in the same pose: one moment, but in another burst it is another."""
    assert vectors(0.1, 0.95, together=True) and not vectors(0.1, 0.95)
    assert not vectors(0.99, 0.8, together=True)  # another pose


def test_a_rally_of_ten_is_one_moment(shared: Callable[[str], Path]) -> None:
    """Its players are too small to compare, and the camera follows: 0.36 s, of which an editor takes one."""
    looks = {}
    for path in sorted(shared("data/court").glob("a_*.jpg")):
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        looks[path.stem] = look_of(np.asarray(cv2.resize(grey, (160, 90), interpolation=cv2.INTER_AREA)), None)
    assert len(looks) == 10
    for best in looks:
        found = better_ones([list(looks)], looks, {name: float(name == best) for name in looks})
        assert set(found.values()) == {best} and len(found) == 9


def test_a_rally_over_three_bursts_is_one_moment_and_another_rally_is_not(shared: Callable[[str], Path]) -> None:
    """Somebody of a quarter of the frame's height is found in some of its frames: too small for a pose to count."""
    looks = {}
    for at, path in enumerate(sorted(shared("data/court").glob("*.jpg"))):
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        box = Box(0.55, 0.3, 0.65, 0.55) if at % 3 else None
        looks[path.stem] = look_of(np.asarray(cv2.resize(grey, (160, 90), interpolation=cv2.INTER_AREA)), box)
    names = list(looks)
    found = better_ones(
        [names[:5], names[5:9], names[9:10], names[10:]], looks, {n: -float(i) for i, n in enumerate(names)}
    )
    assert found == dict.fromkeys(names[1:10], names[0])


def hall_values() -> np.ndarray:
    return look_of(view(hall(), 100, 90), None).hall.astype(np.float32)


_HALL, _PERSON = hall_values(), person_values()
SCENARIOS: dict[str, Scenario] = {
    "LIKENESS.hall": lambda: turns(vectors, 0.95),
    "LIKENESS.followed": lambda: turns(lambda value: vectors(value, None, together=True), 0.8),
    "LIKENESS.person": lambda: turns(lambda value: vectors(1.0, value), 0.9),
    "LIKENESS.taller": lambda: turns(lambda value: not vectors(1.0, 1.0, value), 1.3),
    "LIKENESS.near": lambda: reaches(3) and not reaches(4),
    "LIKENESS.fine": lambda: bool(np.array_equal(hall_values(), _HALL)),
    "LIKENESS.coarse": lambda: bool(np.array_equal(hall_values(), _HALL)),
    "LIKENESS.room": lambda: bool(np.array_equal(person_values(), _PERSON)),
    "LIKENESS.tall": lambda: turns(
        lambda tall: look_of(view(hall(), 100, 90), Box(0.4, 0.2, 0.6, 0.2 + tall)).person is not None, 0.3
    ),
    "LIKENESS.least": lambda: wide_enough(15) and not wide_enough(14),
}


test_a_tenth_more_or_less_changes_what_is_alike, test_every_number = guards({"LIKENESS": LIKENESS}, SCENARIOS)
