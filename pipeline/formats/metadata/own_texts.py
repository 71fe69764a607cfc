"""All texts that a picture or raw file carries, to search for names in them. They are written nowhere.

Everything that may hold a text is read, whatever its property, namespace, record or encoding: in JPEG Exif, XMP with
its extension, image resources and comments; in PNG its text, Exif and XMP chunks; in TIFF and the raws that are TIFF
every directory; in ISO base media files their boxes and items. Of maker notes, what `search_note` finds. Not read:
pictures inside a picture other than the camera's JPEG, and containers that nobody has published, of which both ends are
searched for XMP packets.
"""

from __future__ import annotations

import struct
import zlib
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

import tifffile

from pipeline.formats.bmff import boxes, exif_of_item, metadata_items
from pipeline.formats.jpeg_segments import APP0, APP1, APP13, EXIF, PHOTOSHOP, XMP, of_raf, walk
from pipeline.formats.metadata.blocks import XMP_BOX
from pipeline.formats.metadata.decode import opaque
from pipeline.formats.metadata.search_blocks import MOST, Found
from pipeline.formats.metadata.search_xmp import Text
from pipeline.formats.source import DamagedError, Source
from pipeline.formats.tiff_ifd import header

EXTENSION = b"http://ns.adobe.com/xmp/extension/\0"
_COMMENT, _APP2, _APP15 = 0xFE, 0xE2, 0xEF
_NO_TEXT = (b"ICC_PROFILE\0", b"MPF\0")  # ICC.1:2010 annex B.4; CIPA DC-007
_PNG, _MOST_CHUNKS = b"\x89PNG\r\n\x1a\n", 65536
_BIG_TIFF = (b"II+\0", b"MM\0+")
_SEARCHED = 1 << 19  # octets at either end of a container that is not known
_PACKETS = ((b"<x:xmpmeta", b"</x:xmpmeta>"), (b"<rdf:RDF", b"</rdf:RDF>"))


def own_texts(path: Path) -> Found:
    """The texts of a picture or raw file, and what is there but cannot be read. Raises OSError of the file."""
    found = Found()
    try:
        _search(path, found)
    except RecursionError:  # a picture in a picture in a picture
        found.unreadable.append("metadata")
    return found


def _search(path: Path, found: Found) -> None:
    with path.open("rb") as file:
        whole = Source.whole(file)
        head = whole.read(0, 16)
        if head[:2] == b"\xff\xd8":
            _jpeg(whole, found)
        elif head[:8] == b"FUJIFILM":
            if (jpeg := of_raf(whole)) is not None:
                _jpeg(jpeg, found)
        elif head[:8] == _PNG:
            _png(whole, found)
        elif head[4:8] == b"ftyp":
            _boxes(whole, found)
        elif head[:4] == b"\0MRM":
            _mrw(whole, found)
        elif head[:4] in _BIG_TIFF:
            _big_tiff(path, found)
        elif header(whole) is not None:
            for jpeg in found.tiff(whole):
                _jpeg(jpeg, found)
        else:
            _unknown(whole, found)


def _read(source: Source, what: str, found: Found) -> bytes:
    if source.wanted > MOST or source.length < source.wanted:
        found.unreadable.append(what)
    return found.take(what, source.read(0, min(source.length, MOST)))


def _jpeg(source: Source, found: Found) -> None:
    spread = _Spread()
    try:
        for place in walk(source):
            if place.marker == _COMMENT:
                found.octets("comment", _read(place.payload, "comment", found))
            elif APP1 <= place.marker <= _APP15 and place.marker != APP0:
                _segment(place.marker, place.payload, found, spread)
    except DamagedError:
        found.unreadable.append("metadata")
    spread.join(found)


@dataclass
class _Spread:
    """What a JPEG spreads over several segments: image resources, and packets of XMP by their digest and offset."""

    resources: list[bytes] = field(default_factory=list)
    extensions: dict[bytes, dict[int, bytes]] = field(default_factory=dict)
    lengths: dict[bytes, int] = field(default_factory=dict)

    def join(self, found: Found) -> None:
        if self.resources:
            found.resources(b"".join(self.resources))
        for which, parts in self.extensions.items():  # XMP specification part 3, 1.1.3.1
            packet = b"".join(parts[offset] for offset in sorted(parts))
            found.xmp(packet)
            if len(packet) != self.lengths[which]:
                found.unreadable.append("XMP")


def _segment(marker: int, payload: Source, found: Found, spread: _Spread) -> None:
    """One APPn segment. Raises DamagedError."""
    data = _read(payload, "metadata", found)
    if data.startswith(_NO_TEXT):
        return
    if marker == APP1 and data.startswith(EXIF[:-1]):
        for jpeg in found.tiff(payload.part(len(EXIF), payload.length)):
            _jpeg(jpeg, found)
    elif data.startswith(XMP):
        found.xmp(data[len(XMP) :])
    elif data.startswith(EXTENSION) and len(data) >= len(EXTENSION) + 40:
        which, rest = data[len(EXTENSION) :][:32], data[len(EXTENSION) + 32 :]
        spread.lengths[which], offset = struct.unpack_from(">II", rest)
        spread.extensions.setdefault(which, {})[offset] = rest[8:]
    elif data.startswith(PHOTOSHOP):
        spread.resources.append(data[len(PHOTOSHOP) :])
    elif marker == APP13 or len(data) <= MOST:
        found.texts += [Text("metadata", text) for text in opaque(found.readable("metadata", data))]


