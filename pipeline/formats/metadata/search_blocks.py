"""All texts of Exif, IIM and image resources, for searching: every directory, record and encoding."""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator

from pipeline.formats.metadata.decode import decodings
from pipeline.formats.metadata.search_note import texts_of_note
from pipeline.formats.metadata.search_xmp import Text, texts_of, words_of, xmp_texts
from pipeline.formats.source import Source
from pipeline.formats.tiff_ifd import CAMERA_JPEG, EXIF_POINTER, Field, directory, header

MOST = 16 << 20  # octets of one block; one that is longer counts as not read
_MOST_IN_ALL = 64 << 20  # octets of all blocks of a file; what is beyond counts as not read
_MOST_UNKNOWN = 4 << 20  # of these in no known encoding: each octet is read in some thirty
_MOST_DATASETS = 1 << 13  # of one IIM block; programs write some hundred
_ASCII, _UTF8, _BYTES = 2, 129, (1, 7)
_XMP_TAG, _IIM_TAG, _RESOURCES_TAG, _COMMENT, _MAKER_NOTE = 700, 33723, 34377, 0x9286, 0x927C
_POINTERS = (
    EXIF_POINTER,
    0x8825,
    0xA005,
    0x014A,
)  # Exif, GPS, interoperability (Exif 3.0, 4.6.3); TIFF technical note 1
_TITLES = range(0x9C9B, 0x9CA0)  # title, comment, author, keywords and subject in UTF-16LE; common practice, no source
# Who made or owns the picture, and with what: Exif 3.0, 4.6.5: Make, Model, Software, Artist, Copyright, owner, serial
# numbers, lens, photographer, image editor and what follows it; 0x9C9D: author.
_MAKERS = frozenset((271, 272, 305, 315, 33432, 0xA430, 0xA431, 0xA433, 0xA434, 0xA435, 0x9C9D, 0xC62F,
                     *range(0xA437, 0xA43D)))  # fmt: skip
_CHARSET = 8  # octets before a comment that say how it is encoded (Exif 3.0, 4.6.5, UserComment)
_JAPANESE = ("iso2022_jp", "euc_jp", "shift_jis")
_SMALL = 2048  # octets of a value that is not said to be text, and is searched all the same
_UNPRINTABLE = bytes(set(range(32)) - set(b"\t\r\n"))
_MOST_DIRECTORIES = 64
MAKER_NOTE = "maker note"  # where a text stands
_MOST_OF_A_NOTE = 1 << 16  # octets of a maker note that are searched; no source
_NOTES = (_MAKER_NOTE, 0xC634)  # DNG 1.7.1: DNGPrivateData, in which a converter keeps the maker note
# By-line and its title, credit, source, copyright, contact, caption writer (IIM 4.2, record 2).
_IIM_MAKERS = frozenset((80, 85, 110, 115, 116, 118, 122))
_RESOURCES = {0x0404: "IPTC", 0x0424: "XMP", 0x0422: "Exif", 0x0423: "Exif"}
_RESOURCE_TEXTS = (0x03F0, 0x040B, 0x041A, 0x041D, 0x041E)  # caption, URL, slices, names
_SIGNATURES = (b"8BIM", b"PHUT", b"DCSR", b"AgHg", b"MeSa")


Readings = tuple[str, ...]  # what a value may be, the likeliest first


