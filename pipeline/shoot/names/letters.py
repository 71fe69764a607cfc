"""Texts as bare letters: without case, accents and what cannot be seen; once as typed, once by what letters look like.

Which letters of other scripts look like Latin ones: Unicode Technical Standard 39, table confusables, as the package
confusable-homoglyphs ships it.
"""

from __future__ import annotations

import html
import json
import re
import unicodedata
from collections.abc import Callable, Iterator
from functools import lru_cache
from urllib.parse import unquote

# Letters that Unicode does not decompose, and what people type for them.
_LETTERS = str.maketrans({"ł": "l", "đ": "d", "ø": "o", "\u0131": "i", "ħ": "h", "æ": "ae", "œ": "oe",
                          "ð": "d", "þ": "th", "ŧ": "t", "ŋ": "n",
                          # Arabic script: what stands for one another in typed names, and the stretching stroke
                          "ى": "ي", "ی": "ي", "ک": "ك", "ة": "ه", "ٱ": "ا", "\u0640": "",
                          **dict.fromkeys("ʹʻʼʽʾʿˈꞌ", "'")})  # fmt: skip
# Letters without a shape (Unicode Standard, Default_Ignorable_Code_Point, those that are not of category Cf or Mn),
# and the blank of Braille.
_UNSEEN = frozenset("\u115f\u1160\u3164\uffa0\u2800")
# ASCII that is drawn alike: UTS 39 has 1 and I as l, 0 as O and m as rn. i is added, because case is folded here; |,
# which it has as l, stands between the levels of keywords.
_ASCII_ALIKE = str.maketrans({"l": "i", "1": "i", "0": "o", "m": "rn"})
_LATIN = re.compile(
    r"(?:COMBINING |TAG |REGIONAL INDICATOR SYMBOL |(?:(?:CROSSED )?NEGATIVE )?(?:CIRCLED|SQUARED) )?"
    r"(?:LATIN )?(?:SMALL |CAPITAL )?LETTER (?:SMALL CAPITAL )?([A-Z])(?: WITH .*)?"
)  # names of characters that are a Latin letter in another shape (Unicode Character Database)


class Fold(dict[int, str]):
    """A table for str.translate that finds out about each character when it first meets it."""

    __hash__ = object.__hash__  # type: ignore[assignment]  # one table is itself, whatever it has met so far

    def __init__(self, one: Callable[[str], str], ascii_text: Callable[[str], str]) -> None:
        """`one` character's letters; `ascii_text`: the same of a whole ASCII text, faster."""
        super().__init__()
        self._one, self._ascii = one, ascii_text
        self._last = "", ""  # a text and its letters: several searches ask for those of a long text, one after another

    def __missing__(self, point: int) -> str:
        self[point] = found = self._one(chr(point))
        return found

    def text(self, text: str) -> str:
        """The letters of `text` only, and what stands between them."""
        last, letters = self._last
        if text != last:
            parts = text.split("\0")
            letters = "\0".join(self._ascii(part) if part.isascii() else part.translate(self) for part in parts)
            self._last = text, letters
        return letters

    def placed(self, text: str) -> tuple[str, tuple[int, ...]]:
        """The same, and for each of its characters the place in `text` that it came from."""
        letters = [self[ord(character)] for character in text]
        return "".join(letters), tuple(place for place, some in enumerate(letters) for _ in some)


def _seen(character: str) -> str:
    """Compatibility forms undone; without marks and invisible characters."""
    base = unicodedata.normalize("NFKD", character)
    return "".join(c for c in base if unicodedata.category(c) not in ("Mn", "Me", "Cf") and c not in _UNSEEN)


def _plain(character: str) -> str:
    return _seen(_seen(character).casefold()).translate(_LETTERS)


def _with_case(character: str) -> str:
    return _seen(character)


def _alike(character: str) -> str:
    combining = _LATIN.fullmatch(unicodedata.name(character, ""))
    if combining and not character.isascii() and not unicodedata.normalize("NFKD", character).isascii():
        return _plain(combining[1]).translate(_ASCII_ALIKE)
    shapes = "".join(c if c.isascii() else _confusables().get(c, c) for c in _seen(character))
    return "".join(_plain(c) for c in shapes).translate(_ASCII_ALIKE)


@lru_cache(maxsize=1)
def _confusables() -> dict[str, str]:
    """Character -> the ASCII letters that it looks like. Read when the first letter that is not ASCII is met."""
    from confusable_homoglyphs.confusables import confusables_data

    found: dict[str, str] = {}
    for character, others in confusables_data.items():
        shapes = [other["c"] for other in others if other["c"].isascii() and other["c"].isalpha()]
        if shapes and len(character) == 1 and not character.isascii():
            found[character] = shapes[0]
    return found


def _alike_ascii(text: str) -> str:
    for letter, other in _ASCII_ALIKE.items():
        text = text.replace(chr(letter), other)
    return text


PLAIN = Fold(_plain, str.lower)
ALIKE = Fold(_alike, lambda text: _alike_ascii(text.lower()))
CASED = Fold(_with_case, str)
FOLDS = (PLAIN, ALIKE)

_ESCAPED = re.compile(r"(?:\\u[0-9a-fA-F]{4})+")
_TWICE = re.compile(
    "[\u00c2-\u00f4][\u0080-\u00bf\u0152-\u2122]"
)  # the octets of UTF-8 read as Latin 1 or Windows-1252


def readings(text: str) -> Iterator[str]:
    """The text, and the texts it may stand for: percent-encoding (RFC 3986, 2.1), character references of HTML, JSON
    escapes (RFC 8259, 7) undone, also within one another; UTF-8 that was read as Windows-1252."""
    yield text
    for _ in range(3):
        plain = _unescaped(text)
        if plain == text:
            return
        yield plain
        text = plain


def _unescaped(text: str) -> str:
    if "&" in text:
        text = html.unescape(text)
    if "\\u" in text:
        text = _ESCAPED.sub(_json, text)
    if "%" in text:
        text = unquote(text, errors="ignore")
    if _TWICE.search(text):
        for codec in ("latin-1", "cp1252"):
            try:
                return text.encode(codec).decode("utf-8")
            except UnicodeError:
                continue
        return _TWICE_RUN.sub(_once, text)
    return text


def _json(match: re.Match[str]) -> str:
    text = str(json.loads(f'"{match[0]}"'))
    return text.encode("utf-16-le", "surrogatepass").decode("utf-16-le", "ignore")


_TWICE_RUN = re.compile("(?:[\u00c2-\u00f4][\u0080-\u00bf\u0152-\u2122]{1,3})+")


def _once(match: re.Match[str]) -> str:
    for codec in ("latin-1", "cp1252"):
        try:
            return match[0].encode(codec).decode("utf-8")
        except UnicodeError:
            continue
    return match[0]


_HUMP = re.compile(r"(?<=[^\W\d_])(?=[A-Z])(?<=[a-z])|(?<=[A-Z])(?=[A-Z][a-z])")


def words_apart(text: str) -> str:
    """The text with a space where a capital begins a word within a word: "#TeamAdaHolm" is "#Team Ada Holm"."""
    return _HUMP.sub(" ", CASED.text(text))


def cased(letter: str) -> bool:
    """Whether the letter is of a script with capitals, or a digit: there, words stand apart."""
    return letter.upper() != letter.lower() or letter.isdigit()
