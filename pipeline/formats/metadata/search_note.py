"""Texts in the maker note of a camera, whose form nobody has published, to search for names: some cameras write whom
they recognise."""

from __future__ import annotations

import re
from collections.abc import Iterator

_SIGNS = " .,'_-"  # between the words of a name
_LETTER = rb"(?:[A-Za-z]|[\xc3-\xf4][\x80-\xbf]{1,3})"  # ASCII or UTF-8
# Several words with next to nothing but signs of names between them; or East Asian letters, which need no words.
_WORDS = re.compile(rb"(?<![A-Za-z])(?:" + _LETTER + rb"{1,63}[ .,'_-]{1,32})+" + _LETTER + rb"{1,63}")
_EAST_ASIAN = re.compile(rb"(?:[\xe3-\xed][\x80-\xbf]{2}){2,63}")
# The same in one octet a letter, half of them ASCII at least: in a note of numbers such octets are everywhere. Others
# may touch a name: it is tried from each of the first and without the last that are no ASCII.
_OCTET = rb"[A-Za-z\x80-\xff]"
_OCTETS = re.compile(rb"(?<!" + _OCTET + rb")" + _OCTET + rb"++(?:[ .,'_-]{1,32}+" + _OCTET + rb"++)++")
_LONG_END = re.compile(rb"^" + _OCTET + rb"+(?=" + _OCTET + rb"{64})|(?<=" + _OCTET + rb"{64})" + _OCTET + rb"+$")
_CODECS = ("cp1252", "cp1250", "iso8859-2")  # of letters of Latin script; common practice, no source
_EDGE = 4
# In two octets a letter: Latin, Greek and Cyrillic; East Asian letters where a NUL, or the end, is on both sides.
_ALPHABETIC = "A-Za-z\u00c0-\u024f\u0370-\u03ff\u0400-\u052f\u1e00-\u1eff"
_WIDE = re.compile(
    rf"(?:[{_ALPHABETIC}]{{1,63}}[{_SIGNS}]{{1,32}})+[{_ALPHABETIC}]{{1,63}}"
    r"|(?<![^\0])[\u3040-\u30ff\u3400-\u9fff\uac00-\ud7af]{2,63}(?![^\0])"
)
_ASCII, _HIGH = bytes(range(0x80)), bytes(range(0x80, 0x100))
# A value of one word: given name and surname may be two of them.
_VALUE = re.compile(rb"(?<![A-Za-z\x80-\xff])" + _OCTET + rb"{2,63}+(?=\0|$)")
_WIDE_VALUE = re.compile(rf"(?<![{_ALPHABETIC}])[{_ALPHABETIC}]{{2,63}}+(?=\0|$)")


def texts_of_note(data: bytes) -> tuple[str, ...]:
    """What may be texts of several words, or values of one that follow each other, in ASCII, UTF-8, one octet a letter
    or UTF-16."""
    return tuple(dict.fromkeys(_every(data)))


def _every(data: bytes) -> Iterator[str]:
    yield from (words.decode("utf-8", "ignore") for words in _EAST_ASIAN.findall(data))
    for octets in _OCTETS.findall(data):
        yield from (words.decode("utf-8", "ignore") for words in _WORDS.findall(octets))
        words = _LONG_END.sub(b"", octets)
        if not words.isascii() and _is_mostly_ascii(words):
            texts = (edge.decode(codec, "replace") for edge in _edges(words) for codec in _CODECS)
            yield from (text for text in texts if all(sign.isalpha() or sign in _SIGNS for sign in text))
    values = [value for value in _VALUE.findall(data) if _is_mostly_ascii(value)]
    if len(values) > 1:
        yield from (b" ".join(values).decode(codec, "ignore") for codec in ("utf-8", *_CODECS))
    for codec in ("utf-16-le", "utf-16-be"):
        for start in range(2):
            text = data[start:].decode(codec, "replace")
            yield from _WIDE.findall(text)
            yield " ".join(_WIDE_VALUE.findall(text))


def _is_mostly_ascii(words: bytes) -> bool:
    return 2 * len(words.translate(None, _ASCII)) <= len(words)


def _edges(words: bytes) -> Iterator[bytes]:
    """The words, without up to _EDGE octets before them that are no ASCII, and with or without such behind."""
    before = next(at for at, octet in enumerate(words) if octet < 0x80)
    for start in range(min(before, _EDGE) + 1):
        yield words[start:]
        yield words[start:].rstrip(_HIGH)
