"""What a whole run makes of a small generated shoot, as numbers: `python -m tests.golden` writes golden.json anew.

Two recipes between them set every parameter of every step that changes pixels to something else than its default,
over two bursts that flicker, one of them upright. Of each delivered file the means of coarse cells are kept, in 8-bit
codes: another processor's last bit moves them by hundredths, a gain of one percent or a crop that is a pixel off by
half a code and more. Write it anew only together with a raised version of the step that changed.
"""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import PIL.Image
import tifffile
from pipeline.fixtures.dng import write_dng
from pipeline.fixtures.light import colour_matrix

from pipeline.engine.run import read_shoot, run
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY
from tests.opcodes import opcode_list, vignette, warp

FILE = Path(__file__).with_name("golden.json")
CELLS = 12  # along the longer side
ROOM = 0.25  # codes that a cell may differ by

RECIPES = {
    "evened": """\
recipe: 1
steps:
  - decode: {size: full}
  - lens: {vignetting: file, strength: 0.7, distortion: yes, lateral_colour: yes}
  - white_balance: {method: gray_world, within_frame: no}
  - exposure: {across: zone, target: 0.4, mean: 0.2, limit: 1.2}
  - denoise: {quality: fine, strength: 1.3, luma: 0.7, chroma: 1.4, keep_grain: 0.3}
deliveries:
  web:
    - crop: {to: centre, aspect: "4:5", share: 0.85, level: yes, at_least: 100}
    - resize: {long_edge: 360, sharpen: 0.9, radius: 1.1}
    - tone: {ev: 0.3, contrast: 0.6, knee: 0.4, white: 2.2, saturation: 1.25}
    - save: {quality: 94, chroma: half, at_most: 55 KB, name: "{{ frame }}-web"}
  print:
    - crop: {to: subject, aspect: "3:2", margin: 0.1, lead_room: 0.2, fill: 0.6}
    - resize: {width: 700, height: 700, enlarge: yes, sharpen: 0.2}
    - tone:
    - save: {format: tiff}
""",
    "plain": """\
recipe: 1
steps:
  - decode:
  - white_balance: {method: fixed, multipliers: [1.7, 1.0, 1.9]}
  - exposure:
  - denoise:
deliveries:
  web:
    - resize: {long_edge: 240}
    - tone:
    - save:
""",
}
LENS = opcode_list(
    vignette(0.4, 0.15),
    warp((1.001, -0.03, 0, 0, 0, 0), (1.0, -0.03, 0, 0, 0.001, 0), (0.999, -0.03, 0, 0, 0, 0), centre=(0.52, 0.49)),
)
FRAMES = "frame,keep,rating,players,words,crop\nTH5_0002,,,,,0.1 0.2 0.7 0.8\n"


