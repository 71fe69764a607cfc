"""Where a picture or raw file keeps its texts: the XMP packet, the IIM datasets and three texts of Exif.

Nothing else is looked at: the Exif, GPS and maker note directories are never followed. Junk gives fewer blocks,
never an error: every offset is checked, every count and length is bounded.
"""

from __future__ import annotations

import hashlib
import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from pipeline.formats.jpeg_segments import APP1, APP13, EXIF, PHOTOSHOP, XMP

CAPTION, CREATOR, COPYRIGHT = 270, 315, 33432  # Exif 2.32, 4.6.4: ImageDescription, Artist, Copyright
_TEXTS = (CAPTION, CREATOR, COPYRIGHT)
_XMP_TAG, _IIM_TAG, _RESOURCES_TAG = 700, 33723, 34377
_RW2_JPEG = 0x002E  # common practice, no source
_SIZES = {1: 1, 2: 1, 4: 4, 7: 1, 13: 4, 129: 1}  # octets a value of the TIFF types that such blocks have
_MAGIC = (42, 0x4F52, 0x5352, 0x55)  # TIFF; ORF and RW2 (common practice, no source)
_MOST = 1 << 20  # octets of one block
_MOST_ENTRIES, _MOST_SEGMENTS, _MOST_BOXES = 512, 256, 64
# XMP specification part 3, 1.1.10: the box that holds a packet in ISO base media files.
_XMP_BOX = bytes.fromhex("be7acfcb97a942e89c71999491e3afac")


@dataclass
class Blocks:
    """`texts` = Exif tag -> octets; `iim_newer` where its digest says that IIM was changed after XMP."""

    xmp: bytes = b""
    iim: bytes = b""
    iim_newer: bool = False
    texts: dict[int, bytes] = field(default_factory=dict)

    def add(self, other: Blocks) -> None:
        """What `other` has and this has not."""
        self.xmp = self.xmp or other.xmp
        if not self.iim:
            self.iim, self.iim_newer = other.iim, other.iim_newer
        self.texts = other.texts | self.texts


@dataclass(frozen=True)
class _Part:
    """Bytes `start` to `start + length` of an open file. Reading past an end gives fewer bytes."""

    file: BinaryIO
    start: int
    length: int

    def read(self, at: int, size: int) -> bytes:
        if not 0 <= at < self.length:
            return b""
        self.file.seek(self.start + at)
        return self.file.read(max(0, min(size, self.length - at, _MOST)))

    def part(self, at: int, length: int) -> _Part:
        at = min(max(at, 0), self.length)
        return _Part(self.file, self.start + at, max(0, min(length, self.length - at)))


def read_blocks(path: Path) -> Blocks:
    """Blocks of a JPEG, a TIFF or a raw file. Raises OSError where the file cannot be read."""
    with path.open("rb") as file:
        whole = _Part(file, 0, os.fstat(file.fileno()).st_size)
        head = whole.read(0, 16)
        if head[:2] == b"\xff\xd8":
            return _from_jpeg(whole)
        if head[:8] == b"FUJIFILM":  # RAF: place and length of the camera's own JPEG (common practice, no source)
            place = whole.read(84, 8)
            return _from_jpeg(whole.part(*struct.unpack(">II", place))) if len(place) == 8 else Blocks()
        if head[4:8] == b"ftyp":
            return _from_boxes(whole)
        return _from_tiff(whole)


def _from_jpeg(part: _Part) -> Blocks:
    """Segments before the first scan (ITU-T T.81, annex B); resources may go on in a second APP13."""
    blocks, resources, at = Blocks(), b"", 2
    for _ in range(_MOST_SEGMENTS):
        head = part.read(at, 4)
        if len(head) < 4 or head[0] != 0xFF:
            break
        marker, length = head[1], struct.unpack_from(">H", head, 2)[0]
        if marker == 0xFF:  # fill byte
            at += 1
            continue
        if marker in (0xDA, 0xD9) or length < 2:
            break
        if marker in (APP1, APP13):
            payload = part.read(at + 4, length - 2)
            if payload.startswith(EXIF):
                blocks.add(_from_tiff(part.part(at + 4 + len(EXIF), length - 2 - len(EXIF))))
            elif payload.startswith(XMP):
                blocks.add(Blocks(xmp=payload[len(XMP) :]))
            elif payload.startswith(PHOTOSHOP) and len(resources) < _MOST:
                resources += payload[len(PHOTOSHOP) :]
        at += 2 + length
    found = _from_resources(resources)
    if found.iim:  # beside which an Exif block's own IIM counts for nothing
        blocks.iim, blocks.iim_newer = found.iim, found.iim_newer
    return blocks


