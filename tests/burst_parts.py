"""What is left of the light within a burst, in its parts: `python -m tests.burst_parts --hall T --seed 23`.

A hall of fixtures/hall.py is drawn, and the true light on every pixel kept: of the surface that is there, and of white.
The gain maps are those that light.flicker finds in proxies with the noise of the hall, people where they truly are.
Their error, truth and gain map together, knows no noise of the picture and no JPEG. It is read in the boxes of the
ground truth as tests.evenness reads delivered files: per place the range over its burst in EV, and the two frames
farthest apart in CIEDE2000, median and 95th percentile of the places, of floor and wall and of players.

* all: what the gain maps leave.  without noise: the same, found in proxies that have none
* frame, rows, place: that error's mean over a frame alone, what of the rest goes along the rows, and what is left
* luminance, chroma: with the other taken out
* map: the gain map of this form nearest to the light on white.  white: the light on white itself taken out at every
  pixel. What it leaves is the surfaces' own: where lamps of two kinds pulse apart, a floor changes otherwise than white
* steady: what the same hall gets whose lamps do not flicker
* ISO: "all" of the bursts of one ISO, and the same figures of pictures without any error of light, whose noise
  before denoise and JPEG is all that differs ("its noise")
"""

from __future__ import annotations

import argparse
import tempfile
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import ClassVar
from unittest import mock

import cv2
import numpy as np
from pipeline.fixtures import demo
from pipeline.fixtures.hall import HALLS, Hall, right_share
from pipeline.fixtures.light import colour_matrix
from pipeline.fixtures.scene import Layer

from pipeline.imaging.colour import LUMINANCE, REC709_FROM_XYZ, XYZ_FROM_REC709
from pipeline.light.flicker import agree, views
from pipeline.light.gain_map import GainMap, basis
from pipeline.light.mixing.standing import Standing, standing
from pipeline.light.row_wave import ACROSS, DEGREE
from pipeline.types import Domain, Image, Noise
from tests.evenness import Sample, burst_spread, places

_PROXY = (128, 192)
_DARK = 1e-6
Picture = np.ndarray


@dataclass(frozen=True)
class DrawnFrame:
    """One frame of a burst. light, white (H, W, 3): log2 of the lamps' light on what is there, and on white, against
    its mean over time, at half the frame's size. clean (h, w, 3) camera-linear without noise; noise (a, b) of it.
    truth  its entry in truth.json"""

    name: str
    light: Picture
    white: Picture
    clean: Picture
    noise: tuple[float, float]
    truth: dict

    def proxy(self, to_working: Picture, noise: np.random.Generator | None) -> Image:
        """As measured, with its noise or without."""
        (a, b), pixels = self.noise, self.clean
        if noise is not None:
            pixels = pixels + noise.normal(0, 1, pixels.shape) * np.sqrt(a * np.maximum(pixels, 0) + b)
        pixels = np.clip(pixels, -0.05, 1).astype(np.float32)
        return Image(pixels, Domain.CAMERA, Noise(np.full(3, a), np.full(3, b)), np.ones(3), to_working)

    def people(self) -> Standing:
        """Where they stand, by the boxes of the ground truth, which are pixels of the whole frame."""
        height, width = (2 * side for side in self.light.shape[:2])
        boxes = np.array(self.truth["people"], np.float32).reshape(-1, 4) / np.float32([width, height] * 2)
        return standing([boxes], [0.0], 1.0)

    def noise_alone(self, random: np.random.Generator) -> Picture:
        """An error (H, W, 3) as of `boxes`, log2, that is the noise of the picture and nothing else."""
        height, width = self.light.shape[:2]
        a, b = (n * height * width / (_PROXY[0] * _PROXY[1]) for n in self.noise)
        level = np.maximum(cv2.resize(self.clean, (width, height)), 1e-4)
        return np.asarray(random.normal(0, 1, level.shape) * np.sqrt(a * level + b) / (level * np.log(2)))


def _small(picture: Picture, height: int, width: int) -> Picture:
    return cv2.resize(np.asarray(picture, np.float32), (width, height), interpolation=cv2.INTER_AREA)


