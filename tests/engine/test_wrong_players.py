"""One wrong row of the roster: its player is withheld whatever it says, and the rest of the night goes on.

The people are made up.
"""

from __future__ import annotations

import os
from pathlib import Path

import PIL.Image
import pytest

from pipeline.engine.jobs import Shoot, read_shoot
from pipeline.errors import InputError
from tests.engine.test_run import evencourt

RIGHT = "team,number,name,publish\nhome,7,Ida Marlow,yes\nhome,8,Lea Ost,no\naway,7,Una Tern,yes\n"
# number of a frame -> its players and words
ROWS = {1: "home 7,", 2: "away 7,", 3: "home 12,", 4: ",Runa Lindqvist scores", 5: ",Runa at the line", 6: ","}


def shoot_of(folder: Path, wrong: str, rows: dict[int, str] = ROWS) -> Shoot:
    """`wrong`: one more line of the roster."""
    for number in rows:
        noise = PIL.Image.frombytes("RGB", (48, 32), os.urandom(48 * 32 * 3))
        noise.save(folder / f"TH1_{number:04d}.jpg")
    cells = [f"TH1_{number:04d},{row}" for number, row in rows.items()]
    (folder / "frames.csv").write_text("\n".join(["frame,players,words", *cells, ""]))
    (folder / "roster.csv").write_text(f"{RIGHT}{wrong}\n")
    return read_shoot(folder)


@pytest.mark.parametrize(
    ("wrong", "said", "held"),
    [
        ("home,12,Runa Lindqvist,perhaps", "perhaps is neither yes nor no", [3, 4, 5]),
        ("home,x2,Runa Lindqvist,yes", "x2 is not a shirt number", [3, 4, 5]),  # home 12 may be meant
        ("Hrbour,7,Runa Lindqvist,yes", "no team Hrbour", [1, 2, 3, 4, 5]),  # of which side: home 12 is nobody then
        ("home,7,Runa Lindqvist,", "home 7 is already on line 2", [1, 3, 4, 5]),  # who wears it is not known
        ("home,12,,yes", "empty; write the player", [3]),  # nobody who must not be shown, and nobody knows who
    ],
)
def test_what_may_show_or_name_a_player_of_a_wrong_row_is_held(
    tmp_path: Path, wrong: str, said: str, held: list[int]
) -> None:
    shoot = shoot_of(tmp_path, wrong)
    assert [int(f.name[-4:]) for f in shoot.frames if shoot.withheld(f.name)] == held
    (why,) = shoot.facts.wrong_players
    assert "roster.csv:5:" in why and said in why and why.endswith("this player is delivered")
    assert shoot.failed_steps() == {"roster": why}
    # the row says no such thing: who looks there for a no is sent astray
    reasons = [shoot.withheld(f"TH1_{number:04d}") for number in held]
    assert all("is wrong" in text and "publish: no" not in text for text in reasons), reasons


@pytest.mark.parametrize(
    "wrong",
    [
        "home,12,,no",  # whom it withholds cannot be looked for
        "home,12,,",
        f"home,12,{'Runa ' * 30},no",
        "home,12,Runa Lindqvist,x\nhome,13,Tora Vik,",  # a mark, or "ok", beside empty cells: all others may be a no
        "home,12,Runa Lindqvist,ok\nhome,13,Tora Vik,",
        "\n".join(f"home,{n},Runa Lindqvist {n},perhaps" for n in range(12, 16)),  # the table as a whole
    ],
)
def test_where_nobody_can_know_whom_it_withholds_the_run_stops(tmp_path: Path, wrong: str) -> None:
    if wrong == "home,12,,":  # empty means yes: then a name that is missing withholds nobody
        assert shoot_of(tmp_path, wrong).facts.wrong_players
        return
    with pytest.raises(InputError, match=r"roster\.csv:5"):
        shoot_of(tmp_path, wrong)


def test_a_roster_without_a_right_row_stops_the_run(tmp_path: Path) -> None:
    shoot_of(tmp_path, "")
    (tmp_path / "roster.csv").write_text("team,number,name,publish\nhome,x,Ida Marlow,yes\n")
    with pytest.raises(InputError, match=r"roster\.csv:2") as error:
        read_shoot(tmp_path)
    assert len(error.value.problems) == 1  # not one for each frame as well


def test_the_run_names_the_row_and_delivers_the_rest(tmp_path: Path) -> None:
    shoot, out = tmp_path / "shoot", tmp_path / "out"
    shoot.mkdir()
    shoot_of(shoot, "home,12,Runa Lindqvist,perhaps")
    (tmp_path / "r.yaml").write_text("recipe: 1\ndeliveries: {web: [resize: {long_edge: 32}, caption: , save: ]}\n")
    check = evencourt("check", tmp_path / "r.yaml", shoot)
    status, told = evencourt("run", tmp_path / "r.yaml", shoot, "--out", out, "--workers", 1, "--no-cache", "--offline")
    for exit_status, text in (check, (status, told)):
        assert exit_status == 1 and "roster.csv:5:" in text and "perhaps is neither yes nor no" in text, text
    assert {path.name for path in (out / "web").iterdir()} == {f"TH1_000{n}.jpg" for n in (1, 2, 6)}
    assert "Lindqvist" not in (out / "run.json").read_text() + (out / "report.html").read_text()
    (shoot / "roster.csv").write_text(RIGHT + "home,12,Runa Lindqvist,yes\n")
    status, told = evencourt("run", tmp_path / "r.yaml", shoot, "--out", out, "--workers", 1, "--no-cache", "--offline")
    assert status == 0 and len(list((out / "web").iterdir())) == 6, told
