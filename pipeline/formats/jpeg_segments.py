"""The one walker of JPEG marker segments (ITU-T T.81, annex B); metadata segments are replaced, pixels stay."""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.formats.source import DamagedError, Source

SOI, SOS, EOI = 0xD8, 0xDA, 0xD9  # ITU-T T.81, table B.1
APP0, APP1, APP13 = 0xE0, 0xE1, 0xED
FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}  # start of frame; C4, C8, CC are something else
EXIF = b"Exif\0\0"
XMP = b"http://ns.adobe.com/xap/1.0/\0"
PHOTOSHOP = b"Photoshop 3.0\0"
_METADATA_APP1 = (EXIF, XMP, b"http://ns.adobe.com/xmp/extension/\0")
_MAXIMUM = 65_533  # octets after the two-byte length of a segment (ITU-T T.81, B.1.1.4)
MAXIMUM_SEGMENTS = 4096  # before the first scan: 256 MiB of metadata
MAXIMUM_FILL = 4096  # bytes; the standard allows any number


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


@dataclass(frozen=True)
class Place:
    """Where a marker segment lies: `begin` is its first FF, `payload` what follows its length."""

    marker: int
    begin: int
    payload: Source


def walk(source: Source) -> Iterator[Place]:
    """The marker segments of a JPEG from SOI up to its first scan, whose SOS marker comes last, with no payload.

    Fill bytes may precede a marker (ITU-T T.81, B.1.1.2). Raises DamagedError, after what could be read,
    where the bytes are not a JPEG, end before the first scan, hold what may not stand there, or more than
    `MAXIMUM_SEGMENTS` segments or `MAXIMUM_FILL` fill bytes in a row; a segment cut by the end comes cut before.
    """
    if source.read(0, 2) != bytes((0xFF, SOI)):
        raise DamagedError("not a JPEG: it does not begin with FF D8")
    begin = 2
    for _ in range(MAXIMUM_SEGMENTS):
        at = begin + _fill(source, begin)
        head = source.read(at, 4)
        if head[:1] != b"\xff":
            raise DamagedError(f"damaged JPEG: no marker at byte {begin}")
        if len(head) < 4:
            raise DamagedError("damaged JPEG: it ends before its first scan")
        _, marker, length = struct.unpack(">BBH", head)
        if marker == SOS:
            yield Place(marker, begin, source.part(at + 2, 0))
            return
        if marker == EOI or marker < 0xC0 or length < 2:
            raise DamagedError(f"damaged JPEG: bad segment at byte {begin}")
        yield Place(marker, begin, source.part(at + 4, length - 2))
        if at + 2 + length > source.length:
            raise DamagedError(f"damaged JPEG: bad segment at byte {begin}")
        begin = at + 2 + length
    raise DamagedError(f"damaged JPEG: more than {MAXIMUM_SEGMENTS} segments")


def _fill(source: Source, begin: int) -> int:
    """Fill bytes before the marker at `begin`: FF bytes that another FF follows."""
    if source.read(begin, 2) != b"\xff\xff":
        return 0
    window = source.read(begin, MAXIMUM_FILL + 2)
    marker = window.lstrip(b"\xff")
    if not marker:
        raise DamagedError(f"damaged JPEG: no marker at byte {begin}")
    return len(window) - len(marker) - 1


def of_raf(source: Source) -> Source | None:
    """The camera's own JPEG in a RAF, whose place and length stand at byte 84 (common practice, no source)."""
    place = source.read(84, 8)
    return source.part(*struct.unpack(">II", place)) if len(place) == 8 else None


def split(data: bytes) -> tuple[list[Segment], bytes]:
    """Segments between SOI and the first scan, and the rest of the file from SOS on.

    Raises ValueError where `data` is not a JPEG or ends too early.
    """
    segments, begin = _segments(data)
    return segments, data[begin:]


def _segments(data: bytes) -> tuple[list[Segment], int]:
    """Segments between SOI and the first scan, and the place of SOS: the scan data are not copied."""
    segments: list[Segment] = []
    begin = 0
    for place in walk(Source.of_bytes(data)):
        begin = place.begin
        if place.marker != SOS:
            start, end = place.payload.start, place.payload.start + place.payload.length
            segments.append(Segment(place.marker, data[start:end], data[begin:end]))
    return segments, begin


def make(marker: int, payload: bytes) -> Segment:
    """A segment of at most 65,533 payload octets; ValueError beyond."""
    if len(payload) > _MAXIMUM:
        raise ValueError(f"{len(payload)} bytes do not fit into one JPEG segment of {_MAXIMUM}")
    return Segment(marker, payload, struct.pack(">BBH", 0xFF, marker, len(payload) + 2) + payload)


def insert(data: bytes, metadata: list[Segment]) -> bytes:
    """`data` with its metadata segments replaced by these: after JFIF (always first), before the rest."""
    segments, begin = _segments(data)
    kept = [segment for segment in segments if not segment.is_metadata]
    leading = 0
    while leading < len(kept) and kept[leading].marker == APP0:
        leading += 1
    ordered = kept[:leading] + metadata + kept[leading:]
    return b"".join([bytes((0xFF, SOI)), *(segment.raw for segment in ordered), memoryview(data)[begin:]])


def strip_jpeg(data: bytes) -> bytes:
    """The file without Exif, XMP and APP13; everything else (JFIF, ICC, tables, scans) byte for byte."""
    return insert(data, [])


def scan_digest(data: bytes) -> str:
    """SHA-256 (hex) of everything but the metadata segments: equal before and after a caption is edited."""
    return hashlib.sha256(strip_jpeg(data)).hexdigest()


def frame_size(data: bytes) -> tuple[int, int]:
    """(height, width) in pixels, from the start-of-frame segment. ValueError where there is none."""
    for segment in _segments(data)[0]:
        if segment.marker in FRAMES and len(segment.payload) >= 5:
            height, width = struct.unpack_from(">HH", segment.payload, 1)
            return height, width
    raise ValueError("damaged JPEG: no start of frame")
