"""Lists of captions: files that name frames and players, of any form in which a person or a page keeps them."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import PIL.Image
import pytest

from pipeline.shoot.consent import named_by_own_texts
from pipeline.shoot.facts import Facts, FrameFacts, Player
from pipeline.types import Frame

HIDDEN, SHOWN = "Siri Fjellheim", "Ada Brekke"
FACTS = Facts(roster=(Player("home", "7", SHOWN, True, 2), Player("home", "9", HIDDEN, False, 3)))


def frame(folder: Path, name: str) -> Frame:
    path = folder / f"{name}.jpg"
    PIL.Image.new("RGB", (16, 16), (90, 90, 90)).save(path)
    return Frame(name, path, path.name, "picture")


def held(folder: Path, file: str, text: str, facts: Facts = FACTS) -> tuple[list[int], list[str]]:
    """(numbers of TH1_0001 to TH1_0005 that are held, notices) with a list in the shoot folder."""
    (folder / file).write_text(text, encoding="utf-8", newline="")
    said = list[str]()
    found = named_by_own_texts(facts, [frame(folder, f"TH1_{at:04d}") for at in range(1, 6)], said)
    return sorted(int(name[-4:]) for name in found), said


@pytest.mark.parametrize("codec", ["utf-8", "utf-16"])
def test_a_list_of_captions_holds_the_frames_in_the_lines_that_name_somebody(tmp_path: Path, codec: str) -> None:
    frames = [frame(tmp_path, f"TH1_000{at}") for at in range(1, 5)]
    text = (
        "TH1_0001.jpg: a save\nTH1_0002.jpg: Siri Fjellheim scores\nth1_0003 - SIRI FJELLHEIM\nTH1_00044 Siri Fjellheim"
    )
    (tmp_path / "captions.txt").write_text(text, encoding=codec)
    said = list[str]()
    found = named_by_own_texts(FACTS, frames, said)
    assert list(found) == ["TH1_0002", "TH1_0003"] and "captions.txt names it beside a player" in found["TH1_0002"]
    assert said == [said[0]] and said[0].startswith("captions.txt names a player") and "Fjell" not in said[0]
    (tmp_path / "captions.txt").rename(tmp_path / "siri fjellheim.txt")
    said.clear()
    named_by_own_texts(FACTS, frames, said)
    assert said[0].startswith("a .txt file names a player")
    (tmp_path / "siri fjellheim.txt").write_text("a save", encoding=codec)
    (tmp_path / "captions").mkdir()
    for name in ("TH1_0004_caption.txt", "captions/TH1_0001.TXT"):
        (tmp_path / name).write_text("Siri Fjellheim", encoding=codec)
    assert sorted(named_by_own_texts(FACTS, frames)) == ["TH1_0001", "TH1_0004"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("TH1_0002-0004: Siri Fjellheim scores", [2, 3, 4]),
        ("(th1_0002.jpg - th1_0004.jpg) Siri Fjellheim", [2, 3, 4]),
        ("TH1_0002, 0004: Siri Fjellheim", [2, 4]),
        ("0002 Siri Fjellheim, 4 goals in 00003 games", [2]),
        ("TH1_0002: Siri Fjellheim, Tide Cup 2026", [2]),
        ("TH1_0002 - 4 Siri Fjellheim", [2]),  # her number
        ("TH1_0002: Siri Fjelheim", [2]),  # typed wrong
        ("TH1_0002: a save. Photo: S. Fjellheim", []),  # who took it
        ("TH1_0002: S. Fjellheim", [2]),
        ("TH1_0005: a save\nTH1_0002.jpg\nTH1_0003\nSiri Fjellheim\nTH1_0004\n\nTH1_0001\nA save", [2, 3, 4]),
        ("TH1_0002: a save\nSiri Fjellheim\n\nTH1_0001", []),
    ],
)
def test_a_line_names_frames_by_number_from_one_to_another_or_alone_beside_it(
    tmp_path: Path, text: str, expected: list[int]
) -> None:
    frames = [frame(tmp_path, f"TH1_{at:04d}") for at in (1, 2, 3, 4, 5, 2026)]
    (tmp_path / "captions.txt").write_text(text, encoding="utf-8")
    (tmp_path / "captions.csv").touch()  # no frame is called so
    said = list[str]()
    facts = replace(FACTS, creator="Sven Fjellheim")
    found = named_by_own_texts(facts, frames, said)
    assert sorted(found) == [f"TH1_000{at}" for at in expected]
    assert any("no frame beside the name" in one for one in said) == ("\nSiri" in text)
    listed = replace(facts, rows={f"TH1_000{at}": FrameFacts(players=(("home", "7"),)) for at in expected})
    assert not named_by_own_texts(listed, frames) or "Fjelheim" not in text


@pytest.mark.parametrize("suffix", ["csv", "tsv", "CSV"])
@pytest.mark.parametrize("sign", [",", ";", "\t", "|"])
def test_a_row_of_a_table_counts_as_a_whole(tmp_path: Path, suffix: str, sign: str) -> None:
    """Cells with line breaks are in quotes (RFC 4180, 2.6)."""
    rows = [
        ("file", "size", "first name", "surname", "words"),
        ("TH1_0001.CR2", "0005", "Ada", "Brekke", "shoots"),
        ("TH1_0002.CR2", "1/0005", "Siri", "Fjellheim", "saves"),
        ("TH1_0003.CR2", "0005", "", "", '"a ""save""\r\nby Siri Fjellheim"'),
        ("0004", "", "Siri", "Fjellheim", ""),
    ]
    text = "".join(sign.join(row) + "\r\n" for row in rows)
    assert held(tmp_path, f"captions.{suffix}", text) == ([2, 3, 4], [])


def test_a_name_over_two_lines_of_a_cell_counts(tmp_path: Path) -> None:
    assert held(tmp_path, "captions.csv", 'file;who\nTH1_0001.dng;a save\nTH1_0002.dng;"Fjellheim,\nSiri"\n')[0] == [2]


def test_a_table_whose_quotes_do_not_pair_up_is_read_line_by_line(tmp_path: Path) -> None:
    assert held(tmp_path, "captions.csv", 'TH1_0001,"6" tall\nTH1_0002,Siri Fjellheim\n')[0] == [2]


def test_a_table_without_a_frame_is_no_list_of_captions(tmp_path: Path) -> None:
    assert held(tmp_path, "parents.csv", "Siri Fjellheim,2012-03-04\n") == ([], [])
    assert held(tmp_path, "parents.txt", "Siri Fjellheim,2012-03-04\n")[1] != []
    (tmp_path / "parents.txt").unlink()
    assert held(tmp_path, "parents.csv", "TH1_0001,a save\nSiri Fjellheim,2012-03-04\n")[1] != []


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        ([{"file": "TH1_0001.jpg", "caption": "a save"}, {"file": "TH1_0002.jpg", "caption": HIDDEN}], [2]),
        ({"photos": [{"file": "TH1_0001", "who": [SHOWN]}, {"file": "TH1_0002", "who": [SHOWN, HIDDEN]}]}, [2]),
        ({"TH1_0001": {"caption": "a save"}, "TH1_0002": {"people": [{"name": HIDDEN}]}, "TH1_0003": HIDDEN}, [2, 3]),
        ({"cover": "TH1_0001.jpg", "TH1_0002": {"who": HIDDEN}}, [2]),
        ({HIDDEN: ["TH1_0002", "TH1_0003"], SHOWN: ["TH1_0001"]}, [2, 3]),
        ({"files": ["TH1_0002.jpg", "TH1_0003.jpg"], "caption": f"{HIDDEN} scores"}, [2, 3]),
        ({"image": {"file_name": "TH1_0002.jpg", "width": 5}, "caption": f"{HIDDEN} scores"}, [2]),
        ({"file": "TH1_0002.jpg", "first": "Siri", "number": 9, "name of the family": "Fjellheim"}, [2]),
        ({"file": "TH1_0002.jpg", "caption": f"{HIDDEN} scores, see TH1_0003"}, [2, 3]),
        ([f"TH1_0001: {SHOWN}", f"TH1_0002: {HIDDEN}"], [2]),
        ([["TH1_0001", SHOWN], ["TH1_0002", HIDDEN], ["TH1_0003", "a save"]], [2]),
        ([["TH1_0001", "Ada", "Brekke"], ["TH1_0002", "Siri", "Fjellheim"]], [2]),
        ([{"file": "TH1_0002", "who": ["Siri", "Fjellheim"]}, {"file": "TH1_0003", "who": ["Siri"]}], [2]),
        ({"title": f"{HIDDEN} Cup", "photos": [{"file": "TH1_0001.jpg"}, {"file": "TH1_0002.jpg"}]}, []),
        ({"title": f"{HIDDEN} Cup", "photos": {"a": {"file": "TH1_0001"}, "b": {"file": "TH1_0002"}}}, []),
        ({"file": "TH1_0001.jpg", "next": {"file": "TH1_0002.jpg", "who": HIDDEN}}, [2]),
    ],
)
@pytest.mark.parametrize("indent", [None, 2])
def test_json_counts_by_the_nearest_part_that_names_frames(
    tmp_path: Path, content: object, expected: list[int], indent: int | None
) -> None:
    frames, said = held(tmp_path, "captions.json", json.dumps(content, indent=indent))
    assert frames == expected
    assert bool(said) == (not expected)


@pytest.mark.parametrize("text", ['{"TH1_0002": "Siri Fjellheim"', "[" * 100_000 + "\nTH1_0002 Siri Fjellheim"])
def test_json_that_is_none_is_read_line_by_line(tmp_path: Path, text: str) -> None:
    assert held(tmp_path, "captions.json", text)[0] == [2]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("## TH1_0002.CR2\n\nHome attacks.\nSiri Fjellheim scores.\n\n## TH1_0003.CR2\n\nA save.\n", [2]),
        ("TH1_0002\nHome attacks.\nSiri Fjellheim scores.\n", [2]),
        ("TH1_0002\n\nA save.\n\nSiri Fjellheim wants no pictures.\n", []),
        ("TH1_0001: a save\n\nSiri Fjellheim scores.\n", []),
        ("A save\nTH1_0001\n\nSiri Fjellheim\nTH1_0002\n", [2]),
        ("| TH1_0001 | a save |\n| TH1_0002 | Siri Fjellheim |\n", [2]),
        ("## Siri Fjellheim\n\n- TH1_0002\n\n- TH1_0003\n\n## A save\n\nTH1_0001\n", [2, 3]),
        ("Siri Fjellheim\n--------------\n\nTH1_0002\n\nA save\n------\n\nTH1_0001\n", [2]),
        ("Siri Fjellheim scores.\n\nTH1_0002\n", []),
    ],
)
def test_a_name_alone_in_a_line_is_the_head_of_the_paragraph_below(
    tmp_path: Path, text: str, expected: list[int]
) -> None:
    assert held(tmp_path, "captions.md", text)[0] == expected


def test_lists_beside_the_facts_count_and_the_tables_of_the_facts_are_none(tmp_path: Path) -> None:
    shoot, desk = tmp_path / "shoot", tmp_path / "desk"
    (desk / "old").mkdir(parents=True)
    shoot.mkdir()
    facts = replace(FACTS, roster_file=str(desk / "players.csv"), frames_file=str(desk / "night.csv"))
    for file in ("desk/players.csv", "desk/night.csv", "shoot/frames.csv", "desk/away_roster.csv", "desk/old/list.csv"):
        (tmp_path / file).write_text(f"TH1_0001,{HIDDEN}\n", encoding="utf-8")
    assert held(shoot, "shoot.txt", "", facts) == ([], [])
    (desk / "list.csv").write_text(f"TH1_0001,{HIDDEN}\n", encoding="utf-8")
    assert held(shoot, "shoot.txt", "", facts) == ([1], [])
    assert held(shoot, "shoot.txt", "", replace(facts, roster_file="", frames_file="")) == ([], [])


def test_a_list_that_cannot_be_searched_is_named(tmp_path: Path) -> None:
    (tmp_path / "TH1_0001.docx").touch()  # beside its frame
    (tmp_path / f"{HIDDEN}.PDF").touch()
    said = held(tmp_path, "list.txt", "")[1]
    assert len(said) == 1 and said[0].startswith("a .pdf file: not read")
    (tmp_path / "Captions.XLSX").touch()
    assert held(tmp_path, "list.txt", "")[1][0].startswith("Captions.XLSX and 1 more: not read")
    shown = replace(FACTS, roster=FACTS.roster[:1])
    assert held(tmp_path, "list.txt", "", shown)[1] == []
