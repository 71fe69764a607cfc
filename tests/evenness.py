"""How even generated shoots come out, against their ground truth and the bars set for them.

`python -m tests.evenness DIR/shoot`, or with `--hall A` to make the shoot first, in DIR/shoot or a scratch folder;
`--size 1536x1024` and `--seed 7` go with it, and `--jpeg 0.5` for finished pictures of a camera (tests.finished_hall).
Six recipes run over the shoot at half size without a crop, quality 95, and the delivered JPEGs are measured in the
boxes of truth.json. A box holds one surface; its mean is taken in linear light, with the shoulder of the tone step
undone (of finished pictures the camera's curve); the recipe asks for no contrast, so that light is measured.
The truth of a box is what the generator drew there under D65 (shade of folds, reflections and all), so that a surface
may move without counting as uneven.

* neutrals: white jersey, lines, and the greys of charts that are no reference. The figure is the distance in CIELAB
  a*b* from the truth at the same luminance, since the published white patch has itself a chroma of 2.6. Without a
  reference nobody can know that white is a little yellow: for gray_world the plain chroma counts.
* neutrals at the sides: the same in the outer eighths of the frame, with the white about the boards before the wall:
  where the lamps mix, a side glows in the light of the other end of the hall.
* burst: per burst and place (a spot of floor or wall, a player's jersey or skin, 8 by 8 pixels at least) the range
  over its frames in EV, and the CIEDE2000 of the two frames that are farthest apart; also each frame against its
  burst's mean. The noise of the demonstration's small frames alone takes more of these than the bars allow.
* ends: how many EV brighter than its truth a surface is in the pictures of the left end of the court than in those of
  the right (medians of the boxes in frames whose view is four metres and more from the middle).
* truth: floor, skin and jersey against their truth at the truth's luminance, CIEDE2000.
"""

from __future__ import annotations

import argparse
import json
import re
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
import PIL.Image
from pipeline.fixtures.hall import HALLS, Hall
from pipeline.fixtures.light import colour_matrix, response
from pipeline.fixtures.scene import surfaces

from pipeline.engine.run import read_shoot, run
from pipeline.imaging.colour import LUMINANCE, REC709_FROM_XYZ, XYZ_FROM_REC709, delta_e_2000, srgb_decode, to_lab
from pipeline.imaging.tone import shoulder
from pipeline.light.rendering.mercury import foretell, rendering_matrix
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY
from pipeline.workers.executors import default_workers
from tests.finished_hall import light_before, write_finished

RECIPE = """\
recipe: 1
steps:
  - decode:
  - lens: {vignetting: LENS}
  - white_balance: {method: METHOD}
  - exposure: {across: ACROSS}
  - denoise: {quality: standard}
deliveries:
  web:
    - resize: {long_edge: EDGE, sharpen: 0}
    - tone: {contrast: 0}
    - save: {quality: 95}
"""
# Name -> white_balance, exposure across, whether the references give their chart in place of the patch.
RUNS = {
    "camera": ("camera", "none", False),
    "gray_world": ("gray_world", "burst", False),
    "patch": ("reference_patch", "burst", False),
    "chart": ("reference_patch", "burst", True),
    "zone": ("reference_patch", "zone", False),
    "shoot": ("reference_patch", "shoot", False),
    "chart zone": ("reference_patch", "zone", True),
    "chart shoot": ("reference_patch", "shoot", True),
}
NEUTRAL = ("white jersey", "line", "grey")
SURFACES = ("floor", "wall", "white jersey", "coloured jersey", "skin")
_SIDE = 0.75  # of the way from the middle of a frame to its edge, where its sides begin
ALIKE = ("white jersey", "skin", "floor", "wall")  # a coloured jersey without a chart is darker under some lamps
END = 4.0  # metres from the middle of the court (the halls are drawn so that lamps mix between the ends)
_SMALL, _WIDE = 9, 64  # delivered pixels: below them noise and the JPEG's blocks are measured, not the light
_TOPPED = 0.02  # a box with more of its pixels at the top of the scale says nothing about colour
_KNEE, _WHITE = 0.55, 3.0  # of the tone step that the recipe is given by default


