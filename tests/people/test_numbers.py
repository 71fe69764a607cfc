"""Shirt numbers as suggestions: what must agree before one is offered, and how often that is right.

`python -m tests.people.test_numbers FOLDER...` measures shoots of the generator (FOLDER/shoot, FOLDER/shoot-truth).
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

import cv2
import numpy as np
import pytest

from pipeline.engine.jobs import Shoot, read_shoot
from pipeline.engine.measure import Measurements
from pipeline.engine.run import measure_shoot
from pipeline.engine.tables import jersey_suggestions
from pipeline.imaging.geometry import Box
from pipeline.people.detect import overlap
from pipeline.people.numbers import digits as imaging_numbers
from pipeline.people.numbers.digits import Reading, available, read_numbers
from pipeline.people.numbers.jersey_numbers import (
    Agreed,
    agree,
    find_tracks,
    own_reading,
    teams_of,
    unpublished,
    wording,
)
from pipeline.people.tracking import Observation
from pipeline.shoot.facts import Facts, Player
from pipeline.steps import crop
from pipeline.store.store import Store
from pipeline.workers.executors import worker_setup
from pipeline.workers.processes import Processes
from tests.engine.tables.test_caption_sheet import evencourt, rows_of, shoot_of

reads = pytest.mark.skipif(bool(available()), reason="the extra numbers is not installed")


def reading(digits: str, sure: float = 0.99, box: tuple[float, ...] = (0.45, 0.35, 0.55, 0.45)) -> Reading:
    x0, y0, x1, y1 = box
    return Reading(digits, sure, Box(x0, y0, x1, y1))


GREY = np.full(3, 120.0)


# ---- what agrees -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "number"),
    [
        (["7", "7", "7", None, None, "7"], "7"),
        (["7", "7", None, None, None, None], "7"),
        (["7", None, None], None),  # one frame is no agreement
        (["7"], None),
        ([None, None], None),
        ([], None),
        (["7", "7", "1", "1"], None),
        (["7", "7", "7", "1"], None),  # three of four is not enough
        (["7", "7", "7", "7", "7", "1"], "7"),
        (["7", "7", None, None, None, None, None, None], None),  # two of eight frames
        (["12", "1", "1", "1", "1", "12", "1", "1", "1", "1", "1", "1"], None),  # a 12 that is half turned away
    ],
)
def test_a_number_counts_where_frames_agree(said: list[str | None], number: str | None) -> None:
    result = agree([None if digits is None else reading(digits) for digits in said], GREY)
    assert (result.number if result else None) == number


def test_unsure_readings_do_not_count() -> None:
    assert agree([reading("7", 0.7)] * 6, GREY) is None
    result = agree([reading("7", 0.95), reading("7", 0.85), None], GREY)
    assert result == Agreed("7", pytest.approx(0.9), 2, 3, GREY)


def test_a_number_is_that_of_whose_shirt_it_stands_on() -> None:
    people = np.array([[0.3, 0.2, 0.7, 0.9, 0.9], [0.55, 0.25, 0.75, 0.7, 0.9]], np.float32)
    own, others = reading("7", box=(0.46, 0.36, 0.52, 0.46)), reading("3", box=(0.62, 0.36, 0.68, 0.46))
    assert own_reading(0, people, [others]) is None
    assert own_reading(0, people, [others, own]) == own
    assert own_reading(1, people, [others, own]) == others
    # of two who cover each other, the one before: his feet are lower
    same = np.array([[0.3, 0.2, 0.7, 0.9, 0.9], [0.32, 0.25, 0.72, 0.7, 0.9]], np.float32)
    assert own_reading(0, same, [own]) == own and own_reading(1, same, [own]) is None
    # a shoe's print and a banner's are no jersey numbers
    assert own_reading(0, people, [reading("7", box=(0.46, 0.80, 0.52, 0.88))]) is None
    assert own_reading(0, people, [reading("7", box=(0.31, 0.2, 0.69, 0.6))]) is None


def test_a_box_round_two_people_owns_nothing() -> None:
    people = np.array([[0.3, 0.2, 0.5, 0.9, 0.9], [0.3, 0.15, 0.7, 0.9, 0.5]], np.float32)
    own = reading("7", box=(0.40, 0.36, 0.46, 0.46))
    assert own_reading(0, people, [own]) == own and own_reading(1, people, [own]) is None
    people[1, 4] = 0.8  # somebody nearer to the camera is as sure
    assert own_reading(0, people, [own]) == own
    assert own_reading(1, people, [reading("7", box=(0.47, 0.36, 0.53, 0.46))]) is not None


def test_a_box_round_two_people_takes_no_number_from_one_of_them() -> None:
    """The number is nearer to the middle of the box round both, whose feet are lower, and still the one person's."""
    people = np.array([[0.3, 0.2, 0.5, 0.9, 0.9], [0.3, 0.15, 0.7, 0.95, 0.5]], np.float32)
    own = reading("7", box=(0.42, 0.36, 0.46, 0.46))
    assert own_reading(0, people, [own]) == own and own_reading(1, people, [own]) is None


