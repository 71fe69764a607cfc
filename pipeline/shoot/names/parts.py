"""Parts of a name: words that may be one, or an inflected form of one."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

from pipeline.shoot.names.letters import ALIKE, CASED, PLAIN, cased, readings, words_apart
from pipeline.shoot.names.spelled import GAP, JOINTS, LETTER, parts_of, single, squeezed

# Languages that leave a person's name unchanged in a text, or only add an ending; common practice, no source.
_UNINFLECTED = frozenset((
    "en", "es", "pt", "fr", "it", "ca", "gl", "de", "nl", "da", "nb", "nn", "no", "sv", "ja", "zh", "ko", "vi", "th",
    "id",
))  # fmt: skip
_PARTICLES = frozenset((
    "af", "al", "av", "bin", "da", "de", "del", "den", "der", "di", "do", "dos", "du", "e", "el", "ibn", "la", "las",
    "le", "los", "ten", "ter", "van", "von", "y", "zu", "zum", "zur",
))  # fmt: skip
_ADDRESS = "(?:選手|选手|さん|くん|君|ちゃん|선수|씨|양|군)"  # what follows a lone surname of one character


_WORD = re.compile(r"[^\W_]+")
_DIGIT_WITHIN = re.compile(f"{LETTER}[01]|[01]{LETTER}")
APART = re.compile(rf"(?<!{LETTER}){LETTER}(?:{GAP}{{1,3}}{LETTER}){{3,}}(?!{LETTER})")
_JOINED = re.compile(rf"[^\W_]+(?:{JOINTS}[^\W_]+)+")


@lru_cache(maxsize=16384)
def hints_at(text: str, name: str, language: str = "") -> bool:
    """Whether a word of `text` is, or may be an inflected form of, a part of the name, such as a surname alone.

    In doubt the answer is yes. Endings of up to four letters count everywhere, letters that change before them unless
    `language` (BCP 47) is known to leave names as they are. Of names in Chinese characters or Hangul any two
    characters in a row count, since no space tells surname from given name. Words spelled out letter by letter, within
    a longer word that begins anew with a capital, and of letters of other scripts that look alike count too.
    """
    parts = telling(parts_of(name))
    changes = inflects(language)
    for reading in readings(text):
        if _hints(reading, parts, changes) or _spelled_out(reading, parts):
            return True
        if (apart := words_apart(reading)) != CASED.text(reading) and _hints(apart, parts, changes):
            return True
        for match in _WORD.finditer(reading):
            if _odd(match[0]):
                capital = match[0] != match[0].lower()
                word = ALIKE.text(match[0])
                if any(may_be(word, part, capital, changes) for part in telling(parts_of(name, ALIKE))):
                    return True
    return False


def inflects(language: str) -> bool:
    """Whether names may change within, not only get an ending, in a language (BCP 47)."""
    return language.lower().split("-")[0] not in _UNINFLECTED


def telling(parts: tuple[str, ...]) -> tuple[str, ...]:
    """Parts that tell who it is: particles only where they stand first or last."""
    return tuple(p for i, p in enumerate(parts) if p not in _PARTICLES or i in (0, len(parts) - 1))


def _spelled_out(text: str, parts: tuple[str, ...]) -> bool:
    """Whether letters that stand apart ("F j e l l") have a part in them."""
    runs = [squeezed(re.sub(f"{GAP}+", "", run[0])) for run in APART.finditer(PLAIN.text(text))]
    return any(squeezed(part) in run for part in parts if len(part) >= FORMS.apart for run in runs)


def _odd(word: str) -> bool:
    """Whether a word has letters of other scripts that look like Latin ones, or digits that do, within it."""
    if word.isascii():
        return _DIGIT_WITHIN.search(word) is not None
    return any(ALIKE[ord(c)].isascii() and not PLAIN[ord(c)].isascii() for c in word)


def _hints(text: str, parts: tuple[str, ...], changes: bool) -> bool:
    letters, places = PLAIN.placed(text)
    composed = unicodedata.normalize("NFC", letters)
    if any(_hints_without_case(composed, part) for part in parts if not cased(part[0])):
        return True
    whole = [part for part in parts if cased(part[0]) and len(part) > 1]
    shorter = [short for part in whole if len(short := single(part)) >= FORMS.part]
    for match in (*_WORD.finditer(letters), *_JOINED.finditer(letters)):
        word = re.sub(JOINTS, "", match[0])
        capital = text[places[match.start()]] != text[places[match.start()]].lower()
        if any(may_be(word, part, capital, changes) for part in whole):
            return True
        if any(may_be(single(word), part, capital, changes) for part in shorter):
            return True
    return False


@dataclass(frozen=True)
class FormLimits:
    """When a word may be a form of a part of a name, in letters; chosen on the forms of tests/shoot/test_names.py.

    part       shortest part that counts in small letters or with an ending
    ending     longest ending
    small      shortest part of which a form in small letters counts
    stem       shortest common beginning where the letters before an ending change
    changing   letters before an ending that may change
    short      longest part of which all but the last letter must be there, before an ending of `short_ending`
    inside     shortest part that counts within a word, in scripts without capitals
    apart      shortest part that counts within letters that stand apart
    """

    part: int = 3
    ending: int = 4
    small: int = 6
    stem: int = 3
    changing: int = 2
    short: int = 3
    short_ending: int = 2
    inside: int = 3
    apart: int = 4


FORMS = FormLimits()


def may_be(word: str, part: str, capital: bool, changes: bool) -> bool:
    """Whether a word is the part or a form of it. `capital`: it has one; `changes`: the language inflects names."""
    if word[0] != part[0]:
        return False
    if word == part:
        return capital or len(part) >= FORMS.part
    common = next((i for i, (a, b) in enumerate(zip(word, part, strict=False)) if a != b), min(len(word), len(part)))
    ending = len(word) - common
    if ending > FORMS.ending or not (capital or len(part) >= FORMS.small):
        return capital and len(part) >= FORMS.part and common == len(part)
    if common == len(part):
        return len(part) >= FORMS.part
    if not changes:
        return False
    if len(part) <= FORMS.short:  # Ewa, Ewie
        return common == FORMS.short - 1 and ending <= FORMS.short_ending
    return common >= max(FORMS.stem, len(part) - FORMS.changing)


def _hints_without_case(text: str, part: str) -> bool:
    part = unicodedata.normalize("NFC", part)
    if all("\u4e00" <= c <= "\u9fff" or "\uac00" <= c <= "\ud7a3" for c in part):
        pairs = (part[i : i + 2] for i in range(len(part) - 1))
        return any(pair in text for pair in pairs) or re.search(re.escape(part[0]) + _ADDRESS, text) is not None
    return part in text if len(part) >= FORMS.inside else part in re.findall(r"[^\W_]+", text)
