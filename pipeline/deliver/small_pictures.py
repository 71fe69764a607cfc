"""The small pictures of a page: what a visitor loads before choosing one."""

from __future__ import annotations

import numpy as np

from pipeline.errors import FrameError
from pipeline.store.keys import digest_json

VERSION = 1  # raised when the same picture gives other bytes
PIXELS = 800 * 533  # in all; rows of the page are up to 370 CSS pixels high, and a phone's whole width is some 400
_QUALITY = 76


def small_key(sha256: str) -> str:
    """What the small picture of a picture with this SHA-256 is known by."""
    return digest_json([VERSION, sha256])


def small_picture(data: bytes, name: str, pixels_at_most: int = PIXELS) -> bytes:
    """A delivered JPEG or TIFF as a progressive JPEG of so many pixels at the most, without metadata.

    No place, name or serial number can travel with it. It is sRGB as the delivered files are, which is what a browser
    takes a picture without a profile for (CSS Color Module Level 4). Raises FrameError when it cannot be read.
    """
    import cv2

    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    if pixels is None:
        raise FrameError(f"{name}: cannot be read as a picture, so there is no small one")
    height, width = pixels.shape[:2]
    scale = min(1.0, (pixels_at_most / (width * height)) ** 0.5)
    if scale < 1:
        size = max(1, round(width * scale)), max(1, round(height * scale))
        pixels = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    options = [cv2.IMWRITE_JPEG_QUALITY, _QUALITY, cv2.IMWRITE_JPEG_PROGRESSIVE, 1, cv2.IMWRITE_JPEG_OPTIMIZE, 1]
    done, encoded = cv2.imencode(".jpg", pixels, options)
    if not done:
        raise FrameError(f"{name}: its small picture cannot be written")
    return encoded.tobytes()
