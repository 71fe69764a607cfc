"""evencourt prepare: what it carries over from the last match and from beside the frames, consent above all."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from pipeline.engine.jobs import read_shoot
from pipeline.engine.tables.event_form import event_form
from pipeline.engine.tables.prepare import form_content, last_match, written_facts
from pipeline.errors import InputError
from pipeline.formats.metadata.credits import Contact
from tests.engine.tables.test_prepare import SHIRTS, night, prepare
from tests.engine.test_run import evencourt

LAST = """\
# The cup of last week.
title: Lantern Cup, quarter-final
teams: {home: Harbour Gulls, away: Mill Lane Foxes}
venue: "Hall #2: east"
city: Westerby
country: NO
start: 2026-02-07T19:30:00+01:00
language: nb
creator: Ada Nordlys
copyright: © 2026 Ada Nordlys
contact: {email: ada@nordlys.example, phone: 0123456}
usage: |
  Club and families.
  No resale.
job_id: 4711
minors: true
hall: Lantern Hall
references:
  - {frame: OLD_0001, chart: auto, end: left}
clocks: {0012: -3.2}
"""


@pytest.fixture
def last(tmp_path: Path) -> Path:
    folder = tmp_path / "last"
    folder.mkdir()
    (folder / "shoot.yaml").write_text(LAST, encoding="utf-8")
    (folder / "roster.csv").write_bytes(SHIRTS.replace("\n", "\r\n").encode("utf-8-sig"))
    (folder / "frames.csv").write_text("frame,players\nOLD_0002,home 4\n", encoding="utf-8")
    return folder


def test_the_last_match_gives_roster_teams_and_texts(tmp_path: Path, last: Path) -> None:
    shoot, facts = night(tmp_path / "shoot"), tmp_path / "facts"
    text = prepare(shoot, facts, "--like", last)
    assert "3 players, 1 with publish: no" in text
    assert (facts / "roster.csv").read_bytes() == (last / "roster.csv").read_bytes()  # to the byte: consent is in it
    read, old = read_shoot(shoot, facts).facts, YAML(typ="safe", pure=True).load(LAST)
    assert [(p.name, p.publish) for p in read.roster] == [
        ("Ingrid Solbakken", True), ("Tuva Rønning", False), ("Bo Quill", True),
    ]  # fmt: skip
    assert read.minors is True  # nobody is named who was not the last time
    for key in ("venue", "hall", "city", "country", "language", "creator", "copyright", "usage"):
        assert getattr(read, key) == old[key], key
    assert read.teams == old["teams"] and read.contact == Contact(email="ada@nordlys.example", phone="0123456")
    # Of this match alone: not carried, or only shown.
    assert (read.title, read.job_id, read.references) == ("", "", ())
    assert read.start is not None and read.start.isoformat() == "2026-02-14T19:42:15+01:00"
    assert [clock.key for clock in read.clocks] == ["0123"] and "OLD" not in (facts / "frames.csv").read_text("utf-8")
    form = (facts / "shoot.yaml").read_text(encoding="utf-8")
    assert 'last time: "Lantern Cup, quarter-final"' in form and "check which team is at home" in form
    assert "as last time: its remembered light is used where frames prove it" in form
    # Captions follow what was carried over.
    rows = list(csv.DictReader(io.StringIO((facts / "frames.csv").read_text("utf-8-sig"), newline="")))
    assert all("Westerby" in row["caption"] for row in rows)


def test_a_contact_that_is_one_text_is_carried_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "shoot.yaml").write_text("contact: 0123 456\nteams: {away: 1899}\n", encoding="utf-8")
    form = event_form("x", form_content([], [], [], last=last_match(tmp_path)))
    (tmp_path / "shoot.yaml").write_text(form, encoding="utf-8")
    assert written_facts(tmp_path).values == {"contact": "0123 456", "teams": {"away": "1899"}, "minors": False}


@pytest.mark.parametrize(("word", "minors"), [("ja", True), ("nein", False), ("'no'", False)])
def test_minors_of_the_last_match_in_its_own_language(tmp_path: Path, word: str, minors: bool) -> None:
    (tmp_path / "shoot.yaml").write_text(f"language: de\nminors: {word}\n", encoding="utf-8")
    (tmp_path / "shoot.yaml").write_text(
        event_form("x", form_content([], [], [], last=last_match(tmp_path))), encoding="utf-8"
    )
    assert written_facts(tmp_path).values["minors"] is minors


def test_what_is_wrong_with_the_last_match_is_said_before_anything_is_written(tmp_path: Path, last: Path) -> None:
    shoot, facts, empty = night(tmp_path / "shoot"), tmp_path / "facts", tmp_path / "empty"
    empty.mkdir()
    (last / "roster.csv").write_text(SHIRTS.replace("home,4", "home,x"), encoding="utf-8")
    for folder, words in (
        (last, f"{last / 'roster.csv'}:3:"),
        (empty, "holds neither shoot.yaml nor roster.csv"),
        (tmp_path / "gone", "there is no such folder"),
    ):
        status, text = evencourt("prepare", shoot, "--facts", facts, "--like", folder)
        assert status == 2 and words in text, text
    (last / "roster.csv").unlink()
    (last / "shoot.yaml").write_text("roster: gulls.csv\ntitel: x\n", encoding="utf-8")
    with pytest.raises(InputError) as refused:
        last_match(last)
    assert {problem.line for problem in refused.value.problems} == {1, 2}
    assert not facts.exists()


def test_facts_beside_the_frames_are_carried_in_full(tmp_path: Path, last: Path) -> None:
    """A facts folder wins over them, so what it lacked would be lost: a player with publish: no above all."""
    shoot, facts = night(tmp_path / "shoot"), tmp_path / "facts"
    own = LAST.replace("OLD_0001", "TH1_0001").replace("quarter", "semi").replace("0012: -3.2", "0123: -3.2")
    (shoot / "shoot.yaml").write_text(own + "roster: gulls.csv\n", encoding="utf-8")
    (shoot / "gulls.csv").write_text(SHIRTS + "away,12,Una Tern,no\n", encoding="utf-8")
    (shoot / "frames.csv").write_text("frame,keep,players\nTH1_0002,,home 4\nTH1_0003,no,\n", encoding="utf-8")
    before = read_shoot(shoot)
    text = prepare(shoot, facts, "--like", last)
    assert "is used, not that of the last match" in text
    after = read_shoot(shoot, facts)
    for name in ("title", "teams", "start", "contact", "usage", "minors", "references", "job_id", "country"):
        assert getattr(after.facts, name) == getattr(before.facts, name), name
    assert after.facts.clocks == before.facts.clocks
    assert [(p.name, p.publish) for p in after.facts.roster] == [(p.name, p.publish) for p in before.facts.roster]
    held = {frame.name: bool(before.withheld(frame.name)) for frame in before.frames}
    assert held == {frame.name: bool(after.withheld(frame.name)) for frame in after.frames}
    assert sum(held.values()) == 2
    assert "Evencourt Test Camera" in (facts / "shoot.yaml").read_text(encoding="utf-8")
