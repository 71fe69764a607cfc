"""Captions: true sentences whatever is missing, and no withheld name in any byte. The people are made up."""

from __future__ import annotations

import io
import re
import unicodedata
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest
from PIL import Image
from pydantic import ValidationError

from pipeline.errors import InputError
from pipeline.formats.metadata.credits import Contact
from pipeline.formats.metadata.embed import embed_jpeg
from pipeline.formats.metadata.model import Metadata
from pipeline.formats.metadata.xmp import xmp_packet
from pipeline.shoot.clocks.dates import with_doubts
from pipeline.shoot.facts import Facts, FrameFacts, Player, Reference
from pipeline.shoot.names import name_pattern, replace_name
from pipeline.steps.caption import STEP, CaptionParams, describe
from pipeline.types import Exif, Frame
from tests.tables import texts

EXIF = Exif(make="Maker", serial="SN424242", time=datetime(2026, 2, 14, 19, 31, 5), utc_offset=60)
FRAME = Frame("TH1_0001", Path("TH1_0001.dng"), "TH1_0001.dng", "raw", EXIF)
FACTS = Facts(
    title="Town cup, semi-final",
    teams={"home": "Harbour Gulls", "away": "Mill Lane Foxes"},
    venue="Old Market Hall",
    city="Westerby",
    country="NOR",
    start=datetime.fromisoformat("2026-02-14T19:30:00+01:00"),
    language="en",
    creator="M. Vale",
    copyright="© M. Vale",
    contact=Contact(email="desk@example.org"),
    roster=(
        Player("home", "7", "Łucja Żółkiewska", True, 2),
        Player("home", "9", "Nora Ek", True, 3),
        Player("away", "12", "Đurđica Šćepanović-Žižek", False, 4),
        Player("away", "4", "王小雨", False, 5),
        Player("away", "5", "ليلى الحارثي", False, 6),
        Player("away", "6", "Işıl İpek", False, 7),
    ),
)
MATCH = "Harbour Gulls \N{EN DASH} Mill Lane Foxes"
PLACE = f"{MATCH}, Town cup, semi-final, Old Market Hall, Westerby, 14 February 2026."


def made(row: FrameFacts, facts: Facts = FACTS, **params: object) -> tuple[Metadata, tuple[str, ...]]:
    return describe(FRAME, facts, row, CaptionParams(**params))  # type: ignore[arg-type]


def test_sentences() -> None:
    one = (("home", "7"),)
    two = (("home", "7"), ("home", "9"))
    assert made(FrameFacts())[0].caption == PLACE  # it may show a card or an empty hall: nobody plays
    assert made(FrameFacts(players=one))[0].caption == f"Pictured is Łucja Żółkiewska (7, Harbour Gulls). {PLACE}"
    assert made(FrameFacts(players=one, words="scores from the wing"))[0].caption == (
        f"Łucja Żółkiewska (7, Harbour Gulls) scores from the wing. {PLACE}"
    )
    assert made(FrameFacts(players=two, words="jump for the ball"))[0].caption == (
        f"From left, Łucja Żółkiewska (7, Harbour Gulls) and Nora Ek (9, Harbour Gulls) jump for the ball. {PLACE}"
    )
    assert made(FrameFacts(players=two, words="Last minute!"))[0].caption == (
        "Pictured from left are Łucja Żółkiewska (7, Harbour Gulls) and Nora Ek (9, Harbour Gulls). "
        f"Last minute! {PLACE}"
    )
    assert made(FrameFacts(words="warm-up"))[0].caption == f"Warm-up. {PLACE}"
    several = (("away", "12"), ("away", "4"))
    assert made(FrameFacts(players=several))[0].caption.startswith("Pictured are 2 players of Mill Lane Foxes. ")
    bare = describe(replace(FRAME, exif=Exif()), Facts(), FrameFacts(), CaptionParams())[0]
    assert bare.caption == "Indoor court sport."
    assert made(FrameFacts(), Facts(country="NOR"))[0].caption == "Indoor court sport, 14 February 2026."
    assert made(FrameFacts(), Facts(title="Town cup"))[0].caption == "Town cup, February 14, 2026."


@pytest.mark.parametrize("missing", ["title", "teams", "venue", "city", "country", "start", "creator", "all"])
@pytest.mark.parametrize("row", [FrameFacts(), FrameFacts(players=(("home", "7"),)), FrameFacts(words="So.")])
def test_a_missing_fact_leaves_no_trace(missing: str, row: FrameFacts) -> None:
    if missing == "all":
        facts = Facts(roster=FACTS.roster)
    else:
        facts = replace(FACTS, **{missing: {} if missing == "teams" else None if missing == "start" else ""})
    for template in (None, "{{ who }} ({{ city }}), {{ venue }}, [{{ title }}] {{ words }}."):
        metadata, _ = made(row, facts, **({} if template is None else {"template": template}))
        for text in (metadata.caption, metadata.headline, metadata.alt_text):
            assert "None" not in text
            assert not re.search(r"\(\)|\[\]|\( |, ,|,,|  | [.,]|,\.|\.\.|^[,.:;]", text), text
        assert template or metadata.caption.endswith(".")


