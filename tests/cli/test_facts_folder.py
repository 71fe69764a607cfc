"""--facts DIR: one folder of facts that every command understands."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.engine.tables.test_caption_sheet import shoot_of
from tests.engine.test_run import evencourt

RECIPE = """\
recipe: 1
steps:
  - decode:
deliveries:
  web:
    - caption:
    - save: {format: jpeg, name: "{{ frame }} {{ home }}"}
"""
FACTS = ("shoot.yaml", "roster.csv", "frames.csv")


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with SHOOT, its facts in a folder `desk`, a recipe, and OUT of a run with --facts desk."""
    folder = tmp_path_factory.mktemp("night")
    frames = "frame,players,words\nTH1_0001,away 12,takes the ball\nTH1_0002,home 4,\n"
    shoot = shoot_of(folder / "shoot", frames)
    (folder / "desk").mkdir()
    for name in FACTS:
        (shoot / name).rename(folder / "desk" / name)
    (folder / "recipe.yaml").write_text(RECIPE, encoding="utf-8")
    status, text = evencourt("run", *files(folder), "--out", folder / "out", "--workers", 1)
    assert status == 0, text
    return folder


def files(folder: Path) -> tuple[object, ...]:
    return folder / "recipe.yaml", folder / "shoot", "--facts", folder / "desk"


def test_run_reads_all_three_files(night: Path) -> None:
    # The title is of shoot.yaml, the name of roster.csv, the words of frames.csv; home 4 has publish: no.
    assert sorted(p.name for p in (night / "out" / "web").iterdir()) == [
        "TH1_0001_Harbour_Gulls.jpg",
        "TH1_0003_Harbour_Gulls.jpg",
    ]
    record = json.loads((night / "out" / "run.json").read_text(encoding="utf-8"))
    caption = record["frames"]["TH1_0001"]["deliveries"]["web"]["caption"]
    assert "Zofia Kłosowska" in caption and "takes the ball" in caption
    assert list((night / "shoot").glob("*.csv")) == []


def test_check_and_inspect_read_them(night: Path) -> None:
    status, text = evencourt("check", *files(night))
    assert status == 0, text
    status, text = evencourt("inspect", *files(night)[1:], "--workers", 1)
    assert status == 0, text
    broken = night / "broken"
    broken.mkdir()
    (broken / "roster.csv").write_text("team,number,name\nhome,x,Ida\n", encoding="utf-8")
    for words in (("check", *files(night)[:2]), ("inspect", *files(night)[1:2])):
        status, text = evencourt(*words, "--facts", broken)
        assert status == 2 and f"{broken / 'roster.csv'}:2:" in text


def test_a_file_that_two_places_hold_is_said(night: Path) -> None:
    beside = night / "shoot" / "roster.csv"
    beside.write_text("team,number,name,publish\nhome,4,Tuva Rønning,yes\n", encoding="utf-8")
    try:
        status, text = evencourt("run", *files(night), "--out", night / "out", "--workers", 1)
    finally:
        beside.unlink()
    assert status == 0 and f"{night / 'desk' / 'roster.csv'} is used; {beside} is not read" in text
    assert not (night / "out" / "web" / "TH1_0002_Harbour_Gulls.jpg").exists()


def test_verify_finds_the_folder_again(night: Path) -> None:
    status, text = evencourt("verify", night / "out", "--render", 2)
    assert status == 0, text
    (night / "desk").rename(night / "moved")
    try:
        status, text = evencourt("verify", night / "out", "--render", 2)
        assert status == 2 and "say where they are now with --facts" in text
        status, text = evencourt("verify", night / "out", "--render", 2, "--facts", night / "moved")
        assert status == 0, text
    finally:
        (night / "moved").rename(night / "desk")


def test_a_folder_that_is_not_there_is_an_error_of_every_command(night: Path) -> None:
    shoot, gone = night / "shoot", night / "gone"
    for words in (
        ("check", night / "recipe.yaml", shoot),
        ("inspect", shoot),
        ("captions", shoot),
        ("captions", shoot, "--check"),
        ("run", night / "recipe.yaml", shoot, "--out", night / "none"),
    ):
        status, text = evencourt(*words, "--facts", gone)
        assert status == 2 and f"{gone}: cannot be read: there is no such file or folder" in text
    assert not (night / "none").exists()


def test_out_may_not_be_the_folder_of_the_facts(night: Path) -> None:
    typed = {p.name: p.read_bytes() for p in (night / "desk").iterdir()}
    for facts in (night / "desk", night / "desk" / "shoot.yaml"):
        for more in ((), ("--dry-run",)):
            words = ("run", *files(night)[:2], "--facts", facts, "--out", night / "shoot" / ".." / "desk", *more)
            status, text = evencourt(*words, "--workers", 1)
            assert status == 2 and "OUT is the folder of the facts, which is never written" in text
    assert {p.name: p.read_bytes() for p in (night / "desk").iterdir()} == typed


def test_a_table_of_frames_that_no_run_wrote_is_not_written_over(night: Path, tmp_path: Path) -> None:
    (tmp_path / "frames.csv").write_text("frame,words\nTH1_0001,mine\n", encoding="utf-8")
    status, text = evencourt("run", *files(night), "--out", tmp_path, "--workers", 1)
    assert status == 2 and f"{tmp_path / 'frames.csv'}: no run wrote it" in text
    assert text.endswith("no picture was made: see to that, and run the same command again")
    assert [p.name for p in tmp_path.iterdir()] == ["frames.csv"] and "mine" in (tmp_path / "frames.csv").read_text()


def test_a_table_in_out_that_a_person_changed_stays_and_is_said(night: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    run = ("run", *files(night), "--out", out, "--workers", 1)
    assert evencourt(*run)[0] == 0
    table = out / "frames.csv"
    first = table.read_bytes()
    (night / "desk" / "frames.csv").write_text("frame,words\nTH1_0003,leaps\n", encoding="utf-8")  # ours is made anew
    status, text = evencourt(*run)
    assert status == 0 and table.read_bytes() != first and b"leaps" in table.read_bytes() and "by hand" not in text
    table.write_bytes(first + b"TH1_0009,no\r\n")
    for _ in range(2):
        status, text = evencourt(*run)
        assert status == 0 and "frames.csv in OUT is not as the last run wrote it, and is left as it is" in text
        assert table.read_bytes() == first + b"TH1_0009,no\r\n"
    table.unlink()
    status, text = evencourt(*run)
    assert status == 0 and b"leaps" in table.read_bytes() and "by hand" not in text
