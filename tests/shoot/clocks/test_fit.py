"""Whether clocks fit, and what is proposed: every gap and offset is worked out by hand.

Exif 2.32 (CIPA DC-008): OffsetTimeOriginal (tag 36881) is the camera's time zone; GPSDateStamp and GPSTimeStamp (GPS
tags 29 and 7) are UTC.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from pipeline.shoot.clocks.bodies import bodies
from pipeline.shoot.clocks.correction import with_clocks
from pipeline.shoot.clocks.entries import Clock
from pipeline.shoot.clocks.fit import clock_notes, duration
from pipeline.shoot.scan import scan
from pipeline.types import Frame
from tests.shoot.clocks.made import EVENING, frame
from tests.shoot.clocks.test_alternation import night

A, B, C = "0012345", "2004411", "2009977"
START = datetime.fromisoformat("2026-02-14T19:30:00+01:00")
HOUR = 3600.0


def evening(
    name: str, serial: str, begin: float, length: float, count: int = 30, zone: int | None = None, model: str = "W1"
) -> list[Frame]:
    """`count` frames, evenly over `length` seconds from `begin` after 19:00."""
    step = length / max(count - 1, 1)
    return [frame(f"{name}_{n:04d}.nef", begin + n * step, serial, model, zone) for n in range(count)]


def texts(frames: Sequence[Frame], start: datetime | None = None, *clocks: Clock) -> list[str]:
    """The notes after the corrections of `clocks`."""
    after, wrong = with_clocks(frames, clocks, start)
    assert wrong == []
    return [note.text for note in clock_notes(after.frames, start, after.added.keys(), after.right)]


def proposed(frames: Sequence[Frame], start: datetime | None = None) -> list[str]:
    """What stands ready to be pasted."""
    found = [re.search(r"write under clocks: (\S+: -?\d[\d.]*)$", text) for text in texts(frames, start)]
    return [match[1] for match in found if match]


def test_two_cameras_of_one_evening_fit() -> None:
    both = evening("A", A, 0, 5400) + evening("B", B, 600, 4000)
    assert texts(both) == texts(both, START) == []
    # The second begins 14 min after the first has ended.
    assert texts(evening("A", A, 0, 600) + evening("B", B, 1440, 600)) == []


def test_hours_apart_are_said_with_what_to_write() -> None:
    (note,) = clock_notes(evening("A", A, 0, 600, 40) + evening("B", B, 600 + 3 * HOUR, 600))
    assert note.text == (
        "the clocks of two cameras do not fit together: W1 (2345) says 2026-02-14 19:00 to 19:10, W1 (4411) "
        "2026-02-14 22:10 to 22:20, 3 h apart at the nearest; if the clock of 4411 is wrong, write under clocks: "
        "4411: {frame: B_0000, same_as: A_0000} with two frames of one moment, or the seconds to add; "
        "if it is right, write 4411: right"
    )
    assert note.record == (
        "the clocks of W1 and W1 do not fit together, 3 h apart at the nearest: evencourt inspect says what to write "
        "under clocks"
    )
    assert "2345" not in note.record


def test_folders_that_stand_for_cameras_without_a_serial_number() -> None:
    frames = [frame(f"warm-up/A_{n}.jpg", n) for n in range(3)] + [
        frame(f"match/B_{n}.jpg", HOUR + n) for n in range(5)
    ]
    (text,) = texts(frames)
    assert "59 min apart at the nearest (no serial number is known: the frames of each folder are taken" in text
    assert text.endswith("if it is right, write warm-up: right")
    assert texts(frames, None, Clock("warm-up", 0.0, right=True)) == []


def test_a_clock_that_the_person_calls_right_is_not_named_again() -> None:
    both = evening("A", A, 0, 600, 40) + evening("B", B, 3 * HOUR, 600)
    assert texts(both, None, Clock("4411", 0.0, right=True)) == []
    assert len(texts(both, None, Clock("4411", 0.0))) == len(texts(both, None, Clock("4411", 5.0))) == 1
    assert texts(both, None, Clock("4411", -3 * HOUR)) == []


def test_two_clocks_of_three_are_wrong_together() -> None:
    frames = evening("A", A, 0, 3000, 90) + evening("B", B, 7 * HOUR, 600) + evening("C", C, 7 * HOUR, 600)
    assert texts(frames) == [
        "the clocks of 3 cameras do not fit together: W1 (2345) says 2026-02-14 19:00 to 19:50, W1 (4411) 2026-02-15 "
        "02:00 to 02:10 and W1 (9977) 2026-02-15 02:00 to 02:10; write each that is wrong under clocks, such as 4411: "
        '{frame: B_0000, shows: "19:30:12"} with a frame that shows a clock, or the seconds to add; each that is '
        "right, such as 4411: right"
    ]
    (note,) = clock_notes(frames)
    assert note.record == (
        "the clocks of 3 cameras do not fit together: W1, W1 and W1: evencourt inspect says what to write under clocks"
    )


def test_the_clock_of_which_there_are_most_frames_that_day_is_taken_for_right() -> None:
    """A telephone of another year with as many frames as either camera; and of two alone, the later date."""
    year = 365 * 86400
    old = evening("P", C, -year, 600, model="W3")
    frames = evening("A", A, 0, 600, zone=60) + evening("B", B, HOUR, 600, zone=120) + old
    assert proposed(frames) == ["9977: 31536000", "4411: -3600"]
    assert proposed(evening("A", A, 0, 600) + old) == proposed(old + evening("A", A, 0, 600)) == ["9977: 31536000"]


@pytest.mark.parametrize("others", [5, 90])
@pytest.mark.parametrize("days", [-1, 1, 2])
def test_a_clock_some_days_off_is_never_preferred_to_that_of_the_day_of_the_start(days: int, others: int) -> None:
    """Whichever took more frames; "2345: 86400" would have put both cameras on the day after the start."""
    wrong = evening("B", B, 600 + days * 24 * HOUR, 600, others)
    assert proposed(evening("A", A, 0, 600) + wrong, START) == [f"4411: {-days * 86400}"]


@pytest.mark.parametrize(("minutes", "fit"), [(14, True), (15, False)])
def test_a_quarter_of_an_hour_apart(minutes: float, fit: bool) -> None:
    frames = evening("A", A, 0, 600) + evening("B", B, 600 + 60 * minutes, 600)
    assert (texts(frames) == []) == fit


@pytest.mark.parametrize(("minutes", "fit"), [(-170, True), (-190, False)])
def test_three_hours_before_the_start(minutes: float, fit: bool) -> None:
    frames = evening("A", A, 1800 + 60 * minutes, 0, 1)  # the start is half past seven
    assert (texts(frames, START) == []) == fit


def test_one_camera_between_two_others_joins_them() -> None:
    frames = evening("A", A, 0, 600) + evening("B", B, 1200, 600) + evening("C", C, 2400, 600)
    assert texts(frames) == []


def test_a_camera_without_times() -> None:
    """Each frame's own notice says it, and clocks cannot help."""
    assert texts([*evening("A", A, 0, 600), frame("B_1.nef", None, B), frame("B_2.nef", None, B)]) == []
    assert texts([frame("B_1.nef", None, B)]) == []


