"""Every number that decides whose jersey number is suggested; see tests/people/rules."""

from __future__ import annotations

from types import SimpleNamespace
from unittest.mock import patch

import numpy as np

from pipeline.people.numbers import digits
from pipeline.people.numbers.digits import DIGITS, read_numbers
from pipeline.people.numbers.jersey_numbers import (
    AGREEMENT,
    READING,
    Agreed,
    agree,
    find_tracks,
    own_reading,
    teams_of,
    torso,
)
from pipeline.shoot.facts import Facts, Player
from tests.people.rules import Scenario, guards, near, turns
from tests.people.test_numbers import GREY, RED, ROSTER, WHITE, frame_of, numbers_of, reading

RULES = {"READING": READING, "AGREEMENT": AGREEMENT, "DIGITS": DIGITS}
FLAT = {
    "DIGITS.found": "handed to the network; what a tenth changes is not measured, and a person confirms every number",
    "DIGITS.dark": "as found",
}
PERSON = (0.3, 0.2, 0.7, 0.7, 0.9)  # 0.4 wide and 0.5 tall
TALL = (0.2, 0.1, 0.4, 0.9)


def owned(x: float, y: float = 0.3, tall: float = 0.1, sure: float = 0.99, *others: tuple[float, ...]) -> bool:
    """Whether a number with its middle at these shares of PERSON's box is read as that person's."""
    middle, centre = 0.3 + 0.4 * x, 0.2 + 0.5 * y
    one = reading("7", sure, (middle - 0.02, centre - 0.25 * tall, middle + 0.02, centre + 0.25 * tall))
    return own_reading(0, np.array([PERSON, *others], np.float32), [one]) is not None


def tracked(sharp: float, height: float = 0.6, beside: float | None = None) -> bool:
    """Whether somebody is read who is so sharp and tall, beside somebody else who is so sharp."""
    boxes, sharps = [(0.2, 0.2, 0.4, 0.2 + height)], [sharp]
    if beside is not None:
        boxes, sharps = [*boxes, (0.6, 0.2, 0.8, 0.8)], [*sharps, beside]
    return any(track.rows.get(0) == 0 for track in find_tracks([frame_of(boxes, sharps)] * 3))


def people_read(count: int) -> int:
    boxes = [(0.01 + 0.12 * n, 0.2, 0.11 + 0.12 * n, 0.8) for n in range(count)]
    return len(find_tracks([frame_of(boxes, [0.1] * count)] * 3))


def frames_read(count: int) -> int:
    (track,) = find_tracks([frame_of([TALL], [0.1])] * count)
    return len(track.read)


def single(sure: float, other: float, inside: float) -> bool:
    """Whether a box of this certainty counts as one person, with somebody so sure so much inside it."""
    frame = frame_of([(0.2, 0.2, 0.6, 0.8), (0.6 - 0.1 * inside, 0.5, 0.7 - 0.1 * inside, 0.78)], [0.1, 0.1])
    frame.people[:, 4] = sure, other
    return any(0 in track.rows.values() for track in find_tracks([frame] * 3))


def agreed(number: int, other: int, silent: int, sure: float = 0.95) -> bool:
    """Whether so many readings of a number, of another one, and frames without any, agree on the first."""
    said = [reading("7", sure)] * number + [reading("4", sure)] * other + [None] * silent
    found = agree(said, GREY)
    return found is not None and found.number == "7"


def sides(*pairs: tuple[str, np.ndarray]) -> tuple[str, ...]:
    """The sides of the first number, of people of these numbers and jersey colours."""
    return teams_of(numbers_of(*pairs), Facts(roster=ROSTER))[0]


def far(distance: float) -> tuple[str, ...]:
    """The sides of a 7 whose jersey differs by so much from those of two home players."""
    away = WHITE - np.array([distance, 0.0, 0.0])
    return sides(("7", away), ("11", WHITE), ("4", WHITE))


def of_share(known: int, others: int) -> bool:
    """Whether a 7 can be home, among people of its colour of whom so many are in that roster and so many in none."""
    return "home" in sides(("7", WHITE), *[("11", WHITE)] * (known - 1), *[("99", WHITE)] * others)


def clearer(home: int, both: int) -> bool:
    """Whether a 7 is surely home, among people of its colour, so many in the home roster only and so many in both."""
    roster = (Player("home", "7", "A"), Player("away", "7", "B"), Player("home", "11", "C"))
    found = [Agreed("7", 0.99, 4, 6, RED)] * both + [Agreed("11", 0.99, 4, 6, RED)] * home
    return teams_of(found, Facts(roster=roster))[0] == ("home",)


def sizes_read(text: str = "") -> list[tuple[int, int]]:
    """Sizes (height, width) in which text is looked for in a torso of 100 by 50 pixels; none is found."""
    asked: list[tuple[int, int]] = []

    def reader(picture: np.ndarray, **how: object) -> SimpleNamespace:
        asked.append(picture.shape[:2])
        return SimpleNamespace(boxes=None)

    with patch.object(digits, "_reader", lambda: reader):
        read_numbers(np.zeros((100, 50, 3), np.uint8))
    return asked


