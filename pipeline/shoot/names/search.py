"""Which of many names stands in a text: fast where none does."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

from pipeline.shoot.names.letters import FOLDS, Fold, readings
from pipeline.shoot.names.parts import inflects
from pipeline.shoot.names.short import short_form_in, short_outlines
from pipeline.shoot.names.spelled import NamePattern, bare_text, covered, name_pattern


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
    others: list[NamePattern] | None = None
    maybe = range(len(names)) if short and language and inflects(language) else _candidates(text, tuple(names), short)
    for at in maybe:
        pattern = name_pattern(names[at])
        if others is None:
            others = [other for name in known if (other := name_pattern(name))]
        if pattern is not None and _whole(text, pattern, others):
            return at
        if short and short_form_in(text, names[at], language, others, initials=initials):
            return at
    return None


def _whole(text: str, pattern: NamePattern, known: Sequence[NamePattern]) -> bool:
    return any(
        not covered(reading, span, known)
        for reading in readings(text)
        for fold in FOLDS
        for span in pattern.spans(reading, fold)
    )


def _candidates(text: str, names: tuple[str, ...], short: bool) -> list[int]:
    """Indices of names of which the text may have one, in order."""
    found: set[int] = set()
    for reading in readings(text):
        for fold, outlines in _outlines(names, short):
            letters = bare_text(reading, fold)
            found.update(at for outline, at in outlines if outline in letters)
    return sorted(found)


@lru_cache(maxsize=64)
def _outlines(names: tuple[str, ...], short: bool) -> list[tuple[Fold, list[tuple[str, int]]]]:
    """Of each fold (outline, index of the name): one outline of a name is in the bare letters of any text with it."""
    found: list[tuple[Fold, list[tuple[str, int]]]] = []
    for fold in FOLDS:
        some: list[tuple[str, int]] = []
        for at, name in enumerate(names):
            pattern = name_pattern(name)
            whole = (
                [outline for by, _, outlines in pattern.found_by if by is fold for outline in outlines]
                if pattern
                else []
            )
            some += [
                (outline, at) for outline in dict.fromkeys((*whole, *(short_outlines(name, fold) if short else ())))
            ]
        found.append((fold, some))
    return found
