"""A person's whole name in a text, whatever its case, accents, order, spacing and look-alike letters."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from pipeline.shoot.names.letters import ALIKE, FOLDS, PLAIN, Fold, cased, readings

JOINTS = "['’‘`\u2010-]"  # what stands inside a word, or is left out there: ONeill, Annamaria
# Letters that are also written as two: ICAO Doc 9303 part 3, section 6, from memory (Đ: common practice, no source).
_PAIRS = {"ä": "ae", "ö": "oe", "ü": "ue", "ø": "oe", "å": "aa", "đ": "dj"}
_PAIRED = str.maketrans(_PAIRS | {upper.upper(): pair for upper, pair in _PAIRS.items()})
SECOND = re.compile("(?<=[aou])e|(?<=a)a|(?<=d)j")  # the second letter of such a pair
# Between letters. NUL ends a text: several are searched as one.
GAP = r"(?:[^\w\0]|[\d_])"
# The same before a digit of a name: else a long number could be split into digits and gaps in countless ways.
_GAP_BEFORE_DIGIT = r"(?:[^\w\0]|_)"
LETTER = r"[^\W\d_]"
_NO_LETTERS = re.compile(r"[\W\d_]+")
_ELIDED = re.compile(r"(?i)\b((?:jus|lors|puis)?qu|d)['’]$")  # French: d’Anna, but de quelqu’un
_ODD = re.compile(r"[^\x00-\x7f]|[01]")


@dataclass(frozen=True)
class SpellingLimits:
    """Chosen by hand on the innocent texts of tests/shoot/test_spellings.py, no source.

    apart  shortest name, in letters, that is found with gaps at any place; a shorter one only spelled out letter by
           letter
    gap    longest gap inside a part, in characters
    alike  shortest name of which i for l, 0 for o and rn for m count; of a shorter one only letters of other scripts
    """

    apart: int = 8
    gap: int = 3
    alike: int = 7


SPELLING = SpellingLimits()
LONGEST_NAME = 100  # letters; a text that is longer is no name, and to search for it could take the night


@dataclass(frozen=True)
class NamePattern:
    """What finds a name in folded texts. `outlines`: of each fold, strings of which one is in the bare letters of any
    text where it is found."""

    name: str
    found_by: tuple[tuple[Fold, re.Pattern[str], tuple[str, ...]], ...]
    short: bool

    def spans(self, text: str, fold: Fold) -> list[tuple[int, int]]:
        """(begin, end) of each place of `text` where this fold of it holds the name."""
        found: list[tuple[int, int]] = []
        for by, pattern, outlines in self.found_by:
            if by is not fold or not any(outline in bare_text(text, fold) for outline in outlines):
                continue
            letters, places = fold.placed(text)
            for match in pattern.finditer(letters):
                begin, end = places[match.start()], places[match.end() - 1] + 1
                if fold is ALIKE and self.short and not _ODD.search(text[begin:end]):
                    continue
                found.append((begin, end))
        return found


@lru_cache(maxsize=1024)
def name_pattern(name: str) -> NamePattern | None:
    """Finds the whole name with anything but letters between its parts, in its order or with some of the last parts
    first ("García López, Ana María"); Müller is also Muller and Mueller; letters may stand apart. None for a name
    without letters.
    """
    typed = paired(name)
    length = len(re.sub(GAP, "", PLAIN.text(typed)))
    if not parts_of(name):
        return None
    found = []
    for fold in FOLDS:
        # What looks alike depends on the case that somebody typed: capital H of another script is an N there.
        variants = (typed,) if fold is PLAIN else (typed, typed.upper(), typed.lower())
        every = dict.fromkeys(parts_of(variant, fold) for variant in variants)
        turns = [(parts, at) for parts in every for at in range(len(parts))]
        bodies = dict.fromkeys(_turned(parts, at, length) for parts, at in turns)
        outlines = dict.fromkeys(bare("".join((*parts[at:], *parts[:at]))).lstrip("aej") for parts, at in turns)
        if bodies:
            found.append((fold, re.compile("|".join(bodies)), tuple(outlines)))
    return NamePattern(name, tuple(found), length < SPELLING.alike)


def paired(name: str) -> str:
    """The name with two letters for each that is also written as two."""
    return unicodedata.normalize("NFC", name).translate(_PAIRED)


def orders_of(parts: tuple[str, ...]) -> list[tuple[str, ...]]:
    """Surnames may be several words, and so may given names: any number of parts may stand first. Sorted."""
    return sorted({(*parts[at:], *parts[:at]) for at in range(len(parts))})


def _turned(parts: tuple[str, ...], at: int, length: int) -> str:
    """Regular expression of the parts with those from `at` on first; then not over the end of a line, because names
    below one another are names of several people, and in a short name not without a gap: Viktor is no Tor Vik."""
    first, last = parts[at:], parts[:at]
    body = _joined(first, length)
    if last:
        several = "*" if length >= SPELLING.apart or not cased(parts[0][0]) else "+"
        body += rf"(?:(?!\n){gap_before(last[0])}){several}" + _joined(last, length)
    return _bounded(body, (*parts[at:], *parts[:at]))


def _joined(parts: Sequence[str], length: int) -> str:
    between = [f"{gap_before(part)}*" if at else "" for at, part in enumerate(parts)]
    return "".join(gap + spelled(part, length) for gap, part in zip(between, parts, strict=True))


def gap_before(letters: str) -> str:
    """Regular expression of one character between letters, where `letters` come next."""
    return _GAP_BEFORE_DIGIT if letters[0].isdigit() else GAP


def spelled(part: str, length: int) -> str:
    """Regular expression of one part: pairs of letters also as one, apostrophes and hyphens anywhere, letters apart,
    and Chinese names also with a space in them."""
    if not cased(part[0]):
        return part[0] + "".join(f"{gap_before(letter)}*{letter}" for letter in part[1:])
    optional = {match.start() for match in SECOND.finditer(part)}
    letters = [f"{letter}?" if at in optional else letter for at, letter in enumerate(part)]
    if length >= SPELLING.apart:
        gaps = [f"{gap_before(letter)}{{0,{SPELLING.gap}}}" if at else "" for at, letter in enumerate(part)]
        return "".join(gap + letter for gap, letter in zip(gaps, letters, strict=True))
    if len(part) < 2:
        return "".join(letters)
    apart = [f"{gap_before(letter)}{{1,{SPELLING.gap}}}{letter}" for letter in part[1:]]
    apart = [f"(?:{letter})?" if at in optional else letter for at, letter in enumerate(apart, 1)]
    return f"(?:{f'{JOINTS}?'.join(letters)}|{part[0]}{''.join(apart)})"


def _bounded(body: str, order: Sequence[str]) -> str:
    """Word boundaries where the script has capitals: Arabic joins words to names, Chinese has no spaces."""
    before = f"(?<!{_edge(order[0][0])})" if cased(order[0][0]) else ""
    after = f"(?!{_edge(order[-1][-1])})" if cased(order[-1][-1]) else ""
    return before + body + after


def _edge(letter: str) -> str:
    return r"[^\W_]" if letter.isdigit() else LETTER


def replace_name(text: str, pattern: NamePattern, unnamed: str, known: Sequence[NamePattern] = ()) -> str:
    """`text` with `unnamed` for every place where the name stands.

    known  names of others: a place that is all theirs stays ("Anna Berg, Ida Holm" names no Ida Berg)

    Where the name stands in escapes, as in the address of a page, the text comes back without its escapes.
    """
    for reading in readings(text):
        for fold in FOLDS:
            spans = [span for span in pattern.spans(reading, fold) if not covered(reading, span, known)]
            if spans:
                reading = text = _replaced(reading, spans, unnamed)
    return text


def _replaced(text: str, spans: list[tuple[int, int]], unnamed: str) -> str:
    pieces, at = [], 0
    for begin, end in spans:
        while end < len(text) and unicodedata.category(text[end]) in ("Mn", "Me"):
            end += 1  # the marks of the last letter
        start_of_sentence = not text[:begin].strip() or text[:begin].rstrip()[-1] in ".!?\n"
        before = text[at:begin]
        if unnamed.startswith("quelqu"):
            before = _ELIDED.sub(r"\1e ", before)
        pieces += [before, unnamed[:1].upper() + unnamed[1:] if start_of_sentence else unnamed]
        at = end
    return "".join([*pieces, text[at:]])


def covered(text: str, span: tuple[int, int], known: Sequence[NamePattern]) -> bool:
    """Whether every letter between `span` is a letter of a name in `known`, as it is typed in the roster."""
    if not known:
        return False
    others = {at for other in known for begin, end in other.spans(text, PLAIN) for at in range(begin, end)}
    return all(at in others for at in range(*span) if re.match(LETTER, text[at]))


def bare(letters: str) -> str:
    """Folded letters only, squeezed."""
    return squeezed(_NO_LETTERS.sub("", letters))


def squeezed(letters: str) -> str:
    """Folded letters with the first of each pair that may stand for one letter, over and over to the end."""
    before = ""
    while letters != before:
        before = letters
        for pair in ("ae", "oe", "ue", "aa", "dj"):
            letters = letters.replace(pair, pair[0])
    return letters


@lru_cache(maxsize=256)
def bare_text(text: str, fold: Fold) -> str:
    """`bare` of a text that is not folded yet."""
    return bare(fold.text(text))


def same_name(one: str, other: str) -> bool:
    """Whether two spellings are of one name, whatever the case, accents, spaces and which parts stand first."""
    parts, others = (tuple(map(single, parts_of(name))) for name in (one, other))
    return bool(parts) and "".join(parts) in map("".join, orders_of(others))


def is_part_of(one: str, other: str) -> bool:
    """Whether every word of a name is one of the other's, which has more: where only it is typed, either may be meant,
    as by a first name."""
    return _words_of(one) < _words_of(other)


@lru_cache(maxsize=4096)  # of a roster, for every frame
def _words_of(name: str) -> frozenset[str]:
    return frozenset(map(single, parts_of(name)))


def parts_of(name: str, fold: Fold = PLAIN) -> tuple[str, ...]:
    """The words of a name in folded letters."""
    return tuple(re.findall(r"[^\W_]+", fold.text(name)))


def single(word: str) -> str:
    """A folded word with one letter for each pair that may stand for one: mueller and muller are muller."""
    return SECOND.sub("", word)
