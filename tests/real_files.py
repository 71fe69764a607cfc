"""Real camera files beside the camera's own picture: `python -m tests.real_files --to DIR` (`--only 'CRW*'`).

For each raw file of ../shared/data that holds a picture of its camera, and for each JPEG of its charts: what the steps
of overnight-web make of it alone, at --edge pixels and uncropped, LibRaw's own development with the camera's balance
where the file has one, and the camera's picture, side by side at the same height in DIR/NAME.png. For a JPEG the
camera's picture is the file. `--white camera` takes the camera's balance, so that tone is compared and not white.

The figures, over pictures brought to one size (that of the embedded one, at most 640 pixels):

* spread: L* (CIE 15:2004) of the 95th less that of the 5th percentile; chroma: mean C* of CIELAB; mean L*
* greys: mean distance in a*b* of the chart's four middle greys from the published ones (D. Pascale, BabelColor 2012) at
  their luminance, where a chart is found
* colours: mean C* of the chart's 18 coloured patches; the published ones have 44.6
* zeros: per cent of the mosaic's values of red, green and blue that are 0 in the file, where some are: what its camera
  cut off below them, of two colours more than of the third, turns darks brown, and nothing in the file says how much
* skin: CIEDE2000 of the chart's two skin patches between the contrast of the recipe and the straight curve, lightness
  put aside: what contrast does to skin
* clipped: per cent of the pixels with a channel at 254 or 255; black: with all at 0 or 1

Embedded pictures below SMALLEST pixels are judged by eye only: a thumbnail of 80 x 60 is sharpened and darker than a
picture.
"""

from __future__ import annotations

import argparse
import fnmatch
import io
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import PIL.Image
import PIL.ImageDraw
import PIL.ImageOps
import rawpy

from pipeline.engine.run import read_shoot, run
from pipeline.formats.pictures import read_picture
from pipeline.imaging.colour import delta_e_2000, srgb_decode, srgb_encode, to_lab
from pipeline.imaging.orientation import Orientation
from pipeline.light.chart.find import find_chart
from pipeline.light.chart.fit import read_chart
from pipeline.light.chart.values import GREYS, LINEAR
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY

HERE = Path(__file__).resolve().parents[1]
DATA = HERE.parent / "shared" / "data"
PATTERNS = ("raw/*", "noise-disagrees/*", "chart-jpeg/*")
SMALLEST = 320  # pixels of the longer side
LARGEST = 640
DRAWN = 480  # pixels, height of a sheet
_ORIENTATION = 274  # the tag of Exif
_UNCLIPPED = np.full(3, 9.0)


@dataclass(frozen=True)
class Looked:
    """One picture of a file. greys  None without a chart; patches  (24, 3) CIELAB of it."""

    spread: float
    chroma: float
    lightness: float
    clipped: float
    black: float
    greys: float | None
    patches: np.ndarray | None


@dataclass(frozen=True)
class Compared:
    """A file: its pictures by name ("tool", "LibRaw", "camera") and what is seen in them.

    counts  the camera's picture is large enough to be measured; skin  see above, None without a chart
    """

    name: str
    pictures: dict[str, PIL.Image.Image]
    looked: dict[str, Looked]
    counts: bool
    skin: tuple[float, ...] | None

    def against_camera(self, figure: str) -> float:
        """The tool's figure over the camera's."""
        return float(getattr(self.looked["tool"], figure) / getattr(self.looked["camera"], figure))


def files(only: str) -> Iterator[Path]:
    """The files of ../shared/data whose name fits."""
    for pattern in PATTERNS:
        yield from (p for p in sorted(DATA.glob(pattern)) if fnmatch.fnmatch(p.name, only))


def camera_picture(path: Path) -> PIL.Image.Image | None:
    """What the camera made of a frame; None where a raw file holds no picture."""
    if path.suffix.lower() in (".jpg", ".jpeg"):
        shown = srgb_encode(read_picture(path, Orientation.TOP_LEFT).pixels)  # its own profile counts
        picture = PIL.Image.fromarray((shown * 255 + 0.5).astype(np.uint8))
        picture.getexif()[_ORIENTATION] = PIL.Image.open(path).getexif().get(_ORIENTATION, 1)
        return PIL.ImageOps.exif_transpose(picture)
    with rawpy.imread(str(path)) as raw:
        try:
            thumb = raw.extract_thumb()
        except (rawpy.LibRawNoThumbnailError, rawpy.LibRawUnsupportedThumbnailError):
            return None
    if thumb.format == rawpy.ThumbFormat.JPEG:
        return PIL.Image.open(io.BytesIO(thumb.data)).convert("RGB")
    return PIL.Image.fromarray(thumb.data).convert("RGB")


