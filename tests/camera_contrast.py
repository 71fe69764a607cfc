"""The contrast that real cameras give their pictures: `python -m tests.camera_contrast`.

Each raw of ../shared/data/raw that holds a picture of its camera as a JPEG or bitmap: the luminance of both on 48 x 64
cells, that of the raw as LibRaw's linear light in the camera's own balance. Printed are the strength of the family of
pipeline/imaging/camera_curve.py that leaves the least between them, by one factor for all, and the median of what it
leaves, in stops, beside what plain sRGB leaves. What a camera does by the content of a picture is in it too.
"""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np
import PIL.Image
import rawpy

from pipeline.imaging.camera_curve import straighten
from pipeline.imaging.colour import LUMINANCE, srgb_decode
from pipeline.shoot.scan import scan
from pipeline.steps.decode import decode

RAWS = Path(__file__).resolve().parents[2] / "shared" / "data" / "raw"
STRENGTHS = np.arange(0.0, 0.96, 0.05)
_EDGE = 640
_CELLS = (64, 48)


def embedded(path: Path) -> np.ndarray | None:
    """(H, W, 3) what the sRGB curve reads of the camera's own picture."""
    with rawpy.imread(str(path)) as raw:
        try:
            thumb = raw.extract_thumb()
        except (rawpy.LibRawNoThumbnailError, rawpy.LibRawUnsupportedThumbnailError):
            return None
        jpeg = thumb.format == rawpy.ThumbFormat.JPEG
        codes = np.asarray(PIL.Image.open(io.BytesIO(thumb.data)).convert("RGB")) if jpeg else np.asarray(thumb.data)
    return srgb_decode(codes.astype(np.float32) / 255)


def left_by(shown: np.ndarray, light: np.ndarray, strength: float) -> float:
    """Median distance in stops of luminance (N,) from light (N,), less one factor for all."""
    off = np.log2(np.maximum(straighten(shown, strength), 1e-5)) - np.log2(light)
    return float(np.median(np.abs(off - np.median(off))))


def main() -> None:
    for frame in scan(RAWS).frames:
        picture = embedded(frame.path)
        if picture is None:
            continue
        found = decode(frame, _EDGE)
        balance = found.daylight if found.as_shot is None else found.as_shot
        linear = (found.image.pixels * balance) @ found.image.to_working.T
        light, shown = (
            cv2.resize(one.astype(np.float32), _CELLS, interpolation=cv2.INTER_AREA) for one in (linear, picture)
        )
        both = light @ LUMINANCE.astype(np.float32), shown @ LUMINANCE.astype(np.float32)
        good = (both[1] < 0.93) & (both[1] > 0.004) & (light.max(axis=2) < 1) & (both[0] > 0)
        left = [left_by(both[1][good], both[0][good], float(strength)) for strength in STRENGTHS]
        at = int(np.argmin(left))
        print(
            f"{frame.path.name:<14}{frame.exif.camera:<24} strength {STRENGTHS[at]:.2f}: {left[at]:.3f} EV left, "
            f"{left[0]:.3f} by plain sRGB"
        )


if __name__ == "__main__":
    main()
