"""Names with one typing mistake: a letter wrong, too many or missing, or two neighbours that changed places, which are
most of all mistakes (Damerau, CACM 1964)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from pipeline.shoot.names.letters import PLAIN, cased
from pipeline.shoot.names.spelled import LETTER, orders_of, parts_of, single


@dataclass(frozen=True)
class SlipLimits:
    """Letters of a part of a name that may be mistyped: of shorter ones another name is as near, as Ida and Ada, Berg
    and Borg. No source.

    letter  with one letter wrong, too many or missing; swapped  with two that changed places; alone  without the rest
    of the name
    """

    letter: int = 5
    swapped: int = 4
    alone: int = 7


SLIPS = SlipLimits()
_WORDS = re.compile(f"{LETTER}+|\0")


def mistyped_in(text: str, name: str) -> bool:
    """Whether the whole name stands in the text, in any order, with one mistake in one of its parts."""
    words, places = _words_of(text)
    return any(_stands(words, places, parts) for parts in _forms(name))


def part_mistyped(text: str, name: str) -> bool:
    """Whether a long part of the name, such as a surname alone, stands in the text with one mistake and a capital."""
    long = [part for part in _parts(name) if len(part) >= SLIPS.alone]
    return bool(long) and any(is_slip(word, part) for word in _with_capital(text) for part in long)


def is_slip(word: str, part: str) -> bool:
    """Whether one mistake makes a word of a part of a name; both folded. False where they are the same."""
    if abs(len(word) - len(part)) > 1 or word == part:
        return False
    at = next((i for i, (a, b) in enumerate(zip(word, part, strict=False)) if a != b), min(len(word), len(part)))
    rest, left = word[at:], part[at:]
    if len(part) >= SLIPS.letter and (rest[1:] == left[1:] or rest == left[1:] or rest[1:] == left):
        return True
    return len(part) >= SLIPS.swapped and rest[:2] == left[1::-1] and rest[2:] == left[2:]


def _stands(words: tuple[str, ...], places: dict[str, list[int]], parts: tuple[str, ...]) -> bool:
    for wrong in range(len(parts)):
        others = parts[:wrong] + parts[wrong + 1 :]
        if not all(part in places for part in others):  # of nearly all texts
            continue
        for order in orders_of(parts):
            first = order.index(others[0])
            for at in places[others[0]]:
                here = words[max(at - first, 0) : at - first + len(order)]
                unlike = [(a, b) for a, b in zip(here, order, strict=False) if a != b]
                if len(here) == len(order) and at >= first and len(unlike) == 1 and is_slip(*unlike[0]):
                    return True
    return False


@lru_cache(maxsize=1024)
def _parts(name: str) -> tuple[str, ...]:
    return tuple(single(part) for part in parts_of(name) if cased(part[0]))


@lru_cache(maxsize=1024)
def _forms(name: str) -> tuple[tuple[str, ...], ...]:
    """The parts of a name of several, and without those in its middle."""
    parts = _parts(name)
    return tuple(dict.fromkeys((parts, (parts[0], parts[-1])))) if len(parts) > 1 else ()


@lru_cache(maxsize=64)
def _words_of(text: str) -> tuple[tuple[str, ...], dict[str, list[int]]]:
    words = tuple(single(word) for word in _WORDS.findall(PLAIN.text(text)))
    places: dict[str, list[int]] = {}
    for at, word in enumerate(words):
        places.setdefault(word, []).append(at)
    return words, places


@lru_cache(maxsize=512)
def _with_capital(text: str) -> frozenset[str]:
    letters, places = PLAIN.placed(text)
    found = (m for m in _WORDS.finditer(letters) if len(m[0]) >= SLIPS.alone - 1)
    return frozenset(single(m[0]) for m in found if text[places[m.start()]] != text[places[m.start()]].lower())
