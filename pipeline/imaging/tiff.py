"""A 16-bit TIFF with an sRGB profile and metadata."""

from __future__ import annotations

import io

import numpy as np
import tifffile

from pipeline.imaging.icc import srgb_profile
from pipeline.imaging.metadata import tiff_tags
from pipeline.imaging.metadata_model import Metadata
from pipeline.model import F32


def encode_tiff(pixels: F32, metadata: Metadata | None) -> tuple[bytes, tuple[str, ...]]:
    """Display pixels (H, W, 3), 0 to 1 -> TIFF 6.0 bytes, 16 bits a channel, deflate; and what was cut in IIM."""
    tags, cut = tiff_tags(metadata) if metadata is not None else ((), ())
    buffer = io.BytesIO()
    tifffile.imwrite(
        buffer,
        (np.clip(pixels, 0, 1) * 65535 + 0.5).astype(np.uint16),
        photometric="rgb",
        compression="zlib",
        predictor=True,
        iccprofile=srgb_profile(),
        metadata=None,
        software=False,
        extratags=tags,
    )
    return buffer.getvalue(), cut
