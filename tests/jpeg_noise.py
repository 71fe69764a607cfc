"""Denoise of finished JPEGs: `python -m tests.jpeg_noise [--iso N] [--size S] [--quality Q] [--crop] [--clean]
...`.

Photographs of ../shared/data/photos are exposed by a sensor with the noise of one of the five cameras measured in
../shared/data/noise (Wei, Fu, Yang and Huang, "A physics-based noise formation model for extreme low-light raw
denoising", CVPR 2020: system gain K, read noise), written as DNG, demosaiced by LibRaw (AHD), bent by a curve like a
camera's, compressed at quality 90 to 95 with halved colour, read as a shoot is, and denoised by the noise that the
JPEG alone shows, and by that of all of them together. The truth goes the same way without noise.

Sizes: web  the JPEG of a sensor of 2.9 times as many pixels a side, brought to the photograph's 512 (as 6000 to 2048);
full  the JPEG of 1.5 times as many, at all its pixels; file  the web picture saved as JPEG and read at all its pixels.

Printed: sRGB PSNR in dB and mean CIEDE2000 (D65, 2 degrees) before and after, each picture and the mean, and the
picture that gains least. `--flat` tells instead what is left where the picture is flat: a photograph's own noise is no
truth. `--clean` adds what is done to the truth at ISO 100, alone and in a pool. `--against` compares
on the middle 256 pixels of each picture with OpenCV's and scikit-image's non-local means and, where it is installed by
hand, BM3D (see tests/denoise_table.py), each at the setting that is best for all pictures together, of those in
SETTINGS.
Curve, exposure and the span of the sensor in digital numbers are ours, no source.
"""

from __future__ import annotations

import argparse
import importlib.util
import io
import json
import tempfile
import zlib
from collections.abc import Callable, Sequence
from datetime import datetime
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import PIL.Image
import rawpy
from pipeline.fixtures.dng import write_dng
from pipeline.fixtures.light import colour_matrix
from skimage.color import deltaE_ciede2000, rgb2lab
from skimage.restoration import denoise_nl_means

from pipeline.formats.pictures import read_picture
from pipeline.imaging.denoise.picture_noise import PictureStatistics, picture_statistics
from pipeline.imaging.denoise.picture_noise_pool import of_frame, pool
from pipeline.imaging.resample import resize, resize_energy
from pipeline.shoot.facts import FrameFacts
from pipeline.steps.base import ApplyContext
from pipeline.steps.denoise import STEP as DENOISE
from pipeline.types import Domain, Exif, Frame, Image, Noise
from tests.denoise_cases import decode

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"
ISOS = (1600, 3200, 6400, 12800)
SIZES = {"web": 6000 / 2048, "full": 1.5, "file": 6000 / 2048}
# Sports halls have few of them, but what is all texture is what must not be taken for noise.
PICTURES = ("012", "024", "045", "072", "102", "108", "111", "138", "165", "186", "201", "207")
SETTINGS = {
    "OpenCV non-local means": (3.0, 5.0, 7.0, 10.0, 14.0),
    "scikit-image non-local means": (0.4, 0.6, 0.8, 1.0),
    "BM3D": (6.0, 10.0, 14.0, 18.0, 24.0),
}
QUALITIES = ("standard", "fine", "learned")
CLEAN_QUALITY = 92
_EXPOSURE = 0.6  # of saturation, where white lies
_BLACK, _SPAN = 1000, 15000  # digital numbers
_RGB_TO_XYZ = np.array(  # IEC 61966-2-1
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
_MIDDLE = slice(128, 384)
_FLAT = 16  # pixels along the side of blocks that are looked at for flat places

Picture = np.ndarray  # (H, W, 3) linear, 1 = white


def encode(linear: Picture) -> Picture:
    """sRGB, 0 to 1 (IEC 61966-2-1)."""
    x = np.clip(linear, 0, 1)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)


