"""`clocks:` of shoot.yaml, from the text to the corrected times; every expected time is worked out by hand."""

from __future__ import annotations

import random
import re
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from pipeline.engine.tables.event_form import event_form
from pipeline.engine.tables.prepare import form_content
from pipeline.errors import Problem
from pipeline.shoot.clocks.bodies import bodies
from pipeline.shoot.clocks.correction import with_clocks
from pipeline.shoot.clocks.entries import Clock, reading_of
from pipeline.shoot.clocks.fit import clock_notes
from pipeline.shoot.frame_names import FrameIndex
from pipeline.shoot.read_facts import load_facts
from pipeline.types import Frame
from tests.shoot.clocks.made import EVENING, frame

_KEY = r'(?:"(?:[^"\\]|\\.)*"|[\w./](?:(?! or | for the folder)[\w./+ -])*)'
_PROPOSED = rf"(?:write under clocks: |write |such as )({_KEY}): (?:right|\{{|-?\d)"
_LISTED = rf"(?:^|, (?:or )?| or )(?:a folder: )?({_KEY})(?= \(| or |, |$| for the folder)"  # 2345 (W1), "Ä/W 3" (W1)
A, B, C = "0012345", "2004411", "2009977"
SHOOT = [
    frame("A_0012.nef", 0, A),
    frame("A_0013.nef", 20, A),
    frame("B_0033.nef", 65, B),
    frame("B_0034.nef", None, B),
    frame("phone/P_1.jpg", 100, "", "Pocket 5"),
    frame("card3/C_1.nef", 7, C, "W3"),
    frame("card3/late/C_2.nef", 9, C, "W3"),
]


def moved(
    folder: Path, clocks: str, frames: Sequence[Frame] = SHOOT, head: str = ""
) -> tuple[dict[str, float], list[tuple[int, int, str]]]:
    """(frame -> seconds by which its time has moved, where it has; problems), of a shoot.yaml with these `clocks`."""
    file = folder / "shoot.yaml"
    file.write_text(f"{head}clocks:{clocks}\n", encoding="utf-8")
    facts, wrong, _ = load_facts(folder, None, FrameIndex(frames))
    after, wrong_clocks = with_clocks(frames, facts.clocks, facts.start)
    before = {f.name: f.exif.time for f in frames}
    shifts = {
        f.name: (f.exif.time - was).total_seconds() for f in after.frames if f.exif.time and (was := before[f.name])
    }
    problems = [(p.line, p.column, p.message) for p in [*wrong, *wrong_clocks]]
    assert all(p.file == str(file) for p in [*wrong, *wrong_clocks])
    return {name: shift for name, shift in shifts.items() if shift}, problems


@pytest.mark.parametrize(
    ("clocks", "shifts"),
    [
        (" {0012345: -3.2}", {"A_0012": -3.2, "A_0013": -3.2}),
        (" {2345: 4}", {"A_0012": 4, "A_0013": 4}),  # as inspect shows it
        (" {012345: 4}", {"A_0012": 4, "A_0013": 4}),  # or more of it
        (' {"0012345": "-3.2"}', {"A_0012": -3.2, "A_0013": -3.2}),
        (" {w3: 5}", {"card3/C_1": 5, "card3/late/C_2": 5}),
        (" {Pocket 5: 60}", {"phone/P_1": 60}),
        (" {phone: 60}", {"phone/P_1": 60}),
        (" {phone/: 60}", {"phone/P_1": 60}),
        (" {card3/late: 1}", {"card3/late/C_2": 1}),
        # The deepest folder counts, then a folder, then the camera.
        (" {card3/late: 1, card3: 2}", {"card3/C_1": 2, "card3/late/C_2": 1}),
        (" {card3/late: 1, W3: 2}", {"card3/C_1": 2, "card3/late/C_2": 1}),
        (" {9977: 2, card3/late: 1}", {"card3/C_1": 2, "card3/late/C_2": 1}),
        (" {4411: 0}", {}),
        (" {4411: right}", {}),
        ("", {}),
        (" {}", {}),
    ],
)
def test_keys_and_seconds(tmp_path: Path, clocks: str, shifts: dict[str, float]) -> None:
    assert moved(tmp_path, clocks) == (shifts, [])


