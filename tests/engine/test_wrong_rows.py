"""A row of frames.csv with a wrong cell holds back its frame, and the rest of the night goes on."""

from __future__ import annotations

from pathlib import Path

import pytest
from PIL import Image

from pipeline.engine.earlier import keep_names
from pipeline.engine.jobs import Shoot, read_shoot
from pipeline.errors import InputError
from pipeline.store.store import Store

ROSTER = "team,number,name,publish\nhome,7,Ida Marlow,yes\nhome,8,Lea Ost,no\n"


def shoot_of(folder: Path, rows: dict[int, str], count: int = 10, roster: str = ROSTER) -> Shoot:
    """`rows`: number of a frame -> its cells after `frame`."""
    for number in range(1, count + 1):
        Image.new("RGB", (32, 24), (number, 0, 0)).save(folder / f"TH1_{number:04d}.jpg")
    cells = [f"TH1_{number:04d},{rows.get(number, ',,,')}" for number in range(1, count + 1)]
    (folder / "frames.csv").write_text("\n".join(["frame,keep,rating,players,words", *cells, ""]))
    (folder / "roster.csv").write_text(roster)
    return read_shoot(folder)


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        (",,home 77,", "home 77 is not in the roster"),  # who is in the picture is not known: it may be Lea Ost
        ("perhaps,,,", "perhaps is neither yes, no nor always"),  # it may mean no
        (",9,home 77,", "9 is not a rating"),
    ],
)
def test_the_frame_of_a_wrong_row_is_held_back_and_named(tmp_path: Path, cells: str, said: str) -> None:
    shoot = shoot_of(tmp_path, {4: cells, 5: ",,home 8,"})
    held = [frame.name for frame in shoot.frames if shoot.withheld(frame.name)]
    assert held == ["TH1_0004", "TH1_0005"]
    assert shoot.withheld("TH1_0004") == "line 5 of frames.csv is wrong; correct it"
    ((row, why),) = shoot.missing
    assert row == "TH1_0004 (line 5)" and "frames.csv:5:" in why and said in why
    assert why.endswith("TH1_0004 is held back until then")
    assert shoot.failures()  # so that the exit status is 1


@pytest.mark.parametrize("count, wrong, stops", [(10, 3, False), (10, 4, True), (100, 5, False), (100, 6, True)])
def test_many_wrong_rows_stop_the_run_while_a_person_is_there(
    tmp_path: Path, count: int, wrong: int, stops: bool
) -> None:
    rows = dict.fromkeys(range(1, wrong + 1), ",,home 77,")
    if not stops:
        assert len(shoot_of(tmp_path, rows, count).missing) == wrong
        return
    with pytest.raises(InputError, match="these are too many wrong rows") as error:
        shoot_of(tmp_path, rows, count)
    assert len(error.value.problems) == wrong


def test_what_is_wrong_elsewhere_stops_the_run(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="x may mean yes or no beside empty cells") as error:
        shoot_of(tmp_path, {4: ",,home 77,"}, roster=ROSTER.replace(",yes", ",").replace(",no", ",x"))
    assert len(error.value.problems) == 2 and "too many" not in str(error.value)


def test_the_players_of_a_wrong_row_count_for_the_burst_beside_it(tmp_path: Path) -> None:
    """It is told of the burst around a withheld player also where another cell of that row is wrong."""
    shoot = shoot_of(tmp_path, {4: ",9,home 8,"})
    assert shoot.shows_withheld("TH1_0004") and shoot.for_consent("TH1_0004")
    assert shoot.facts.row("TH1_0004").players == (("home", "8"),)


def test_what_is_wrong_is_said_without_the_names_of_withheld_players(tmp_path: Path) -> None:
    Image.new("RGB", (32, 24)).save(tmp_path / "Lea_Ost_0001.jpg")
    (tmp_path / "shoot.yaml").write_text("country: nowhere\nreferences: [{frame: Lea_Ost_0001}]\n")
    with pytest.raises(InputError, match="say where the neutral is") as error:
        shoot_of(tmp_path, {4: ",,home 77,"})
    assert "Lea" not in str(error.value) and "shoot.yaml:1:" in str(error.value)
    (tmp_path / "shoot.yaml").unlink()
    table = tmp_path / "more.csv"
    table.write_text("frame,players\nLea_Ost_0001,home 7\nLea_Ost_0001.jpg,home 8\nLea_Ost_0001.JPG,home 77\n")
    (tmp_path / "shoot.yaml").write_text("frames: more.csv\ncountry: nowhere\n")
    with pytest.raises(InputError, match="is already on line 2") as error:
        shoot_of(tmp_path, {})
    assert "Lea" not in str(error.value) and "more.csv:3:" in str(error.value)


def test_an_earlier_run_knows_whom_a_number_meant(tmp_path: Path) -> None:
    """Lea Ost is number 9 by now, and her rows still say 8: the next run must not take them for Una Tern's."""
    (tmp_path / "shoot").mkdir()
    now = "team,number,name,publish\nhome,7,Ida Marlow,yes\nhome,9,Lea Ost,no\nhome,8,Una Tern,yes\n"
    rows, store = {4: ",,home 8,", 5: ",,home 7,"}, Store.open(tmp_path / "out", tmp_path / "shoot")
    for roster, held in ((ROSTER, True), (now, True), (now, True), (ROSTER.replace("no", "yes"), False), (now, True)):
        shoot_of(tmp_path / "shoot", rows, roster=roster)
        shoot = read_shoot(tmp_path / "shoot", out=store.out)
        assert [frame.name for frame in shoot.frames if shoot.withheld(frame.name)] == ["TH1_0004"] * held, roster
        keep_names(store, shoot.frames, shoot.facts)
