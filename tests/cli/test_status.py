"""What a run says at its end: one line for each thing, however many frames it is about."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.cli.console import MOST_LINES
from pipeline.cli.status import print_foreseen, print_outcome, print_places
from pipeline.report.record import Counts, FileRecord, FrameRecord, RunRecord
from pipeline.steps.resize import ResizeParams, shortfall


def printed(capsys: pytest.CaptureFixture[str], notices: list[str], frames: int) -> list[str]:
    names = {f"TH1_{n:04d}": FrameRecord("", "delivered") for n in range(1, frames + 1)}
    print_outcome(RunRecord("1", "done", "", "", "", {}, "", Counts(), [], names, notices=notices))
    return [line for line in capsys.readouterr().err.splitlines() if line.startswith("note:")]


def test_what_is_the_same_of_many_frames_is_said_once(capsys: pytest.CaptureFixture[str]) -> None:
    notices = ["the lamps flicker", *(f"TH1_{n:04d}: no Exif in this file" for n in (1, 2, 3)), "TH1_0002: very dark"]
    assert printed(capsys, notices, 3) == [
        "note: the lamps flicker",
        "note: TH1_0001 and 2 more: no Exif in this file",
        "note: TH1_0002: very dark",
    ]


def test_who_is_held_back_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    names = {"A": FrameRecord("A.dng", "held", "keep: no")}
    names |= {f"TH1_{n:04d}": FrameRecord(f"{n}.dng", "held", "shows a player") for n in (1, 2, 3)}
    print_outcome(RunRecord("1", "done", "", "", "", {}, "", Counts(), [], names))
    lines = capsys.readouterr().err.splitlines()
    assert lines == ["note: TH1_0001 and 2 more held back: shows a player", "note: A held back: keep: no"]


def test_many_things_to_say_end_with_a_count(capsys: pytest.CaptureFixture[str]) -> None:
    """What asks for a look is said at once; of what does not, the report has the rest."""
    doubts = [f"thing {n}: look at it" for n in range(25)]
    assert printed(capsys, doubts, 1)[-1] == "note: and 5 more notes in the report, 5 of them to look at"
    shown = printed(capsys, doubts[: MOST_LINES + 1], 1)
    assert shown[-1] == f"note: {doubts[MOST_LINES]}"  # in place of "and 1 more note"
    harm = [f"thing {n} must not be shown" for n in range(25)]
    assert len(printed(capsys, harm, 1)) == 25
    known = [f"thing {n}" for n in range(16)]
    assert printed(capsys, known, 1)[-1] == "note: and 4 more notes in the report, none of which asks for anything"
    shown = printed(capsys, [*known, *doubts[:14]], 1)
    assert len(shown) == 15 and all("look at it" in text for text in shown[:14])


def test_before_a_run_every_note_can_be_read(capsys: pytest.CaptureFixture[str]) -> None:
    """No report has the rest yet."""
    held = {f"TH1_{n:04d}": FrameRecord("", "held", f"reason {n}") for n in range(40)}
    failed = {f"TH2_{n:04d}": FrameRecord("", "failed", f"reason {n}") for n in range(40)}
    notices = [f"thing {n}" for n in range(40)]
    print_foreseen(RunRecord("1", "done", "", "", "", {}, "", Counts(), [], {**held, **failed}, notices=notices))
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 120 and not any("more" in line for line in lines)


def test_of_a_frame_that_fails_the_reason_says_all(capsys: pytest.CaptureFixture[str]) -> None:
    frames = {"A": FrameRecord("A.jpg", "failed", "the file is empty (0 bytes)", notices=["the file is empty"])}
    print_foreseen(RunRecord("1", "done", "", "", "", {}, "", Counts(), [], frames))
    assert capsys.readouterr().err.splitlines() == ["would fail: A.jpg: the file is empty (0 bytes)"]


def test_each_delivery_has_a_line_with_its_folder_and_number_of_files(capsys: pytest.CaptureFixture[str]) -> None:
    """The README: the pictures are in OUT/<delivery>/."""
    file = FileRecord("", "", 1, 1, 1, 0, "", True, "", "", "", [])
    frames = {
        "A": FrameRecord("", "delivered", deliveries={"web": file, "phone": file}),
        "B": FrameRecord("", "delivered", deliveries={"web": file}),
        "C": FrameRecord("", "held"),
    }
    print_places(RunRecord("1", "done", "", "", "", {}, "", Counts(), [], frames), Path("OUT"))
    assert capsys.readouterr().out == f"delivered  {Path('OUT/web')}  2 files\ndelivered  {Path('OUT/phone')}  1 file\n"


def test_status_prints_few_notes_and_all_who_are_held_back(capsys: pytest.CaptureFixture[str]) -> None:
    frames = {"A": FrameRecord("A.dng", "held", "keep: no")}
    notices = ["the lamps flicker", "a new thing", "the white is sure"]
    print_outcome(RunRecord("1", "done", "", "", "", {}, "", Counts(), [], frames, notices=notices), most=1)
    lines = [line for line in capsys.readouterr().err.splitlines() if line.startswith("note:")]
    assert lines == [
        "note: the lamps flicker",
        "note: and 2 more notes in the report, none of which asks for anything",
        "note: A held back: keep: no",
    ]


def test_files_smaller_than_asked_for_are_one_line_with_the_smallest(capsys: pytest.CaptureFixture[str]) -> None:
    """One for all deliveries: 480 pixels are worth knowing, whichever of them asked for more."""

    def file(width: int, height: int, asked: int) -> FileRecord:
        params = ResizeParams(long_edge=asked)
        notices = [text for text in (shortfall(params, height, width),) if text]
        return FileRecord("", "", 1, width, height, 0, "", True, "", "", "", notices)

    frames = {
        "A": FrameRecord("", "delivered", deliveries={"web": file(1920, 1080, 2048), "phone": file(1350, 759, 1350)}),
        "B": FrameRecord("", "delivered", deliveries={"web": file(1920, 1080, 2048), "phone": file(384, 480, 1350)}),
    }
    print_outcome(RunRecord("1", "done", "", "", "", {}, "", Counts(), [], frames))
    notes = [line for line in capsys.readouterr().err.splitlines() if line.startswith("note:")]
    assert len(notes) == 1 and notes[0].startswith("note: A and 1 more: shorter than asked for")
    assert notes[0].endswith("the smallest is B in phone, 384 × 480 pixels")


def test_what_a_stopped_run_has_not_rendered_is_still_to_be(capsys: pytest.CaptureFixture[str]) -> None:
    names = {"A": FrameRecord("A.dng", "undone", "")}
    print_outcome(RunRecord("1", "stopped", "stopped", "", "", {}, "", Counts(frames=1, undone=1), [], names))
    assert "1 not done: none rendered yet" in capsys.readouterr().out
