"""Where facts are read from: beside the frames, from a shoot.yaml elsewhere, or from a folder of facts."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.shoot.facts import Facts, FrameFacts, held_back
from pipeline.shoot.read_facts import facts_place, load_facts
from tests.shoot.called import index_of

NAMES = ["TH1_0001", "TH1_0002"]
ROSTER = "team,number,name,publish\nhome,7,Ida Marlow,{}\n"
FRAMES = "frame,players,words\nTH1_0001,home 7,{}\n"


@pytest.fixture
def places(tmp_path: Path) -> tuple[Path, Path]:
    """A shoot folder and a facts folder, both without facts."""
    shoot, desk = tmp_path / "shoot", tmp_path / "desk"
    shoot.mkdir()
    desk.mkdir()
    return shoot, desk


def load(shoot: Path, given: Path | None) -> Facts:
    facts, problems, _ = load_facts(shoot, given, index_of(NAMES))
    assert problems == []
    return facts


def fill(folder: Path, title: str = "", publish: str = "", words: str = "") -> None:
    if title:
        (folder / "shoot.yaml").write_text(f"title: {title}\n", encoding="utf-8")
    if publish:
        (folder / "roster.csv").write_text(ROSTER.format(publish), encoding="utf-8")
    if words:
        (folder / "frames.csv").write_text(FRAMES.format(words), encoding="utf-8")


def test_a_folder_of_facts_is_read_like_the_shoot_folder(places: tuple[Path, Path]) -> None:
    shoot, desk = places
    fill(desk, "Lantern Cup", "no", "jumps")
    facts = load(shoot, desk)
    assert (facts.title, facts.roster[0].publish, facts.rows["TH1_0001"].words) == ("Lantern Cup", False, "jumps")
    assert facts.source_file == str(desk / "shoot.yaml") and facts.frames_file == str(desk / "frames.csv")
    assert facts.notices == ()


@pytest.mark.parametrize("there", [("title",), ("publish",), ("words",), ("title", "words")])
def test_what_the_facts_folder_lacks_is_taken_from_beside_the_frames(
    places: tuple[Path, Path], there: tuple[str, ...]
) -> None:
    shoot, desk = places
    near, far = {"title": "near", "publish": "yes", "words": "near"}, {"title": "far", "publish": "no", "words": "far"}
    fill(shoot, **near)
    fill(desk, **{key: far[key] for key in there})
    facts = load(shoot, desk)
    read = {
        "title": facts.title,
        "publish": "yes" if facts.roster[0].publish else "no",
        "words": facts.rows["TH1_0001"].words,
    }
    assert read == near | {key: far[key] for key in there}
    names = {"title": "shoot.yaml", "publish": "roster.csv", "words": "frames.csv"}
    # Of each file that both hold, the photographer hears which one counts.
    assert sorted(facts.notices) == sorted(
        f"{desk / names[key]} is used; {shoot / names[key]} is not read" for key in there
    )


def test_a_named_table_of_the_facts_folder_wins_too(places: tuple[Path, Path]) -> None:
    shoot, desk = places
    (desk / "shoot.yaml").write_text("roster: gulls.csv\n", encoding="utf-8")
    (shoot / "gulls.csv").write_text(ROSTER.format("no"), encoding="utf-8")
    assert not load(shoot, desk).roster[0].publish
    (shoot / "gulls.csv").write_text(ROSTER.format("yes"), encoding="utf-8")
    (desk / "gulls.csv").write_text(ROSTER.format("no"), encoding="utf-8")
    facts = load(shoot, desk)
    assert not facts.roster[0].publish
    assert facts.notices == (f"{desk / 'gulls.csv'} is used; {shoot / 'gulls.csv'} is not read",)


def test_the_shoot_folder_itself_may_be_the_facts_folder(places: tuple[Path, Path]) -> None:
    shoot, _ = places
    fill(shoot, "near", "no", "near")
    assert load(shoot, shoot) == load(shoot, None)
    assert load(shoot, shoot / ".." / "shoot").notices == ()


def test_a_file_given_brings_the_tables_beside_it(places: tuple[Path, Path]) -> None:
    shoot, desk = places
    fill(desk, "far", "no")
    fill(shoot, "near", "yes", "near")
    facts = load(shoot, desk / "shoot.yaml")
    assert (facts.title, facts.roster[0].publish, facts.rows["TH1_0001"].words) == ("far", False, "near")


def test_what_is_no_place_of_facts_is_refused(places: tuple[Path, Path]) -> None:
    shoot, desk = places
    (desk / "notes.txt").write_text("x", encoding="utf-8")
    fill(shoot, "near")
    for given, words in (
        (desk, "holds none of shoot.yaml, roster.csv, frames.csv; write them with: evencourt prepare"),
        (desk / "gone", "there is no such file or folder"),
        (desk / "notes.txt", "is no shoot.yaml"),
    ):
        with pytest.raises(InputError, match=words) as refused:
            facts_place(shoot, given)
        assert str(refused.value).startswith(str(given))
        _, problems, _ = load_facts(shoot, given, index_of(NAMES))
        assert [words in str(problem) for problem in problems] == [True]


def test_a_table_given_for_the_facts_is_named(places: tuple[Path, Path]) -> None:
    shoot, desk = places
    fill(desk, "", "no")
    with pytest.raises(InputError, match="the folder that holds it, to --facts"):
        facts_place(shoot, desk / "roster.csv")


def test_a_roster_line_that_is_commented_out_is_no_player(places: tuple[Path, Path]) -> None:
    shoot, _ = places
    rows = ("# home,7,Ida Marlow,yes", "#away,12,Una Tern,no", '"# home",9,Bo Quill,', "home,#4,Kit Vane,no")
    (shoot / "roster.csv").write_text("\n".join(("team,number,name,publish", *rows)), encoding="utf-8")
    players = load(shoot, None).roster
    assert [(p.number, p.name, p.publish, p.line) for p in players if p.number] == [("4", "Kit Vane", False, 5)]
    # With the number in front a # is part of it: nobody who must not be shown is lost.
    (shoot / "roster.csv").write_text("number,team,name,publish\n#4,home,Kit Vane,no\n", encoding="utf-8")
    assert [p.publish for p in load(shoot, None).roster] == [False]
    # A team may be called so.
    (shoot / "shoot.yaml").write_text('teams: {home: "#1 Gulls"}\n', encoding="utf-8")
    (shoot / "roster.csv").write_text("team,number,name,publish\n#1 Gulls,4,Kit Vane,no\n", encoding="utf-8")
    assert [p.publish for p in load(shoot, None).roster] == [False]


def frames_held(shoot: Path, desk: Path, words: str) -> bool:
    facts, problems, _ = load_facts(shoot, desk, index_of(NAMES))
    assert problems == [] and not any("Marlow" in text or "Quill" in text for text in facts.notices)
    return bool(held_back(facts, FrameFacts(words=words, players=(("home", "7"),))))


@pytest.mark.parametrize(
    ("near", "far", "held"),
    [
        ("home,7,Ida Marlow,no", "home,7,Ida Marlow,yes", True),
        ("home,9,Marlow Ida,no", "home,7,Ida Marlow,yes", True),
        ("home,7,Ida Marlow,yes", "home,7,Ida Marlow,no", True),
        ("home,7,Bo Quill,no", "home,7,Ida Marlow,yes", False),  # another player has the number now
        ("home,7,Ida Marlow,yes", "home,7,Ida Marlow,yes", False),
    ],
)
@pytest.mark.parametrize("called", ["roster.csv", "gulls.csv"])
def test_who_is_withheld_beside_the_frames_is_withheld_whichever_roster_is_read(
    places: tuple[Path, Path], near: str, far: str, held: bool, called: str
) -> None:
    shoot, desk = places
    (desk / "shoot.yaml").write_text(f"roster: {called}\n", encoding="utf-8")
    for file, text in ((shoot / "roster.csv", near), (desk / called, far)):
        file.write_text(f"team,number,name,publish\n{text}\n", encoding="utf-8")
    assert frames_held(shoot, desk, "jumps") == held
    assert frames_held(shoot, desk, "jumps over Bo Quill") == ("Quill" in near or held)
    said = any("says publish: no, which counts too" in text for text in load(shoot, desk).notices)
    assert said == (",no" in near)


def test_a_roster_beside_the_frames_that_cannot_be_read_is_named(places: tuple[Path, Path]) -> None:
    shoot, desk = places
    fill(desk, publish="yes")
    (shoot / "roster.csv").write_text("team,number,name,publish\nnowhere,7,Bo Quill,no\n", encoding="utf-8")
    said = [text for text in load(shoot, desk).notices if "cannot be read in full" in text]
    assert len(said) == 1 and str(shoot / "roster.csv") in said[0] and "Quill" not in said[0]


def test_minors_beside_the_frames_counts_whichever_shoot_yaml_is_read(places: tuple[Path, Path]) -> None:
    shoot, desk = places
    (shoot / "shoot.yaml").write_text("title: near\nminors: true\n", encoding="utf-8")
    fill(desk, "far")
    facts = load(shoot, desk)
    assert (facts.title, facts.minors) == ("far", True)
    assert f"{shoot / 'shoot.yaml'} says minors: true, which counts too" in facts.notices


@pytest.mark.parametrize("name", ["roster_away.csv", "Away roster.CSV", "roster (1).csv"])
def test_another_roster_withholds_too(places: tuple[Path, Path], name: str) -> None:
    """Of the other team, or of last week: whoever must not be shown in one of them is not."""
    shoot, desk = places
    fill(desk, publish="yes", words="jumps")
    for folder, player in ((desk, "Eva Moen"), (shoot, "Ida Marlow")):
        (folder / name).write_text(
            f"team,number,name,publish\naway,3,Jo Li,yes\naway,9,{player},no\n", encoding="utf-8"
        )
        facts = load(shoot, desk)
        assert {p.name for p in facts.roster if not p.publish} == {"Eva Moen"} | {player}
        assert f"{folder / name}:3 says publish: no, which counts too" in facts.notices
        assert "Jo Li" not in {p.name for p in facts.roster}
    assert held_back(facts, facts.rows["TH1_0001"])


def test_what_a_disk_keeps_beside_a_roster_is_none(places: tuple[Path, Path]) -> None:
    shoot, desk = places
    fill(desk, publish="yes", words="jumps")
    before = load(shoot, desk)
    (desk / "._roster.csv").write_bytes(bytes((0, 5, 22, 7, 0, 2, 0, 0)) + b"Mac OS X        ")  # AppleDouble, RFC 1740
    assert load(shoot, desk).notices == before.notices


@pytest.mark.parametrize(
    ("team", "answer", "is_shown"), [("home", "", False), ("home", "yes", True), ("away", "", True)]
)
def test_who_changes_the_shirt_keeps_the_answer(
    places: tuple[Path, Path], team: str, answer: str, is_shown: bool
) -> None:
    shoot, _ = places
    text = ROSTER.format("no") + f"{team},27,Marlow Ida,{answer}\naway,3,Jo Li,\n"
    (shoot / "roster.csv").write_text(text, encoding="utf-8")
    facts = load(shoot, None)
    assert [p.publish for p in facts.roster if p.number == "27"] == [is_shown]
    said = "line 3 of the roster has the team and the name of line 2" in facts.notices[-1]
    assert said != is_shown and len(facts.notices) == 1
