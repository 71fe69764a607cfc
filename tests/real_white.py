"""White without a reference on real pictures of a chart, against the camera's own balance.

`python -m tests.real_white` prints, for every picture of ../shared/data that holds a 24-patch chart, how far its greys
are from neutral: balanced as the camera did it (for JPEGs: left as they are), by gray_world when the picture is alone,
and when one other picture of the same camera or folder is in the shoot (the worst and the median of these pairs).

The figure is the mean over the greys that are in the picture, neutral 8 to neutral 3.5, of CIEDE2000 between the grey
and its published colour, both at the published luminance, so that only colour counts. Published colours: D. Pascale,
"RGB coordinates of the Macbeth ColorChecker", BabelColor 2012 (pipeline/light/chart/values.py). Where the chart is was
measured by eye.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from pipeline.engine.measure import MEASURED_EDGE, PROXY_EDGE
from pipeline.imaging.colour import LUMINANCE, delta_e_2000, to_lab
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw.frame import DecodeOptions
from pipeline.imaging.resample import resize_energy
from pipeline.light.chart.values import GREYS, LINEAR, half_side, mapped, places, to_area
from pipeline.light.references import measure_references
from pipeline.light.scene_white import WhiteSource
from pipeline.light.scenes import Scene, compare, look
from pipeline.shoot.facts import Facts
from pipeline.shoot.scan import scan
from pipeline.steps import white_balance
from pipeline.steps.base import ApplyContext, SolveContext
from pipeline.steps.decode import decode
from pipeline.steps.white_balance import WhiteBalanceMeasurement, WhiteBalanceParams, WhiteBalanceSolution
from pipeline.types import Burst, Frame, Image, Noise

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


def read(path: Path) -> Picture:
    """One file, measured as a run does. Raises FrameError."""
    frame = next(f for f in scan(path.parent).frames if f.path.name == path.name)
    decoded = decode(frame, MEASURED_EDGE, DecodeOptions(sense=True))
    image = decoded.image
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


def rows(data: Path, names: Sequence[str] = (*CHARTS, *BOXES), folders: Sequence[str] = FOLDERS) -> list[Row]:
    """The table for some chart pictures; each is paired with every other picture of its kind in the folders."""
    paths = {p for f in folders for p in (data / f).glob("*.*") if p.suffix in (".JPG", ".CRW", ".KDC")}
    pictures = {p.relative_to(data).as_posix(): read(p) for p in sorted(paths | {data / n for n in names})}
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


if __name__ == "__main__":
    shared = Path(__file__).resolve().parents[2] / "shared" / "data"
    if not shared.is_dir():
        sys.exit("../shared/data is not here")
    print(table(rows(shared)))