def libraw_picture(path: Path) -> PIL.Image.Image | None:
    """LibRaw's own development, half size, with the camera's balance where there is one; None for pictures."""
    if path.suffix.lower() in (".jpg", ".jpeg"):
        return None
    with rawpy.imread(str(path)) as raw:
        balanced = all(v > 0 for v in raw.camera_whitebalance[:3])
        return PIL.Image.fromarray(raw.postprocess(half_size=True, use_camera_wb=balanced))


def zeros(path: Path) -> tuple[float, ...]:
    """Per cent of the mosaic's values of red, green and blue that are 0; nothing for pictures."""
    if path.suffix.lower() in (".jpg", ".jpeg"):
        return ()
    with rawpy.imread(str(path)) as raw:
        values, colours = raw.raw_image_visible, raw.raw_colors_visible
        kinds = [raw.color_desc.decode()[i] for i in range(4)]
        return tuple(
            100 * float((values[np.isin(colours, [i for i in range(4) if kinds[i] == of])] == 0).mean()) for of in "RGB"
        )


def write_recipe(path: Path, edge: int, white: str | None, deliveries: dict[str, str]) -> None:
    """The steps of overnight-web, and deliveries of the whole frame, each with its tone parameters."""
    steps = (HERE / "recipes" / "overnight-web.yaml").read_text(encoding="utf-8").partition("deliveries:")[0]
    if white:
        steps = steps.replace("method: reference_patch", f"method: {white}")
    made = "".join(
        f"  {name}:\n    - resize: {{long_edge: {edge}}}\n    - tone: {tone}\n    - save: {{quality: 95}}\n"
        for name, tone in deliveries.items()
    )
    path.write_text(f"{steps}deliveries:\n{made}", encoding="utf-8")