def test_times_far_from_the_start() -> None:
    early = evening("A", A, -10 * HOUR, 3000)  # 9 in the morning, start at half past seven
    assert [text[:110] for text in texts(early, START)] == [
        "W1 (2345) says 2026-02-14 09:00 to 09:50, but start in the facts is 2026-02-14 19:30: correct start, or write "
    ]
    both = early + evening("B", B, -10 * HOUR, 3000)
    assert texts(both, START) == [
        "all cameras say 2026-02-14 09:00 to 09:50, but start in the facts is 2026-02-14 19:30: correct start, or each "
        "camera under clocks"
    ]
    # Warming up two hours before, and the last day of a tournament, are of the event.
    assert texts(evening("A", A, -2 * HOUR, 60), START) == texts(evening("A", A, 72 * HOUR, 60), START) == []
    assert len(texts(evening("A", A, 74 * HOUR, 60), START)) == 1


def test_old_frames_that_were_still_on_the_card() -> None:
    frames = evening("A", A, -7 * 24 * HOUR, 60, 3) + evening("A2", A, 0, 600)
    dates, text = texts(frames)
    assert dates.startswith("the dates of 3 of 33 frames cannot be believed and are written nowhere: fill in start")
    assert dates not in texts(frames, START)
    assert text.startswith("W1 (2345) has frames of 2026-02-07 and of 2026-02-14 (A_0002, then A2_0000): take out what")


