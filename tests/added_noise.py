"""Denoise of pictures with noise that no camera makes: `python -m tests.added_noise [--quality Q] [--pictures ...]`.

Gaussian noise is added to finished photographs of ../shared/data/photos, in sRGB, cut off at black and white, as scans,
films and other programs' files have it: white, or 0.9 pixels wide; of 4 and 10 codes; saved without loss (TIFF) or as
JPEG of quality 92. Each is denoised by what it alone shows, and by what all of them show together.

Printed: the gain of sRGB PSNR in dB alone and in a pool, its mean and each picture that loses, by kind. A photograph's
own noise counts as truth.
"""

from __future__ import annotations

import argparse
import itertools
from collections.abc import Sequence

import cv2
import numpy as np

from pipeline.imaging.denoise.picture_noise import PictureStatistics, picture_statistics
from pipeline.imaging.denoise.picture_noise_pool import of_frame, pool
from tests.jpeg_noise import (
    QUALITIES,
    Picture,
    cleaned_by,
    decode,
    denoised,
    encode,
    jpeg,
    photograph,
    read,
    score,
    steps,
)

PICTURES = ("024", "127", "012", "072", "111", "066", "186", "228")
CODES = (4.0, 10.0)
WIDE = 0.9  # pixels, deviation of what noise is blurred by
QUALITY = 92


def with_noise(picture: Picture, codes: float, wide: bool, lossless: bool, seed: int = 11) -> Picture:
    """Linear (H, W, 3) -> linear, as read from its file; codes of 255."""
    noise = np.random.default_rng(seed).normal(0, 1, picture.shape)
    if wide:
        noise = cv2.GaussianBlur(noise, (0, 0), WIDE)
        noise /= noise.std()
    found = np.clip(encode(picture) + codes / 255 * noise, 0, 1)
    return decode(np.round(255 * found) / 255).astype(np.float32) if lossless else read(jpeg(found, QUALITY))


def known_of(picture: Picture, lossless: bool) -> PictureStatistics:
    return picture_statistics(picture, None if lossless else steps(QUALITY))


def table(pictures: Sequence[str], quality: str) -> float:
    """Prints it; the least gain of all, dB."""
    least = np.inf
    truth = {name: photograph(name) for name in pictures}
    for codes, wide, lossless in itertools.product(CODES, (False, True), (True, False)):
        noisy = {name: with_noise(one, codes, wide, lossless) for name, one in truth.items()}
        shown = {name: known_of(one, lossless) for name, one in noisy.items()}
        together = pool(list(shown.values()), None)
        assert together is not None
        gains = []
        for name, one in noisy.items():
            before = score(truth[name], one)[0]
            alone = cleaned_by(one, "file", None, shown[name], of_camera=False, quality=quality)
            pooled = denoised(one, of_frame(together, shown[name], None).noise(), of_camera=False, quality=quality)
            gains.append([score(truth[name], found)[0] - before for found in (alone, pooled)])
        mean, worst = np.mean(gains, axis=0), np.min(gains, axis=0)
        lose = " ".join(f"{n} {a:.2f} {b:.2f}" for n, (a, b) in zip(noisy, gains, strict=True) if min(a, b) < 0)
        what = f"{codes:g} codes, {'wide' if wide else 'white'}, {'TIFF' if lossless else 'JPEG'}"
        print(f"{what:22} mean {mean[0]:5.2f} {mean[1]:5.2f} least {worst[0]:5.2f} {worst[1]:5.2f}  {lose}", flush=True)
        least = min(least, float(worst.min()))
    return least


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--pictures", help="names without suffix, with commas between them")
    parser.add_argument("--quality", choices=QUALITIES, default="learned")
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    pictures = arguments.pictures.split(",") if arguments.pictures else PICTURES
    print(f"{arguments.quality}: gain dB alone, in a pool; those that lose")
    print(f"least gain {table(pictures, arguments.quality):.2f} dB")


if __name__ == "__main__":
    main()
