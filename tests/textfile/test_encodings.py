"""Text in code pages. The texts are the names of countries that CLDR has in each language; the codecs are Python's."""

from __future__ import annotations

import random

import pytest
from babel import Locale

from pipeline.textfile.encodings import _PAGES, Reading, UnreadableTextError, _bare, only_letters, read_text


def country_names(language: str, page: str, count: int) -> str:
    """Names that the code page can write, one a line; "" where they need none of its letters, or look like UTF-8."""
    names = [name for name in Locale.parse(language).territories.values() if "," not in name]
    random.Random(count).shuffle(names)
    written = [name for name in names if name.encode(page, "ignore").decode(page) == name][:count]
    text = "team,number,name\n" + "".join(f"home,{n},{name}\n" for n, name in enumerate(written))
    try:
        text.encode(page).decode("utf-8")
    except UnicodeDecodeError:
        return text
    return ""


@pytest.mark.parametrize("language", [code for code in _PAGES if code != "no"])
def test_a_table_in_a_code_page_of_its_language(language: str) -> None:
    for page in _PAGES[language]:
        text = country_names(language, page, 25)
        found = read_text(text.encode(page), [language])
        assert found.text == text, (page, found.encoding)


@pytest.mark.parametrize("language", [code for code in _PAGES if code not in ("no", "tg", "tt")])
def test_the_right_spelling_is_among_the_likely_ones(language: str) -> None:
    """Also of a single name, and where nobody said which language the table is in."""
    for page in _PAGES[language]:
        for count in (1, 6):
            text = country_names(language, page, count)
            found = read_text(text.encode(page), ["en"]) if text else Reading("", "")
            for name, got in zip(text.splitlines(), found.text.splitlines(), strict=True):
                likely = [got, *found.otherwise(got)]
                assert _bare(name) in map(_bare, likely), (page, name, likely)


@pytest.mark.parametrize(
    ("codec", "mark", "encoding"),
    [
        ("utf-8", b"", "UTF-8"),
        ("utf-8", b"\xef\xbb\xbf", "UTF-8"),
        ("utf-16-le", b"\xff\xfe", "UTF-16"),
        ("utf-16-be", b"\xfe\xff", "UTF-16"),
        ("utf-16-le", b"", "UTF-16"),
        ("utf-16-be", b"", "UTF-16"),
        ("utf-32-le", b"\xff\xfe\0\0", "UTF-32"),
    ],
)
def test_unicode_is_no_guess(codec: str, mark: bytes, encoding: str) -> None:
    """Marks: the Unicode Standard 15.1, table 23-6."""
    text = "team,number,name\nhome,7,Žofie Ødegård Ελένη\n"
    assert read_text(mark + text.encode(codec)) == Reading(text, encoding, codec=codec, mark=mark)


@pytest.mark.parametrize(
    ("raw", "line"),
    [
        ("a\r\nb\rÅse Ødegård Æsøy Øyø ærlig ål\n".encode() + b"\xe5", 4),
        ("name".encode("utf-16-le")[:-1], 0),
        (b"PK\x03\x04", 0),
        ("team,number,name\nhome,7,Tuva Rønning\n".encode("utf-7"), 0),
        ("home;7;名前".encode("utf-7"), 0),
        ("\ufeffhome,7,Tuva Rønning".encode("utf-7"), 0),
        (b"+/v8-home,7,Ada Holm", 0),
        (b"\xd0\xcf\x11\xe0", 0),
    ],
)
def test_what_is_no_text(raw: bytes, line: int) -> None:
    with pytest.raises(UnreadableTextError) as caught:
        read_text(raw)
    assert caught.value.line == line


@pytest.mark.parametrize(
    "text",
    ["home,7,Siri,+4712345678", "phone: +17969891178", "Ada +Dag, 3+2", "A+ grade", "+Siw jumps", "Ada+Eva"],
)
def test_a_plus_sign_is_no_utf_7(text: str) -> None:
    """Some of these decode by chance, as RFC 2152 has no mark."""
    assert read_text(text.encode()) == Reading(text, "UTF-8")


def test_a_code_page_is_named_and_its_doubtful_line_too() -> None:
    found = read_text("a\nb\nJiří Dvořák\n".encode("cp1250"), ["cs"])
    assert (found.text, found.encoding, found.line) == ("a\nb\nJiří Dvořák\n", "Windows-1250", 3)
    assert "Jiøí Dvoøák" in found.otherwise("Jiří Dvořák")  # as Windows-1252 has it
    assert found.otherwise("Dvorak") == ()
    assert read_text("Ødegård".encode("mac_roman"), ["nb"]).encoding == "Mac Roman"


def test_debris_is_no_name() -> None:
    assert only_letters("Anne-Marie O’Neill Đức") and not any(map(only_letters, ("M¸ller", "Da²", "S‘rensen›")))


def test_letters_that_look_like_utf_8_by_chance() -> None:
    """Czech in Mac's code page: the bytes of ří and řá are also letters of the Maldives in UTF-8."""
    raw = "home,7,Jiří Dvořák\n".encode("mac_latin2")
    assert raw.decode("utf-8") == "home,7,Ji\u0792 Dvo\u0787k\n"
    found = read_text(raw, ["cs"])
    assert "Jiří Dvořák" in found.text or "Jiří Dvořák" in found.otherwise(found.text.strip()[7:])
    for text in ("🏐 Анна-Mария, Žofie 日本 ½", "Mария", "home　王小雨；home　７", "ø", "Αλεξia", "µm"):
        assert read_text(text.encode()) == Reading(text, "UTF-8")