@dataclass(frozen=True)
class Sample:
    """One box of one delivered frame. light and truth (3,): mean linear Rec. 709; clipped: share of its pixels; x: the
    middle of the view, metres right of that of the court; across: the box in the frame, -1 to 1."""

    frame: str
    burst: int | None  # None: a single frame
    kind: str
    place: str
    light: np.ndarray
    truth: np.ndarray
    clipped: float
    pixels: int
    x: float = 0.0
    across: float = 0.0

    @property
    def at_truth(self) -> np.ndarray:
        """CIELAB of the delivered colour, brought to the luminance of the truth."""
        return to_lab(self.light * (self.truth @ LUMINANCE) / (self.light @ LUMINANCE))

    @property
    def off_neutral(self) -> float:
        """Distance in a*b* from the truth at the delivered luminance."""
        true = to_lab(self.truth * (self.light @ LUMINANCE) / (self.truth @ LUMINANCE))
        return float(np.hypot(*(to_lab(self.light) - true)[1:]))


@dataclass(frozen=True)
class Bar:
    """What is wanted of a figure: at most `most`, in the runs named."""

    figure: str
    most: float
    runs: tuple[str, ...]


ZONE, SHOOT = ("zone", "chart zone"), ("shoot", "chart shoot")
ENDS = tuple(f"ends apart, {kind}, EV" for kind in ALIKE)
REFERENCED = ("patch", "chart")
EVENED = ("gray_world", "patch", "chart")
BARS = (
    Bar("neutrals, chroma off truth, median", 1.0, REFERENCED),
    Bar("neutrals, chroma off truth, 95th", 2.5, REFERENCED),
    Bar("neutrals, chroma, median", 3.0, ("gray_world",)),
    Bar("neutrals, chroma, 95th", 6.0, ("gray_world",)),
    Bar("burst range of floor and wall, EV, 95th", 0.05, EVENED),
    Bar("burst range of players, EV, 95th", 0.05, EVENED),
    Bar("burst farthest pair of floor and wall, CIEDE2000, 95th", 0.9, EVENED),
    Bar("burst farthest pair of players, CIEDE2000, 95th", 0.9, EVENED),
    Bar("floor, skin, jersey against truth, CIEDE2000, median", 2.5, ("chart",)),
    Bar("floor, skin, jersey against truth, CIEDE2000, 95th", 6.0, ("chart",)),
    Bar("floor, standard deviation in a*b*", 1.5, ("chart",)),
    Bar("white jersey newly clipped, % of pixels", 0.1, EVENED),
    *(Bar(figure, 0.15, ZONE) for figure in ENDS),
    *(Bar(figure, 0.1, SHOOT) for figure in ENDS),
)
MERCURY = {"neutrals, chroma off truth, median": 1.5, "neutrals, chroma off truth, 95th": 3.0}


def bars_for(truth: Mapping) -> tuple[Bar, ...]:
    """The bars of a shoot: wider for neutrals under a mercury lamp."""
    if not any(lamp["spectrum"].startswith("H38") for lamp in truth["lamps"].values()):
        return BARS
    return tuple(
        Bar(b.figure, MERCURY[b.figure], b.runs) if b.runs == REFERENCED and b.figure in MERCURY else b for b in BARS
    )


def truth_of(shoot: Path) -> dict:
    """The ground truth that the generator wrote beside a shoot."""
    return json.loads((shoot.parent / f"{shoot.name}-truth" / "truth.json").read_text(encoding="utf-8"))


def write_inputs(shoot: Path, name: str, folder: Path, lens: str = "auto") -> tuple[Path, Path]:
    """Recipe of a run and its facts, which name nobody: light is measured in every frame, also of who is not shown."""
    method, across, chart = RUNS[name]
    edge = max(truth_of(shoot)["size"]) // 2
    text = RECIPE.replace("METHOD", method).replace("ACROSS", across).replace("EDGE", str(edge)).replace("LENS", lens)
    recipe, facts = folder / f"{name}.yaml", folder / f"{name}-facts.yaml"
    recipe.write_text(text, encoding="utf-8")
    (folder / "frames.csv").write_text("frame\n", encoding="utf-8")
    given = (shoot / "shoot.yaml").read_text(encoding="utf-8")
    lines = [line for line in given.splitlines() if not line.startswith(("roster:", "frames:"))]
    text = "\n".join(lines) + "\n"
    facts.write_text(re.sub(r"patch: \[[^]]*\]", "chart: auto", text) if chart else text, encoding="utf-8")
    return recipe, facts