@pytest.mark.parametrize("shift", [-1, 1])
def test_summer_time_in_one_camera_that_cannot_have_met_the_other(shift: int) -> None:
    """A at UTC+1 from 19:00 to 19:20; B on another zone, an hour off, from 19:05 to 19:15 in truth."""
    frames = evening("A", A, 0, 1200, 60, 60) + evening("B", B, 300 + shift * HOUR, 600, 30, 60 + 60 * shift)
    assert proposed(frames) == proposed(frames, START) == [f"4411: {-3600 * shift}"]
    assert "it is set to UTC+0" in texts(frames)[0]
    assert texts(frames, START, Clock("4411", -HOUR * shift)) == []


def test_summer_time_where_both_readings_fit() -> None:
    frames = evening("A", A, 0, 3 * HOUR, 60, 60) + evening("B", B, HOUR, 600, 30, 120)
    assert texts(frames) == [
        "W1 (4411) is set to UTC+02:00, W1 (2345) to UTC+01:00: if its clock is 1 h fast too, write under clocks: "
        "4411: -3600; if only the setting is wrong, write 4411: right"
    ]
    assert "start in the facts is at UTC+01:00" in texts(frames, START)[0]
    assert texts(frames, START, Clock("4411", 0.0, right=True)) == texts(frames, START, Clock("4411", -3.0)) == []
    assert texts(frames, START, Clock("4411", 0.0)) == texts(frames, START)


def test_a_zone_that_only_the_setting_has_wrong() -> None:
    """An hour earlier B would be alone, at 18:05 to 18:15: so its clock is right."""
    frames = evening("A", A, 0, 1200, 60, 60) + evening("B", B, 300, 600, 30, 120)
    assert texts(frames) == [
        "W1 (4411) is set to UTC+02:00, W1 (2345) to UTC+01:00: if only the setting is wrong, write 4411: right"
    ]


def test_one_camera_in_another_zone_than_the_start() -> None:
    assert proposed(evening("A", A, 0, 1200, 60, 120), START) == []
    assert (
        "if its clock is 1 h fast too, write under clocks: 2345: -3600;"
        in texts(evening("A", A, 0, 1200, 60, 120), START)[0]
    )
    assert texts(evening("A", A, 0, 1200, 60, 60), START) == []


def with_fixes(frames: Sequence[Frame], slow: float, ages: Sequence[float], zone: int = 60) -> list[Frame]:
    """Frames of a clock that is `slow` s behind, with GPS time stamps cut to seconds and `ages` s old."""
    made = []
    for one, age in zip(frames, ages, strict=False):
        assert one.exif.time is not None
        true = one.exif.time + timedelta(seconds=slow) - timedelta(minutes=zone)
        made.append(
            replace(one, exif=replace(one.exif, gps_time=(true - timedelta(seconds=age)).replace(microsecond=0)))
        )
    return made


def test_gps_time_stamps() -> None:
    """14 s slow; the receiver indoors keeps its last fix, so that most times are old."""
    frames = with_fixes(evening("A", A, 0.5, 1200, 8, 60), 14, [0, 70, 900, 0, 300, 0, 12, 1000])
    (text,) = texts(frames)
    assert "3 frames have a GPS time stamp, by which its clock is 14 s slow (give or take 1 s)" in text
    assert proposed(frames) == ["2345: 14"]
    assert texts(with_fixes(evening("A", A, 0.5, 1200, 8, 60), 0.4, [0] * 8)) == []  # within a second
    assert texts(frames[:4]) == []  # two fresh ones are no proof


