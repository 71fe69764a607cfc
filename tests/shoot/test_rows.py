"""Rows of frames.csv whose frame or players are others by now: a withheld player must not go out by them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from pipeline.shoot.facts import Facts, held_back
from pipeline.shoot.frame_names import FrameIndex
from pipeline.shoot.read_facts import load_facts
from pipeline.types import Exif, Frame

START = datetime(2026, 2, 14, 19, 30)
ROSTER = "team,number,name,publish\nhome,7,Lena Lind,no\nhome,8,Mia Holm,yes\n"


def frame(number: int, seconds: float, model: str = "Test Camera") -> Frame:
    name = f"TH1_{number:04d}"
    exif = Exif(time=START + timedelta(seconds=seconds), make="Evencourt", model=model)
    return Frame(name, Path(f"{name}.jpg"), f"{name}.jpg", "picture", exif)


def read(folder: Path, frames: Sequence[Frame], rows: str, roster: str = ROSTER, before: Facts | None = None) -> Facts:
    (folder / "roster.csv").write_text(roster, encoding="utf-8")
    (folder / "frames.csv").write_text(f"frame,players,rating,file,time\n{rows}", encoding="utf-8")
    return load_facts(folder, None, FrameIndex(frames, shown=before.shown if before else {}))[0]


def held(facts: Facts, frames: Sequence[Frame]) -> list[int]:
    return [int(one.name[-4:]) for one in frames if held_back(facts, facts.row(one.name))]


def table(times: Sequence[float], shows: int = 2) -> str:
    """Rows as `prepare` writes them, one of them filled in."""
    rows = ((at, "home 7" if at == shows else "", START + timedelta(seconds=time)) for at, time in enumerate(times, 1))
    return "".join(
        f"TH1_{at:04d},{who},,TH1_{at:04d}.jpg,{time.isoformat(' ', 'milliseconds')}\n" for at, who, time in rows
    )


@pytest.mark.parametrize(
    ("times", "expected"),
    [
        ((0, 1.25, 2.5, 9, 12), [2]),
        ((0, 9, 2.5, 1.25, 12), [2, 4]),  # two files changed their names
        ((0, 9, 2.5, 1.249, 12), [2, 4]),
        ((0, 9, 2.5, 1.251, 12), [2, 4]),
        ((0, 1.251, 2.5, 9, 12), [2]),  # the table has thousandths
        ((0, 1.25, 1.25, 9, 12), [2]),  # two of one second
        ((0, 5, 2.5, 9, 12), [2]),  # no other was taken then
        ((2.5, 3.75, 5, 11.5, 14.5), [2]),  # the clock was set, and some are as far apart
        ((1.25, 2.5, 5, 9, 12), [1, 2]),  # all were counted anew, at no even pace
        ((1.25, 2.5, 99), [1, 2]),  # of two nobody knows whether a clock was set
        ((0, 2.5, 3.75, 5, 1.25, 5, 6.25, 7.5), [2, 5]),  # three at an even pace, of eight
    ],
)
def test_the_time_of_a_row_says_that_its_frame_is_called_otherwise(
    tmp_path: Path, times: tuple[float, ...], expected: list[int]
) -> None:
    frames = [frame(at, time) for at, time in enumerate(times, 1)]
    written = (0, 1.25, 2.5, 9, 12)[: len(times)] if len(times) < 6 else (0, 1.25, 2.5, 3.75, 5, 5, 6.25, 7.5)
    facts = read(tmp_path, frames, table(written))
    assert held(facts, frames) == expected
    unclear = "by frame it is the one, by time the other" in facts.row("TH1_0002").unclear
    assert unclear == (len(expected) > 1)


@pytest.mark.parametrize("by", [1, -1, 2])
@pytest.mark.parametrize("left_out", [0, 5])
@pytest.mark.parametrize("bursts", [1, 3])
def test_frames_that_slipped_by_a_row_are_no_clock_that_was_set(
    tmp_path: Path, by: int, bursts: int, left_out: int
) -> None:
    """Within a burst of even pace, all are off by the same. Somebody may have taken rows out before."""
    times = [10 * burst + 0.013 + at / 8 for burst in range(bursts) for at in range(12)]
    frames = [frame(at, time) for at, time in enumerate(times, 1)]
    rows = [at for at in range(len(times)) if at % 12 != left_out - 1]
    written = [(rows[at], rows[at + by]) for at in range(len(rows)) if 0 <= at + by < len(rows)]
    lines = [
        f"TH1_{names + 1:04d},{'home 7' if at == 7 else ''},,TH1_{names + 1:04d}.jpg,"
        f"{(START + timedelta(seconds=times[of])).isoformat(' ', 'milliseconds')}\n"
        for at, (of, names) in enumerate(written)
    ]
    assert held(read(tmp_path, frames, "".join(lines)), frames) == sorted(at + 1 for at in written[7])


def slipped(frames: Sequence[Frame], times: Sequence[float], shows: int) -> str:
    """Rows of the frames, each with the time after its own; that at `shows` was filled in."""
    rows = zip(frames, times[1:], strict=False)
    return "".join(
        f"{one.name},{'home 7' if at == shows else ''},,{one.relative},"
        f"{(START + timedelta(seconds=time)).isoformat(' ', 'milliseconds')}\n"
        for at, (one, time) in enumerate(rows)
    )


def test_what_slipped_is_no_clock_though_frames_were_deleted_or_lie_in_another_folder(tmp_path: Path) -> None:
    times = [0.013 + at / 8 for at in range(10)]
    frames = [frame(at, time) for at, time in enumerate(times, 1)]
    assert held(read(tmp_path, frames[:9], slipped(frames[:9], times, 2)), frames[:9]) == [3, 4]
    parted = [replace(one, relative=f"{'A' if at < 5 else 'B'}/{one.relative}") for at, one in enumerate(frames)]
    assert held(read(tmp_path, parted, slipped(parted, times, 2)), parted) == [3, 4]
    culled = [one for at, one in enumerate(frames) if at not in (1, 5, 8)]
    rows = [times[at] for at in (0, 1, 3, 4, 5, 7, 8, 9)]
    assert held(read(tmp_path, culled, slipped(culled, rows, 1)), culled) == [3, 4]


def test_what_slipped_by_a_row_is_of_another_camera(tmp_path: Path) -> None:
    """Bursts of two cameras in turn; and two that one hand releases, so that each row is off by the same."""
    times = [10 * burst + 0.013 + at / 8 for burst in range(3) for at in range(4)]
    turns = [frame(at, time, "AB"[(at - 1) // 4 % 2]) for at, time in enumerate(times, 1)]
    assert held(read(tmp_path, turns, slipped(turns, times, 3)), turns) == [4, 5]
    both = [time + part for time in times for part in (0, 0.02)]
    pairs = [frame(at, time, "BA"[at % 2]) for at, time in enumerate(both, 1)]
    assert held(read(tmp_path, pairs, slipped(pairs, both, 2)), pairs) == [3, 4]


def test_what_slipped_in_the_rows_of_one_camera_is_no_clock(tmp_path: Path) -> None:
    """Its table is in order of its frames, between which another took some, at no even pace."""
    times = [0.013 + at / 8 for at in range(8)]
    frames = [frame(at, time, "A") for at, time in enumerate(times, 1)]
    between = (1, 2, 2, 4, 5, 5)
    others = [frame(at, times[gap] + 0.003 * at, "B") for at, gap in enumerate(between, 11)]
    facts = read(tmp_path, [*frames, *others], slipped(frames, times, 2))
    assert held(facts, frames) == [3, 4]


def test_a_clock_that_was_set_by_a_second_is_one_in_bursts_by_the_second(tmp_path: Path) -> None:
    times = [10 * burst + at // 4 for burst in range(3) for at in range(6)]
    frames = [frame(at, time) for at, time in enumerate(times, 1)]
    assert held(read(tmp_path, frames, table([time + 1 for time in times])), frames) == [2]


def test_a_clock_that_was_set_before_more_were_taken_is_one(tmp_path: Path) -> None:
    times = [at + 0.013 for at in (0, 10, 20, 35, 47, 100, 200, 300, 400)]
    frames = [frame(at, time) for at, time in enumerate(times, 1)]
    rows = table([time + (10 if at < 5 else 0) for at, time in enumerate(times)])
    assert held(read(tmp_path, frames, rows), frames) == [2]


def test_two_of_eight_that_are_off_by_the_same_are_no_clock(tmp_path: Path) -> None:
    """In a table that a spreadsheet saved without parts of a second, few rows have the very time of a frame."""
    times = [0.4, 1.4, 2.4, 3.4, 4.4, 10.0, 20.4, 30.4]
    frames = [frame(at, time) for at, time in enumerate(times, 1)]
    rows = table([0, 10, 2, 3, 4, 10, 29, 30], shows=2).replace(".000", "")
    rows = rows.replace("TH1_0006,,", "TH1_0006,home 8,")
    assert held(read(tmp_path, frames, rows), frames) == [2, 6]


def test_nor_are_three_of_eight(tmp_path: Path) -> None:
    times = [0.013, 10.013, 20.013, 30.013, 40.013, 50.013, 60.013, 11.013]
    frames = [frame(at, time) for at, time in enumerate(times, 1)]
    rows = table([time + (at in (1, 3, 5)) for at, time in enumerate(times)])
    assert held(read(tmp_path, frames, rows), frames) == [2, 8]


@pytest.mark.parametrize("shown", ["%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M"])
@pytest.mark.parametrize("half", [0.0, 0.5])
def test_a_spreadsheet_that_leaves_thousandths_or_seconds_out_puts_no_row_in_doubt(
    tmp_path: Path, shown: str, half: float
) -> None:
    """Frames of a burst, one of them on the second: the others' rows then name its time."""
    times = (59.5, 60.0, 60.6, 61.2, 61.4)
    frames = [frame(at, time) for at, time in enumerate(times, 1)]
    half *= 60 if shown.endswith("%M") else 1
    rows = "".join(
        f"{one.name},{'home 7' if one.name.endswith('3') else ''},,{one.name}.jpg,{when:{shown}}\n"
        for one in frames
        if (when := one.exif.time + timedelta(seconds=half))  # cut off here, so that a half more is rounded
    )
    assert held(read(tmp_path, frames, rows), frames) == [3]