def _from_tiff(part: _Part) -> Blocks:
    """The first directory only (TIFF 6.0, section 2)."""
    blocks = Blocks()
    for tag, block in _entries(part):
        if tag in _TEXTS:
            blocks.texts[tag] = block.read(0, block.length)
        elif tag == _XMP_TAG:
            blocks.xmp = block.read(0, block.length)
        elif tag == _IIM_TAG:
            blocks.iim = block.read(0, block.length)
        elif tag == _RESOURCES_TAG:
            resources = _from_resources(block.read(0, block.length))
            blocks.iim, blocks.iim_newer = resources.iim or blocks.iim, resources.iim_newer
        elif tag == _RW2_JPEG and block.read(0, 2) == b"\xff\xd8":
            blocks.add(_from_jpeg(block))
    return blocks


def _entries(part: _Part) -> Iterator[tuple[int, _Part]]:
    head = part.read(0, 8)
    order = {b"II": "<", b"MM": ">"}.get(head[:2])
    if order is None or len(head) < 8:
        return
    magic, first = struct.unpack(order + "HI", head[2:])
    count = part.read(first, 2)
    if magic not in _MAGIC or len(count) < 2:
        return
    table = part.read(first + 2, 12 * min(struct.unpack(order + "H", count)[0], _MOST_ENTRIES))
    for at in range(0, len(table) - 11, 12):
        tag, kind, number, value = struct.unpack_from(order + "HHII", table, at)
        length = _SIZES.get(kind, 0) * number
        if length:
            yield tag, part.part(first + 2 + at + 8 if length <= 4 else value, length)


def _from_resources(data: bytes) -> Blocks:
    """IIM out of image resources 0x0404, and whether 0x0425, its MD5 when XMP was written, still fits."""
    found: dict[int, bytes] = {}
    at = 0
    while at + 12 <= len(data) and data[at : at + 4] == b"8BIM":
        (number,) = struct.unpack_from(">H", data, at + 4)
        at += 6 + (data[at + 6] + 2) // 2 * 2  # a Pascal name, padded to an even length with its own octet
        if at + 4 > len(data):
            break
        (size,) = struct.unpack_from(">I", data, at)
        found.setdefault(number, data[at + 4 : at + 4 + size])
        at += 4 + size + size % 2
    iim, digest = found.get(0x0404, b""), found.get(0x0425)
    newer = digest is not None and digest != hashlib.md5(iim, usedforsecurity=False).digest()
    return Blocks(iim=iim, iim_newer=newer)


def _from_boxes(whole: _Part) -> Blocks:
    """ISO base media (ISO/IEC 14496-12, 4.2): XMP in a uuid box; in moov a uuid box, in it the TIFF block CMT1."""
    blocks = Blocks()
    for name, box in _boxes(whole):
        if name == b"uuid" and box.read(0, 16) == _XMP_BOX:
            blocks.add(Blocks(xmp=box.read(16, box.length)))
        elif name == b"moov":
            for inner, held in _boxes(box):
                for leaf, tiff in _boxes(held.part(16, held.length)) if inner == b"uuid" else ():
                    if leaf == b"CMT1":
                        blocks.add(_from_tiff(tiff))
    return blocks


def _boxes(part: _Part) -> Iterator[tuple[bytes, _Part]]:
    at = 0
    for _ in range(_MOST_BOXES):
        head = part.read(at, 16)
        if len(head) < 8:
            return
        size, name = struct.unpack_from(">I4s", head)
        body = 8
        if size == 1 and len(head) == 16:
            size, body = struct.unpack_from(">Q", head, 8)[0], 16
        elif size == 0:  # to the end
            size = part.length - at
        if size < body:
            return
        yield name, part.part(at + body, size - body)
        at += size
