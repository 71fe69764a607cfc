"""Finding a person's name in a typed text, whatever its case, accents, spacing and order."""

from __future__ import annotations

import html
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from urllib.parse import unquote

# Letters that Unicode does not decompose, and what people type for them.
_LETTERS = str.maketrans({"ł": "l", "đ": "d", "ø": "o", "\u0131": "i", "ħ": "h", "æ": "ae", "œ": "oe",
                          "ð": "d", "þ": "th", "ŧ": "t", "ŋ": "n",
                          # Arabic script: what stands for one another in typed names, and the stretching stroke
                          "ى": "ي", "ی": "ي", "ک": "ك", "ة": "ه", "ٱ": "ا", "\u0640": "",
                          **dict.fromkeys("ʹʻʼʽʾʿˈꞌ", "'")})  # fmt: skip
_JOINTS = "['’‘`\u2010-]"  # what stands inside a word, or is left out there: ONeill, Annamaria
# Letters that are also written as two: ICAO Doc 9303 part 3, section 6, from memory (Đ: common practice, no source).
_PAIRS = {"ä": "ae", "ö": "oe", "ü": "ue", "ø": "oe", "å": "aa", "đ": "dj"}
_PAIRED = str.maketrans(_PAIRS | {upper.upper(): pair for upper, pair in _PAIRS.items()})
_SECOND = re.compile("(?<=[aou])e|(?<=a)a|(?<=d)j")  # the second letter of such a pair


@lru_cache(maxsize=4096)
def _folded(text: str) -> tuple[str, tuple[int, ...]]:
    """Text without case, accents and invisible characters; for each of its letters the place it came from."""
    letters: list[str] = []
    places: list[int] = []
    for place, character in enumerate(text):
        for base in unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", character).casefold()):
            if unicodedata.category(base) in ("Mn", "Me", "Cf"):
                continue
            for letter in base.translate(_LETTERS):
                letters.append(letter)
                places.append(place)
    return "".join(letters), tuple(places)


@lru_cache(maxsize=1024)
def name_pattern(name: str) -> re.Pattern[str] | None:
    """A pattern for folded texts: the whole name, with anything but letters between its parts, in its order or
    with some of the last parts first ("García López, Ana María"); Müller is also Muller and Mueller. None for
    a name without letters.
    """
    parts = _parts(unicodedata.normalize("NFC", name).translate(_PAIRED))
    if not parts:
        return None
    bodies = ((r"[\W_]*".join(map(_spelled, order)), order) for order in _orders(parts))
    return re.compile("|".join(_bounded(body, order) for body, order in bodies))


def _orders(parts: tuple[str, ...]) -> list[tuple[str, ...]]:
    """Surnames may be several words, and so may given names: any number of parts may stand first. Sorted."""
    return sorted({(*parts[at:], *parts[:at]) for at in range(len(parts))})


def _spelled(part: str) -> str:
    """Regular expression of one part: pairs of letters also as one, apostrophes and hyphens anywhere, and Chinese
    names also with a space in them."""
    if not _cased(part[0]):
        return r"[\W_]*".join(part)
    optional = {match.start() for match in _SECOND.finditer(part)}
    return f"{_JOINTS}?".join(f"{letter}?" if at in optional else letter for at, letter in enumerate(part))


def _bounded(body: str, order: Sequence[str]) -> str:
    """Word boundaries where the script has capitals: Arabic joins words to names, Chinese has no spaces."""
    before = r"(?<![^\W_])" if _cased(order[0][0]) else ""
    after = r"(?![^\W_])" if _cased(order[-1][-1]) else ""
    return before + body + after


def _cased(letter: str) -> bool:
    return letter.upper() != letter.lower() or letter.isdigit()


def replace_name(text: str, pattern: re.Pattern[str], unnamed: str) -> str:
    """`text` with `unnamed` for every place where `pattern` (of `name_pattern`) finds the name.

    Where the name stands in escapes, as in the address of a page, the text comes back without its escapes.
    """
    if (plain := _unescaped(text)) != text and pattern.search(_folded(plain)[0]):
        text = plain
    letters, places = _folded(text)
    pieces, at = [], 0
    for match in pattern.finditer(letters):
        begin, end = places[match.start()], places[match.end() - 1] + 1
        while end < len(text) and unicodedata.category(text[end]) in ("Mn", "Me"):
            end += 1  # the marks of the last letter
        start_of_sentence = not text[:begin].strip() or text[:begin].rstrip()[-1] in ".!?\n"
        pieces += [text[at:begin], unnamed[:1].upper() + unnamed[1:] if start_of_sentence else unnamed]
        at = end
    return "".join([*pieces, text[at:]])


