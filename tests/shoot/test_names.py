"""Names that somebody typed: whole, and in parts or with endings. The people are made up.

Inflected forms are from memory of each language's declension, no source.
"""

from __future__ import annotations

import pytest

from pipeline.shoot.names import hints_at, holds_any, name_pattern, replace_name, same_name


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Åse Holm", "ase  HOLM"), ("Łucja Żółkiewska", "Zolkiewska, Lucja"), ("王小雨", "王 小雨"),
        ("Ana Sofia Reyes", "Reyes Ana Sofia"), ("Ana Sofia Reyes", "Sofia Reyes, Ana"), ("José", "Jose\u0301"),
        ("Jürgen Müller", "Juergen Mueller"), ("Åse Sjøberg", "Aase Sjoeberg"), ("Đurđica Žižek", "Djurdjica Zizek"),
        ("Sergio Agüero", "sergio aguero"), ("Weiß", "WEISS"), ("Samuel Noel", "samuel noël"),
    ],
)  # fmt: skip
def test_same_name(one: str, other: str) -> None:
    assert same_name(one, other) and same_name(other, one)
    for name, typed in ((one, other), (other, one)):
        pattern = name_pattern(name)
        assert pattern is not None
        assert replace_name(f"({typed})", pattern, "X") == "(X)"


@pytest.mark.parametrize(("one", "other"), [("Åse Holm", "Åse"), ("Åse Holm", "Åse Holmen"), ("", ""), ("?", "!")])
def test_other_name(one: str, other: str) -> None:
    assert not same_name(one, other)


@pytest.mark.parametrize(
    ("name", "text", "language"),
    [
        ("Zofia Kłosowska", "Klosowska scores", "en"),
        ("Zofia Kłosowska", "klosowska scores", "en"),
        ("Zofia Kłosowska", "rzut Kłosowskiej", "pl"),
        ("Zofia Kłosowska", "podanie do kłosowskiej", "pl"),
        ("Zofia Kłosowska", "Zosia i Zofii", "pl"),
        ("Marek Nowak", "Bramka Marka", "pl"),
        ("Ewa Nowak", "Podanie do Ewy", "pl"),
        ("Ewa Nowak", "z Nowakiem", "pl"),
        ("Nora Ek", "Ek scores", "en"),
        ("Jürgen Müller", "Tor durch Mueller", "de"),
        ("Jürgen Mueller", "Muller trifft", "de"),
        ("Nora Ek", "Noras mål", "nb"),
        ("Анна Белова", "мяч у Беловой", "ru"),
        ("Sara El Amrani", "Amrani marca", "es"),
        ("Işıl İpek", "ISIL", "tr"),
        ("王小雨", "小雨射门", "zh"),
        ("王小雨", "王选手射门", "zh"),
        ("山田花子", "山田がシュート", "ja"),
        ("山田 さくら", "さくらがシュート", "ja"),
        ("김민지", "김 민지, 민지 슛", "ko"),
        ("ليلى الحارثي", "تسديدة الحارثي", "ar"),
    ],
)
def test_a_part_or_a_form_of_a_name_is_found(name: str, text: str, language: str) -> None:
    assert hints_at(text, name, language)


@pytest.mark.parametrize(
    ("name", "text", "language"),
    [
        ("Nora Ek", "North end, a week of ekes", "en"),
        ("Eva van Dijk", "Doelpunt van de avond", "nl"),
        ("Sara El Amrani", "El equipo celebra", "es"),
        ("Tor Vik", "Freier vor dem torwart", "de"),
        ("Zofia Kłosowska", "Rzut z dziewiątego metra", "pl"),
        ("Una Tern", "", "en"),
        ("王小雨", "女王杯,大雨", "zh"),
        ("J. Marlow", "j and i", "en"),
        ("Mae Noel", "a man in no hurry", "en"),
    ],
)
def test_other_words_are_none(name: str, text: str, language: str) -> None:
    assert not hints_at(text, name, language)


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("Eva van der Berg", "Vanderberg saves"), ("Eva van der Berg", "Van der Berg saves"),
        ("Eva Vanderberg", "van der Berg saves"), ("Ana de la Cruz", "delacruz saves"), ("Eva DeBruin", "De Bruin"),
    ],
)  # fmt: skip
def test_particles_and_the_surname_are_one_word_too(name: str, text: str) -> None:
    assert hints_at(text, name, "en")
    assert not hints_at("in the van the lamps were", name, "en")


def test_letters_that_stand_apart() -> None:
    """Of a part of four letters or more: in fewer, chance has them."""
    assert hints_at("p a s s, Å. F j e l l h e i m", "Siri Fjellheim", "en")
    assert hints_at("to H.o.l.m", "Ida Holm", "en") and not hints_at("to b.i.d.a.y", "Ida Holm", "en")
    assert not hints_at("to f j e l l", "Siri Fjellheim", "en")


@pytest.mark.parametrize(
    ("name", "text", "form"),
    [
        ("Ida Holm", "ida", True), ("Nora Ek", "ek", False),  # in small letters: three and two
        ("Jan Kowalczyk", "kowalczykowie", True), ("Jan Kowalczyk", "kowalczykowymi", False),  # endings: four and five
        ("Kit Marlow", "marlowem", True), ("Jan Nowak", "nowakiem", False),  # a form in small letters: of six and five
        ("Nora Ek", "Norze", True), ("Nora Ek", "Noem", False),  # of four letters three stay
        ("Jan Kowalik", "Kowala", True), ("Jan Kowalik", "Kowano", False),  # two letters change, three do not
        ("Ewa Holm", "Ewie", True), ("Ewa Holm", "Ewing", False),  # after a short part an ending of two
        ("Nora Ek", "Norami", True),  # four letters are not short
        ("علي الحارثي", "لعلي", True), ("مي الحارثي", "يوميا", False),  # inside a word: three and two
    ],
)  # fmt: skip
def test_edges_of_what_is_a_form(name: str, text: str, form: bool) -> None:
    """Polish endings from memory; the numbers of letters are those of `FormLimits`."""
    assert hints_at(text, name, "pl") is form


@pytest.mark.parametrize(
    "text",
    [
        "https://gulls.example/Siri%20Fjellheim.html",
        "Siri%C2%A0Fjellheim",
        "Siri&nbsp;Fjellheim",
        "S&#105;ri Fjellheim",
    ],
)
def test_a_name_in_escapes_is_found_and_replaced(text: str) -> None:
    """Percent-encoding (RFC 3986, 2.1) and character references of HTML."""
    pattern = name_pattern("Siri Fjellheim")
    assert pattern is not None and holds_any(text, ("Siri Fjellheim",))
    assert "Fjellheim" not in replace_name(text, pattern, "a player")
    assert hints_at(text, "Siri Fjellheim", "en")
