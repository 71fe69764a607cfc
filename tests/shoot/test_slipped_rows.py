"""Rows of roster.csv whose cells slipped, or that say no in an odd place: whoever they withhold is not shown.

What people type and what spreadsheets make of it is common practice, no source; the people are made up.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.engine.jobs import without_wrong_rows
from pipeline.errors import InputError
from pipeline.shoot.facts import Facts, FrameFacts, held_back, withheld
from pipeline.shoot.names import holds_any
from pipeline.shoot.read_facts import load_facts
from tests.shoot.called import index_of

HEAD = "team,number,name,publish\n"
CLEAR = "home,1,Eva Lind,yes\nhome,2,Sara Holm,yes\naway,3,Lea Voss,yes\naway,5,Mona Ek,yes\n"
EMPTY = CLEAR.replace("yes", "")
SHOWING = (
    FrameFacts(players=(("home", "7"),)),
    FrameFacts(words="Ida Berg jumps"),
    FrameFacts(words="#7 jumps"),
    FrameFacts(players=(("away", "3"),), words="jumps past Ida Berg"),  # no part of a name counts there
)


def read(folder: Path, row: str, others: str = CLEAR, event: str = "") -> Facts:
    """The facts of a run; raises InputError where it stops."""
    (folder / "roster.csv").write_text(HEAD + row + "\n" + others, encoding="utf-8", newline="")
    (folder / "shoot.yaml").write_text(f"{event}teams: {{home: Gulls, away: Foxes}}\n", encoding="utf-8")
    facts, problems, _ = load_facts(folder, None, index_of(["TH1_0001"]))
    return without_wrong_rows(facts, problems)[0]


@pytest.mark.parametrize("others", [CLEAR, EMPTY])
@pytest.mark.parametrize(
    "row",
    [
        "#7,home,Ida Berg,no",
        "7,Ida Berg,no,",
        "home,Ida Berg,7,no",
        "Ida Berg,7,home,no",
        "home,7,no,Ida Berg",
        "home,no,Ida Berg,7",
        ",home,7,Ida Berg",
        "Ida Berg",
        "home;7;Ida Berg;no",
        "home\t7\tIda Berg\tno",
        '"home,7,Ida Berg,no"',
        'home,9,"Mia Dahl,no\nhome,7,Ida Berg",no',
        'home,"9,Mia Dahl,no\nhome,7",Ida Berg,no',
        "home,7,0,no",
    ],
)
def test_a_run_stops_where_cells_of_a_row_slipped(tmp_path: Path, row: str, others: str) -> None:
    with pytest.raises(InputError, match=r"roster\.csv:2"):
        read(tmp_path, row, others)


@pytest.mark.parametrize(
    ("row", "event"),
    [
        ("home,7,Ida Berg no,", ""),
        ("home,7,Ida Berg (No),", ""),
        ("home,7,Ida Berg NO,yes", ""),
        ("home,7,Ida Berg; no,", ""),
        ("home,7,Ida Berg publish: no,", ""),
        ("home,7,no - Ida Berg,", ""),
        ("home,7,Ida Berg (nein),", "language: de\n"),
        ("home,7 no,Ida Berg,", ""),
        ("home no,7,Ida Berg,", ""),
        ("home,7,Ida Berg,!", ""),
        ("home,7,Ida Berg,x", ""),
        ("home,7,Ida Berg,*", ""),
        ("home,٧,Ida Berg,no", ""),
    ],
)
def test_a_no_in_an_odd_place_withholds(tmp_path: Path, row: str, event: str) -> None:
    facts = read(tmp_path, row, event=event)
    assert all(held_back(facts, one) for one in SHOWING)
    assert not held_back(facts, FrameFacts(players=(("away", "3"),), words="Lea Voss jumps"))


@pytest.mark.parametrize("name", ["No Min-ji", "Kim No", "Min-No Park", "Noa Berg", "KIM NO", "Ida von Berg"])
def test_names_that_only_look_like_a_no_are_shown(tmp_path: Path, name: str) -> None:
    facts = read(tmp_path, f"home,7,{name},", EMPTY)
    assert not any(held_back(facts, one) for one in SHOWING) and facts.wrong_players == ()


def test_a_mark_means_yes_only_beside_a_no(tmp_path: Path) -> None:
    ticks = CLEAR.replace("yes", "✓")
    for row, others, shown in (
        ("home,7,Ida Berg,x", CLEAR.replace("yes", "no"), True),
        ("home,7,Ida Berg,✔", CLEAR, True),
        ("home,7,Ida Berg,x", ticks, False),
        ("home,7,Ida Berg,x", CLEAR.replace("yes", "no").replace("no", "+", 1), False),
    ):
        try:
            facts = read(tmp_path, row, others)
        except InputError:
            assert not shown
            continue
        assert bool(held_back(facts, SHOWING[0])) is not shown, (row, others)


def test_what_may_let_somebody_be_shown_is_said(tmp_path: Path) -> None:
    (said,) = read(tmp_path, "#home,7,Ida Berg,no").notices
    assert "roster.csv:2 begins with #, but has a no under publish" in said and "Berg" not in said
    assert read(tmp_path, "#home,7,Ida Berg,yes").notices == ()
    (said,) = read(tmp_path, "home,17,Ida Berg,no\nhome,7,Berg Ida,yes").notices
    assert said.startswith("lines 2 and 3 of the roster have one name, and only line 2 says publish: no")


NAMING = (FrameFacts(words="Ida Berg jumps"), FrameFacts(players=(("away", "3"),), words="jumps past Ida Berg"))


@pytest.mark.parametrize(
    "row",
    [
        "#home,7,Ida Berg,no",
        "# home,7,Ida Berg,No.",
        '"#home,7,Ida Berg,no"',
        "# home;7;Ida Berg;no",
        "#,7,Ida Berg,nej",  # of another language than the shoot's, and no yes
        "#home,7,Ida Berg (no),",
        "#home,7,Ida Berg,no\nhome,7,Mia Dahl,yes",
        "#home,7,Ida Berg,no\nhome,9,Berg Ida,",
    ],
)
def test_a_line_that_is_taken_out_takes_back_no_no(tmp_path: Path, row: str) -> None:
    """Somebody typed over the example and left its #, or took out who left the team: neither says yes."""
    facts = read(tmp_path, row)
    assert all(held_back(facts, one) for one in NAMING)
    assert not held_back(facts, FrameFacts(words="#7 jumps"))  # who wears it now is somebody else
    assert not held_back(facts, FrameFacts(words="the score is 0, says #0"))
    assert any("begins with #" in text for text in facts.notices) and facts.wrong_players == ()