# IPTC Photo Metadata Standard 2025.1: the properties that every file gets, as its technical reference calls them.
PROPERTIES = (
    "headline", "description", "captionWriter", "altTextAccessibility", "keywords", "eventName", "personInImageNames",
    "organisationInImageNames", "creatorNames", "creatorContactInfo", "creditLine", "source", "copyrightNotice",
    "usageTerms", "cityName", "provinceState", "countryName", "countryCode", "dateCreated", "digitalSourceType",
    "imageRating", "webstatementRights", "jobtitle", "instructions", "jobid", "sublocationName", "title",
)  # fmt: skip


def test_every_property_of_the_standard_is_written() -> None:
    known = {row["property"]: row["xmp"] for row in texts("iptc_2025_1") if not row["structure"]}
    facts = replace(
        FACTS, region="Vestlia", credit="M. Vale / WP", usage="One use", caption_writer="I. Desk", source="WP",
        job_title="Stringer", job_id="WP-11", rights_url="https://example.org/terms", instructions="Embargo",
    )  # fmt: skip
    frame = replace(FRAME, exif=replace(EXIF, time=datetime(2026, 2, 14, 19, 31, 5, 350000)))
    metadata, _ = describe(frame, facts, FrameFacts(players=(("home", "7"),), rating=4), CaptionParams())
    packet = xmp_packet(metadata).decode()
    for name in PROPERTIES:
        assert f"<{known[name]}>" in packet, name
    assert "<photoshop:DateCreated>2026-02-14T19:31:05.35+01:00<" in packet
    assert "<Iptc4xmpCore:CountryCode>NOR<" in packet and "<photoshop:Country>Norway<" in packet


def test_facts_become_fields() -> None:
    facts = replace(
        FACTS, caption_writer="I. Desk", source="Westerby Post", job_title="Stringer", job_id="WP-11",
        rights_url="https://example.org/terms", instructions="Embargo: noon",
    )  # fmt: skip
    m, _ = made(FrameFacts(players=(("home", "7"),), rating=3), facts, keywords=["handball"])
    assert m.persons == ("Łucja Żółkiewska",)
    assert m.keywords == ("handball", "Harbour Gulls", "Mill Lane Foxes", "Łucja Żółkiewska")
    assert m.organisations == ("Harbour Gulls",)
    assert (m.country_code, m.country, m.rating, m.utc_offset) == ("NOR", "Norway", 3, 60)
    assert (m.title, m.caption_writer, m.source, m.job_title) == ("TH1_0001", "I. Desk", "Westerby Post", "Stringer")
    assert (m.rights_url, m.instructions, m.job_id) == ("https://example.org/terms", "Embargo: noon", "WP-11")
    assert m.digital_source_type == "http://cv.iptc.org/newscodes/digitalsourcetype/digitalCapture"
    assert (m.created, m.event, m.city) == (EXIF.time, "Town cup, semi-final", "Westerby")
    assert m.contact == Contact(email="desk@example.org")
    assert "SN424242" not in repr(m)


def shown(row: FrameFacts, facts: Facts = FACTS, **params: object) -> tuple[bytes, str]:
    """The delivered bytes and the notices."""
    metadata, notices = made(row, facts, **params)
    out = io.BytesIO()
    Image.new("RGB", (16, 16)).save(out, "JPEG")
    return embed_jpeg(out.getvalue(), metadata)[0], "\n".join(notices)


def assert_absent(name: str, data: bytes, notices: str) -> None:
    for form in ("NFC", "NFD"):
        for text in (name, name.upper(), name.lower()):
            text = unicodedata.normalize(form, text)
            for encoding in ("utf-8", "utf-16-le", "utf-16-be"):
                assert text.encode(encoding) not in data
            assert text not in notices


