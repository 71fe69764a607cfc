"""Small files of our own making around a TIFF of Exif, without pixels: CR3, RAF, RW2, ORF, MRW, PNG and JPEG.

They check that the block is found, not that a camera writes it so.
"""

from __future__ import annotations

import struct
from datetime import datetime
from pathlib import Path

from pipeline.formats.exif import read_exif
from pipeline.types import Exif

ASCII, SHORT, LONG, RATIONAL, UNDEFINED = 2, 3, 4, 5, 7
EXIF_TAGS = {
    0x829A: (RATIONAL, [(1, 1000)]),
    0x829D: (RATIONAL, [(28, 10)]),
    0x8827: (SHORT, [6400]),
    0x9003: (ASCII, b"2026:02:14 19:42:07\0"),
    0x9011: (ASCII, b"+01:00\0"),
    0x9291: (ASCII, b"35  \0"),
    0x920A: (RATIONAL, [(135, 1)]),
    0xA431: (ASCII, b"0012345\0"),
    0xA434: (ASCII, b"135mm f/2\0"),
}
MAIN_TAGS = {0x010F: (ASCII, b"Westerby Optics\0"), 0x0110: (ASCII, b"W1\0"), 0x0112: (SHORT, [6])}
EXPECTED = Exif(
    "Westerby Optics", "W1", "135mm f/2", 6400.0, 0.001, 2.8, 135.0, "0012345",
    datetime(2026, 2, 14, 19, 42, 7, 350_000), True, 60, 6,
)  # fmt: skip
Entries = dict[int, tuple[int, object]]


def directory(entries: Entries, order: str, at: int, following: int = 0) -> bytes:
    """A directory that stands at byte `at`, its longer values behind it (TIFF 6.0, section 2)."""
    table, values = b"", b""
    behind = at + 2 + 12 * len(entries) + 4
    for tag, (kind, content) in sorted(entries.items()):
        if isinstance(content, bytes):
            raw, count = content, len(content)
        elif kind == RATIONAL:
            raw, count = b"".join(struct.pack(order + "II", *pair) for pair in content), len(content)
        else:
            raw, count = struct.pack(order + {SHORT: "H", LONG: "I"}[kind] * len(content), *content), len(content)
        if len(raw) > 4:
            place = struct.pack(order + "I", behind + len(values))
            values += raw + b"\0" * (len(raw) % 2)
        else:
            place = raw.ljust(4, b"\0")
        table += struct.pack(order + "HHI", tag, kind, count) + place
    return struct.pack(order + "H", len(entries)) + table + struct.pack(order + "I", following) + values


def tiff(order: str = "<", main: Entries = MAIN_TAGS, exif: Entries | None = EXIF_TAGS, magic: bytes = b"") -> bytes:
    head = magic or (b"II*\0" if order == "<" else b"MM\0*")
    if exif is None:
        return head + struct.pack(order + "I", 8) + directory(main, order, 8)
    length = len(directory(main | {0x8769: (LONG, [0])}, order, 8))
    first = directory(main | {0x8769: (LONG, [8 + length])}, order, 8)
    return head + struct.pack(order + "I", 8) + first + directory(exif, order, 8 + length)


def jpeg(block: bytes, before: bytes = b"") -> bytes:
    app1 = b"Exif\0\0" + block
    return b"\xff\xd8" + before + b"\xff\xe1" + struct.pack(">H", len(app1) + 2) + app1 + b"\xff\xda\0\2\xff\xd9"


def box(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I4s", 8 + len(body), name) + body


def cr3() -> bytes:
    blocks = box(b"CMT1", tiff(exif=None)) + box(b"CMT2", tiff(main=EXIF_TAGS, exif=None))
    moov = box(b"moov", box(b"uuid", bytes(16) + box(b"CNCV", b"x" * 30) + blocks) + box(b"trak", bytes(40)))
    return box(b"ftyp", b"crx \0\0\0\1crx isom") + moov + struct.pack(">I4sQ", 1, b"mdat", 116) + bytes(100)


def raf() -> bytes:
    picture = jpeg(tiff(">"))
    return b"FUJIFILMCCD-RAW ".ljust(84, b"\0") + struct.pack(">II", 148, len(picture)) + bytes(56) + picture


def rw2() -> bytes:
    picture = jpeg(tiff(main={0x010F: MAIN_TAGS[0x010F], 0x0112: (SHORT, [1])}, exif=EXIF_TAGS))
    own = {0x0017: (SHORT, [6400]), 0x002E: (UNDEFINED, picture), **MAIN_TAGS}
    return tiff(main=own, exif=None, magic=b"IIU\0")


def png() -> bytes:
    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + bytes(4)

    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", bytes(13)) + chunk(b"eXIf", tiff()) + chunk(b"IEND", b"")


def mrw() -> bytes:
    blocks = b"\0PRD" + struct.pack(">I", 24) + bytes(24) + b"\0TTW" + struct.pack(">I", len(tiff(">"))) + tiff(">")
    return b"\0MRM" + struct.pack(">I", len(blocks)) + blocks


CONTAINERS = {
    "little.dng": tiff("<"),
    "big.nef": tiff(">"),
    "a.orf": tiff("<", magic=b"IIRO"),
    "b.orf": tiff("<", magic=b"IIRS"),
    "c.orf": tiff(">", magic=b"MMOR"),
    "a.rw2": rw2(),
    "a.raf": raf(),
    "a.cr3": cr3(),
    "a.mrw": mrw(),
    "a.jpg": jpeg(tiff()),
    "xmp_first_and_fill.jpg": jpeg(tiff(), before=b"\xff\xe1\0\x08http:/\xff\xff\xff"),
    "a.png": png(),
}


def read(folder: Path, data: bytes, name: str = "x.jpg", kind: str = "picture") -> Exif:
    (folder / name).write_bytes(data)
    return read_exif(folder / name, kind)