@pytest.mark.parametrize(
    "row",
    [
        "# publish: yes, no, or, no",
        "#home,7,Ida Berg,no\nhome,7,Ida Berg,yes",
        "# away,12,Who must not be published,no",
        "#home,7,Ida Berg,✓",
    ],
)
def test_a_line_that_is_taken_out_withholds_nobody_who_has_a_yes(tmp_path: Path, row: str) -> None:
    facts = read(tmp_path, row)
    assert not any(held_back(facts, one) for one in NAMING) and facts.notices == ()


def test_what_is_left_of_merged_cells_is_asked_about(tmp_path: Path) -> None:
    """A spreadsheet saves merged cells as their first one and empty ones. Where nobody says yes, empty does, as it is
    documented."""
    facts = read(tmp_path, "home,6,Mia Dahl,no\nhome,7,Ida Berg,")
    assert all(held_back(facts, one) for one in SHOWING)
    (why,) = facts.wrong_players
    assert "roster.csv:3" in why and "a no in merged cells is saved; write yes or no" in why
    with pytest.raises(InputError, match=r"roster\.csv:3:8: name: empty"):  # whom it withholds nobody knows
        read(tmp_path, "home,6,Mia Dahl,no\nhome,7,,")
    below = "home,6,Mia Dahl,no\nhome,7,Ida Berg,"
    for row, others in (
        (below, EMPTY),
        ("home,7,Ida Berg,", CLEAR),
        (below, CLEAR + "home,9,Mona Aas,\n"),
        (below, "home,9,Mona Aas,yes\n"),
    ):
        facts = read(tmp_path, row, others)
        assert not any(held_back(facts, one) for one in SHOWING) and facts.wrong_players == ()


@pytest.mark.parametrize("others", ["home,8,Mia Dahl,O\n", "home,8,Mia Dahl,ok\n", "home,8,Mia Dahl,-\n", ""])
def test_a_cross_beside_what_nobody_understands_is_no_yes(tmp_path: Path, others: str) -> None:
    """Where a circle means yes, as in Japan and Korea, a cross means no. Alone it may mean either."""
    try:
        facts = read(tmp_path, "home,7,Ida Berg,x", others)
    except InputError:
        return
    assert all(held_back(facts, one) for one in SHOWING)