def test_gps_time_stamps_without_a_zone() -> None:
    """Then whole quarters of an hour may be the zone's."""
    frames = with_fixes(evening("A", A, 0.5, 1200, 8), -21, [0] * 8, zone=120)
    assert proposed(frames) == ["2345: -21"]
    assert proposed(frames, START) == ["2345: -3621"]  # the zone of the start: an hour and 21 s fast


def test_one_fix_that_is_repeated_is_old() -> None:
    frames = evening("A", A, 0, 1200, 30, 60)
    fix = EVENING - timedelta(hours=1) + timedelta(seconds=30)
    assert texts([replace(f, exif=replace(f.exif, gps_time=fix)) for f in frames]) == []
    burst = evening("A", A, 90, 0.5, 6, 60)  # all within half a second, a minute after that fix
    assert texts([replace(f, exif=replace(f.exif, gps_time=fix)) for f in burst]) == []


def test_a_receiver_that_miscounts_its_weeks() -> None:
    """1024 weeks (IS-GPS-200, 20.3.3.3.1.1: ten bits of week number) are no error of the camera's clock."""
    frames = with_fixes(evening("A", A, 0.5, 1200, 8, 60), -1024 * 7 * 86400, [0] * 8)
    assert texts(frames) == texts(frames, START) == []
    # A camera that was never set is as far off; there the start decides.
    unset = evening("A", A, (datetime(2000, 1, 1) - EVENING).total_seconds(), 1200, 8, 60)
    slow = (EVENING - datetime(2000, 1, 1)).total_seconds()
    assert any(f"2345: {slow:.0f}" in text for text in texts(with_fixes(unset, slow, [0] * 8), START))


@pytest.mark.parametrize(
    ("wrong", "days"),
    [("2025-02-14", 365), ("2026-01-14", 31), ("2026-02-13", None), ("2026-02-07", None)],
)
def test_a_date_that_was_set_wrong(wrong: str, days: int | None) -> None:
    shift = (datetime.fromisoformat(wrong) - datetime(2026, 2, 14)).total_seconds()
    frames = evening("A", A, 0, 1200, 60) + evening("B", B, 300 + shift, 600)
    assert proposed(frames) == ([] if days is None else [f"4411: {days * 86400}"])
    # The start says the date.
    real = round(-shift)
    assert proposed(frames, START) == [f"4411: {real}"]


def test_day_and_month_exchanged() -> None:
    begin = (datetime(2026, 3, 2, 19) - EVENING).total_seconds()
    other = (datetime(2026, 2, 3, 19) - EVENING).total_seconds()
    assert proposed(evening("A", A, begin, 1200, 60) + evening("B", B, other, 600)) == ["4411: 2332800"]  # 27 days


def test_whole_hours_by_which_both_evenings_begin_and_end_together() -> None:
    frames = evening("A", A, 0, 5400, 60) + evening("B", B, 120 + 2 * HOUR, 5220)
    (text,) = texts(frames)
    assert "moved by -2 h, they begin and end within 2 min of each other; two matches in a row would look" in text
    assert proposed(frames) == ["4411: -7200"]
    assert (
        proposed(evening("A", A, 0, 5400, 60) + evening("B", B, 400 + 2 * HOUR, 5220)) == []
    )  # ends off by 4 and 6 min
    assert proposed(evening("A", A, 0, 60, 60) + evening("B", B, 2 * HOUR, 60)) == []  # a minute proves nothing


@pytest.mark.parametrize(
    ("late", "minutes", "found"), [(290, 90, True), (310, 90, False), (60, 32, True), (60, 28, False), (-290, 90, True)]
)
def test_how_near_the_ends_and_how_long_both_must_be(late: float, minutes: float, found: bool) -> None:
    """Ends at most five minutes off, evenings of half an hour and more."""
    one = evening("A", A, 0, 60 * minutes, 60)
    assert bool(proposed(one + evening("B", B, late - 2 * HOUR, 60 * minutes))) == found