def delivered(path: Path, edge: int, white: str | None = None) -> dict[str, PIL.Image.Image]:
    """ "tool" and "straight", its curve without contrast: what a run makes of one file alone."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        (folder / "shoot").mkdir()
        shutil.copy(path, folder / "shoot")
        write_recipe(folder / "recipe.yaml", edge, white, {"tool": "{}", "straight": "{contrast: 0}"})
        run(load_recipe(folder / "recipe.yaml", REGISTRY), read_shoot(folder / "shoot"), folder / "out", workers=1)
        return {
            name: PIL.Image.open(next((folder / "out" / name).glob("*.jpg"))).convert("RGB")
            for name in ("tool", "straight")
        }


def small(picture: PIL.Image.Image, edge: int) -> np.ndarray:
    """Linear Rec. 709 (H, W, 3), its longer side at most `edge` pixels, by area."""
    factor = max(picture.size) / min(edge, max(picture.size))
    size = [round(side / factor) for side in picture.size]
    return srgb_decode(np.asarray(picture.resize(size, PIL.Image.Resampling.BOX), np.float32) / 255)


def look_at(picture: PIL.Image.Image, edge: int, corners: np.ndarray | None) -> Looked:
    """What is seen in a picture brought to `edge`. corners  of a chart, where one is in it."""
    codes = np.asarray(picture)
    lab = to_lab(small(picture, edge)).reshape(-1, 3)
    low, high = np.percentile(lab[:, 0], [5, 95])
    greys, patches = None, None
    if corners is not None:
        patches = read_chart(small(picture, LARGEST), _UNCLIPPED, corners).patches
        light = patches @ [0.2126, 0.7152, 0.0722]
        true = LINEAR * (light / (LINEAR @ [0.2126, 0.7152, 0.0722]))[:, None]
        patches = to_lab(patches)
        greys = float(np.hypot(*(patches - to_lab(true))[GREYS, 1:].T).mean())
    return Looked(
        float(high - low), float(np.hypot(lab[:, 1], lab[:, 2]).mean()), float(lab[:, 0].mean()),
        100 * float((codes >= 254).any(axis=2).mean()), 100 * float((codes <= 1).all(axis=2).mean()), greys, patches,
    )  # fmt: skip


def _chart(picture: PIL.Image.Image) -> np.ndarray | None:
    """Corners of a chart in a picture, fractions, if it can be read there."""
    light = small(picture, LARGEST)
    corners = find_chart(light)
    try:
        return None if corners is None else read_chart(light, _UNCLIPPED, corners).corners
    except ValueError:
        return None


def apart_from_lightness(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """CIEDE2000 of colours (N, 3), CIELAB, both brought to the mean of their lightnesses."""
    mean = (one[:, :1] + other[:, :1]) / 2
    return delta_e_2000(*(np.hstack([mean, lab[:, 1:]]) for lab in (one, other)))


def compare(path: Path, edge: int, white: str | None = None) -> Compared | None:
    """One file; None where its camera left no picture of its own."""
    camera = camera_picture(path)
    if camera is None:
        return None
    made = delivered(path, edge, white)
    pictures = {"tool": made["tool"], "LibRaw": libraw_picture(path), "camera": camera}
    shown = {name: picture for name, picture in pictures.items() if picture is not None}
    counts = max(camera.size) >= SMALLEST
    size = min(LARGEST, max(camera.size)) if counts else LARGEST
    looked = {name: look_at(picture, size, _chart(picture)) for name, picture in shown.items()}
    straight = look_at(made["straight"], size, _chart(made["straight"]))
    skin = None
    if straight.patches is not None and looked["tool"].patches is not None:
        skin = tuple(float(v) for v in apart_from_lightness(looked["tool"].patches[:2], straight.patches[:2]))
    return Compared(path.name, shown, looked, counts, skin)


def draw(of: Compared, path: Path) -> None:
    """The pictures side by side at one height, with their names."""
    scaled = [p.resize((round(p.width * DRAWN / p.height), DRAWN)) for p in of.pictures.values()]
    sheet = PIL.Image.new("RGB", (sum(p.width for p in scaled) + 10 * (len(scaled) - 1), DRAWN + 16), "white")
    left = 0
    for name, picture in zip(of.pictures, scaled, strict=True):
        sheet.paste(picture, (left, 16))
        PIL.ImageDraw.Draw(sheet).text((left + 2, 2), f"{of.name}: {name}", fill="black")
        left += picture.width + 10
    sheet.save(path)


def lines(of: Compared) -> Iterator[str]:
    """Rows of the table of figures."""
    for name, found in of.looked.items():
        greys = "-" if found.greys is None else f"{found.greys:.1f}"
        judged = "" if of.counts or name != "camera" else " (too small to count)"
        figures = f"{found.spread:.1f} | {found.chroma:.1f} | {found.lightness:.1f} | {greys} | {found.clipped:.2f}"
        yield f"| {of.name} | {name}{judged} | {figures} | {found.black:.2f} |"


def main() -> None:
    parser = argparse.ArgumentParser(description="Compare real camera files with the camera's own pictures.")
    parser.add_argument("--to", type=Path, required=True, help="folder for the sheets")
    parser.add_argument("--only", default="*", help="names of files, such as 'CRW*'")
    parser.add_argument("--edge", type=int, default=1200, help="longer side of what is made, pixels")
    parser.add_argument("--white", help="method of white_balance, such as camera, in place of the recipe's")
    given = parser.parse_args()
    if not DATA.is_dir():
        parser.error("../shared/data is not there")
    given.to.mkdir(parents=True, exist_ok=True)
    print("| file | picture | spread L* | mean chroma | mean L* | greys, a*b* | clipped, % | black, % |")
    print("|---|---|---|---|---|---|---|---|")
    counted = []
    for path in files(given.only):
        of = compare(path, given.edge, given.white)
        if of is None:
            continue
        draw(of, given.to / f"{path.name}.png")
        print(*lines(of), sep="\n", flush=True)
        if any(cut := zeros(path)):
            print(f"| {of.name} | zeros: {', '.join(f'{v:.1f}' for v in cut)} | | | | | | |")
        charts = {name: found.patches for name, found in of.looked.items() if found.patches is not None}
        if charts:
            colours = (f"{name} {np.hypot(*lab[:18, 1:].T).mean():.1f}" for name, lab in charts.items())
            print(f"| {of.name} | colours: {', '.join(colours)} | | | | | | |")
        if of.skin is not None:
            print(f"| {of.name} | skin against straight: {of.skin[0]:.1f}, {of.skin[1]:.1f} | | | | | | |")
        if of.counts and "LibRaw" in of.looked:
            counted.append(of)
    if counted:
        for figure in ("spread", "chroma"):
            shares = [of.against_camera(figure) for of in counted]
            print(f"\n{figure} against the camera's, {len(shares)} raws: mean {np.mean(shares):.2f}, "
                  f"{min(shares):.2f} to {max(shares):.2f}")  # fmt: skip


if __name__ == "__main__":
    main()
