"""A 16-bit TIFF with an sRGB profile and metadata."""

from __future__ import annotations

import io
import struct
from typing import Literal

import numpy as np
import tifffile
from numpy.typing import NDArray

from pipeline.formats.icc import srgb_profile
from pipeline.formats.metadata.embed import tiff_tags
from pipeline.formats.metadata.exif import exif_directory
from pipeline.formats.metadata.model import Metadata
from pipeline.formats.source import Source
from pipeline.formats.tiff_ifd import EXIF_POINTER, directory, header
from pipeline.types import F32

_ORDER: Literal["<"] = "<"  # on every machine, for the same bytes everywhere
_STRIP = 256  # rows that are brought to codes at a time


def encode_tiff(pixels: F32, metadata: Metadata | None) -> tuple[bytes, tuple[str, ...]]:
    """Display pixels (H, W, 3), 0 to 1 -> TIFF 6.0 bytes, 16 bits a channel, deflate; and what was cut in IIM.

    Raises MetadataTooLarge as for a JPEG.
    """
    tags, cut = tiff_tags(metadata) if metadata is not None else ((), ())
    buffer = io.BytesIO()
    tifffile.imwrite(
        buffer,
        _sixteen_bits(pixels),
        byteorder=_ORDER,
        photometric="rgb",
        compression="zlib",
        predictor=True,
        iccprofile=srgb_profile(),
        metadata=None,
        software=False,
        extratags=tags,
    )
    if metadata is not None:
        _append_exif(buffer, metadata)
    return buffer.getvalue(), cut


def _sixteen_bits(pixels: F32) -> NDArray[np.uint16]:
    """Display values as codes: in strips, since all pixels of a frame fill a worker's memory."""
    out = np.empty(pixels.shape, np.uint16)
    for first in range(0, len(pixels), _STRIP):
        part = slice(first, first + _STRIP)
        out[part] = (np.clip(pixels[part], 0, 1) * 65535 + 0.5).astype(np.uint16)
    return out


def _append_exif(buffer: io.BytesIO, metadata: Metadata) -> None:
    """The first directory again at the end of the file, with a pointer to the Exif directory that follows it.

    tifffile writes no directory of this kind, nor a pointer. Values that a directory points to stay where they
    are, so a longer copy of it does (TIFF 6.0, section 2); the old one, some 300 octets, is left unread.
    """
    source = Source(buffer, 0, buffer.seek(0, io.SEEK_END))
    found = header(source)
    assert found is not None, "tifffile wrote no TIFF"
    written = directory(source, found[1], _ORDER)
    entries = list(written.entries)
    end = buffer.seek(0, io.SEEK_END)
    start = end + end % 2  # directories begin on a word boundary
    exif = start + 2 + 12 * (len(entries) + 1) + 4
    entries.append(struct.pack(_ORDER + "HHII", EXIF_POINTER, 4, 1, exif))
    entries.sort(key=lambda entry: struct.unpack_from(_ORDER + "H", entry))
    longer = struct.pack(_ORDER + "H", len(entries)) + b"".join(entries) + struct.pack(_ORDER + "I", written.following)
    buffer.write(b"\0" * (start - end) + longer + exif_directory(metadata, exif, _ORDER))
    buffer.seek(4)
    buffer.write(struct.pack(_ORDER + "I", start))
