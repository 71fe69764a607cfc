"""How long solve takes and how much memory for 100, 1,000 and 10,000 frames: `python -m tests.solve_benchmark`.

The records of frames and bursts are made up: bursts of eight in the mixed light of two published lamps, one
reference at each end. They are kept in a store as measuring would keep them, and the ready recipe's steps are solved.
Each size runs in a process of its own, so that its peak memory is its own. `--singles` makes every frame a burst.
Wanted: 10,000 frames in under a minute and under 1 GB.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import resource
import sys
import tempfile
import time
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from pipeline.fixtures.light import response, tables

from pipeline.cli.recipes import read_recipe
from pipeline.engine import burst_light
from pipeline.engine.measure import MeasuredFrame
from pipeline.engine.solve import solve
from pipeline.imaging.geometry import Box
from pipeline.imaging.level import Unsure
from pipeline.imaging.orientation import Orientation
from pipeline.light.comparing.tones import tone_histogram
from pipeline.light.gain_map import GainMap
from pipeline.light.mixing.gradient import ChromaGradient
from pipeline.light.neutral import candidates
from pipeline.light.palette import ChromaSamples, histogram
from pipeline.light.references import MeasuredReferences
from pipeline.light.row_wave import ACROSS, DEGREE
from pipeline.light.scenes import Scene
from pipeline.people.observe import FrameObservation
from pipeline.people.tracking import Observation
from pipeline.shoot.facts import Facts, Reference
from pipeline.steps.bright_pixels import BrightPixels, bright_pixels
from pipeline.steps.lens import LensMeasurement
from pipeline.steps.white_balance import WhiteBalanceMeasurement
from pipeline.store.packing import pack_parts
from pipeline.store.store import Store
from pipeline.types import Burst, Domain, Exif, Frame, Image, Noise

SIZES = (100, 1000, 10_000)
FULL_SIZE = (4000, 6000)  # height, width
SECONDS, MEGABYTES = 60.0, 1024.0
LAMPS = ("HP3", "LED-B5")
NAMES = ("orange yellow", "neutral 6.5 (.44 D)", "white 9.5 (.05 D)", "light skin", "red", "blue", "dark skin")
DAY = 1 / response(np.ones(31), "D65")


def chroma_samples(share: float, rng: np.random.Generator) -> ChromaSamples:
    """A scene whose light is `share` of the second lamp: published surfaces in areas of chance."""
    points, green = [], []
    for name in NAMES:
        surface = np.array(tables()["reflectances"][name])
        seen = (1 - share) * response(surface, LAMPS[0]) + share * response(surface, LAMPS[1])
        count = int(rng.integers(100, 900))
        logs = np.log(seen * DAY)
        points.append(np.array([logs[0] - logs[1], logs[2] - logs[1]]) + rng.normal(0, 0.03, (count, 2)))
        green.append(seen[1] * rng.uniform(0.4, 0.7, count))
    chroma, light = np.concatenate(points), np.concatenate(green)
    column, bright = rng.uniform(-1, 1, len(light)), light / np.quantile(light, 0.9)
    return ChromaSamples(chroma, np.ones(len(light)), column, 0 * column, bright, np.log2(light))


def scene(names: tuple[str, ...], index: int) -> Scene:
    rng = np.random.default_rng(index)
    of = chroma_samples(float(rng.uniform(0, 1)), rng)
    fall = 0.3 / (1 + np.arange(DEGREE + 1)[:, None, None] + 3 * np.arange(ACROSS + 1)[None, :, None])
    flicker = tuple(GainMap(rng.normal(0, 1, (DEGREE + 1, ACROSS + 1, 3)) * fall * (len(names) > 1)) for _ in names)
    return Scene(
        names, flicker, (0.9,) * len(names), tuple(rng.normal(0, 0.05, len(names)).tolist()),
        (1.0,) * len(names), ChromaGradient(rng.normal(0, 0.05, (4, 2))), histogram(of).astype(np.float16),
        tone_histogram(of), tuple(candidates(of)), rng.normal(-3, 0.4, 3), np.eye(3),
        lies=(Orientation.TOP_LEFT,) * len(names),
    )  # fmt: skip


def players(rng: np.random.Generator) -> FrameObservation:
    """What the crop step measures where ten people and three faces are seen; boxes and colours of chance."""
    corner, size = rng.uniform(0, 0.6, (10, 2)), rng.uniform(0.15, 0.4, (10, 2))
    people = np.column_stack([corner, corner + size, rng.uniform(0.5, 0.9, 10)]).astype(np.float32)
    faces = np.column_stack([people[:3, :2], people[:3, :2] + 0.03, np.full(3, 0.9), people[:3, :4]])
    seen = Observation(
        people=people, reach=people, sharp=rng.uniform(0.05, 0.2, 10).astype(np.float32),
        jersey_colour=rng.uniform(0, 255, (10, 3)).astype(np.float32), faces=faces.astype(np.float32),
        balls=people[:1], rackets=people[:0], small=rng.integers(0, 255, (107, 160)).astype(np.uint8),
        size=FULL_SIZE, clipped=rng.uniform(0, 1, 10).astype(np.float32),
        told_in=FULL_SIZE[0] // 2,
    )  # fmt: skip
    return FrameObservation(seen, (True, True), 0.1, 0.1, 0.0, Unsure.FEW, np.ones(3, np.float32))


def bright(rng: np.random.Generator) -> BrightPixels:
    """What the exposure step measures of a frame with a window and white jerseys."""
    height, width = 640, 960
    pixels = (rng.gamma(1.5, 0.05, (height, width, 1)) * np.array([0.6, 1, 0.7])).astype(np.float32)
    image = Image(np.minimum(pixels, 1), Domain.CAMERA, Noise(np.zeros(3), np.zeros(3)), np.ones(3), np.eye(3))
    return bright_pixels(image, DAY / DAY[1], Orientation.TOP_LEFT, False)


def fill(store: Store, count: int, size: int) -> tuple[list[MeasuredFrame], list[Burst], Facts]:
    """The store as measuring `count` frames in bursts of `size` leaves it."""
    start = datetime(2026, 2, 14, 19, 30)
    facts = {"full_size": FULL_SIZE, "notices": [], "seconds": 0.1}
    white = response(np.ones(31), LAMPS[0]) * 0.3
    references = MeasuredReferences(white[None], np.zeros((1, 2)), np.full((1, 3, 3), np.nan), ("",))
    proxy = np.random.default_rng(0).random((128, 192, 3)).astype(np.float16)
    record = pack_parts({
        "decode": {},
        "lens": LensMeasurement(FULL_SIZE).as_arrays(),
        "white_balance": WhiteBalanceMeasurement(DAY, DAY, references).as_arrays(),
        "exposure": {"daylight": DAY, **bright(np.random.default_rng(2)).as_arrays()},
        "tone": {"shadow": np.array([0.002, 0.001])},
        "crop": players(np.random.default_rng(1)).as_arrays(),
        "facts": {"json": np.frombuffer(json.dumps(facts).encode(), dtype=np.uint8)}, "proxy": {"pixels": proxy},
    })  # fmt: skip
    measured_frames, bursts = [], []
    for first in range(0, count, size):
        names = tuple(f"F{k:05d}" for k in range(first, min(first + size, count)))
        bursts.append(Burst(names))
        for at, name in enumerate(names):
            exif = Exif("Evencourt", "One", iso=3200, exposure_time=0.001, f_number=2.8,
                        time=start + timedelta(seconds=first * 1.5 + at * 0.1), has_subseconds=True)  # fmt: skip
            measured_frames.append(MeasuredFrame(Frame(name, Path(name), name, "raw", exif), name, name, FULL_SIZE))
            store.put("measured", name, record)
    ends = tuple(Reference(n, patch=Box(0.4, 0.4, 0.6, 0.6)) for n in ("F00000", f"F{count - 1:05d}"))
    return measured_frames, bursts, Facts(references=ends)


def keep_scenes(store: Store, measured_frames: Sequence[MeasuredFrame], bursts: Sequence[Burst]) -> None:
    """Puts made-up scenes where find_scenes looks for them, so that only solve is timed and not the pictures."""
    index = iter(range(len(bursts)))

    def made(task: burst_light._Task) -> None:
        found = scene(tuple(f.name for f in task.frames), next(index))
        store.put("burst_light", task.key, pack_parts({"scene": found.as_arrays()}))

    true, burst_light._find_scene = burst_light._find_scene, made
    try:
        burst_light.find_scenes(store, measured_frames, bursts)
    finally:
        burst_light._find_scene = true


def _child(folder: str, count: int, size: int, answer: multiprocessing.SimpleQueue) -> None:
    store = Store.open(Path(folder) / "out", Path(folder) / "shoot")
    measured_frames, bursts, facts = fill(store, count, size)
    keep_scenes(store, measured_frames, bursts)
    recipe = read_recipe()
    before, worked = time.perf_counter(), time.process_time()
    plan = solve(store, measured_frames, bursts, facts, recipe)
    took, worked = time.perf_counter() - before, time.process_time() - worked
    assert not plan.failed, plan.failed
    assert len(plan.solutions["white_balance"]) == len(plan.solutions["exposure"]) == count
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (2**20 if sys.platform == "darwin" else 2**10)
    answer.put((took, worked, peak))


def measure(count: int, size: int) -> tuple[float, float, float]:
    """Seconds of solve by the clock and of the processor, and the process's peak in megabytes."""
    context = multiprocessing.get_context("spawn")
    answer = context.SimpleQueue()
    with tempfile.TemporaryDirectory() as folder:
        child = context.Process(target=_child, args=(folder, count, size, answer))
        child.start()
        child.join()
        if child.exitcode:
            raise SystemExit(f"{count} frames: the process ended with {child.exitcode}")
    return answer.get()


def main() -> None:
    parser = argparse.ArgumentParser(description="Time and memory of solve against the number of frames.")
    parser.add_argument("--singles", action="store_true", help="no bursts: every frame is a scene of its own")
    parser.add_argument("--sizes", default=",".join(map(str, SIZES)))
    given = parser.parse_args()
    first = 0.0
    print("frames   seconds  processor  of linear  peak MB")
    for count in (int(n) for n in given.sizes.split(",")):
        seconds, worked, peak = measure(count, 1 if given.singles else 8)
        first = first or worked / count
        verdict = "" if count < SIZES[-1] else "  ok" if seconds < SECONDS and peak < MEGABYTES else "  MISSED"
        print(
            f"{count:6d} {seconds:9.2f} {worked:10.2f} {worked / count / first:9.2f}x {peak:8.0f}{verdict}", flush=True
        )


if __name__ == "__main__":
    main()