def write_shoot(folder: Path, lens: bool = False, size: tuple[int, int] = (320, 480)) -> None:
    """Two bursts of three frames of tiles and slopes, tilted by 1.5 degrees; the light runs over the rows in a wave,
    and a window is blown out. The second burst is upright, darker and of another colour of light, and (lens) its files
    say what the lens does. size  (height, width) of their top left corner, for tests that ask nothing of the light."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(11)
    y, x = np.mgrid[0 : size[0], 0 : size[1]].astype(np.float64)
    angle = np.deg2rad(1.5)
    u, v = x * np.cos(angle) - y * np.sin(angle), x * np.sin(angle) + y * np.cos(angle)
    tile = ((u // 60) % 2 + (v // 60) % 2)[..., None]
    colours = np.stack([0.10 + 0.08 * np.sin(u / 90), 0.14 + 0.0002 * v, 0.10 + 0.06 * np.cos(v / 70)], axis=2)
    scene = colours * (0.5 + 0.5 * tile) + 0.01
    scene[40:90, 380:450] = 3.0
    for number in range(6):
        burst, moment = divmod(number, 3)
        wave = 1 + 0.25 * np.sin(2 * np.pi * (0.8 * y / size[0] + 0.37 * moment))[..., None] * np.array([1.0, 0.8, 0.5])
        light = scene * wave * ((1.0, 1.0, 1.0) if burst == 0 else (0.8, 0.7, 0.65))
        mosaic = light[..., 1].copy()
        mosaic[0::2, 0::2], mosaic[1::2, 1::2] = light[0::2, 0::2, 0] * 0.6, light[1::2, 1::2, 2] * 0.55
        mosaic += rng.standard_normal(mosaic.shape) * np.sqrt(8e-4 * np.minimum(mosaic, 1) + 8e-6)
        write_dng(
            folder / f"TH5_{number + 1:04d}.dng", np.clip(mosaic * 14488 + 512, 0, 15000).astype(np.uint16),
            black=512, white=15000, pattern="RGGB", make="Evencourt", model="Evencourt Test Camera", serial="1",
            lens="", iso=3200, exposure_time=0.001, f_number=2.8, focal_length=85.0, color_matrix=colour_matrix(),
            time=datetime(2026, 2, 14, 19, 30) + timedelta(seconds=60 * burst + 0.1 * moment),
            as_shot_neutral=(0.6, 1.0, 0.55), orientation=(1, 6)[burst], opcodes=(b"", LENS if lens and burst else b""),
        )  # fmt: skip
    (folder / "frames.csv").write_text(FRAMES, encoding="utf-8")


def cells(path: Path) -> dict[str, Any]:
    """Size of a delivered file, the means of its cells in codes row by row, and how strong its finest detail is."""
    if path.suffix == ".tif":
        codes = tifffile.imread(path) / 257.0
    else:
        with PIL.Image.open(path) as picture:
            codes = np.asarray(picture).astype(np.float64)
    height, width = codes.shape[:2]
    rows, columns = (max(1, round(CELLS * side / max(height, width))) for side in (height, width))
    down, across = (np.linspace(0, side, n + 1).round().astype(int) for side, n in ((height, rows), (width, columns)))
    sums = np.add.reduceat(np.add.reduceat(codes, down[:-1], axis=0), across[:-1], axis=1)
    means = sums / (np.diff(down)[:, None, None] * np.diff(across)[None, :, None])
    fine = np.abs(np.diff(codes, 2, axis=0)).mean() + np.abs(np.diff(codes, 2, axis=1)).mean()
    return {"size": [height, width], "fine": round(float(fine), 3), "cells": means.round(2).ravel().tolist()}


def versions() -> dict[str, int]:
    """Step -> its version."""
    return {name: step.version for name, step in REGISTRY.items()}


def found(folder: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    """ "recipe/delivery/file" and its numbers, of a run of each recipe."""
    write_shoot(folder / "shoot", lens=True)
    shoot = read_shoot(folder / "shoot", models=folder)
    for name, text in RECIPES.items():
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
        recipe = load_recipe(folder / f"{name}.yaml", REGISTRY)
        outcome = run(recipe, shoot, folder / name, workers=1)
        assert not outcome.failed, outcome.failed
        for delivery in recipe.deliveries:
            for path in sorted((folder / name / delivery.name).glob("*.*")):
                yield f"{name}/{delivery.name}/{path.name}", cells(path)


def main() -> None:
    """Write golden.json."""
    with tempfile.TemporaryDirectory() as folder:
        # As in the tests: a model in the cache of the person who runs it would find other subjects.
        os.environ |= {"XDG_CACHE_HOME": f"{folder}/cache", "EVENCOURT_CACHE": f"{folder}/frames"}
        os.environ["EVENCOURT_OFFLINE"] = "1"
        files = dict(found(Path(folder)))
    entries = ",\n  ".join(f"{json.dumps(name)}: {json.dumps(entry)}" for name, entry in files.items())
    text = f'{{"versions": {json.dumps(versions())},\n "files": {{\n  {entries}\n }}}}\n'
    FILE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
