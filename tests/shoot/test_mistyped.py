"""Names with a typing mistake or two. The people are made up."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from pipeline.shoot.consent import held_by_own_texts, is_named
from pipeline.shoot.facts import Facts, FrameFacts, Player, held_back, hinted_at, mistyped_player
from pipeline.shoot.names import hints_at, mistyped_in
from tests.shoot.test_consent import frame

SIRI = Player("home", "7", "Siri Fjellheim", publish=False, line=3)
FACTS = Facts(roster=(SIRI, Player("home", "8", "Sira Fjelheim", line=4), Player("away", "2", "Marit Dahl", line=5)))


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("Siri Fjellheim", "Siri Fjelheim scores"),  # missing
        ("Siri Fjellheim", "siri fjelllheim"),  # too many
        ("Siri Fjellheim", "Fjellheum, Siri"),  # wrong
        ("Siri Fjellheim", "TH1_Siri_Fjellhiem_2"),  # changed places
        ("Siri Fjellheim", "Siir Fjellheim"),
        ("Siri Fjellheim", "Siri Fjellhei"),
        ("Siri Fjellheim", "Siri Gjellheim"),
        ("Ana Sofia Reyes", "Ana Reeyes"),  # without her middle name
        ("Jürgen Müller", "Juergen Mueler"),
        ("Анна Белова", "Анна Билова"),
        ("Zofia Kłosowska", "Zofia K&#322;osowksa"),
    ],
)
def test_one_mistake_is_seen(name: str, text: str) -> None:
    assert mistyped_in(text, name) == ("&" not in text) and hints_at(text, name, "en")


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("Siri Fjellheim", "Siri Fjehleim"),  # one missing, two that changed places
        ("Siri Fjellheim", "Fjeleim, Siri"),
        ("Siri Fjellheim", "Siri Fejllhiem"),
        ("Siri Fjellheim", "and Siri Gjellhejm"),
        ("Kari Nordmann", "Kair Nordman"),  # one in each
        ("Kari Nordmann", "Akri Onrdmann"),
        ("Ana Sofia Reyes", "Ana Sofja Reyesz scores"),
        ("Ana Sofia Reyes", "Reyez Ana Soffia"),
    ],
)
def test_two_mistakes_are_seen_in_a_long_name(name: str, text: str) -> None:
    assert mistyped_in(text, name) and hints_at(text, name, "en")


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("Ida Berg", "Idda Berg"), ("Ida Berg", "Brg, Ida"), ("Ida Berg", "Iad_Berg"), ("Ida Berg", "Ia Bert"),
        ("Ida Berg", "Idda Brg"), ("Ida Berg", "Ada Berg"), ("Ida Berg", "Ida Borg"), ("Anna Holm", "Anne Holn"),
        ("Ane Dahl", "Ame Dalh"), ("Eli Lunde", "Eli Lndee"), ("Kristine Hansen", "Kristian Hansen"),
        ("Siri Fjellheim", "Sari Fjellheim"), ("Anna Falkene", "Anan Falkenn"), ("Bo Dahl", "Bo Dalh"),
        ("Ida Lie", "Ada Lia"), ("Thea Hall", "The Hall"), ("Ida Berg", "xda Berg"), ("Ida Berg", "and ida begr"),
    ],
)  # fmt: skip
def test_mistakes_in_short_names_are_seen_unless_the_roster_has_that_name(name: str, text: str) -> None:
    """Another may be called so: then that name is in the roster, or a person says who is in the picture."""
    hidden = Player("home", "7", name, publish=False, line=3)
    other = Player("away", "4", text.replace("_", " "), line=9)
    assert mistyped_player(f"{text} scores", Facts(roster=(hidden,))) is hidden
    assert mistyped_player(f"{text} scores", Facts(roster=(hidden, other))) is None


@pytest.mark.parametrize("text", ["ida_brg", "a save\0ida_brg", "ida_brg\0a save"])
def test_in_the_name_of_a_file_small_letters_count_too(text: str) -> None:
    assert mistyped_in(text, "Ida Berg") and not mistyped_in(text.replace("_", " "), "Ida Berg")


def test_who_is_meant_with_fewer_mistakes_is_meant() -> None:
    """A text that may be either player is held: nobody knows."""
    other = Player("home", "9", "Siri Fjellhaug", line=9)
    facts = Facts(roster=(SIRI, other))
    assert mistyped_player("Siri Fjellhaug shoots", facts) is None  # her own name
    assert mistyped_player("Siri Fjellhaum shoots", facts) is None  # one mistake in hers, two in the other
    assert mistyped_player("Siri Fjellhaum, Siri Fjellhem", facts) is SIRI
    assert mistyped_player("Siri Fjellhem shoots", facts) is SIRI
    assert mistyped_player("Siri Fjellhium shoots", facts) is SIRI  # two in either


def test_a_word_of_anothers_name_excuses_no_mistake_in_another_word() -> None:
    """Last names first, as team lists are typed."""
    others = Player("home", "8", "Siri Aune", line=4), Player("home", "9", "Peder Aune", line=5)
    facts = Facts(roster=(SIRI, *others))
    assert mistyped_player("Fjellhiem Siri, Aune Peder", facts) is SIRI
    assert mistyped_player("Aune, Siri; Fjellhaug, Peder", facts) is None
    berg = Player("home", "7", "Annika Berger", publish=False, line=3)
    others = Player("home", "8", "Ida Berger", line=4), Player("home", "9", "Annica Holm", line=5)
    assert mistyped_player("Ida Berger, Annica Holm", Facts(roster=(berg, *others))) is None
    lena = Player("home", "7", "Katharina Schneider", publish=False, line=3)
    facts = Facts(roster=(lena, Player("home", "8", "Lena Katarina", line=4)))
    assert mistyped_player("Lena Katarina Schnieder", facts) is lena
    assert mistyped_player("Lena Katharina Schniedre", facts) is lena  # two in hers, one in the other, a word apart


@pytest.mark.parametrize("places", [{"teams": {"home": "Fjellheim", "away": "Dahl"}}, {"city": "Fjellheim"}])
def test_a_surname_that_is_a_team_or_a_town_excuses_no_mistake(places: dict[str, Any]) -> None:
    player = replace(SIRI, name="Marian Fjellheim")
    facts = Facts(roster=(player,), **places)
    assert mistyped_player("Mariam Fjellheim jumps", facts) is player
    assert "seem to name" in held_back(facts, FrameFacts(words="Mariam Fjellheim jumps"))
    assert mistyped_player("Fjellheim scores", facts) is None
    assert held_back(facts, FrameFacts(words="Fjellheim scores")) == ""


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("Anna-Lena Dahl", "Annalenna Dahl"),
        ("Anna-Lena Dahl", "Anna-Lna Dahl"),  # of her parts none is long
        ("Annalena Berger", "Anna-Lena Breger"),
        ("Sean O'Neill", "Sean ONeil"),
        ("Eva Moe-Lund", "Eva MoeLundt"),
    ],
)
def test_a_double_name_is_one_word_too(name: str, text: str) -> None:
    assert mistyped_in(text, name)
    assert not mistyped_in(name, name) and not mistyped_in(name.replace("-", ""), name)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("Siri Fjellheim", "Siri Fjellheim"),  # that is her name
        ("Siri Fjellheim", "Siri Fjehlum"),  # more than two
        ("Siri Fjellheim", "Siir Fjehleim"),
        ("Bo Lima", "Bu Lima"),  # a part of two letters
        ("Bo Dahl", "Ob Dahl"),
        ("Ane Mo", "Ana Mu"),
        ("Ola Dahl", "Ole Dale"),  # three
        ("Ola Dahl", "Ola Dale"),  # two in a part of four letters
        ("Kari Nordmann", "Kari\0Nordman"),
        ("Siri Fjellheim", "Siri scores, then Gjellheim"),
        ("Siri Fjellheim", "Siri\0Gjellheim"),  # two texts
        ("Fjellheim", "Gjellheim"), ("王小雨", "王小雪"),
        # words of a sentence
        ("Thea Hall", "a goal in the hall"), ("Ina Hein", "wirft in ein leeres Tor"), ("Per Moe", "det er mye"),
        ("Even Dale", "level\0even date of all"),
    ],
)  # fmt: skip
def test_other_names_are_left(name: str, text: str) -> None:
    assert not mistyped_in(text, name)


def test_a_long_surname_alone_needs_a_capital() -> None:
    assert hints_at("Fjelheim scores", "Siri Fjellheim", "en")
    assert not hints_at("a fjelheim", "Siri Fjellheim", "en") and not hints_at("Hanse wins", "Siri Hansen", "en")


def test_a_frame_whose_own_texts_may_name_her_is_held_until_somebody_says_who_is_in_it(tmp_path: Path) -> None:
    one = frame(tmp_path, Xmp_dc_description="Siri Fjellhiem jumps")
    held = held_by_own_texts(FACTS, [one])
    assert (
        "may name, with a typing mistake or two, a player whose line in the roster says publish: no" in held[one.name]
    )
    assert not is_named(held[one.name])
    named = replace(FACTS, rows={one.name: FrameFacts(players=(("away", "2"),))})
    assert held_by_own_texts(named, [one]) == {}
    other = frame(tmp_path, Xmp_dc_description="Sira Fjelheim jumps")  # of the roster, and one letter from her
    assert (
        held_by_own_texts(replace(FACTS, roster=(replace(SIRI, name="Sira Fjellheim"), *FACTS.roster[1:])), [other])
        == {}
    )


def test_words_with_a_mistake_hold_a_frame_or_are_left_out() -> None:
    row = FrameFacts(words="Siri Fjellhiem jumps")
    assert "seem to name" in held_back(FACTS, row)
    row = replace(row, players=(("away", "2"),))
    assert "or a mistyped name, of a player" in held_back(FACTS, row)  # whom nobody listed
    row = replace(row, words="Fjelheim jumps")
    assert held_back(FACTS, row) == "" and list(hinted_at(row.words, FACTS, (SIRI,), row.players)) == [SIRI]
