"""The light of a shoot, found from the pictures: flicker within each burst, and how the bursts' light compares.

Nothing here depends on a recipe or a reference frame: steps, `evencourt inspect` and the report read it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.orientation import Orientation
from pipeline.light import palette
from pipeline.light.flicker import agree, views
from pipeline.light.folded import Folded
from pipeline.light.gain_map import GainMap
from pipeline.light.lens.pans import PanEvidence, evidence
from pipeline.light.neutral import Candidate, candidates
from pipeline.light.row_wave import ACROSS, DEGREE
from pipeline.store.packing import LARGEST, take
from pipeline.types import F32, F64, Frame, Image

VERSION = 6  # raised when the result for a scene changes
_STOPS = 100.0  # that light changes by at most; more was not measured
_FULL = GainMap(np.zeros((DEGREE + 1, ACROSS + 1, 3)))


@dataclass(frozen=True)
class SceneConstants:
    """How the light of bursts is compared. Chroma in natural log; match is the correlation of histograms, 0 to 1.

    No published values exist. Chosen by trial on drawn halls under published lamps: `pytest tests/light/test_scenes.py
    tests/light/test_even_light.py`. That each one matters: `pytest tests/test_constants.py`.
    """

    pictures: int = 6  # frames of a burst whose colours are pooled
    least: int = 8  # pixels a side: smaller pictures show nothing of rows
    most_alone: int = 60  # reference scenes that may have nothing in common, so that the cost stays linear
    reference_scenes: int = 6  # of a camera, that all its others are compared with
    far: float = 0.35  # chroma; a scene further off becomes a reference scene itself
    poor: float = 0.75  # match; so does one that matches worse
    nothing_shared: float = 0.45  # match; two histograms that match no better show different things
    reach: float = 1.6  # chroma between any two lamps of a hall
    distance_cost: float = 0.4  # of a match, for each unit of chroma: near scenes are compared first
    nearly_best: float = 0.8  # of the best match, above which a reference scene has a say
    match_power: int = 4  # by which match counts
    nearness: float = 0.02  # chroma, that keeps the weight of a scene in the same light finite
    cell: float = 0.02  # chroma; scenes nearer than this count as one when zones are made
    zone: float = 0.13  # chroma, widest light zone: about eight CIELAB units on a white
    clipped: float = 0.97  # of saturation, above which a pixel has no level
    dark: float = 0.001  # of saturation, below which it has none
    enough: float = 50.0  # pixels' worth of weight that make a level


SCENES = SceneConstants()


@dataclass(frozen=True)
class Scene:
    """One burst, or one single frame, evened out.

    flicker  for each frame a gain map to ADD so that they agree
    steady  for each frame, the part of it that the hall explains (1 = nothing moved)
    pan     for each frame, how far the scene lies right of its place in the middle frame, in half sensor widths
    chroma_gradient   (2, 2) how the light's chroma changes across the middle frame (palette.chroma_gradient)
    chroma_histogram  (80, 112) of the chroma less its gradient;  tones the mean log2 green of each of its bins
    whites  what may be white
    level   (3,) mean log2 of the channels, the middle of the frame counting most; NaN when nothing is usable
    to_working  (3, 3) the camera's own matrix for balanced colour
    pans    what frames that moved say of the lens's falloff; None where none did
    """

    names: tuple[str, ...]
    flicker: tuple[GainMap, ...]
    steady: tuple[float, ...]
    pan: tuple[float, ...]
    chroma_gradient: F64
    chroma_histogram: NDArray[np.float16] | Folded
    tones: NDArray[np.float16] | Folded
    whites: tuple[Candidate, ...]
    level: F64
    to_working: F64
    pans: PanEvidence | None = None

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """For the store; from_arrays reads them back."""
        return {
            "flicker": np.stack([(p + _FULL).coefficients for p in self.flicker]),
            "steady": np.array(self.steady),
            "pan": np.array(self.pan),
            "chroma_gradient": self.chroma_gradient,
            "chroma_histogram": np.asarray(self.chroma_histogram),
            "tones": np.asarray(self.tones),
            "whites": np.array([[*c.chroma, c.score] for c in self.whites]).reshape(-1, 3),
            "level": self.level,
            "to_working": self.to_working,
            **({} if self.pans is None else self.pans.as_arrays()),
        }

    @staticmethod
    def from_arrays(names: tuple[str, ...], arrays: Mapping[str, NDArray[Any]]) -> Scene:
        """What as_arrays gave. Raises ValueError for what it cannot have given, but for the number of frames."""
        flicker = take(arrays, "flicker", np.float64, (None, *_FULL.coefficients.shape), -_STOPS, _STOPS)
        count = len(flicker)
        histogram = take(arrays, "chroma_histogram", np.float16, palette.SIZE, 0, LARGEST)
        return Scene(
            names,
            tuple(GainMap(p) for p in flicker),
            tuple(take(arrays, "steady", np.float64, (count,), -LARGEST, LARGEST).tolist()),
            tuple(take(arrays, "pan", np.float64, (count,), -LARGEST, LARGEST).tolist()),
            take(arrays, "chroma_gradient", np.float64, (2, 2), -_STOPS, _STOPS),
            Folded(histogram),
            Folded(take(arrays, "tones", np.float16, palette.SIZE, -LARGEST, LARGEST, may_be_nan=True)),
            tuple(
                Candidate(w[:2], float(w[2])) for w in take(arrays, "whites", np.float64, (None, 3), -LARGEST, LARGEST)
            ),
            take(arrays, "level", np.float64, (3,), -LARGEST, LARGEST, may_be_nan=True),
            take(arrays, "to_working", np.float64, (3, 3), -LARGEST, LARGEST),
            PanEvidence.from_arrays(arrays),
        )


@dataclass(frozen=True)
class ShootLight:
    """All scenes, and where each stands.

    chromaticities  (N, 2) chroma, relative to daylight, of the hall's main surface in each scene: the same in equal
             light
    tone     (N,) stops by which the shared surfaces of each scene are brighter than in its group
    group    (N,) scenes whose chromaticities may be compared: same camera, something in common
    match    (N,) how well each scene's colours are recognised, 0 to 1
    of       frame name -> index of its scene
    notices  what the report should say
    """

    scenes: tuple[Scene, ...]
    chromaticities: F64
    tone: F64
    group: F64
    match: F64
    of: Mapping[str, int]
    notices: tuple[str, ...] = ()

    def scene(self, name: str) -> Scene:
        """The scene that a frame belongs to."""
        return self.scenes[self.of[name]]

    def flicker(self, name: str) -> GainMap:
        """Stops to add to a frame so that it agrees with its burst."""
        scene = self.scene(name)
        return scene.flicker[scene.names.index(name)]


def look(frames: Sequence[Frame], images: Sequence[Image], daylight: F64) -> Scene:
    """The light of one burst, from all its frames.

    images: their small camera-linear pictures, upright; daylight (3,) multipliers that make daylight neutral.
    """
    turned = [
        image.with_pixels(Orientation(frame.exif.orientation).to_sensor(image.pixels))
        for frame, image in zip(frames, images, strict=True)
    ]
    shapes = [image.pixels.shape for image in turned]
    usual = max(shapes, key=shapes.count)
    same = [i for i, shape in enumerate(shapes) if shape == usual]
    flickers = [GainMap.constant(np.zeros(3))] * len(turned)
    steady, pan = [1.0] * len(turned), [0.0] * len(turned)
    pans = None
    if len(same) > 1 and min(usual[:2]) >= SCENES.least:
        registered = views([turned[i] for i in same])
        pans = evidence(registered)
        for i, one, flicker in zip(same, registered, agree(registered), strict=True):
            flickers[i], steady[i] = flicker, one.motion.explained
            pan[i] = 2 * one.motion.dx / one.pixels.shape[1]
    pick = np.unique(np.linspace(0, len(turned) - 1, min(SCENES.pictures, len(turned))).round().astype(int))
    evened = []
    for i in pick:
        gains = np.exp2(flickers[i].on(*turned[i].pixels.shape[:2])).astype(np.float32)
        evened.append((turned[i].pixels * gains, turned[i], pan[i]))
    chroma_samples = palette.chroma_samples(evened, daylight)
    chroma_gradient = palette.chroma_gradient(chroma_samples)
    level_samples = chroma_samples.moved(palette.gradient_at(chroma_gradient, chroma_samples.column))
    return Scene(
        names=tuple(f.name for f in frames),
        flicker=tuple(flickers),
        steady=tuple(steady),
        pan=tuple(pan),
        chroma_gradient=chroma_gradient,
        chroma_histogram=palette.histogram(level_samples).astype(np.float16),
        tones=palette.tones(level_samples).astype(np.float16),
        whites=tuple(candidates(level_samples)),
        level=_level([e[:2] for e in evened]),
        to_working=images[0].to_working,
        pans=pans,
    )


def unknown(names: Sequence[str]) -> Scene:
    """A burst whose light could not be found: it is left as it is."""
    nothing = palette.histogram(palette.ChromaSamples(np.zeros((0, 2)), *(np.zeros(0),) * 4))
    return Scene(
        names=tuple(names),
        flicker=(GainMap.constant(np.zeros(3)),) * len(names),
        steady=(1.0,) * len(names),
        pan=(0.0,) * len(names),
        chroma_gradient=np.zeros((2, 2)),
        chroma_histogram=nothing.astype(np.float16),
        tones=np.full_like(nothing, np.nan).astype(np.float16),
        whites=(),
        level=np.full(3, np.nan),
        to_working=np.eye(3),
    )


def compare(frames: Sequence[Frame], scenes: Sequence[Scene], reference_scenes: Sequence[str]) -> ShootLight:
    """How the light of each scene compares with the others'.

    frames of the scenes; reference_scenes: names of frames that the others are best compared with."""
    by_name = {f.name: f for f in frames}
    of = {name: index for index, scene in enumerate(scenes) for name in scene.names}
    cameras = [(by_name[s.names[0]].exif.make, by_name[s.names[0]].exif.model) for s in scenes]
    return _placed(tuple(scenes), cameras, [of[n] for n in reference_scenes if n in of], of)


def _level(evened: Sequence[tuple[F32, Image]]) -> F64:
    totals, weights = np.zeros(3), 0.0
    for pixels, image in evened:
        height, width = pixels.shape[:2]
        y, x = np.linspace(-1, 1, height)[:, None], np.linspace(-1, 1, width)[None, :]
        good = (image.pixels < SCENES.clipped * image.saturation).all(axis=2) & (image.pixels > SCENES.dark).all(axis=2)
        weight = np.where(good, np.exp(-(x**2 + y**2)), 0.0)
        totals += (np.log2(np.maximum(pixels, 1e-5)) * weight[..., None]).sum(axis=(0, 1))
        weights += float(weight.sum())
    return totals / weights if weights > SCENES.enough else np.full(3, np.nan)


def _brighter(one: Scene, other: Scene, step: F64) -> float:
    return palette.brighter(
        one.chroma_histogram.astype(np.float32), one.tones.astype(np.float32),
        other.chroma_histogram.astype(np.float32), other.tones.astype(np.float32), step,
    )  # fmt: skip


def _placed(
    scenes: tuple[Scene, ...], cameras: Sequence[tuple[str, str]], first: Sequence[int], of: Mapping[str, int]
) -> ShootLight:
    """Every scene against a few reference scenes, these against the earlier ones; groups with nothing in common
    apart."""
    count = len(scenes)
    chromaticities, tone = np.zeros((count, 2)), np.zeros(count)
    group, match = np.full(count, -1), np.ones(count)
    reference_scenes: list[int] = []
    spectra: dict[int, palette.Spectrum] = {}
    for index in [*dict.fromkeys(first), *(i for i in range(count) if i not in first)]:
        own = palette.spectrum(scenes[index].chroma_histogram.astype(np.float64))
        near = [h for h in reference_scenes if cameras[h] == cameras[index]]
        shifts = [(h, palette.register(own, spectra[h], SCENES.reach)) for h in near]
        best = max(
            shifts, key=lambda s: s[1].match * (1 - SCENES.distance_cost * float(np.hypot(*s[1].step))), default=None
        )
        if best is None or best[1].match < SCENES.nothing_shared:
            group[index] = group.max() + 1
            chromaticities[index] = palette.main_chroma(scenes[index].chroma_histogram.astype(np.float32))
            match[index] = 1.0 if best is None else best[1].match
        else:
            group[index] = group[best[0]]
            match[index] = best[1].match
            # Reference scenes in like light count most; between two of them both have a say.
            kept = [
                (h, s) for h, s in shifts if group[h] == group[index] and s.match > SCENES.nearly_best * best[1].match
            ]
            weight = np.array(
                [s.match**SCENES.match_power / (SCENES.nearness + float(np.hypot(*s.step))) for _, s in kept]
            )
            places = np.array([chromaticities[h] + s.step for h, s in kept])
            brighter = [tone[h] + _brighter(scenes[index], scenes[h], s.step) for h, s in kept]
            chromaticities[index] = weight @ places / weight.sum()
            tone[index] = weight @ np.array(brighter) / weight.sum()
        needed = best is None or best[1].match < SCENES.poor or float(np.hypot(*best[1].step)) > SCENES.far
        alone = best is None or best[1].match < SCENES.nothing_shared  # a new group, which others must find
        own_references = sum(cameras[h] == cameras[index] for h in reference_scenes)
        if (
            index in first
            or (alone and len(reference_scenes) < SCENES.most_alone)
            or (needed and own_references < SCENES.reference_scenes + len(first))
        ):
            reference_scenes.append(index)
            spectra[index] = own
    return ShootLight(scenes, chromaticities, tone, group, match, of)


def zones(light: ShootLight) -> F64:
    """(N,) the light zone of each scene: scenes whose light looks alike on the same surfaces.

    Complete linkage (Sorensen 1948), so that no zone is wider than the limit, over cells of like chromaticities, so
    that its cost does not grow with the square of the scenes. Numbered by their first scene.
    """
    cells = np.column_stack([light.group * 1000.0, np.round(light.chromaticities / SCENES.cell)])
    unique, inverse = np.unique(cells, axis=0, return_inverse=True)
    inverse = inverse.ravel()
    if len(unique) <= 1:
        return np.zeros(len(inverse))
    from scipy.cluster.hierarchy import fcluster, linkage

    places = unique * [1.0, SCENES.cell, SCENES.cell]
    label = fcluster(linkage(places, "complete"), SCENES.zone, "distance")[inverse]
    order = {v: i for i, v in enumerate(dict.fromkeys(label.tolist()))}
    return np.array([order[v] for v in label.tolist()], dtype=np.float64)
