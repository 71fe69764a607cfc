"""Octets of a text whose encoding is not known, or said wrongly, as every text that they may stand for.

For searching only: what is found by chance in a wrong reading holds a frame back, and is written nowhere.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterator

# UTF-32 before UTF-16, whose mark is the beginning of the first.
_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"), (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"),
)  # fmt: skip
_WIDE = ("utf-16-le", "utf-16-be", "utf-32-le", "utf-32-be")
# Codec, octets a character, those of them that are zero in ASCII. UTF-32 first, which has the zeros of UTF-16 too.
_ZEROS = (
    ("utf-32-le", 4, (1, 2, 3)), ("utf-32-be", 4, (0, 1, 2)), ("utf-16-le", 2, (1,)), ("utf-16-be", 2, (0,)),
)  # fmt: skip
# What cameras and programs write without saying so; common practice, no source. The first is tried first in XML.
NARROW = ("cp1252", "latin-1", "cp1250", "cp1251", "cp1253", "cp1254", "cp1256", "iso8859-2", "iso8859-5", "iso8859-9",
          "iso8859-10", "iso8859-15", "koi8-r", "mac-roman", "mac-latin2", "cp437", "cp850", "shift_jis", "euc_jp",
          "gb18030", "big5", "euc_kr")  # fmt: skip
_ASCII_SHARE = 0.8  # of octets that makes a text without NULs one of a single octet a character; chosen by hand
_ASCII = bytes(range(32, 127))
_BLANK = b"\0 \t\r\n"


def decodings(data: bytes) -> tuple[str, ...]:
    """Every text that `data` may be, the likeliest first; one where it is UTF-8. None for blanks and NULs only."""
    if not data.strip(_BLANK):
        return ()
    return tuple(dict.fromkeys(_every(data)))


def _every(data: bytes) -> Iterator[str]:
    for mark, codec in _BOMS:
        if data.startswith(mark):
            yield data[len(mark) :].decode(codec, "ignore")
            return
    if b"\x1b" in data:
        yield data.decode("iso2022_jp_2", "ignore")
    if b"\0" in data:
        yield from wide(data)
        data = data.replace(b"\0", b"\n")
    try:
        yield data.decode("utf-8")
        return
    except UnicodeDecodeError:
        pass
    yield data.decode("utf-8", "ignore")
    yield from (data.decode(codec, "ignore") for codec in NARROW)
    if len(data.translate(None, _ASCII)) > (1 - _ASCII_SHARE) * len(data):
        yield from wide(data)


def opaque(data: bytes) -> tuple[str, ...]:
    """The texts that octets of no known form may hold, in the commonest encodings."""
    narrow = (data.decode(codec, "ignore") for codec in ("utf-8", "latin-1"))
    return tuple(dict.fromkeys((*narrow, *list(wide(data))[:4])))


def wide(data: bytes) -> Iterator[str]:
    """The readings of two and four octets a character, in either order, from an even or an odd octet on."""
    for codec in _WIDE:
        for start in range(2 if codec.startswith("utf-16") else 4):
            yield data[start:].decode(codec, "ignore")


def xml_texts(data: bytes) -> Iterator[str]:
    """What an XML document may be as text, the likeliest first, whatever its declaration says (XML 1.0, appendix F)."""
    for mark, codec in _BOMS:
        if data.startswith(mark):
            yield data[len(mark) :].decode(codec, "replace")
            data = data[len(mark) :]
    if b"\0" in data.strip(_BLANK):
        for codec, size, zero in _ZEROS:
            begin = data[: 8 * size]  # a packet begins in ASCII
            if all(set(begin[at::size]) == {0} for at in zero) and any(begin):
                yield data.decode(codec, "replace")
    try:
        yield data.decode("utf-8")
    except UnicodeDecodeError:
        if (declared := _declared(data)) not in ("", "utf-8"):
            yield data.decode(declared, "replace")
        yield from (data.decode(codec, "replace") for codec in NARROW)


def _declared(data: bytes) -> str:
    """The encoding in an XML declaration, "" where there is none that is known."""
    _, found, after = data[:200].partition(b"encoding=")
    name = after[1:].partition(after[:1])[0].decode("ascii", "ignore") if found else ""
    try:
        return codecs.lookup(name).name if codecs.lookup(name)._is_text_encoding else ""
    except (LookupError, ValueError):
        return ""
