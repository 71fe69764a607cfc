"""The full demosaic against LibRaw's AHD on photographs: `python -m tests.demosaic_table [--every N] [--iso N]`.

Photographs of ../shared/data/photos, sharp at the pixel, in linear light, are brought to a Bayer mosaic as a camera
sees them (balance gains 1.9 / 1 / 1.7, white at 0.7 of saturation), without noise or with simulated noise that
denoise then takes out of the mosaic (`fine`), and demosaiced by both. Printed for each: mean sRGB CPSNR in dB, mean
CIEDE2000 (D65, 2 degrees), zipper (share of pixels whose CIE 1976 distance to the neighbour nearest to them in the
truth grew or fell by more than 2.3: Lu and Tan, "Color filter array demosaicking: new method and performance measures",
IEEE Trans. Image Process. 12(10), 2003), and of how many pictures ours is the worse one and by how much at the most.
Then false colour on drawn grey patterns: nets, stripes, a star of wedges, text; CIE chroma, which should be none,
mean and 99th percentile.
"""

from __future__ import annotations

import argparse
import tempfile
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import rawpy
from pipeline.fixtures.dng import write_dng
from skimage.color import deltaE_ciede2000, rgb2lab

from pipeline.imaging.denoise.denoise import denoise_mosaic
from pipeline.imaging.geometry import WHOLE
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw.window import full_size_window, packed, unpacked
from pipeline.types import Noise
from tests.denoise_cases import EXPOSURE, GAINS, camera_noise, decode, encode, expose

PHOTOS = Path(__file__).resolve().parents[2] / "shared" / "data" / "photos"
ORDERS = {"RGGB": (0, 1, 1, 2), "BGGR": (2, 1, 1, 0), "GRBG": (1, 0, 2, 1), "GBRG": (1, 2, 0, 1)}
_BLACK, _WHITE = 2000.0, 62000.0
_RIM = 12  # pixels about each picture, mirrored, and 4 within it that are not looked at
_INNER = slice(_RIM + 4, -_RIM - 4)
_ZIPPER = 2.3  # CIE 1976, one just noticeable difference


