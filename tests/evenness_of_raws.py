"""The figures of tests.evenness from the raws themselves: `python -m tests.evenness_of_raws --hall B --seed 23`.

What balance, gain maps, levels and matrix of a run make of the mean of each box in the mosaic. Nothing is rendered, so
neither denoise, tone nor JPEG come between, and it takes a tenth of the time: the estimate of the light by itself.
The last lines are signed: how much brighter each surface is at the left end, EV.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import tifffile
from pipeline.fixtures.demo import BLACK, WHITE, write_demo
from pipeline.fixtures.hall import HALLS
from pipeline.fixtures.light import colour_matrix

from pipeline.engine.decide import measure_shoot
from pipeline.engine.run import read_shoot
from pipeline.engine.solve import Plan, solve
from pipeline.imaging.colour import LUMINANCE, REC709_FROM_XYZ, XYZ_FROM_REC709
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY, exposure, white_balance
from pipeline.store.store import Store
from tests.evenness import ALIKE, END, Sample, bars_for, figures, table, truth_of, write_inputs

_FULL = 0.995  # of saturation: such a pixel is clipped
_DELIVERED = 2  # pixels of a mosaic to one of a delivered picture, each way
_PLACES = np.linspace(0, 1, 5)  # of a box, at which gains are asked for


def planned(shoot: Path, name: str, folder: Path) -> Plan:
    """What a run of tests.evenness decides; measurements are kept in `folder` from run to run."""
    recipe, facts = write_inputs(shoot, name, folder)
    read = read_shoot(shoot, facts)
    store = Store.open(folder / "out", shoot)
    measured = measure_shoot(store, read, 1, lambda *_: None)
    return solve(store, measured, read.bursts, read.facts, load_recipe(recipe, REGISTRY))


def _mean(mosaic: np.ndarray) -> np.ndarray:
    """(3,) of an RGGB mosaic that begins with a whole cell."""
    green = 0.5 * (mosaic[0::2, 1::2].mean() + mosaic[1::2, 0::2].mean())
    return np.array([mosaic[0::2, 0::2].mean(), green, mosaic[1::2, 1::2].mean()])


def samples(shoot: Path, truth: Mapping, plan: Plan) -> list[Sample]:
    """Every box of every frame that is no reference, in linear Rec. 709."""
    width, height = truth["size"]
    to_camera = colour_matrix(truth["camera"])
    own = REC709_FROM_XYZ @ np.linalg.inv(to_camera / (to_camera @ XYZ_FROM_REC709.sum(axis=1))[:, None])
    found = []
    for name, entry in truth["frames"].items():
        if "end" in entry:
            continue
        balance, level = (plan.of(step.STEP.name, name) for step in (white_balance, exposure))
        assert balance is not None and level is not None
        stops = balance.stops + level.gain_map
        matrix = own if balance.matrix is None else balance.matrix
        mosaic = (tifffile.imread(shoot / f"{name}.dng").astype(np.float64) - BLACK) / (WHITE - BLACK)
        for spot in entry["spots"]:
            x0, y0, x1, y1 = spot["box"]
            part = mosaic[round(y0 * height) : round(y1 * height), round(x0 * width) : round(x1 * width)]
            down, across = np.meshgrid(y0 + (y1 - y0) * _PLACES, x0 + (x1 - x0) * _PLACES, indexing="ij")
            gains = np.exp2(stops.at_each(2 * down.ravel() - 1, 2 * across.ravel() - 1)).mean(axis=0)
            burst = None if entry.get("single") else entry.get("burst")
            found.append(Sample(
                name, burst, spot["kind"], spot["place"], np.maximum(matrix @ (_mean(part) * gains), 1e-5),
                REC709_FROM_XYZ @ np.array(spot["xyz"]), float((part > _FULL).mean()), part.size // _DELIVERED**2,
                entry["x"], x0 + x1 - 1,
            ))  # fmt: skip
    return found


def ends_by_kind(found: list[Sample]) -> dict[str, float]:
    """How much brighter each surface is at the left end of the court, EV; of those that both ends show."""
    apart = {}
    for kind in ALIKE:
        of = [(s.x, np.log2((s.light @ LUMINANCE) / (s.truth @ LUMINANCE))) for s in found if s.kind == kind]
        left, right = [v for x, v in of if x < -END], [v for x, v in of if x > END]
        if left and right:
            apart[kind] = float(np.median(left) - np.median(right))
    return apart


def ends(found: list[Sample]) -> str:
    """The same in words."""
    apart = ends_by_kind(found)
    return ", ".join(f"{kind} {apart[kind]:+.3f}" if kind in apart else f"{kind} -" for kind in ALIKE)


def main() -> None:
    parser = argparse.ArgumentParser(description="How even the light of a generated shoot is found.")
    parser.add_argument("--hall", default="T")
    parser.add_argument("--size", default="768x512")
    parser.add_argument("--seed", type=int, default=23)
    parser.add_argument("--only", default="patch,zone,shoot", help="which runs, separated by commas")
    given = parser.parse_args()
    width, height = (int(v) for v in given.size.split("x"))
    with tempfile.TemporaryDirectory() as scratch:
        folder, shoot = Path(scratch) / "runs", Path(scratch) / "shoot"
        folder.mkdir()
        write_demo(shoot, hall=HALLS[given.hall], seed=given.seed, width=width, height=height)
        truth = truth_of(shoot)
        found = {name: samples(shoot, truth, planned(shoot, name, folder)) for name in given.only.split(",")}
    print(table({name: figures(boxes) for name, boxes in found.items()}, bars_for(truth)))
    for name, boxes in found.items():
        print(f"{name}, left against right: {ends(boxes)}")


if __name__ == "__main__":
    main()