@pytest.mark.parametrize(("time", "expected"), [(1.25, [2, 4]), (1, [2])])
def test_another_camera_that_took_one_at_that_time_is_meant_where_no_chance_is(
    tmp_path: Path, time: float, expected: list[int]
) -> None:
    frames = [frame(1, 0), frame(2, 9), frame(3, 2.5), frame(4, time, "Other Camera")]
    assert held(read(tmp_path, frames, table((0, time, 2.5, 9))), frames) == expected
    frames.append(frame(5, time))
    assert held(read(tmp_path, frames, table((0, time, 2.5, 9))), frames) == [2, 5]


def test_a_second_body_whose_clock_was_set_holds_no_night(tmp_path: Path) -> None:
    """Two bodies of one model that write no serial number nor parts of a second, each in a folder: `clocks` put the
    second right by four seconds before the table was written, at times when the first took pictures."""
    first = [frame(at, at) for at in range(1, 9)]
    second = [replace(frame(at, at - 6), relative=f"B/100TEST/TH1_{at:04d}.jpg") for at in range(9, 13)]
    frames = [*first, *second]
    rows = table([*range(1, 9), *(at - 2 for at in range(9, 13))])
    rows = rows.replace("TH1_0009,,", "TH1_0009,home 8,").replace("TH1_0010,,", "TH1_0010,home 8,")
    assert held(read(tmp_path, frames, rows), frames) == [2]


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        ("TH1_0002-TH1_0004", [2, 3, 4]),
        ("TH1_0002-0004", [2, 3, 4]),
        ("TH1_0002.jpg – 4", [2, 3, 4]),
        ("TH1_0002 through TH1_0004", [2, 3, 4]),
        ("TH1_0004 to TH1_0002", [2, 3, 4]),
        ("TH1_0002 & TH1_0004", [2, 4]),
        ("TH1_0002; 0004", [2, 4]),
        ("0002..0004", [2, 3, 4]),
        ("4", [4]),
        ("card/TH1_0002 & TH1_0004.jpg", [2, 4]),  # a folder that is gone
        ("TH1_0002-TH2_0004", []),
        ("TH1_0006-0009", []),
        ("TH1_0002edit", []),
        ("TH1_00002", []),
    ],
)
@pytest.mark.parametrize("said", ["home 7,", "home 13,", ",Lena Lind jumps", ",Lind jumps", ",,no"])
def test_a_cell_with_several_frames_holds_all_of_them_where_it_may_forbid_something(
    tmp_path: Path, cell: str, expected: list[int], said: str
) -> None:
    frames = [frame(at, 9 * at) for at in range(1, 6)]
    (tmp_path / "roster.csv").write_text(ROSTER, encoding="utf-8")
    facts = {}
    for says in (said, "home 8,"):
        (tmp_path / "frames.csv").write_text(f'frame,players,words,keep\n"{cell}",{says}\n', encoding="utf-8")
        facts[says] = load_facts(tmp_path, None, FrameIndex(frames))[0]
    assert held(facts[said], frames) == expected and held(facts["home 8,"], frames) == []
    assert bool(facts[said].unplaced) == (not expected and "13" not in said and "no" not in said)
    assert not expected or "write a row for each" in facts[said].row(f"TH1_000{expected[0]}").unclear


