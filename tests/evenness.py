"""How even a demonstration shoot comes out, against its ground truth: `python -m tests.evenness DIR/shoot`.

Runs three recipes over the shoot without a crop at half size and measures, in the delivered JPEGs, per
burst and surface, the range of luminance (EV) and the largest CIEDE2000 between frames; and the chroma (CIELAB)
of neutral things. The surfaces stand still in the generator: wall and floor by place, white kit by the
main player's box in truth.json.
"""

from __future__ import annotations

import json
import sys
import tempfile
from itertools import combinations
from pathlib import Path

import numpy as np
import PIL.Image

from pipeline.executors import default_workers
from pipeline.imaging.colour import LUMINANCE, delta_e_2000, srgb_decode, to_lab
from pipeline.recipe.recipe import load_recipe
from pipeline.run import read_shoot, run
from pipeline.steps import REGISTRY

RECIPE = """\
recipe: 1
steps:
  - white_balance: {method: METHOD}
  - exposure: {across: ACROSS}
  - denoise:
deliveries:
  web:
    - resize: {long_edge: EDGE, sharpen: 0}
    - save: {quality: 95}
"""
WALL, FLOOR = (0.3, 0.02, 0.7, 0.07), (0.3, 0.94, 0.7, 0.98)


def mean_light(path: Path, box: tuple[float, ...]) -> np.ndarray:
    """Mean linear Rec. 709 of a box, fractions of the frame."""
    with PIL.Image.open(path) as picture:
        pixels = srgb_decode(np.asarray(picture, dtype=np.float32) / 255)
    h, w = pixels.shape[:2]
    part = pixels[int(box[1] * h) : int(box[3] * h) + 1, int(box[0] * w) : int(box[2] * w) + 1]
    return part.reshape(-1, 3).mean(axis=0, dtype=np.float64)


def chest(entry: dict, width: int, height: int) -> tuple[float, ...]:
    """A box on the shirt of the main player, below the number."""
    x0, y0, x1, y1 = entry["main"]
    tall, middle = y1 - y0, x0 + 0.5 * (x1 - x0)
    x, y = middle, y0 + 0.47 * tall
    return (
        (x - 0.03 * tall) / width,
        (y - 0.015 * tall) / height,
        (x + 0.03 * tall) / width,
        (y + 0.015 * tall) / height,
    )


def measure(shoot: Path, method: str, across: str) -> dict[str, float]:
    truth = json.loads((shoot.parent / f"{shoot.name}-truth" / "truth.json").read_text(encoding="utf-8"))
    width, height = truth["size"]
    with tempfile.TemporaryDirectory() as scratch:
        recipe = Path(scratch) / "recipe.yaml"
        text = RECIPE.replace("METHOD", method).replace("ACROSS", across).replace("EDGE", str(width // 2))
        recipe.write_text(text, encoding="utf-8")
        run(load_recipe(recipe, REGISTRY), read_shoot(shoot), Path(scratch) / "out", workers=default_workers())
        files = {p.stem: p for p in (Path(scratch) / "out" / "web").iterdir()}
        ev, de, chroma = [], [], []
        bursts: dict[int, list[str]] = {}
        for name, entry in truth["frames"].items():
            if "burst" in entry:
                bursts.setdefault(entry["burst"], []).append(name)
                if entry["kit"] == "white":
                    chroma.append(np.hypot(*to_lab(mean_light(files[name], chest(entry, width, height)))[1:]))
        for names in bursts.values():
            for box in (WALL, FLOOR):
                light = [mean_light(files[n], box) for n in names]
                ev.append(float(np.ptp(np.log2(np.array(light) @ LUMINANCE))))
                labs = [to_lab(v) for v in light]
                de.append(max(float(delta_e_2000(a, b)) for a, b in combinations(labs, 2)))
    return {
        "burst range, EV (worst surface)": max(ev), "burst CIEDE2000 (worst pair)": max(de),
        "white kit chroma, median": float(np.median(chroma)),
        "white kit chroma, 95th": float(np.quantile(chroma, 0.95)),
    }  # fmt: skip


def main() -> None:
    shoot = Path(sys.argv[1])
    rows = [
        (m, a, measure(shoot, m, a))
        for m, a in (("camera", "none"), ("gray_world", "burst"), ("reference_patch", "burst"))
    ]
    names = list(rows[0][2])
    print("| white_balance, exposure across | " + " | ".join(names) + " |")
    print("|---|" + "---|" * len(names))
    for method, across, values in rows:
        print(f"| {method}, {across} | " + " | ".join(f"{values[n]:.2f}" for n in names) + " |")


if __name__ == "__main__":
    main()
