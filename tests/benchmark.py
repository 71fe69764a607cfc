"""CPU time per frame against the floor, and peak memory of a worker: `python -m tests.benchmark`.

One 24-megapixel generated frame, one process, one thread; lossless-compressed as cameras write them where the
package imagecodecs is there to do it, else uncompressed. Two measures stand beside the recipe: the floor that no
finishing can go below (LibRaw's half-size postprocess, an area average to the delivered size, Pillow's JPEG), and
the plain script that anyone would write (LibRaw's AHD postprocess, Lanczos, JPEG, no denoise). All times are CPU
times of the same run; only their ratios mean anything.
"""

from __future__ import annotations

import io
import multiprocessing
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import PIL.Image
import rawpy

from pipeline.engine.render import render
from pipeline.engine.run import jobs, read_shoot
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY
from pipeline.workers.executors import worker_setup

RECIPE = """\
recipe: 1
steps:
  - decode:
  - white_balance: {method: gray_world}
  - exposure: {across: burst}
  - denoise: {strength: STRENGTH}
deliveries:
  web:
    - resize: {long_edge: 2048}
    - caption:
    - save: {format: jpeg, quality: 88}
"""


def lossless() -> Callable[[np.ndarray], bytes] | None:
    """An encoder to lossless JPEG, None where imagecodecs (BSD-3-Clause; for this measure only) is not installed."""
    try:
        import imagecodecs
    except ImportError:
        return None
    return lambda rows: imagecodecs.ljpeg_encode(rows, bitspersample=14)


def write_frame(path: Path) -> None:
    """6000 x 4000 Bayer frame at ISO 6400: smooth colour, edges, Poisson-Gaussian noise."""
    from pipeline.fixtures.dng import write_dng

    y, x = np.mgrid[0:4000, 0:6000].astype(np.float32)
    scene = 0.12 + 0.08 * np.sin(x / 310) * np.cos(y / 170) + 0.1 * ((x // 400 + y // 300) % 2)
    scene[0::2, 0::2] *= 0.55
    scene[1::2, 1::2] *= 0.6
    rng = np.random.default_rng(0)
    scene += rng.standard_normal(scene.shape, dtype=np.float32) * np.sqrt(1.6e-3 * scene + 1.6e-5)
    cfa = np.clip(scene * (15000 - 512) + 512, 0, 16383).astype(np.uint16)
    write_dng(
        path, cfa, black=512, white=15000, pattern="RGGB", make="Evencourt", model="Evencourt Test Camera",
        serial="1", lens="", iso=6400, exposure_time=0.001, f_number=2.8, focal_length=85.0,
        time=datetime(2026, 2, 14, 19, 30), as_shot_neutral=(0.55, 1.0, 0.6),
        color_matrix=np.array([[0.83, -0.26, -0.08], [-0.46, 1.24, 0.24], [-0.08, 0.19, 0.6]]), orientation=1,
        lossless=lossless(),
    )  # fmt: skip


def floor(path: Path) -> None:
    with rawpy.imread(str(path)) as raw:
        rgb = raw.postprocess(half_size=True, use_camera_wb=True, no_auto_bright=True)
    small = cv2.resize(rgb, (2048, 1365), interpolation=cv2.INTER_AREA)
    PIL.Image.fromarray(small).save(io.BytesIO(), "JPEG", quality=88)


def plain(path: Path) -> None:
    with rawpy.imread(str(path)) as raw:
        rgb = raw.postprocess(use_camera_wb=True, no_auto_bright=True)
    small = PIL.Image.fromarray(rgb).resize((2048, 1365), PIL.Image.Resampling.LANCZOS)
    small.save(io.BytesIO(), "JPEG", quality=88)


def cpu(work: Callable[[], object], repeats: int = 3) -> float:
    best = float("inf")
    for _ in range(repeats):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return best


def measure(folder: str) -> None:
    worker_setup()
    shoot = read_shoot(Path(folder) / "shoot")
    baseline = cpu(lambda: floor(shoot.frames[0].path))
    script = cpu(lambda: plain(shoot.frames[0].path))
    kind = "lossless-compressed" if lossless() else "uncompressed (imagecodecs is not installed)"
    print(f"{kind}; floor (half-size postprocess, area, JPEG): 1.00  ({baseline:.2f} CPU s here)")
    print(f"plain script (AHD postprocess, Lanczos, JPEG): {script / baseline:.2f} times the floor")
    for label, strength in (("denoise off", "0"), ("denoise on", "1.0")):
        recipe_file = Path(folder) / "recipe.yaml"
        recipe_file.write_text(RECIPE.replace("STRENGTH", strength), encoding="utf-8")
        out = Path(folder) / f"out-{strength}"
        job = replace(next(iter(jobs(load_recipe(recipe_file, REGISTRY), shoot, out).values())), thumbs="")
        render(job)  # compiles, warms
        took = cpu(lambda job=job: render(job))
        print(f"web recipe, {label}: {took / baseline:.2f} times the floor, {took / script:.2f} times the plain script")
    unit = 1 if sys.platform == "darwin" else 1024
    print(f"peak memory of the worker: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e9:.2f} GB")


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "shoot").mkdir()
        write_frame(Path(folder) / "shoot" / "TH9_0001.dng")
        # A process of its own, so that writing the frame does not count as the worker's memory.
        worker = multiprocessing.get_context("spawn").Process(target=measure, args=(folder,))
        worker.start()
        worker.join()


if __name__ == "__main__":
    main()