def test_frames_are_sorted_again_and_bursts_see_it() -> None:
    corrected, wrong = with_clocks(SHOOT, [Clock("4411", -60.0)])
    frames = corrected.frames
    assert (wrong, corrected.added) == ([], {"B_0033": -60.0})
    assert [f.name for f in frames] == [
        "A_0012", "B_0033", "card3/C_1", "card3/late/C_2", "A_0013", "phone/P_1", "B_0034",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("entry", "shift"),
    [
        ('{frame: A_0012, shows: "19:00:03"}', 3),
        ("{frame: A_0012, shows: 19:00:03}", 3),
        ("{frame: A_0012.NEF, shows: 18:59:58.5}", -1.5),
        ('{frame: A_0012, shows: "18:59:58,5"}', -1.5),
        ("{frame: a_0012, shows: 2026-02-14 19:00:03}", 3),
        ("{frame: A_0012, shows: 2026-02-15T00:00:00}", 18000),  # five hours
        ("{frame: A_0012, shows: 2026-02-14 24:00:00}", 18000),  # ISO 8601: the end of the day
        ("{frame: A_0012, shows: 24:00:00}", 18000),
        ("{frame: A_0012, shows: 08:00:00}", 46800 - 86400),  # the morning of the same day is nearer than the next
        ("{frame: A_0012, shows: 06:00:00}", 11 * 3600),  # and here the next
        ("{frame: A_0013, shows: 19:00:03}", -17),
    ],
)
def test_a_frame_that_shows_a_clock(tmp_path: Path, entry: str, shift: float) -> None:
    assert moved(tmp_path, f" {{2345: {entry}}}") == ({"A_0012": shift, "A_0013": shift}, [])


def test_a_block_of_lines_and_a_frame_name_of_digits(tmp_path: Path) -> None:
    frames = [frame("0012.nef", 0, A), frame("0x10.nef", 0, B)]
    text = "\n  0012345:\n    frame: 0012\n    shows: 19:00:03\n  2004411: {frame: 0x10, same_as: 0012}"
    assert moved(tmp_path, text, frames) == ({"0012": 3, "0x10": 3}, [])


def test_midnight(tmp_path: Path) -> None:
    last = frame("A.nef", 5 * 3600 - 2, A)  # 23:59:58
    assert moved(tmp_path, " {2345: {frame: A, shows: 00:00:01}}", [last]) == ({"A": 3}, [])
    first = frame("A.nef", 5 * 3600 + 1, A)  # 00:00:01 on the 15th
    assert moved(tmp_path, " {2345: {frame: A, shows: 23:59:58}}", [first]) == ({"A": -3}, [])
    assert moved(tmp_path, " {2345: {frame: A, shows: 24:00:00}}", [first]) == ({"A": -1}, [])


def test_a_camera_whose_date_was_never_set_takes_that_of_the_start(tmp_path: Path) -> None:
    # 1 January 2000, 00:00:10: the reading is of 14 February 2026, since the match started on that evening.
    since = (datetime(2000, 1, 1, 0, 0, 10) - EVENING).total_seconds()
    real = (datetime(2026, 2, 14, 20, 15, 0) - datetime(2000, 1, 1, 0, 0, 10)).total_seconds()
    start = "start: 2026-02-14T19:30:00+01:00\n"
    frames = [frame("A.nef", since, A)]
    assert moved(tmp_path, " {2345: {frame: A, shows: 20:15:00}}", frames, start) == ({"A": real}, [])
    # A second day of a tournament is believed.
    assert moved(tmp_path, " {2345: {frame: A, shows: 19:00:03}}", [frame("A.nef", 86400, A)], start) == ({"A": 3}, [])


def test_the_same_moment_in_two_cameras(tmp_path: Path) -> None:
    # B reads 65 s past seven, A 0 s: A is 65 s behind B.
    assert moved(tmp_path, " {2345: {frame: A_0012, same_as: B_0033}}") == ({"A_0012": 65, "A_0013": 65}, [])
    # B itself is 5 s fast.
    chain = " {2345: {frame: A_0012, same_as: B_0033}, 4411: -5}"
    assert moved(tmp_path, chain) == ({"A_0012": 60, "A_0013": 60, "B_0033": -5}, [])
    longer = " {2345: {frame: A_0012, same_as: B_0033}, 4411: {frame: B_0033, same_as: P_1}, phone: 10}"
    assert moved(tmp_path, longer) == ({"A_0012": 110, "A_0013": 110, "B_0033": 45, "phone/P_1": 10}, [])


