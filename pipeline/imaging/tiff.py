"""A 16-bit TIFF with an sRGB profile and metadata."""

from __future__ import annotations

import io

import numpy as np
import tifffile

from pipeline.imaging.icc import srgb_profile
from pipeline.imaging.metadata import Metadata, tiff_tags
from pipeline.model import F32


def encode_tiff(pixels: F32, metadata: Metadata | None) -> bytes:
    """Display pixels (H, W, 3), 0 to 1 -> TIFF 6.0 bytes, 16 bits a channel, deflate."""
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
        extratags=tiff_tags(metadata) if metadata is not None else [],
    )
    return buffer.getvalue()
