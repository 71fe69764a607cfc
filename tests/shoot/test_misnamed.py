"""A roster that is called otherwise than roster.csv is asked about: nobody would be withheld by it.

What spreadsheets and browsers call a file is common practice, no source; the people are made up.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.shoot.facts import Facts
from pipeline.shoot.read_facts import load_facts
from tests.shoot.called import index_of

ROSTER = "team,number,name,publish\nhome,7,Ida Berg,no\n"
EMPTY = "team,number,name,publish\n# home,7,First and last name,yes\n"


def read(folder: Path, files: dict[str, str]) -> tuple[Facts, list[str]]:
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    facts, problems, _ = load_facts(folder, None, index_of(["TH1_0001"]))
    return facts, [str(problem).removeprefix(f"{folder}/") for problem in problems]


@pytest.mark.parametrize("beside", [{}, {"roster.csv": EMPTY}])
@pytest.mark.parametrize(
    ("name", "do"),
    [
        ("Roster.csv", "rename it to roster.csv"),
        ("roster.csv.csv", "rename it to roster.csv"),
        ("roster (1).csv", "rename it to roster.csv"),
        ("roster copy.csv", "rename it to roster.csv"),
        ("roster.xlsx", "save it as roster.csv (CSV UTF-8)"),
        ("roster.ods", "save it as roster.csv (CSV UTF-8)"),
        ("roster.csv.txt", "save it as roster.csv (CSV UTF-8)"),
        ("roster", "save it as roster.csv (CSV UTF-8)"),
    ],
)
def test_a_roster_under_another_name_stops_the_run(tmp_path: Path, name: str, do: str, beside: dict[str, str]) -> None:
    """Also beside the form that was to be filled in, as where a spreadsheet saved it in its own format."""
    (tmp_path / "roster.csv").touch()
    if (tmp_path / name).exists():
        pytest.skip("this file system does not tell the two names apart")
    (tmp_path / "roster.csv").unlink()
    assert read(tmp_path, {name: ROSTER, **beside})[1] == [f"{name}: is not read; {do}"]


@pytest.mark.parametrize("name", ["shoot.yml", "shoot.yaml.txt", "frames.xlsx", "frames (2).csv"])
def test_so_does_another_file_of_the_facts(tmp_path: Path, name: str) -> None:
    (said,) = read(tmp_path, {name: "minors: true\n"})[1]
    assert said.startswith(f"{name}: is not read")


@pytest.mark.parametrize(
    "files",
    [
        {"roster.csv": ROSTER, "roster.xlsx": "x"},  # of which it was saved
        {"shoot.yaml": "roster: roster.txt\n", "roster.txt": ROSTER},
        {"roster.csv": ROSTER, ".~lock.roster.csv#": "x", "roster-2025.csv": ROSTER, "frames_old.csv": "x"},
        {"roster.csv": EMPTY},
    ],
)
def test_other_files_are_let_be(tmp_path: Path, files: dict[str, str]) -> None:
    for number, (name, text) in enumerate(reversed(files.items())):
        (tmp_path / name).write_text(text, encoding="utf-8")
        os.utime(tmp_path / name, (10**9 + number, 10**9 + number))
    facts, problems, _ = load_facts(tmp_path, None, index_of(["TH1_0001"]))
    assert problems == [] and facts.notices == ()


def test_one_that_was_changed_later_is_named(tmp_path: Path) -> None:
    read(tmp_path, {"roster.csv": ROSTER})
    os.utime(tmp_path / "roster.csv", (10**9, 10**9))
    facts, problems = read(tmp_path, {"roster.xlsx": "x"})
    (said,) = facts.notices
    assert problems == [] and "roster.xlsx was changed later than roster.csv and is not read" in said