def test_the_row_of_a_frame_that_is_gone_holds_none_with_a_row_of_its_own(tmp_path: Path) -> None:
    frames = [replace(frame(2, 9), name="card2/TH1_0002", relative="card2/TH1_0002.jpg"), frame(3, 18)]
    assert held(read(tmp_path, frames, "card3/TH1_0002,home 7,,,\ncard2/TH1_0002,home 8,,,\n"), frames) == []


def test_a_cell_that_was_widened_beside_the_file_of_one_frame_holds_all(tmp_path: Path) -> None:
    frames = [frame(at, 9 * at) for at in range(1, 6)]
    rows = table([9 * at for at in range(1, 6)]).replace("TH1_0002,home 7", "TH1_0002-0004,home 7")
    assert held(read(tmp_path, frames, rows), frames) == [2, 3, 4]


def test_a_row_that_nobody_filled_in_holds_nothing(tmp_path: Path) -> None:
    frames = [frame(at, time) for at, time in enumerate((0, 9, 2.5, 1.25, 12), 1)]
    assert held(read(tmp_path, frames, table((0, 1.25, 2.5, 9, 12), 3)), frames) == [3]


def test_a_number_that_changed_with_the_consent_holds_too(tmp_path: Path) -> None:
    frames, rows = [frame(1, 0), frame(2, 9)], "TH1_0001,home 7,,,\nTH1_0002,home 8,,,\n"
    facts = read(tmp_path, frames, rows, ROSTER.replace("no", "yes"))
    others = "team,number,name,publish\nhome,9,Lena Lind,no\nhome,7,Una Tern,yes\nhome,8,Mia Holm,yes\n"
    assert held(read(tmp_path, frames, rows, others, facts), frames) == [1]
    both_free = others.replace("no", "yes")
    assert held(read(tmp_path, frames, rows, both_free, facts), frames) == []


