"""Where the light of a generated shoot is lost: `python -m tests.light_oracle --hall B --seed 23 --only patch,chart`.

The figures of tests.evenness_of_raws with parts of what a run decided put right from the drawn light, of which the
generator knows at every pixel what it makes of white:

* all: what the run decided
* level: each scene's brightness put right, by the mean of its boxes
* scene: each scene's white put right, by the median of its boxes; what is left is the gradient within frames
* gradient: the gradient within frames right, and each scene's white as the run decided
* map: the polynomial that white_balance would make of the drawn light
* light: that light taken out at every pixel: what no map and no level betters, under the run's matrices
* matrix: that, with the matrix that a chart at that very place, without noise, would give: what no white-preserving
  matrix that is fitted to a chart can better
* noise: the truth with the noise of the raws, and nothing else

The lines below are signed: how much brighter each surface is at the left end, EV, and half of their range: what the
best level leaves.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import ClassVar
from unittest import mock

import numpy as np
import tifffile
from pipeline.fixtures import demo
from pipeline.fixtures.demo import BLACK, WHITE
from pipeline.fixtures.hall import HALLS, Hall, right_share
from pipeline.fixtures.light import response, tables
from pipeline.fixtures.scene import Layer

from pipeline.engine.decide import measure_shoot
from pipeline.engine.run import read_shoot
from pipeline.engine.solve import Plan, shoot_light, solve
from pipeline.imaging.colour import REC709_FROM_XYZ
from pipeline.light.chart.fit import fit_matrix
from pipeline.light.gain_map import polynomial
from pipeline.light.scene_white import people_at
from pipeline.light.scenes import ShootLight
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY, exposure, white_balance
from pipeline.store.store import Store
from tests.burst_parts import to_working
from tests.evenness import ALIKE, Sample, figures, truth_of, write_inputs
from tests.evenness_of_raws import _FULL, _PLACES, _mean, ends, ends_by_kind

PARTS = ("all", "level", "scene", "gradient", "map", "light", "matrix", "noise")
SHOWN = (
    "neutrals, chroma off truth, median", "neutrals, chroma off truth, 95th",
    "neutrals at the sides, chroma off truth, median", "neutrals at the sides, chroma off truth, 95th",
    "burst farthest pair of players, CIEDE2000, 95th", "floor, standard deviation in a*b*",
    *(f"ends apart, {kind}, EV" for kind in ALIKE),
)  # fmt: skip


class _Drawing(demo._Shoot):
    """A shoot that keeps the lamps' light on white of each frame."""

    made: ClassVar[list[_Drawing]] = []

    def __init__(self, *given: object) -> None:
        super().__init__(*given)  # type: ignore[arg-type]
        self.light: dict[str, np.ndarray] = {}
        self.share: dict[str, np.ndarray] = {}
        _Drawing.made.append(self)

    def take(self, layer: Layer, *rest: object) -> None:
        name, moment = self.next_name(), rest[3]
        super().take(layer, *rest)  # type: ignore[arg-type]
        hall = self.hall
        rows = moment + hall.readout_time * np.arange(self.height) / self.height  # type: ignore[operator]
        share = right_share(layer.where, hall.centre, hall.width)
        left, right = (
            lamp.during(rows, hall.exposure, hall.frequency)[:, None] * part
            for lamp, part in ((hall.left, 1 - share), (hall.right, share))
        )
        light = left[..., None] * self.resp["white"][:3] + right[..., None] * self.resp["white"][3:6]
        self.light[name] = np.log(light / self.daylight * self.daylight[1]).astype(np.float16)[::2, ::2]
        self.share[name] = share.astype(np.float16)[::2, ::2]


@dataclass(frozen=True)
class Drawn:
    """Of each frame, at half its size: light (h, w, 3), ln of what the lamps make of white against daylight; share
    (h, w), of the right lamp."""

    light: Mapping[str, np.ndarray]
    share: Mapping[str, np.ndarray]


def draw(shoot: Path, hall: Hall, seed: int, size: tuple[int, int]) -> Drawn:
    """Writes a shoot, and keeps its light."""
    with mock.patch.object(demo, "_Shoot", _Drawing):
        demo.write_demo(shoot, hall=hall, seed=seed, width=size[0], height=size[1])
    made = _Drawing.made.pop()
    return Drawn(made.light, made.share)