class _Drawing(demo._Shoot):
    """A shoot that keeps its frames' light and writes none of them."""

    made: ClassVar[list[_Drawing]] = []

    def __init__(self, *given: object) -> None:
        super().__init__(*given)  # type: ignore[arg-type]
        self.kept: list[DrawnFrame] = []
        _Drawing.made.append(self)

    def take(
        self,
        layer: Layer,
        extra: Picture | None,
        iso: int,
        gain: float,
        moment: float,
        more: dict,
        rng: np.random.Generator,
    ) -> None:
        hall, name, exposure = self.hall, self.next_name(), demo._EXPOSURE * gain
        picture, _ = demo.lit(layer, moment, exposure, hall)
        lamps = [replace(lamp, depth=0.0, second=0.0) for lamp in (hall.left, hall.right)]
        steady, _ = demo.lit(layer, moment, exposure, replace(hall, left=lamps[0], right=lamps[1]))
        half = (self.height // 2, self.width // 2)
        light = np.log2(np.maximum(_small(picture, *half), _DARK) / np.maximum(_small(steady, *half), _DARK))
        white = _small(self._on_white(layer, moment), *half)
        if extra is not None:
            picture += exposure * extra
        picture = cv2.GaussianBlur(picture, (0, 0), 0.5)
        if hall.falloff:
            picture /= self.vignette[..., None]
        _, a, b = demo.expose(picture, iso, rng, self.noise)
        if hall.falloff:
            picture *= self.vignette[..., None]
        self.frames[name] = more
        if not more.get("single") and "burst" in more:
            pixels = self.height * self.width / (_PROXY[0] * _PROXY[1])
            # A mosaic has half its pixels for green, a quarter for red and blue: taken as a third for each.
            noise = (3 * a / pixels, 3 * b / pixels)
            self.kept.append(DrawnFrame(
                name, light.astype(np.float16), white.astype(np.float16), _small(picture, *_PROXY), noise, more
            ))  # fmt: skip

    def _on_white(self, layer: Layer, moment: float) -> Picture:
        hall, rows = self.hall, moment + self.hall.readout_time * np.arange(self.height) / self.height
        share = right_share(layer.where, hall.centre, hall.width)[..., None]
        left, right = ((w * self.resp["white"][i : i + 3]) for w, i in ((1 - share, 0), (share, 3)))
        first, other = (
            lamp.during(rows, hall.exposure, hall.frequency)[:, None, None] for lamp in (hall.left, hall.right)
        )
        return np.log2((left * first + right * other) / (left + right))


def draw(hall: Hall, seed: int, size: tuple[int, int]) -> list[list[DrawnFrame]]:
    """The frames of each burst of a hall: those of tests.evenness with this seed and size (width, height)."""
    with tempfile.TemporaryDirectory() as scratch, mock.patch.object(demo, "_Shoot", _Drawing):
        demo.write_demo(Path(scratch) / "shoot", hall=hall, seed=seed, width=size[0], height=size[1])
    bursts = defaultdict(list)
    for frame in _Drawing.made.pop().kept:
        bursts[frame.truth["burst"]].append(frame)
    return list(bursts.values())


def to_working(camera: str) -> Picture:
    """(3, 3) balanced camera colours to linear Rec. 709, from the camera's colour matrix."""
    matrix = colour_matrix(camera)
    return REC709_FROM_XYZ @ np.linalg.inv(matrix / (matrix @ XYZ_FROM_REC709.sum(axis=1))[:, None])


def found(burst: Sequence[DrawnFrame], matrix: Picture, seed: int | None) -> list[GainMap]:
    """What light.flicker makes of the proxies of a burst, people known; seed  of their noise, None: they have none."""
    random = None if seed is None else np.random.default_rng(seed)
    shown = views([frame.proxy(matrix, random) for frame in burst])
    return agree([replace(view, people=frame.people()) for view, frame in zip(shown, burst, strict=True)])


@lru_cache
def _inverse(height: int, width: int) -> tuple[Picture, Picture]:
    return np.linalg.pinv(basis(height, DEGREE)), np.linalg.pinv(basis(width, ACROSS))


def nearest_map(light: Picture) -> Picture:
    """(H, W, 3) the gain map that least squares make of the light."""
    height, width = light.shape[:2]
    down, across = _inverse(height, width)
    one = np.einsum("dh,hwc,aw->dac", down, light, across, optimize=True)
    return np.einsum("hd,dac,wa->hwc", basis(height, DEGREE), one, basis(width, ACROSS), optimize=True)


def split(errors: Sequence[Picture]) -> dict[str, list[Picture]]:
    """Errors (F of (H, W, 3), log2) by parts: frame, rows and place add up to them."""
    whole = np.asarray(errors, dtype=np.float64)
    whole = whole - whole.mean(axis=0)
    frame = whole.mean(axis=(1, 2), keepdims=True)
    rows = np.median(whole, axis=2, keepdims=True) - frame
    parts = {"frame": frame + 0 * whole, "rows": rows + 0 * whole, "place": whole - frame - rows}
    return {name: list(part) for name, part in parts.items()}


def boxes(burst: Sequence[DrawnFrame], errors: Sequence[Picture], matrix: Picture, what: str = "all") -> list[Sample]:
    """The boxes of the ground truth as a picture with these errors, and no others, shows them. what  "all", or
    "luminance" or "chroma" alone."""
    samples, back = [], np.linalg.inv(matrix)
    for frame, error in zip(burst, errors, strict=True):
        height, width = error.shape[:2]
        for spot in frame.truth["spots"]:
            x0, y0, x1, y1 = (round(v * n) for v, n in zip(spot["box"], (width, height) * 2, strict=True))
            true = REC709_FROM_XYZ @ np.array(spot["xyz"])
            off = np.asarray(error[y0:y1, x0:x1], dtype=np.float64).reshape(-1, 3).mean(axis=0)
            seen = matrix @ (back @ true * 2.0**off)
            level = (seen @ LUMINANCE) / (true @ LUMINANCE)
            seen = true * level if what == "luminance" else seen / level if what == "chroma" else seen
            pixels = (y1 - y0) * (x1 - x0)
            burst_number = frame.truth["burst"]
            samples.append(Sample(frame.name, burst_number, spot["kind"], spot["place"], seen, true, 0.0, pixels))
    return samples


def in_words(samples: Sequence[Sample]) -> str:
    """Median and 95th percentile of the places, of floor and wall and of players."""
    words = []
    grouped = places(samples)
    for fixed in (True, False):
        spreads = [burst_spread(g)[:2] for g in grouped.values() if (g[0].kind in ("floor", "wall")) is fixed]
        ev, colour = np.array(spreads).reshape(-1, 2).T if spreads else (np.full(1, np.nan),) * 2
        words.append(
            "  ".join(f"{np.median(v):{d}} {np.quantile(v, 0.95):{d}}" for v, d in ((ev, ".3f"), (colour, ".2f")))
        )
    return "   |   ".join(words)


def table(hall: Hall, seed: int, size: tuple[int, int]) -> Iterable[tuple[str, str]]:
    """(name of the part, figures in words), one after the other."""
    matrix, bursts = to_working(hall.camera), draw(hall, seed, size)
    kinds: dict[str, list[Sample]] = defaultdict(list)
    by_iso: dict[str, list[Sample]] = defaultdict(list)
    random = np.random.default_rng(seed)
    for burst in bursts:
        light = [f.light.astype(np.float32) for f in burst]
        white = [f.white.astype(np.float32) for f in burst]
        size_of = light[0].shape[:2]
        errors = [one + even.on(*size_of) for one, even in zip(light, found(burst, matrix, seed), strict=True)]
        quiet = [one + even.on(*size_of) for one, even in zip(light, found(burst, matrix, None), strict=True)]
        kinds["as shot"] += boxes(burst, light, matrix)
        kinds["all"] += boxes(burst, errors, matrix)
        iso = hall.bursts[burst[0].truth["burst"]].iso
        by_iso[f"ISO {iso}"] += boxes(burst, errors, matrix)
        by_iso[f"its noise {iso}"] += boxes(burst, [f.noise_alone(random) for f in burst], matrix)
        kinds["without noise"] += boxes(burst, quiet, matrix)
        for name, part in split(errors).items():
            kinds[name] += boxes(burst, part, matrix)
        for name in ("luminance", "chroma"):
            kinds[name] += boxes(burst, errors, matrix, name)
        kinds["map"] += boxes(burst, [one - nearest_map(w) for one, w in zip(light, white, strict=True)], matrix)
        kinds["white"] += boxes(burst, [one - w for one, w in zip(light, white, strict=True)], matrix)
    yield from ((name, in_words(samples)) for name, samples in (*kinds.items(), *by_iso.items()))
    lamps = {side: replace(getattr(hall, side), depth=0.0, second=0.0) for side in ("left", "right")}
    steady: list[Sample] = []
    for burst in draw(replace(hall, **lamps), seed, size):
        maps = found(burst, matrix, seed)
        steady += boxes(burst, [one.on(*burst[0].light.shape[:2]) for one in maps], matrix)
    yield "steady", in_words(steady)


def main() -> None:
    parser = argparse.ArgumentParser(description="What is left of the light within a burst, in its parts.")
    parser.add_argument("--hall", default="T")
    parser.add_argument("--seed", type=int, default=23)
    parser.add_argument("--size", default="768x512")
    given = parser.parse_args()
    width, height = (int(v) for v in given.size.split("x"))
    print(f"{'':16s} floor and wall: EV, CIEDE2000   |   players (median and 95th)")
    for name, words in table(HALLS[given.hall], given.seed, (width, height)):
        print(f"{name:16s} {words}", flush=True)


if __name__ == "__main__":
    main()