def frame_of(boxes: list[tuple[float, float, float, float]], sharp: list[float]) -> Observation:
    people = np.array([[*box, 0.9] for box in boxes], np.float32).reshape(-1, 5)
    jersey_colour = np.full((len(boxes), 3), 120, np.float32)
    nothing = np.zeros((0, 9), np.float32)
    return Observation(
        people, people, np.array(sharp, np.float32), jersey_colour, nothing, nothing[:, :5], nothing[:, :5],
        np.full((40, 60), 90, np.uint8), (1000, 1500), np.ones((len(boxes), 2), np.float32), 500,
    )  # fmt: skip


def test_who_is_blurred_or_small_is_not_read() -> None:
    a, b, small = (0.2, 0.2, 0.4, 0.8), (0.6, 0.2, 0.8, 0.8), (0.45, 0.4, 0.5, 0.55)
    sharp = find_tracks([frame_of([a, b, small], [0.1, 0.03, 0.2])] * 4)
    assert [dict(track.rows) for track in sharp] == [{0: 0, 1: 0, 2: 0, 3: 0}]
    assert find_tracks([frame_of([a], [0.02])] * 4) == []  # all of the burst is blurred
    assert find_tracks([frame_of([a], [0.1])]) == []  # one frame is no burst
    assert find_tracks([frame_of([], [])] * 3) == []
    assert len(find_tracks([frame_of([a, b], [0.1, 0.09])] * 4)) == 2


def test_the_sharpest_frames_are_read() -> None:
    sharp = [0.12, 0.095, 0.13, 0.09, 0.125, 0.135, 0.115, 0.11, 0.14, 0.105, 0.145, 0.1]
    (track,) = find_tracks([frame_of([(0.2, 0.1, 0.4, 0.9)], [value]) for value in sharp])
    assert [sharp[at] for at in track.read] == [value for value in sharp if value >= 0.11]


# ---- whose it is -------------------------------------------------------------------------------------------

ROSTER = (
    Player("home", "7", "Ingrid Solbakken"), Player("home", "11", "Marit Eikeland"),
    Player("home", "4", "Tuva Rønning", publish=False), Player("away", "12", "Zofia Kłosowska"),
    Player("away", "7", "Elif Yıldız"),
)  # fmt: skip
WHITE, RED = np.array([200.0, 200, 200]), np.array([40.0, 40, 180])


def numbers_of(*pairs: tuple[str, np.ndarray]) -> list[Agreed]:
    return [Agreed(number, 0.99, 4, 6, jersey_colour) for number, jersey_colour in pairs]


def test_a_team_is_named_where_one_roster_has_the_number() -> None:
    facts = Facts(roster=ROSTER)
    found = numbers_of(("11", WHITE), ("12", RED), ("7", WHITE), ("99", RED))
    assert teams_of(found, facts) == [("home",), ("away",), ("home", "away"), ()]
    assert teams_of([], facts) == []


def test_a_kit_that_is_known_tells_the_team() -> None:
    facts = Facts(roster=ROSTER)
    found = numbers_of(("11", WHITE), ("4", WHITE), ("11", WHITE + 5), ("7", WHITE), ("12", RED), ("7", RED))
    sides = teams_of(found, facts)
    assert sides[3] == ("home",)
    assert sides[5] == ("home", "away")  # two of a jersey colour are not enough to know it


