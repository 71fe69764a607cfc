"""Denoise against other methods on photographs: `python -m tests.denoise_table [--iso N] [--quick]`.

Prints, for each ISO, the mean sRGB PSNR and CIEDE2000 of each method on noise that is independent in each
channel and on the web path (mosaic, bilinear demosaic, area average to 2048 of 6000 pixels: correlated),
the CPU seconds per megapixel, and the difference to BM3D on the same pictures; then, at full size, the
mosaic denoised before the demosaic against the picture denoised after it. Before all that (`--patches`: only that) what
is left on drawn patches at full size: blotches, mesh, fringes.

Photographs and noise are those of tests/denoise_cases.py. The settings of the filter were chosen on TUNING only; the
table is of HELD_OUT unless told otherwise.

BM3D (Dabov et al. 2007; Makinen et al. 2020 for correlated noise) is the package bm3d, whose licence is
non-commercial: it is a reference for measuring, never a dependency, and the table leaves its row out where it
is not installed. It takes minutes per megapixel, so its results are kept in the folder for temporary files.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.util
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import cv2
import numpy as np
from skimage.restoration import denoise_nl_means, denoise_wavelet

from pipeline.imaging.denoise.denoise import QUALITIES, Quality, denoise, denoise_mosaic
from pipeline.imaging.denoise.stabilise import stabilise, unstabilise
from pipeline.imaging.geometry import WHOLE
from pipeline.imaging.learned.mosaic import learned_demosaic
from pipeline.imaging.learned.network import Network
from pipeline.imaging.learned.tiles import Settings
from pipeline.imaging.learned.web import learned_small
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw.demosaic import demosaic_noise
from pipeline.imaging.raw.window import full_size_window
from pipeline.types import Noise
from tests.denoise_cases import (
    BLACK,
    GAINS,
    HELD_OUT,
    ISOS,
    OWN_PIXELS,
    SCALE,
    SIDE,
    TUNING,
    WALLPAPERS,
    WHITE,
    Picture,
    as_counts,
    balanced_noise,
    block_power,
    by_area,
    camera_noise,
    expose,
    independent,
    mosaic_of,
    photograph,
    score,
    sensor,
    web,
    web_noise,
)

# What `quality: learned` is to gain over `fine` followed by LibRaw's AHD at full size, dB, by ISO; and of CIEDE2000, %.
BARS, BAR_OF_COLOUR = {3200: 1.8, 6400: 1.6, 12800: 1.3}, 12.0
WEB_BARS = {6400: 0.4, 12800: 0.6}  # over `fine` at web size, dB
Method = Callable[[Picture, Noise, "np.ndarray | None"], Picture]


def learned_web(
    truth: Picture, iso: float, seed: int, by: Network | None = None, wrong: float = 1.0, scene: Picture | None = None
) -> Picture:
    """The mosaic of `web`, as quality learned makes a picture of it.

    by  other weights; wrong  deviation of the noise as told, over what it is; scene  what the sensor sees, where that
    is not `sensor` of the truth
    """
    side, seen = truth.shape[0], sensor(truth) if scene is None else scene
    a, b = (v * wrong**2 for v in camera_noise(iso))
    scale = side / seen.shape[0]
    energy, spectrum = demosaic_noise(round(scale, 2))
    twice = by_area(expose(mosaic_of(seen / GAINS), iso, seed), 2 * side)
    of_mosaic, averaged = Noise(np.full(3, a), np.full(3, b)), Noise(a * energy, b * energy, spectrum)
    return learned_small(twice, GAINS, scale, of_mosaic, averaged, Settings(), by) * GAINS


def web_table(
    names: Sequence[str], iso: int, by: Network | None = None, each: bool = False, wrong: float = 1.0,
    scale: float = SCALE,
) -> None:  # fmt: skip
    """Quality learned against `fine` at web size; each  a line for every picture; wrong, scale  as in `web`."""
    fine, rows = _ours("fine"), []
    for name in names:
        picture = photograph(name)
        if picture is None:
            continue
        truth, *case = web(picture, iso, 7, wrong, scale)
        found = learned_web(picture, iso, 7, by, wrong, sensor(picture, scale))
        rows.append([*score(truth, found), *score(truth, fine(*case))])
        if each:
            ours, colour, theirs, of_fine = rows[-1]
            print(f"  {name:<32}{ours:7.2f} dB {colour:6.3f} dE, to fine {ours - theirs:+.2f} dB "
                  f"{100 * (colour / of_fine - 1):+.1f} %")  # fmt: skip
    all_of_them = np.array(rows)
    gain, share = all_of_them[:, 0] - all_of_them[:, 2], 100 * (all_of_them[:, 1] / all_of_them[:, 3] - 1)
    other = "" if scale == SCALE else f", {scale:g} of the sensor's size"
    other += "" if wrong == 1 else f", told {wrong:.0%} of the deviation"
    ours, colour = all_of_them[:, :2].mean(axis=0)
    print(
        f"web, ISO {iso}{other}: learned {ours:.2f} dB {colour:.3f} dE, to fine {gain.mean():+.2f} "
        f"(least {gain.min():+.2f}; bar +{WEB_BARS.get(iso, 0)}), {share.mean():+.1f} % (worst {share.max():+.1f})",
        flush=True,
    )


def _stabilised(method: Callable[[np.ndarray], np.ndarray]) -> Method:
    """The method between the same transform and inverse that denoise uses: unit variance in each channel."""

    def run(noisy: Picture, noise: Noise, power: np.ndarray | None) -> Picture:
        a, b = noise.a, noise.b
        z = np.stack([stabilise(noisy[..., c].astype(np.float64), a[c], b[c]) for c in range(3)], axis=-1)
        cleaned = method(z)
        return np.stack([unstabilise(cleaned[..., c], a[c], b[c]) for c in range(3)], axis=-1)

    return run


def _ours(quality: Quality) -> Method:
    def run(noisy: Picture, noise: Noise, power: np.ndarray | None) -> Picture:
        # Of channels whose noise is independent, luma and chroma have the mean power.
        mean = None if power is None else power.mean(axis=0)
        return denoise(noisy, noise, psd=(mean, mean), quality=quality)

    return run


def _wavelet(z: np.ndarray) -> np.ndarray:
    low, high = z.min(), np.ptp(z)
    cleaned = denoise_wavelet((z - low) / high, channel_axis=-1, convert2ycbcr=True, method="BayesShrink")
    return np.asarray(cleaned * high + low)


def _nl_means(z: np.ndarray) -> np.ndarray:
    return np.asarray(denoise_nl_means(z, patch_size=5, patch_distance=6, h=0.7, sigma=1.0, channel_axis=-1))


def _opencv_nl_means(z: np.ndarray) -> np.ndarray:
    """Each channel in 16 bits; OpenCV's L1 norm is the one that takes them."""
    low, scale = z.min(), 60000 / np.ptp(z)
    counts = np.round((z - low) * scale).astype(np.uint16)
    h = [float(1.2 * scale)]
    planes = [
        cv2.fastNlMeansDenoising(np.ascontiguousarray(counts[..., c]), h, None, 5, 15, cv2.NORM_L1) for c in range(3)
    ]
    return np.stack(planes, axis=-1) / scale + low


