"""Yes and no as people type them into a table, in English and in the language of the shoot."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from functools import lru_cache

# Language -> words for yes, words for no; the last ones are what spreadsheets there show for TRUE and FALSE.
# From memory, after the lists of POSIX locales (LC_MESSAGES: yesstr, yesexpr, nostr, noexpr). Accents may be left out.
_WORDS = {
    "en": ("yes y true 1", "no n false 0"),
    "af": ("ja j waar", "nee n onwaar"),
    "ar": ("نعم ن", "لا ل كلا"),
    "az": ("bəli hə b", "xeyr yox x"),
    "be": ("так т ісціна", "не н хлусня"),
    "bg": ("да д истина", "не н невярно лъжа"),
    "bs": ("da d", "ne n"),
    "ca": ("sí s cert verdader", "no n fals"),
    "cs": ("ano a pravda", "ne n nepravda"),
    "cy": ("ie", "na nage"),
    "da": ("ja j sand", "nej n falsk"),
    "de": ("ja j wahr", "nein n falsch"),
    "el": ("ναι ν αληθής", "όχι ο ψευδής"),
    "es": ("sí s verdadero", "no n falso"),
    "et": ("jah j tõene", "ei e väär"),
    "eu": ("bai b", "ez e"),
    "fa": ("بله آری", "خیر نه"),
    "fi": ("kyllä k tosi", "ei e epätosi"),
    "fo": ("ja j", "nei n"),
    "fr": ("oui o vrai", "non n faux"),
    "ga": ("tá", "níl"),
    "gl": ("si s verdadeiro", "non n falso"),
    "he": ("כן", "לא"),
    "hr": ("da d istina", "ne n laž neistina"),
    "hu": ("igen i igaz", "nem n hamis"),
    "is": ("já j satt", "nei n ósatt"),
    "it": ("sì s vero", "no n falso"),
    "ja": ("はい 可", "いいえ 不可 否"),
    "kk": ("иә", "жоқ"),
    "ko": ("예 네", "아니요 아니오"),
    "lt": ("taip t tiesa", "ne n klaida"),
    "lv": ("jā j patiess", "nē n aplams"),
    "mk": ("да д", "не н"),
    "nb": ("ja j sann", "nei n usann"),
    "nl": ("ja j waar", "nee n onwaar"),
    "nn": ("ja j sann", "nei n usann"),
    "no": ("ja j sann", "nei n usann"),
    "pl": ("tak t prawda", "nie n fałsz"),
    "pt": ("sim s verdadeiro", "não n falso"),
    "ro": ("da d adevărat", "nu n fals"),
    "ru": ("да д истина", "нет н ложь"),
    "sk": ("áno a pravda", "nie n nepravda"),
    "sl": ("da d resnično", "ne n napačno"),
    "sq": ("po p", "jo j"),
    "sr": ("да д da d тачно tačno", "не н ne n нетачно netačno"),
    "sv": ("ja j sant", "nej n falskt"),
    "th": ("ใช่", "ไม่ ไม่ใช่"),
    "tr": ("evet e doğru", "hayır h yanlış"),
    "uk": ("так т істина", "ні н хибність"),
    "vi": ("có", "không"),
    "zh": ("是", "否 不"),
}
_LETTERS = str.maketrans("ıłŁ", "ilL")  # what Unicode does not decompose
# Marks that a person sets against some names only. What the empty cells beside them mean, nobody can know.
_TICKS = frozenset(["✓", "✔", "☑"])
_MARKS = _TICKS | {"x", "+", "*"}


def yes_or_no(text: str, *, default: bool | None, languages: Sequence[str] = ()) -> bool | None:
    """The answer of one cell: English words and those of `languages` (BCP 47), whatever the case and accents.

    `default` where the cell is empty; None for anything else, and for a word that is yes in one of the languages and
    no in another.
    """
    word = _plain(text)
    if not word:
        return default
    known = [_WORDS[code] for code in dict.fromkeys(("en", *map(_primary, languages))) if code in _WORDS]
    yes, no = (any(word in map(_plain, words[side].split()) for words in known) for side in (0, 1))
    return None if yes == no else yes


def is_no_anywhere(word: str) -> bool:
    """Whether a word is no in some language, and yes in none."""
    return yes_or_no(word, default=None, languages=tuple(_WORDS)) is False


def is_mark(text: str) -> bool:
    """Whether a cell holds a tick or a cross, which means something only beside others."""
    return text.casefold() in _MARKS


def is_tick(text: str) -> bool:
    """Whether a mark is one that means yes beside any other answer."""
    return text in _TICKS


def _primary(language: str) -> str:
    return language.lower().split("-")[0]


@lru_cache(maxsize=4096)  # the words of all languages are compared with each cell
def _plain(text: str) -> str:
    text = text.translate(_LETTERS).strip()
    text = text.rstrip(".!") or text  # a lone ! is an answer, if no clear one
    decomposed = unicodedata.normalize("NFKD", text.casefold())
    return "".join(letter for letter in decomposed if unicodedata.category(letter) not in ("Mn", "Cf"))
