"""Looks for a person's name in bytes, in whatever form it may have been written. Shares no code with pipeline/."""

from __future__ import annotations

import base64
import html
import io
import json
import re
import unicodedata
import zipfile
from collections.abc import Iterable, Iterator
from functools import lru_cache
from html.entities import codepoint2name
from pathlib import Path
from urllib.parse import quote, unquote_to_bytes

_WIDE = ("utf-8", "utf-16-le", "utf-16-be")
_NARROW = ("latin-1", "cp1252", "cp1250", "cp1254", "cp1256")  # one octet a character
CODECS = (*_WIDE, *_NARROW)
_SAME = str.maketrans({"ł": "l", "đ": "d", "ø": "o", "ı": "i", "æ": "ae", "œ": "oe", "ß": "ss", "ð": "d", "þ": "th",
                       "ى": "ي", "ی": "ي", "ک": "ك", "ة": "ه", "ـ": "", **dict.fromkeys("ʹʻʼʽʾʿ")})  # fmt: skip
_SHORTEST = 7  # letters of a part that is looked for by itself: of fewer, chance would find some in pixels
_IN_PAGE = re.compile(rb"data:[a-z/+-]*;base64,([A-Za-z0-9+/=]+)")
_JSON_ESCAPE = re.compile(r"(?:\\u[0-9a-fA-F]{4})+")


def folded(text: str) -> str:
    """Letters and digits only, without case, accents, spaces and signs (Unicode Standard 3.13 and UAX 15)."""
    plain = unicodedata.normalize("NFKD", unicodedata.normalize("NFKD", text).casefold())
    return re.sub(r"[\W_]+", "", plain.translate(_SAME))


def wanted(name: str) -> dict[str, str]:
    """What to look for -> what to call it: the name in three orders, and its long parts alone."""
    parts = name.split()
    orders = {tuple(parts), (*parts[1:], *parts[:1]), (*parts[-1:], *parts[:-1])}
    found = {folded("".join(order)): name for order in orders}
    for part in re.split(r"[\s-]+", name):
        if len(folded(part)) >= _SHORTEST:
            found[folded(part)] = f"{part} of {name}"
    return found


def found_in(data: bytes, names: Iterable[str]) -> set[str]:
    """The names, or parts of them, that stand in `data` in any form of `forms`."""
    return set(_found_in(bytes(data), tuple(names)))


@lru_cache(maxsize=4096)  # the same pictures are in a delivery, a zip and a push, and after each run
def _found_in(data: bytes, names: tuple[str, ...]) -> frozenset[str]:
    searched = {key: name_of_key for name in names for key, name_of_key in wanted(name).items()}
    hits: set[str] = set()
    for view in _views(data):
        text = folded(view)
        hits |= {name_of_key for key, name_of_key in searched.items() if key in text}
    for codec in _NARROW:
        keep, drop = _octets(codec)
        octets = data.translate(keep, drop)
        for key, name_of_key in searched.items():
            sought = key.encode(codec, "ignore")
            if len(sought) == len(key) and sought in octets:
                hits.add(name_of_key)
    return frozenset(hits)


@lru_cache
def _octets(codec: str) -> tuple[bytes, bytes]:
    """What `folded` makes of each octet of a codec: a table, and the octets that it takes out."""
    keep, drop = bytearray(range(256)), bytearray()
    for octet in range(256):
        text = folded(bytes([octet]).decode(codec, "ignore"))
        if not text:
            drop.append(octet)
        else:
            keep[octet] = (text.encode(codec, "ignore") or bytes([octet]))[0]
    return bytes(keep), bytes(drop)


def _views(data: bytes) -> Iterator[str]:
    """`data` as text in every way that a reader may take it."""
    for codec in _WIDE:
        for start in (0, 1) if codec.startswith("utf-16") else (0,):
            text = data[start:].decode(codec, "ignore")
            yield text
            yield from _unescaped(text)
    yield data.decode("utf-8", "ignore").encode("latin-1", "ignore").decode("utf-8", "ignore")  # UTF-8 made twice


def _unescaped(text: str) -> Iterator[str]:
    """The text with its escapes undone, also those within others."""
    for _ in range(3):
        plain = html.unescape(text) if "&" in text else text
        plain = _JSON_ESCAPE.sub(lambda m: json.loads(f'"{m[0]}"'), plain)
        if "%" in plain:
            plain = unquote_to_bytes(plain.encode("utf-8", "replace")).decode("utf-8", "ignore")
        if plain == text:
            return
        yield plain.encode("utf-16-le", "surrogatepass").decode("utf-16-le", "ignore")
        text = plain