def deliver(shoot: Path, name: str, folder: Path, lens: str) -> Path:
    """Runs one recipe; the folder of the delivered files."""
    recipe, facts = write_inputs(shoot, name, folder, lens)
    run(load_recipe(recipe, REGISTRY), read_shoot(shoot, facts), folder / name, workers=default_workers())
    return folder / name / "web"


def scene_light(path: Path, curve: float | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Linear Rec. 709 (H, W, 3) before the shoulder, and which pixels (H, W) are at the top of the scale. curve  of the
    camera of finished frames, whose light is that before it."""
    with PIL.Image.open(path) as picture:
        values = np.asarray(picture)
    grid = np.linspace(0, _WHITE, 4096)
    table = np.interp(srgb_decode(np.arange(256, dtype=np.float32) / 255), shoulder(grid, _KNEE, _WHITE), grid)
    table = table if curve is None else light_before(curve)
    return table[values], (values >= 254).any(axis=2)


def samples(truth: Mapping, web: Path, curve: float | None = None) -> list[Sample]:
    """Every box of every delivered frame that is no reference. curve  see scene_light"""
    found = []
    for name, entry in truth["frames"].items():
        if "end" in entry:
            continue
        light, top = scene_light(web / f"{name}.jpg", curve)
        h, w = top.shape
        for spot in entry["spots"]:
            x0, y0, x1, y1 = (v * n for v, n in zip(spot["box"], (w, h, w, h), strict=True))
            area = (slice(int(np.ceil(y0 - 0.01)), int(y1 + 0.01)), slice(int(np.ceil(x0 - 0.01)), int(x1 + 0.01)))
            part = light[area].reshape(-1, 3)
            if len(part) < _SMALL:
                continue
            burst = None if entry.get("single") else entry.get("burst")
            true = REC709_FROM_XYZ @ np.array(spot["xyz"])
            found.append(Sample(
                name, burst, spot["kind"], spot["place"], part.mean(axis=0), true, float(top[area].mean()), len(part),
                entry["x"], spot["box"][0] + spot["box"][2] - 1,
            ))  # fmt: skip
    return found


def burst_spread(group: Sequence[Sample]) -> tuple[float, float, list[float], list[float]]:
    """Of one place over a burst: range in EV, largest CIEDE2000; per frame the distance to the mean, both ways."""
    level = np.array([s.truth @ LUMINANCE for s in group])
    ev = np.log2(np.array([s.light @ LUMINANCE for s in group]) / level)
    true = np.array([to_lab(s.truth * level.mean() / y) for s, y in zip(group, level, strict=True)])
    labs = np.array([to_lab(s.light * level.mean() / y) for s, y in zip(group, level, strict=True)])
    labs[:, 1:] -= true[:, 1:] - true[:, 1:].mean(axis=0)
    pairs = [float(delta_e_2000(a, b)) for a, b in combinations(labs, 2)]
    mean = labs.mean(axis=0)
    return float(np.ptp(ev)), max(pairs), list(np.abs(ev - ev.mean())), [float(delta_e_2000(v, mean)) for v in labs]


def _summary(name: str, values: Iterable[float], worst: bool = False) -> dict[str, float]:
    listed = list(values)
    if not listed:
        return {}
    found = {f"{name}, median": float(np.median(listed)), f"{name}, 95th": float(np.quantile(listed, 0.95))}
    return found | ({f"{name}, worst": max(listed)} if worst else {})


def places(found: Sequence[Sample]) -> dict[tuple[int, str], list[Sample]]:
    """(burst, place) -> its samples, where at least three frames of the burst show it large enough."""
    groups: dict[tuple[int, str], list[Sample]] = defaultdict(list)
    for s in found:
        if s.clipped < _TOPPED and s.burst is not None and s.kind in SURFACES and s.pixels >= _WIDE:
            groups[s.burst, s.place].append(s)
    return {place: group for place, group in groups.items() if len(group) >= 3}


def worst(found: Sequence[Sample], count: int = 4) -> list[str]:
    """The places that differ most over their burst, and the boxes farthest from neutral, in words."""
    spreads = {place: burst_spread(group)[:2] for place, group in places(found).items()}
    lines = [
        f"burst {burst}, {place}: {ev:.3f} EV, {pair:.2f} CIEDE2000"
        for (burst, place), (ev, pair) in sorted(spreads.items(), key=lambda item: -item[1][0])[:count]
    ]
    neutral = [s for s in found if s.kind in NEUTRAL and s.clipped < _TOPPED]
    neutral.sort(key=lambda s: -s.off_neutral)
    return lines + [f"{s.frame}, {s.place or s.kind}: chroma {s.off_neutral:.2f} off" for s in neutral[:count]]


def figures(found: Sequence[Sample]) -> dict[str, float]:
    """All figures of one run; a figure that the shoot has no boxes for is left out."""
    whole = [s for s in found if s.clipped < _TOPPED]
    result = _summary("neutrals, chroma off truth", (s.off_neutral for s in whole if s.kind in NEUTRAL), True)
    at_sides = (s for s in whole if s.kind in (*NEUTRAL, "board") and abs(s.across) > _SIDE)
    result |= _summary("neutrals at the sides, chroma off truth", (s.off_neutral for s in at_sides), True)
    plain = (float(np.hypot(*to_lab(s.light)[1:])) for s in whole if s.kind in NEUTRAL)
    result |= _summary("neutrals, chroma", plain)
    grouped = places(found)
    spreads = [burst_spread(group) for group in grouped.values()]
    still = [group[0].kind in ("floor", "wall") for group in grouped.values()]
    for words, wanted in (("floor and wall", True), ("players", False)):
        some = [s for s, fixed in zip(spreads, still, strict=True) if fixed is wanted]
        result |= _summary(f"burst range of {words}, EV", (s[0] for s in some), True)
        result |= _summary(f"burst farthest pair of {words}, CIEDE2000", (s[1] for s in some), True)
    result |= _summary("frame to its burst's mean, EV", (v for s in spreads for v in s[2]))
    result |= _summary("frame to its burst's mean, CIEDE2000", (v for s in spreads for v in s[3]))
    result |= ends_apart(whole)
    subjects = [s for s in whole if s.kind in SURFACES and s.kind != "wall"]
    distances = [float(delta_e_2000(s.at_truth, to_lab(s.truth))) for s in subjects]
    result |= _summary("floor, skin, jersey against truth, CIEDE2000", distances)
    for kind in ("floor", "skin", "coloured jersey", "white jersey"):
        own = [d for d, s in zip(distances, subjects, strict=True) if s.kind == kind]
        result |= {k: v for k, v in _summary(f"{kind} against truth, CIEDE2000", own).items() if "median" in k}
    floor = [(s.at_truth - to_lab(s.truth))[1:] for s in whole if s.kind == "floor"]
    if floor:
        result["floor, standard deviation in a*b*"] = float(np.sqrt(np.var(floor, axis=0).sum()))
    clipped = [(s.clipped * s.pixels, s.pixels) for s in found if s.kind == "white jersey"]
    if clipped:
        result["white jersey newly clipped, % of pixels"] = float(100 * np.divide(*np.sum(clipped, axis=0)))
    return result


def ends_apart(found: Sequence[Sample]) -> dict[str, float]:
    """EV between the ends for each kind of surface that both show."""
    result = {}
    for kind in SURFACES:
        of = [(s.x, np.log2((s.light @ LUMINANCE) / (s.truth @ LUMINANCE))) for s in found if s.kind == kind]
        left, right = [v for x, v in of if x < -END], [v for x, v in of if x > END]
        if left and right:
            result[f"ends apart, {kind}, EV"] = abs(float(np.median(left) - np.median(right)))
    return result


def ends_by_lamps(hall: Hall) -> dict[str, float]:
    """EV by which each surface, balanced without any error by a white patch, is brighter at the left end of a hall than
    white is, against the right end: what the lamps' colour rendering does, and no level of a picture takes out."""
    white, day = np.ones(31), response(np.ones(31), "D65", hall.camera)
    to_camera = colour_matrix(hall.camera)
    own = REC709_FROM_XYZ @ np.linalg.inv(to_camera / (to_camera @ XYZ_FROM_REC709.sum(axis=1))[:, None])
    known, light = surfaces(), {}
    for name, of in (("white jersey", "white"), ("skin", "skin"), ("floor", hall.floor), ("wall", "wall")):
        ends = []
        for end in (hall.left, hall.right):
            seen = response(white, end.spectrum, hall.camera)
            logs = np.log(seen / day)
            matrix = rendering_matrix(logs[[0, 2]] - logs[1], own, foretell(own))
            ends.append(float(LUMINANCE @ matrix @ (response(known[of], end.spectrum, hall.camera) / seen)))
        light[name] = float(np.log2(ends[0] / ends[1]))
    return {name: v - light["white jersey"] for name, v in light.items()}


def verdicts(results: Mapping[str, Mapping[str, float]], bars: Sequence[Bar]) -> list[tuple[str, str, float, float]]:
    """(run, figure, found, bar) for every bar that a run was measured for."""
    return [
        (name, bar.figure, results[name][bar.figure], bar.most)
        for bar in bars
        for name in bar.runs
        if name in results and bar.figure in results[name]
    ]


def measure(
    shoot: Path, names: Sequence[str] = tuple(RUNS), lens: str = "auto", curve: float | None = None
) -> dict[str, list[Sample]]:
    """Run name -> the boxes of its delivered frames. curve  see scene_light"""
    truth = truth_of(shoot)
    with tempfile.TemporaryDirectory() as scratch:
        return {name: samples(truth, deliver(shoot, name, Path(scratch), lens), curve) for name in names}


def table(results: Mapping[str, Mapping[str, float]], bars: Sequence[Bar]) -> str:
    """The figures as a Markdown table, each with its bar and the verdict."""
    judged = {(name, figure): most for name, figure, _, most in verdicts(results, bars)}
    lines = ["| | " + " | ".join(results) + " |", "|---|" + "---|" * len(results)]
    for figure in dict.fromkeys(f for values in results.values() for f in values):
        cells = []
        for name, values in results.items():
            text = f"{values[figure]:.3f}" if figure in values else "-"
            if (most := judged.get((name, figure))) is not None:
                text += f" (bar {most:g}: {'ok' if values[figure] <= most else 'MISSED'})"
            cells.append(text)
        lines.append(f"| {figure} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure how even a generated shoot comes out.")
    parser.add_argument("shoot", nargs="?", type=Path)
    parser.add_argument("--hall", help="make the shoot of this hall of fixtures/hall.py first")
    parser.add_argument("--size", default="1536x1024")
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument(
        "--lens", default="auto", help="vignetting of the step lens; hall V is seen through a dark lens"
    )
    parser.add_argument("--jpeg", type=float, help="as JPEGs of a camera that adds so much contrast, 0 to 1")
    parser.add_argument("--only", default=",".join(RUNS), help="which runs, separated by commas")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        shoot = given.shoot or Path(scratch) / "shoot"
        if given.hall:
            from pipeline.fixtures.demo import write_demo

            width, height = (int(v) for v in given.size.split("x"))
            write_demo(shoot, hall=HALLS[given.hall], seed=given.seed, width=width, height=height)
        elif given.shoot is None:
            parser.error("give a shoot, or --hall to make one")
        if given.hall:
            parts = (f"{name} {v:+.2f}" for name, v in ends_by_lamps(HALLS[given.hall]).items())
            print("EV left against right by the lamps' colour rendering alone:", ", ".join(parts))
        if given.jpeg is not None:
            raws, shoot = shoot, Path(scratch) / "jpeg"
            write_finished(raws, shoot, given.jpeg)
        found = measure(shoot, given.only.split(","), given.lens, given.jpeg)
        print(table({name: figures(boxes) for name, boxes in found.items()}, bars_for(truth_of(shoot))))
        for name, boxes in found.items():
            print(f"\n{name}, worst:", *worst(boxes), sep="\n  ")


if __name__ == "__main__":
    main()