def test_two_cameras_whose_frames_have_the_same_names(tmp_path: Path) -> None:
    frames = [frame("one/F_1.nef", 0, A), frame("two/F_1.nef", 30, B)]
    assert moved(tmp_path, " {2345: {frame: F_1, same_as: F_1}}", frames) == ({"one/F_1": 30}, [])


@pytest.mark.parametrize(
    ("clocks", "column", "words"),
    [
        (" {9999: 1}", 10, "clocks 9999: no camera or folder of this shoot is called that; write 2345 (W1), "
         "9977 (W3), 4411 (W1) or Pocket 5, or a folder: card3, card3/late or phone"),
        (" {0012346: 1}", 10, "called that; write 2345 (W1)"),
        (" {345: 1}", 10, "no camera or folder"),  # three characters are too few
        (" {W1: 1}", 10, "clocks W1: is 2 cameras; write one of 2345 (W1) or 4411 (W1)"),
        (" {2345: 1, 0012345: 2}", 19, "clocks 0012345: is the same camera as 2345 on line 1; leave one of the two"),
        (" {card3: 2, W3: 1}", 20, "clocks W3: is the same camera as card3 on line 1"),
        (" {2345: soon}", 16, "clocks 2345: soon is not a number; write seconds such as -3.2, {frame:"),
        (" {2345: true}", 16, "true is not a number"),
        (" {2345: NaN}", 16, "NaN is not a number"),
        (" {2345: .inf}", 16, ".inf is not a finite number"),
        (" {2345: [1]}", 16, "clocks 2345: write seconds"),
        (" {2345: }", 10, "has no value"),
        (' {2345: "-3,2"}', 16, "clocks 2345: -3,2 is not a number; write it with a point: -3.2"),
        (" {2345: -3,2}", 19, "clocks 2: has no value; write decimals with a point, such as -3.2"),
        (" {2345: 19:00:03}", 16, 'name the frame that shows this time: {frame: A_0012, shows: "19:00:03"}'),
        (" {2345: 1e300}", 16, "1e+300 seconds cannot be the error of a clock"),
        (" {2345: 9999999999999}", 16, "seconds cannot be the error of a clock"),
        (" -3.2", 9, "clocks: write a camera, a colon and seconds"),
        (" {2345: {frame: A_0012}}", 16, "give frame and one of shows and same_as"),
        (" {2345: {shows: 19:00:03}}", 16, "give frame and one of shows and same_as"),
        (" {2345: {frame: A_0012, shows: 19:00:03, same_as: B_0033}}", 16, "give frame and one of"),
        (" {2345: {frame: A_0012, show: 19:00:03}}", 32, "no key show; did you mean shows?"),
        (" {2345: {frame: A_0012, shows: [1]}}", 39, "shows is empty or a list"),
        (" {2345: {frame: A_0012, shows: }}", 32, "shows is empty or a list"),
        (" {2345: {frame: A_0012, shows: 19:00}}", 39, "19:00 is not a time; write what the clock in the picture"),
        (" {2345: {frame: A_0012, shows: 7:00:03 pm}}", 39, "by 24 hours"),
        (" {2345: {frame: A_0012, shows: 24:00:01}}", 39, "is not a time"),
        (" {2345: {frame: A_0012, shows: 2026-02-30 19:00:03}}", 39, "is not a time"),
        (" {2345: {frame: A_0099, shows: 19:00:03}}", 24, "clocks 2345: no frame A_0099 in the shoot folder"),
        (" {2345: {frame: B_0033, shows: 19:00:03}}", 24, "B_0033 was taken by W1 (4411); name a frame of this one"),
        (" {card3/late: {frame: C_1, shows: 19:00:03}}", 30, "name a frame of this one"),
        (" {2345: {frame: A_0012, same_as: A_0013}}", 41, "A_0013 is of the same camera as A_0012; name a frame of an"),
        (" {4411: {frame: B_0034, same_as: A_0013}}", 24, "B_0034 has no time; name another frame"),
        (" {2345: {frame: A_0012, same_as: B_0034}}", 41, "B_0034 has no time; name another frame"),
        (" {2345: {frame: A_0012, same_as: B_0033}, 4411: {frame: B_0033, same_as: A_0012}}", 10,
         "clocks 2345: goes round in a circle (2345 -> 4411 -> 2345); give one of these cameras seconds"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_named_with_its_place(tmp_path: Path, clocks: str, column: int, words: str) -> None:
    _, problems = moved(tmp_path, clocks)
    assert len(problems) == 1, problems
    assert problems[0][:2] == (1, column)
    assert words in problems[0][2]


def test_a_key_that_may_be_a_camera_or_a_folder(tmp_path: Path) -> None:
    frames = [frame("W3/a.nef", 0, A, "W1"), frame("b.nef", 1, B, "W3")]
    assert 'is a camera and a folder; write "W3/" for the folder' in moved(tmp_path, " {W3: 1}", frames)[1][0][2]
    assert moved(tmp_path, " {W3/: 1}", frames) == ({"W3/a": 1}, [])
    # The camera is called by its number; and a folder of two cameras is nothing to write.
    found = moved(tmp_path, " {W3: 1}", [*frames, frame("W3/c.nef", 2, C, "W4")])[1][0][2]
    assert found == "clocks W3: is a camera and a folder; for the camera, write 4411 (W3)"


def test_a_folder_of_several_cameras_is_not_offered_as_a_key(tmp_path: Path) -> None:
    frames = [frame("both/a.nef", 0, A), frame("both/b.nef", 1, B), frame("both/late/c.nef", 2, B)]
    assert moved(tmp_path, " {none: 1}", frames)[1][0][2].endswith(
        "called that; write 2345 (W1) or 4411 (W1), or a folder: both/late"
    )
    bare = [frame("a.nef", 0, "", ""), frame("b.nef", 1, "", "W1"), frame("c/b.nef", 1, "", "W1")]
    assert moved(tmp_path, " {none: 1}", bare)[1][0][2].endswith(
        "write c (W1); put the frames of a camera without a model (a) and W1 (b) each into a folder of their own"
    )


def random_shoot(rng: random.Random) -> list[Frame]:
    """Frames of a few cameras in mixed folders: serial numbers, models and folders that are missing or look alike."""
    folders = ("", "W1", "2345", "card", "card/DCIM/100EVENT", "card/100EVC", "DCIM/101EVENT", "a: b, {c}", "Ä/W 3")
    cameras = [
        (rng.choice(("", "", "0000", "12345", "9912345", "2345", "007", "card", "X-2345")),
         rng.choice(("", "W1", "w1", "W 3", "card", "2345", ".", "*ist: W", "W/", "null", "0123", "1e3")))
        for _ in range(rng.randint(1, 6))
    ]  # fmt: skip
    frames = []
    for number in range(rng.randint(1, 14)):
        serial, model = rng.choice(cameras)
        folder = rng.choice(folders)
        second = None if rng.random() < 0.1 else rng.choice((0, 9, 40_000, 400_000, 40_000_000)) + number
        frames.append(frame(f"{folder}/F_{number}.nef".lstrip("/"), second, serial, model))
    return frames


def test_every_key_that_is_proposed_or_prepared_is_accepted(tmp_path: Path) -> None:
    """In every note, in every message on a wrong key, and in the form that prepare writes; read as YAML from a file."""
    rng, proposals, written, without = random.Random(12), 0, 0, 0
    for _ in range(100):
        frames = random_shoot(rng)
        start = rng.choice((None, datetime.fromisoformat("2026-02-14T19:30:00+01:00")))
        said = [note.text for note in clock_notes(frames, start)]
        keys = ["none", "W1", "card", "2345", *(body.folder for body in bodies(frames))]
        refused = [problem.message for key in keys for problem in with_clocks(frames, [Clock(key, 1.0)])[1]]
        assert not any("()" in text or '""' in text for text in [*said, *refused])
        found = {key for text in said for key in re.findall(_PROPOSED, text)} - {"FOLDER"}
        listed = (
            part for text in refused for part in re.findall(r"; (?:for the camera, )?write (?:one of )?([^;]*)", text)
        )
        found |= {key for part in listed for key in re.findall(_LISTED, part)}
        for key in found:
            assert moved(tmp_path, f"\n  {key}: right", frames)[1] == [], (key, said, refused)
        proposals += len(found)
        content = form_content(frames, [], [])
        (tmp_path / "shoot.yaml").write_text(event_form("x", content), encoding="utf-8")
        facts, wrong, _ = load_facts(tmp_path, None, FrameIndex(frames))
        assert wrong == [] and with_clocks(frames, facts.clocks, facts.start)[1] == []
        timed = [body for body in bodies(frames) if body.times]
        assert [clock.key for clock in facts.clocks] == [body.key for body in timed if body.key]
        written += len(facts.clocks)
        without += sum(not body.key for body in timed)
    assert proposals > 200 and written > 130 and without > 20


def test_a_folder_of_two_cameras(tmp_path: Path) -> None:
    frames = [frame("card/a.nef", 0, A), frame("card/b.nef", 1, B), frame("card/c.png", None, "", "")]
    assert moved(tmp_path, " {card: 1}", frames)[1] == [
        (1, 10, "clocks card: this folder holds frames of 2 cameras; write 2345 (W1) or 4411 (W1)")
    ]
    assert moved(tmp_path, " {card: 1}", [*frames, frame("card/d.png", 2, "", "")])[1][0][2] == (
        "clocks card: this folder holds frames of 3 cameras; write 2345 (W1) or 4411 (W1); put the frames of a camera "
        "without a model (card/d) into a folder of their own"
    )
    # What has no time is no matter.
    assert moved(tmp_path, " {card: 1}", [frames[0], frames[2]]) == ({"card/a": 1}, [])


def test_a_camera_without_times(tmp_path: Path) -> None:
    frames = [frame("a.nef", 0, A), frame("b.nef", None, B)]
    assert "no frame of it has a time" in moved(tmp_path, " {4411: 1}", frames)[1][0][2]
    assert "no frame of the shoot has a time" in moved(tmp_path, " {4499: 1}", frames[1:])[1][0][2]


def test_every_problem_comes_at_once(tmp_path: Path) -> None:
    text = "\n  9999: 1\n  2345: soon\n  4411: {frame: A_0012, shows: 19:00:03}"
    assert [line for line, _, _ in moved(tmp_path, text)[1]] == [3, 2, 4]


def test_twenty_thousand_wrong_keys_are_named_at_once() -> None:
    """In a night of thousands of frames; the error itself prints the first of them and a count."""
    frames = [frame(f"DCIM/100ABCDE/A{n}.nef", n, A) for n in range(3000)]
    _, problems = with_clocks(frames, [Clock(f"key{n}", 1.0, places={"key": (n, 1)}) for n in range(20_000)])
    assert len(problems) == 20_000


def test_many_cameras_are_not_all_listed(tmp_path: Path) -> None:
    frames = [frame(f"{n}.nef", n, f"10{n:04d}") for n in range(40)]
    assert "and 28 more" in moved(tmp_path, " {none: 1}", frames)[1][0][2]


def test_a_correction_of_a_time_zone_takes_the_offset_away() -> None:
    """Exif 2.32, tag 36881: the offset is that of DateTimeOriginal as the camera wrote it."""

    def offset(seconds: float, start: str = "", right: bool = False) -> int | None:
        moment = datetime.fromisoformat(start) if start else None
        corrected, _ = with_clocks([frame("a.nef", 0, A, utc_offset=120)], [Clock(A, seconds, right=right)], moment)
        return corrected.frames[0].exif.utc_offset

    assert [offset(seconds) for seconds in (-899.0, -900.0, -3600.0)] == [120, None, None]
    # The person says that the clock is right: then its zone is not, where it is not that of the start.
    starts = [f"2026-02-14T19:30:00{zone}" for zone in ("+02:00", "+01:00")]
    assert [offset(0, start, right=True) for start in starts] == [offset(5, start) for start in starts] == [120, None]
    assert [offset(0, start) for start in starts] == [120, 120]


def test_readings() -> None:
    found = reading_of("2026-02-14 07:05:09.25")
    assert found is not None
    assert found.near(EVENING) == datetime(2026, 2, 14, 7, 5, 9, 250_000)
    assert [reading_of(text) for text in ("25:00:00", "12:60:00", "12:00:60", "", "12.00.00", "-1:00:00")] == [None] * 6
    twelve_hours = reading_of("07:00:00")
    assert twelve_hours is not None
    assert abs(twelve_hours.near(EVENING) - EVENING) == timedelta(hours=12)


def test_a_problem_names_its_entry() -> None:
    clock = Clock("0012", 1.0, file="shoot.yaml", places={"key": (3, 5)})
    assert clock.problem("is wrong") == Problem("shoot.yaml", 3, 5, "clocks 0012: is wrong")
