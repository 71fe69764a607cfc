"""Forms in which people write a whole name short: initials, without a middle name, with a nickname, with an ending.

They are reasons to hold a frame, or to leave a text out, never to rewrite one: another person may be meant.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

from pipeline.shoot.names.letters import CASED, FOLDS, PLAIN, Fold, cased, readings, words_apart
from pipeline.shoot.names.parts import APART, may_be, telling
from pipeline.shoot.names.spelled import (
    GAP,
    LETTER,
    NamePattern,
    bare_text,
    covered,
    name_pattern,
    paired,
    parts_of,
    spelled,
    squeezed,
)

_GAP = r"(?:(?!['’\0])[\W\d_])"  # between an initial and a surname: D'Arcy is no D. Arcy
_WORD = re.compile(f"{LETTER}+")
_INITIAL_PUNCTUATION = re.compile(r"[._\-/\\|&]")
_QUOTED = rf"""{GAP}*["'«»“”„(]{GAP}*{LETTER}+(?:[ -]{LETTER}+){{0,3}}{GAP}*["'«»“”)]{GAP}*"""
# A nickname, one or two middle initials, or particles by theirs ("v.d.", "vd"), or nothing.
_BETWEEN = rf"(?:{_QUOTED}|{GAP}+(?:{LETTER}(?:{GAP}+{LETTER})?|v[dt]){GAP}+|{GAP}*)"
_APART = r"(?:[^\S\n]+|[._-])"  # between words of a name
# Of surnames; from memory.
_SMALL_WORDS = "von van vom zu zum zur de del della di da das do dos du la le den der ter ten af av el al bin"
_PARTICLES = frozenset(_SMALL_WORDS.split())
_GIVEN_BEFORE = re.compile(r"[^\W\d_a-z][^\W\d_]*\.?[^\S\n]$")  # "Rita " before a surname: the surname is hers


@dataclass(frozen=True)
class _Forms:
    """Of one fold: patterns, in which group `i` is an initial and `s` what it stands with; `longer` has more words than
    the name. And what must be among the words of a text for one of them to match: a word of a surname, or a given name
    beside the initial of a surname.
    """

    surnames: frozenset[str]
    given: frozenset[str]
    initial: str
    whole: re.Pattern[str]
    initial_first: re.Pattern[str]
    initial_last: re.Pattern[str]
    given_initial: re.Pattern[str]
    longer: re.Pattern[str]

    def may_be_in(self, words: frozenset[str]) -> bool:
        """Whether a text of these words may match."""
        return not words.isdisjoint(self.surnames) or (self.initial in words and not words.isdisjoint(self.given))


def short_form_in(text: str, name: str, known: Sequence[NamePattern] = (), *, initials: bool = True) -> bool:
    """Whether the text has a short form of the name, such as "A. Holm", "Holm, A.", "Ada H.", "Ada M. Holm",
    "Ada Holms", or "AdaHolm" inside a longer word.

    known     names of others: what is all theirs counts for nobody else
    initials  whether an initial with a name counts, which may be of another person
    """
    pattern = name_pattern(name)
    for reading in readings(text):
        for fold in FOLDS:
            forms = _forms(name, fold)
            if fold is PLAIN and pattern is not None and _within_words(reading, pattern, known):
                return True
            if forms is None or not may_have_short_form(reading, name, fold):
                continue
            if _whole(reading, forms, fold, known) or _longer(reading, forms, fold, known):
                return True
            if initials and _initials(reading, forms, fold):
                return True
    return False


def may_have_short_form(text: str, name: str, fold: Fold) -> bool:
    """Quickly: False where this fold of the text surely has no short form of the name, other than inside a word."""
    forms = _forms(name, fold)
    if forms is None:
        return False
    if apart(text, fold) and any(surname in bare_text(text, fold) for surname in forms.surnames):
        return True
    return forms.may_be_in(words_of(text, fold))


@lru_cache(maxsize=64)
def apart(text: str, fold: Fold) -> bool:
    """Whether some word of a text is spelled out letter by letter."""
    return APART.search(fold.text(text)) is not None


@lru_cache(maxsize=64)
def words_of(text: str, fold: Fold) -> frozenset[str]:
    """The folded words of a text, and of those that end in s also what stands before it."""
    words = set(_WORD.findall(squeezed(fold.text(text))))
    return frozenset(words | {word[:-1] for word in words if word.endswith("s")})


def _within_words(text: str, pattern: NamePattern, known: Sequence[NamePattern]) -> bool:
    apart = words_apart(text)
    return apart != CASED.text(text) and any(not covered(apart, span, known) for span in pattern.spans(apart, PLAIN))


def _whole(text: str, forms: _Forms, fold: Fold, known: Sequence[NamePattern]) -> bool:
    letters, places = fold.placed(text)
    spans = ((places[match.start()], places[match.end() - 1] + 1) for match in forms.whole.finditer(letters))
    return any(not covered(text, span, known) for span in spans)


def _longer(text: str, forms: _Forms, fold: Fold, known: Sequence[NamePattern]) -> bool:
    """Whether the name stands there with a second given name or surname that the roster does not have."""
    letters, places = fold.placed(text)
    for match in _overlapping(forms.longer, letters):
        span = places[match.start()], places[match.end() - 1] + 1
        words = [word for word in _WORD.findall(text[span[0] : span[1]]) if word not in _PARTICLES]
        is_name = all(word[0] != word[0].lower() for word in words) or not re.search(r"\s", match[0])
        if is_name and not covered(text, span, known):
            return True
    return False


def _initials(text: str, forms: _Forms, fold: Fold) -> bool:
    letters, places = fold.placed(text)

    def capital(match: re.Match[str], group: str) -> bool:
        letter = text[places[match.start(group)]]
        return letter != letter.lower()

    for match in _overlapping(forms.initial_first, letters):
        if _INITIAL_PUNCTUATION.search(match["gap"]) or (capital(match, "i") and capital(match, "s")):
            return True
    for match in _overlapping(forms.initial_last, letters):
        spaced = match["gap"].isspace() or match["gap"].startswith(",")
        before = text[: places[match.start()]]
        if not spaced or (capital(match, "i") and capital(match, "s") and not _GIVEN_BEFORE.search(before)):
            return True
    for match in _overlapping(forms.given_initial, letters):
        if not match["gap"].isspace() or (capital(match, "i") and capital(match, "s")):
            return True
    return False


def initials_replaced(text: str, name: str, mark: str) -> str:
    """The text with `mark` for the first initial and the surname of a name, in either order: "A. Holm", "Holm, A."."""
    forms = _forms(name, PLAIN)
    if forms is None or not may_have_short_form(text, name, PLAIN):
        return text
    letters, places = PLAIN.placed(text)
    for pattern in (forms.initial_last, forms.initial_first):  # they overlap nowhere but in "A. Holm, A."
        spans = [
            (places[m.start()], places[m.end() - 1] + 1)
            for m in pattern.finditer(letters)
            if not _WORD.search(m["gap"])
        ]
        for begin, end in reversed(spans):
            text = text[:begin] + mark + text[end:]
        letters, places = PLAIN.placed(text)
    return text


def _overlapping(pattern: re.Pattern[str], text: str) -> Iterator[re.Match[str]]:
    """All matches, also those that begin within another: what is refused may hide what counts."""
    match = pattern.search(text)
    while match:
        yield match
        match = pattern.search(text, match.start() + 1)


@lru_cache(maxsize=1024)
def _forms(name: str, fold: Fold) -> _Forms | None:
    """None for a name of one part, or in a script without capitals."""
    words = [parts for word in paired(name).split() if (parts := parts_of(word, fold))]
    words = [words[0], *(w for w in words[1:-1] if telling(("", *w, ""))), words[-1]] if len(words) > 1 else []
    if not words or not all(cased(letter) for letter in (words[0][0][0], words[-1][-1][0])):
        return None

    def of(parts: tuple[str, ...]) -> str:
        return f"{GAP}*".join(spelled(part, 0) for part in parts)

    # Of a double surname, and of one with a hyphen, one half may be left out.
    last = [words[-1], *((part,) for part in words[-1] if len(words[-1]) > 1 and len(part) > 2)]
    last += [words[-2]] if len(words) > 3 else []
    surname = "|".join(of(parts) for parts in last)
    given, middle = of(words[0]), "".join(f"(?:{of(word)}{GAP}+)?" for word in words[1:-1])
    initial, end = words[0][0][0], f"s?(?!{LETTER})"
    start = rf"(?<!{LETTER})(?<!{LETTER}['’])"
    return _Forms(
        frozenset(squeezed(part) for parts in last for part in parts),
        frozenset(squeezed(part) for part in words[0]),
        words[-1][0][0],
        re.compile(rf"{start}(?:{given}{_BETWEEN}{middle}(?:{surname})|(?:{surname})(?:(?!\n){GAP})+{given}){end}"),
        re.compile(
            f"{start}(?P<i>{initial})(?P<gap>{_GAP}{{1,4}}(?:{LETTER}{_GAP}{{1,3}})?){middle}(?P<s>{surname}){end}"
        ),
        re.compile(rf"{start}(?P<s>{surname})(?P<gap>,[^\S\n]*|[^\S\n]+|[_.-])(?P<i>{initial})(?!{LETTER}|['’])"),
        re.compile(
            rf"{start}(?P<s>{given})(?P<gap>[^\S\n]{{1,2}}|[_.-])(?P<i>{words[-1][0][0]})(?!{LETTER}|['’])"
            if len(words[0][0]) > 2 else "(?!)(?P<s>)(?P<gap>)(?P<i>)"
        ),
        re.compile(rf"{start}{given}{_APART}(?:{LETTER}{{2,}}{_APART}){{1,2}}(?:{surname}){end}"),
    )  # fmt: skip


def inflected_in(text: str, name: str, known: Sequence[NamePattern] = ()) -> bool:
    """Whether words that stand side by side may be forms of the name's parts, the given names or the surname first.

    For languages that inflect names; `known` as above.
    """
    parts = telling(parts_of(name))
    if len(parts) < 2 or not all(cased(part[0]) for part in parts):
        return False
    words = _words(text)
    begins = _beginnings(text)
    if not all(part[:2] in begins for part in parts):  # a form has at least two letters of its name
        return False
    for order in (parts, (parts[-1], *parts[:-1])):
        for at in begins[order[0][:2]]:
            if at > len(words) - len(order):
                break
            some = words[at : at + len(order)]
            forms = all(may_be(word, part, capital, True) for (word, capital, _), part in zip(some, order, strict=True))
            if forms and not covered(text, (some[0][2][0], some[-1][2][1]), known):
                return True
    return False


@lru_cache(maxsize=64)
def _words(text: str) -> list[tuple[str, bool, tuple[int, int]]]:
    """Folded words, whether each has a capital, and where it stands."""
    letters, places = PLAIN.placed(text)
    return [
        (m[0], text[places[m.start()]].isupper(), (places[m.start()], places[m.end() - 1] + 1))
        for m in re.finditer(f"{LETTER}+", letters)
    ]


@lru_cache(maxsize=64)
def _beginnings(text: str) -> dict[str, list[int]]:
    """The first two letters of words -> which words they are."""
    found: dict[str, list[int]] = {}
    for at, (word, _, _) in enumerate(_words(text)):
        found.setdefault(word[:2], []).append(at)
    return found
