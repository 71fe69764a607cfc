"""A name is found in every spelling, and nothing is found in texts that name nobody: tests/shoot/spellings.py."""

from __future__ import annotations

import pytest

from pipeline.shoot.names import first_named, holds_any, name_pattern, replace_name
from tests.engine.privacy_scan import found_in
from tests.shoot.spellings import INNOCENT, short, whole

HIDDEN = ("Siri Fjellheim", "Åse Sjøbakken", "Nora Ek")
WHOLE = [(name, what, text) for name in HIDDEN for what, text in whole(name).items()]
SHORT = [(name, what, text) for name in HIDDEN for what, text in short(name).items()]


@pytest.mark.parametrize(("name", "what", "text"), WHOLE)
def test_a_whole_name_is_found_and_replaced(name: str, what: str, text: str) -> None:
    said = f"Goal: {text} / 3-2"
    assert first_named(said, ("Kit Marlow", name)) == 1 and holds_any(said, (name,))
    pattern = name_pattern(name)
    assert pattern is not None
    left = replace_name(said, pattern, "X")
    assert "X" in left and first_named(left, (name,)) is None and not found_in(left.encode(), [name])


@pytest.mark.parametrize(("name", "what", "text"), SHORT)
def test_a_short_form_is_found_and_not_replaced(name: str, what: str, text: str) -> None:
    said = f"(a goal: {text}) 3-2"
    assert first_named(said, ("Kit Marlow", name)) == 1
    if "initial" in what and what != "middle initial":
        pattern = name_pattern(name)
        assert pattern is not None and replace_name(said, pattern, "X") == said
        assert first_named(said, (name,), initials=False) is None


@pytest.mark.parametrize(("names", "known", "text"), INNOCENT)
def test_innocent_texts_name_nobody(names: tuple[str, ...], known: tuple[str, ...], text: str) -> None:
    for typed in (text, f"{text}\n{text}"):
        assert first_named(typed, names, known) is None, typed


def test_both_names_inflected() -> None:
    """Polish, from memory; in a language that leaves names alone this would be somebody else."""
    assert first_named("rzut Zofii Kłosowskiej", ("Zofia Kłosowska",), (), "pl") == 0
    assert first_named("rzut Zofii Nowak i Anny Kłosowskiej", ("Zofia Kłosowska",), (), "pl") is None
    assert first_named("rzut Zofii Kłosowskiej", ("Zofia Kłosowska",), (), "en") is None


def test_parts_that_may_be_left_out() -> None:
    for text in ("Ana García", "A. García López", "A. López", "López, Ana", "Ana López", "Ana M. García López"):
        assert first_named(text, ("Ana María García López",)) == 0, text
    for text in ("E. van Dijk", "E. Dijk", "Eva Dijk", "van Dijk, E."):
        assert first_named(text, ("Eva van Dijk",)) == 0, text
    for text in ("Eva vd Berg", "Eva v.d. Berg", "eva_v_d_berg", "Eva v/d Berg", "Eva vt Berg", "Eva A. M. Berg"):
        assert first_named(text, ("Eva van der Berg",)) == 0 and first_named(text, ("Eva Berg",)) == 0, text
    assert first_named("Eva at Berg Hall", ("Eva van der Berg",)) is None
    assert first_named("D. Žižek, Đ. Šćepanović", ("Đurđica Šćepanović-Žižek",)) == 0


def test_what_is_all_of_others_counts_for_nobody_and_no_more() -> None:
    known = ("Anna Berg", "Ida Holm")
    assert first_named("Anna Berg, Ida Holm", ("Ida Berg",)) == 0  # nobody knows better
    assert first_named("Anna Berg, Ida Holm", ("Ida Berg",), known) is None
    assert first_named("Berg, Ida Holm", ("Ida Berg",), known) == 0
    assert first_named("Ida Holm Berg", ("Ida Holm Berg",), known) == 0