def decided(shoot: Path, name: str, folder: Path) -> tuple[Plan, ShootLight]:
    """What a run of tests.evenness decides, and the light that it found."""
    recipe, facts = write_inputs(shoot, name, folder)
    read = read_shoot(shoot, facts)
    store = Store.open(folder / "out", shoot)
    measured = measure_shoot(store, read, 1, lambda *_: None)
    plan = solve(store, measured, read.bursts, read.facts, load_recipe(recipe, REGISTRY))
    return plan, shoot_light(store, measured, read.bursts, read.facts)


@dataclass(frozen=True)
class _Box:
    """A box: what is known of it as drawn and decided. raw (3,) camera colour, noise (3,) of it, stops (3,) decided for
    it, light (3,) ln of white against daylight, smooth (3,) the same of the nearest map, matrix (3, 3), best (3, 3) of
    a chart there."""

    sample: Sample
    scene: int
    raw: np.ndarray
    noise: np.ndarray
    stops: np.ndarray
    light: np.ndarray
    smooth: np.ndarray
    matrix: np.ndarray
    best: np.ndarray

    @property
    def off(self) -> np.ndarray:
        """(3,) ln by which white is off where this box is."""
        return self.light + self.stops

    def with_stops(self, stops: np.ndarray, matrix: np.ndarray | None = None) -> Sample:
        """The sample with other gains, ln against daylight's."""
        seen = (self.matrix if matrix is None else matrix) @ (self.raw * np.exp(stops))
        return replace(self.sample, light=np.maximum(seen, 1e-5))