class Found:
    """What was found in one file: its texts, and the blocks that are there and cannot be read."""

    def __init__(self) -> None:
        self.texts: list[Text] = []
        self.unreadable: list[str] = []
        self._left, self._unknown = _MOST_IN_ALL, _MOST_UNKNOWN

    def take(self, where: str, data: bytes) -> bytes:
        """`data`, to be searched; nothing once the file has had too much of it, which counts as not read."""
        self._left -= len(data)
        if self._left >= 0:
            return data
        if where not in self.unreadable:
            self.unreadable.append(where)
        return b""

    def readable(self, where: str, data: bytes) -> bytes:
        """`data`; nothing once the file has had too much in encodings that are not known."""
        if b"\0" not in data.strip(b"\0") and _is_utf8(data):
            return data
        self._unknown -= len(data)
        if self._unknown >= 0:
            return data
        if where not in self.unreadable:
            self.unreadable.append(where)
        return b""

    def octets(self, where: str, data: bytes, maker: bool = False) -> Readings:
        """A text in whatever encoding; values that NUL ends stand for themselves, and together as words. Returns what
        it may be."""
        data = self.readable(where, data)
        if not data.strip(b"\0 \t\r\n"):
            return ()
        ended = data.rstrip(b"\0")  # but UTF-16 may end in one that counts
        found = decodings(data if b"\0" in ended else ended)
        self.texts += [Text(where, text, maker) for text in found]
        return found

    def xmp(self, data: bytes, where: str = "XMP") -> None:
        """A packet, or several."""
        texts, readable = xmp_texts(self.readable(where, data), where)
        self.texts += texts
        if not readable:
            self.unreadable.append(where)

    def iim(self, data: bytes) -> None:
        """Datasets of all records; what follows the last one must be padding."""
        if data[:1] != b"\x1c" and data[3:4] == b"\x1c":  # written as numbers of four octets in the other order
            data = b"".join(data[at : at + 4][::-1] for at in range(0, len(data), 4))
        values: list[tuple[Readings, bool]] = []
        at, left = 0, _MOST_DATASETS
        while at + 5 <= len(data) and data[at] == 0x1C and left:
            left -= 1
            record, number, size = struct.unpack_from(">BBH", data, at + 1)
            at += 5
            if size & 0x8000:  # an extended dataset: the length of its length (IIM 4.2, 1.5)
                length = size & 0x7FFF
                size, at = int.from_bytes(data[at : at + length], "big"), at + length
            values.append((decodings(data[at : at + size]), record == 2 and number in _IIM_MAKERS))
            at += size
        self.texts += _by_reading("IPTC", values, texts_of)
        rest = data[at:]
        if rest.strip(b"\0 \t\r\n") or at > len(data):
            self.octets("IPTC", rest)
            self.unreadable.append("IPTC")

    def resources(self, data: bytes) -> None:
        """Image resources: those with IIM, XMP, Exif or a text."""
        at = 0
        while at + 8 <= len(data) and data[at : at + 4] in _SIGNATURES:
            (number,) = struct.unpack_from(">H", data, at + 4)
            at += 6 + (data[at + 6] + 2) // 2 * 2
            (size,) = struct.unpack(">I", data[at : at + 4].rjust(4, b"\0"))
            block, at = data[at + 4 : at + 4 + size], at + 4 + size + size % 2
            kind = _RESOURCES.get(number)
            if kind is not None and len(block) < size:
                self.unreadable.append(kind)
            if kind == "IPTC":
                self.iim(block)
            elif kind == "XMP":
                self.xmp(block)
            elif kind == "Exif":
                self.tiff(Source.of_bytes(block))
            elif number in _RESOURCE_TEXTS:
                self.octets("image resources", block)
        if data[at:].strip(b"\0"):
            self.octets("image resources", data[at : at + MOST])
            self.unreadable.append("image resources")

    def tiff(self, source: Source) -> list[Source]:
        """Every directory of a TIFF or Exif block; returns the camera's JPEGs in it, which have texts of their own."""
        start = header(source)
        if start is None:
            self.octets("Exif", source.read(0, min(source.length, 1 << 16)))
            self.unreadable.append("Exif")
            return []
        order, first = start
        jpegs: list[Source] = []
        values: list[tuple[Readings, bool]] = []
        queue, seen = [(first, True)], set[int]()
        while queue and len(seen) < _MOST_DIRECTORIES:
            place, needed = queue.pop(0)
            if place in seen:
                continue
            seen.add(place)
            found = directory(source, place, order)
            if found.tags.damaged and needed:
                self.unreadable.append("Exif")
            for tag, field in found.every:
                if tag in _POINTERS:
                    queue += [(at, tag == EXIF_POINTER) for at in _numbers(field)]
                elif tag == CAMERA_JPEG and field.part().read(0, 2) == b"\xff\xd8":
                    jpegs.append(field.part())
                else:
                    values.append((self._field(tag, field), tag in _MAKERS))
            if found.following:
                queue.append((found.following, False))
        self.texts += _by_reading("Exif", values, words_of)
        return jpegs

    def _field(self, tag: int, field: Field) -> Readings:
        """Takes the texts of a field; returns what it may be, where it is one text."""
        part, kind = field.part(), field.kind
        length = part.wanted
        if tag in _NOTES:
            self.maker_note(part)
            return ()
        known = tag in (_XMP_TAG, _IIM_TAG, _RESOURCES_TAG, _COMMENT, *_TITLES)
        if kind not in (_ASCII, _UTF8) and not known and (kind not in _BYTES or length > _SMALL):
            return ()
        what = {_XMP_TAG: "XMP", _IIM_TAG: "IPTC", _RESOURCES_TAG: "image resources"}.get(tag, "Exif")
        data = self.take(what, part.read(0, min(part.length, MOST)))
        if len(data) < length and (known or kind in (_ASCII, _UTF8)):
            self.unreadable.append(what)
        if tag == _XMP_TAG:
            self.xmp(data)
        elif tag == _IIM_TAG:
            self.iim(data)
        elif tag == _RESOURCES_TAG:
            self.resources(data)
        elif tag == _COMMENT:
            return self._comment(data)
        elif tag in _TITLES:
            texts = tuple(_two_octets(data))
            self.texts += [Text("Exif", text, tag in _MAKERS) for text in texts]
            return texts[:1]
        elif kind in (_ASCII, _UTF8) or _is_text(data):
            return self.octets("Exif", data, tag in _MAKERS)
        return ()

    def maker_note(self, note: Source) -> None:
        """Texts of several words in a form of the camera's own: some cameras write whom they recognise. Their owner's
        name may be there as well."""
        data = note.read(0, min(note.wanted, note.length, _MOST_OF_A_NOTE))
        self.texts += [Text(MAKER_NOTE, text) for text in texts_of_note(data)]

    def _comment(self, data: bytes) -> Readings:
        charset, body = data[:_CHARSET], data[_CHARSET:]
        if not body.strip(b"\0 "):
            body = b""
        found = self.octets("Exif comment", body)
        if charset[:5] not in (b"ASCII", b"UNICO", b"JIS\0\0") and charset.strip(b"\0"):
            self.octets("Exif comment", data)  # a text without the octets that say how it is encoded
        if not body.isascii() or b"\0" in body or b"\x1b" in body:
            texts = (*_two_octets(body), *(body.decode(codec, "ignore") for codec in _JAPANESE))
            self.texts += [Text("Exif comment", text) for text in texts]
        return found


