"""CPU time of the real command against a plain script, and how two workers scale: `python -m tests.benchmark`.

Frames of 24 megapixels, lossless-compressed as cameras write them where the package imagecodecs is there to do it,
else uncompressed. All times of a run stand beside two measures of the same run: the plain script that anyone would
write (LibRaw's AHD postprocess, Lanczos, JPEG; no denoise), and the floor that no finishing can go below (LibRaw's
half-size postprocess, an area average to the delivered size, JPEG). Only the ratios mean anything elsewhere.

    whole    the command `evencourt run` on an empty OUT without a cache, with its workers: start, measuring, solving,
             rendering, crop by the model files of ../shared/models, denoise; and the script over the same frames
    tight    the same with a tight crop: 40 % of the width at full resolution, denoised with `quality: fine`
    render   one frame in one process: denoise off against the floor, `standard` against the script, a tight crop
             (40 % of the width at full resolution, denoised) against the script
    pixels   one frame at all of its pixels, and brought to 2048, by each quality of denoise, each in a process of its
             own: its peak memory, and its CPU time, also against that of the network of quality learned alone, on one
             tile without overlap
    workers  the command with two workers against one, on twice as many frames, by the clock: wants an idle machine

`--only whole,tight,render,pixels,workers` runs a part, `--frames 6` takes a third of the time (the start of
the programs is then shared out as over 20), `--repeat 3` takes the least of three.
`--keep DIR` writes the frames there, or takes those that are there.
"""

from __future__ import annotations

import argparse
import io
import multiprocessing
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import PIL.Image
import rawpy

from pipeline.cli.recipes import recipe_folder
from pipeline.engine.render import render
from pipeline.engine.run import jobs, read_shoot
from pipeline.imaging.learned.runtime import MOSAIC, network
from pipeline.imaging.learned.tiles import Part
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY
from pipeline.workers.executors import worker_setup
from tests.benchmark_frames import HEIGHT, SHARED, WIDTH, lossless, write_again, write_frames

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
PIXELS = RECIPE.replace("    - resize: {long_edge: 2048}\n", "")
TIGHT = RECIPE.replace("resize: {long_edge: 2048}", "crop: {to: box}")
SCRIPT = """\
import sys, PIL.Image, rawpy
for path in sys.argv[2:]:
    with rawpy.imread(path) as raw:
        rgb = raw.postprocess(use_camera_wb=True, no_auto_bright=True)
    small = PIL.Image.fromarray(rgb).resize((2048, 1365), PIL.Image.Resampling.LANCZOS)
    small.save(sys.argv[1], "JPEG", quality=88)
"""
MODELS = SHARED / "models"
QUALITIES = ("standard", "fine", "learned")
_SHOOT = 20  # frames over which the start of the programs is shared out


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


