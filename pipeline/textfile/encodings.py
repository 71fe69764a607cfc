"""Text whose encoding nobody wrote down: Unicode where that shows, else a code page, which is a guess."""

from __future__ import annotations

import codecs
import re
import unicodedata
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise, zip_longest

from babel import Locale, UnknownLocaleError


@dataclass(frozen=True)
class Reading:
    """The text of a file.

    encoding  in words; page: the code page, as Python names it, "" where the text is Unicode
    others    every other code page that its bytes fit; empty where there is nothing to guess
    line      the first line where the likeliest of these differs, from 1; 0 where none does
    codec     the encoding, as Python names it; mark: the byte order mark before the text
    """

    text: str
    encoding: str
    page: str = ""
    others: tuple[str, ...] = ()
    line: int = 0
    codec: str = "utf-8"
    mark: bytes = b""

    def otherwise(self, part: str) -> tuple[str, ...]:
        """What a part of the text may be under other code pages, the likeliest first: the first few that differ in
        more than accents and capitals."""
        if not self.others or part.isascii():
            return ()
        found = {_bare(part): part}
        for page in self.others:
            with suppress(UnicodeError):
                text = part.encode(self.page).decode(page)
                found.setdefault(_bare(text), text)
            if len(found) > GUESS.likeliest:
                break
        return tuple(found.values())[1:]


class UnreadableTextError(ValueError):
    """No encoding fits: the message says why; `line` where, from 1, or 0."""

    def __init__(self, message: str, line: int = 0) -> None:
        super().__init__(message)
        self.line = line