BESIDE = [
    "Ida Berg*", "* Ida Berg", "Ida Berg †", "(Ida Berg)", "[Ida Berg]", "Ida Berg [x]", "Ida Berg x", "Ida Berg (N)",
    "!Ida Berg", "Ida Berg ?", "🚫 Ida Berg", "Ida Berg ✗", "- Ida Berg", "~~Ida Berg~~", "Ida Berg¹", "Ida Berg, nein",
    "I\u0336d\u0336a\u0336 \u0336B\u0336e\u0336r\u0336g\u0336", "Ida Berg (nej)", "Ida Berg foto",
    "Ida Berg: publish later",
]  # fmt: skip


@pytest.mark.parametrize("name", BESIDE)
def test_a_sign_beside_a_name_without_an_answer_is_asked_about(tmp_path: Path, name: str) -> None:
    facts = read(tmp_path, f'home,7,"{name}",', EMPTY)
    assert all(held_back(facts, one) for one in SHOWING)
    assert "write yes or no under publish" in facts.wrong_players[0]
    facts = read(tmp_path, f'home,7,"{name}",yes')
    assert not any(held_back(facts, one) for one in SHOWING) and facts.wrong_players == ()


@pytest.mark.parametrize("answer", ["", "yes"])
@pytest.mark.parametrize(
    "name",
    [
        "Ida Berg - NO PHOTO",
        "Ida Berg (no photos)",
        "Ida Berg – not to be published",
        "Ida Berg kein Foto",
        "Pas de photo: Ida Berg",
    ],
)
def test_words_beside_a_name_that_say_no_withhold(tmp_path: Path, name: str, answer: str) -> None:
    facts = read(tmp_path, f"home,7,{name},{answer}")
    assert all(held_back(facts, one) for one in SHOWING)
    assert "seems to say no" in facts.wrong_players[0]


@pytest.mark.parametrize(
    "name",
    [
        "Ida Berg (Idi)", 'Ida ""Idi"" Berg', "Ida Berg (C)", "Ida Berg GK", "Ida Berg U16", "Ida Berg 7",
        "Ida Berg, Jr.", "Berg, Ida (C)", "Ida Berg - captain", "Ida Berg / Mia Dahl", "Ida Berg (born Dahl)",
        "Dr. Ida Berg", "Ms Ida BERG", "Ida Berg1", "IDA BERG GK", "ida berg c",
        "Frøken Ida Berg", "Frk. Ida Berg", "Frau Dr. Ida Berg", "Mevr. Ida Berg", "Srta. Ida Berg", "Pani Ida Berg",
        "Mademoiselle Ida Berg", "Г-жа Ida Berg", "Ida Berg-san", "Berg, Frøken Ida", "Ida Berg, PhD", "Neiti Ida Berg",
        "Nr. 7 Ida Berg", "Ida Berg + Mia Dahl", "Mia Dahl og Ida Berg", "Ida Berg (Sea Gulls)", "Ida Berg, Sea Gulls",
    ],
)  # fmt: skip
@pytest.mark.parametrize("event", ["", "minors: true\n"])
def test_who_is_withheld_is_found_without_what_stands_beside_the_name(tmp_path: Path, name: str, event: str) -> None:
    """Lists of teams have positions, titles, ages and nicknames beside names; captions do not."""
    row = f'home,7,"{name}",{"yes" if event else "no"}'
    facts = read(tmp_path, row, event=event)
    hidden = tuple(player.name for player in facts.roster if withheld(facts, player))
    assert holds_any("jumps past Ida Berg", hidden) and facts.wrong_players == ()
    assert event or all(held_back(facts, one) for one in SHOWING)
    assert event or not held_back(facts, FrameFacts(words="Lea Voss jumps"))


@pytest.mark.parametrize("surname", ["Berg", "BERG", "MO", "van der Berg"])
def test_a_surname_that_stands_first_is_found_without_the_second_given_name(tmp_path: Path, surname: str) -> None:
    facts = read(tmp_path, f'home,7,"{surname}, Ida Sofie",no')
    assert held_back(facts, FrameFacts(players=(("away", "3"),), words=f"jumps past Ida {surname.title()}"))