def boxes(shoot: Path, hall: Hall, drawn: Drawn, plan: Plan, light: ShootLight) -> list[_Box]:
    """Every box of every frame that is no reference."""
    truth, found = truth_of(shoot), []
    width, height = truth["size"]
    own, day = to_working(hall.camera), response(np.ones(31), "D65", hall.camera)
    day = np.log(day / day[1])
    charts: dict[float, np.ndarray] = {}
    random = np.random.default_rng(0)
    for name, entry in truth["frames"].items():
        if "end" in entry:
            continue
        balance, level = (plan.of(step.STEP.name, name) for step in (white_balance, exposure))
        assert balance is not None and level is not None
        matrix = own if balance.matrix is None else balance.matrix
        stops, scene = balance.stops + level.gain_map, light.scene(name)
        mosaic = (tifffile.imread(shoot / f"{name}.dng").astype(np.float64) - BLACK) / (WHITE - BLACK)
        lit, share = (of[name].astype(np.float64) for of in (drawn.light, drawn.share))
        lit += np.log(entry["gain"])
        smooth = _nearest(lit, scene, scene.names.index(name))
        for spot in entry["spots"]:
            x0, y0, x1, y1 = spot["box"]
            rows, columns = slice(round(y0 * height), round(y1 * height)), slice(round(x0 * width), round(x1 * width))
            half = slice(rows.start // 2, rows.stop // 2), slice(columns.start // 2, columns.stop // 2)
            part = mosaic[rows, columns]
            down, across = np.meshgrid(y0 + (y1 - y0) * _PLACES, x0 + (x1 - x0) * _PLACES, indexing="ij")
            gains = np.log(np.exp2(stops.at_each(2 * down.ravel() - 1, 2 * across.ravel() - 1)).mean(axis=0))
            there = round(float(np.median(share[half])), 2)
            if there not in charts:
                charts[there] = _chart(hall, there, own)
            true = demo_truth(spot)
            one = Sample(
                name, None if entry.get("single") else entry.get("burst"), spot["kind"], spot["place"], true, true,
                float((part > _FULL).mean()), part.size // 4, entry["x"], x0 + x1 - 1,
            )  # fmt: skip
            seen = _mean(part)
            deviation = np.sqrt(
                (entry["a"] * np.maximum(seen, 0) + entry["b"]) / (part.size * np.array([0.25, 0.5, 0.25]))
            )
            found.append(_Box(
                one, light.of[name], seen / np.exp(day), random.normal(0, deviation) / np.exp(day),
                gains + day, lit[half].reshape(-1, 3).mean(axis=0),
                smooth[half].reshape(-1, 3).mean(axis=0), matrix, charts[there],
            ))  # fmt: skip
    return found


def demo_truth(spot: Mapping) -> np.ndarray:
    """(3,) linear Rec. 709 of a box of truth.json."""
    return np.asarray(REC709_FROM_XYZ @ np.array(spot["xyz"]))


def _nearest(lit: np.ndarray, scene: object, frame: int) -> np.ndarray:
    """(h, w, 3) the light that a map of white_balance's form would take out, people counting more."""
    rules = white_balance.RULES
    down, across = (np.linspace(-1, 1, n) for n in (rules.rows, rules.columns))
    rows, columns = np.meshgrid(down, across, indexing="ij")
    height, width = lit.shape[:2]
    at = [np.clip(((v + 1) / 2 * n).astype(int), 0, n - 1) for v, n in ((rows, height), (columns, width))]
    weight = 1 + rules.people * people_at(scene, frame, rows, columns)  # type: ignore[arg-type]
    shape = polynomial(lit[at[0], at[1]], weight, rules.degrees)
    down, across = (
        np.polynomial.legendre.legvander((np.arange(n) + 0.5) / n * 2 - 1, d - 1)
        for n, d in ((height, shape.shape[0]), (width, shape.shape[1]))
    )
    return np.einsum("hi,ijc,wj->hwc", down, shape, across, optimize=True)


def _chart(hall: Hall, share: float, own: np.ndarray) -> np.ndarray:
    """(3, 3) fitted to a chart without noise where the right lamp gives `share` of the light."""
    known = tables()["reflectances"]
    patches = []
    for of in known.values():
        left, right = (response(of, lamp.spectrum, hall.camera) for lamp in (hall.left, hall.right))
        patches.append((1 - share) * left + share * right)
    return fit_matrix(np.array(patches), own).matrix


def parts(found: list[_Box]) -> dict[str, list[Sample]]:
    """Name of a part -> the boxes."""
    scenes = defaultdict(list)
    for box in found:
        scenes[box.scene].append(box.off)
    middle = {scene: np.median(off, axis=0) for scene, off in scenes.items()}
    result: dict[str, list[Sample]] = {name: [] for name in PARTS}
    for box in found:
        green, off = np.ones(3), middle[box.scene]
        usual = float(np.median([m[1] for m in middle.values()]))
        result["all"].append(box.with_stops(box.stops))
        result["level"].append(box.with_stops(box.stops + (usual - off[1]) * green))
        result["scene"].append(box.with_stops(box.stops - (off - off[1])))
        result["gradient"].append(box.with_stops(off - box.light))
        result["map"].append(box.with_stops(usual - box.smooth))
        result["light"].append(box.with_stops(usual - box.light))
        result["matrix"].append(box.with_stops(usual - box.light, box.best))
        noise = box.matrix @ (box.noise * np.exp(usual - box.light))
        result["noise"].append(replace(box.sample, light=np.maximum(box.sample.truth + noise, 1e-5)))
    return result


def table(parts_of: Mapping[str, list[Sample]]) -> str:
    """The figures as a Markdown table."""
    values = {name: figures(samples) for name, samples in parts_of.items()}
    lines = ["| | " + " | ".join(values) + " |", "|---|" + "---|" * len(values)]
    for figure in SHOWN:
        shown = [f"{of[figure]:.3f}" if figure in of else "-" for of in values.values()]
        lines.append(f"| {figure} | " + " | ".join(shown) + " |")
    apart = [list(ends_by_kind(of).values()) for of in parts_of.values()]
    lines.append("| half of the range of the ends | " + " | ".join(f"{np.ptp(v) / 2:.3f}" for v in apart) + " |")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description="Where the light of a generated shoot is lost.")
    parser.add_argument("--hall", default="B")
    parser.add_argument("--size", default="768x512")
    parser.add_argument("--seed", type=int, default=23)
    parser.add_argument("--only", default="patch,shoot,chart", help="which runs, separated by commas")
    given = parser.parse_args()
    width, height = (int(v) for v in given.size.split("x"))
    with tempfile.TemporaryDirectory() as scratch:
        folder, shoot = Path(scratch) / "runs", Path(scratch) / "shoot"
        folder.mkdir()
        drawn = draw(shoot, HALLS[given.hall], given.seed, (width, height))
        for name in given.only.split(","):
            of = parts(boxes(shoot, HALLS[given.hall], drawn, *decided(shoot, name, folder)))
            print(f"\n{name}\n\n{table(of)}\n")
            for part, samples in of.items():
                print(f"{part}: {ends(samples)}")


if __name__ == "__main__":
    main()