def _png(source: Source, found: Found) -> None:
    """Chunks of texts, Exif and XMP (PNG, third edition, 11.3.3 and 11.3.4.5)."""
    at = 8
    for _ in range(_MOST_CHUNKS):
        head = source.read(at, 8)
        if len(head) < 8:
            break
        length, name = struct.unpack(">I4s", head)
        body = source.part(at + 8, length)
        at += 12 + length
        if name == b"IEND":
            return
        if name == b"eXIf":
            found.tiff(body)
        elif name in (b"tEXt", b"zTXt", b"iTXt"):
            _png_text(name, _read(body, "text", found), found)
    found.unreadable.append("text")


def _png_text(name: bytes, data: bytes, found: Found) -> None:
    keyword, _, rest = data.partition(b"\0")
    packed = name == b"zTXt" or (name == b"iTXt" and rest[:1] == b"\1")
    if name == b"zTXt":
        rest = rest[1:]
    elif name == b"iTXt":
        language, _, rest = rest[2:].partition(b"\0")
        translated, _, rest = rest.partition(b"\0")
        found.octets("text", language + b"\n" + translated)
    if packed:
        unpacker = zlib.decompressobj()
        try:
            rest = unpacker.decompress(rest, MOST)
        except zlib.error:
            found.unreadable.append("text")
            return
        if not unpacker.eof:
            found.unreadable.append("text")
        rest = found.take("text", rest)
    found.octets("text", keyword)
    if keyword.startswith(b"Raw profile type "):  # hexadecimal after a name and a length; common practice, no source
        with suppress(ValueError):
            profile = bytes.fromhex(b"".join(rest.split()[2:]).decode("ascii", "replace"))
            _profile(profile, found)
    elif b"xmp" in keyword.lower():
        found.xmp(rest)
    else:
        found.octets("text", rest)


def _profile(data: bytes, found: Found) -> None:
    if data.startswith(EXIF[:-1]):
        found.tiff(Source.of_bytes(data[len(EXIF) :]))
    elif data.startswith(XMP):
        found.xmp(data[len(XMP) :])
    elif data[:4] == b"8BIM":
        found.resources(data)
    elif data[:1] == b"\x1c":
        found.iim(data)
    elif data[:4] in (b"II*\0", b"MM\0*"):
        found.tiff(Source.of_bytes(data))
    elif b"<" in data[:64]:
        found.xmp(data)
    else:
        found.octets("text", data)


def _boxes(source: Source, found: Found) -> None:
    """XMP in a uuid box; TIFF blocks in a uuid box in moov."""
    try:
        for path, body in boxes(source):
            if path[-1:] == (b"uuid",) and body.read(0, 16) == XMP_BOX:
                found.xmp(_read(body.part(16, body.length - 16), "XMP", found))
            elif path[:2] == (b"moov", b"uuid") and path[-1] in (b"CMT1", b"CMT2", b"CMT4"):
                found.tiff(body)
            elif path[:2] == (b"moov", b"uuid") and path[-1] == b"CMT3":
                found.maker_note(body)
            elif path == (b"meta",):
                _items(source, body, found)
    except DamagedError:
        found.unreadable.append("metadata")


def _items(whole: Source, meta: Source, found: Found) -> None:
    """Exif and XMP items of a HEIF file."""
    for kind, parts in metadata_items(whole, meta):
        data = b"".join(_read(part, "metadata", found) for part in parts)
        if kind == "XMP":
            found.xmp(data)
        else:
            found.tiff(Source.of_bytes(exif_of_item(data)))


def _mrw(source: Source, found: Found) -> None:
    """Blocks of a name, a length and a body; TTW is the TIFF (common practice, no source)."""
    at = 8
    for _ in range(64):
        head = source.read(at, 8)
        if len(head) < 8:
            return
        name, length = struct.unpack(">4sI", head)
        if name == b"\0TTW":
            found.tiff(source.part(at + 8, length))
            return
        at += 8 + length


def _big_tiff(path: Path, found: Found) -> None:
    try:
        with tifffile.TiffFile(path) as file:
            for page in islice(file.pages, 64):
                for tag in getattr(page, "tags", ()):
                    if tag.code == 700:
                        found.xmp(found.take("XMP", bytes(tag.value)))
                    elif isinstance(tag.value, str | bytes):
                        value = tag.value.encode() if isinstance(tag.value, str) else tag.value
                        found.octets("TIFF", found.take("TIFF", value[:MOST]), tag.code in (271, 272, 305, 315, 33432))
    except (OSError, ValueError, TypeError, KeyError, IndexError, struct.error, tifffile.TiffFileError):
        found.unreadable.append("TIFF")


def _unknown(source: Source, found: Found) -> None:
    for at in {0, max(0, source.length - _SEARCHED)}:
        data = source.read(at, _SEARCHED)
        for begin, end in _PACKETS:
            start = data.find(begin)
            if start >= 0:
                stop = data.find(end, start)
                found.xmp(data[start : stop + len(end) if stop >= 0 else len(data)])
                break
