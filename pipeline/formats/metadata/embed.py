"""Metadata written into encoded files: XMP, IIM and Exif agree, and the pixels stay unchanged."""

from __future__ import annotations

from typing import NamedTuple

from pipeline.formats import jpeg_segments as jpeg
from pipeline.formats.metadata.exif import exif_block, main_texts
from pipeline.formats.metadata.iim import iim_block, image_resources
from pipeline.formats.metadata.model import Metadata, MetadataTooLarge
from pipeline.formats.metadata.xmp import xmp_packet


class TiffTag(NamedTuple):
    """One TIFF tag, in the order that tifffile's `extratags` wants."""

    code: int
    type: int
    values: int
    value: bytes
    writeonce: bool


def embed_jpeg(encoded: bytes, metadata: Metadata) -> tuple[bytes, tuple[str, ...]]:
    """The JPEG with Exif, XMP and APP13 of `metadata`, and a sentence for each text that the limits of IIM cut.

    Earlier Exif, XMP and APP13 segments go. Raises MetadataTooLarge before anything is joined, ValueError for
    bytes that are not a JPEG.
    """
    segments, notices = _segments(metadata, jpeg.frame_size(encoded))
    return jpeg.insert(encoded, segments), notices


def metadata_size(metadata: Metadata) -> int:
    """Octets that `embed_jpeg` adds to a file without metadata. Raises MetadataTooLarge like it."""
    return sum(len(segment.raw) for segment in _segments(metadata, (1, 1))[0])


def _segments(metadata: Metadata, size: tuple[int, int]) -> tuple[list[jpeg.Segment], tuple[str, ...]]:
    iim = iim_block(metadata)
    segments = [
        _segment("XMP", jpeg.APP1, jpeg.XMP + xmp_packet(metadata)),
        _segment("IIM", jpeg.APP13, jpeg.PHOTOSHOP + image_resources(iim.data)),
    ]
    exif = _segment("Exif", jpeg.APP1, jpeg.EXIF + exif_block(metadata, size))
    return [exif, *segments], iim.cut


def _segment(name: str, marker: int, payload: bytes) -> jpeg.Segment:
    try:
        return jpeg.make(marker, payload)
    except ValueError as error:
        raise MetadataTooLarge(f"{name}: {error}; shorten the caption or the keywords") from None


def tiff_tags(metadata: Metadata) -> tuple[tuple[TiffTag, ...], tuple[str, ...]]:
    """Tags of a TIFF's first directory, in ascending order, and one sentence for each text that the limits of IIM cut.

    270 caption, 271 make, 272 model, 305 software, 306 time, 315 creator, 700 XMP, 33432 copyright, 33723 IIM,
    34377 image resources. With tifffile pass `metadata=None` and no `description`, or it writes a 270 of its
    own. Raises MetadataTooLarge as for a JPEG, so that one recipe works for both.
    """
    _segments(metadata, (1, 1))
    iim = iim_block(metadata)
    texts = main_texts(metadata)
    if metadata.created is not None:
        texts[306] = f"{metadata.created:%Y:%m:%d %H:%M:%S}\0".encode("ascii")
    tags = [TiffTag(code, 2, len(text), text, True) for code, text in texts.items()]
    for code, kind, data in (
        (700, 1, xmp_packet(metadata)),
        (33723, 7, iim.data),
        (34377, 1, image_resources(iim.data)),
    ):
        tags.append(TiffTag(code, kind, len(data), data, True))
    return tuple(sorted(tags)), iim.cut
