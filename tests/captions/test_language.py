"""Captions in the photographer's language. The people are made up.

Dates: CLDR, "long" of the language and country (unicode.org, checked as literals). Country names: CLDR, and pycountry's
translations of ISO 3166 as a second source. Phrases are from memory.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date

import pytest
from babel import Locale
from babel.plural import PluralRule

from pipeline.captions.language import _PHRASES, language_of
from pipeline.shoot.facts import FrameFacts, Player
from tests.steps.test_caption import FACTS, made

DAY = date(2026, 2, 14)


@pytest.mark.parametrize(
    ("tag", "country", "written", "norway"),
    [
        ("en", "GBR", "14 February 2026", "Norway"),
        ("en", "NO", "14 February 2026", "Norway"),
        ("en", "US", "February 14, 2026", "Norway"),
        ("en-GB", "USA", "14 February 2026", "Norway"),
        ("es", "MEX", "14 de febrero de 2026", "Noruega"),
        ("es-419", "", "14 de febrero de 2026", "Noruega"),
        ("pt", "BR", "14 de fevereiro de 2026", "Noruega"),
        ("pl", "POL", "14 lutego 2026", "Norwegia"),
        ("ja", "JPN", "2026年2月14日", "ノルウェー"),
        ("de", "", "14. Februar 2026", "Norwegen"),
        ("fr-CA", "", "14 février 2026", "Norvège"),
        ("nb", "NOR", "14. februar 2026", "Norge"),
        ("no", "NOR", "14. februar 2026", "Norge"),
        ("cs", "CZ", "14. února 2026", "Norsko"),
        ("zh-Hant-TW", "", "2026年2月14日", "挪威"),
        ("de-x-hall", "AT", "14. Februar 2026", "Norwegen"),
        ("zh", "TWN", "2026年2月14日", "挪威"),
        ("sr", "SRB", "14. фебруар 2026.", "Норвешка"),
        ("und", "", "2026-02-14", ""),
        ("tlh", "", "2026-02-14", ""),  # the CLDR has no dates of it
    ],
)
def test_dates_and_countries(tag: str, country: str, written: str, norway: str) -> None:
    language = language_of(tag, country)
    assert language.date(DAY) == written
    assert language.country("NOR") == language.country("NO") == norway
    assert language.country("") == ""


@pytest.mark.parametrize(
    ("tag", "names", "listed"),
    [
        ("en-US", "A B C", "A, B, and C"), ("en-GB", "A B C", "A, B and C"), ("pl", "A B C", "A, B i C"),
        ("ja", "A B C", "A、B、C"), ("es", "A B C", "A, B y C"), ("es", "Ana Irene", "Ana e Irene"),
        ("es", "Ana Hilda", "Ana e Hilda"), ("es", "Ana Hiedra", "Ana y Hiedra"),
        ("es", "Ana Bo Íñigo", "Ana, Bo e Íñigo"),
        ("nb", "A B", "A og B"), ("tlh", "A B", "A, B"), ("de", "A", "A"),
    ],
)  # fmt: skip
def test_lists(tag: str, names: str, listed: str) -> None:
    assert language_of(tag, "").listed(names.split()) == listed


TWO = (("home", "7"), ("home", "9"))
A, B = "Łucja Żółkiewska (7, Harbour Gulls)", "Nora Ek (9, Harbour Gulls)"
REST = "Town cup, semi-final, Old Market Hall, Westerby"


@pytest.mark.parametrize(
    ("tag", "country", "words", "caption"),
    [
        ("es", "MEX", "saltan por el balón",
         f"De izquierda a derecha, {A} y {B} saltan por el balón. Harbour Gulls – Mill Lane Foxes, {REST}, "
         "14 de febrero de 2026."),
        ("pt", "BRA", "disputam a bola",
         f"Da esquerda para a direita, {A} e {B} disputam a bola. Harbour Gulls – Mill Lane Foxes, {REST}, "
         "14 de fevereiro de 2026."),
        ("pl", "POL", "walczą o piłkę",
         f"Od lewej: {A} i {B} walczą o piłkę. Harbour Gulls – Mill Lane Foxes, {REST}, 14 lutego 2026."),
        ("de", "DEU", "kämpfen um den Ball",
         f"Von links: {A} und {B} kämpfen um den Ball. Harbour Gulls – Mill Lane Foxes, {REST}, 14. Februar 2026."),
        ("fr", "FRA", "",
         f"Sur la photo, de gauche à droite, {A} et {B}. Harbour Gulls – Mill Lane Foxes, {REST}, 14 février 2026."),
        ("nb", "NOR", "",
         f"På bildet fra venstre: {A} og {B}. Harbour Gulls – Mill Lane Foxes, {REST}, 14. februar 2026."),
        ("ja", "JPN", "ゴール前で競り合う",
         "写真は左からŁucja Żółkiewska（7、Harbour Gulls）、Nora Ek（9、Harbour Gulls）。ゴール前で競り合う。"
         "Harbour Gulls – Mill Lane Foxes、Town cup, semi-final、Old Market Hall、Westerby、2026年2月14日。"),
        ("it", "ITA", "", f"{A} e {B}. Harbour Gulls – Mill Lane Foxes, {REST}, 14 febbraio 2026."),
    ],
)  # fmt: skip
def test_captions(tag: str, country: str, words: str, caption: str) -> None:
    facts = replace(FACTS, language=tag, country=country)
    assert made(FrameFacts(players=TWO, words=words), facts)[0].caption == caption


@pytest.mark.parametrize(
    ("tag", "alt"),
    [
        ("es", "Deporte en cancha cubierta, "),
        ("pt-PT", "Desporto de pavilhão, "),
        ("pl", "Sport halowy, "),
        ("ja", "屋内コート競技、"),
        ("de", "Hallensport, "),
        ("fr", "Sport en salle, "),
        ("nb", "Innendørsidrett, "),
        ("it", ""),
    ],
)
def test_nobody_named(tag: str, alt: str) -> None:
    """The caption names the match and says nothing of it: the frame may show a card, or an empty hall."""
    metadata, _ = made(FrameFacts(), replace(FACTS, language=tag))
    comma = language_of(tag, "").comma
    assert metadata.caption.startswith(f"Harbour Gulls – Mill Lane Foxes{comma}Town cup, semi-final{comma}")
    assert metadata.alt_text == f"{alt}Harbour Gulls – Mill Lane Foxes"
    assert metadata.language == tag


ENGLISH = re.compile(
    r"\b(and|a player|players?|of|from left|pictured|indoor|sport in|play|January|February|on)\b", re.I
)


@pytest.mark.parametrize(
    "tag", ["es", "pt", "pl", "ja", "de", "fr", "nb", "it", "sw", "hi", "ar", "zh", "tlh", "fi", "tr"]
)
@pytest.mark.parametrize("minors", [False, True])
def test_no_english_in_another_language(tag: str, minors: bool) -> None:
    every = tuple((p.team, p.number) for p in FACTS.roster)
    for row in (FrameFacts(), FrameFacts(players=every), FrameFacts(players=every[2:4]), FrameFacts(players=every[:1])):
        metadata, _ = made(row, replace(FACTS, language=tag, minors=minors))
        for text in (metadata.caption, metadata.headline, metadata.alt_text):
            assert text and "None" not in text and "{" not in text
            assert not ENGLISH.search(re.sub("Town cup, semi-final|Old Market Hall", "", text)), text
            assert not re.search(r"\(\)|（）|, ,|  | [.,]|,\.|\.\.|、。", text), text


def test_who_is_not_named_is_counted_by_the_plural_rules_of_the_cldr() -> None:
    polish = language_of("pl", "")
    assert [polish.nobody("Mewy", n) for n in (1, 2, 5, 12, 22)] == [
        "osoba z drużyny Mewy", "2 osoby z drużyny Mewy", "5 osób z drużyny Mewy", "12 osób z drużyny Mewy",
        "22 osoby z drużyny Mewy",
    ]  # fmt: skip
    assert language_of("ja", "").nobody("Kamome", 3) == "Kamomeの選手3人"
    assert language_of("es", "").nobody("", 3) == "3 deportistas"
    for code, phrases in _PHRASES.items():
        rule = Locale(code).plural_form
        assert isinstance(rule, PluralRule)
        for forms in (phrases.several, phrases.several_of):
            assert set(forms) <= {*rule.tags, "other"}  # no category that never comes
            assert all("{n}" in form for form in forms.values())
        assert all("{team}" in form for form in (phrases.someone_of, *phrases.several_of.values()))


@pytest.mark.parametrize(
    ("tag", "words", "start"),
    [
        ("tr", "ışık", "Işık."),
        ("tr", "ilk gol", "İlk gol."),
        ("nl", "ijzersterk", "IJzersterk."),
        ("el", "άλμα", "Άλμα."),
    ],
)
def test_capitals(tag: str, words: str, start: str) -> None:
    """Unicode SpecialCasing.txt for Turkish; the Dutch ij: Nederlandse Taalunie, Technische Handleiding (memory)."""
    assert made(FrameFacts(words=words), replace(FACTS, language=tag))[0].caption.startswith(start)


def test_a_withheld_name_in_the_language_of_the_shoot() -> None:
    row = FrameFacts(players=(("away", "12"), ("home", "7")), words="Đurđica Šćepanović-Žižek rzuca")
    metadata, _ = made(row, replace(FACTS, language="pl"))
    assert metadata.caption.startswith(
        f"Na zdjęciu od lewej: osoba z drużyny Mill Lane Foxes i {A}. Osoba na boisku rzuca."
    )
    metadata, _ = made(row, replace(FACTS, language="fi"))
    assert metadata.caption.startswith(f"Mill Lane Foxes ja {A}. … rzuca.")


@pytest.mark.parametrize(
    ("tag", "typed", "written"),
    [
        ("en", "A picture of {}", "A picture of a player."),
        ("de", "Ein Bild von {} am Kreis", "Ein Bild von jemand am Kreis."),
        ("de", "Jubel um {}", "Jubel um jemand."),
        ("de", "{} wirft", "Jemand wirft."),
        ("fr", "Une photo de {}", "Une photo de quelqu’un."),
        ("fr", "Une photo d’{} et de {}", "Une photo de quelqu’un et de quelqu’un."),
        ("fr", "Il faut qu'{} tire", "Il faut que quelqu’un tire."),
        ("es", "Un pase de {} a {}", "Un pase de alguien a alguien."),
        ("pt", "Um passe do {}", "Um passe do atleta."),
        ("nb", "Et bilde av {}", "Et bilde av en spiller."),
    ],
)
def test_the_stand_in_for_a_typed_name_fits_after_a_preposition(tag: str, typed: str, written: str) -> None:
    """German: "jemand" without an ending is right in every case but the genitive; French: "de" is not elided before a
    consonant (both common grammar, from memory). In Polish only a name without endings can be found elsewhere than as
    the subject; the nominative stays there."""
    words = typed.replace("{}", "Anna Lind")
    facts = replace(FACTS, language=tag, roster=(Player("home", "7", "Anna Lind", True, 2),), minors=True)
    assert made(FrameFacts(words=words), facts)[0].caption.startswith(written)


def test_a_language_without_a_country() -> None:
    """CLDR, likely subtags: pt is pt-BR. ISO 639: no is Norwegian as a whole, which is written as nb here."""
    assert language_of("pt", "").phrases == language_of("pt-BR", "").phrases != language_of("pt-PT", "").phrases
    assert language_of("no", "").code == "nb"
    assert language_of("no", "").phrases.sport