def narrowest() -> int:
    with (
        patch.object(digits, "_reader", lambda: lambda picture, **how: SimpleNamespace(boxes=None)),
        patch.object(digits.cv2, "resize", side_effect=digits.cv2.resize) as resize,
    ):
        read_numbers(np.zeros((100, 1, 3), np.uint8))
    return int(resize.call_args_list[0].args[1][0])


def parts_read(text: str = "7") -> list[tuple[int, int]]:
    """Sizes of the parts that are read, about a place 100 pixels tall and 50 wide; what is read is `text`."""
    asked: list[tuple[int, int]] = []

    def reader(picture: np.ndarray, use_det: bool, **how: object) -> SimpleNamespace:
        if use_det:
            return SimpleNamespace(boxes=np.array([[[50, 50], [100, 50], [100, 150], [50, 150]]], np.float64))
        asked.append(picture.shape[:2])
        return SimpleNamespace(txts=(text,), scores=(0.9,))

    with patch.object(digits, "_reader", lambda: reader):
        found = read_numbers(np.zeros((256, 256, 3), np.uint8))
    return asked if found else []


BEHIND = (0.3 + 0.4 * 0.35, 0.25, 0.7 + 0.4 * 0.35, 0.65, 0.9)  # as wide, with the middle 0.35 of the width aside
SCENARIOS: dict[str, Scenario] = {
    "READING.most_people": lambda: people_read(6) == 4,
    "READING.most_frames": lambda: frames_read(12) == 8,
    "READING.least_height": lambda: turns(lambda tall: tracked(0.1, tall), 0.2),
    "READING.least_sharpness": lambda: turns(tracked, 0.035),
    "READING.in_focus": lambda: turns(lambda sharp: tracked(sharp, beside=0.1), 0.06),
    "READING.left": lambda: near(torso(np.array(PERSON)).x0, 0.3 + 0.4 * 0.10, 0.005),
    "READING.top": lambda: turns(lambda y: owned(0.5, y), 0.08),
    "READING.right": lambda: near(torso(np.array(PERSON)).x1, 0.3 + 0.4 * 0.90, 0.005),
    "READING.bottom": lambda: turns(lambda y: not owned(0.5, y), 0.55),
    "READING.middle_left": lambda: turns(lambda x: owned(x), 0.20),
    "READING.middle_right": lambda: turns(lambda x: not owned(x), 0.80),
    # x is off PERSON's middle by x - 0.5 and off the other's, farther back, by 0.85 - x.
    "READING.beside": lambda: turns(lambda away: not owned(0.675 + away / 2, 0.3, 0.1, 0.99, BEHIND), 0.1),
    "READING.lowest": lambda: turns(lambda tall: owned(0.5, 0.3, tall), 0.04),
    "READING.tallest": lambda: turns(lambda tall: not owned(0.5, 0.3, tall), 0.30),
    "READING.read": lambda: turns(lambda sure: owned(0.5, sure=sure), 0.6),
    "READING.unsure": lambda: turns(lambda sure: single(sure, 0.95, 1.0), 0.6),
    "READING.surer": lambda: turns(lambda more: not single(0.5, 0.5 + more, 1.0), 0.15),
    "READING.inside": lambda: turns(lambda inside: not single(0.5, 0.9, inside), 0.75),
    "AGREEMENT.certainty": lambda: turns(lambda sure: agreed(3, 0, 0, sure), 0.8),
    "AGREEMENT.frames": lambda: agreed(2, 0, 0) and not agreed(1, 0, 0),
    "AGREEMENT.share": lambda: agreed(4, 0, 9) and not agreed(2, 0, 5),  # 0.31 and 0.29
    "AGREEMENT.agree": lambda: agreed(9, 2, 0) and not agreed(7, 2, 0),  # 0.82 and 0.78
    "AGREEMENT.same_jersey": lambda: turns(lambda away: far(away) == ("home", "away"), 28.0),
    "AGREEMENT.known": lambda: (
        sides(("7", WHITE), ("11", WHITE), ("4", WHITE)) == ("home",)
        and sides(("7", WHITE), ("11", WHITE)) == ("home", "away")
    ),
    "AGREEMENT.in_roster": lambda: of_share(10, 10) and of_share(10, 9) and not of_share(10, 11),  # 0.50, 0.53, 0.48
    "AGREEMENT.clearly": lambda: clearer(10, 10) and clearer(11, 10) and not clearer(10, 11),
    "DIGITS.edge": lambda: sizes_read()[0] == (256, 128),
    "DIGITS.larger_edge": lambda: sizes_read()[1] == (512, 256),
    "DIGITS.smallest": lambda: narrowest() == 16,
    # Tenths of the height beside and 2 % above; a quarter and a tenth; the last pixel counts.
    "DIGITS.room": lambda: parts_read() == [(105, 71), (121, 101)],
    "DIGITS.most": lambda: bool(parts_read("58")) and not parts_read("158"),
}  # fmt: skip


test_a_tenth_more_or_less_changes_what_is_suggested, test_every_number_is_guarded = guards(RULES, SCENARIOS, FLAT)
