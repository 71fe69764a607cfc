"""The cell with a player's name in roster.csv: the name, and what somebody wrote beside it that may say no.

What people write there is common practice, no source; the words are from memory.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Sequence

from pipeline.shoot.names import LONGEST_NAME, is_part_of, same_name
from pipeline.shoot.names.spelled import parts_of
from pipeline.textfile.yes_no import is_mark, is_no_anywhere, yes_or_no

# A word of two letters or more at the end of a cell, or at its beginning.
_BESIDE = (
    re.compile(r"(?P<name>.*\w)(?P<by>\W+)(?P<word>[^\W\d_]{2,})\W*", re.DOTALL),
    re.compile(r"\W*(?P<word>[^\W\d_]{2,})(?P<by>\W+)(?P<name>\w.*)", re.DOTALL),
)
_IN_NAMES = re.compile(r"[\s'’.\u2010-]*")  # what stands between the words of a name
_ROWS_IN_ONE = re.compile(r"(?s)(?=.*[\r\n]).*[,;\t]")  # several rows between quotes
# Signs of names and of what lists put beside them, as in O'Neil, "Berg, Ida", Ida "Idi" Berg (C).
_SIGNS = frozenset("'’‘ʼ`´.·・,\"“”„«»()（）&/_-‐‑‒–—")
_OVERLAYS = re.compile("[\u0334-\u0338\u20d0-\u20f0]")  # letters that are struck through, or ringed
_AT_AN_END = re.compile(r"^[-‐‑‒–—]|[-‐‑‒–—]$|^[(（].*[)）]$", re.DOTALL)
_MARK = re.compile(r"(?:^|\s)(?P<mark>\w)(?:\s|$)|[(（]\s*(?P<inside>\w)\s*[)）]")
_WORD = re.compile(r"[^\W\d_]+")
_NOTE = re.compile(r"(?<=[^\W\d_]{3})\d+$")  # of a footnote
_INSIDE = "'’‐-"
_BRACKETS = re.compile(r"[(（\[{<].*?[)）\]}>]|[\"“„«].*?[\"”“»]")
_PARTS = re.compile(r"\s*[(（)）\[\]{}<>:;,|/&+]+\s*|\s+(?:[-‐‑‒–—]+|and|og|och|und|et|en|e|y|i|ja|oraz)\s+")
_SURNAME_FIRST = re.compile(r"(?P<surname>[^,]+),(?P<given>[^,]+)")
_SHORT = 3  # letters of a position such as GK
_TITLES = (
    "mr mrs ms miss mx sir madam dr prof phd nr number nummer jr sr jnr snr junior senior captain capt keeper "
    "goalkeeper goalie coach herr frau fräulein frl fru fr frøken fröken frk hr frú herra torwart kapitän trainer "
    "målvakt målmann kaptein kapten heer dhr mevr mevrouw mw meneer juffrouw monsieur madame mademoiselle mme mlle "
    "señor señora señorita sra srta don doña dña sig signor signore signora signorina dott senhor senhora dona pan "
    "pani paní slečna rouva neiti härra proua preili gospodin gospođa gđa domnul doamna bay bayan bey hanım úr "
    "господин госпожа г-н г-жа пан пані κ κα κος κύριος κυρία السيد السيدة الآنسة"
)
# What stands behind a name, where words are not set apart, or with a hyphen.
_HONORIFICS = re.compile(r"(?<=\w\w)(?:さん|様|さま|君|くん|ちゃん|選手|先生|氏|씨|님|선수|女士|小姐|同学)$")
_WITH_HYPHEN = re.compile(r"(?i)[‐-](?:san|sama|kun|chan|senshu|ssi|nim)$")
# What lists put before a name or, with the number, behind it: a bullet, the shirt.
_BULLET = re.compile(r"([•‣▪∙·–—-])\s+(?=[\w#])")
_SHIRT_BEFORE = re.compile(r"(?i)(?:#|(?:no|nr|n)[.°º]?|№)?\s*\(?(\d+)\)?[.):]*\s*[-–—]?\s+(?=[^\W\d_])")
_SHIRT_BEHIND = re.compile(r"(?<=\w)\s+(?:\(#?(\d+)\)|#(\d+))$")
_LISTED = 3  # names with one bullet; fewer may be marked by it. No source
_PICTURES = (
    "photo photos photograph photographs photographed picture pictures pic pics image images publish published "
    "publication consent permission gdpr foto fotos bild bilder bilde veröffentlichen veröffentlicht veröffentlichung "
    "einwilligung dsgvo publiseres publiceras samtykke samtycke publier publié autorisation imagen publicar "
    "consentimiento immagine pubblicare consenso publiceren toestemming zdjęcie zdjęcia zdjęć publikować zgody imagem "
    "consentimento kuva kuvia julkaista souhlas 写真 掲載"
)
_NOT = "not never without nicht kein keine keinen ohne ikke ikkje inte pas sans brak bez zonder geen"
_IS_TITLE, _OF_PICTURES, _DENIES = (frozenset(words.split()) for words in (_TITLES, _PICTURES, _NOT))


def without_no(written: str, languages: Sequence[str]) -> str:
    """The name without a no that was typed beside it, as in "Ida Berg (no)"; no name ends in a small one, and No Min-ji
    is a name."""
    for pattern in _BESIDE if len(written) <= LONGEST_NAME else ():
        if match := pattern.fullmatch(written):
            word, name = match["word"], match["name"]
            is_apart = not _IN_NAMES.fullmatch(match["by"]) or (word.isupper() and not name.isupper())
            if (word.islower() or is_apart) and yes_or_no(word, default=True, languages=languages) is False:
                return name
    return written


def as_in_a_list(cells: Sequence[tuple[str, str]]) -> list[str]:
    """Of each (cell with a name, shirt number) the cell without what lists have beside names, which says nothing of
    the player: that number, and a bullet, where all have the same."""
    bullets = [match and match[1] for name, _ in cells if name for match in [_BULLET.match(name)]]
    are_listed = len(bullets) >= _LISTED and len({*bullets}) == 1 and bullets[0] is not None
    found: list[str] = []
    for name, worn in cells:
        left = _BULLET.sub("", name, count=1) if are_listed else name
        for pattern in (_SHIRT_BEFORE, _SHIRT_BEHIND):
            match = pattern.match(left) if pattern is _SHIRT_BEFORE else pattern.search(left)
            if match and worn in match.groups():
                left = left[: match.start()] + left[match.end() :]
        found.append(left)
    return found


def wrong_name(written: str, name: str, *, answered: bool) -> str:
    """Why a cell holds no name, more than one, or something that may say no; "" where it holds a name.

    name  without a no beside it; answered  whether something stands under `publish`
    """
    if not written:
        return "empty; write the player's name"
    if len(written) > LONGEST_NAME:
        return f"longer than {LONGEST_NAME} letters; write the player's name only"
    if _ROWS_IN_ONE.match(written):
        return "holds more than one line; a quote is missing there, or one too many"
    if not any(map(str.isalpha, written)):
        return f"{written} has no letters; write the player's name"
    if name != written:
        return f"{written} has a no in it, which belongs under publish"
    return _doubt(written, answered)


def names_in(written: str, name: str, others: Collection[str] = ()) -> tuple[str, ...]:
    """Every name that a cell may mean, `name` first: also without nicknames between brackets, titles, positions and
    whatever else lists have beside names, in the order of speech, and each of several that stand in it.

    others  what may stand beside a name and is none, such as the teams: withheld, it would hold back every frame
    """
    if not name or len(name) > LONGEST_NAME:
        return ("",)
    plain = _OVERLAYS.sub("", written)
    apart = (part for part in _PARTS.split(plain) if not any(map(_says, _WORD.findall(part))))
    outside = _BRACKETS.sub(" ", plain)
    spoken = [
        f"{given} {surname.title() if surname.isupper() else surname}"  # MO is no position here
        for surname, given in _SURNAME_FIRST.findall(outside)
    ]
    parts = (plain, outside, *spoken, *apart)
    found = dict.fromkeys(" ".join(words) for part in parts if len(words := _without_titles(_words(part))) > 1)
    found |= dict.fromkeys(short for one in (name, *found) if (short := _HONORIFICS.sub("", one)) != one)
    known = [one for one in found if any(same_name(one, other) or is_part_of(one, other) for other in others)]
    return (name, *(one for one in found if one not in known and parts_of(one) != parts_of(name)))


def _words(text: str) -> list[str]:
    """The words of a text, with apostrophes and hyphens inside them, whatever the script."""
    kept = "".join(
        sign if unicodedata.category(sign)[0] in "LM" or sign.isdecimal() or sign in _INSIDE else " " for sign in text
    )
    words = (_WITH_HYPHEN.sub("", one.strip(_INSIDE)) for one in kept.split())
    return [_NOTE.sub("", word) for word in words if word]


def _without_titles(words: list[str]) -> list[str]:
    """The words of a name, less those at either end that are none of it."""
    is_capital, is_small = all(map(str.isupper, words)), all(map(str.islower, words))

    def is_beside(word: str) -> bool:
        return (
            any(map(str.isdigit, word))
            or word.casefold() in _IS_TITLE
            or _says(word)
            or (word.islower() and not is_small)
            or (word.isupper() and not is_capital and len(word) <= _SHORT)
            or ((is_capital or is_small) and len(word) < _SHORT)
        )

    while words and is_beside(words[-1]):
        words = words[:-1]
    while words and is_beside(words[0]):
        words = words[1:]
    return words


def _doubt(written: str, answered: bool) -> str:
    """What in a cell may say that its player must not be shown, which only an answer settles; "" for nothing."""
    words = [word.casefold() for word in _WORD.findall(written)]
    of_pictures = any(word in _OF_PICTURES for word in words)
    if of_pictures and any(map(_denies, words)):
        return f"{written} seems to say no; write the name alone, and yes or no under publish"
    if answered:
        return ""
    sign = next((sign for sign in written if _is_strange(sign)), "")
    if sign or of_pictures or _AT_AN_END.search(written) or _is_marked(written) or _no_apart(written):
        return f"{written} has more in it than a name, which may mean no; write yes or no under publish"
    return ""


def _says(word: str) -> bool:
    return word.casefold() in _OF_PICTURES or _denies(word.casefold())


def _denies(word: str) -> bool:
    return word in _DENIES or (len(word) > 1 and is_no_anywhere(word))


def _is_strange(sign: str) -> bool:
    """Whether a sign is none of a name."""
    kind = unicodedata.category(sign)
    is_usual = kind[0] in "LZ" or kind in ("Mn", "Mc", "Nd", "Cf") or sign in _SIGNS or sign.isspace()
    return not is_usual or bool(_OVERLAYS.match(sign))


def _is_marked(written: str) -> bool:
    """Whether a lone small x or n stands beside the name, or either between brackets."""
    return any(
        is_mark(sign) or is_no_anywhere(sign)
        for match in _MARK.finditer(written)
        if (sign := match["mark"] or match["inside"]) and (sign.islower() or match["inside"])
    )


def _no_apart(written: str) -> bool:
    """Whether a no of any language stands beside the name, with more than a space between."""
    found = (pattern.fullmatch(written) for pattern in _BESIDE)
    return any(match and not _IN_NAMES.fullmatch(match["by"]) and is_no_anywhere(match["word"]) for match in found)
