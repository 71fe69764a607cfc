"""The network against `fine` and the classical demosaics: `python -m tests.training.evaluate [NETWORK] [--part NAME]`.

On a CPU, one thread. Photographs and noise are those that `python -m tests.denoise_table` holds
out (WALLPAPERS: a folder with Debian's packages unpacked, where they are not installed), at full size as it makes them.

noise      PSNR (sRGB) and CIEDE2000 of every picture at ISO 3200, 6400 and 12,800: network, `fine` + own demosaic,
           `fine` + LibRaw's AHD
wrong      the same, with the deviation of the noise told 30 % too low and too high
clean      no noise: network, own demosaic, AHD; photographs held out, and those of ../shared not learnt from
flat       grey and coloured patches: deviation, and blotches (8 pixels and wider), luma and chroma
drawn      false colour on nets, stripes, wedges and text, with and without noise
time       CPU seconds a megapixel of the mosaic
looks      where it is asked for: the network beside one that does not look at the mirror image too
woven      where it is asked for with --web: drawn cloth, straight, turned and seen at a slant, against `standard`
--web      noise, wrong, flat and time at web size, against `fine` alone, on flat patches against `standard` too
sheet      writes SHEET, a PNG: noisy, `fine` + AHD, `fine` + own demosaic, network, truth, at 3:1, at ISO 6400
"""

from __future__ import annotations

import argparse
import itertools
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import cv2
import numpy as np
from skimage.color import rgb2lab

from pipeline.imaging.denoise.denoise import QUALITIES, Quality, denoise_mosaic
from pipeline.imaging.learned.mosaic import learned_demosaic
from pipeline.imaging.learned.network import Network
from pipeline.imaging.learned.runtime import MOSAIC, network
from pipeline.imaging.learned.tiles import Settings
from pipeline.imaging.learned.web import learned_small
from pipeline.imaging.raw.demosaic import demosaic_noise
from pipeline.imaging.raw.window import packed, unpacked
from pipeline.types import Noise
from tests import denoise_cases, denoise_table
from tests.demosaic_table import PHOTOS, by_ahd, by_ours, drawn
from tests.denoise_cases import (
    EXPOSURE,
    GAINS,
    HELD_OUT,
    SIDE,
    TUNING,
    camera_noise,
    decode,
    encode,
    expose,
    mosaic_of,
    score,
    sensor,
    web,
)
from tests.denoise_table import learned_web
from tests.training.pictures import held_back

_SHOWN = {
    "china": (60, 40),
    "motorcycle_left": (120, 120),
    "life_by_Aitzol_Berasategi": (60, 60),
    "rocket": (130, 130),
    "flower": (100, 100),
    "Kleiber_by_Lukas_Baubkus": (60, 60),
}  # top and left of what a sheet shows
_SIDE = 110  # fmt: skip
_PARTS = ("noise", "wrong", "clean", "flat", "drawn", "time")
_PATCHES = {"grey": (0.3, 0.3, 0.3), "dark": (0.03, 0.03, 0.03), "skin": (0.45, 0.28, 0.2), "blue": (0.05, 0.1, 0.4)}
_CLOTH = ((0.6, 0.6, 0.6), (0.1, 0.15, 0.6), (0.75, 0.1, 0.12), (0.15, 0.15, 0.16), (0.85, 0.8, 0.2))  # sRGB
Way = Callable[[np.ndarray, float, float], np.ndarray]  # mosaic (H, W), a, b as told -> (H, W, 3) balanced


def learned(weights: Path | None) -> Way:
    """The network in tiles, as the program runs it; None: the weights of the package."""
    return by_network(network(MOSAIC) if weights is None else Network(weights.read_bytes()))


def by_network(by: Network) -> Way:
    def run(mosaic: np.ndarray, a: float, b: float) -> np.ndarray:
        noise, size = Noise(np.full(3, a), np.full(3, b)), mosaic.shape
        return learned_demosaic(mosaic.astype(np.float32), GAINS, 0, 0, *size, noise, Settings(), by) * GAINS

    return run


def classical(demosaic: Callable[[np.ndarray, str], np.ndarray], quality: Quality = "fine") -> Way:
    def run(mosaic: np.ndarray, a: float, b: float) -> np.ndarray:
        noise = Noise(np.full(3, a), np.full(3, b))
        cells = denoise_mosaic(packed(mosaic.astype(np.float32)), noise, balance=GAINS, quality=quality)
        return demosaic(unpacked(cells), "RGGB")

    return run


