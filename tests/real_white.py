"""White without a reference on real pictures of a chart, against the camera's own balance.

`python -m tests.real_white` prints, for every picture of ../shared/data that holds a 24-patch chart, how far its greys
are from neutral: balanced as the camera did it (for JPEGs: left as they are), by gray_world when the picture is alone,
and when one other picture of the same camera or folder is in the shoot (the worst and the median of these pairs).

The figure is the mean over the greys that are in the picture, neutral 8 to neutral 3.5, of CIEDE2000 between the grey
and its published colour, both at the published luminance, so that only colour counts. Published colours: D. Pascale,
"RGB coordinates of the Macbeth ColorChecker", BabelColor 2012 (pipeline/light/chart/values.py). Where the chart is was
measured by eye.

`--curve 0.5` takes a camera's contrast of that strength out of every finished picture first, and puts it back before
the greys are measured (pipeline/imaging/camera_curve.py): what a guessed curve would do for frames that prove none.

`--unrelated` takes the sharp crops of ../shared/data/photos, whose own white is taken for true, for raws of one camera:
each under a lamp of its own, between daylight and warm white, and with a balance of the camera that is 0.08 in log
chroma off. Printed is how far white is off, log chroma, as the camera has it, of each alone, and of each when all of
them are one shoot: next to nothing connects them, so next to nothing may change.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import PIL.Image

from pipeline.engine.measure import MEASURED_EDGE, PROXY_EDGE
from pipeline.imaging.camera_curve import bend, straighten
from pipeline.imaging.colour import LUMINANCE, delta_e_2000, srgb_decode, to_lab
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw.frame import DecodeOptions
from pipeline.imaging.resample import resize_energy
from pipeline.light.chart.values import GREYS, LINEAR, half_side, mapped, places, to_area
from pipeline.light.references import MeasuredReferences, measure_references
from pipeline.light.scene_white import WhiteSource, votes_of
from pipeline.light.scenes import Scene, compare, look
from pipeline.shoot.facts import Facts
from pipeline.shoot.scan import scan
from pipeline.steps import white_balance
from pipeline.steps.base import ApplyContext, SolveContext
from pipeline.steps.decode import decode
from pipeline.steps.white_balance import WhiteBalanceMeasurement, WhiteBalanceParams, WhiteBalanceSolution
from pipeline.types import Burst, Domain, Exif, Frame, Image, Noise

# Corners of the patch area by eye, in fractions, clockwise from dark skin.
CHARTS = {
    "raw/CRW_0101.CRW": [(0.096, 0.116), (0.885, 0.105), (0.885, 0.795), (0.102, 0.810)],
    "raw/CRW_0304.CRW": [(0.077, 0.096), (0.916, 0.099), (0.920, 0.832), (0.081, 0.838)],
    "raw/P003909.KDC": [(-0.016, 0.036), (0.676, 0.000), (0.685, 0.635), (-0.013, 0.640)],
    "raw/P003917.KDC": [(0.058, 0.127), (0.786, 0.114), (0.787, 0.768), (0.058, 0.770)],
    "chart-jpeg/Canon_EOS_RP___MG_0635.JPG": [(0.080, 0.094), (0.909, 0.087), (0.909, 0.911), (0.078, 0.900)],
    "chart-jpeg/Nikon_D3100__DSC_0008.JPG": [(0.108, 0.898), (0.119, 0.129), (0.864, 0.138), (0.871, 0.892)],
    "chart-jpeg/Pentax_ist_DL__IMGP6672.JPG": [(0.081, 0.080), (0.899, 0.087), (0.899, 0.886), (0.082, 0.881)],
    "chart-jpeg/Sony_SLT-A57___DSC8830.JPG": [(0.089, 0.098), (0.897, 0.096), (0.903, 0.886), (0.083, 0.901)],
}
# Within the greys of a telephone's picture of a part of a chart on a table: patch -> box (x0, y0, x1, y1), by eye.
BOXES = {
    "burst-jpeg/Apple_iPhone_XR__IMG_3606.JPG": {
        20: (0.11, 0.55, 0.31, 0.79), 21: (0.38, 0.55, 0.57, 0.79), 22: (0.66, 0.55, 0.84, 0.79),
    },
}  # fmt: skip
FOLDERS = ("raw", "noise-disagrees", "chart-jpeg", "burst-jpeg")
WORSE = 1.0  # CIEDE2000 that gray_world may be worse than the camera
_INNER = 0.6  # of a patch's sides: what is averaged


@dataclass(frozen=True)
class Picture:
    """A frame as a run measures it; image  at the measured size."""

    frame: Frame
    image: Image
    scene: Scene
    measured: WhiteBalanceMeasurement


def read(path: Path, curve: float = 0.0) -> Picture:
    """One file, measured as a run does; a finished picture without a contrast of this strength. Raises FrameError."""
    frame = next(f for f in scan(path.parent).frames if f.path.name == path.name)
    decoded = decode(frame, MEASURED_EDGE, DecodeOptions(sense=True))
    image = decoded.image
    if curve and frame.kind == "picture":
        image = replace(image, pixels=straighten(image.pixels, curve), curve=curve)
    height, width = image.pixels.shape[:2]
    scale = min(1.0, PROXY_EDGE / max(height, width))
    small = (max(1, round(height * scale)), max(1, round(width * scale)))
    energy = resize_energy((height, width), small)
    pixels = cv2.resize(image.pixels, (small[1], small[0]), interpolation=cv2.INTER_AREA)
    proxy = replace(image, pixels=pixels, noise=Noise(image.noise.a * energy, image.noise.b * energy))
    references = measure_references(image, (), decoded.daylight, Orientation(frame.exif.orientation))
    measured = WhiteBalanceMeasurement(decoded.as_shot, decoded.daylight, references)
    return Picture(frame, image, look([frame], [proxy], decoded.daylight), measured)


def balanced(pictures: Sequence[Picture]) -> Mapping[str, WhiteBalanceSolution]:
    """Frame name -> its balance by gray_world, in a shoot of these pictures, each a scene of its own."""
    frames = [p.frame for p in pictures]
    light = compare(frames, [p.scene for p in pictures], [])
    context = SolveContext(
        frames, [Burst((f.name,)) for f in frames], Facts(), {p.frame.name: p.measured for p in pictures},
        lambda: light, dict, dict, {},
    )  # fmt: skip
    return white_balance.solve(context, WhiteBalanceParams(method="gray_world")).by_frame


def outlines(name: str) -> dict[int, np.ndarray]:
    """Grey patch -> outline (4, 2) of its inner part in fractions of the picture; only those that are in it."""
    if name in BOXES:
        boxes = {i: np.array(box) for i, box in BOXES[name].items()}
        return {i: box[[0, 1, 2, 1, 2, 3, 0, 3]].reshape(4, 2) for i, box in boxes.items()}
    corners = places()[:, None] + _INNER * half_side() * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    quads = mapped(to_area(np.array(CHARTS[name])), corners.reshape(-1, 2)).reshape(24, 4, 2)
    return {i: quads[i] for i in range(GREYS.start, GREYS.stop) if quads[i].min() >= 0 and quads[i].max() <= 1}


def greys_off(picture: Picture, solution: WhiteBalanceSolution, greys: Mapping[int, np.ndarray]) -> float:
    """Mean CIEDE2000 of the greys of a chart from their published colours, at the published luminance."""
    context = ApplyContext(picture.frame, None, solution)  # type: ignore[arg-type]
    image = white_balance.apply(picture.image, WhiteBalanceParams(), context)
    image = image.with_pixels(bend(image.pixels, image.curve)) if image.curve else image
    height, width = image.pixels.shape[:2]
    off = []
    for index, outline in greys.items():
        mask = np.zeros((height, width), dtype=np.uint8)
        cv2.fillConvexPoly(mask, np.round(outline * [width, height]).astype(np.int32), 1)
        light, truth = image.to_working @ np.median(image.pixels[mask > 0], axis=0).astype(np.float64), LINEAR[index]
        light = light * (truth @ LUMINANCE) / (light @ LUMINANCE)
        off.append(float(delta_e_2000(to_lab(light), to_lab(truth))))
    return float(np.mean(off))


def camera_balance(picture: Picture) -> WhiteBalanceSolution:
    """As the camera balanced it; for daylight where the file carries no balance."""
    return WhiteBalanceSolution(picture.measured.camera_balance, WhiteSource.CAMERA, "camera")


@dataclass(frozen=True)
class Row:
    """One chart picture: errors, CIEDE2000. pairs  with each other picture; sure  of gray_world alone"""

    name: str
    camera: float
    alone: float
    pairs: tuple[float, ...]
    sure: float

    @property
    def worst(self) -> float:
        """The largest error of ours."""
        return max((self.alone, *self.pairs))


def rows(
    data: Path, names: Sequence[str] = (*CHARTS, *BOXES), folders: Sequence[str] = FOLDERS, curve: float = 0.0
) -> list[Row]:
    """The table for some chart pictures; each is paired with every other picture of its kind in the folders."""
    paths = {p for f in folders for p in (data / f).glob("*.*") if p.suffix in (".JPG", ".CRW", ".KDC")}
    pictures = {p.relative_to(data).as_posix(): read(p, curve) for p in sorted(paths | {data / n for n in names})}
    found = []
    for name in names:
        own, greys = pictures[name], outlines(name)
        camera = greys_off(own, camera_balance(own), greys)
        alone = balanced([own])[own.frame.name]
        others = [p for n, p in pictures.items() if n != name and p.frame.kind == own.frame.kind]
        pairs = [greys_off(own, balanced([own, other])[own.frame.name], greys) for other in others]
        found.append(Row(name, camera, greys_off(own, alone, greys), tuple(pairs), alone.sure or 0.0))
    return found


def table(found: Sequence[Row]) -> str:
    """The figures as a Markdown table."""
    lines = ["| file | camera | alone | pairs, median | pairs, worst | sure | |", "|---|---|---|---|---|---|---|"]
    for row in found:
        verdict = "ok" if row.worst <= row.camera + WORSE else "WORSE"
        pairs = (f"{np.median(row.pairs):.2f} | {max(row.pairs):.2f}") if row.pairs else "- | -"
        lines.append(f"| {row.name} | {row.camera:.2f} | {row.alone:.2f} | {pairs} | {row.sure:.0%} | {verdict} |")
    camera = float(np.median([r.camera for r in found]))
    alone, pairs = float(np.median([r.alone for r in found])), float(np.median([v for r in found for v in r.pairs]))
    return "\n".join([*lines, f"| median | {camera:.2f} | {alone:.2f} | {pairs:.2f} | | | |"])


@dataclass(frozen=True)
class Unrelated:
    """A photograph as a raw: its scene, white (2,) in truth and of the camera, log chroma against daylight."""

    scene: Scene
    true: np.ndarray
    camera: np.ndarray

    @property
    def measured(self) -> WhiteBalanceMeasurement:
        """As a run measures a raw. Daylight is not 1, 1, 1, as that of a finished picture is."""
        nothing = MeasuredReferences(np.zeros((0, 3)), np.zeros((0, 2)), np.zeros((0, 3, 3)), ())
        daylight = np.array([1.0, 1.0, 1.0001])
        return WhiteBalanceMeasurement(np.exp([-self.camera[0], 0.0, -self.camera[1]]) * daylight, daylight, nothing)


def unrelated(photos: Sequence[Path], seed: int = 5) -> list[Unrelated]:
    """Photographs under a lamp each: the published ones of light.neutral, from daylight to warm white."""
    lamps, rng, found = np.array([[0.0, 0.0], [0.3, -0.35], [0.6, -0.7]]), np.random.default_rng(seed), []
    for path in photos:
        with PIL.Image.open(path) as picture:
            light = srgb_decode(np.asarray(picture.convert("RGB"), np.float32) / 255)
        at = rng.uniform(0, 2)
        white = np.array([np.interp(at, np.arange(3), lamps[:, k]) for k in (0, 1)])
        lamp = np.exp([white[0], 0.0, white[1]])
        pixels = cv2.resize(light, (PROXY_EDGE, PROXY_EDGE), interpolation=cv2.INTER_AREA) * (lamp / lamp.max())
        noise = Noise(np.full(3, 1e-5), np.full(3, 1e-7))
        image = Image(pixels.astype(np.float32), Domain.CAMERA, noise, np.ones(3), np.eye(3))
        scene = look([Frame(path.stem, path, path.name, "raw", Exif(model="One"))], [image], np.ones(3))
        found.append(Unrelated(scene, white, white + rng.normal(0, 0.08, 2)))
    return found


def white_of(some: Sequence[Unrelated]) -> np.ndarray:
    """(N, 2) the white of each in a shoot of these, log chroma."""
    frames = [Frame(u.scene.names[0], Path("a"), "a", "raw", Exif(model="One")) for u in some]
    light = compare(frames, [u.scene for u in some], [])
    return np.array([v.white for v in votes_of(light, {u.scene.names[0]: u.measured for u in some})])


def unrelated_table(some: Sequence[Unrelated]) -> str:
    """How far white is off, median and 95th percentile."""
    true = np.array([u.true for u in some])
    alone = np.concatenate([white_of([u]) for u in some])
    whites = {"camera": np.array([u.camera for u in some]), "alone": alone, "one shoot": white_of(some)}
    lines = [
        f"{len(some)} unrelated photographs as raws of one camera, white off in log chroma: median, 95th percentile"
    ]
    for name, white in whites.items():
        off = np.hypot(*(white - true).T)
        lines.append(f"{name:10s} {np.median(off):.3f} {np.quantile(off, 0.95):.3f}")
    return "\n".join(lines)


if __name__ == "__main__":
    shared = Path(__file__).resolve().parents[2] / "shared" / "data"
    if not shared.is_dir():
        sys.exit("../shared/data is not here")
    if "--unrelated" in sys.argv:
        print(unrelated_table(unrelated(sorted((shared / "photos").glob("*.webp"))[::6])))
    else:
        print(table(rows(shared, curve=float(sys.argv[-1]) if "--curve" in sys.argv else 0.0)))
