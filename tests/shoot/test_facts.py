"""shoot.yaml, roster.csv and frames.csv of a made-up handball evening."""

from __future__ import annotations

import pickle
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pycountry
import pytest
from babel.core import get_global

from pipeline.formats.metadata.credits import Contact
from pipeline.imaging.geometry import Box
from pipeline.shoot.clocks.entries import Clock
from pipeline.shoot.countries import _CODES, alpha2, alpha3
from pipeline.shoot.eventfile import TEXTS
from pipeline.shoot.facts import Facts, FrameFacts, Player, Reference
from pipeline.shoot.read_facts import load_facts
from tests.shoot.called import index_of

NAMES = [f"TH1_000{n}" for n in range(1, 6)] + ["card1/TH1_0009", "card2/TH1_0009"]

EVENT = """\
title: Town cup, semi-final
teams: {home: Harbour Gulls, away: Mill Lane Foxes}
venue: Old Market Hall
city: Westerby
country: NO
start: 2026-02-14T19:30:00+01:00
contact: {email: desk@westerby.example, phone: 0123456}
references:
  - {frame: TH1_0001.NEF, patch: [0.34, 0.69, 0.65, 0.79], end: left}
  - {frame: card2/TH1_0009, chart: auto}
  - {frame: th1_0002, chart: [[0, 0], [1, 0], [1, 1], [0, 1]]}
clocks: {007: -3.2}
"""
ROSTER = """\
team,number,name,publish
home,7,Ida Marlow,
Mill Lane Foxes,12,"Tern, Una",no
away, 00 ,Bo Quill,yes
"""
FRAMES = """\
frame,keep,rating,players,words,crop
TH1_0001,,5,home 7; away 12,fast break,0.1 0.1 0.9 0.8
TH1_0002.NEF,no,-1,,,
TH1_0003,yes,,mill lane foxes 00;Harbour Gulls #7,,
"""


def read(
    folder: Path, event: str = "", roster: str = "", frames: str = ""
) -> tuple[Facts, list[tuple[str, int, int, str]], list[tuple[str, str]]]:
    for name, text in (("shoot.yaml", event), ("roster.csv", roster), ("frames.csv", frames)):
        if text:
            (folder / name).write_text(text, encoding="utf-8")
    facts, problems, missing = load_facts(folder, None, index_of(NAMES))
    return facts, [(Path(p.file).name, p.line, p.column, p.message) for p in problems], missing


def test_a_whole_event(tmp_path: Path) -> None:
    facts, problems, missing = read(tmp_path, EVENT, ROSTER, FRAMES)
    assert (problems, missing) == ([], [])
    assert facts.title == "Town cup, semi-final"
    assert facts.teams == {"home": "Harbour Gulls", "away": "Mill Lane Foxes"}
    assert facts.country == "NO"
    assert facts.start == datetime.fromisoformat("2026-02-14T19:30:00+01:00")
    assert facts.start is not None and facts.start.utcoffset() == timedelta(hours=1)
    assert facts.contact == Contact(email="desk@westerby.example", phone="0123456")
    assert facts.clocks == (Clock("007", -3.2),)
    assert facts.roster == (
        Player("home", "7", "Ida Marlow", True, 2),
        Player("away", "12", "Tern, Una", False, 3),
        Player("away", "00", "Bo Quill", True, 4),
        Player("away", "12", "Una Tern", False, 3),  # whom the surname first withholds as well
    )
    assert facts.rows == {
        "TH1_0001": FrameFacts(True, 5, (("home", "7"), ("away", "12")), "fast break", (0.1, 0.1, 0.9, 0.8), 2),
        "TH1_0002": FrameFacts(False, -1, line=3),
        "TH1_0003": FrameFacts(True, None, (("away", "00"), ("home", "7")), line=4),
    }
    assert facts.references == (
        Reference("TH1_0001", patch=Box(0.34, 0.69, 0.65, 0.79), end="left"),
        Reference("card2/TH1_0009", chart="auto"),
        Reference("TH1_0002", chart=((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))),
    )
    assert facts.row("TH1_0005") == FrameFacts()
    assert facts.source_file.endswith("shoot.yaml")


def test_nothing_written_is_fine(tmp_path: Path) -> None:
    assert read(tmp_path) == (Facts(), [], [])
    (tmp_path / "shoot.yaml").write_text("# nothing yet\n", encoding="utf-8")
    assert read(tmp_path)[0] == Facts()


