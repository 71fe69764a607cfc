"""Flicker put on real court frames, and what a run leaves of it: `python -m tests.court_flicker [--seeds 2]`.

The ten consecutive frames of a rally in ../shared/data/court (a_*; where they come from: ../shared/data/SOURCES.md) are
multiplied, in linear light, by lamps at 100 Hz behind a shutter whose readout shows a third to a half of a period: a
sine over the rows of depth 22, 30 and 40 % in R, G and B, with a phase of its own in each frame. They are written as
JPEGs of 8 bits and as TIFFs of 16, run with `exposure: {across: burst}`, and so are the same frames without flicker
(both as much darker as keeps the flicker from clipping). With `--curve` the light is multiplied before a camera's curve
(`tests.jpeg_noise.camera_curve`, its S, or as much of it as is said) and not after it, as in a JPEG of a camera.

Measured on 12 x 16 cells of the delivered pictures. Of each cell and frame: the ratio of the linear means with and
without flicker, over pixels that are clipped in neither. Both show the same content, so a ratio is light alone though
the camera pans and players run; what all frames of a burst share cancels, and so does what the run without flicker gets
wrong alike. So the same is said against the frames as they were before flicker was put on them and before any run
("lamps"): what is left of the lamps, though there what a run rightly evens in the video counts as wrong. And ("known")
of the files that were shot, divided by the lamps themselves in place of any estimate and written as they are delivered:
what the steps of 8 bits and JPEG leave of these figures, which no estimate can be better than. Printed:

* EV: the range of the ratios of luminance over the burst
* dE: the farthest pair in CIEDE2000 (CIE 142-2001, scikit-image) of the cell's mean colour in the light of each frame
* of all cells, and of those whose content stays: where its luminance without flicker ranges over at most 0.3 EV

median and 95th percentile of the cells, before (as shot) and after. Wanted are 0.05 EV and 0.5 CIEDE2000 at the
95th.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import PIL.Image
import tifffile
from skimage.color import deltaE_ciede2000, xyz2lab

from pipeline.engine.run import read_shoot, run
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY

DATA = Path(__file__).resolve().parents[2] / "shared" / "data" / "court"
CELLS = (12, 16)
DEPTH = np.array([0.22, 0.30, 0.40])  # of R, G and B: amplitude of the sine by its mean
PERIODS = (1 / 3, 1 / 2)  # over the frame, drawn for each burst
STAYS = 0.3  # EV
# IEC 61966-2-1: linear sRGB to XYZ, D65.
_TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
RECIPE = """\
recipe: 1
steps:
  - white_balance: {method: WHITE}
  - exposure: {across: burst}
deliveries:
  web:
    - resize: {long_edge: EDGE}
    - save: {quality: 95}
