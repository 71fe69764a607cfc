"""Names with a typing mistake or two: a letter wrong, too many or missing, or two neighbours that changed places, which
are most of all mistakes (Damerau, CACM 1964)."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from pipeline.shoot.names.letters import PLAIN, cased
from pipeline.shoot.names.spelled import JOINTS, LETTER, orders_of, parts_of, single


@dataclass(frozen=True)
class SlipLimits:
    """Letters of a part of a name that may be mistyped. Others have names as near, as Ida and Ada, Berg and Borg: who
    is in the roster is known by it, and of those who are not few have the rest of the name too. Chosen by
    `python -m tests.slips`: of a million pairs of names 100 are as near as that, and 80 % of short names with two
    mistakes are seen (longer limits: 15, and 6 %).

    letter  with one letter wrong, too many or missing; swapped  with two that changed places; alone  without the rest
    of the name; twice  with two mistakes; both  letters of a name of which two parts may have one mistake each
    words  letters of a part below which the name must have a capital, or stand in a text without blanks, as of a file:
    small words of a sentence are as near; one letter less where its letters only changed places
    """

    letter: int = 3
    swapped: int = 3
    alone: int = 7
    twice: int = 5
    both: int = 6
    words: int = 5


SLIPS = SlipLimits()
_WORDS = re.compile(f"{LETTER}+|\0")
_JOINED = re.compile(rf"{LETTER}+(?:{JOINTS}{LETTER}+)*|\0")
_JOINT = re.compile(JOINTS)


class Slip(NamedTuple):
    """Where a name may stand, in letters of the folded text, from and to (not included): how many mistakes it has
    there, and in which words."""

    begin: int
    end: int
    mistakes: int
    wrong: tuple[tuple[int, int], ...]

    def is_rather(self, others: Sequence[Slip]) -> bool:
        """Whether each word with a mistake stands in a name of `others` that has fewer of them."""
        nearer = [other for other in others if other.mistakes < self.mistakes]
        return all(any(o.begin <= begin and end <= o.end for o in nearer) for begin, end in self.wrong)


def mistyped_in(text: str, name: str) -> bool:
    """Whether the whole name stands in the text, in any order, with a mistake or two, as SLIPS allows."""
    return next((slip for slip in slips_of(text, name) if slip.mistakes), None) is not None


def slips_of(text: str, name: str) -> Iterator[Slip]:
    """The places where it does, or where all its parts stand without one: with the parts of a double name as words of
    their own, and as one word ("Anna-Lena", "Annalena")."""
    as_words, as_one = _words_of(text, joined=False), _words_of(text, joined=True)
    forms, joined = _forms(name), _forms(_JOINT.sub("", name))
    for parts in forms:
        yield from _stands(as_words, parts, exact=parts == forms[0])
    if as_one.words != as_words.words or joined != forms:
        for parts in joined:
            yield from _stands(as_one, parts, exact=parts == joined[0])


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


def _mistakes(word: str, part: str) -> int:
    """How many make a word of a part of a name, 3 where too many for its length; both folded."""
    if word == part:
        return 0
    if is_slip(word, part):
        return 1
    return 2 if len(part) >= SLIPS.twice and abs(len(word) - len(part)) <= 2 and _distance(word, part) == 2 else 3


def _is_near_words(word: str, part: str) -> bool:
    """Whether what is typed for a part of a name may be any word, as "the" for Thea or "in ein" for Ina Hein."""
    return len(part) < SLIPS.words and (len(part) < SLIPS.words - 1 or sorted(word) != sorted(part))


def _distance(one: str, other: str) -> int:
    """Letters to change, add, leave out or swap with their neighbour (optimal string alignment)."""
    before, last = list[int](), list(range(len(other) + 1))
    for i, letter in enumerate(one, 1):
        now = [i]
        for j, wanted in enumerate(other, 1):
            least = min(last[j] + 1, now[-1] + 1, last[j - 1] + (letter != wanted))
            if i > 1 and j > 1 and letter == other[j - 2] and one[i - 2] == wanted:
                least = min(least, before[j - 2] + 1)
            now.append(least)
        before, last = last, now
    return last[-1]


def _stands(words: _Words, parts: tuple[str, ...], *, exact: bool) -> Iterator[Slip]:
    wrong_parts, may_be_two = sum(part not in words.places for part in parts), sum(map(len, parts)) >= SLIPS.both
    if wrong_parts > 1 + may_be_two:  # in nearly all texts
        return
    anchors = {part: [*words.places.get(part, ()), *words.near(part)] for part in parts}
    for order in orders_of(parts):
        starts = {at - nth for nth, part in enumerate(order) for at in anchors[part]}
        for start in sorted(starts):
            here = words.words[max(start, 0) : start + len(order)]
            if start < 0 or len(here) < len(order):
                continue
            counts = [_mistakes(word, part) for word, part in zip(here, order, strict=True)]
            wrong = [count for count in counts if count]
            if wrong in ([1], [2]) or (wrong == [1, 1] and may_be_two) or (exact and not wrong):
                spans = words.spans[start : start + len(order)]
                mistaken = tuple(span for span, count in zip(spans, counts, strict=True) if count)
                short = any(counts[at] and _is_near_words(here[at], part) for at, part in enumerate(order))
                if short and not words.are_as_a_name(spans[0][0], spans[-1][1]):
                    continue
                yield Slip(spans[0][0], spans[-1][1], sum(wrong), mistaken)


@lru_cache(maxsize=1024)
def _parts(name: str) -> tuple[str, ...]:
    return tuple(single(part) for part in parts_of(name) if cased(part[0]))


@lru_cache(maxsize=1024)
def _forms(name: str) -> tuple[tuple[str, ...], ...]:
    """The parts of a name of several, and without those in its middle."""
    parts = _parts(name)
    return tuple(dict.fromkeys((parts, (parts[0], parts[-1])))) if len(parts) > 1 else ()


class _Words:
    """The words of a text, and where each stands."""

    def __init__(self, text: str, words: tuple[str, ...], spans: tuple[tuple[int, int], ...]) -> None:
        self._text, self.words, self.spans = text, words, spans
        self.places: dict[str, list[int]] = {}
        self._ends: dict[str, set[str]] = {}  # how words begin and end -> which do
        for at, word in enumerate(words):
            self.places.setdefault(word, []).append(at)
        for word in self.places:
            for end in (word[:1], f"-{word[-1:]}"):
                self._ends.setdefault(end, set()).add(word)

    def are_as_a_name(self, begin: int, end: int) -> bool:
        """Whether words of the folded text have a capital, or their text is one without blanks."""
        text, places = self._text, PLAIN.placed(self._text)[1]
        at, typed = places[begin], text[places[begin] : places[end - 1] + 1]
        alone = text[text.rfind("\0", 0, at) + 1 :].split("\0", 1)[0]
        return typed != typed.lower() or len(alone.split()) == 1

    def near(self, part: str) -> list[int]:
        """Where words stand that one mistake makes of a part of a name: it leaves its first or its last letter."""
        alike = self._ends.get(part[:1], set()) | self._ends.get(f"-{part[-1:]}", set())
        return sorted(at for word in alike if is_slip(word, part) for at in self.places[word])


@lru_cache(maxsize=64)
def _words_of(text: str, *, joined: bool) -> _Words:
    found = list((_JOINED if joined else _WORDS).finditer(PLAIN.text(text)))
    return _Words(text, tuple(single(_JOINT.sub("", one[0])) for one in found), tuple(one.span() for one in found))


@lru_cache(maxsize=512)
def _with_capital(text: str) -> frozenset[str]:
    letters, places = PLAIN.placed(text)
    found = (m for m in _WORDS.finditer(letters) if len(m[0]) >= SLIPS.alone - 1)
    return frozenset(single(m[0]) for m in found if text[places[m.start()]] != text[places[m.start()]].lower())