def test_another_layout_says_the_same(tmp_path: Path) -> None:
    facts, _, _ = read(tmp_path, EVENT, ROSTER, FRAMES)
    assert pickle.loads(pickle.dumps(facts)) == facts
    # Blank lines, another order of frames and of keys: other files, the same facts.
    head, *rows = FRAMES.splitlines()
    frames = "\n\n".join([head, *reversed(rows)])
    again, problems, _ = read(tmp_path, "minors: false\n" + EVENT, ROSTER.replace("\n", "\r\n"), frames)
    assert problems == []
    assert {name: replace(row, line=0) for name, row in again.rows.items()} == {
        name: replace(row, line=0) for name, row in facts.rows.items()
    }
    assert replace(again, rows=facts.rows, roster=facts.roster) == facts
    assert [replace(p, line=0) for p in again.roster] == [replace(p, line=0) for p in facts.roster]


def test_spreadsheet_of_another_country(tmp_path: Path) -> None:
    roster = '\ufeffTeam ; Number ; Name\nhome ; 7 ; Ida Marlow ;\n"away";12;"Una Tern"\n'
    frames = "\ufeff" + 'frame;players\nTH1_0001;"home 7; away 12"\n'
    facts, problems, _ = read(tmp_path, "", roster, frames)
    assert problems == []
    assert [p.number for p in facts.roster] == ["7", "12"]
    assert facts.rows["TH1_0001"].players == (("home", "7"), ("away", "12"))


def test_facts_file_elsewhere_brings_its_tables(tmp_path: Path) -> None:
    shoot, desk = tmp_path / "shoot", tmp_path / "desk"
    shoot.mkdir()
    desk.mkdir()
    (desk / "cup.yaml").write_text("roster: gulls.csv\n", encoding="utf-8")
    (desk / "gulls.csv").write_text(ROSTER.replace("Mill Lane Foxes", "away"), encoding="utf-8")
    (shoot / "frames.csv").write_text("frame,players\nTH1_0001,home 7\n", encoding="utf-8")
    facts, problems, _ = load_facts(shoot, desk / "cup.yaml", index_of(NAMES))
    assert problems == []
    assert facts.rows["TH1_0001"].players == (("home", "7"),)
    _, problems, _ = load_facts(shoot, desk / "absent.yaml", index_of(NAMES))
    assert "cannot be read" in str(problems[0])


def test_every_problem_of_three_files_at_once(tmp_path: Path) -> None:
    event = """\
titel: Town cup
country: Norway
start: 2026-02-14T19:30:00
minors: perhaps
teams: {home: Harbour Gulls, away: Mill Lane Foxes}
contact: {emial: x}
references:
  - {frame: TH1_0100, patch: auto}
  - {frame: TH1_0001}
  - {frame: TH1_0009, patch: auto}
"""
    roster = ROSTER + "home,7,Kit Vane,\nhom,8,Lea Ost,\naway,x,,maybe\n"
    frames = """\
frame,keep,rating,players,words,crop
TH1_0001,perhaps,6,home 8; 7; home 7; home 7,,0.5 0 0.4 1
TH1_0002,,,,,
TH1_0002,,,,,
TH1_0003,,,home 7,one, two, three
"""
    _, problems, missing = read(tmp_path, event, roster, frames)
    assert missing == []
    assert problems == [
        ("frames.csv", 2, 10, "keep: perhaps is neither yes, no nor always"),
        ("frames.csv", 2, 18, "rating: 6 is not a rating; write a whole number from -1 to 5"),
        ("frames.csv", 2, 20, "players: 7: write a team and a number, or a name of the roster: home 7"),
        ("frames.csv", 2, 20, "players: home 7 is named twice; leave one out"),
        ("frames.csv", 2, 47, "crop: 0.5 0 0.4 1 is not a crop; "
                              "write x0 y0 x1 y1, each from 0 to 1, x0 < x1 and y0 < y1"),
        ("frames.csv", 4, 1, "frame: TH1_0002 is already on line 3; leave one of the two out"),
        ("frames.csv", 5, 29, '7 cells under 6 columns; put "quotes" round a cell that holds a comma'),
        ("roster.csv", 5, 6, "home 7 is already on line 2, Ida Marlow as well as Kit Vane here; correct one"),
        ("roster.csv", 6, 1, "team: no team hom; write home or away or Harbour Gulls or Mill Lane Foxes; "
                             "did you mean home?"),
        ("roster.csv", 7, 6, "number: x is not a shirt number; write digits, such as 7"),
        ("roster.csv", 7, 8, "name: empty; write the player's name"),
        ("roster.csv", 7, 9, "publish: maybe is neither yes nor no"),
        ("shoot.yaml", 1, 1, "no key titel; did you mean title?"),
        ("shoot.yaml", 2, 10, "country: Norway is not an ISO 3166 code; write NO or NOR"),
        ("shoot.yaml", 3, 8, "start: 2026-02-14T19:30:00 is not a date and time with an offset from UTC; "
                             "write 2026-02-14T19:30:00+01:00"),
        ("shoot.yaml", 4, 9, "minors: perhaps does not fit; write true or false"),
        ("shoot.yaml", 6, 11, "no key emial; did you mean email?"),
        ("shoot.yaml", 8, 13, "references: no frame TH1_0100 in the shoot folder"),
        ("shoot.yaml", 9, 5, "references: say where the neutral is: add patch: or chart:"),
        ("shoot.yaml", 10, 13, "references: TH1_0009 may be card1/TH1_0009 or card2/TH1_0009; "
                               "write the whole name"),
    ]  # fmt: skip