@pytest.mark.parametrize("player", [p for p in FACTS.roster if not p.publish], ids=lambda p: p.name)
def test_publish_no_leaves_no_name_in_any_byte(player: Player) -> None:
    name, words = player.name, player.name.split()
    decomposed = unicodedata.normalize("NFD", name)
    row = FrameFacts(
        players=((player.team, player.number), ("home", "7")),
        words=f"{name} throws; {name.upper()}, {decomposed} and {' '.join(reversed(words))}",
    )
    facts = replace(
        FACTS, title=f"Cup of {name}", creator=name, copyright=f"© {name}", usage=name, contact=Contact(address=name)
    )
    data, notices = shown(
        row, facts, template="{{ who }} {{ words }} {{ title }} " + name, headline=name,
        alt_text="{{ words }}", keywords=["handball", name],
    )  # fmt: skip
    assert_absent(name, data, notices)
    assert b"a player of Mill Lane Foxes" in data
    assert "Łucja Żółkiewska".encode() in data
    assert f"name of one player withheld: the line in the roster says publish: no (line {player.line})" in notices
    assert "taken out of" in notices
    assert "; it stands in shoot.yaml under title, copyright, usage, creator, contact" in notices


def test_minors_leaves_no_name_at_all() -> None:
    facts = replace(FACTS, minors=True)
    every = tuple((p.team, p.number) for p in FACTS.roster)
    data, notices = shown(FrameFacts(players=every, words="Nora Ek jumps"), facts)
    for player in FACTS.roster:
        assert_absent(player.name, data, notices)
    assert b"2 players of Harbour Gulls and 4 players of Mill Lane Foxes" in data
    assert "minors is true" in notices
    metadata, _ = made(FrameFacts(players=every), facts)
    assert metadata.persons == ()
    assert not any(f"({n}" in metadata.caption for n in ("7", "9"))


@pytest.mark.parametrize(
    ("name", "typed"),
    [
        ("Đurđica Šćepanović-Žižek", "djurdjica"),
        ("Nora Ek", "Nora Ekberg"),
        ("Nora Ek", "Sonora Ek"),
    ],
)
def test_other_words_stay(name: str, typed: str) -> None:
    pattern = name_pattern(name)
    assert pattern is not None
    assert replace_name(typed, pattern, "a player") == typed


@pytest.mark.parametrize(
    ("name", "typed", "expected"),
    [
        ("Đurđica Šćepanović-Žižek", "and DURDICA  SCEPANOVIC ZIZEK!", "and a player!"),
        ("Đurđica Šćepanović-Žižek", "by Šćepanović-Žižek, Đurđica", "by a player"),
        ("Nora Ek", "Goal by nora\u200b ek's team", "Goal by a player's team"),
        ("Nora Ek", "#NoraEk", "#a player"),
        ("Nora Ek", "Save. Nora Ek dives", "Save. A player dives"),
        ("王小雨", "射手王小雨得分", "射手a player得分"),
        ("ليلى الحارثي", "وليلى الحارثي", "وa player"),
        ("Işıl İpek", "by isil ipek", "by a player"),
        ("Łucja", "with LUCJA", "with a player"),
    ],
)
def test_whole_names_are_found(name: str, typed: str, expected: str) -> None:
    pattern = name_pattern(name)
    assert pattern is not None
    assert replace_name(typed, pattern, "a player") == expected


@pytest.mark.parametrize(
    ("words", "language"), [("Scepanovic scores", "en"), ("gol za Šćepanovićem", "hr"), ("小雨 scores", "en")]
)
def test_words_with_a_part_of_a_withheld_name_are_held(words: str, language: str) -> None:
    row = FrameFacts(players=(("home", "7"),), words=words, line=8)
    metadata, notices = made(row, replace(FACTS, language=language))
    assert words not in metadata.caption and words not in metadata.alt_text
    assert "Łucja Żółkiewska (7, Harbour Gulls)" in metadata.caption
    assert any("words in frames.csv line 8 are left out" in n for n in notices)
    assert not any("cepanovi" in n or "小雨" in n for n in notices)
    assert made(FrameFacts(players=(("home", "7"),)))[1] == ()


def test_a_part_of_a_withheld_name_that_the_recipe_has() -> None:
    metadata, notices = made(FrameFacts(), keywords=["handball", "Žižek"], headline="Zizek's night")
    assert metadata.keywords == ("handball", "Harbour Gulls", "Mill Lane Foxes")
    assert any("keyword left out" in n and "line 4" in n for n in notices)
    assert any("line 4" in n and "whole names" in n for n in notices)
    # A surname that a published player shares is hers where her whole name stands.
    sister = replace(FACTS, roster=(*FACTS.roster, Player("home", "1", "Ana Žižek", True, 8)))
    assert made(FrameFacts(players=(("home", "1"),), words="Ana Žižek scores"), sister)[1] == ()
    assert "scores" not in made(FrameFacts(players=(("home", "1"),), words="Žižek scores"), sister)[0].caption