@pytest.mark.parametrize("name", ["Ida Berg (Sea Gulls)", "Ida Berg, Sea Gulls U16", "Ida Berg - Sea Gulls"])
@pytest.mark.parametrize("team", ["Sea Gulls", "Sea Gulls U16"])
def test_a_team_beside_a_name_is_not_withheld(tmp_path: Path, name: str, team: str) -> None:
    """Else every frame that names the team is held back."""
    (tmp_path / "roster.csv").write_text(f'{HEAD}home,7,"{name}",no\n{CLEAR}', encoding="utf-8")
    (tmp_path / "shoot.yaml").write_text(f"teams: {{home: {team}, away: Foxes}}\n", encoding="utf-8")
    facts, problems, _ = load_facts(tmp_path, None, index_of(["TH1_0001"]))
    assert not problems and held_back(facts, FrameFacts(words="Ida Berg jumps"))
    assert not holds_any("Sea Gulls - Foxes 3:2", [player.name for player in facts.roster if not player.publish])


@pytest.mark.parametrize(
    "name",
    ["O'Neil, Mary-Ann", "ida von berg", "José y Ana Ruiz", "Ida “Idi” Holm (C)", "Dr. Ida Holm", "王小明",
     "عائشة محمد", "Kim No", "Holm, Ida", "Ida Holm (GK)", "Müller/Schmidt, Eva", "Ida Holm 2", "Nguyễn Thị Na",
     "N. Holm", "Jo Ei"],
)  # fmt: skip
def test_names_as_lists_have_them_need_no_answer(tmp_path: Path, name: str) -> None:
    facts = read(tmp_path, f'home,7,"{name}",', EMPTY)
    assert facts.wrong_players == () and facts.player("home", "7") is not None


@pytest.mark.parametrize("name", ["佐藤花子さん", "佐藤花子選手", "佐藤 花子様"])
def test_a_form_of_address_behind_a_name_without_spaces_is_none_of_it(tmp_path: Path, name: str) -> None:
    facts = read(tmp_path, f"home,7,{name},no")
    assert held_back(facts, FrameFacts(players=(("away", "3"),), words="佐藤花子のシュート"))


@pytest.mark.parametrize(
    "name", ["#7 {}", "7 {}", "7. {}", "(7) {}", "No. 7 {}", "Nr 7 - {}", "{} #7", "{} (7)", "{} (#7)"]
)
@pytest.mark.parametrize("publish", ["", "yes", "no"])
def test_the_shirt_number_beside_a_name_is_none_of_it(tmp_path: Path, name: str, publish: str) -> None:
    facts = read(tmp_path, f'home,7,"{name.format("Ida Berg")}",{publish}', EMPTY)
    player = facts.player("home", "7")
    assert facts.wrong_players == () and player is not None
    assert (player.name, player.publish) == ("Ida Berg", publish != "no")


@pytest.mark.parametrize("name", ["#8 Ida Berg", "Ida Berg #8", "Ida Berg*", "* Ida Berg"])
def test_another_number_or_sign_is_asked_about(tmp_path: Path, name: str) -> None:
    facts = read(tmp_path, f'home,7,"{name}",', EMPTY)
    assert facts.wrong_players or facts.player("home", "7") is None


@pytest.mark.parametrize("sign", ["-", "•", "–"])
def test_a_bullet_before_every_name_is_none_of_them(tmp_path: Path, sign: str) -> None:
    rows = [f"home,{n},{sign} {name},\n" for n, name in ((7, "Ida Berg"), (8, "#8 Lea Voss"), (9, "Ada Holm"))]
    facts = read(tmp_path, "".join(rows).rstrip(), "")
    assert [player.name for player in facts.roster] == ["Ida Berg", "Lea Voss", "Ada Holm"]
    assert all(player.publish for player in facts.roster)


@pytest.mark.parametrize(
    "names",
    [
        ["- Ida Berg", "- Lea Voss", "Ada Holm"],
        ["- Ida Berg", "• Lea Voss", "- Ada Holm"],
        ["✗ Ida Berg", "✗ Lea Voss", "✗ Ada Holm"],
        ["* Ida Berg", "* Lea Voss", "* Ada Holm"],
        ["- Ida Berg", "- Lea Voss"],
    ],
)
def test_a_sign_that_may_mean_something_is_asked_about(tmp_path: Path, names: list[str]) -> None:
    asked = len([name for name in names if not name[0].isalpha()])
    table = HEAD + "".join(f"home,{7 + n},{name},\n" for n, name in enumerate(names))
    (tmp_path / "roster.csv").write_text(table, encoding="utf-8")
    _, problems, _ = load_facts(tmp_path, None, index_of(["TH1_0001"]))
    assert len([problem for problem in problems if "more in it than a name" in str(problem)]) == asked
