"""A 16-bit TIFF with an sRGB profile and metadata."""

from __future__ import annotations

import io
import struct
from typing import Literal

import numpy as np
import tifffile

from pipeline.formats.icc import srgb_profile
from pipeline.formats.metadata.embed import tiff_tags
from pipeline.formats.metadata.exif import EXIF_POINTER, exif_directory
from pipeline.formats.metadata.model import Metadata
from pipeline.types import F32

_ORDER: Literal["<"] = "<"  # on every machine, for the same bytes everywhere


def encode_tiff(pixels: F32, metadata: Metadata | None) -> tuple[bytes, tuple[str, ...]]:
    """Display pixels (H, W, 3), 0 to 1 -> TIFF 6.0 bytes, 16 bits a channel, deflate; and what was cut in IIM.

    Raises MetadataTooLarge as for a JPEG.
    """
    tags, cut = tiff_tags(metadata) if metadata is not None else ((), ())
    buffer = io.BytesIO()
    tifffile.imwrite(
        buffer,
        (np.clip(pixels, 0, 1) * 65535 + 0.5).astype(np.uint16),
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


def _append_exif(buffer: io.BytesIO, metadata: Metadata) -> None:
    """The first directory again at the end of the file, with a pointer to the Exif directory that follows it.

    tifffile writes no directory of this kind, nor a pointer. Values that a directory points to stay where they
    are, so a longer copy of it does (TIFF 6.0, section 2); the old one, some 300 octets, is left unread.
    """
    buffer.seek(4)
    buffer.seek(*struct.unpack(_ORDER + "I", buffer.read(4)))
    (count,) = struct.unpack(_ORDER + "H", buffer.read(2))
    entries = [buffer.read(12) for _ in range(count)]
    following = buffer.read(4)
    end = buffer.seek(0, io.SEEK_END)
    start = end + end % 2  # directories begin on a word boundary
    exif = start + 2 + 12 * (count + 1) + 4
    entries.append(struct.pack(_ORDER + "HHII", EXIF_POINTER, 4, 1, exif))
    entries.sort(key=lambda entry: struct.unpack_from(_ORDER + "H", entry))
    directory = struct.pack(_ORDER + "H", len(entries)) + b"".join(entries) + following
    buffer.write(b"\0" * (start - end) + directory + exif_directory(metadata, exif, _ORDER))
    buffer.seek(4)
    buffer.write(struct.pack(_ORDER + "I", start))