def _unescaped(text: str) -> str:
    """Percent-encoding (RFC 3986, 2.1) and character references of HTML undone."""
    if "%" in text:
        text = unquote(text, errors="ignore")
    return html.unescape(text) if "&" in text else text


def holds_any(text: str, names: tuple[str, ...]) -> bool:
    """Whether one of the names stands in the text as a whole; fast where none does."""
    for one in dict.fromkeys((text, _unescaped(text))):
        letters = _folded(one)[0]
        bare = _bare(letters)
        for name, outline in _outlines(names):
            if any(part in bare for part in outline):
                pattern = name_pattern(name)
                if pattern is not None and pattern.search(letters):
                    return True
    return False


@lru_cache(maxsize=64)
def _outlines(names: tuple[str, ...]) -> list[tuple[str, tuple[str, ...]]]:
    """Each name with strings of which one is in the bare letters of any text that its pattern matches: the letters of
    the name in each order, without leading ones that may be the second letter of a pair."""
    found = []
    for name in names:
        parts = _parts(unicodedata.normalize("NFC", name).translate(_PAIRED))
        found.append((name, tuple(_bare("".join(order)).lstrip("aej") for order in _orders(parts))))
    return found


def _bare(letters: str) -> str:
    """Folded letters only, with the first letter of each pair that may stand for one letter, repeated to the end."""
    before, letters = "", re.sub(r"[\W_]+", "", letters)
    while letters != before:
        before, letters = letters, _SECOND.sub("", letters)
    return letters


def same_name(one: str, other: str) -> bool:
    """Whether two spellings are of one name, whatever the case, accents, spaces and which parts stand first."""
    parts, others = (tuple(map(_single, _parts(name))) for name in (one, other))
    return bool(parts) and "".join(parts) in map("".join, _orders(others))


def _parts(name: str) -> tuple[str, ...]:
    return tuple(re.findall(r"[^\W_]+", _folded(name)[0]))


def _single(word: str) -> str:
    """A folded word with one letter for each pair that may stand for one: mueller and muller are muller."""
    return _SECOND.sub("", word)


# ---- parts of a name --------------------------------------------------------------------------------------

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


_JOINED = re.compile(rf"[^\W_]+(?:{_JOINTS}[^\W_]+)+")


@lru_cache(maxsize=16384)
def hints_at(text: str, name: str, language: str = "") -> bool:
    """Whether a word of `text` is, or may be an inflected form of, a part of the name, such as a surname alone.

    In doubt the answer is yes. Endings of up to four letters count everywhere, letters that change before them unless
    `language` (BCP 47) is known to leave names as they are. Of names in Chinese characters or Hangul any two
    characters in a row count, since no space tells surname from given name.
    """
    parts = _parts(name)
    parts = tuple(p for i, p in enumerate(parts) if p not in _PARTICLES or i in (0, len(parts) - 1))
    text = _unescaped(text)
    letters, places = _folded(text)
    composed = unicodedata.normalize("NFC", letters)
    if any(_hints_without_case(composed, part) for part in parts if not _cased(part[0])):
        return True
    cased = [part for part in parts if _cased(part[0]) and len(part) > 1]
    single = [short for part in cased if len(short := _single(part)) >= FORMS.part]
    changes = language.lower().split("-")[0] not in _UNINFLECTED
    for match in (*re.finditer(r"[^\W_]+", letters), *_JOINED.finditer(letters)):
        word = re.sub(_JOINTS, "", match[0])
        capital = text[places[match.start()]] != text[places[match.start()]].lower()
        if any(_may_be(word, part, capital, changes) for part in cased):
            return True
        if any(_may_be(_single(word), part, capital, changes) for part in single):
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
    """

    part: int = 3
    ending: int = 4
    small: int = 6
    stem: int = 3
    changing: int = 2
    short: int = 3
    short_ending: int = 2
    inside: int = 3


FORMS = FormLimits()


def _may_be(word: str, part: str, capital: bool, changes: bool) -> bool:
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
