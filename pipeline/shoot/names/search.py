"""Which of many names stands in a text: fast where none does."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache

from pipeline.shoot.names.letters import FOLDS, Fold, readings
from pipeline.shoot.names.parts import inflects
from pipeline.shoot.names.short import inflected_in, may_have_short_form, short_form_in
from pipeline.shoot.names.spelled import NamePattern, bare_text, covered, name_pattern

_LONG = 400  # characters


def holds_any(text: str, names: Sequence[str]) -> bool:
    """Whether one of the names stands in the text as a whole."""
    return bool(names) and first_named(text, names, short=False) is not None


def first_named(
    text: str,
    names: Sequence[str],
    known: Sequence[str] = (),
    language: str = "",
    *,
    short: bool = True,
    initials: bool = True,
) -> int | None:
    """The index of the first of `names` that stands in the text, also in a short form; None where none does.

    known     names of others: what is all theirs counts for nobody else
    language  of the text (BCP 47); short  whether short forms count, and among them initials with a name
    """
    candidates = perhaps_named(text, names, short=short)
    inflected = short and language != "" and inflects(language)
    if not candidates and not inflected:
        return None
    others = [other for name in known if (other := name_pattern(name))]
    for at in candidates:
        pattern = name_pattern(names[at])
        if pattern is not None and _whole(text, pattern, others):
            return at
        if short and short_form_in(text, names[at], others, initials=initials):
            return at
    return next((at for at, name in enumerate(names) if inflected_in(text, name, others)), None) if inflected else None


def perhaps_named(text: str, names: Sequence[str], *, short: bool = False) -> list[int]:
    """Quickly: indices of the names that the text may have, in order, perhaps more than it has."""
    # Texts of an event are the same in every frame; long ones are of one frame and would only fill the memory.
    find = _candidates if len(text) <= _LONG else _candidates.__wrapped__
    return find(text, tuple(names), short)


def _whole(text: str, pattern: NamePattern, known: Sequence[NamePattern]) -> bool:
    return any(
        not covered(reading, span, known)
        for reading in readings(text)
        for fold in FOLDS
        for span in pattern.spans(reading, fold)
    )


@lru_cache(maxsize=8192)
def _candidates(text: str, names: tuple[str, ...], short: bool) -> list[int]:
    """Indices of names of which the text may have one, in order."""
    found: set[int] = set()
    for reading in readings(text):
        for fold, outlines in _outlines(names):
            letters = bare_text(reading, fold)
            found.update(at for outline, at in outlines if outline in letters)
            if short:
                found.update(at for at, name in enumerate(names) if may_have_short_form(reading, name, fold))
    return sorted(found)


@lru_cache(maxsize=64)
def _outlines(names: tuple[str, ...]) -> list[tuple[Fold, list[tuple[str, int]]]]:
    """Of each fold (outline, index of the name): one outline of a name is in the bare letters of any text with it."""
    return [(fold, [(outline, at) for at, name in enumerate(names) for outline in _of(name, fold)]) for fold in FOLDS]


def _of(name: str, fold: Fold) -> Iterator[str]:
    pattern = name_pattern(name)
    for by, _, outlines in pattern.found_by if pattern else ():
        if by is fold:
            yield from outlines