def test_a_visitor_is_not_taken_for_the_home_player_of_his_number() -> None:
    facts = Facts(roster=tuple(p for p in ROSTER if p.team == "home"))  # nobody has typed the visitors
    found = numbers_of(("11", WHITE), ("4", WHITE), ("7", WHITE), ("7", RED), ("13", RED), ("22", RED), ("9", RED))
    assert teams_of(found, facts) == [("home",), ("home",), ("home",), (), (), (), ()]


def test_a_suggestion_in_words() -> None:
    facts = Facts(roster=ROSTER)
    assert wording(Agreed("7", 0.934, 5, 6, GREY), ("home",), facts) == "home 7 (0.93, 5 of 6 frames)"
    assert wording(Agreed("7", 0.999, 2, 6, GREY), ("home", "away"), facts) == "home 7 or away 7 (0.99, 2 of 6 frames)"
    assert wording(Agreed("4", 0.9, 2, 6, GREY), ("home",), facts) == "home 4 (0.90, 2 of 6 frames; publish: no)"
    assert [unpublished(Agreed(n, 0.9, 2, 6, GREY), ("home",), facts) for n in ("7", "4")] == [False, True]


# ---- reading -----------------------------------------------------------------------------------------------


def shirt(number: str, blur: int = 0) -> np.ndarray:
    """A white torso on a dark ground with a number, drawn by OpenCV; `blur`: pixels of motion across."""
    picture = np.full((320, 300, 3), 60, np.uint8)
    cv2.rectangle(picture, (60, 10), (240, 320), (225, 225, 225), -1)
    (wide, tall), _ = cv2.getTextSize(number, cv2.FONT_HERSHEY_SIMPLEX, 3.4, 12)
    cv2.putText(
        picture,
        number,
        (150 - wide // 2, 140 + tall // 2),
        cv2.FONT_HERSHEY_SIMPLEX,
        3.4,
        (90, 30, 20),
        12,
        cv2.LINE_AA,
    )
    return cv2.blur(picture, (blur, 1)) if blur else picture


@reads
def test_printed_numbers_are_read() -> None:
    read = {number: read_numbers(shirt(number)) for number in ("4", "7", "9", "12", "23", "58")}
    right = [number for number, found in read.items() if [r.digits for r in found] == [number]]
    assert len(right) >= 5, read
    for number in right:
        (one,) = read[number]
        x0, y0, x1, y1 = one.box
        assert one.sure > 0.8 and 0.2 < x0 < 0.5 < x1 < 0.8 and 0.2 < y0 < y1 < 0.7


@reads
def test_what_is_no_number_is_not_read() -> None:
    assert read_numbers(shirt("")) == []
    assert read_numbers(shirt("AB")) == []
    rng = np.random.default_rng(1)
    assert read_numbers(rng.integers(0, 255, (200, 160, 3)).astype(np.uint8)) == []


def test_without_the_extra_the_table_is_written_all_the_same(
    shared: Callable[[str], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(imaging_numbers, "find_spec", lambda name: None)
    models = shared("models")
    shoot, out = shoot_of(tmp_path / "shoot"), tmp_path / "frames.csv"
    options = ("--out", out, "--workers", 1, "--separator", "comma", "--models", models)
    status, _, output = evencourt(shoot, *options, "--numbers")
    assert status == 0 and "pip install 'evencourt[numbers]'" in output
    assert "suggested_players" not in rows_of(out)[0]
    assert "evencourt[numbers]" not in evencourt(shoot, *options)[2]


# ---- a shoot -----------------------------------------------------------------------------------------------


def drawn(burst: int) -> list[str]:
    """Side and number of the figures that the generator draws in a burst, in its order; see fixtures/match.py."""
    from pipeline.fixtures.hall import RED_JERSEY, WHITE_JERSEY
    from pipeline.fixtures.match import players

    sides = {"white": "home", "red": "away", "keeper": "keeper"}
    return [f"{sides[p.shirt]} {p.number}" for p in players(burst, 1, 0.1, (WHITE_JERSEY, RED_JERSEY))]


def measure(shoot: Shoot, truth: Mapping[str, dict], size: tuple[int, int], folder: Path) -> dict[str, int]:
    """Bursts with the main player or anybody suggested; suggestions, and those that are wrong: not the side and number
    of the figure that the read person's box is drawn over. Misread: the same of numbers that no roster has."""
    store = Store.open(folder, shoot.folder)
    with Processes(2, worker_setup) as workers:
        measured_frames = measure_shoot(store, shoot, workers, lambda phase, done, total: None)
        measured = Measurements(store, measured_frames, crop.STEP)
        found, notices = jersey_suggestions.read_people(shoot.frames, shoot.bursts, measured, workers)
    assert not notices
    counts = dict.fromkeys(("bursts", "main", "any", "suggestions", "wrong", "misread"), 0)
    said: dict[str, set[str]] = {}
    for (one, result), sides in zip(found, teams_of([result for _, result in found], shoot.facts), strict=True):
        whose = []
        for at, row in one.track.rows.items():
            frame = truth[one.names[at]]
            boxes = np.array(frame.get("people", [[0, 0, 0, 0]]), np.float64) / np.array([*size, *size])
            over = overlap(one.people[at][row, :4], boxes)
            whose.append(drawn(frame["burst"])[int(over.argmax())] if over.max() > 0.3 else "nobody")
        right = max(sorted(set(whose)), key=whose.count)
        if sides:
            counts["suggestions"] += 1
            counts["wrong"] += right not in [f"{side} {result.number}" for side in sides]
            said.setdefault(one.names[0], set()).update(f"{side} {result.number}" for side in sides)
        else:
            counts["misread"] += right.split()[-1] != result.number
    for burst in shoot.bursts:
        if len(burst.frames) > 1 and "burst" in truth[burst.frames[0]]:
            counts["bursts"] += 1
            counts["main"] += drawn(truth[burst.frames[0]]["burst"])[-1] in said.get(burst.frames[0], ())
            counts["any"] += burst.frames[0] in said
    return counts


@pytest.mark.long
@reads
def test_suggestions_of_a_generated_shoot_are_right(shared: Callable[[str], Path], tmp_path: Path) -> None:
    models = shared("models")
    from pipeline.fixtures.demo import write_demo
    from pipeline.fixtures.hall import LEFT, RIGHT, BurstPlan, Hall

    hall = Hall(
        LEFT, RIGHT, noise=1.0,
        bursts=(BurstPlan(-7.0, 6400, 1.0, 60.0, frames=4), BurstPlan(7.0, 3200, 0.85, 400.0, frames=3)),
    )  # fmt: skip
    write_demo(tmp_path / "shoot", hall=hall, width=1200, height=800)
    truth = json.loads((tmp_path / "shoot-truth" / "truth.json").read_text(encoding="utf-8"))
    shoot = read_shoot(tmp_path / "shoot", None, models)
    counts = measure(shoot, truth["frames"], truth["size"], tmp_path / "work")
    assert counts["wrong"] == 0 and counts["main"] >= 1 and counts["any"] == counts["bursts"] == 2
    # A number is offered for a person to confirm; nothing is named by it.
    out = tmp_path / "frames.csv"
    (tmp_path / "shoot" / "frames.csv").write_text("frame\n", encoding="utf-8")
    evencourt(tmp_path / "shoot", "--out", out, "--numbers", "--models", models, "--separator", "comma")
    rows = rows_of(out)
    assert any("away 9 (" in row["suggested_players"] for row in rows)
    assert not any(row["players"] for row in rows)
    assert not any(player.name in out.read_text(encoding="utf-8-sig") for player in shoot.facts.roster)


if __name__ == "__main__":
    import tempfile

    total: dict[str, int] = {}
    for place in map(Path, sys.argv[1:]):
        known = json.loads((place / "shoot-truth" / "truth.json").read_text(encoding="utf-8"))
        with tempfile.TemporaryDirectory() as scratch:
            one = measure(read_shoot(place / "shoot"), known["frames"], known["size"], Path(scratch))
        print(place.name, one)
        total = {name: total.get(name, 0) + count for name, count in one.items()}
    print("all", total)
