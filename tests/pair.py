"""The pair of the README, before and after at 1:1: `python -m tests.pair FRAME LEFT TOP` writes fixtures/pair.jpg.

FRAME is a raw of a demonstration shoot, TH1_0004 with 790 200 in the README; left as the camera saw it, right with
`denoise: {quality: learned}`.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from pipeline.formats.exif import read_exif
from pipeline.imaging.raw.frame import DecodeOptions
from pipeline.light.highlights import rebuild_highlights
from pipeline.steps import denoise
from pipeline.steps.decode import decode
from pipeline.steps.tone import ToneParams, displayed
from pipeline.types import Frame

WIDTH, HEIGHT = 440, 330
SHARE = 0.22  # of white that the mean of the part is shown at


def main() -> None:
    path, left, top = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    frame = Frame(path.stem, path, path.name, "raw", read_exif(path, "raw"))
    params = denoise.DenoiseParams(quality="learned")
    shown, gain = [], 0.0
    for clean in (None, denoise.on_mosaic(params)):
        decoded = decode(frame, None, DecodeOptions(clean=clean))
        image, gains = decoded.image, decoded.camera_balance
        pixels = image.pixels[top : top + HEIGHT, left : left + WIDTH]
        gain = gain or SHARE / float((pixels * gains).mean())
        balanced = rebuild_highlights(pixels * (gains * gain).astype(np.float32), image.saturation * gains * gain)
        shown.append(displayed(replace(image, pixels=balanced), ToneParams.model_validate({}), finished=False).pixels)
    strip = np.hstack([shown[0], np.ones((HEIGHT, 6, 3), np.float32), shown[1]])
    codes = (np.clip(strip, 0, 1) * 255 + 0.5).astype(np.uint8)[..., ::-1]
    out = Path(__file__).resolve().parents[1] / "fixtures" / "pair.jpg"
    cv2.imwrite(str(out), codes, [cv2.IMWRITE_JPEG_QUALITY, 85])


if __name__ == "__main__":
    main()
