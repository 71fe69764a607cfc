"""Withheld names out of every text of a file, whoever typed them and where. The people are made up."""

from __future__ import annotations

import dataclasses

import pytest

from pipeline.captions.privacy import carried_without_hints, withhold, without_hints
from pipeline.formats.metadata.credits import Contact
from pipeline.formats.metadata.model import Metadata, PictureTexts
from pipeline.shoot.facts import Facts, FrameFacts, Player

HIDDEN, SHOWN = "Siri Fjellheim", "Ada Brekke"
FACTS = Facts(
    title="Lantern Cup", venue="Old Market Hall", language="en",
    roster=(Player("home", "7", SHOWN, True, 2), Player("home", "9", HIDDEN, False, 3)),
)  # fmt: skip
MINOR = (Player("home", "9", HIDDEN, True, 3),)
# Codes: nobody types a player's name into them.
OF_THE_CAMERA = {"language", "digital_source_type"}
TEXTS = [f.name for f in dataclasses.fields(Metadata) if f.type in ("str", str) and f.name not in OF_THE_CAMERA]
LISTS = [f.name for f in dataclasses.fields(Metadata) if "tuple" in str(f.type)]
# A text on somebody else would be false with "a player" in it: it is left out whole.
WHOLE = {"creator", "job_title", "caption_writer", "credit", "source", "copyright", "title", "job_id", "rights_url",
         "country_code", "make", "model", "lens"}  # fmt: skip


def withheld(metadata: Metadata, facts: Facts = FACTS) -> tuple[Metadata, list[str]]:
    notices: list[str] = []
    return withhold(metadata, facts, "a player", notices), notices


@pytest.mark.parametrize("field", TEXTS)
def test_a_whole_name_goes_from_every_text(field: str) -> None:
    """Every text that a file can hold, by the fields of Metadata, so that a new one is not forgotten."""
    found, notices = withheld(Metadata(**{field: f"{HIDDEN} and {SHOWN}"}))
    assert getattr(found, field) == ("" if field in WHOLE else f"A player and {SHOWN}")
    assert any(field.replace("_", " ") in n for n in notices) and not any("Fjellheim" in n for n in notices)


@pytest.mark.parametrize("field", LISTS)
def test_an_entry_of_a_list_goes_whole(field: str) -> None:
    found, _ = withheld(Metadata(**{field: ("Lantern Cup", f"goal of {HIDDEN}", SHOWN)}))
    assert getattr(found, field) == ("Lantern Cup", SHOWN)


@pytest.mark.parametrize("field", [f.name for f in dataclasses.fields(Contact)])
def test_contacts(field: str) -> None:
    usual = Contact(**{f.name: "desk" for f in dataclasses.fields(Contact)})
    found, _ = withheld(Metadata(contact=dataclasses.replace(usual, **{field: f"c/o {HIDDEN}"})))
    assert found.contact == dataclasses.replace(usual, **{field: ""})


def test_a_longer_name_goes_before_one_that_it_holds() -> None:
    roster = (Player("home", "7", "Eva Lind", False, 2), Player("home", "9", "Eva Lind Holm", False, 3))
    found, _ = withheld(Metadata(caption="Today Eva Lind Holm scores."), Facts(roster=roster, language="en"))
    assert found.caption == "Today a player scores."


def test_a_lone_surname_goes_from_keywords_and_title_and_is_pointed_out_elsewhere() -> None:
    found, notices = withheld(
        Metadata(caption="Fjellheim scores.", keywords=("handball", "Fjellheim"), title="fjellheim_12")
    )
    assert found.keywords == ("handball",) and found.title == ""
    assert found.caption == "Fjellheim scores."  # of the recipe or the event: a person looks at it
    assert any("look at it" in n for n in notices) and any("keyword left out" in n for n in notices)


def test_a_name_that_may_be_shown_is_no_part_of_another() -> None:
    roster = (Player("home", "7", "Ada Fjellheim", True, 2), Player("home", "9", HIDDEN, False, 3))
    facts = Facts(roster=roster, language="en", teams={"home": "Fjellheim Gulls"})
    keywords = ("Ada Fjellheim", "Fjellheim Gulls", "handball")
    assert withheld(Metadata(keywords=keywords), facts)[0].keywords == keywords