def mosaic_of(picture: np.ndarray, order: str) -> np.ndarray:
    """(H, W, 3) balanced -> (H, W), as the camera sees it."""
    mosaic = np.empty(picture.shape[:2])
    for place, colour in enumerate(ORDERS[order]):
        cell = (slice(place // 2, None, 2), slice(place % 2, None, 2))
        mosaic[cell] = picture[(*cell, colour)] / GAINS[colour]
    return mosaic


def counts(mosaic: np.ndarray) -> np.ndarray:
    return np.clip(np.round(mosaic * (_WHITE - _BLACK) + _BLACK), 0, 65535).astype(np.uint16)


def by_ahd(mosaic: np.ndarray, order: str) -> np.ndarray:
    """LibRaw's, balanced, as it was asked for where it was used."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "frame.dng"
        write_dng(
            path, counts(mosaic), black=int(_BLACK), white=int(_WHITE), pattern=order, make="Evencourt",
            model="Evencourt Test Camera", serial="1", lens="", iso=6400, exposure_time=0.001, f_number=2.8,
            focal_length=85.0, time=datetime(2026, 2, 14, 19, 30), color_matrix=np.eye(3),
            as_shot_neutral=tuple((1 / GAINS).tolist()),
        )  # fmt: skip
        with rawpy.imread(str(path)) as raw:
            rgb = raw.postprocess(
                user_flip=0, user_wb=[*GAINS.tolist(), 1.0], output_color=rawpy.ColorSpace.raw, output_bps=16,
                gamma=(1, 1), no_auto_bright=True, adjust_maximum_thr=0.0,
                highlight_mode=rawpy.HighlightMode.Ignore, demosaic_algorithm=rawpy.DemosaicAlgorithm.AHD,
            )  # fmt: skip
    return rgb * np.float32(GAINS.max() / 65535)


def by_ours(mosaic: np.ndarray, order: str) -> np.ndarray:
    pattern = np.array(ORDERS[order]).reshape(2, 2)
    size = (mosaic.shape[0], mosaic.shape[1])
    black, white = np.full(3, _BLACK), np.full(3, _WHITE)
    out, _ = full_size_window(counts(mosaic), black, white, pattern, Orientation.TOP_LEFT, size, WHOLE, GAINS, None)
    return out * GAINS.astype(np.float32)


def cleaned(mosaic: np.ndarray, order: str, iso: float) -> np.ndarray:
    """With noise of that ISO, which is then taken out as for a delivery at full size."""
    row, column = divmod(ORDERS[order].index(0), 2)
    noisy = expose(mosaic, iso, 7).astype(np.float32)[:: -1 if row else 1, :: -1 if column else 1]
    a, b = camera_noise(iso)
    cells = denoise_mosaic(
        packed(noisy), Noise(np.full(3, a), np.full(3, b)), keep_grain=0.12, balance=GAINS, quality="fine"
    )
    return unpacked(cells)[:: -1 if row else 1, :: -1 if column else 1]


def zipper(truth: np.ndarray, found: np.ndarray) -> float:
    """Share of pixels, in percent; both CIELAB."""
    moves = [(y, x) for y in (-1, 0, 1) for x in (-1, 0, 1) if y or x]
    inner = (slice(1, -1), slice(1, -1))
    apart = [
        [np.linalg.norm(lab[inner] - np.roll(lab, move, (0, 1))[inner], axis=-1) for move in moves]
        for lab in (truth, found)
    ]
    nearest = np.argmin(apart[0], axis=0)[None]
    before, after = (np.take_along_axis(np.stack(part), nearest, 0)[0] for part in apart)
    return 100 * float((np.abs(after - before) > _ZIPPER).mean())


def scores(truth: np.ndarray, found: np.ndarray) -> tuple[float, float, float]:
    """CPSNR, CIEDE2000, zipper of the inner part."""
    t, e = encode(truth[_INNER, _INNER]), encode(found[_INNER, _INNER])
    lab_t, lab_e = rgb2lab(t), rgb2lab(e)
    return (
        float(-10 * np.log10(np.mean((t - e) ** 2))),
        float(deltaE_ciede2000(lab_t, lab_e).mean()),
        zipper(lab_t, lab_e),
    )


def photographs(every: int) -> list[tuple[str, np.ndarray]]:
    found = []
    for path in sorted(PHOTOS.glob("*.webp"))[::every]:
        rgb = cv2.imread(str(path), cv2.IMREAD_COLOR)[..., ::-1] / 255.0
        found.append((path.stem, np.pad(EXPOSURE * decode(rgb), ((_RIM, _RIM), (_RIM, _RIM), (0, 0)), "reflect")))
    return found


def drawn() -> list[tuple[str, np.ndarray]]:
    """Grey patterns as a lens draws them: painted at four times the size, then averaged."""
    side, scale = 512, 4
    y, x = np.mgrid[0 : side * scale, 0 : side * scale] / scale
    angle = np.arctan2(y - side / 2, x - side / 2)
    text = np.full((side * scale, side * scale), 20, np.uint8)
    for line in range(24):
        place, size = (20, int((18 + 20 * line) * scale)), 0.3 * scale * (1 + line % 4 / 2)
        cv2.putText(text, "GULLS 7 FOXES 12 Westerby", place, cv2.FONT_HERSHEY_SIMPLEX, size, 210, 3, cv2.LINE_AA)
    nets = np.minimum(np.abs((0.9 * x + 0.3 * y) % 9 - 4.5), np.abs((0.9 * y - 0.3 * x) % 9 - 4.5)) < 0.6
    pictures = {
        "net": np.where(nets, 0.6, 0.06),
        "stripes": np.where((x + 0.2 * y) % (2.2 + 3 * y / side) < 1.1 + 1.5 * y / side, 0.5, 0.1),
        "star of 72 wedges": np.where(np.sin(72 * angle) > 0, 0.55, 0.05),
        "text": text / np.float32(350),
    }
    return [
        (name, np.repeat(cv2.resize(p.astype(np.float32), (side, side), interpolation=cv2.INTER_AREA)[..., None], 3, 2))
        for name, p in pictures.items()
    ]


def table(pictures: list[tuple[str, np.ndarray]], order: str, iso: float) -> None:
    both: list[list[tuple[float, float, float]]] = [[], []]
    for _, truth in pictures:
        mosaic = mosaic_of(truth, order)
        if iso:
            mosaic = cleaned(mosaic, order, iso)
        for method, rows in zip((by_ahd, by_ours), both, strict=True):
            rows.append(scores(truth, method(mosaic, order)))
    ahd, ours = (np.array(rows) for rows in both)
    better = (ours - ahd) * np.array([1, -1, -1])
    print(f"{order} {'ISO ' + format(iso, '.0f') if iso else 'no noise':<10}", end="")
    for column, (name, digits) in enumerate((("dB", 2), ("dE", 3), ("zipper %", 2))):
        worst = int(np.argmin(better[:, column]))
        print(
            f" | {name} {ahd[:, column].mean():.{digits}f} {ours[:, column].mean():.{digits}f}, "
            f"worse {int((better[:, column] < 0).sum())} of {len(pictures)}, "
            f"by {max(0.0, -better[worst, column]):.{digits}f} ({pictures[worst][0]})",
            end="",
        )
    print(flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--every", type=int, default=6, help="every so many of the photographs")
    parser.add_argument("--iso", type=float, action="append", help="0 is without noise; may be repeated")
    parser.add_argument("--order", choices=ORDERS, action="append", help="of the colours; may be repeated")
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    pictures = photographs(arguments.every)
    print("AHD, then ours:")
    for order in arguments.order or ["RGGB"]:
        for iso in arguments.iso if arguments.iso is not None else (0, 1600, 3200, 6400, 12800):
            table(pictures, order, iso)
    for name, truth in drawn():
        mosaic = mosaic_of(truth, "GRBG")
        for how in (by_ahd, by_ours):
            found = encode(how(mosaic, "GRBG"))
            chroma = np.hypot(*np.moveaxis(rgb2lab(found)[..., 1:], -1, 0))[_INNER, _INNER]
            level = -10 * np.log10(np.mean((found - encode(truth))[_INNER, _INNER] ** 2))
            far = np.percentile(chroma, 99)
            print(f"{name}, {how.__name__}: chroma {chroma.mean():.2f}, 99th {far:.1f}; {level:.2f} dB")


if __name__ == "__main__":
    main()