_MARKS = (
    (codecs.BOM_UTF8, "utf-8", "UTF-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le", "UTF-32"),  # before UTF-16, whose mark it begins with
    (codecs.BOM_UTF32_BE, "utf-32-be", "UTF-32"),
    (codecs.BOM_UTF16_LE, "utf-16-le", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16-be", "UTF-16"),
)
_OTHER_FILES = (
    (b"PK\x03\x04", "is a spreadsheet's own file (xlsx or ods), whatever its name says"),
    (b"\xd0\xcf\x11\xe0", "is a spreadsheet's own file (xls), whatever its name says"),
)

# The code pages in which spreadsheets of a language save text, the likeliest first: of Windows, DOS, ISO 8859 and Mac.
# Microsoft's and Apple's lists of code pages by language, from memory.
_PAGES = {
    **dict.fromkeys(
        ("en", "de", "fr", "es", "pt", "it", "nl", "sv", "fi", "ca"), ("cp1252", "cp850", "iso8859_15", "mac_roman"),
    ),
    **dict.fromkeys(("da", "nb", "nn", "no"), ("cp1252", "cp850", "cp865", "iso8859_15", "mac_roman")),
    "is": ("cp1252", "cp861", "iso8859_1", "mac_iceland"),
    **dict.fromkeys(("cs", "hu", "pl", "sk", "sl", "sq"), ("cp1250", "cp852", "iso8859_2", "mac_latin2")),
    **dict.fromkeys(("bs", "hr"), ("cp1250", "cp852", "iso8859_2", "mac_croatian")),
    "ro": ("cp1250", "cp852", "iso8859_16", "mac_romanian"),
    **dict.fromkeys(("ru", "uk", "be", "bg", "mk", "kk", "ky", "mn", "tg", "tt"),
                    ("cp1251", "cp866", "koi8_u", "iso8859_5", "mac_cyrillic")),
    "sr": ("cp1251", "cp1250", "cp855", "iso8859_5", "mac_cyrillic", "mac_croatian"),
    "el": ("cp1253", "cp737", "iso8859_7", "mac_greek", "cp869"),
    **dict.fromkeys(("tr", "az"), ("cp1254", "cp857", "iso8859_9", "mac_turkish")),
    **dict.fromkeys(("et", "lt", "lv"), ("cp1257", "cp775", "iso8859_13", "mac_latin2")),
    "he": ("cp1255", "cp862", "iso8859_8"),
    **dict.fromkeys(("ar", "fa", "ur"), ("cp1256", "cp720", "iso8859_6")),
    "vi": ("cp1258",),
    "th": ("cp874",),
    "ja": ("cp932", "euc_jp"),
    "ko": ("cp949",),
    "zh": ("gb18030", "cp950"),
}  # fmt: skip
_IN_WORDS = {"gb18030": "GB 18030", "euc_jp": "EUC-JP", "koi8_u": "KOI8-U"}

_INSIDE = frozenset("'’-‐·.`´")  # what stands between two letters of a word
_AROUND = frozenset("µ’“”„‚«»‹›–—…°ºª€§№¿¡、。・，；：（）「」")  # what stands beside words in ordinary texts
_WORD = re.compile(r'[^ \t\r\n,;"]+')
_MARKS_OF_UTF_7 = tuple(b"+/v" + sign for sign in (b"8", b"9", b"+", b"/"))  # U+FEFF, by what follows it
# RFC 2152: a letter takes three signs of base 64; digits alone are a telephone number.
_SHIFTED = re.compile(rb"\+(?!\d+(?![A-Za-z0-9+/]))[A-Za-z0-9+/]{3}")
_TWO_BYTES = "\u07ff"  # the last letter that UTF-8 writes as two bytes


@dataclass(frozen=True)
class GuessConstants:
    """How wrong a reading looks for each of its words; chosen on the tables of tests/textfile, no source.

    strange  a sign that belongs in no word; mixed  letters of two scripts; capital  one inside a word
    foreign  a letter that the language has not
    likeliest  readings of a part that count; tests/textfile/test_encodings.py shows where the right one stands
    broken   share of what is not ASCII: damaged UTF-8 up to it, another encoding above
    """

    strange: int = 3
    mixed: int = 3
    capital: int = 2
    foreign: int = 1
    likeliest: int = 12
    broken: float = 0.1


GUESS = GuessConstants()


def read_text(raw: bytes, languages: Sequence[str] = ()) -> Reading:
    """The text of a file's bytes, without a byte order mark.

    languages  codes (BCP 47) that the text may be in, the likeliest first; they say which code pages are likely

    UTF-8 and UTF-16 are known by their form (Unicode 15.1, 3.9 and 23.8). Any other text is read in the code page
    that gives the most ordinary words: of letters of one script, of the languages' own alphabets (those of the names
    that CLDR has in them), with no capital inside. Raises UnreadableTextError where the bytes are no text.
    """
    for mark, codec, name in _MARKS:
        if raw.startswith(mark):
            return Reading(_strictly(raw[len(mark) :], codec, name), name, codec=codec, mark=mark)
    for sign, why in _OTHER_FILES:
        if raw.startswith(sign):
            raise UnreadableTextError(why)
    if b"\0" in raw[:4]:
        codec = "utf-16-le" if raw[:1] != b"\0" else "utf-16-be"
        return Reading(_strictly(raw, codec, "UTF-16"), "UTF-16", codec=codec)
    if _is_utf_7(raw):
        raise UnreadableTextError("is UTF-7, in which letters such as ø stand as +APg-")
    start = 0
    try:
        text = raw.decode("utf-8")
        words = _foreign_words(text)
        if not words or max(map(max, words)) > _TWO_BYTES or not all(map(_is_mixed, words)):
            return Reading(text, "UTF-8")  # else a few letters of a code page may look like UTF-8 by chance
    except UnicodeDecodeError as error:
        start = error.start
        tolerant = raw.decode("utf-8", "surrogateescape")
        broken = sum("\udc80" <= letter <= "\udcff" for letter in tolerant)
        if broken <= GUESS.broken * sum(letter > "\x7f" for letter in tolerant):
            raise UnreadableTextError("is UTF-8 but for some letters", _line_of(raw, start)) from None
    found = _by_code_page(raw, languages)
    if found is None:
        raise UnreadableTextError("is in no encoding that is known here", _line_of(raw, start))
    return Reading(found.text, found.encoding) if found.page == "utf-8" else found


def _is_utf_7(raw: bytes) -> bool:
    """Whether bytes that are all ASCII are letters shifted as in RFC 2152: read as they stand, no name is right.

    One plus sign before a word may decode by chance, to a letter of a distant script.
    """
    if raw.startswith(_MARKS_OF_UTF_7):
        return True
    if not raw.isascii() or not _SHIFTED.search(raw):
        return False
    try:
        text = raw.decode("utf-7")
    except UnicodeDecodeError:
        return False
    letters = [letter for letter in text if letter > "\x7f"]
    ordinary = not any(map(_faults, _foreign_words(text)))
    return ordinary and (len(letters) > 1 or all(letter <= _TWO_BYTES for letter in letters))


def _strictly(raw: bytes, codec: str, name: str) -> str:
    try:
        return raw.decode(codec)
    except UnicodeDecodeError:
        raise UnreadableTextError(f"is {name} text with a part that is damaged") from None


def _line_of(raw: bytes, place: int) -> int:
    return len(re.findall(rb"\r\n|\r|\n", raw[:place])) + 1


def _by_code_page(raw: bytes, languages: Sequence[str]) -> Reading | None:
    """The likeliest reading by a code page that the bytes fit, without control characters; None where there is none."""
    own = tuple(dict.fromkeys(code.lower().split("-")[0] for code in languages))
    found: dict[str, str] = {}  # text -> code page
    for page in _candidates(own):
        try:
            text = raw.decode(page)
        except UnicodeDecodeError:
            continue
        if not re.search(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]", text):
            found.setdefault(text, page)
    order = sorted(found, key=lambda text: _strangeness(text, found[text], own))  # of two alike, the likelier code page
    if not order:
        return None
    pages = [found[text] for text in order]
    return Reading(order[0], _named(pages[0]), pages[0], tuple(pages[1:]), _first_difference(order), pages[0])


def _candidates(own: Sequence[str]) -> list[str]:
    """UTF-8, then every code page: those of the languages first, then those of Windows, then the rest."""
    ours = [_PAGES.get(code, _PAGES["en"]) for code in (*own, "en")]
    every = list(dict.fromkeys(_PAGES.values()))
    ranked = [("utf-8",), *zip_longest(*ours), *zip_longest(*every)]
    return [page for page in dict.fromkeys(page for pages in ranked for page in pages) if page]


def _named(page: str) -> str:
    if page == "utf-8":
        return "UTF-8"
    if page in _IN_WORDS:
        return _IN_WORDS[page]
    if page.startswith("mac_"):
        return f"Mac {page[4:].capitalize()}"
    if page.startswith("iso"):
        return f"ISO 8859-{page.partition('_')[2]}"
    number = page.removeprefix("cp")
    windows = number.startswith("12") or number in ("874", "932", "949", "950")
    return f"Windows-{number}" if windows else f"DOS code page {number}"


def _first_difference(order: Sequence[str]) -> int:
    if len(order) < 2:
        return 0
    lines = zip(*(re.split(r"\r\n|\r|\n", text) for text in order[:2]), strict=False)
    return next((number for number, (one, other) in enumerate(lines, 1) if one != other), 0)


@lru_cache(maxsize=64)
def _alphabet(language: str) -> frozenset[str]:
    """The letters that CLDR's names of languages, countries and months have in a language; none where it has none."""
    try:
        locale = Locale.parse(language.replace("-", "_"))
    except (UnknownLocaleError, ValueError):
        return frozenset()
    words = [*locale.languages.values(), *locale.territories.values(), *locale.months["format"]["wide"].values()]
    letters = set("".join(words))
    return frozenset(letters | {letter.upper() for letter in letters if len(letter.upper()) == 1})


def _foreign_words(text: str) -> set[str]:
    """The words that are not plain ASCII."""
    return set() if text.isascii() else {word for word in _WORD.findall(text) if not word.isascii()}


def _strangeness(text: str, page: str, own: Sequence[str]) -> int:
    """How little a reading looks like a text in the languages, or else in one that the code page is made for."""
    words = _foreign_words(text)
    if page == "utf-8":
        return sum(map(_faults, words))
    letters = [{letter for letter in word if letter > "\x7f" and letter.isalpha()} for word in words]
    made_for = [code for code, pages in _PAGES.items() if page in pages and code not in own]
    hypotheses = [(frozenset().union(*map(_alphabet, own)), 0), *((_alphabet(code), 1) for code in made_for)]
    foreign = min(other + sum(not some <= alphabet for some in letters) for alphabet, other in hypotheses)
    return GUESS.foreign * foreign + sum(map(_faults, words))


def _faults(word: str) -> int:
    faults = 0
    if _is_mixed(word):
        faults += GUESS.mixed
    if any(not _ordinary(word, at) for at, letter in enumerate(word) if letter > "\x7f"):
        faults += GUESS.strange
    if any(_capital_inside(piece) for piece in re.findall(r"[^\W\d_]+", word)):
        faults += GUESS.capital
    return faults


def _is_mixed(word: str) -> bool:
    """Whether a word has letters of more than one script."""
    letters = [letter for letter in word if (letter.isalpha() or _is_mark(letter)) and letter not in _AROUND]
    return len({_script(letter) for letter in letters} - {"COMBINING"}) > 1


def _ordinary(word: str, at: int) -> bool:
    """Whether what stands there belongs in an ordinary word, or beside one."""
    letter, category = word[at], unicodedata.category(word[at])
    if category in ("Lu", "Ll", "Lo", "Mn", "Mc") or (category == "Lm" and letter > "\u0e00"):
        return letter not in "ªº" or not word[at + 1 : at + 2].isalpha()
    if 0 < at < len(word) - 1 and word[at - 1].isalpha() and word[at + 1].isalpha():
        return letter in _INSIDE
    return letter in _AROUND or category in ("Nd", "Zs")


def _capital_inside(piece: str) -> bool:
    """A capital after a small letter, or a small one between capitals, one of the two not ASCII."""
    for (one, other), after in zip(pairwise(piece), (*piece[2:], ""), strict=False):
        if max(one, other) > "\x7f":
            if one.islower() and other.isupper():
                return True
            if one.isupper() and other.islower() and after.isupper() and other != "ß":
                return True
    return False


def _script(letter: str) -> str:
    name = unicodedata.name(letter, "").partition(" ")[0]
    return "CJK" if name in ("HIRAGANA", "KATAKANA", "KATAKANA-HIRAGANA", "HANGUL", "IDEOGRAPHIC") else name


def _bare(text: str) -> str:
    return "".join(c for c in unicodedata.normalize("NFKD", text).casefold() if not _is_mark(c))


def only_letters(text: str) -> bool:
    """Whether a name so read is made of letters and what joins them, as opposed to the debris of a wrong code page."""
    return all(letter.isalpha() or letter.isspace() or letter in _INSIDE or _is_mark(letter) for letter in text)


def _is_mark(letter: str) -> bool:
    return unicodedata.category(letter) in ("Mn", "Mc")


def control_character(text: str) -> tuple[int, int] | None:
    """(line, column), from 1, of the first control character other than a tab or line end, which no table has."""
    match = re.search(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]", text)
    if match is None:
        return None
    lines = re.split(r"\r\n|\r|\n", text[: match.start()])
    return len(lines), len(lines[-1]) + 1