"""
Picture = np.ndarray


def decode(codes: Picture) -> Picture:
    """IEC 61966-2-1, 0 to 1."""
    return np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)


def encode(linear: Picture) -> Picture:
    """IEC 61966-2-1, 0 to 1."""
    return np.where(linear <= 0.0031308, linear * 12.92, 1.055 * linear ** (1 / 2.4) - 0.055)


def flicker(seed: int, frames: int, rows: int) -> np.ndarray:
    """(frames, rows, 1, 3) what lamps of a sine do to the light of each row."""
    random = np.random.default_rng(seed)
    periods, phases = random.uniform(*PERIODS), random.uniform(0, 2 * np.pi, frames)
    angle = 2 * np.pi * periods * (np.arange(rows) + 0.5) / rows + phases[:, None]
    return 1 + DEPTH * np.sin(angle)[..., None, None]


@cache
def court(frames: int, edge: int) -> tuple[Picture, ...]:
    """The first frames of the rally, (H, W, 3) linear, at most `edge` wide."""
    found = []
    for path in sorted(DATA.glob("a_*.jpg"))[:frames]:
        codes = np.asarray(PIL.Image.open(path).convert("RGB"), np.float32) / 255
        height = round(codes.shape[0] * edge / codes.shape[1])
        small = codes.shape[1] > edge
        linear = decode(codes).astype(np.float32)
        found.append(cv2.resize(linear, (edge, height), interpolation=cv2.INTER_AREA) if small else linear)
    return tuple(found)


def write_shoot(folder: Path, pictures: Sequence[Picture], bits: int) -> None:
    """JPEGs of 8 bits or TIFFs of 16, of one second of one camera."""
    folder.mkdir(parents=True)
    time = "2026:02:14 19:30:00"
    for number, linear in enumerate(pictures):
        name, codes = folder / f"TH1_{number + 1:04d}", encode(np.clip(linear, 0, 1))
        if bits == 16:
            tags = [(271, 2, 0, "Evencourt", True), (272, 2, 0, "Test Camera", True)]
            deep = np.round(codes * 65535).astype(np.uint16)
            tifffile.imwrite(f"{name}.tif", deep, photometric="rgb", datetime=time, extratags=tags, metadata=None)
            continue
        exif = PIL.Image.Exif()
        exif[271], exif[272], exif[306], exif.get_ifd(0x8769)[36867] = "Evencourt", "Test Camera", time, time
        shallow = PIL.Image.fromarray(np.round(codes * 255).astype(np.uint8))
        shallow.save(f"{name}.jpg", quality=95, subsampling=0, exif=exif)


def delivered(shoot: Path, out: Path, white: str, edge: int) -> list[Picture]:
    """The codes 0 to 1 that a run delivers, in order. All are to be one burst."""
    out.mkdir(parents=True)
    (out / "recipe.yaml").write_text(RECIPE.replace("WHITE", white).replace("EDGE", str(edge)), encoding="utf-8")
    run(load_recipe(out / "recipe.yaml", REGISTRY), read_shoot(shoot, models=out), out / "out", workers=1)
    record = json.loads((out / "out" / "run.json").read_text(encoding="utf-8"))
    assert len(record["bursts"]) == 1, record["bursts"]
    files = [record["frames"][name]["deliveries"]["web"]["file"] for name in sorted(record["frames"])]
    return [np.asarray(PIL.Image.open(out / "out" / f).convert("RGB"), np.float32) / 255 for f in files]


def divided(shoot: Path, lamps: Picture, curve: float, size: tuple[int, int]) -> list[Picture]:
    """The codes 0 to 1 that the files of a shoot give, less the lamps (frames, rows, 1, 3), at (width, height)."""
    found = []
    for path, light in zip(sorted(shoot.iterdir()), lamps, strict=True):
        deep = path.suffix == ".tif"
        codes = tifffile.imread(path) / 65535 if deep else np.asarray(PIL.Image.open(path).convert("RGB")) / 255
        even = straight(decode(codes), curve) / light if curve else decode(codes) / light
        small = cv2.resize(bent(even, curve) if curve else even, size, interpolation=cv2.INTER_AREA)
        file = io.BytesIO()
        whole = np.round(encode(np.clip(small, 0, 1)) * 255).astype(np.uint8)
        PIL.Image.fromarray(whole).save(file, "JPEG", quality=95, subsampling=0)
        found.append(np.asarray(PIL.Image.open(file), np.float32) / 255)
    return found


@dataclass(frozen=True)
class Evenness:
    """Of (12, 16) cells, NaN where too much is clipped. ev, colour: see above. stays  whose content does.
    light (N, 12, 16)  EV of each frame against the mean of the burst."""

    ev: Picture
    colour: Picture
    stays: np.ndarray
    light: Picture

    def at(self, share: float, what: str = "ev", still: bool = False) -> float:
        """The percentile of the cells."""
        values = getattr(self, what)
        return float(np.nanpercentile(values[self.stays] if still else values, share))


def evenness(with_flicker: Sequence[Picture], without: Sequence[Picture]) -> Evenness:
    """Codes 0 to 1 of the same frames."""
    flickering, steady = (np.zeros((len(without), *CELLS, 3)) for _ in range(2))
    for index, (one, other) in enumerate(zip(with_flicker, without, strict=True)):
        whole = np.all([((p > 0.5 / 255) & (p < 253.5 / 255)).all(axis=2) for p in (one, other)], axis=0)
        share = _cells(whole[..., None].astype(np.float32))
        share = np.where(share > 0.5, share, np.nan)
        flickering[index], steady[index] = (_cells(decode(p) * whole[..., None]) / share for p in (one, other))
    light = np.log2((flickering @ _TO_XYZ[1]) / (steady @ _TO_XYZ[1]))
    seen = steady.mean(axis=0) * flickering / steady
    lab = xyz2lab(seen @ _TO_XYZ.T)
    pairs = [deltaE_ciede2000(a, b) for i, a in enumerate(lab) for b in lab[:i]]
    stays = np.ptp(np.log2(steady @ _TO_XYZ[1]), axis=0) <= STAYS
    return Evenness(np.ptp(light, axis=0), np.max(pairs, axis=0), stays, light - light.mean(axis=0))


def bent(linear: Picture, curve: float) -> Picture:
    """Light, 1 = white, as it is read from a picture that was bent by a part of a smooth S: what cameras add."""
    e = encode(np.clip(linear, 0, 1))
    return decode((1 - curve) * e + curve * (3 * e**2 - 2 * e**3))


def straight(linear: Picture, curve: float) -> Picture:
    """The light that `bent` makes this of."""
    light = np.linspace(0, 1, 4096) ** 2
    return np.interp(linear, bent(light, curve), light)


def _cells(picture: Picture) -> Picture:
    small = cv2.resize(picture.astype(np.float32), CELLS[::-1], interpolation=cv2.INTER_AREA)
    return small.reshape(*CELLS, -1).astype(np.float64)


def compare(
    scratch: Path,
    seed: int,
    bits: int,
    white: str,
    frames: int = 10,
    edge: int = 1920,
    web: int = 960,
    curve: float = 0.0,
) -> tuple[Evenness, Evenness, Evenness, Evenness]:
    """The court with flicker before (as shot) and after a run, against a run without flicker; last, after a run and
    with the lamps themselves taken out of the files, against the frames that the lamps were put on."""
    pictures = [(straight(p, curve) if curve else p) / np.float32(1 + DEPTH.max()) for p in court(frames, edge)]
    lamps = flicker(seed, len(pictures), pictures[0].shape[0]).astype(np.float32)
    shot = [p * light for p, light in zip(pictures, lamps, strict=True)]
    if curve:
        pictures, shot = [bent(p, curve) for p in pictures], [bent(p, curve) for p in shot]
    steady = scratch / f"steady-{bits}-{edge}-{frames}"
    if not steady.is_dir():
        write_shoot(steady, pictures, bits)
    if not (shoot := scratch / f"flicker-{bits}-{edge}-{frames}-{seed}").is_dir():
        write_shoot(shoot, shot, bits)
    before = evenness([encode(p) for p in shot], [encode(p) for p in pictures])
    if not (kept := scratch / f"{steady.name}-{white}.npy").is_file():
        np.save(kept, delivered(steady, scratch / f"{steady.name}-{white}", white, web))
    after = delivered(shoot, scratch / f"{shoot.name}-{white}", white, web)
    untouched = [encode(cv2.resize(p, after[0].shape[1::-1], interpolation=cv2.INTER_AREA)) for p in pictures]
    known = divided(shoot, lamps, curve, after[0].shape[1::-1])
    return before, evenness(after, list(np.load(kept))), evenness(after, untouched), evenness(known, untouched)


def in_words(found: Evenness) -> str:
    """Median and 95th percentile."""
    return "   ".join(
        f"{name} {found.at(50, 'ev', still):.3f} {found.at(95, 'ev', still):.3f} EV "
        f"{found.at(50, 'colour', still):.2f} {found.at(95, 'colour', still):.2f} dE"
        for name, still in (("all", False), ("content stays", True))
    )


def main() -> None:
    parser = argparse.ArgumentParser(description="What a run leaves of flicker on real court frames.")
    parser.add_argument("--seeds", type=int, default=2, help="bursts with phases of their own")
    parser.add_argument("--bits", type=int, nargs="*", default=[8, 16])
    parser.add_argument("--white", nargs="*", default=["camera", "gray_world"])
    parser.add_argument("--frames", type=int, default=10)
    parser.add_argument("--edge", type=int, default=1920, help="width of the frames")
    parser.add_argument(
        "--curve", type=float, nargs="?", const=0.4, default=0.0, help="flicker of the light, before a camera's S"
    )
    parser.add_argument("--worst", type=int, default=0, help="cells to name, and their frames")
    given = parser.parse_args()
    print("median and 95th percentile of the cells")
    with tempfile.TemporaryDirectory() as scratch:
        os.environ["EVENCOURT_CACHE"] = f"{scratch}/cache"
        for seed in range(given.seeds):
            for bits in given.bits:
                for number, white in enumerate(given.white):
                    before, after, lamps, known = compare(
                        Path(scratch), seed, bits, white, given.frames, given.edge, curve=given.curve
                    )
                    if not number:
                        print(f"seed {seed}, {bits:2d} bits  as shot     {in_words(before)}", flush=True)
                    print(f"seed {seed}, {bits:2d} bits  {white:10s}  {in_words(after)}", flush=True)
                    print(f"{'':16s} lamps       {in_words(lamps)}", flush=True)
                    print(f"{'':16s} known       {in_words(known)}", flush=True)
                    order = np.argsort(np.nan_to_num(after.ev).ravel())[::-1][: given.worst]
                    for row, column in zip(*np.unravel_index(order, CELLS), strict=True):
                        each = " ".join(f"{v:+.3f}" for v in after.light[:, row, column])
                        print(f"    row {row:2d} column {column:2d}  {after.ev[row, column]:.3f} EV  {each}")


if __name__ == "__main__":
    main()