def pieces(path: Path) -> Iterator[tuple[str, bytes]]:
    """What a file holds: its name, its bytes, pictures inside a page, and every member, name and comment of a zip."""
    yield f"{path.name} (name)", path.name.encode("utf-8", "surrogateescape")
    if path.is_symlink():
        yield f"{path.name} (link)", str(path.readlink()).encode("utf-8", "surrogateescape")
    if not path.is_file():
        return
    data = path.read_bytes()
    yield path.name, data
    for number, match in enumerate(_IN_PAGE.finditer(data)):
        yield f"{path.name} (picture {number})", base64.b64decode(match[1])
    if zipfile.is_zipfile(path):
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            yield f"{path.name} (comment)", archive.comment
            for entry in archive.infolist():
                yield f"{path.name}: {entry.filename!r} (name)", entry.filename.encode()
                yield f"{path.name}: {entry.filename!r} (comment)", entry.comment + entry.extra
                yield f"{path.name}: {entry.filename!r}", archive.read(entry)


def leaks(folder: Path, names: Iterable[str], skip: Iterable[str] = (), among: Iterable[str] = ()) -> list[str]:
    """ "file: name" for every name in every file and folder name below `folder`.

    skip  first parts of paths; among  names that are looked for at once, so that no file is searched again for others
    """
    if among:
        ends = tuple(f" {name}" for name in names)
        return [line for line in leaks(folder, among, skip) if line.endswith(ends)]
    names, found = tuple(names), []
    for path in sorted(folder.rglob("*")):
        relative = path.relative_to(folder)
        if relative.parts[0] in skip:
            continue
        if path.is_dir():
            found += [f"{relative}/: {n}" for n in sorted(found_in(path.name.encode(), names))]
            continue
        for what, data in pieces(path):
            found += [f"{relative.parent}/{what}: {n}" for n in sorted(found_in(data, names))]
    return found


# ---- every form a name may have --------------------------------------------------------------------------------


def forms(name: str) -> Iterator[tuple[str, bytes]]:
    """(what it is, bytes): the forms in which a name may stand in a file, to plant."""
    parts = name.split()
    orders = {"in order": parts, "last part first": [parts[-1], *parts[:-1]], "first part last": [*parts[1:], parts[0]]}
    cases = {"as typed": str, "capitals": str.upper, "small": str.lower, "case-folded": str.casefold}
    for (order, some), (case, of) in ((o, c) for o in orders.items() for c in cases.items()):
        for gap in (" ", "_", ""):
            for form in ("NFC", "NFD"):
                text = unicodedata.normalize(form, of(gap.join(some)))
                for written, data in _written(text):
                    yield f"{order}, {case}, gap {gap!r}, {form}, {written}", data
    for odd in (name.replace("'", "ʼ"), name.replace("'", "’"), name.replace("'", ""), name.replace("ل", "لـ"),
                name.replace("ى", "ي"), "\u200f".join(name), "\u00ad".join(name)):  # fmt: skip
        yield f"typed as {odd!r}", odd.encode()


def _written(text: str) -> Iterator[tuple[str, bytes]]:
    for codec in CODECS:
        try:
            yield codec, text.encode(codec)
        except UnicodeEncodeError:
            continue
    escapes = {
        "HTML decimal": "".join(f"&#{ord(c)};" for c in text),
        "HTML hexadecimal": "".join(f"&#x{ord(c):X};" for c in text),
        "HTML named": "".join(f"&{codepoint2name[ord(c)]};" if ord(c) in codepoint2name else c for c in text),
        "HTML escape": html.escape(text),
        "XML, only what is not ASCII": text.encode("ascii", "xmlcharrefreplace").decode(),
        "JSON": json.dumps(text),
        "JSON capitals": json.dumps(text).replace("\\u", "\0").upper().replace("\0", "\\u"),
        "percent": quote(text),
        "percent small": quote(text).lower(),
        "JSON within HTML": html.escape(json.dumps(text)),
    }
    for what, escaped in escapes.items():
        if what == "JSON capitals" and text != text.upper():
            continue
        yield what, escaped.encode()
    yield "XML in UTF-16", escapes["XML, only what is not ASCII"].encode("utf-16-le")
    yield "UTF-8 made twice", text.encode().decode("latin-1").encode()
    yield "padded with NUL", b"\0\0\0" + text.encode() + b"\0\0\0\0"