def _bm3d(z: np.ndarray, power: np.ndarray | None, seconds: list[float]) -> np.ndarray:
    """z of unit variance, (H, W, 3); power (H, W, 3) of the noise in the DFT, None is white."""
    import bm3d

    if not hasattr(np, "trapz"):  # its older name, which the package still calls; gone from NumPy 2.4
        np.trapz = np.trapezoid  # noqa: NPY201
    digest = hashlib.sha256(np.round(z, 4).tobytes() + (b"" if power is None else np.round(power).tobytes()))
    kept = Path(tempfile.gettempdir()) / "evencourt-bm3d" / f"{digest.hexdigest()}.npz"
    kept.parent.mkdir(exist_ok=True)
    if not kept.exists():
        profile = bm3d.BM3DProfile()
        profile.num_threads = 1
        start = time.process_time()
        # Its colour transform scales by the range of the picture, so that it takes any units.
        cleaned = bm3d.bm3d_rgb(z, [1.0, 1.0, 1.0] if power is None else power, profile)
        np.savez(kept, cleaned=cleaned, seconds=time.process_time() - start)
    result = np.load(kept)
    seconds.append(float(result["seconds"]))
    return np.asarray(result["cleaned"])


def _seconds(method: Method) -> float:
    """CPU seconds per megapixel of a picture of 1 megapixel, the least of three; compiled and warm."""
    truth = np.tile(photograph("coffee"), (4, 4, 1))
    _, noisy, noise, _ = independent(truth, 6400, 1)
    times = []
    for _ in range(3):
        start = time.process_time()
        method(noisy, noise, None)
        times.append(time.process_time() - start)
    return min(times) / (noisy.shape[0] * noisy.shape[1] / 1e6)