def score(truth: Picture, found: Picture) -> tuple[float, float]:
    """sRGB PSNR in dB, mean CIEDE2000."""
    t, f = encode(truth), encode(found)
    return float(-10 * np.log10(max(np.mean((t - f) ** 2), 1e-10))), float(
        deltaE_ciede2000(rgb2lab(t), rgb2lab(f)).mean()
    )


def off_flat(truth: Picture, *found: Picture) -> list[float]:
    """Deviation, in codes of 255, of each picture from what is flat in the truth: of blocks of 16 pixels whose means of
    4x4 lie within three codes of a plane, from that plane. NaN where there is none."""
    y, x = np.mgrid[0:_FLAT, 0:_FLAT]
    plane = np.linalg.qr(np.stack([np.ones(_FLAT**2), x.ravel(), y.ravel()], axis=1))[0]

    def blocks(picture: Picture) -> np.ndarray:
        down, across = (side // _FLAT for side in picture.shape[:2])
        cut = 255 * encode(picture)[: down * _FLAT, : across * _FLAT].reshape(down, _FLAT, across, _FLAT, 3)
        return cut.swapaxes(1, 2).reshape(-1, _FLAT**2, 3)

    level = plane @ (plane.T @ blocks(truth))
    coarse = (blocks(truth) - level).reshape(-1, _FLAT // 4, 4, _FLAT // 4, 4, 3).mean(axis=(2, 4))
    flat = np.abs(coarse).max(axis=(1, 2, 3)) < 3
    return [float(np.sqrt(np.mean((blocks(one) - level)[flat] ** 2))) if flat.any() else np.nan for one in found]


def photograph(name: str) -> Picture:
    """Linear, of ../shared/data/photos."""
    return decode(cv2.imread(str(DATA / "photos" / f"{name}.webp"), cv2.IMREAD_COLOR)[..., ::-1] / 255.0)


@cache
def cameras() -> dict[str, dict]:
    return dict(json.loads((DATA / "noise" / "eld_noise_parameters.json").read_text(encoding="utf-8")))


def sensor_noise(camera: str, iso: float) -> tuple[float, float]:
    """(a, b) of var = a * x + b, 1 = saturation. K is in proportion to the ISO, from Kmin at ISO 100."""
    found = cameras()[camera]
    gain = found["Kmin"] * iso / 100
    line = found["Profile-1"]["g_scale"]
    read = np.exp(line["slope"] * np.log(gain) + line["bias"])
    return gain / _SPAN, float(read / _SPAN) ** 2


def developed(mosaic: np.ndarray) -> Picture:
    """A mosaic (H, W), RGGB, 1 = saturation, as DNG, by LibRaw's AHD: linear sRGB."""
    matrix = colour_matrix()
    neutral = matrix @ _RGB_TO_XYZ.sum(axis=1)
    counts = np.clip(np.round(mosaic * _SPAN + _BLACK), 0, _BLACK + _SPAN).astype(np.uint16)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "frame.dng"
        write_dng(
            path, counts, black=_BLACK, white=_BLACK + _SPAN, pattern="RGGB", make="Evencourt",
            model="Evencourt Test Camera", serial="1", lens="", iso=6400, exposure_time=0.001, f_number=2.8,
            focal_length=85.0, time=datetime(2026, 2, 14, 19, 30), color_matrix=matrix,
            as_shot_neutral=tuple((neutral / neutral.max()).tolist()),
        )  # fmt: skip
        with rawpy.imread(str(path)) as raw:
            rgb = raw.postprocess(
                demosaic_algorithm=rawpy.DemosaicAlgorithm.AHD, use_camera_wb=True, no_auto_bright=True,
                gamma=(1, 1), output_bps=16, user_flip=0, adjust_maximum_thr=0.0,
            )  # fmt: skip
    return rgb / 65535.0


def camera_curve(linear: Picture) -> Picture:
    """A camera's: sRGB, bent by two fifths of a smooth S."""
    v = encode(linear / _EXPOSURE)
    return 0.6 * v + 0.4 * (3 * v**2 - 2 * v**3)


def jpeg(encoded: Picture, quality: int) -> bytes:
    """With halved colour (4:2:0)."""
    buffer = io.BytesIO()
    codes = (np.clip(encoded, 0, 1) * 255 + 0.5).astype(np.uint8)
    PIL.Image.fromarray(codes).save(buffer, "JPEG", quality=quality, subsampling=2)
    return buffer.getvalue()


def read(data: bytes) -> Picture:
    """As a shoot's frame is read, at all its pixels."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "frame.jpg"
        path.write_bytes(data)
        return read_picture(path).pixels


@cache
def steps(quality: int) -> np.ndarray:
    """By which `jpeg` rounds, as read from a file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "frame.jpg"
        path.write_bytes(jpeg(np.zeros((16, 16, 3)), quality))
        found = read_picture(path).steps
    assert found is not None
    return found


def quality_of(name: str) -> int:
    """Of the JPEG of a photograph: 90 to 95."""
    return 90 + zlib.crc32(name.encode()) % 6


def pair(name: str, iso: float, size: str, crop: bool = False) -> tuple[Picture, Picture]:
    """As `exposed`, of a photograph of the folder, or of its middle; the quality goes by the name."""
    picture = photograph(name)[_MIDDLE, _MIDDLE] if crop else photograph(name)
    return exposed(picture, iso, size, quality_of(name))


def exposed(picture: Picture, iso: float, size: str, quality: int, seed: int = 7) -> tuple[Picture, Picture]:
    """(noisy, truth) of a square linear picture, as read from their JPEGs; which camera goes by the ISO."""
    scene = _EXPOSURE * picture
    side = int(scene.shape[0] * SIZES[size]) // 2 * 2
    scene = np.maximum(cv2.resize(scene, (side, side), interpolation=cv2.INTER_CUBIC), 0)
    seen = np.maximum(scene @ (colour_matrix() @ _RGB_TO_XYZ).T, 0)
    mosaic = seen[..., 1].copy()
    mosaic[0::2, 0::2], mosaic[1::2, 1::2] = seen[0::2, 0::2, 0], seen[1::2, 1::2, 2]
    a, b = sensor_noise(sorted(cameras())[round(np.log2(iso / 100)) % len(cameras())], iso)
    rng = np.random.default_rng(seed)
    noisy = a * rng.poisson(mosaic / a) + rng.normal(0, b**0.5, mosaic.shape)
    found = []
    for one in (noisy, mosaic):
        encoded = camera_curve(developed(one))
        if size == "file":
            encoded = cv2.resize(encoded, picture.shape[1::-1], interpolation=cv2.INTER_AREA)
        found.append(read(jpeg(encoded, quality)))
    return found[0], found[1]


def at_size(picture: Picture, noise: Noise, size: str) -> tuple[Picture, Noise]:
    """As decode brings it to the size of a delivery."""
    if size != "web":
        return picture, noise
    before = (picture.shape[0], picture.shape[1])
    after = (round(before[0] / SIZES["web"]), round(before[1] / SIZES["web"]))
    return resize(picture, *after), noise.averaged(resize_energy(before, after))


def denoised(picture: Picture, noise: Noise, of_camera: bool = True, **params: object) -> Picture:
    """As the step does it. Without grain kept, which is a matter of taste; of_camera  whether the file names one."""
    image = Image(picture, Domain.CAMERA, noise, np.ones(3), np.eye(3))
    given = DENOISE.Params.model_validate({"keep_grain": 0.0, **params})
    assert DENOISE.apply is not None
    exif = Exif(model="Evencourt Test Camera", iso=6400.0) if of_camera else Exif()
    context = ApplyContext(Frame("", Path(), "", "picture", exif), FrameFacts(), None)
    return DENOISE.apply(image, given, context).pixels


def by_itself(picture: Picture, size: str, iso: float | None, quality: int = CLEAN_QUALITY) -> Picture:
    """A JPEG that is alone in its shoot; as it is where nothing is known of its noise."""
    return cleaned_by(picture, size, iso, picture_statistics(picture, steps(quality)))


def cleaned_by(picture: Picture, size: str, iso: float | None, known: PictureStatistics, **params: object) -> Picture:
    """As by_itself, by what it is known to show."""
    own = pool([known], iso)
    if own is None:
        return at_size(picture, Noise(np.ones(3), np.ones(3)), size)[0]
    return denoised(*at_size(picture, own.noise(), size), **params)


def table(pictures: Sequence[str], iso: int, size: str, clean: bool, crop: bool, quality: str = "standard") -> float:
    """Prints it; the least gain of all pictures, dB."""
    pairs = {name: pair(name, iso, size, crop) for name in pictures}
    own = {name: picture_statistics(noisy, steps(quality_of(name))) for name, (noisy, _) in pairs.items()}
    together = pool(list(own.values()), iso)
    assert together is not None
    rows = {}
    after = f"gain dB, CIEDE2000 after: alone | in a pool of {len(pairs)}"
    print(f"\nISO {iso}, {size}, {quality}: dB, CIEDE2000 before | {after}")
    for name, (noisy, truth) in pairs.items():
        wanted = at_size(truth, Noise(np.ones(3), np.ones(3)), size)[0]
        before = score(wanted, at_size(noisy, Noise(np.ones(3), np.ones(3)), size)[0])
        alone = score(wanted, cleaned_by(noisy, size, iso, own[name], quality=quality))
        known = of_frame(together, own[name], iso).noise()
        pooled = score(wanted, denoised(*at_size(noisy, known, size), quality=quality))
        rows[name] = [*before, alone[0] - before[0], alone[1], pooled[0] - before[0], pooled[1]]
        print(name, " ".join(f"{v:7.2f}" for v in rows[name]), flush=True)
    print("mean", " ".join(f"{v:6.2f}" for v in np.mean(list(rows.values()), axis=0)))
    least = min(min(row[2], row[4]) for row in rows.values())
    print(f"least gain {least:.2f} dB")
    if clean:
        truths = {name: read(jpeg(camera_curve(_EXPOSURE * photograph(name)), CLEAN_QUALITY)) for name in pictures}
        shown = {name: picture_statistics(truth, steps(CLEAN_QUALITY)) for name, truth in truths.items()}
        together = pool(list(shown.values()), 100.0)
        for name, truth in truths.items():
            apart = [score(truth, cleaned_by(truth, "file", 100.0, shown[name], quality=quality))[1]]
            if together is not None:
                known = of_frame(together, shown[name], 100.0).noise()
                apart.append(score(truth, denoised(truth, known, quality=quality))[1])
            print(f"clean {name}, ISO 100: CIEDE2000 to itself", " ".join(f"{v:.2f}" for v in apart))
    return least


def flat_places(pictures: Sequence[str], iso: int, size: str, crop: bool, quality: str) -> None:
    """Prints how far flat places lie off a plane: as photographed, with noise, denoised alone."""
    print(f"\nISO {iso}, {size}: deviation from flat, of 255: photographed, with noise, denoised alone | gain, dB")
    for name in pictures:
        noisy, truth = pair(name, iso, size, crop)
        known = picture_statistics(noisy, steps(quality_of(name)))
        off = off_flat(truth, truth, noisy, cleaned_by(noisy, size, iso, known, quality=quality))
        print(name, " ".join(f"{v:6.2f}" for v in off), f"| {20 * np.log10(off[1] / off[2]):6.2f}", flush=True)


def _opencv(codes: np.ndarray, setting: float) -> Picture:
    eight = (codes * 255 + 0.5).astype(np.uint8)
    return cv2.fastNlMeansDenoisingColored(eight[..., ::-1].copy(), None, setting, setting, 5, 15)[..., ::-1] / 255.0


def _scikit(codes: np.ndarray, setting: float) -> Picture:
    sigma = 0.03
    return np.asarray(
        denoise_nl_means(codes, patch_size=5, patch_distance=6, h=setting * 2 * sigma, sigma=0.0, channel_axis=-1)
    )


def _bm3d(codes: np.ndarray, setting: float) -> Picture:
    import bm3d

    if not hasattr(np, "trapz"):  # its older name, which the package still calls; gone from NumPy 2.4
        np.trapz = np.trapezoid  # noqa: NPY201
    return np.asarray(bm3d.bm3d_rgb(codes, setting / 255))


def against(pictures: Sequence[str], iso: int, size: str) -> None:
    """Prints the mean gain over the middle of the pictures, dB, of each method at its best setting."""
    methods: dict[str, Callable[[np.ndarray, float], Picture]] = {
        "OpenCV non-local means": _opencv, "scikit-image non-local means": _scikit,
    }  # fmt: skip
    if importlib.util.find_spec("bm3d") is not None:
        methods["BM3D"] = _bm3d
    gains: dict[tuple[str, float], list[float]] = {}
    for name in pictures:
        noisy, truth = pair(name, iso, size)
        own = pool([picture_statistics(noisy, steps(quality_of(name)))], iso)
        assert own is not None
        small, noise = at_size(noisy, own.noise(), size)
        wanted = resize(truth, 512, 512) if size == "web" else truth
        inner = (_MIDDLE, _MIDDLE)
        before = score(wanted[inner], small[inner])[0]
        for quality in QUALITIES:
            found = denoised(small, noise, quality=quality)
            gains.setdefault((f"ours, {quality}", 1.0), []).append(score(wanted[inner], found[inner])[0] - before)
        codes = np.ascontiguousarray(encode(small[inner]))
        for method, run in methods.items():
            for setting in SETTINGS[method]:
                found = decode(run(codes, setting))
                gains.setdefault((method, setting), []).append(score(wanted[inner], found)[0] - before)
    print(f"\nISO {iso}, {size}, gain over {len(pictures)} pictures alone, dB: mean, least; best setting")
    for method in dict.fromkeys(key[0] for key in gains):
        best = max((key for key in gains if key[0] == method), key=lambda key: float(np.mean(gains[key])))
        print(f"{method:<30} {np.mean(gains[best]):6.2f} {min(gains[best]):6.2f}   {best[1]:g}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--iso", type=int, action="append", help="only this ISO; may be repeated")
    parser.add_argument("--size", choices=SIZES, action="append", help="only this size; may be repeated")
    parser.add_argument("--pictures", help="names without suffix, with commas between them")
    parser.add_argument("--every", type=int, default=0, help="one in so many of all photographs instead")
    parser.add_argument("--quality", choices=QUALITIES, default="standard")
    parser.add_argument("--crop", action="store_true", help="only the middle 256 pixels of each: a small frame")
    parser.add_argument("--flat", action="store_true", help="only how far flat places are off, of size file or full")
    parser.add_argument("--clean", action="store_true", help="also what is done to pictures without noise")
    parser.add_argument("--against", action="store_true", help="compare with other methods (minutes)")
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    pictures = arguments.pictures.split(",") if arguments.pictures else PICTURES
    if arguments.every:
        pictures = [path.stem for path in sorted((DATA / "photos").glob("*.webp"))[:: arguments.every]]
    for size in arguments.size or SIZES:
        for iso in arguments.iso or ISOS:
            if arguments.against:
                against(pictures, iso, size)
            elif arguments.flat:
                flat_places(pictures, iso, size, arguments.crop, arguments.quality)
            else:
                clean = arguments.clean and iso == (arguments.iso or ISOS)[0]
                table(pictures, iso, size, clean, arguments.crop, arguments.quality)


if __name__ == "__main__":
    main()