def cpu(work: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Least CPU seconds of `work`, and how much of them the system took."""
    best = (float("inf"), 0.0)
    for _ in range(repeats):
        before = resource.getrusage(resource.RUSAGE_SELF)
        work()
        after = resource.getrusage(resource.RUSAGE_SELF)
        system = after.ru_stime - before.ru_stime
        best = min(best, (after.ru_utime - before.ru_utime + system, system))
    return best


def command(arguments: list[str]) -> tuple[float, float, float]:
    """CPU seconds of a command with its workers, those of them that the system took, and seconds by the clock."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    quiet = {"OMP_NUM_THREADS": "1", "EVENCOURT_OFFLINE": "1"}
    done = subprocess.run([sys.executable, *arguments], capture_output=True, text=True, env=os.environ | quiet)
    wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode:
        raise SystemExit(done.stdout + done.stderr)
    system = after.ru_stime - before.ru_stime
    return after.ru_utime - before.ru_utime + system, system, wall


def finish(shoot: Path, out: Path, workers: int, recipe: Path | None = None) -> tuple[float, float, float]:
    """`command` of a recipe over a shoot, into an empty folder. recipe  None for the overnight one"""
    shutil.rmtree(out, ignore_errors=True)
    models = ["--models", str(MODELS)] if MODELS.is_dir() else []
    of = [
        "run",
        str(recipe or recipe_folder() / "overnight-web.yaml"),
        str(shoot),
        "--out",
        str(out),
        "--workers",
        str(workers),
        "--no-cache",
    ]
    return command(["-m", "pipeline.cli.app", *of, *models])


def shared_out(all_of_them: float, one: float, n: int) -> float:
    """Seconds a frame of a shoot of at least _SHOOT frames, from those of `n` frames and those of one."""
    if n >= _SHOOT:
        return all_of_them / n
    return one / _SHOOT + (1 - 1 / _SHOOT) * (all_of_them - one) / (n - 1)


def tight(frames: Path, folder: Path, repeats: int) -> None:
    """`whole` with a tight crop of every frame."""
    recipe, shoot = folder / "tight.yaml", folder / "tight"
    recipe.write_text(TIGHT.replace("STRENGTH", "1.0, quality: fine"), encoding="utf-8")
    write_again(frames, shoot, 1)
    write_crops(shoot)
    whole(shoot, folder / "of_tight", repeats, recipe, "tight crop, fine", 1.5)


def write_crops(shoot: Path) -> None:
    rows = "".join(f"{path.stem},0.3 0.3 0.7 0.7\n" for path in sorted(shoot.glob("*.dng")))
    (shoot / "frames.csv").write_text("frame,crop\n" + rows, encoding="utf-8")


def whole(
    shoot: Path,
    folder: Path,
    repeats: int,
    recipe: Path | None = None,
    name: str = "overnight recipe",
    most: float = 0.8,
) -> None:
    """most  times the plain script, that are wanted"""
    paths = [str(path) for path in sorted(shoot.glob("*.dng"))]
    n, out, single = len(paths), folder / "out", folder / "single"
    single.mkdir(parents=True)
    shutil.copy(paths[0], single)
    if recipe is not None:
        write_crops(single)
    finish(single, out, 1, recipe)  # compiles
    ours, theirs, ones, firsts = [], [], [], []
    for _ in range(repeats):
        theirs.append(command(["-c", SCRIPT, str(out / "script.jpg"), *paths]))
        ours.append(finish(shoot, out, 1, recipe))
        if n < _SHOOT:
            firsts.append(command(["-c", SCRIPT, str(out / "script.jpg"), paths[0]]))
            ones.append(finish(single, out, 1, recipe))
    note = "" if MODELS.is_dir() else "; WITHOUT model files: nobody was looked for"
    script = shared_out(min(theirs)[0], min(firsts, default=(0,))[0], n)
    took = shared_out(min(ours)[0], min(ones, default=(0,))[0], n)
    if ones:
        print(f"{n} frames; the start of the programs is shared out as over {_SHOOT}")
    print(f"plain script: {script:.2f} CPU s a frame, {min(theirs)[1] / n:.2f} of them the system's")
    print(f"whole command, {name}: {took:.2f} CPU s a frame, {min(ours)[1] / n:.2f} of the system{note}")
    print(f"whole command against the plain script: {took / script:.2f} times (wanted: {most})", flush=True)


def workers(shoot: Path, out: Path, repeats: int) -> None:
    one, two = [], []
    for _ in range(repeats):
        one.append(finish(shoot, out, 1))
        two.append(finish(shoot, out, 2))
    n = len(list(shoot.glob("*.dng")))
    wall_one, wall_two = min(w for *_, w in one), min(w for *_, w in two)
    print(f"one worker, {n} frames: {wall_one:.1f} s by the clock, {min(one)[0]:.1f} CPU s")
    print(f"two workers: {wall_two:.1f} s by the clock, {min(two)[0]:.1f} CPU s")
    print(f"two workers do {wall_one / wall_two:.2f} times the work of one (wanted: 1.85)", flush=True)


def renders(folder: Path, repeats: int) -> None:
    """Both measures and each recipe on one frame, in this process."""
    worker_setup()
    shoot = read_shoot(folder / "shoot")
    path = shoot.frames[0].path
    baseline, script = cpu(lambda: floor(path), repeats), cpu(lambda: plain(path), repeats)
    print(f"floor (half-size postprocess, area, JPEG): {baseline[0]:.2f} CPU s, {baseline[1]:.2f} of them the system's")
    print(f"plain script (AHD postprocess, Lanczos, JPEG): {script[0]:.2f} CPU s, {script[1]:.2f} of the system")
    cases = (
        ("denoise off", RECIPE.replace("STRENGTH", "0"), False),
        ("denoise on", RECIPE.replace("STRENGTH", "1.0, quality: standard"), False),
        ("tight crop, denoise on", TIGHT.replace("STRENGTH", "1.0, quality: standard"), True),
        ("tight crop, fine", TIGHT.replace("STRENGTH", "1.0, quality: fine"), True),
    )
    for label, text, crop in cases:
        recipe, out = folder / "recipe.yaml", folder / label.replace(" ", "-")
        recipe.write_text(text, encoding="utf-8")
        (folder / "shoot" / "frames.csv").unlink(missing_ok=True)
        if crop:
            write_crops(folder / "shoot")
        shoot = read_shoot(folder / "shoot")
        job = replace(next(iter(jobs(load_recipe(recipe, REGISTRY), shoot, out).values())), thumbs="")
        render(job)  # compiles, warms
        took, system = cpu(lambda job=job: render(job), repeats)
        ratios = f"{took / baseline[0]:.2f} times the floor, {took / script[0]:.2f} times the plain script"
        print(f"render alone, {label}: {ratios} ({took:.2f} CPU s, {system:.2f} of the system)", flush=True)
    print(f"peak memory of the process: {peak():.2f} GB")


def peak() -> float:
    """Most that this process had in memory, GB."""
    unit = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit / 1e9


def network_alone(repeats: int) -> float:
    """CPU seconds a megapixel of the mosaic."""
    by, side = network(MOSAIC), 1024
    by.cells(side, side)[:] = 0.3
    whole = Part(0, 0, side, side)
    by.picture(whole)  # warms
    return cpu(lambda: by.picture(whole), repeats)[0] / (4 * side * side / 1e6)


def rendered_whole(folder: Path, quality: str, small: bool, alone: float) -> None:
    """One frame by one quality. alone  as network_alone gave it"""
    worker_setup()
    recipe, out = folder / "recipe.yaml", folder / f"{quality}-{small}"
    recipe.write_text((RECIPE if small else PIXELS).replace("STRENGTH", f"1.0, quality: {quality}"), encoding="utf-8")
    shoot = read_shoot(folder / "shoot")
    job = next(iter(jobs(load_recipe(recipe, REGISTRY), shoot, out).values()))
    # Twice, as a worker goes from frame to frame.
    took, _ = cpu(lambda: render(job), 2)
    each = took / (HEIGHT * WIDTH / 1e6)
    times = f"{took:.2f} CPU s, {each:.2f} a megapixel, {each / alone:.2f} times the network alone"
    size = "to 2048" if small else "all pixels"
    print(f"{size}, {quality}: peak memory of its worker {peak():.2f} GB; {times}", flush=True)


def all_pixels(frames: Path, folder: Path, repeats: int, qualities: Sequence[str]) -> None:
    shoot = folder / "shoot"
    shoot.mkdir(parents=True)
    first = min(frames.glob("*.dng"))
    shutil.copy(first, shoot / first.name)
    alone = network_alone(max(repeats, 2))
    print(f"the network of quality learned alone: {alone:.2f} CPU s a megapixel", flush=True)
    for small in (True, False):
        for quality in qualities:
            apart(rendered_whole, folder, quality, small, alone)


def render_alone(frames: Path, folder: Path, repeats: int) -> None:
    (folder / "shoot").mkdir(parents=True)
    first = min(frames.glob("*.dng"))
    shutil.copy(first, folder / "shoot" / first.name)
    # A process of its own, so that writing the frames does not count as the worker's memory.
    apart(renders, folder, max(repeats, 3))


def apart(work: Callable[..., None], *given: object) -> None:
    worker = multiprocessing.get_context("spawn").Process(target=work, args=given)
    worker.start()
    worker.join()
    if worker.exitcode:
        raise SystemExit(f"the measuring process ended with {worker.exitcode}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=int, default=20)
    parser.add_argument("--only", default="whole,tight,render,pixels,workers")
    parser.add_argument("--quality", action="append", choices=QUALITIES, help="of pixels: only this one")
    parser.add_argument("--repeat", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="a folder for the frames")
    options = parser.parse_args()
    parts = options.only.split(",")
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        frames = options.keep or folder / "frames"
        if not frames.is_dir():
            write_frames(frames, options.frames)
        print("lossless-compressed" if lossless() else "uncompressed (imagecodecs is not installed)", flush=True)
        if "render" in parts:
            render_alone(frames, folder / "render", options.repeat)
        if "pixels" in parts:
            all_pixels(frames, folder / "pixels", options.repeat, options.quality or QUALITIES)
        if "whole" in parts:
            whole(frames, folder, options.repeat)
        if "tight" in parts:
            tight(frames, folder, options.repeat)
        if "workers" in parts:
            write_again(frames, folder / "twice", 2)
            workers(folder / "twice", folder / "out", options.repeat)


if __name__ == "__main__":
    main()