def _methods(slow: list[float]) -> dict[str, tuple[Method, bool]]:
    """Name -> method, and whether its time is to be measured."""
    found: dict[str, tuple[Method, bool]] = {
        "none": (lambda noisy, noise, power: noisy, False),
        "scikit-image wavelets": (_stabilised(_wavelet), True),
        "scikit-image non-local means": (_stabilised(_nl_means), True),
        "OpenCV non-local means": (_stabilised(_opencv_nl_means), True),
        "ours, standard": (_ours("standard"), True),
        "ours, fine": (_ours("fine"), True),
    }
    if importlib.util.find_spec("bm3d") is not None:

        def told(noisy: Picture, noise: Noise, power: np.ndarray | None) -> Picture:
            dft = None if power is None else web_noise(noisy.shape[0])[2]
            return _stabilised(lambda z: _bm3d(z, dft, slow))(noisy, noise, None)

        def untold(noisy: Picture, noise: Noise, power: np.ndarray | None) -> Picture:
            return _stabilised(lambda z: _bm3d(z, None, slow))(noisy, noise, None)

        found["BM3D, told the spectrum"] = (told, False)
        found["BM3D, taking noise as white"] = (untold, False)
    return found


def table(names: Sequence[str], isos: Sequence[int], quick: bool) -> None:
    slow: list[float] = []
    methods = _methods(slow)
    if quick:
        methods = {name: entry for name, entry in methods.items() if "means" not in name}
    pictures = {name: picture for name in names if (picture := photograph(name)) is not None}
    print("pictures:", ", ".join(pictures), "| not installed:", ", ".join(set(names) - set(pictures)) or "none")
    seconds = {name: _seconds(method) for name, (method, timed) in methods.items() if timed}
    reference = "BM3D, told the spectrum"
    for iso in isos:
        scores: dict[str, list[tuple[float, float]]] = {}
        for kind in (independent, web):
            cases = [kind(truth, iso, 7) for truth in pictures.values()]
            for name, (method, _) in methods.items():
                each = [score(case[0], method(*case[1:])) for case in cases]
                scores.setdefault(name, []).append(tuple(np.mean(each, axis=0)))
        if reference in methods and slow:
            seconds[reference] = seconds["BM3D, taking noise as white"] = float(np.mean(slow)) / (SIDE**2 / 1e6)
        print(f"\nISO {iso:<29}independent dB, dE | web dB, dE   | web to BM3D dB, dE | CPU s/MP, BM3D's time over it")
        for name, ((a, b), (c, d)) in scores.items():
            base = scores.get(reference, [(np.nan, np.nan)] * 2)[1]
            line = f"{name:<33}{a:13.2f} {b:6.3f}   {c:6.2f} {d:6.3f}   {c - base[0]:+10.2f} {d - base[1]:+6.3f}"
            if name in seconds:
                line += f"   {seconds[name]:10.2f} {seconds.get(reference, np.nan) / seconds[name]:8.0f}"
            print(line)


def _demosaiced(mosaic: np.ndarray) -> Picture:
    """At full size and balanced."""
    black, white, pattern = np.full(3, BLACK), np.full(3, WHITE), np.array([[0, 1], [1, 2]])
    size = (mosaic.shape[0], mosaic.shape[1])
    counts = as_counts(mosaic)
    rgb, _ = full_size_window(counts, black, white, pattern, Orientation.TOP_LEFT, size, WHOLE, GAINS, None)
    return rgb * GAINS.astype(np.float32)