def test_nothing_is_proposed_for_unrelated_cameras() -> None:
    """Evenings of random day, hour and length, of cameras that have nothing to do with each other."""
    rng = random.Random(4)
    count = 0
    for _ in range(50):
        one = evening("A", A, 0, rng.uniform(600, 7200), 50)
        away = rng.uniform(1, 200) * 86400 + rng.uniform(-8, 8) * HOUR
        count += bool(proposed(one + evening("B", B, away, rng.uniform(600, 7200))))
    assert count <= 1  # the same day of another month, by chance


def test_real_folders_of_several_cameras(shared: Callable[[str], Path]) -> None:
    """Pictures of unrelated cameras, months apart: said to be apart, and nothing proposed."""
    for name in ("data/chart-jpeg", "data/raw"):
        frames = scan(shared(name)).frames
        (found,) = [text for text in texts(frames) if "do not fit together" in text]
        assert int(found.split()[3]) >= 3, found
        assert proposed(frames) == []
    assert texts(scan(shared("data/burst-jpeg")).frames) == []


def test_many_cameras_are_not_all_named() -> None:
    frames = [f for n in range(40) for f in evening(f"A{n}", f"10{n:05d}", n * 6 * HOUR, 60, 3)]
    (found,) = texts(frames)
    assert "the clocks of 40 cameras do not fit together" in found and "and 33 more cameras; write each" in found
    assert len(found) < 700


def test_a_camera_that_no_key_can_name_needs_a_folder_of_its_own() -> None:
    """In one folder with another camera, without serial number or model: FOLDER stands for what the person makes."""
    frames = [frame(f"card/A_{n}.nef", n, A) for n in range(5)] + [frame(f"card/B_{n}.crw", HOUR, "", "") for n in "12"]
    (text,) = texts(frames)
    assert "put the frames of a camera without a model (card/B_1 and 1 more) into a folder of their own; if" in text
    assert text.endswith("if it is right, write FOLDER: right")
    apart = [*frames[:5], *(frame(f"card/other/B_{n}.crw", HOUR, "", "") for n in "12")]
    (text,) = texts(apart)
    assert text.endswith("if it is right, write card/other: right")
    assert texts(apart, None, Clock("card/other", 0.0, right=True)) == []


def test_of_two_cameras_without_a_key_one_that_is_right_says_nothing_of_the_other() -> None:
    some = [frame("one/A.nef", 0, "", ""), frame("two/B.nef", 9 * HOUR, "", "")]
    frames = [*some, *(frame(f"{folder}/{folder}.jpg", 0, A) for folder in ("one", "two"))]
    assert [body.key for body in bodies(frames) if not body.serial] == ["", ""]
    assert len(clock_notes(frames, None, frozenset(), frozenset({"one/A"}))) == 1


def test_bursts_of_one_person_in_turn() -> None:
    """What is found is proposed; how it is found is tested in test_alternation."""
    long, short = night(1)
    frames = [frame(f"A_{n:05d}.nef", moment, A) for n, moment in enumerate(long)]
    frames += [frame(f"B_{n:05d}.nef", moment - 33, B) for n, moment in enumerate(short)]
    (text,) = texts(frames)
    assert "the clock of W1 (4411) may not be right: moved by +3" in text
    (line,) = proposed(frames)
    assert abs(float(line.split()[1]) - 33) <= 2
    assert texts(frames, None, Clock("4411", 33.0)) == []


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(12, "12 s"), (59.6, "1 min"), (960, "16 min"), (3600, "1 h"), (7500, "2 h 05 min"), (86400, "1 d"),
     (190000, "2 d 4 h"), (8e6, "93 d"), (2e8, "2,315 d"), (-960, "16 min")],
)  # fmt: skip
def test_durations(seconds: float, words: str) -> None:
    assert duration(timedelta(seconds=seconds)) == words


def test_a_camera_that_came_on_the_last_day_of_a_long_tournament_is_right() -> None:
    days = [one for day in range(5) for one in evening(f"A{day}", A, day * 24 * HOUR, 600)]
    assert texts(days + evening("B", B, 4 * 24 * HOUR, 600), START) == []