def _by_reading(
    where: str, values: list[tuple[Readings, bool]], of: Callable[[str, list[tuple[str, bool]]], list[Text]]
) -> list[Text]:
    """`of` the first readings of all values, of all the second, and so on. One that has no further keeps its first.

    values  (readings, whether they say who made the picture)
    """
    some = [(readings, maker) for readings, maker in values if readings]
    found: list[Text] = []
    for at in range(max((len(readings) for readings, _ in some), default=0)):
        found += of(where, [(readings[at] if at < len(readings) else readings[0], maker) for readings, maker in some])
    return list(dict.fromkeys(found))


def _is_utf8(data: bytes) -> bool:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _two_octets(data: bytes) -> Iterator[str]:
    """UTF-16 in either order; and, without a NUL, what else it may be."""
    if data.strip(b"\0 "):
        yield from (data.decode(codec, "ignore") for codec in ("utf-16-le", "utf-16-be"))
        if b"\0" not in data:
            yield from decodings(data)


def _is_text(data: bytes) -> bool:
    """Whether a value that is not said to be text looks like one: almost all of it printable ASCII or UTF-8."""
    data = data.replace(b"\0", b"")
    return len(data) > 3 and len(data.translate(None, _UNPRINTABLE)) >= 0.9 * len(data)


def _numbers(field: Field) -> list[int]:
    size = {4: 4, 13: 4, 3: 2}.get(field.kind, 0)
    count = min(field.count, _MOST_DIRECTORIES) if size else 0
    data = field.source.read(field.at, size * count)
    form = field.order + str(len(data) // (size or 1)) + ("H" if size == 2 else "I")
    return list(struct.unpack_from(form, data)) if size else []