def full_size(names: Sequence[str], isos: Sequence[int]) -> None:
    """Cleaned before and after the demosaic. A full-size frame is not sharp at the pixel: wallpapers of 3000
    pixels and more have their own pixels here, the others are enlarged by 1.5."""
    from tests.demosaic_table import by_ahd  # which rests on the cameras of this module

    pictures = []
    for name in names:
        picture, whole = photograph(name), photograph(name, 100_000)
        if picture is None or whole is None:
            continue
        large = cv2.resize(picture, None, fx=1.5, fy=1.5, interpolation=cv2.INTER_CUBIC)
        pictures.append(whole if name in OWN_PIXELS else np.maximum(large, 0))
    flat = _demosaiced(np.random.default_rng(1).normal(0.2, 0.02, (512, 512)))
    energy = flat.var(axis=(0, 1)) / (0.02 * GAINS) ** 2
    power = block_power(((flat - flat.mean(axis=(0, 1))) / flat.std(axis=(0, 1)))[None].astype(np.float64))
    for iso in isos:
        a, b = camera_noise(iso)
        camera = Noise(np.full(3, a), np.full(3, b))
        scores: dict[str, list[tuple[float, float]]] = {}
        for truth in pictures:
            mosaic = expose(mosaic_of(truth / GAINS), iso, 7)
            noisy = _demosaiced(mosaic)
            results = {"none": noisy}
            for quality in QUALITIES:
                results[f"after the demosaic, {quality}"] = _ours(quality)(noisy, balanced_noise(iso, energy), power)
                white = _ours(quality)(noisy, balanced_noise(iso), None)
                results[f"after it, {quality}, taken as white"] = white
                packed = np.stack([mosaic[y::2, x::2] for y in (0, 1) for x in (0, 1)], axis=-1).astype(np.float32)
                cleaned = denoise_mosaic(packed, camera, balance=GAINS, quality=quality)
                whole = np.empty_like(mosaic)
                for index in range(4):
                    whole[index // 2 :: 2, index % 2 :: 2] = cleaned[..., index]
                results[f"before the demosaic, {quality}"] = _demosaiced(whole)
                if quality == "fine":
                    results["fine and AHD"] = by_ahd(whole, "RGGB")
            light, sides = mosaic.astype(np.float32), mosaic.shape
            found = learned_demosaic(light, GAINS, 0, 0, *sides, camera, Settings())
            results["learned"] = found * GAINS
            results["no noise"] = _demosaiced(mosaic_of(truth / GAINS))
            for name, result in results.items():
                scores.setdefault(name, []).append(score(truth, result))
        print(f"\nFull size, ISO {iso:<22}dB     dE")
        for name, each in scores.items():
            print(f"{name:<33}{np.mean(each, axis=0)[0]:9.2f} {np.mean(each, axis=0)[1]:6.3f}")
        ours, theirs = np.array(scores["learned"]), np.array(scores["fine and AHD"])
        gain, colour = ours[:, 0] - theirs[:, 0], 100 * (ours[:, 1] / theirs[:, 1] - 1)
        print(
            f"learned to fine and AHD: {gain.mean():+.2f} dB (least {gain.min():+.2f}; bar +{BARS.get(iso, 0)}), dE "
            f"{100 * (ours[:, 1].mean() / theirs[:, 1].mean() - 1):+.1f} % (worst {colour.max():+.1f}; bar "
            f"-{BAR_OF_COLOUR:.0f})"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--tuning", action="store_true", help="the photographs the filter was tuned on")
    parser.add_argument("--iso", type=int, action="append", help="only this ISO; may be repeated")
    parser.add_argument("--patches", action="store_true", help="only what is left on drawn patches at full size")
    parser.add_argument("--wallpapers", type=Path, help="a folder with Debian's packages unpacked")
    parser.add_argument("--quick", action="store_true", help="leave out non-local means")
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    WALLPAPERS.extend([arguments.wallpapers] if arguments.wallpapers else [])
    names, isos = TUNING if arguments.tuning else HELD_OUT, arguments.iso or ISOS
    from tests.clean_patches import table as patches  # which rests on the cameras of this module

    patches([iso for iso in isos if iso >= 6400])
    if arguments.patches:
        return
    table(names, isos, arguments.quick)
    for iso in isos:
        web_table(names, iso)
    full_size(names, [iso for iso in isos if iso >= 3200])


if __name__ == "__main__":
    main()