def test_a_number_that_another_player_has_now_holds_what_it_showed(tmp_path: Path) -> None:
    frames, rows = [frame(1, 0), frame(2, 9)], "TH1_0001,home 7,,,\nTH1_0002,home 8,,,\n"
    others = "team,number,name,publish\nhome,9,Lena Lind,no\nhome,7,Mia Holm,yes\nhome,8,Una Tern,yes\n"
    facts = read(tmp_path, frames, rows)
    assert held(facts, frames) == [1] and held(read(tmp_path, frames, rows, others), frames) == []
    now = read(tmp_path, frames, rows, others, facts)
    assert held(now, frames) == [1] and "has another under that number now" in now.row("TH1_0001").unclear
    assert "Lena" not in str(now.shown) and "Lind" not in str(now.shown).title()
    gone = read(tmp_path, frames, rows, others.replace("home,9,Lena Lind,no\n", ""), facts)  # her line was deleted
    assert held(gone, frames) == [1]
    again = read(tmp_path, frames, rows.replace("home 7,,", "home 7,5,"), others, now)  # rated, and no more than that
    assert held(again, frames) == [1]
    named = read(tmp_path, frames, rows.replace("home 7", "home Mia Holm"), others, again)
    assert held(named, frames) == []


@pytest.mark.parametrize("name", ["Lena Lind", "LENA  LIND"])
def test_who_may_be_shown_after_all_is(tmp_path: Path, name: str) -> None:
    frames, rows = [frame(1, 0)], "TH1_0001,home 7,,,\n"
    facts = read(tmp_path, frames, rows)
    agreed = read(tmp_path, frames, rows, ROSTER.replace("Lena Lind,no", f"{name},yes"), facts)
    assert held(agreed, frames) == []
    assert held(read(tmp_path, frames, rows, ROSTER, facts), frames) == [1]


def test_a_wrong_line_of_the_roster_is_not_told_of_each_row_too(tmp_path: Path) -> None:
    """Who then adds the player has her in it twice."""
    roster = "team,number,name,publish\nhome,7,Nora Elde,\nhome,13,Maja Torp,non\nhome,8,Ada Holm,yes\n"
    (tmp_path / "roster.csv").write_text(roster, encoding="utf-8")
    (tmp_path / "frames.csv").write_text("frame,players\nTH1_0001,home 13\nTH1_0002,home 14\n", encoding="utf-8")
    facts, problems, _ = load_facts(tmp_path, None, FrameIndex([frame(1, 0), frame(2, 1)]))
    assert [one.message for one in sorted(problems)] == [
        "players: home 14 is not in the roster; add or correct it", "publish: non is neither yes nor no"
    ]  # fmt: skip
    assert not any(one.withheld for one in problems) and held_back(facts, facts.row("TH1_0001"))