def test_a_line_of_the_roster_without_a_name_may_go_unless_it_says_no(tmp_path: Path) -> None:
    """Lists come with empty lines at their end; behind a no without a name stands somebody."""
    head = "team,number,name,publish\n"
    for answer in ("", "yes"):
        _, problems, _ = read(tmp_path, EVENT, f"{head}home,7,,{answer}\n", FRAMES)
        assert ("roster.csv", 2, 8, "name: empty; write the player's name, or delete the line") in problems
    _, problems, _ = read(tmp_path, EVENT, f"{head}home,7,,no\n", FRAMES)
    assert ("roster.csv", 2, 8, "name: empty; write the player's name") in problems


def test_a_shoot_yaml_that_cannot_be_parsed_is_the_only_problem(tmp_path: Path) -> None:
    event = EVENT.replace("venue: Old", "venue: [Old")
    facts, problems, _ = read(tmp_path, event, ROSTER, FRAMES)
    assert {(file, message.split(":")[0]) for file, _, _, message in problems} == {("shoot.yaml", "is not valid YAML")}
    assert facts == Facts(minors=True)  # as it may say


@pytest.mark.parametrize(
    ("roster", "lacking"),
    [
        ("", "there is no roster.csv"),
        ("team,number,name,publish\n# home,7,Kari Nordmann,yes\n", "roster.csv has no players"),
    ],
)
def test_players_without_a_roster_are_one_problem(tmp_path: Path, roster: str, lacking: str) -> None:
    _, problems, _ = read(tmp_path, EVENT, roster, FRAMES)
    message = (
        f"players: {lacking}, so home 7 names nobody (2 rows with players): "
        "write one line for each player under team,number,name,publish"
    )
    assert problems == [("frames.csv", 2, 13, message)]


def test_a_roster_of_wrong_lines_is_not_said_to_be_empty(tmp_path: Path) -> None:
    _, problems, _ = read(tmp_path, EVENT, "team,number,name\nhome,x,Ida Marlow\n", FRAMES)
    assert [file for file, *_ in problems] == ["roster.csv"]


@pytest.mark.parametrize(("minors", "may"), [("", "named and shown"), ("minors: true\n", "shown")])
def test_a_roster_that_says_of_nobody_whether_to_publish(tmp_path: Path, minors: str, may: str) -> None:
    facts, problems, _ = read(tmp_path, EVENT + minors, "team,number,name\nhome,7,Ida Marlow\n")
    assert problems == []
    assert facts.notices == (f"roster.csv has no column publish: every player may be {may}",)


def test_a_roster_that_says_whom_to_publish_needs_no_notice(tmp_path: Path) -> None:
    assert read(tmp_path, EVENT, ROSTER)[0].notices == ()


@pytest.mark.parametrize(
    ("frames", "unnamed"),
    [
        ("frame,words\nTH1_0001,fast break\nTH1_0002,\n", ("TH1_0003", "TH1_0004", "TH1_0005", *NAMES[5:])),
        ("frame,words\nTH1_0009,fast break\n", tuple(NAMES[:5])),  # it may mean either of the other two
        ("frame,keep\nTH1_0001,yes\n", tuple(NAMES[1:])),
        ("frame,words\nTH1_0001,\n", ()),
        ("", ()),
    ],
)
def test_frames_without_a_row_in_a_table_that_somebody_filled_in(
    tmp_path: Path, frames: str, unnamed: tuple[str, ...]
) -> None:
    assert read(tmp_path, "", "", frames)[0].unnamed == unnamed


def test_always_keeps_and_columns_that_inform_are_not_read(tmp_path: Path) -> None:
    frames = "frame,burst,time,score,why,caption,suggested,keep\nTH1_0001,3,19:31,x,sharp,A goal.,yes,Always\n"
    facts, problems, _ = read(tmp_path, "", "", frames + "TH1_0002,,,,,,,no\nTH1_0003,,,,,,,\n")
    assert problems == []
    assert [(r.keep, r.always) for r in facts.rows.values()] == [(True, True), (False, False), (True, False)]
    assert facts.rows["TH1_0001"].words == ""


