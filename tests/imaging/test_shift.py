"""Where the hall moves from picture to picture, behind people who move for themselves."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.imaging.bursts.shift import RULES, shifts
from tests.people.rules import Scenario, guards
from tests.people.test_tracking import hall, view

HEIGHT, WIDTH = 107, 160
NOBODY = np.zeros((0, 4))


def pixels(found: np.ndarray) -> np.ndarray:
    """A shift in fractions, in pixels."""
    return found * (WIDTH, HEIGHT)


def test_nobody_is_taken_for_the_hall() -> None:
    """Two who fill most of the frame stand where they stood, since the camera follows them; the hall behind them, of a
    tenth of their contrast, moves by six and two pixels."""
    boxes = np.array([[0.1, 0.1, 0.48, 0.95], [0.52, 0.2, 0.9, 1.0]])
    shirts = np.kron(np.random.default_rng(3).choice([20, 230], (36, 54)), np.ones((3, 3)))[:HEIGHT, :WIDTH]
    pictures = []
    for at in range(4):
        picture = 120 + (view(hall(), 100 - 6 * at, 90 - 2 * at).astype(np.float64) - 120) / 10
        for x0, y0, x1, y1 in boxes * np.array([WIDTH, HEIGHT] * 2):
            part = np.s_[round(y0) : round(y1), round(x0) : round(x1)]
            picture[part] = shirts[part]
        pictures.append(picture.astype(np.uint8))
    for found in shifts(pictures, [boxes] * 4):
        assert pixels(found) == pytest.approx((6, 2), abs=0.7)


def test_along_the_one_line_of_an_empty_floor_nothing_is_known() -> None:
    floor = np.full((HEIGHT, WIDTH), 120, np.uint8)
    floor[60:64] = 230
    assert np.isnan(shifts([floor, np.roll(floor, 3, axis=0)], [NOBODY] * 2)).all()


def test_the_turns_beside_it_tell_which_of_two_like_shifts_is_the_camera() -> None:
    """A stand whose rows repeat after ten pixels: a shift by four down and one by six up look alike, but for marks that
    two of the pictures do not show."""
    rows = np.tile(np.repeat([90, 150], 5), 40)[:, None] * np.ones((1, 300))
    wall = rows + 30 * np.kron(np.random.default_rng(5).standard_normal((1, 60)), np.ones((400, 5)))
    marks = hall() - 120
    pictures = []
    for at in range(6):
        shown = wall[100 - 4 * at : 100 - 4 * at + HEIGHT, 20 : 20 + WIDTH].copy()
        if at not in (2, 3):
            shown += 0.6 * marks[100 - 4 * at : 100 - 4 * at + HEIGHT, 20 : 20 + WIDTH]
        pictures.append(np.clip(shown, 0, 255).astype(np.uint8))
    found = [pixels(one) for one in shifts(pictures, [NOBODY] * 6)]
    assert np.array(found) == pytest.approx(np.tile((0, 4), (5, 1)), abs=0.5)


def test_pictures_of_another_size_are_not_compared() -> None:
    wall = hall()
    pictures = [view(wall, 100, 90), view(wall, 97, 90), view(wall, 94, 90)[:80], view(wall, 91, 90)[:80]]
    first, other, last = shifts(pictures, [NOBODY] * 4)
    assert pixels(first) == pytest.approx((3, 0), abs=0.5) and np.isnan(other).all()
    assert last * (WIDTH, 80) == pytest.approx((3, 0), abs=0.5)
    assert shifts(pictures[:1], [NOBODY]) == shifts([], []) == []


def compared(high: int) -> bool:
    """Whether a shift is found in pictures of this shorter side."""
    pictures = [view(hall(), 100 - 3 * at, 90)[:high] for at in range(2)]
    return bool(np.isfinite(shifts(pictures, [NOBODY] * 2)).all())


# A tenth more or less moves none of 71 shifts of real bursts (every second one of tests.closer) by more than 0.01, and
# more than two of them by 0.001; at most one is not known then.
FLAT = dict.fromkeys(
    ("coarse", "fine", "around", "strong", "farthest", "proposals", "apart", "uphill", "seen", "alike", "phase",
     "clear", "even", "most", "rival", "lead", "ring", "falls"),
    "one of 71 shifts at most",
)  # fmt: skip
SCENARIOS: dict[str, Scenario] = {"RULES.fewest": lambda: compared(16) and not compared(15)}
test_a_tenth_more_or_less_changes_what_is_compared, test_every_number_is_guarded = guards(
    {"RULES": RULES}, SCENARIOS, {f"RULES.{name}": why for name, why in FLAT.items()}
)
