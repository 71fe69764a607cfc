"""roster.csv and frames.csv out of spreadsheets: whose name is found and held, whatever the encoding and answers."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pytest

from pipeline.shoot.facts import Facts, Player, held_back, withheld
from pipeline.shoot.names import holds_any
from pipeline.shoot.read_facts import load_facts
from pipeline.textfile.encodings import _PAGES
from tests.shoot.called import index_of

NAMES = ["TH1_0001", "TH1_0002", "TH1_Žár"]
HEAD = "team,number,name,publish\n"


def read(folder: Path, event: str = "", roster: bytes = b"", frames: bytes = b"") -> tuple[Facts, list[str]]:
    for name, data in (("shoot.yaml", event.encode("utf-8")), ("roster.csv", roster), ("frames.csv", frames)):
        if data:
            (folder / name).write_bytes(data)
    facts, problems, _ = load_facts(folder, None, index_of(NAMES))
    return facts, [str(p).replace(f"{folder}/", "") for p in problems]


def said(facts: Facts) -> list[str]:
    return [text.rpartition("/")[2] for text in facts.notices]


def test_a_team_is_known_however_its_letters_are_composed(tmp_path: Path) -> None:
    """Unicode 16, 3.7: canonically equivalent text; some systems save é as e and an accent."""
    teams = "teams: {home: Café Gulls, away: Foxes}\n"
    roster = unicodedata.normalize("NFD", f"{HEAD}café  gulls,7,Ida Ask,no\n").encode()
    facts, problems = read(tmp_path, teams, roster)
    assert problems == [] and [(p.team, p.publish) for p in facts.roster] == [("home", False)]


@pytest.mark.parametrize("event", ["", "language: en\ncountry: DE\n"])
@pytest.mark.parametrize(
    ("name", "page"),
    [
        *(("Jiří Dvořák", page) for page in _PAGES["cs"]),
        *(("Søren Bjørnæs", page) for page in _PAGES["da"]),
        *(("Łukasz Wąs", page) for page in _PAGES["pl"]),
        *(("Şule İnan", page) for page in _PAGES["tr"]),
        *(("Ольга Щукина", page) for page in _PAGES["ru"]),
        *(("Ελένη Ψαρρού", page) for page in _PAGES["el"]),
        *(("Māris Ķēniņš", page) for page in _PAGES["lv"]),
    ],
)
def test_a_withheld_name_is_found_whatever_the_code_page(tmp_path: Path, event: str, name: str, page: str) -> None:
    """The table is not Unicode, the shoot says nothing of its language, and the texts of a photograph are right."""
    roster = f"{HEAD}home,7,{name},no\nhome,8,Ane Mo,\n"
    facts, problems = read(tmp_path, event, roster.encode(page, "replace"))
    assert problems == []
    hidden = tuple(player.name for player in facts.roster if withheld(facts, player))
    expected = name.encode(page, "replace").decode(page)
    if "?" in expected:
        pytest.skip("the code page has not all of these letters")
    assert holds_any(f"Goal by {name} tonight", hidden), hidden
    assert held_back(facts, facts.row("TH1_0001")) == ""
    assert not holds_any("Goal by Ane Mo in a great game, assisted by Ida Tern", hidden)
    assert facts.player("home", "7") is not None and not facts.player("home", "7").publish  # type: ignore[union-attr]
    assert len({(p.team, p.number) for p in facts.roster}) == 2


def test_names_are_checked_in_a_line_that_may_be_shown(tmp_path: Path) -> None:
    roster = f"{HEAD}home,7,Jiří Dvořák,no\nhome,8,Ane Mo,\nhome,9,Eva Růžová,\n".encode("cp1250")
    facts, problems = read(tmp_path, "language: cs\n", roster)
    assert problems == []
    assert said(facts) == [
        "roster.csv: read as Windows-1250 with commas; its code page is a guess: see whether the letters are right in "
        "line 4: Eva Růžová. If not, save the table as CSV UTF-8"
    ]
    assert facts.roster[0] == Player("home", "7", "Jiří Dvořák", False, 2)
    facts, _ = read(tmp_path, "language: cs\nminors: true\n", roster, b"frame,players\nTH1_0001,home 9\n")
    assert held_back(facts, facts.row("TH1_0001")) == ""  # a name is taken out then, no frame is held
    hidden = tuple(player.name for player in facts.roster if withheld(facts, player))
    assert "Eva Růžová" in hidden and len(hidden) > 4
    assert "line 2. If not" in said(facts)[0] and "Eva" not in said(facts)[0]


def test_what_is_as_expected_is_not_mentioned(tmp_path: Path) -> None:
    facts, _ = read(tmp_path, "", f"{HEAD}home,7,Jiří Dvořák,no\n".encode(), b"frame,words\nTH1_0001,a\n")
    assert facts.notices == () and len(facts.roster) == 1
    facts, _ = read(tmp_path, "", f"{HEAD}home,7,Jiří Dvořák,no\n".replace(",", ";").encode("utf-16"))
    assert said(facts) == ["roster.csv: read as UTF-16 with semicolons"] and len(facts.roster) == 1


def test_words_that_name_a_withheld_player_in_another_code_page(tmp_path: Path) -> None:
    """Two lines only, in a shoot in English: Windows-1252 has other letters there."""
    roster = f"{HEAD}home,7,Jiří Dvořák,no\nhome,8,Ane Mo,\n".encode()
    frames = "frame,words\nTH1_0001,Dvořák jumps\nTH1_0002,Ane Mo jumps à la carte\n".encode("cp1250", "replace")
    facts, problems = read(tmp_path, "", roster, frames)
    assert problems == []
    assert facts.rows["TH1_0001"].words != "Dvořák jumps" or facts.language == "cs"  # else there is nothing to guard
    assert "line 2 may name a player who is withheld" in held_back(facts, facts.row("TH1_0001"))
    assert held_back(facts, facts.row("TH1_0002")) == ""


def test_a_frame_is_found_whatever_the_code_page(tmp_path: Path) -> None:
    roster = f"{HEAD}home,7,Ida Tern,no\n".encode()
    frames = "frame,players\nTH1_Žár,home 7\n".encode("mac_latin2")
    facts, problems = read(tmp_path, "", roster, frames)
    assert problems == [] and held_back(facts, facts.row("TH1_Žár")).startswith("shows a player")


def test_a_guess_is_said_beside_problems(tmp_path: Path) -> None:
    _, problems = read(tmp_path, "teams: {home: Žižkov}\n", f"{HEAD}Žižkov,x,Eva Ráž,\n".encode("cp1250"))
    assert any(p.startswith("roster.csv: was read as") and "where letters are wrong" in p for p in problems)
    assert any(p.startswith("roster.csv:2:8: number: x is not") for p in problems)


@pytest.mark.parametrize(
    ("event", "answer", "publish"),
    [
        ("", "no", False),
        ("language: de\n", "nein", False),
        ("language: de\n", "Ja", True),
        ("country: NO\n", "Nei", False),
        ("country: FI\n", "ei", False),
        ("language: fr\n", "FAUX", False),
        ("language: ru\n", "нет", False),
    ],
)
def test_answers_in_the_language_of_the_shoot(tmp_path: Path, event: str, answer: str, publish: bool) -> None:
    facts, problems = read(tmp_path, event, f"{HEAD}home,7,Ida Tern,{answer}\n".encode())
    assert problems == [] and [p.publish for p in facts.roster] == [publish]


@pytest.mark.parametrize("answer", ["nein", "maybe", "no photos", "-", "?", "×", "n/a", "0.0"])
def test_any_other_answer_is_an_error(tmp_path: Path, answer: str) -> None:
    facts, problems = read(tmp_path, "language: en\n", f"{HEAD}home,7,Ida Tern,{answer}\n".encode())
    assert problems == [f"roster.csv:2:17: publish: {answer} is neither yes nor no"]
    assert not any(player.publish for player in facts.roster)


def test_a_mark_means_nothing_beside_empty_cells(tmp_path: Path) -> None:
    """Who ticks some names means the others otherwise; empty is yes everywhere else, so nobody can know."""
    _, problems = read(tmp_path, "", f"{HEAD}home,7,Ida Tern,x\nhome,8,Ane Mo,\n".encode())
    assert problems == ["roster.csv:2:17: publish: x may mean yes or no beside empty cells; write yes or no"]
    facts, problems = read(tmp_path, "", f"{HEAD}home,7,Ida Tern,x\nhome,8,Ane Mo,no\n".encode())
    assert problems == [] and [p.publish for p in facts.roster] == [True, False]


def test_a_roster_out_of_a_spreadsheet(tmp_path: Path) -> None:
    """Numbers as decimals, empty lines and columns, line ends of an old Mac, a column of another order."""
    text = "\ufeffName;Number;Team;;\r\rIda Tern;7.0;home;;\r;;;;\rAne Mo;08;away;;\r"
    facts, problems = read(tmp_path, "", text.encode())
    assert problems == [] and [(p.number, p.line) for p in facts.roster] == [("7", 3), ("08", 5)]


def test_rows_are_checked_under_a_header_with_a_fault(tmp_path: Path) -> None:
    _, problems = read(tmp_path, "", b"team,nr,name,publish,shirt\nhom,7,Ida Tern,perhaps,L\n")
    assert [p.split(";")[0] for p in problems] == [
        "roster.csv:1:1: no column number",
        "roster.csv:1:6: no column is called nr",
        "roster.csv:1:22: no column is called shirt",
        "roster.csv:2:1: team: no team hom",
        "roster.csv:2:16: publish: perhaps is neither yes nor no",
    ]


def test_thousands_of_unknown_keys_are_ten_lines_and_a_count(tmp_path: Path) -> None:
    _, problems = read(tmp_path, "".join(f"k{n:04}: 1\n" for n in range(3000)) + "teams: {hone: A}\n")
    assert len(problems) == 12 and "and 2,990 more of this kind" in problems[10] and "no key hone" in problems[11]
