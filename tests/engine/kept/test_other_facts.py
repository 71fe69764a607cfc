"""A run that does not read the facts of the last one, into the same OUT: whom those withheld must not be published.

The people are made up.
"""

from __future__ import annotations

import os
from pathlib import Path

import PIL.Image
import pytest

from tests.engine.test_run import evencourt

RECIPE = "recipe: 1\ndeliveries: {web: [resize: {long_edge: 32}, caption: , save: ]}\n"
ROSTER = "team,number,name,publish\nhome,7,Ida Berg,no\nhome,8,Ane Mo,\n"
FRAMES = "frame,players\nTH1_0001,home 7\nTH1_0002,home 8\n"


@pytest.fixture
def night(tmp_path: Path) -> Path:
    """A night of two frames whose first is withheld, as run with `--facts facts`."""
    for name in ("shoot", "facts", "empty"):
        (tmp_path / name).mkdir()
    for number in (1, 2):
        noise = PIL.Image.frombytes("RGB", (48, 32), os.urandom(48 * 32 * 3))
        noise.save(tmp_path / "shoot" / f"TH1_000{number}.jpg")
    (tmp_path / "recipe.yaml").write_text(RECIPE)
    (tmp_path / "facts" / "roster.csv").write_text(ROSTER)
    (tmp_path / "facts" / "frames.csv").write_text(FRAMES)
    (tmp_path / "empty" / "roster.csv").write_text("team,number,name,publish\n")
    (tmp_path / "empty" / "frames.csv").write_text("frame,players\nTH1_0001,\nTH1_0002,\n")
    assert again(tmp_path, "facts")[0] == 0 and delivered(tmp_path) == {"TH1_0002.jpg"}
    return tmp_path


def again(night: Path, facts: str = "", out: str = "out", *more: str) -> tuple[int, str]:
    given = ("--facts", night / facts) if facts else ()
    where = ("run", night / "recipe.yaml", night / "shoot", *given, "--out", night / out)
    return evencourt(*where, "--workers", 1, "--no-cache", "--offline", *more)


def delivered(night: Path) -> set[str]:
    return {path.name for path in (night / "out" / "web").iterdir()}


def test_a_run_that_forgets_the_facts_publishes_nobody(night: Path) -> None:
    for more in ((), ("--dry-run",)):
        status, said = again(night, "", "out", *more)
        assert status == 2 and f"add --facts {night / 'facts'}" in said, said
    status, said = again(night, "empty")  # prepared, and nothing filled in
    assert status == 2 and "put it back, or give the folder where it is to --facts" in said
    assert delivered(night) == {"TH1_0002.jpg"}
    (night / "facts").rename(night / "moved")
    assert again(night, "moved")[0] == 0  # the same facts in another place
    assert again(night, "", "another")[0] == 0  # said in so many words


@pytest.mark.parametrize("lost", ["roster.csv", "frames.csv"])
def test_a_table_that_was_lost_is_asked_for(night: Path, lost: str) -> None:
    (night / "facts" / "frames.csv").write_text(FRAMES.replace("home 8", ""))
    (night / "facts" / lost).unlink()
    status, said = again(night, "facts")
    assert status == 2 and (lost in said or "there is no roster.csv" in said), said
    assert delivered(night) == {"TH1_0002.jpg"}


def test_who_may_be_shown_now_is_shown(night: Path) -> None:
    (night / "facts" / "roster.csv").write_text(ROSTER.replace(",no", ",yes"))
    assert again(night, "facts")[0] == 0 and len(delivered(night)) == 2
    assert again(night)[0] == 0  # nobody was withheld by them


def test_a_rating_that_is_taken_back_stops_no_run(night: Path) -> None:
    """A table that withheld nobody may be emptied again, as an undo in the review does."""
    rated = "frame,players,rating\nTH1_0001,,\nTH1_0002,,3\n"
    (night / "facts" / "frames.csv").write_text(rated)
    assert again(night, "facts", "other")[0] == 0
    (night / "facts" / "frames.csv").write_text(rated.replace("3", ""))
    status, said = again(night, "facts", "other")
    assert status == 0, said


def test_a_name_that_is_taken_back_stops_no_run(night: Path) -> None:
    (night / "facts" / "frames.csv").write_text((night / "empty" / "frames.csv").read_text())
    assert again(night, "facts")[0] == 0 and len(delivered(night)) == 2
