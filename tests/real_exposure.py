"""What exposure newly clips in real files: `python -m tests.real_exposure [FOLDER ...] [--across burst] [--alone]`.

Every file of ../shared/data that evencourt reads is delivered without a crop: with the others of its folder, and with
`--alone` also by itself; `--target 1.5` asks for more light. Printed for each: the stops that exposure added, and the
share of pixels, in percent and for R, G and B, that is clipped in the file, clipped in the delivered JPEG (a channel of
254 or 255), and clipped in it but not in the file. A raw pixel with one channel at saturation counts as clipped in all.
0.5 % newly clipped in any channel are allowed. Where the data come from: ../shared/data/SOURCES.md.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import PIL.Image

from pipeline.engine.run import read_shoot, run
from pipeline.formats.pictures import read_picture
from pipeline.imaging.colour import srgb_decode
from pipeline.imaging.orientation import Orientation
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY
from pipeline.steps.decode import decode
from pipeline.types import Frame

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"
FOLDERS = ("burst-jpeg", "chart-jpeg", "court", "people", "exposure-ladder", "raw", "noise-disagrees")
MOST = 0.5  # % of the pixels of a frame that may be newly clipped in a channel
_CODE = 254  # from which a channel counts as clipped
_SENSOR = 0.97  # of saturation, from which a raw channel does
RECIPE = """\
recipe: 1
steps:
  - white_balance: {method: gray_world}
  - exposure: {across: ACROSS, target: TARGET}
deliveries:
  web:
    - resize: {long_edge: 1200}
    - save: {quality: 92}
"""


@dataclass(frozen=True)
class Clipping:
    """One delivered frame. ev  stops added; before, after, new  (3,) percent of its pixels; notices  of the frame."""

    name: str
    ev: float
    before: np.ndarray
    after: np.ndarray
    new: np.ndarray
    notices: tuple[str, ...]


def clipped_in_file(frame: Frame, size: tuple[int, int]) -> np.ndarray:
    """(H, W, 3) share of each delivered pixel that is clipped in the file. size  (width, height)"""
    up = Orientation(frame.exif.orientation)
    if frame.kind == "raw":
        image = decode(frame, None).image
        full = np.repeat((image.pixels >= _SENSOR * image.saturation).any(axis=2)[..., None], 3, axis=2)
    else:
        full = read_picture(frame.path, up).pixels >= srgb_decode(np.array((_CODE - 0.5) / 255))
    return cv2.resize(full.astype(np.float32), size, interpolation=cv2.INTER_AREA)


def clipping(shoot: Path, out: Path, across: str = "burst", target: str = "median") -> list[Clipping]:
    """Deliver a folder, and what became of the highlights of each frame."""
    out.mkdir(parents=True, exist_ok=True)
    recipe = RECIPE.replace("ACROSS", across).replace("TARGET", target)
    (out / "recipe.yaml").write_text(recipe, encoding="utf-8")
    read = read_shoot(shoot, models=out)
    run(load_recipe(out / "recipe.yaml", REGISTRY), read, out / "out", workers=1)
    record = json.loads((out / "out" / "run.json").read_text(encoding="utf-8"))
    found = []
    for frame in read.frames:
        entry = record["frames"].get(frame.name, {})
        if entry.get("status") != "delivered":
            continue
        with PIL.Image.open(out / "out" / entry["deliveries"]["web"]["file"]) as picture:
            after = np.asarray(picture.convert("RGB")) >= _CODE
        before = clipped_in_file(frame, (after.shape[1], after.shape[0]))
        found.append(Clipping(
            frame.name, entry["solutions"]["exposure"]["ev"], *(100 * v.mean(axis=(0, 1)) for v in (
                before, after, after & (before < 0.5))), tuple(entry["notices"]),
        ))  # fmt: skip
    return found


def table(found: Sequence[Clipping]) -> str:
    """A line for each frame."""
    lines = []
    for one in found:
        cells = ("/".join(f"{v:.2f}" for v in part) for part in (one.before, one.after, one.new))
        verdict = "" if one.new.max() <= MOST else "  MISSED"
        lines.append(f"{one.name:34s} {one.ev:+.2f} EV  " + "  ".join(f"{c:20s}" for c in cells) + verdict)
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description="What exposure newly clips in real files.")
    parser.add_argument("folders", nargs="*", default=FOLDERS)
    parser.add_argument("--across", default="burst")
    parser.add_argument("--target", default="median")
    parser.add_argument("--alone", action="store_true", help="also each file by itself")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        os.environ["EVENCOURT_CACHE"] = f"{scratch}/cache"
        for name in given.folders:
            folder = DATA / name
            print(f"\n{name}: frame, exposure, % clipped in the file, delivered, newly", flush=True)
            print(table(clipping(folder, Path(scratch) / name, given.across, given.target)), flush=True)
            if not given.alone:
                continue
            print(f"{name}, each file by itself", flush=True)
            for path in sorted(p for p in folder.iterdir() if p.suffix.lower() not in (".txt", ".csv", ".png", "")):
                own = Path(scratch) / f"{name}-{path.name}"
                (own / "shoot").mkdir(parents=True)
                (own / "shoot" / path.name).write_bytes(path.read_bytes())
                print(table(clipping(own / "shoot", own, given.across, given.target)), flush=True)


if __name__ == "__main__":
    main()