@pytest.mark.parametrize("field", ["template", "headline", "alt_text"])
@pytest.mark.parametrize(
    "source", ["{{ who", "{{ whom }}", "{{ who | nosuch }}", "{{ 1 / 0 }}", "{{ who.__class__.__mro__ }}"]
)
def test_wrong_template_is_refused_with_the_recipe(field: str, source: str) -> None:
    with pytest.raises(ValidationError, match="template") as caught:
        CaptionParams(**{field: source})  # type: ignore[arg-type]
    assert caught.value.errors()[0]["loc"] == (field,)
    assert "opening, setting, who, words" in str(caught.value)


def test_template_that_fails_on_one_frame_names_step_and_parameter() -> None:
    source = "{{ 1 // (words | length - 3) }}"
    with pytest.raises(InputError, match="step caption, parameter template, frame TH1_0001"):
        made(FrameFacts(words="abc"), template=source)


def test_words_are_no_template() -> None:
    assert "{{ 7 * 6 }}" in made(FrameFacts(words="Sign {{ 7 * 6 }}"))[0].caption


@pytest.mark.parametrize(
    ("words", "count", "language", "asked"),
    [
        ("shoots from the wing", 2, "en", True), ("is in the way", 2, "en-GB", True), ("shoots", 1, "en", False),
        ("shoot from the wing", 2, "en", False), ("Shoots from the wing", 2, "en", False), ("", 2, "en", False),
        ("shoots", 2, "de", False), ("towards the goal", 2, "en", False),
    ],
)  # fmt: skip
def test_a_verb_of_one_after_two_players_is_asked_about(words: str, count: int, language: str, asked: bool) -> None:
    """Only a person knows whether both shoot, so the caption stays as typed."""
    players = tuple((player.team, player.number) for player in FACTS.roster if player.publish)[:count]
    metadata, notices = made(FrameFacts(players=players, words=words), replace(FACTS, language=language))
    assert len(players) == count and words in metadata.caption
    assert any("is of one: check the words" in notice for notice in notices) == asked


def test_alternative_text() -> None:
    """At most 250 characters: IPTC Photo Metadata Standard 2025.1."""
    metadata, notices = made(FrameFacts(words="A very long save. " * 30))
    assert 200 < len(metadata.alt_text) <= 250
    assert any("250" in n for n in notices)
    metadata, notices = made(FrameFacts(words="Huddle"), template="{{ words }}.")
    assert metadata.alt_text == "Indoor court sport, Harbour Gulls – Mill Lane Foxes"
    assert any("same as the caption" in n for n in notices)
    assert made(FrameFacts())[0].alt_text == metadata.alt_text
    metadata, notices = made(FrameFacts(), Facts(language="it", title="Coppa"), template="{{ title }}")
    assert (metadata.alt_text, metadata.caption) == ("", "Coppa")
    one = FrameFacts(players=(("home", "7"),))
    assert made(one)[0].alt_text == "A player of Harbour Gulls on an indoor court"
    assert made(replace(one, words="dives"))[0].alt_text == "A player of Harbour Gulls dives"


def test_a_wrong_camera_clock_does_not_date_the_caption() -> None:
    wrong = replace(FRAME, exif=replace(FRAME.exif, time=datetime(2019, 1, 1)))
    (frame,) = with_doubts([wrong], FACTS.start, frozenset())
    metadata, notices = describe(frame, FACTS, FrameFacts(), CaptionParams())
    assert metadata.caption == made(FrameFacts())[0].caption.replace(", 14 February 2026", "")
    assert any("2019-01-01, start in the facts 2026-02-14: no date is written" in n for n in notices)
    dated = describe(frame, FACTS, FrameFacts(), CaptionParams(template="{{ date }}{{ iso_date }}{{ time }}"))
    assert dated[0].caption == ""
    assert (metadata.created, metadata.utc_offset) == (None, None)


def test_a_card_is_not_captioned_with_the_teams() -> None:
    """Of a frame that only shows a reference, no team is in the picture; one whose players are named shows them."""
    facts = replace(FACTS, references=(Reference(FRAME.name, chart="auto"),))
    card = made(FrameFacts(), facts)[0]
    texts = " ".join((card.caption, card.headline, card.alt_text, *card.keywords, *card.organisations))
    assert card.caption.startswith("Town cup, semi-final, ") and "Gulls" not in texts and "Foxes" not in texts
    other = replace(facts, references=(Reference("another", chart="auto"),))
    assert made(FrameFacts(), other)[0] == made(FrameFacts())[0]
    for row in (FrameFacts(players=(("home", "7"),)), FrameFacts(words="Huddle")):
        assert made(row, facts)[0] == made(row)[0]


def test_step() -> None:
    assert (STEP.name, STEP.place, STEP.apply) == ("caption", "delivery", None)
    assert STEP.Params() == CaptionParams()
