"""Parts of a name: words that may be one, or an inflected form of one."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from pipeline.shoot.names.letters import ALIKE, CASED, PLAIN, cased, readings, words_apart
from pipeline.shoot.names.mistyped import mistyped_in, part_mistyped
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
# Small words of two letters in the languages of captions, which would hold nearly every text; from memory.
_SMALL = (
    "ab af al am an as at au av be by ce da de di do du el em en er es et eu ex få go ha he hi ho if il im in is it "
    "ja je la le lo ma me mi må my na ne ni no nu ny nå ob od og oh ok om on or os ou où pa po på sa se si so su så ta "
    "te ti to tu um un up us va vi vs we wo ya za ze zu åt är él"
)
_SMALL_WORDS = frozenset(_SMALL.split())
_AFTER_THINGS = "in|at|on|of|for|to|from|with|by|before|during|after|while|when|as|and|or|but"
# English verbs and compounds that are given names too, where nobody can be meant by them; from memory.
_NOBODY = re.compile(
    r"(?<![\w'’-])(?:will|may)\s+(?:(?:also|always|never|now|only|soon|still|then)\s+)?(?:be|have|not)(?![\w'’-])"
    r"|(?<![\w'’-])(?:(?:base|end|goal|side|touch)-line|line(?:-ups?|\s+judges?))(?![\w'’-])"
)
_ADDRESS = "(?:選手|选手|さん|くん|君|ちゃん|선수|씨|양|군)"  # what follows a lone surname of one character


_WORD = re.compile(r"[^\W_]+")
_DIGIT_WITHIN = re.compile(f"{LETTER}[01]|[01]{LETTER}")
APART = re.compile(rf"(?<!{LETTER}){LETTER}(?:{GAP}{{1,3}}{LETTER}){{3,}}(?!{LETTER})")
_WITH_PARTICLES = re.compile(rf"(?<![^\W_])(?:(?:{'|'.join(sorted(_PARTICLES))})[^\S\n]+)+[^\W_]{{2,}}")
_JOINED = re.compile(rf"(?<![^\W_])[^\W_]+(?:{JOINTS}[^\W_]+)+")


@lru_cache(maxsize=16384)
def hints_at(text: str, name: str, language: str = "") -> bool:
    """Whether a word of `text` is, or may be an inflected form of, a part of the name, such as a surname alone.

    In doubt the answer is yes. Endings of up to four letters count everywhere, letters that change before them unless
    `language` (BCP 47) is known to leave names as they are. Of names in Chinese characters or Hangul any two
    characters in a row count, since no space tells surname from given name. Words spelled out letter by letter, within
    a longer word that begins anew with a capital, and of letters of other scripts that look alike count too; so do the
    whole name with a typing mistake, or two where it is long, and long parts of it with one. Not a surname that is a
    thing there, as in "in the hall".
    """
    text = _without_things(text, name)
    name_parts, changes = _name_parts(name), inflects(language)
    return any(_hints(view, name_parts, changes) for view in _views(text)) or any(
        find(reading, name) for reading in readings(text) for find in (mistyped_in, part_mistyped)
    )


@lru_cache(maxsize=16384)
def names_part(text: str, name: str, language: str = "", listed: tuple[str, ...] = ()) -> bool:
    """Whether a word of `text` is a part of the name as it is, such as the first name alone, or that with an s ("Adas
    save"), in capitals or small letters, of two letters in small ones only where these are no small word; or with a
    capital what may be a form of it where the `language` (BCP 47) inflects names, and is not rather one of the name of
    somebody who is `listed`; in scripts without capitals as `hints_at`."""
    parts, views = _name_parts(name), _views(_without_things(text, name))
    if any(_hints_without_case(view.letters, part) for part in parts.uncased for view in views):
        return True
    inflected = language != "" and inflects(language)
    words = ((part, *word) for part in parts.whole for view in views for word in view.words.get(part[0], ()))
    return any(
        (short in (single(part), f"{single(part)}s") and (capital or part not in _SMALL_WORDS))
        or (inflected and capital and may_be(word, part, True, True) and not _is_rather(word, part, listed))
        for part, word, capital, short in words
    )


def _is_rather(word: str, part: str, listed: tuple[str, ...]) -> bool:
    """Whether a word begins with more of a name that is listed: "Marcina" is Marcin's and not Marta's."""
    others = (one for name in listed for one in _name_parts(name).whole)
    return any(may_be(word, one, True, True) and _common(word, one) > _common(word, part) for one in others)


def _without_things(text: str, name: str) -> str:
    """The text without what is no name for the words around it: `_NOBODY`; and in English a surname in small letters
    between "the" and the end of what is said, or a small word, as in "in the hall". No given name: who learnt another
    language first may well write "the max"; nor part of a name with a comma, where nobody knows which is the surname.
    """
    text = _NOBODY.sub(" ", text)
    surnames = [] if "," in name else parts_of(name)[1:]
    if not surnames or "the" not in text.lower():
        return text
    return _thing(tuple(surnames)).sub(" ", text)


@lru_cache(maxsize=1024)
def _thing(surnames: tuple[str, ...]) -> re.Pattern[str]:
    after = rf"(?:[^\S\n]*(?:[.,;:!?)\n]|$)|\s+(?:{_AFTER_THINGS})(?!{LETTER}))"
    return re.compile(rf"(?<![\w'’-])[Tt]he\s+(?:{'|'.join(map(re.escape, surnames))})(?={after})")


@dataclass(frozen=True)
class _View:
    """A text in one reading: `letters` composed; by their first letter `words` as (word, has a capital, single letters
    for pairs); `odd` words as they look; `runs` of letters that stand apart."""

    letters: str
    words: Mapping[str, list[tuple[str, bool, str]]]
    odd: tuple[tuple[str, bool], ...]
    runs: tuple[str, ...]


@lru_cache(maxsize=512)
def _views(text: str) -> tuple[_View, ...]:
    """Each reading as it stands, and with the words within words apart."""
    found = []
    for reading in readings(text):
        found.append(_view(reading))
        if (apart := words_apart(reading)) != CASED.text(reading):
            found.append(_view(apart))
    return tuple(found)


def _view(text: str) -> _View:
    letters, places = PLAIN.placed(text)
    words: dict[str, list[tuple[str, bool, str]]] = {}
    for match in (*_WORD.finditer(letters), *_JOINED.finditer(letters), *_WITH_PARTICLES.finditer(letters)):
        word = re.sub(rf"{JOINTS}|\s", "", match[0])
        capital = text[places[match.start()]] != text[places[match.start()]].lower()
        words.setdefault(word[0], []).append((word, capital, single(word)))
    odd = tuple((ALIKE.text(m[0]), m[0] != m[0].lower()) for m in _WORD.finditer(text) if _odd(m[0]))
    runs = tuple(squeezed(re.sub(f"{GAP}+", "", run[0])) for run in APART.finditer(letters))
    return _View(unicodedata.normalize("NFC", letters), words, odd, runs)


@dataclass(frozen=True)
class _NameParts:
    """Parts in scripts without capitals; of the others those of two letters or more, with single letters for pairs
    where that is long enough, and as they look."""

    uncased: tuple[str, ...]
    whole: tuple[str, ...]
    shorter: tuple[str, ...]
    alike: tuple[str, ...]


@lru_cache(maxsize=1024)
def _name_parts(name: str) -> _NameParts:
    parts = telling(parts_of(name))
    joined = telling(parts_of(re.sub(JOINTS, "", name)))  # "Annalena" of "Anna-Lena"
    run = [re.sub(r"\s", "", found) for found in _WITH_PARTICLES.findall(PLAIN.text(name))]  # "Vanderberg"
    whole = tuple(part for part in dict.fromkeys((*parts, *joined, *run)) if cased(part[0]) and len(part) > 1)
    shorter = tuple(short for part in whole if len(short := single(part)) >= FORMS.part)
    return _NameParts(
        tuple(part for part in parts if not cased(part[0])), whole, shorter, telling(parts_of(name, ALIKE))
    )


def inflects(language: str) -> bool:
    """Whether names may change within, not only get an ending, in a language (BCP 47)."""
    return language.lower().split("-")[0] not in _UNINFLECTED


def telling(parts: tuple[str, ...]) -> tuple[str, ...]:
    """Parts that tell who it is: particles only where they stand first or last."""
    return tuple(p for i, p in enumerate(parts) if p not in _PARTICLES or i in (0, len(parts) - 1))


def _odd(word: str) -> bool:
    """Whether a word has letters of other scripts that look like Latin ones, or digits that do, within it."""
    if word.isascii():
        return _DIGIT_WITHIN.search(word) is not None
    return any(ALIKE[ord(c)].isascii() and not PLAIN[ord(c)].isascii() for c in word)


def _hints(view: _View, name: _NameParts, changes: bool) -> bool:
    if any(_hints_without_case(view.letters, part) for part in name.uncased):
        return True
    for part in name.whole:
        if any(may_be(word, part, capital, changes) for word, capital, _ in view.words.get(part[0], ())):
            return True
    for part in name.shorter:
        if any(may_be(short, part, capital, changes) for _, capital, short in view.words.get(part[0], ())):
            return True
    if any(may_be(word, part, capital, changes) for word, capital in view.odd for part in name.alike):
        return True
    return any(squeezed(part) in run for part in name.whole if len(part) >= FORMS.apart for run in view.runs)


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
    common = _common(word, part)
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


def _common(word: str, part: str) -> int:
    """In how many letters the two begin alike."""
    return next((i for i, (a, b) in enumerate(zip(word, part, strict=False)) if a != b), min(len(word), len(part)))


def _hints_without_case(text: str, part: str) -> bool:
    part = unicodedata.normalize("NFC", part)
    if all("\u4e00" <= c <= "\u9fff" or "\uac00" <= c <= "\ud7a3" for c in part):
        pairs = (part[i : i + 2] for i in range(len(part) - 1))
        return any(pair in text for pair in pairs) or re.search(re.escape(part[0]) + _ADDRESS, text) is not None
    return part in text if len(part) >= FORMS.inside else part in re.findall(r"[^\W_]+", text)