def one_look(weights: Path | None) -> Way:
    """As `learned`, of the picture as it is in place of its mirror image too."""
    by = network(MOSAIC) if weights is None else Network(weights.read_bytes())
    by._ways = [by._ways[0]] * 2
    return by_network(by)


def pictures(names: Sequence[str]) -> dict[str, np.ndarray]:
    """As tests/denoise_table.full_size makes them."""
    found = {}
    for name in names:
        own = name in denoise_cases.OWN_PIXELS
        picture = denoise_cases.photograph(name, 100_000 if own else denoise_cases.WIDEST)
        if picture is not None:
            large = picture if own else cv2.resize(picture, None, fx=1.5, fy=1.5, interpolation=cv2.INTER_CUBIC)
            found[name] = np.maximum(large, 0)
    return found


def table(ways: dict[str, Way], found: dict[str, np.ndarray], iso: float, wrong: float = 1.0) -> None:
    """wrong: the deviation of the noise as told, over what it is."""
    a, b = camera_noise(iso) if iso else (0.0, 0.0)
    scores: dict[str, list[tuple[float, float]]] = {}
    for picture in found.values():
        mosaic = mosaic_of(picture / GAINS)
        noisy = expose(mosaic, iso, 7) if iso else mosaic
        for name, way in ways.items():
            scores.setdefault(name, []).append(score(picture, way(noisy, a * wrong**2, b * wrong**2)))
    told = "" if wrong == 1 else f", told {wrong:.0%} of the deviation"
    print(f"\nISO {iso:g}{told}" if iso else "\nno noise", f"({len(found)} pictures)")
    first = np.array(next(iter(scores.values())))
    for name, rows in scores.items():
        each = np.array(rows)
        gain, share = first - each, 100 * (first[:, 1] / each[:, 1] - 1)
        print(f"  {name:<22}{each[:, 0].mean():7.2f} dB {each[:, 1].mean():6.3f} dE", end="")
        if name == next(iter(scores)):
            print()
            continue
        print(f"   network {gain[:, 0].mean():+.2f} (least {gain[:, 0].min():+.2f}) dB,", end="")
        print(f" {share.mean():+.1f} % (worst {share.max():+.1f}) dE", flush=True)


def flat(ways: dict[str, Callable[[np.ndarray], np.ndarray]], iso: float) -> None:
    """ways  of a scene (H, W, 3)"""
    print(f"\nflat, ISO {iso:g}: deviation of L*, of a*b*; blotches of L*, of a*b*; mean L* off")
    for title, colour in _PATCHES.items():
        truth = np.full((256, 256, 3), colour)
        wanted = rgb2lab(encode(truth[:1, :1]))[0, 0]
        for name, way in ways.items():
            lab = rgb2lab(encode(way(truth)))[16:-16, 16:-16] - wanted
            broad = cv2.GaussianBlur(lab, (0, 0), 4)
            parts = [off for of in (lab, broad) for off in (of[..., 0].std(), of[..., 1:].std(axis=(0, 1)))]
            shown = " ".join(f"{np.linalg.norm(part):6.3f}" for part in parts)
            print(f"  {title:<6}{name:<22} {shown} {lab[..., 0].mean():+.2f}")


