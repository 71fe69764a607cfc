"""Finding a person's name in a text that somebody typed, whatever its case, accents, spacing and order."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence

# Letters that Unicode does not decompose, and what people type for them.
_LETTERS = str.maketrans({"ł": "l", "đ": "d", "ø": "o", "\u0131": "i", "ħ": "h", "æ": "ae", "œ": "oe",
                          "ð": "d", "þ": "th", "ŧ": "t", "ŋ": "n"})  # fmt: skip


def _folded(text: str) -> tuple[str, list[int]]:
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
    return "".join(letters), places


def name_pattern(name: str) -> re.Pattern[str] | None:
    """For the folded form of a text: the whole name, anything but letters between its parts, in its order or
    with the first or last part moved to the other end. None for a name without letters.
    """
    parts = re.findall(r"[^\W_]+", _folded(name)[0])
    if not parts:
        return None
    orders = {tuple(parts), (parts[-1], *parts[:-1]), (*parts[1:], parts[0])}
    bodies = ((r"[\W_]*".join(map(re.escape, order)), order) for order in sorted(orders))
    return re.compile("|".join(_bounded(body, order) for body, order in bodies))


def _bounded(body: str, order: Sequence[str]) -> str:
    """Word boundaries where the script has capitals: Arabic joins words to names, Chinese has no spaces."""
    before = r"(?<![^\W_])" if _cased(order[0][0]) else ""
    after = r"(?![^\W_])" if _cased(order[-1][-1]) else ""
    return before + body + after


def _cased(letter: str) -> bool:
    return letter.upper() != letter.lower() or letter.isdigit()


def replace_name(text: str, pattern: re.Pattern[str], unnamed: str) -> str:
    """`text` with `unnamed` for every place where `pattern` (of `name_pattern`) finds the name."""
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


def has_part_of_name(text: str, name: str) -> bool:
    """Whether a word of `text` is, or begins with, a part of the name with three letters or more."""
    words = re.findall(r"[^\W_]+", _folded(text)[0])
    parts = [part for part in re.findall(r"[^\W_]+", _folded(name)[0]) if len(part) >= 3]
    return any(word.startswith(part) for word in words for part in parts)
