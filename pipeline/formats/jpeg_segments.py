"""The marker segments of a JPEG (ITU-T T.81, annex B): split, drop metadata, join. Pixels stay."""

from __future__ import annotations

import hashlib
import struct
from dataclasses import dataclass

_SOI, _SOS, _EOI = 0xD8, 0xDA, 0xD9
APP0, APP1, APP13 = 0xE0, 0xE1, 0xED
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}  # start of frame; C4, C8, CC are something else
EXIF = b"Exif\0\0"
XMP = b"http://ns.adobe.com/xap/1.0/\0"
PHOTOSHOP = b"Photoshop 3.0\0"
_METADATA_APP1 = (EXIF, XMP, b"http://ns.adobe.com/xmp/extension/\0")
_MAXIMUM = 65_533  # octets after the two-byte length of a segment


@dataclass(frozen=True)
class Segment:
    """One marker segment before the first scan; `raw` is all of it, marker and length included."""

    marker: int
    payload: bytes
    raw: bytes

    @property
    def is_metadata(self) -> bool:
        """Exif, XMP (also its extension) or APP13."""
        return self.marker == APP13 or (self.marker == APP1 and self.payload.startswith(_METADATA_APP1))


def split(data: bytes) -> tuple[list[Segment], bytes]:
    """Segments between SOI and the first scan, and the rest of the file from SOS on.

    Raises ValueError where `data` is not a JPEG or ends too early.
    """
    segments, begin = _walk(data)
    return segments, data[begin:]


def _walk(data: bytes) -> tuple[list[Segment], int]:
    """Segments between SOI and the first scan, and the place of SOS: the scan data are never copied to look."""
    if data[:2] != bytes((0xFF, _SOI)):
        raise ValueError("not a JPEG: it does not begin with FF D8")
    segments: list[Segment] = []
    at = 2
    while True:
        begin = at
        if at >= len(data) or data[at] != 0xFF:
            raise ValueError(f"damaged JPEG: no marker at byte {at}")
        while at < len(data) and data[at] == 0xFF:  # fill bytes may stand before a marker
            at += 1
        if at + 3 > len(data):
            raise ValueError("damaged JPEG: it ends before its first scan")
        marker = data[at]
        if marker == _SOS:
            return segments, begin
        (length,) = struct.unpack_from(">H", data, at + 1)
        end = at + 1 + length
        if marker == _EOI or marker < 0xC0 or length < 2 or end > len(data):
            raise ValueError(f"damaged JPEG: bad segment at byte {begin}")
        segments.append(Segment(marker, data[at + 3 : end], data[begin:end]))
        at = end


def make(marker: int, payload: bytes) -> Segment:
    """A segment of at most 65,533 payload octets; ValueError beyond."""
    if len(payload) > _MAXIMUM:
        raise ValueError(f"{len(payload)} bytes do not fit into one JPEG segment of {_MAXIMUM}")
    return Segment(marker, payload, struct.pack(">BBH", 0xFF, marker, len(payload) + 2) + payload)


def insert(data: bytes, metadata: list[Segment]) -> bytes:
    """`data` with its metadata segments replaced by these: after JFIF (always first), before the rest."""
    segments, begin = _walk(data)
    kept = [segment for segment in segments if not segment.is_metadata]
    leading = 0
    while leading < len(kept) and kept[leading].marker == APP0:
        leading += 1
    ordered = kept[:leading] + metadata + kept[leading:]
    return b"".join([bytes((0xFF, _SOI)), *(segment.raw for segment in ordered), memoryview(data)[begin:]])


def strip_jpeg(data: bytes) -> bytes:
    """The file without Exif, XMP and APP13; everything else (JFIF, ICC, tables, scans) byte for byte."""
    return insert(data, [])


def scan_digest(data: bytes) -> str:
    """SHA-256 (hex) of everything but the metadata segments: equal before and after a caption is edited."""
    return hashlib.sha256(strip_jpeg(data)).hexdigest()


def frame_size(data: bytes) -> tuple[int, int]:
    """(height, width) in pixels, from the start-of-frame segment. ValueError where there is none."""
    for segment in _walk(data)[0]:
        if segment.marker in _FRAMES and len(segment.payload) >= 5:
            height, width = struct.unpack_from(">HH", segment.payload, 1)
            return height, width
    raise ValueError("damaged JPEG: no start of frame")