def of_scene(way: Way, iso: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda truth: way(expose(mosaic_of(truth / GAINS), iso, 11), *camera_noise(iso))


def at_web_size(iso: float, by: Network | None, scale: float) -> dict[str, Callable[[np.ndarray], np.ndarray]]:
    """Of a scene (H, W, 3)."""

    def by_filter(quality: Quality) -> Callable[[np.ndarray], np.ndarray]:
        return lambda truth: denoise_table._ours(quality)(*web(truth, iso, 11, scale=scale)[1:])

    def run(truth: np.ndarray) -> np.ndarray:
        return learned_web(truth, iso, 11, by, scene=sensor(truth, scale))

    return {"network": run, **{quality: by_filter(quality) for quality in QUALITIES}}


def patterns(ways: dict[str, Way], iso: float) -> None:
    print(f"\ndrawn, ISO {iso:g}: CIE chroma mean, 99th percentile; dB")
    a, b = camera_noise(iso) if iso else (0.0, 0.0)
    for title, truth in drawn():
        mosaic = mosaic_of(truth / GAINS)
        noisy = expose(mosaic, iso, 7) if iso else mosaic
        for name, way in ways.items():
            found = encode(way(noisy, a, b))
            chroma = np.hypot(*np.moveaxis(rgb2lab(found)[..., 1:], -1, 0))[16:-16, 16:-16]
            level = -10 * np.log10(np.mean((found - encode(truth))[16:-16, 16:-16] ** 2))
            print(f"  {title:<18}{name:<22}{chroma.mean():6.2f} {np.percentile(chroma, 99):6.1f} {level:7.2f}")


def cloth(period: float, lie: str, seed: int) -> np.ndarray:
    """(SIDE, SIDE, 3): threads over and under, which repeat every `period` pixels of the web picture.

    lie  straight, turned, or slanted: turned, and finer towards two sides
    """
    rng, times = np.random.default_rng(seed), 8
    y, x = (np.mgrid[0 : SIDE * times, 0 : SIDE * times] / times).astype(np.float32)
    turn = 0.0 if lie == "straight" else rng.uniform(0, np.pi / 2)
    if lie == "slanted":
        x, y = x * (1 + 0.3 * y / SIDE), y * (1 + 0.25 * x / SIDE)
    u, v = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    over = ((np.floor(2 * u / period) + np.floor(2 * v / period)) % 2).astype(np.float32)
    over = cv2.GaussianBlur(cv2.resize(over, (SIDE, SIDE), interpolation=cv2.INTER_AREA), (0, 0), 0.4)
    part = (0.5, 0.3, 0.7)[seed % 3]
    colour = EXPOSURE * decode(np.array(_CLOTH[seed % len(_CLOTH)]))
    return np.asarray(colour * (1 - part + 1.3 * part * over[..., None]))


def woven(by: Network | None, iso: float) -> None:
    print(f"\nwoven, web size, ISO {iso:g}: dB and CIEDE2000 of the network and of standard")
    standard = denoise_table._ours("standard")
    for lie, period in itertools.product(("straight", "turned", "slanted"), (3, 4, 6)):
        rows = []
        for seed in range(len(_CLOTH)):
            picture = cloth(period, lie, seed)
            truth, *case = web(picture, iso, 7)
            rows.append([*score(truth, learned_web(picture, iso, 7, by)), *score(truth, standard(*case))])
        each = np.array(rows)
        shown, gain = each.mean(axis=0), each[:, 0] - each[:, 2]
        print(f"  {lie:<9}{period} {shown[0]:6.2f} {shown[1]:.3f}  {shown[2]:6.2f} {shown[3]:.3f}  "
              f"{gain.mean():+.2f} (least {gain.min():+.2f}) dB", flush=True)  # fmt: skip


def seconds(way: Way) -> float:
    mosaic = expose(np.full((2048, 2048), 0.2), 6400, 1)
    times = []
    for _ in range(3):
        begun = time.process_time()
        way(mosaic, *camera_noise(6400))
        times.append((time.process_time() - begun) / 4.194304)
    return min(times)


def web_seconds(by: Network | None) -> float:
    """CPU seconds a megapixel of the web picture."""
    a, b = camera_noise(6400)
    twice = expose(np.full((2048, 3072, 3), 0.2), 6400, 1).astype(np.float32)
    energy, spectrum = demosaic_noise(0.34)
    told, averaged = Noise(np.full(3, a), np.full(3, b)), Noise(a * energy, b * energy, spectrum)
    times = []
    for _ in range(3):
        begun = time.process_time()
        learned_small(twice, GAINS, 0.34, told, averaged, Settings(), by)
        times.append(time.process_time() - begun)
    return min(times) / (twice.shape[0] * twice.shape[1] / 4e6)


def of_web(names: Sequence[str], by: Network | None, parts: Sequence[str], scale: float) -> None:
    if "time" in parts:
        print(f"network: {web_seconds(by):.2f} CPU s a megapixel of the web picture", flush=True)
    if "noise" in parts:
        for iso in (1600, 3200, 6400, 12800):
            denoise_table.web_table(names, iso, by, each=True, scale=scale)
    if "wrong" in parts:
        for iso, wrong in itertools.product((6400, 12800), (0.7, 1.3)):
            denoise_table.web_table(names, iso, by, each=True, wrong=wrong, scale=scale)
    if "flat" in parts:
        flat(at_web_size(6400, by, scale), 6400)
    if "woven" in parts:
        for iso in (1600, 6400):
            woven(by, iso)


def sheet(path: Path, ways: dict[str, Way], found: dict[str, np.ndarray], iso: float) -> None:
    rows = []
    for name, (top, left) in _SHOWN.items():
        if name not in found:
            continue
        noisy = expose(mosaic_of(found[name] / GAINS), iso, 7)
        shown = [by_ours(noisy, "RGGB"), *(way(noisy, *camera_noise(iso)) for way in reversed(ways.values()))]
        cut = [encode(p[top : top + _SIDE, left : left + _SIDE]) for p in (*shown, found[name])]
        rows.append(np.hstack([np.repeat(np.repeat(c, 3, 0), 3, 1) for c in cut]))
    cv2.imwrite(str(path), (np.vstack(rows)[..., ::-1] * 255).round().astype(np.uint8))


def not_learnt() -> dict[str, np.ndarray]:
    found = {}
    for index, path in enumerate(sorted(PHOTOS.glob("*.webp"))):
        if held_back(index):
            rgb = cv2.imread(str(path), cv2.IMREAD_COLOR)[128:384, 128:384, ::-1]
            found[path.stem] = EXPOSURE * decode(rgb / 255.0)
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("network", type=Path, nargs="?", help="an .npz file that train wrote; else that of the package")
    parser.add_argument("--wallpapers", type=Path)
    parser.add_argument("--part", action="append", choices=(*_PARTS, "looks", "woven"))
    parser.add_argument("--sheet", type=Path, help="a PNG to write, and no more")
    parser.add_argument("--web", action="store_true", help="NETWORK is that for web sizes: it against `fine`")
    parser.add_argument("--scale", type=float, default=denoise_cases.SCALE, help="with --web: to the sensor's size")
    parser.add_argument("--tuning", action="store_true", help="the photographs that may be tuned on")
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    denoise_cases.WALLPAPERS.extend([arguments.wallpapers] if arguments.wallpapers else [])
    names, parts = TUNING if arguments.tuning else HELD_OUT, arguments.part or _PARTS
    if arguments.web:
        by = None if arguments.network is None else Network(arguments.network.read_bytes())
        of_web(names, by, parts, arguments.scale)
        return
    ours = learned(arguments.network)
    found = pictures(names)
    print("pictures:", ", ".join(found), "| not found:", ", ".join(set(names) - set(found)) or "none")
    ways: dict[str, Way] = {"network": ours, "fine, own demosaic": classical(by_ours), "fine, AHD": classical(by_ahd)}
    bare: dict[str, Way] = {
        "network": ours,
        "own demosaic": lambda mosaic, a, b: by_ours(mosaic, "RGGB"),
        "AHD": lambda mosaic, a, b: by_ahd(mosaic, "RGGB"),
    }
    if arguments.sheet is not None:
        sheet(arguments.sheet, ways, found, 6400)
        return
    if "time" in parts:
        print(f"network: {seconds(ours):.2f} CPU s a megapixel of the mosaic")
    if "noise" in parts:
        for iso in (3200, 6400, 12800):
            table(ways, found, iso)
    if "looks" in parts:
        for iso in (3200, 6400, 12800):
            table({"network": ours, "one look": one_look(arguments.network)}, found, iso)
    if "wrong" in parts:
        for wrong in (0.7, 1.3):
            table({k: ways[k] for k in ("network", "fine, own demosaic")}, found, 6400, wrong)
    if "clean" in parts:
        table(bare, found, 0)
        table(bare, not_learnt(), 0)
    if "flat" in parts:
        both = {f"{quality}, own demosaic": classical(by_ours, quality) for quality in QUALITIES}
        flat({name: of_scene(way, 6400) for name, way in ({"network": ours} | both).items()}, 6400)
    if "drawn" in parts:
        patterns(bare, 0)
        patterns({k: ways[k] for k in ("network", "fine, AHD")}, 6400)


if __name__ == "__main__":
    main()
