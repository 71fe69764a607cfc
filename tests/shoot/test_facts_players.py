"""Who is in a frame: players as a person types them, and frames that are held back for whom they show."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.shoot.facts import Facts, FrameFacts, Player, held_back
from tests.shoot.test_facts import EVENT, read

SISTERS = """\
team,number,name,publish
home,7,Åse Holm,
home,9,Ase Holm,
home,３,José Núñez,
away,4,Åse Holm,
away,5,Jose Nunez,no
away,6,"Tern, Una",
home,10,王 小雨,
"""


@pytest.mark.parametrize(
    ("players", "found"),
    [
        ("home Åse Holm", [("home", "7")]),  # the exact spelling goes first
        ("home A\u030ase Holm; mill lane foxes ÅSE  HOLM", [("home", "7"), ("away", "4")]),
        ("Harbour Gulls jose nunez", [("home", "3")]),
        ("home Núñez José", [("home", "3")]),
        ("away Una Tern", [("away", "6")]),
        ("Una Tern", [("away", "6")]),
        ("home　王小雨；home　７", [("home", "10"), ("home", "7")]),  # as typed in Japan
    ],
)
def test_players_by_name(tmp_path: Path, players: str, found: list[tuple[str, str]]) -> None:
    facts, problems, _ = read(tmp_path, EVENT, SISTERS, f"frame,players\nTH1_0001,{players}\n")
    assert problems == []
    assert list(facts.rows["TH1_0001"].players) == found


@pytest.mark.parametrize(
    ("players", "words"),
    [
        ("home ase holm", None),
        ("home ÅSE HOLM", "home 7 (Åse Holm, line 2 of the roster) or home 9 (Ase Holm, line 3 of the roster)"),
        ("Jose Nunez; José Nuñez", "home 3 (José Núñez, line 4 of the roster) or away 5"),
        ("home Una Tern", "Una Tern is not in the roster of home"),
        ("away Una Turn", "Una Turn is not in the roster of away"),
        ("Una", "write a team and a number, or a name"),
        ("home", "write a team and a number, or a name"),
        ("home 7 Mill Lane Foxes #4", "write a semicolon between players: home 7; Mill Lane Foxes 4"),
        ("home 7 Otters 4", "no team home 7 Otters"),
    ],
)
def test_players_that_a_name_does_not_tell(tmp_path: Path, players: str, words: str | None) -> None:
    _, problems, _ = read(tmp_path, EVENT, SISTERS, f"frame,players\nTH1_0001,{players}\n")
    assert len(problems) == 1
    assert (words or "may be home 7") in problems[0][3]


def test_held_back() -> None:
    roster = (Player("home", "7", "Ida Marlow", False, 2), Player("away", "4", "Una Tern", True, 3))
    facts = Facts(roster=(*roster, Player("away", "8", "Una Tern", False, 4)))
    assert "publish: no (line 2)" in held_back(facts, FrameFacts(players=(("away", "4"), ("home", "7"))))
    assert "publish: no (line 2)" in held_back(facts, FrameFacts(words="MARLOW, Ida scores"))
    assert "publish: no (line 4)" in held_back(facts, FrameFacts(words="Una Tern scores"))
    row = FrameFacts(players=(("away", "4"),), words="Una Tern scores")
    assert held_back(facts, row) == held_back(facts, FrameFacts(words="warm-up")) == ""
    for reason in (
        held_back(facts, FrameFacts(players=(("home", "7"),))),
        held_back(facts, FrameFacts(words="ida marlow")),
    ):
        assert "Ida" not in reason and "Marlow" not in reason
    # Of minors nobody is named; a frame is held only for publish: no.
    young = Facts(roster=(roster[1],), minors=True)
    assert held_back(young, row) == ""


@pytest.mark.parametrize(
    ("words", "held"),
    [
        ("Bea scores from the line", True),
        ("Lind scores", True),
        ("passes to LIND", True),
        ("Lind's save", True),
        ("Bea Holm and Bea", True),
        ("Bea Holm scores", False),  # wholly the name of one who may be shown
        ("Holm scores", False),
        ("scores for Lind Gulls", False),
        ("blinded by the lamps", False),  # within a word
        ("", False),
    ],
)
def test_a_part_of_a_withheld_name_holds_where_players_is_empty(words: str, held: bool) -> None:
    """Only the words say then whom the frame shows. Whose first name it is, a person says under players."""
    roster = (Player("home", "11", "Bea Lind", False, 3), Player("home", "7", "Bea Holm", True, 2))
    facts = Facts(roster=roster, teams={"home": "Lind Gulls"})
    why = held_back(facts, FrameFacts(words=words))
    assert bool(why) == held and "Bea" not in why and "Lind" not in why
    assert not held or ("publish: no (line 3)" in why and "write under players who is in the picture" in why)
    with_her = held_back(facts, FrameFacts(words=words, players=(("home", "7"),)))
    assert bool(with_her) == ("lind" in words.lower() and held)  # whom nobody listed, and is called so
    assert "Lind" not in with_her and (not with_her or "publish: no (line 3), and players does not list" in with_her)
    young = Facts(roster=(roster[1],), minors=True)
    assert held_back(young, FrameFacts(words="Holm scores")) == ""


@pytest.mark.parametrize(
    ("words", "listed", "held"),
    [
        ("Ada, then Bea", ("home", "7"), True),  # Ada Moe is not listed either
        ("Ada, then Bea", ("home", "8"), False),
        ("Ada Moe, then Bea", ("home", "7"), False),
        ("Adda Linf scores", ("home", "7"), True),
        ("Bea, then ada", ("home", "7"), True),  # in a hurry: whoever is listed is no other capital
        ("Passes to lind", ("home", "7"), True),
        ("Bea and lind at Hall 2", ("home", "7"), True),  # where others have capitals too
        ("Bea, Mill Lane, and adas save", ("home", "7"), True),
        ("Beneath the lind at Mill Lane", ("home", "7"), False),  # a tree
        ("Beneath the lind.", ("home", "7"), False),
        ("Bea beneath the lind", ("home", "7"), False),
        ("The lind throws at Mill Lane", ("home", "7"), True),
        ("Bea and the ada of Mill Lane", ("home", "7"), True),  # by whom another language has articles before names
        ("Bea under Lathe lind.", ("home", "7"), True),
        ("Bea and bo at Mill Lane", ("home", "7"), True),
        ("Bea and my mother at Mill Lane", ("home", "7"), False),
        ("Bea and My at Mill Lane", ("home", "7"), True),
        ("Bea after Adas save", ("home", "7"), True),  # as in German and the languages of the north
        ("Annalena jumps", ("home", "7"), True),  # a double name as one word
        ("anna-lena jumps", ("home", "7"), True),
        ("Linde scores", ("home", "7"), False),  # may be a form of it: the words are left out, and no more
        ("小雨 scores", ("home", "7"), True),
        ("Marit's pass", ("home", "7"), False),
    ],
)
def test_a_name_in_words_of_whom_players_does_not_list_holds(words: str, listed: tuple[str, str], held: bool) -> None:
    roster = (
        Player("home", "11", "Ada Lind", False, 3), Player("home", "12", "王小雨", False, 4),
        Player("home", "13", "Anna-Lena Dahl", False, 5), Player("home", "7", "Bea Holm"),
        Player("home", "8", "Ada Moe"), Player("home", "14", "Bo Storm", False, 6),
        Player("home", "15", "My Strand", False, 7),
    )  # fmt: skip
    assert bool(held_back(Facts(roster=roster), FrameFacts(words=words, players=(listed,)))) == held


@pytest.mark.parametrize(("language", "held"), [("pl", True), ("en", False)])
def test_where_names_are_inflected_a_form_is_a_name_that_players_does_not_list(language: str, held: bool) -> None:
    roster = (Player("home", "11", "Ada Lind", False, 3), Player("home", "7", "Bea Holm"))
    facts, listed = Facts(roster=roster, language=language), (("home", "7"),)
    assert bool(held_back(facts, FrameFacts(words="Bea i Lindem", players=listed))) == held
    assert not held_back(facts, FrameFacts(words="Bea i lindem", players=listed))


@pytest.mark.parametrize(
    ("words", "shown", "held"),
    [
        ("Rzut Marcina", "Marcin", False),  # as the longer common beginning tells
        ("Rzut Marty", "Marcin", True),
        ("Rzut Marty", "Martin", True),  # as much of the one as of the other
    ],
)
def test_a_form_of_a_name_that_players_lists_is_nobody_elses(words: str, shown: str, held: bool) -> None:
    """Polish genitives, from memory."""
    roster = (Player("home", "11", "Marta Lind", False, 3), Player("home", "7", f"{shown} Holm"))
    facts = Facts(roster=roster, language="pl")
    assert bool(held_back(facts, FrameFacts(words=words, players=(("home", "7"),)))) == held


@pytest.mark.parametrize(
    ("words", "held"),
    [
        ("Warm-up in the hall", False),
        ("Before the hall: a queue", False),
        ("Warm-up in the hall of the school", False),
        ("the hall twins", True),
        ("passes to hall", True),
        ("in the Hall", True),
        ("the max, before the match", True),  # by whom another language has articles before names
    ],
)
def test_a_surname_that_is_a_thing_holds_where_it_may_be_somebody(words: str, held: bool) -> None:
    facts = Facts(roster=(Player("home", "11", "Max Hall", False, 3),))
    assert bool(held_back(facts, FrameFacts(words=words))) == held
    unknown = Facts(roster=(Player("home", "11", "Max, Hall", False, 3),))  # which of the two is the surname
    assert held_back(unknown, FrameFacts(words=words))


@pytest.mark.parametrize(
    ("words", "held"),
    [
        ("the final will be at eight", False),
        ("it may not be the last save", False),
        ("the line-up before the match", False),
        ("the ball is over the goal-line", False),
        ("a line judge", False),
        ("will scores", True),
        ("may and mia", True),
        ("shot by line", True),
        ("anna-line jumps", True),
        ("Will be", True),
        ("max jumps", True),
        ("o'will be", True),
    ],
)
@pytest.mark.parametrize("listed", [(), (("home", "8"),)])
def test_small_words_that_are_names_too_hold_where_they_may_be_somebody(
    words: str, held: bool, listed: tuple[tuple[str, str], ...]
) -> None:
    hidden = [
        Player("home", f"1{at}", f"{name} Berg", False, 3) for at, name in enumerate(("Will", "May", "Line", "Max"))
    ]
    facts = Facts(roster=(*hidden, Player("home", "8", "Una Tern")))
    assert bool(held_back(facts, FrameFacts(words=words, players=listed))) == held


@pytest.mark.parametrize(
    ("words", "held"),
    [
        ("#7 jumps", True),
        ("No. 7 and nr 12", True),
        ("Nº７ scores", True),
        ("home 7 dives", True),
        ("harbour gulls 7 at the line", True),
        ("#07", True),
        ("away 7 dives", False),
        ("the 7 metre throw, 7 minutes left", False),
        ("Harbour Gulls 7 - 6, home 7:6", False),
        ("#77 and no. 17", False),
        ("now 7 players", False),
    ],
)
def test_the_shirt_of_a_withheld_player_holds_where_players_is_empty(words: str, held: bool) -> None:
    """Two players may wear the number, one of each team: whom it means is in doubt."""
    roster = (Player("home", "7", "Bea Lind", False, 3), Player("away", "7", "Bea Holm", True, 2))
    facts = Facts(roster=roster, teams={"home": "Harbour Gulls", "away": "Mill Lane Foxes"})
    assert ("publish: no (line 3)" in held_back(facts, FrameFacts(words=words))) == held


@pytest.mark.parametrize(
    ("words", "players", "held"),
    [
        ("Gulls #7 shoots", ("home", "4"), True),
        ("#7 shoots", ("home", "4"), True),
        ("#7 shoots", ("away", "7"), False),
        ("Gulls #7 shoots", ("away", "7"), True),
        ("Harbour Gulls no. 7 shoots", ("away", "7"), True),
        ("home 7 shoots", ("away", "7"), True),
        ("Foxes #7 shoots", ("away", "7"), False),
        ("Gulls 7 Foxes 6", ("away", "4"), False),
    ],
)
def test_the_shirt_of_a_withheld_player_whom_players_does_not_list(
    words: str, players: tuple[str, str], held: bool
) -> None:
    """Its words say that somebody else is in the picture too: the number is a player's, and her team's is only hers."""
    roster = (Player("home", "7", "Bea Lind", False, 3), Player("away", "7", "Bea Holm", True, 2))
    facts = Facts(roster=roster, teams={"home": "Harbour Gulls", "away": "Mill Lane Foxes"})
    why = held_back(facts, FrameFacts(words=words, players=(players,)))
    assert bool(why) == held and (not held or "write the words without it" in why)


@pytest.mark.parametrize("shown", ["Bea", "BEA", "Lind", "Lindh Bea"])
def test_a_player_who_may_be_shown_takes_no_word_out_of_doubt_that_is_wholly_in_a_withheld_name(shown: str) -> None:
    """Another is in the roster by a first name alone: whom "Bea scores" means, only a person knows."""
    roster = (Player("home", "11", "Bea Lindh-Lind", False, 3), Player("home", "7", shown, True, 2))
    facts = Facts(roster=roster)
    words = f"{shown} scores"
    assert "publish: no (line 3)" in held_back(facts, FrameFacts(words=words))
    assert held_back(facts, FrameFacts(words=words, players=(("home", "7"),))) == ""
    whole = Facts(roster=(roster[0], Player("home", "7", "Bea Holm", True, 2)))
    assert held_back(whole, FrameFacts(words="Bea Holm scores")) == ""


def test_a_shirt_number_with_its_sign_and_a_crop_outside_the_frame(tmp_path: Path) -> None:
    roster = "team,number,name\nhome,#7,Ada Brekke\n"
    frames = "frame,players,crop\nTH1_0001,home #7,-0.1 0 1 1\nTH1_0002,home 7,0 0 1 1.01\n"
    facts, problems, _ = read(tmp_path, "teams: {home: Gulls}\n", roster, frames)
    assert [p.number for p in facts.roster] == ["7"]
    assert [(line, "is not a crop" in message) for _, line, _, message in problems] == [(2, True), (3, True)]