def test_frame_that_is_not_in_the_folder_is_no_problem(tmp_path: Path) -> None:
    facts, problems, missing = read(tmp_path, "", "", "frame,words\nTH1_0044,lost\nTH1_0001,found\n")
    assert problems == []
    assert list(facts.rows) == ["TH1_0001"]
    assert [name for name, _ in missing] == ["TH1_0044"]
    assert "frames.csv:2: no frame TH1_0044" in missing[0][1]


@pytest.mark.parametrize(
    ("event", "words"),
    [
        ("- a\n", "keys and values"),
        ("references: [{frame: TH1_0001, patch: [0.5, 0, 0.4, 1]}]\n", "x0 < x1"),
        ("references: [{frame: TH1_0001, patch: [0, 0, 1, 1.5]}]\n", "from 0 to 1"),
        ("references: [{frame: TH1_0001, chart: [[0, 0], [1, 1]]}]\n", "four corners"),
        ("references: [{frame: TH1_0001, chart: 3}]\n", "four corners"),
        ("clocks: {A: soon}\n", "clocks A: soon is not a number"),
        ("roster: players.csv\n", "no file players.csv"),
        ("teams: {home: Gulls, away: gulls }\n", "same name"),
        ("contact: [a]\n", "contact: write text"),
        ("language: englisch!\n", "language code"),
        ("language: jp\n", "jp is not a language code of ISO 639; write ja"),
        ("language: xq-NO\n", "xq is not a language code"),
        ("country: UK\n", "write GB or GBR"),
        ("country: Hiszpania\n", "write ES or ESP"),
        ("country: ZZ\n", "two or three letters"),
        ("rights_url: my terms\n", "web address"),
        ("title: [a]\n", "title: this list does not fit; write text"),
        ("minors: 3\n", "true or false"),
    ],
)
def test_one_problem(tmp_path: Path, event: str, words: str) -> None:
    _, problems, _ = read(tmp_path, event)
    assert len(problems) == 1
    assert words in problems[0][3]
    assert problems[0][1] == 1


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("frame,word\n", "no column is called word; did you mean words?"),
        ("frame,frame\n", "appears twice"),
        ("words\nx\n", "no column frame"),
        ("\n \n", "is empty"),
        ('frame,words\nTH1_0001,"a\nTH1_0002,b\n', "quotes do not pair up"),
        ('frame,words\nTH1_0001,"a"b\n', "quotes do not pair up"),
    ],
)
def test_tables_that_do_not_fit(tmp_path: Path, table: str, words: str) -> None:
    _, problems, _ = read(tmp_path, "", "", table)
    assert len(problems) == 1
    assert words in problems[0][3]


@pytest.mark.parametrize(
    ("written", "found"),
    [
        ("TH1_0001", "TH1_0001"), ("TH1_0001.NEF", "TH1_0001"), ("th1_0001.nef", "TH1_0001"),
        ("./TH1_0001.NEF", "TH1_0001"), ("card7/TH1_0001.NEF", "TH1_0001"),
        ("card2\\TH1_0009", "card2/TH1_0009"),
        ("TH1_0009", None), ("card3/TH1_0009", None), ("H1_0001", None), ("TH1_00011", None), ("", None),
    ],
)  # fmt: skip
def test_names_of_frames(written: str, found: str | None) -> None:
    assert index_of(NAMES).find(written)[0] == found


def test_country_and_contact_in_any_form(tmp_path: Path) -> None:
    facts, problems, _ = read(tmp_path, "country: nor\ncontact: desk@westerby.example\n")
    assert problems == []
    assert (facts.country, facts.contact) == ("NOR", Contact(email="desk@westerby.example"))


def test_texts_of_the_event(tmp_path: Path) -> None:
    keys = [key for key in TEXTS if key not in ("language", "country", "rights_url")]
    facts, problems, _ = read(tmp_path, "".join(f"{key}: 0{n}\n" for n, key in enumerate(keys)))
    assert problems == []
    assert [getattr(facts, key) for key in keys] == [f"0{n}" for n in range(len(keys))]
    assert {"title", "venue", "creator", "usage"} <= set(keys)


def test_countries_are_those_of_iso_3166() -> None:
    """Two independent lists: pycountry (Debian's iso-codes) and the CLDR's aliases; XK is user-assigned."""
    assert {c.alpha_2: c.alpha_3 for c in pycountry.countries} | {"XK": "XKX"} == _CODES
    aliases = get_global("territory_aliases")
    assert {three: [two] for two, three in _CODES.items() if two != "XK"}.items() <= aliases.items()
    assert (alpha2("nor"), alpha2("NO"), alpha3("no"), alpha3("pol")) == ("NO", "NO", "NOR", "POL")
    assert (alpha2("EU"), alpha3("ZZZ"), alpha3("")) == ("", "", "")
