"""Rows of roster.csv whose cells slipped, or that say no in an odd place: whoever they withhold is not shown.

What people type and what spreadsheets make of it is common practice, no source; the people are made up.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.engine.jobs import without_wrong_rows
from pipeline.errors import InputError
from pipeline.shoot.facts import Facts, FrameFacts, held_back
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
    assert "roster.csv:2 is taken out by its #" in said and "Berg" not in said
    assert read(tmp_path, "#home,7,Ida Berg,yes").notices == ()
    (said,) = read(tmp_path, "home,17,Ida Berg,no\nhome,7,Berg Ida,yes").notices
    assert said.startswith("lines 2 and 3 of the roster have one name, and only line 2 says publish: no")
