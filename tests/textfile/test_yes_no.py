"""Answers in tables: words that are common knowledge in each language, and TRUE and FALSE as spreadsheets show them."""

from __future__ import annotations

import pytest

from pipeline.textfile.yes_no import _WORDS, is_mark, yes_or_no


def test_english_words() -> None:
    assert all(yes_or_no(word, default=False) for word in ("yes", "Y", "TRUE", "1", " Yes. "))
    assert not any(yes_or_no(word, default=True) for word in ("no", "N", "False", "0", "NO!"))
    assert (yes_or_no("", default=True), yes_or_no("perhaps", default=True)) == (True, None)


@pytest.mark.parametrize(
    ("language", "yes", "no"),
    [
        ("nb", ("ja", "J", "SANN"), ("nei", "n", "usann")),
        ("nb-NO", ("ja",), ("nei",)),
        ("de", ("Ja", "wahr"), ("Nein", "FALSCH")),
        ("fr", ("oui", "VRAI"), ("non", "faux")),
        ("es", ("sí", "si", "SÍ"), ("no", "falso")),
        ("ru", ("да", "Да"), ("нет", "НЕТ")),
        ("el", ("ναι", "ΝΑΙ"), ("όχι", "οχι")),
        ("fi", ("kyllä", "K"), ("ei", "e")),
        ("et", ("jah",), ("ei",)),
        ("tr", ("evet", "e"), ("hayır", "HAYIR", "h")),
        ("pl", ("tak", "PRAWDA"), ("nie", "fałsz", "FALSZ")),
        ("cs", ("ano", "A"), ("ne",)),
        ("ja", ("はい",), ("いいえ",)),
        ("zh", ("是",), ("否",)),
    ],
)
def test_words_of_the_shoots_language(language: str, yes: tuple[str, ...], no: tuple[str, ...]) -> None:
    assert [yes_or_no(word, default=False, languages=(language,)) for word in yes] == [True] * len(yes)
    assert [yes_or_no(word, default=True, languages=(language,)) for word in no] == [False] * len(no)
    assert yes_or_no("no", default=True, languages=(language,)) is False  # English everywhere


def test_a_word_of_another_language_is_no_answer() -> None:
    assert yes_or_no("ei", default=True) is None
    assert yes_or_no("jo", default=True, languages=("sv",)) is None


def test_a_word_that_languages_differ_on_is_no_answer() -> None:
    """Turkish e = evet, yes; Finnish e = ei, no."""
    assert yes_or_no("e", default=True, languages=("tr",)) is True
    assert yes_or_no("e", default=True, languages=("tr", "fi")) is None


@pytest.mark.parametrize("language", sorted(_WORDS))
def test_no_word_is_yes_and_no(language: str) -> None:
    for side, answer in enumerate((True, False)):
        for word in _WORDS[language][side].split():
            assert yes_or_no(word, default=not answer, languages=(language,)) is answer


def test_marks() -> None:
    assert all(map(is_mark, ("x", "X", "✓"))) and not any(map(is_mark, ("", "×", "yes", "xx")))
