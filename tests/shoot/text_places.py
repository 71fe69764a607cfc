"""Writes a text into every place where a photograph can carry one. Shares no code with pipeline/.

Forms: XMP specification part 3 (packets and their extension in JPEG, TIFF tag 700, PNG, the box of ISO base media
files); IIM 4.2; Exif 2.32, 4.6.4 and 4.6.5; TIFF 6.0; PNG, third edition, 11.3; ISO/IEC 14496-12, 8.11; IPTC Photo
Metadata Standard 2025.1, XMP of regions as programs write it (common practice, no source).
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import PIL.Image
import tifffile

Writer = Callable[[Path, str], Path]
PLACES: dict[str, Writer] = {}
# A reader cannot know what else stood there: such a frame is held whatever is found.
BROKEN = {"XMP cut", "XMP with a document type", "XMP extension, a part missing", "sidecar cut", "PNG zTXt damaged",
          "IIM cut", "Exif cut", "Exif without a beginning", "Exif directory cut"}  # fmt: skip
_NAMESPACES = {
    "x": "adobe:ns:meta/", "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
    "dc": "http://purl.org/dc/elements/1.1/", "photoshop": "http://ns.adobe.com/photoshop/1.0/",
    "ext": "http://iptc.org/std/Iptc4xmpExt/2008-02-29/", "mwg": "http://www.metadataworkinggroup.com/schemas/regions/",
    "mp": "http://ns.microsoft.com/photo/1.2/t/Region#", "club": "https://gulls.example/ns/",
}  # fmt: skip
_DECLARED = "".join(f' xmlns:{p}="{uri}"' for p, uri in _NAMESPACES.items())


def place(name: str) -> Callable[[Writer], Writer]:
    def add(writer: Writer) -> Writer:
        PLACES[name] = writer
        return writer

    return add


def packet(body: str, attributes: str = "") -> str:
    return (
        f"<x:xmpmeta{_DECLARED}><rdf:RDF><rdf:Description rdf:about=''{attributes}>{body}</rdf:Description>"
        "</rdf:RDF></x:xmpmeta>"
    )


def _said(text: str) -> str:
    return packet(f"<dc:description><rdf:Alt><rdf:li>{escape(text)}</rdf:li></rdf:Alt></dc:description>")


# ---- JPEG ------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _plain_jpeg() -> bytes:
    data = io.BytesIO()
    PIL.Image.effect_noise((48, 32), 90).convert("RGB").save(data, "JPEG")
    return data.getvalue()


def jpeg(*segments: tuple[int, bytes]) -> bytes:
    """A small JPEG with these segments (marker, payload) first."""
    made = b"".join(struct.pack(">BBH", 0xFF, marker, len(data) + 2) + data for marker, data in segments)
    return b"\xff\xd8" + made + _plain_jpeg()[2:]


def _in_jpeg(name: str, segment: Callable[[str], tuple[tuple[int, bytes], ...]]) -> None:
    def write(folder: Path, text: str) -> Path:
        path = folder / "TH1_0001.jpg"
        path.write_bytes(jpeg(*segment(text)))
        return path

    PLACES[name] = write


XMP = b"http://ns.adobe.com/xap/1.0/\0"
PROPERTIES = {
    "PersonInImage": "<ext:PersonInImage><rdf:Bag><rdf:li>{}</rdf:li></rdf:Bag></ext:PersonInImage>",
    "PersonInImageWDetails": "<ext:PersonInImageWDetails><rdf:Bag><rdf:li rdf:parseType='Resource'><ext:PersonName>"
    "<rdf:Alt><rdf:li xml:lang='x-default'>{}</rdf:li></rdf:Alt></ext:PersonName></rdf:li></rdf:Bag>"
    "</ext:PersonInImageWDetails>",
    "face region": "<mwg:Regions rdf:parseType='Resource'><mwg:RegionList><rdf:Bag><rdf:li rdf:parseType='Resource'>"
    "<mwg:Name>{}</mwg:Name><mwg:Type>Face</mwg:Type></rdf:li></rdf:Bag></mwg:RegionList></mwg:Regions>",
    "person region": "<mp:Regions><rdf:Bag><rdf:li><rdf:Description><mp:PersonDisplayName>{}</mp:PersonDisplayName>"
    "</rdf:Description></rdf:li></rdf:Bag></mp:Regions>",
    "keyword": "<dc:subject><rdf:Bag><rdf:li>goal</rdf:li><rdf:li>{}</rdf:li></rdf:Bag></dc:subject>",
    "keyword, hierarchical": "<club:tree><rdf:Bag><rdf:li>People|Gulls|{}</rdf:li></rdf:Bag></club:tree>",
    "keyword, path": "<club:tags><rdf:Seq><rdf:li>People/{}</rdf:li></rdf:Seq></club:tags>",
    "title": "<dc:title><rdf:Alt><rdf:li xml:lang='nb'>{}</rdf:li></rdf:Alt></dc:title>",
    "headline": "<photoshop:Headline>{}</photoshop:Headline>",
    "instructions": "<photoshop:Instructions>ask {}</photoshop:Instructions>",
    "contributor": "<dc:contributor><rdf:Bag><rdf:li>{}</rdf:li></rdf:Bag></dc:contributor>",
    "XML within a property": "<club:categories>&lt;a&gt;{}&lt;/a&gt;</club:categories>",
}
for _name, _form in PROPERTIES.items():
    _in_jpeg(
        f"XMP {_name}",
        lambda text, form=_form: ((0xE1, XMP + packet(form.format(escape(text))).encode()),),  # type: ignore[misc]
    )
_in_jpeg("XMP attribute", lambda t: ((0xE1, XMP + packet("", f" club:who={quoteattr(t)}").encode()),))
_in_jpeg("XMP second description", lambda t: ((0xE1, XMP + _second(t).encode()),))
_in_jpeg("XMP second packet", lambda t: ((0xE1, XMP + _said("Cup").encode()), (0xE1, XMP + _said(t).encode())))
_in_jpeg("XMP UTF-16", lambda t: ((0xE1, XMP + _said(t).encode("utf-16")),))
_in_jpeg("XMP UTF-16BE without a mark", lambda t: ((0xE1, XMP + _said(t).encode("utf-16-be")),))
_in_jpeg("XMP UTF-32LE without a mark", lambda t: ((0xE1, XMP + _said(t).encode("utf-32-le")),))
_in_jpeg("XMP Windows-1252, undeclared", lambda t: ((0xE1, XMP + _said(t).encode("cp1252")),))
_in_jpeg("XMP UTF-8, declared Latin 1", lambda t: ((0xE1, XMP + _declared("iso-8859-1", t).encode()),))
_in_jpeg("XMP Latin 1, declared UTF-8", lambda t: ((0xE1, XMP + _declared("utf-8", t).encode("latin-1")),))
_in_jpeg("XMP with a lone ampersand", lambda t: ((0xE1, XMP + _said(t).replace("Alt><", "Alt>R&D<", 1).encode()),))
_in_jpeg("XMP cut", lambda t: ((0xE1, XMP + _said(t).encode()[:-20]),))
_in_jpeg("XMP with a document type", lambda t: ((0xE1, XMP + b"<!DOCTYPE a>" + _said(t).encode()),))
_in_jpeg("XMP extension", lambda t: _extended(_said(t).encode(), 0))
_in_jpeg("XMP extension, a part missing", lambda t: _extended(_said(t).encode(), 9))
_in_jpeg("comment", lambda t: ((0xFE, t.encode()),))
_in_jpeg("comment, Latin 1", lambda t: ((0xFE, t.encode("latin-1")),))
_in_jpeg("comment, UTF-16", lambda t: ((0xFE, t.encode("utf-16-le")),))
_in_jpeg(
    "segment of a program", lambda t: ((0xEC, b"Words\0" + struct.pack(">HI", 1, len(t)) + t.encode("utf-16-be")),)
)


def _second(text: str) -> str:
    more = f"<rdf:Description rdf:about=''><dc:description>{escape(text)}</dc:description></rdf:Description></rdf:RDF>"
    return _said("Cup").replace("</rdf:RDF>", more)


def _declared(codec: str, text: str) -> str:
    return f'<?xml version="1.0" encoding="{codec}"?>' + _said(text)


def _extended(data: bytes, missing: int) -> tuple[tuple[int, bytes], ...]:
    """The second half before the first."""
    head = b"http://ns.adobe.com/xmp/extension/\0" + b"0123456789ABCDEF" * 2
    half = len(data) // 2
    parts = [(half, data[half : len(data) - missing]), (0, data[:half])]
    return tuple((0xE1, head + struct.pack(">II", len(data), at) + part) for at, part in parts)


# ---- IIM -------------------------------------------------------------------------------------------------------


def dataset(number: int, data: bytes, record: int = 2) -> bytes:
    return struct.pack(">BBBH", 0x1C, record, number, len(data)) + data


def resources(iim: bytes, number: int = 0x0404) -> tuple[tuple[int, bytes], ...]:
    padded = iim + b"\0" * (len(iim) % 2)
    return ((0xED, b"Photoshop 3.0\0" + struct.pack(">4sHHI", b"8BIM", number, 0, len(iim)) + padded),)


_UTF8 = dataset(90, b"\x1b%G", 1)
_in_jpeg("IIM caption", lambda t: resources(_UTF8 + dataset(120, t.encode())))
_in_jpeg("IIM keyword, Latin 1", lambda t: resources(dataset(25, b"goal") + dataset(25, t.encode("latin-1"))))
_in_jpeg("IIM object name", lambda t: resources(_UTF8 + dataset(5, t.encode()) + b"\0"))
_in_jpeg("IIM record 3", lambda t: resources(dataset(7, t.encode(), 3)))
_in_jpeg("IIM after a dataset of another record", lambda t: resources(dataset(0, b"\0\4", 8) + dataset(40, t.encode())))
_in_jpeg("IIM extended", lambda t: resources(
    struct.pack(">BBBHI", 0x1C, 2, 120, 0x8004, len(t.encode())) + t.encode()))  # fmt: skip
_in_jpeg("IIM cut", lambda t: resources((_UTF8 + dataset(25, t.encode()) + dataset(120, b"a goal"))[:-3]))
_in_jpeg("image resource, caption", lambda t: resources(bytes([len(t.encode())]) + t.encode(), 0x03F0))
_in_jpeg("image resource, XMP", lambda t: resources(_said(t).encode(), 0x0424))


# ---- Exif ------------------------------------------------------------------------------------------------------


def tiff(fields: list[tuple[int, int, bytes]], order: str = "<", inside: int = 0) -> bytes:
    """One directory of (tag, type, octets); with `inside`, in a directory that this tag points to."""
    begin = 8 + (18 if inside else 0)
    head = (b"II*\0" if order == "<" else b"MM\0*") + struct.pack(order + "I", 8)
    if inside:
        head += struct.pack(order + "HHHIII", 1, inside, 4, 1, begin, 0)
    table, values = struct.pack(order + "H", len(fields)), b""
    after = begin + 2 + 12 * len(fields) + 4
    for tag, kind, data in sorted(fields):
        small = data.ljust(4, b"\0") if len(data) <= 4 else struct.pack(order + "I", after + len(values))
        table += struct.pack(order + "HHI", tag, kind, len(data) // {4: 4}.get(kind, 1)) + small
        values += data if len(data) > 4 else b""
    return head + table + struct.pack(order + "I", 0) + values


def _exif(*fields: tuple[int, int, bytes], order: str = "<", inside: int = 0) -> tuple[tuple[int, bytes], ...]:
    return ((0xE1, b"Exif\0\0" + tiff(list(fields), order, inside)),)


def _directory_cut() -> tuple[int, bytes]:
    """A directory that says to have more entries than there are."""
    data = bytearray(tiff([(270, 2, b"Cup\0")]))
    data[8] = 40
    return 0xE1, b"Exif\0\0" + bytes(data)


_PHOTO, _COMMENT = 0x8769, 0x9286
_in_jpeg("Exif description", lambda t: _exif((270, 2, t.encode() + b"\0")))
_in_jpeg("Exif description, big-endian, Latin 1", lambda t: _exif((270, 2, t.encode("latin-1") + b"\0"), order=">"))
_in_jpeg("Exif cut", lambda t: ((0xE1, _exif((270, 2, t.encode() + b" a goal\0"))[0][1][:-4]),))
_in_jpeg("Exif without a beginning", lambda t: ((0xE1, b"Exif\0\0" + bytes(8) + t.encode()),))
_in_jpeg("Exif directory cut", lambda t: (_directory_cut(), (0xFE, t.encode())))
_in_jpeg("Exif document name", lambda t: _exif((269, 2, t.encode() + b"\0")))
_in_jpeg("Exif title", lambda t: _exif((0xA436, 129, t.encode() + b"\0"), inside=_PHOTO))
_in_jpeg("Exif comment, ASCII", lambda t: _exif((_COMMENT, 7, b"ASCII\0\0\0" + t.encode()), inside=_PHOTO))
_in_jpeg("Exif comment, UTF-16LE", lambda t: _exif((_COMMENT, 7, b"UNICODE\0" + t.encode("utf-16-le")), inside=_PHOTO))
_in_jpeg("Exif comment, UTF-16BE", lambda t: _exif((_COMMENT, 7, b"UNICODE\0" + t.encode("utf-16-be")), inside=_PHOTO))
_in_jpeg(
    "Exif comment, JIS", lambda t: _exif((_COMMENT, 7, b"JIS\0\0\0\0\0" + t.encode("iso2022_jp_2")), inside=_PHOTO)
)
_in_jpeg("Exif comment, undefined", lambda t: _exif((_COMMENT, 7, bytes(8) + t.encode("cp1252")), inside=_PHOTO))
_in_jpeg("Exif comment without a code", lambda t: _exif((_COMMENT, 7, t.encode()), inside=_PHOTO))
_in_jpeg("Exif GPS area", lambda t: _exif((0x1C, 7, b"ASCII\0\0\0" + t.encode()), inside=0x8825))
for _tag, _what in ((0x9C9B, "title"), (0x9C9C, "comment"), (0x9C9E, "keywords"), (0x9C9F, "subject")):
    _in_jpeg(
        f"Exif {_what} of a system",
        lambda text, tag=_tag: _exif((tag, 1, text.encode("utf-16-le") + b"\0\0")),  # type: ignore[misc]
    )


# ---- PNG -------------------------------------------------------------------------------------------------------


def _in_png(name: str, chunks: Callable[[str], tuple[tuple[bytes, bytes], ...]]) -> None:
    def write(folder: Path, text: str) -> Path:
        data = io.BytesIO()
        PIL.Image.new("RGB", (48, 32), (90, 120, 90)).save(data, "PNG")
        whole = data.getvalue()
        made = b"".join(
            struct.pack(">I", len(d)) + n + d + struct.pack(">I", zlib.crc32(n + d)) for n, d in chunks(text)
        )
        path = folder / "TH1_0001.png"
        path.write_bytes(whole[:33] + made + whole[33:])
        return path

    PLACES[name] = write


_XML = b"XML:com.adobe.xmp"
_in_png("PNG tEXt", lambda t: ((b"tEXt", b"Description\0" + t.encode("latin-1")),))
_in_png("PNG tEXt, UTF-8", lambda t: ((b"tEXt", b"Comment\0" + t.encode()),))
_in_png("PNG zTXt", lambda t: ((b"zTXt", b"Comment\0\0" + zlib.compress(t.encode())),))
_in_png("PNG zTXt damaged", lambda t: ((b"zTXt", b"Comment\0\0" + zlib.compress(t.encode())[:-6]),))
_in_png("PNG iTXt", lambda t: ((b"iTXt", b"Title\0\0\0nb\0Tittel\0" + t.encode()),))
_in_png("PNG iTXt, packed", lambda t: ((b"iTXt", b"Title\0\1\0\0\0" + zlib.compress(t.encode())),))
_in_png("PNG keyword", lambda t: ((b"iTXt", b"Title\0\0\0nb\0" + t.encode() + b"\0x"),))
_in_png("PNG XMP", lambda t: ((b"iTXt", _XML + bytes(5) + _said(t).encode()),))
_in_png("PNG Exif", lambda t: ((b"eXIf", tiff([(270, 2, t.encode() + b"\0")])),))
_in_png("PNG profile", lambda t: ((b"zTXt", b"Raw profile type exif\0\0" + zlib.compress(
    b"\nexif\n  99\n" + (b"Exif\0\0" + tiff([(270, 2, t.encode() + b"\0")])).hex().encode())),))  # fmt: skip


# ---- TIFF and raw ----------------------------------------------------------------------------------------------


def _in_tiff(name: str, tags: Callable[[str], list[tuple[int, int, int, bytes, bool]]], *, big: bool = False) -> None:
    def write(folder: Path, text: str) -> Path:
        path = folder / "TH1_0001.tif"
        picture = np.zeros((4, 4, 3), np.uint8)
        with tifffile.TiffWriter(path, bigtiff=big) as file:
            file.write(picture, photometric="rgb", metadata=None, software=False)
            file.write(picture, photometric="rgb", metadata=None, software=False, extratags=tags(text))
        return path

    PLACES[name] = write


_in_tiff("TIFF second page's name", lambda t: [(285, 2, len(t.encode()) + 1, t.encode() + b"\0", True)])
_in_tiff("TIFF XMP", lambda t: [(700, 1, len(_said(t).encode()), _said(t).encode(), True)])
_in_tiff("TIFF IIM", lambda t: [(33723, 7, len(dataset(120, t.encode())), dataset(120, t.encode()), True)])
_in_tiff("big TIFF", lambda t: [(269, 2, len(t.encode()) + 1, t.encode() + b"\0", True)], big=True)


def _in_raw(name: str, suffix: str, made: Callable[[str], bytes]) -> None:
    def write(folder: Path, text: str) -> Path:
        path = folder / f"TH1_0001.{suffix}"
        path.write_bytes(made(text))
        return path

    PLACES[name] = write


def _box(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I4s", len(data) + 8, name) + data


def _swapped(text: str) -> bytes:
    data = dataset(120, text.encode())
    data += bytes(-len(data) % 4)
    return b"".join(data[at : at + 4][::-1] for at in range(0, len(data), 4))


def _item(text: str) -> bytes:
    """A HEIF file with one item, an XMP packet."""
    data, kind = _said(text).encode(), _box(b"ftyp", b"heic\0\0\0\0")
    entry = _box(b"infe", b"\2\0\0\0\0\1\0\0mime\0application/rdf+xml\0")
    names = _box(b"iinf", b"\0\0\0\0\0\1" + entry)
    empty = _box(b"iloc", b"\0\0\0\0\x44\0\0\1\0\1\0\0\0\1" + bytes(8))
    begin = len(kind) + 12 + len(names) + len(empty) + 8
    places = _box(b"iloc", b"\0\0\0\0\x44\0\0\1\0\1\0\0\0\1" + struct.pack(">II", begin, len(data)))
    return kind + _box(b"meta", bytes(4) + names + places) + _box(b"mdat", data)


_XMP_BOX = bytes.fromhex("be7acfcb97a942e89c71999491e3afac")
_in_raw("raw, description", "dng", lambda t: tiff([(270, 2, t.encode() + b"\0")]))
_in_raw("raw, directory within", "nef", lambda t: tiff([(270, 2, t.encode() + b"\0")], inside=0x014A))
_in_raw("raw, original name", "dng", lambda t: tiff([(0xC68B, 1, t.encode() + b"\0")]))
_in_raw("raw, IIM in the other order", "nef", lambda t: tiff([(33723, 4, _swapped(t))]))
_in_raw("raw, the camera's JPEG", "rw2", lambda t: tiff([(0x2E, 7, jpeg((0xFE, t.encode())))]).replace(b"*", b"U", 1))
_in_raw("raw, JPEG of another container", "raf", lambda t: _raf(jpeg((0xFE, t.encode()))))
_in_raw("raw, box of XMP", "cr3", lambda t: _box(b"ftyp", b"crx ") + _box(b"uuid", _XMP_BOX + _said(t).encode()))
_in_raw("raw, box of Exif", "cr3", lambda t: _box(b"ftyp", b"crx ") + _box(b"moov", _box(b"uuid", bytes(16) + _box(
    b"CMT2", tiff([(_COMMENT, 7, b"ASCII\0\0\0" + t.encode())])))))  # fmt: skip
_in_raw("raw, blocks", "mrw", lambda t: _mrw(tiff([(270, 2, t.encode() + b"\0")])))
_in_raw("raw, unknown container", "x3f", lambda t: b"FOVb" + bytes(400) + _said(t).encode() + bytes(40))
_in_raw("HEIF item", "heic", _item)


def _raf(data: bytes) -> bytes:
    return b"FUJIFILMCCD-RAW ".ljust(84, b"\0") + struct.pack(">II", 128, len(data)).ljust(44, b"\0") + data


def _mrw(data: bytes) -> bytes:
    block = struct.pack(">4sI", b"\0TTW", len(data)) + data
    return b"\0MRM" + struct.pack(">I", len(block)) + block


# ---- beside the frame, and its names ---------------------------------------------------------------------------


def _beside(name: str, sidecar: str, made: Callable[[str], bytes]) -> None:
    def write(folder: Path, text: str) -> Path:
        path = folder / "TH1_0001.jpg"
        path.write_bytes(_plain_jpeg())
        (folder / sidecar).write_bytes(made(text))
        return path

    PLACES[name] = write


_beside("sidecar", "TH1_0001.xmp", lambda t: _said(t).encode())
_beside("sidecar of the whole name", "TH1_0001.jpg.xmp", lambda t: _said(t).encode())
_beside("sidecar in capitals", "TH1_0001.JPG.XMP", lambda t: _said(t).encode())
_beside("sidecar in mixed case", "th1_0001.Xmp", lambda t: _said(t).encode())
_beside("sidecar UTF-16", "TH1_0001.xmp", lambda t: _said(t).encode("utf-16"))
_beside("sidecar UTF-16BE without a mark", "TH1_0001.xmp", lambda t: _said(t).encode("utf-16-be"))
_beside("sidecar Latin 1", "TH1_0001.xmp", lambda t: _said(t).encode("latin-1"))
_beside("sidecar cut", "TH1_0001.xmp", lambda t: _said(t).encode()[:-20])
_beside("sidecar of two packets", "TH1_0001.xmp", lambda t: (_said("Cup") + "\n" + _said(t)).encode())


@place("file name")
def _file_name(folder: Path, text: str) -> Path:
    path = folder / f"TH1 {text} 12.jpg"
    path.write_bytes(_plain_jpeg())
    return path


@place("folder name")
def _folder_name(folder: Path, text: str) -> Path:
    inside = folder / f"for {text}" / "card 1"
    inside.mkdir(parents=True)
    return _file_name(inside, "0001")