def test_who_is_in_the_roster_by_a_first_name_keeps_it_where_the_table_has_her_in_the_frame() -> None:
    """Siri may be shown and Siri Fjellheim may not: elsewhere the word may mean either."""
    facts = dataclasses.replace(FACTS, roster=(*FACTS.roster, Player("away", "4", "Siri", True, 4)))
    typed = PictureTexts(caption="Siri scores", keywords=("Siri",))
    for row, stays in ((FrameFacts(players=(("away", "4"),)), True), (FrameFacts(), False)):
        assert (carried_without_hints(typed, facts, [], row).caption != "") == stays
        typed_here = dataclasses.replace(row, words="Siri scores")
        assert (without_hints(typed_here, facts, []).words != "") == stays
        named = ("Siri",) if stays else ()
        found, notices = withheld(Metadata(caption="Siri scores", keywords=("Siri",), persons=named), facts)
        assert (found.keywords == ("Siri",)) == stays == (notices == [])


def test_words_with_a_part_of_a_name_are_left_out() -> None:
    """A row's words are of one picture: a surname in them says who it shows. A whole name is replaced later."""
    notices: list[str] = []
    row = FrameFacts(words="passes to Fjellheim", line=4)
    assert without_hints(row, FACTS, notices).words == ""
    assert "frames.csv line 4" in notices[0] and "roster.csv line 3" in notices[0]
    assert "without it" not in notices[0]  # the frame is held because of them
    form = dataclasses.replace(row, words="passes to Fjellheimer")  # may be a form of it, and holds no frame of others
    minors = dataclasses.replace(FACTS, roster=MINOR, minors=True)
    for one, players, facts in ((form, (("home", "7"),), FACTS), (row, (), minors)):
        without_hints(dataclasses.replace(one, players=players), facts, notices)
        assert "roster.csv line 3" in notices[-1] and notices[-1].endswith(
            "is in the picture too, or write them without it"
        )
    for words in ("passes at the six-metre line", f"passes to {HIDDEN}", f"passes to {SHOWN}"):
        row = FrameFacts(words=words)
        assert without_hints(row, FACTS, []) is row


def test_texts_typed_in_the_camera() -> None:
    """About this picture: left out where they hold a part of the name; credits and keywords are looked at later."""
    notices: list[str] = []
    typed = PictureTexts(
        caption="Fjellheim scores", headline="Brekke and Fjellheim", alt_text="Fjellheim", instructions="ask Fjellheim",
        keywords=("Fjellheim",), credit="M. Vale",
    )  # fmt: skip
    kept = carried_without_hints(typed, FACTS, notices)
    assert (kept.caption, kept.headline, kept.alt_text, kept.instructions) == ("", "", "", "")
    assert kept.credit == "M. Vale" and kept.keywords == ("Fjellheim",)
    assert len(notices) == 4
    plain = PictureTexts(caption="Brekke scores")
    assert carried_without_hints(plain, FACTS, []) == plain


@pytest.mark.parametrize("minors", [False, True])
def test_nobody_withheld_changes_nothing(minors: bool) -> None:
    everybody = Facts(roster=(Player("home", "7", SHOWN, True, 2),), minors=minors, language="en")
    found, notices = withheld(Metadata(caption=f"{SHOWN} scores.", keywords=("Brekke",)), everybody)
    if minors:
        assert found.caption == "A player scores." and found.keywords == () and notices
    else:
        assert found.caption == f"{SHOWN} scores." and found.keywords == ("Brekke",) and notices == []


def test_a_short_form_in_a_credit_typed_in_the_camera_goes_and_typed_for_the_event_stays() -> None:
    notices: list[str] = []
    typed = PictureTexts(
        credit="S. Fjellheim / Vale", copyright="M. Vale", contact=Contact(web="S. Fjellheim", city="Vik")
    )
    kept = carried_without_hints(typed, FACTS, notices)
    assert kept.credit == "" and kept.copyright == "M. Vale" and kept.contact == Contact(city="Vik")
    assert notices and not any("Fjellheim" in notice for notice in notices)
    assert withheld(Metadata(credit="S. Fjellheim"))[0].credit == "S. Fjellheim"


@pytest.mark.parametrize("form", ["#TeamSiriFjellheimCup", "Siri Fjellheims cup", "Siri M. Fjellheim"])
def test_a_form_that_cannot_be_replaced_goes_with_its_text(form: str) -> None:
    found, notices = withheld(Metadata(event=form, keywords=("cup", form), contact=Contact(web=form, city="Vik")))
    assert found.event == "" and found.keywords == ("cup",) and found.contact == Contact(city="Vik")
    assert any("event" in n for n in notices) and not any("Fjellheim" in n for n in notices)


def test_names_of_others_side_by_side_stay() -> None:
    roster = (
        Player("home", "7", "Anna Berg", True, 2), Player("home", "8", "Ida Holm", True, 3),
        Player("home", "9", "Ida Berg", False, 4),
    )  # fmt: skip
    found, _ = withheld(Metadata(caption="Anna Berg, Ida Holm and Ida Berg"), Facts(roster=roster, language="en"))
    assert found.caption == "Anna Berg, Ida Holm and a player"
