"""The texts of a picture or raw file as stored: the XMP packet, the IIM datasets and three texts of Exif.

Nothing else is read: the Exif, GPS and maker note directories are never followed. Damaged bytes give fewer blocks,
never an error: every offset is checked, every count and length is bounded.
"""

from __future__ import annotations

import hashlib
import struct
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.formats.bmff import boxes, exif_of_item, metadata_items
from pipeline.formats.jpeg_segments import APP1, APP13, EXIF, PHOTOSHOP, XMP, of_raf, walk
from pipeline.formats.source import DamagedError, Source
from pipeline.formats.tiff_ifd import CAMERA_JPEG, first_directory

CAPTION, CREATOR, COPYRIGHT = 270, 315, 33432  # Exif 2.32, 4.6.4: ImageDescription, Artist, Copyright
_TEXTS = (CAPTION, CREATOR, COPYRIGHT)
_XMP_TAG, _IIM_TAG, _RESOURCES_TAG = 700, 33723, 34377
_MOST = 1 << 20  # octets of one block
# XMP specification part 3, 1.1.10: the box that holds a packet in ISO base media files.
XMP_BOX = bytes.fromhex("be7acfcb97a942e89c71999491e3afac")


@dataclass
class Blocks:
    """`texts` = Exif tag -> octets; `iim_newer` = by its digest, IIM was changed after XMP."""

    xmp: bytes = b""
    iim: bytes = b""
    iim_newer: bool = False
    texts: dict[int, bytes] = field(default_factory=dict)

    def add(self, other: Blocks) -> None:
        """Take from `other` what is missing here."""
        self.xmp = self.xmp or other.xmp
        if not self.iim:
            self.iim, self.iim_newer = other.iim, other.iim_newer
        self.texts = other.texts | self.texts


def read_blocks(path: Path) -> Blocks:
    """Blocks of a JPEG, a TIFF or a raw file. Raises OSError where the file cannot be read."""
    with path.open("rb") as file:
        whole = Source.whole(file)
        head = whole.read(0, 16)
        if head[:2] == b"\xff\xd8":
            return _from_jpeg(whole)
        if head[:8] == b"FUJIFILM":
            jpeg = of_raf(whole)
            return _from_jpeg(jpeg) if jpeg is not None else Blocks()
        if head[4:8] == b"ftyp":
            return _from_boxes(whole)
        return _from_tiff(whole)


def _from_jpeg(source: Source, inner: bool = False) -> Blocks:
    """Segments before the first scan; resources may go on in a second APP13. inner  it is in a block of another."""
    blocks, resources = Blocks(), b""
    with suppress(DamagedError):  # what stands before the damage counts
        for place in walk(source):
            if place.marker not in (APP1, APP13):
                continue
            payload = _bytes(place.payload)
            if payload.startswith(EXIF):
                blocks.add(_from_tiff(place.payload.part(len(EXIF), place.payload.length), inner))
            elif payload.startswith(XMP):
                blocks.add(Blocks(xmp=payload[len(XMP) :]))
            elif payload.startswith(PHOTOSHOP) and len(resources) < _MOST:
                resources += payload[len(PHOTOSHOP) :]
    found = _from_resources(resources)
    if found.iim:  # it goes before the IIM of an Exif block
        blocks.iim, blocks.iim_newer = found.iim, found.iim_newer
    return blocks


def _bytes(source: Source) -> bytes:
    return source.read(0, min(source.length, _MOST))


def _from_tiff(source: Source, inner: bool = False) -> Blocks:
    """The first directory only, in the order of its entries; of a block that is `inner` no further JPEG."""
    blocks = Blocks()
    for tag, found in first_directory(source).fields.items():
        block = found.part()
        if tag in _TEXTS:
            blocks.texts[tag] = _bytes(block)
        elif tag == _XMP_TAG:
            blocks.xmp = _bytes(block)
        elif tag == _IIM_TAG:
            blocks.iim = _bytes(block)
        elif tag == _RESOURCES_TAG:
            resources = _from_resources(_bytes(block))
            blocks.iim, blocks.iim_newer = resources.iim or blocks.iim, resources.iim_newer
        elif tag == CAMERA_JPEG and not inner and block.read(0, 2) == b"\xff\xd8":
            blocks.add(_from_jpeg(block, True))
    return blocks


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


def _from_boxes(whole: Source) -> Blocks:
    """XMP in a uuid box at the top level; in moov a uuid box, in it the TIFF block CMT1; the items of a HEIF file."""
    blocks = Blocks()
    with suppress(DamagedError):
        for path, body in boxes(whole):
            if path == (b"uuid",) and body.read(0, 16) == XMP_BOX:
                blocks.add(Blocks(xmp=_bytes(body.part(16, body.length))))
            elif path == (b"moov", b"uuid", b"CMT1"):
                blocks.add(_from_tiff(body))
            elif path == (b"meta",):
                for kind, parts in metadata_items(whole, body):
                    data = b"".join(map(_bytes, parts))[:_MOST]
                    blocks.add(Blocks(xmp=data) if kind == "XMP" else _from_tiff(Source.of_bytes(exif_of_item(data))))
    return blocks
