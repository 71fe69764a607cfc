"""Facts that may mean two things: rows and references of two frames, and an answer on minors that is not understood."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.shoot.facts import held_back
from pipeline.shoot.frame_names import FrameIndex
from pipeline.shoot.read_facts import load_facts
from pipeline.types import Frame
from tests.shoot.called import frame_called, index_of
from tests.shoot.test_facts import EVENT, FRAMES, NAMES, ROSTER, read


@pytest.mark.parametrize("row", ["TH1_0009,no,,,,", "TH1_0009,,,away 12,,", "th1_0009.NEF,yes,5,home 7,,"])
def test_where_a_row_may_mean_two_frames_both_are_held_until_a_person_says_which(tmp_path: Path, row: str) -> None:
    """The same name on two cards: whichever the row forbids, it must not be delivered."""
    facts, problems, missing = read(tmp_path, EVENT, ROSTER, f"{FRAMES}{row}\n")
    assert not problems and "card1/TH1_0009 or card2/TH1_0009" in missing[0][1] and "held back" in missing[0][1]
    for name in ("card1/TH1_0009", "card2/TH1_0009"):
        assert "line 5 of frames.csv" in held_back(facts, facts.row(name))
    assert not held_back(facts, facts.row("TH1_0003"))


def test_a_row_that_may_mean_two_frames_does_not_stand_for_one_that_is_there(tmp_path: Path) -> None:
    """Nothing may say that a frame is gone when it is there."""
    for name, text in (("shoot.yaml", EVENT), ("roster.csv", ROSTER), ("frames.csv", f"{FRAMES}F9,no,,,,\n")):
        (tmp_path / name).write_text(text, encoding="utf-8")
    _, _, missing = load_facts(tmp_path, None, index_of([*NAMES, "F9", "b/F9"]))
    assert [name for name, _ in missing] == ["F9 (line 5)"]


def test_a_row_that_says_which_frame_it_means_holds_no_other(tmp_path: Path) -> None:
    facts, problems, missing = read(tmp_path, EVENT, ROSTER, f"{FRAMES}card1/TH1_0009,,,away 12,,\n")
    assert not problems and not missing
    assert "publish: no" in held_back(facts, facts.row("card1/TH1_0009"))
    assert not held_back(facts, facts.row("card2/TH1_0009"))


def test_files_of_one_stem_are_held_where_a_row_names_the_stem_alone() -> None:
    index = index_of(["F1.dng", "F1.DNG", "F2"])
    assert index.find("F1") == (None, "F1 may be ./F1.DNG or ./F1.dng; write the whole name")
    assert index.find("./F1.dng") == ("F1.dng", "")
    assert index.candidates("F1") == ["F1.DNG", "F1.dng"] and index.candidates("F2.nef") == ["F2"]
    assert index.candidates("F3") == []


def test_a_row_that_says_nothing_holds_nothing(tmp_path: Path) -> None:
    """A table of bare names from a spreadsheet must not hold a whole night of two cards."""
    facts, problems, missing = read(tmp_path, EVENT, ROSTER, f"{FRAMES}TH1_0009,,,,,\n")
    assert not problems and not missing and not facts.unclear and not facts.elsewhere


def test_two_rows_by_two_files_of_one_frame_are_no_mistake_where_one_is_empty(tmp_path: Path) -> None:
    """A table that was written when the raw and the JPEG were not yet known to be of one exposure."""
    frame = Frame("TH1_0001", Path("TH1_0001.NEF"), "TH1_0001.NEF", "raw", twin=Path("card2/TH1_0001.JPG"))
    (tmp_path / "roster.csv").write_text("team,number,name\nhome,7,Ida Marlow\n", encoding="utf-8")
    for rows, problem in (
        ("TH1_0001,,\ncard2/TH1_0001,no,\n", False), ("card2/TH1_0001,no,\nTH1_0001,,\n", False),
        ("TH1_0001,,home 7\ncard2/TH1_0001,no,\n", True), ("TH1_0001,no,\nTH1_0001,,\n", True),
    ):  # fmt: skip
        (tmp_path / "frames.csv").write_text(f"frame,keep,players\n{rows}", encoding="utf-8")
        facts, problems, _ = load_facts(tmp_path, None, FrameIndex([frame]))
        assert ["already on line 2" in p.message for p in problems] == [True] * problem
        assert problem or not facts.rows["TH1_0001"].keep


def test_a_reference_of_several_frames_is_the_one_that_is_called_so(tmp_path: Path) -> None:
    """A wrong grey card is no harm to anybody; so the night goes on, and says which is used."""
    frames = [frame_called("TH1_0001"), frame_called("card2/TH1_0001")]
    (tmp_path / "shoot.yaml").write_text("references:\n  - {frame: TH1_0001, patch: auto}\n", encoding="utf-8")
    facts, problems, _ = load_facts(tmp_path, None, FrameIndex(frames))
    assert problems == [] and [r.frame for r in facts.references] == ["TH1_0001"]
    assert "TH1_0001 may be ./TH1_0001 or card2/TH1_0001" in facts.notices[0]
    assert facts.notices[0].endswith("./TH1_0001 is used")


@pytest.mark.parametrize(
    ("event", "minors"),
    [
        ("language: de\nminors: ja\n", True),
        ("minors: Nein\nlanguage: de-AT\n", False),
        ("language: fr\nminors: oui\n", True),
        ("country: POL\nminors: tak\n", True),
        ("language: nb\nminors: nei\n", False),
        ("language: de\nminors: yes\n", True),
        ("language: de\nminors: 'no'\n", False),
    ],
)
def test_minors_is_answered_in_the_language_of_the_shoot(tmp_path: Path, event: str, minors: bool) -> None:
    """As publish and keep are; the words are those of POSIX locales, see textfile/yes_no.py."""
    facts, problems, _ = read(tmp_path, event)
    assert (facts.minors, problems) == (minors, [])


@pytest.mark.parametrize(
    "event",
    [
        "minors: perhaps\n", "minors: ja\n", "minors: [true]\n", "minors: ''\n", "minor: true\n", "minors : tru\n",
        "minors: false\nminors: true\n", "title: [a]\nminors: false\nminors: true\n", "minors\n", "minors: {\n",
    ],
)  # fmt: skip
def test_nobody_is_named_while_minors_is_not_understood(tmp_path: Path, event: str) -> None:
    facts, problems, _ = read(tmp_path, event)
    assert problems and facts.minors


def test_another_problem_does_not_make_a_shoot_one_of_minors(tmp_path: Path) -> None:
    facts, problems, _ = read(tmp_path, "titel: Town cup\nminors: false\nstart: now\n")
    assert len(problems) == 2 and not facts.minors
