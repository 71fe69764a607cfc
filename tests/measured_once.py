"""CPU time of a command after another has measured the same frames: `python -m tests.measured_once [--size 6000x4000]`.

For each command that may come first, in an empty cache: its CPU time, user and system, with that of its workers; then
what each command takes that comes after it, and the ratio of the two. Programs start slowly (libraries are loaded), so
the same is told once more without the time that a command needs for a shoot of one measured frame. `run` is left out
as the next command: it renders; what it takes to begin is what --dry-run takes.

Frames are drawn anew, in bursts of eight that flicker and pan, players and a floor of tiles; no two have equal bytes.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from pipeline.fixtures.dng import write_dng
from pipeline.fixtures.light import colour_matrix

from pipeline.cli.recipes import recipe_folder

MODELS = Path(__file__).resolve().parents[2] / "shared" / "models"


def write_frames(folder: Path, count: int, width: int, height: int) -> None:
    """`count` raw frames and facts."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(5)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    scale = width / 6000
    scene = 0.10 + 0.06 * np.sin(x / (310 * scale)) * np.cos(y / (170 * scale))
    scene += 0.08 * ((x // (400 * scale) + y // (300 * scale)) % 2)
    for _ in range(10):  # something like people: upright ellipses of one colour
        px, py, tall = rng.uniform(0, width), rng.uniform(0.3, 0.7) * height, rng.uniform(0.1, 0.25) * height
        scene[((x - px) / (0.3 * tall)) ** 2 + ((y - py) / tall) ** 2 < 1] = rng.uniform(0.05, 0.5)
    scene[0::2, 0::2] *= 0.55
    scene[1::2, 1::2] *= 0.6
    noise = rng.standard_normal(scene.shape, dtype=np.float32)
    for number in range(count):
        burst, at = divmod(number, 8)
        light = (1 + 0.25 * np.sin(2 * np.pi * (0.8 * np.arange(height) / height + 0.37 * at)))[:, None]
        seen = np.roll(scene, 2 * (40 * burst + 3 * at), axis=1) * light.astype(np.float32)
        seen += np.roll(noise, 2 * number, axis=0) * np.sqrt(1.6e-3 * seen + 1.6e-5)
        write_dng(
            folder / f"TH8_{number + 1:04d}.dng", np.clip(seen * 14488 + 512, 0, 15000).astype(np.uint16),
            black=512, white=15000, pattern="RGGB", make="Evencourt", model="Evencourt Test Camera", serial="1",
            lens="", iso=6400, exposure_time=0.001, f_number=2.8, focal_length=85.0, color_matrix=colour_matrix(),
            time=datetime(2026, 2, 14, 19, 30) + timedelta(seconds=20 * burst + 0.1 * at),
            as_shot_neutral=(0.55, 1.0, 0.6), orientation=1,
        )  # fmt: skip


def cpu(arguments: list[object], cache: Path) -> float:
    """Seconds of the processor that a command takes, with its workers."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    command = [sys.executable, "-m", "pipeline.cli.app", *map(str, arguments), "--cache", str(cache)]
    done = subprocess.run(command, capture_output=True, text=True, env=os.environ | {"EVENCOURT_OFFLINE": "1"})
    if done.returncode:
        raise SystemExit(done.stdout + done.stderr)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def commands(folder: Path, shoot: Path) -> dict[str, list[object]]:
    recipe = recipe_folder() / "overnight-web.yaml"
    models = ["--models", MODELS] if MODELS.is_dir() else []
    return {
        "inspect": ["inspect", shoot, *models],
        "check": ["check", recipe, shoot, *models],
        "captions": ["captions", shoot, "--out", folder / "table.csv", "--force", *models],
        "run --dry-run": ["run", recipe, shoot, "--out", folder / "out", "--dry-run", *models],
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=40)
    parser.add_argument("--size", default="6000x4000")
    parser.add_argument("--first", help="only this command comes first, such as inspect")
    parser.add_argument("--shoot", type=Path, help="a folder of frames to measure in place of drawn ones")
    options = parser.parse_args()
    width, height = map(int, options.size.split("x"))
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        shoot, single = options.shoot or folder / "shoot", folder / "single"
        if options.shoot is None:
            write_frames(shoot, options.frames, width, height)
        write_frames(single, 1, width, height)
        cpu(["inspect", single], folder / "compiled")  # numba compiles once an installation
        alone = {}
        for name, arguments in commands(folder, single).items():
            cpu(arguments, folder / "one")
            alone[name] = cpu(arguments, folder / "one")
        todo = commands(folder, shoot)
        for first, arguments in todo.items():
            if options.first not in (None, first):
                continue
            took = cpu(arguments, folder / first)
            print(f"{first} first: {took:.1f} CPU s", flush=True)
            for name, again in todo.items():
                then = cpu(again, folder / first)
                rest = max(0.0, then - alone[name])
                print(
                    f"  then {name}: {then:.2f} CPU s, {100 * then / took:.1f} %; without the start of the program "
                    f"({alone[name]:.2f}) {rest:.2f}, {100 * rest / (took - alone[first]):.1f} %"
                )


if __name__ == "__main__":
    main()
