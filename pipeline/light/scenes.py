"""The light of a shoot, found from the pictures: flicker within each burst, and how the bursts' light compares.

Nothing here depends on a recipe or a reference frame: steps, `evencourt inspect` and the report read it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.orientation import Orientation
from pipeline.light import palette
from pipeline.light.comparing.common_chroma import to_common
from pipeline.light.comparing.pairs import (
    Pair,
    agreed_chroma,
    agreed_tones,
    find_pairs,
    of_one_place,
    tone_differences,
)
from pipeline.light.comparing.tones import SIZE as TONE_SIZE
from pipeline.light.comparing.tones import as_shown, tone_histogram
from pipeline.light.flicker import agreed, views
from pipeline.light.gain_map import GainMap
from pipeline.light.lens.pans import PanEvidence, evidence
from pipeline.light.mixing.at_feet import DEGREES
from pipeline.light.mixing.gradient import SIZE as GRADIENT_SIZE
from pipeline.light.mixing.gradient import ChromaGradient, chroma_gradient
from pipeline.light.mixing.hall import followed
from pipeline.light.mixing.standing import LEAST_BEHIND, Standing, each_alone, standing, without_people
from pipeline.light.mixing.standing import SIZE as STANDING_SIZE
from pipeline.light.neutral import Candidate, candidates
from pipeline.light.rendering.mercury import UnderMercury, foretell
from pipeline.light.response.evidence import CurveEvidence, curve_evidence
from pipeline.light.singles.frame import KnownHall, evened_by
from pipeline.store.folded import Folded
from pipeline.store.packing import LARGEST, take
from pipeline.types import F32, F64, Frame, Image

VERSION = 28  # raised when the result for a scene changes
_STOPS = 100.0  # that light changes by at most; more was not measured
_FULL = GainMap(np.zeros((DEGREES[0] + 1, DEGREES[1] + 1, 3)))


@dataclass(frozen=True)
class SceneConstants:
    """How the light of a burst is looked at, and light zones. Chroma in natural log, of zones as the measured camera
    sees it (light.comparing.common_chroma).

    No published values exist. Chosen by trial on drawn halls under published lamps: `pytest tests/light/test_scenes.py
    tests/light/test_even_light.py`. That each one matters: `pytest tests/test_constants.py`.
    """

    pictures: int = 6  # frames of a burst whose colours are pooled
    least: int = 8  # pixels a side: smaller pictures show nothing of rows
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
    zoom    for each frame, by how much the scene is larger than in the middle frame
    chroma_gradient   how the light's chroma changes over the middle frame
    lies    for each frame, how it lies
    people  where people stand over the middle frame
    chroma_histogram  (80, 112) of the chroma less its gradient;  tone_histogram  (20, 28, 64) of that and log2 green
    whites  what may be white
    level   (3,) mean log2 of the channels, the middle of the frame counting most; NaN when nothing is usable
    to_working  (3, 3) the camera's own matrix for balanced colour
    pans    what frames that moved say of the lens's falloff; None where none did
    mercury  what the camera makes of colours under mercury; None for finished pictures
    curve    what finished pictures say of their camera's tone curve; None where they say nothing
    tells    its lamp's whole wave is known, so that it may tell of single frames
    hall     what it tells; kept apart, so None once it was read back
    """

    names: tuple[str, ...]
    flicker: Sequence[GainMap]
    steady: tuple[float, ...]
    pan: tuple[float, ...]
    zoom: tuple[float, ...]
    chroma_gradient: ChromaGradient
    chroma_histogram: NDArray[np.float16] | Folded
    tone_histogram: NDArray[np.uint8] | Folded
    whites: tuple[Candidate, ...]
    level: F64
    to_working: F64
    pans: PanEvidence | None = None
    mercury: UnderMercury | None = None
    curve: CurveEvidence | None = None
    lies: tuple[Orientation, ...] = ()
    people: Standing = field(default_factory=Standing.nobody)
    tells: bool = False
    hall: KnownHall | None = None

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """For the store; from_arrays reads them back."""
        return {
            "flicker": np.stack([(p + _FULL).coefficients for p in self.flicker]),
            "steady": np.array(self.steady),
            "pan": np.array(self.pan),
            "zoom": np.array(self.zoom),
            "chroma_gradient": self.chroma_gradient.as_array(),
            "lies": np.array(self.lies, dtype=np.uint8),
            "standing": self.people.as_array(),
            "tells": np.array([self.tells], dtype=np.uint8),
            "chroma_histogram": np.asarray(self.chroma_histogram),
            "tone_histogram": np.asarray(self.tone_histogram),
            "whites": np.array([[*c.chroma, c.score] for c in self.whites]).reshape(-1, 3),
            "level": self.level,
            "to_working": self.to_working,
            **({} if self.pans is None else self.pans.as_arrays()),
            **({} if self.mercury is None else self.mercury.as_arrays()),
            **({} if self.curve is None else self.curve.as_arrays()),
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
            tuple(take(arrays, "zoom", np.float64, (count,), 1 / LARGEST, LARGEST).tolist()),
            ChromaGradient.from_array(take(arrays, "chroma_gradient", np.float64, GRADIENT_SIZE, -_STOPS, _STOPS)),
            Folded(histogram),
            Folded(take(arrays, "tone_histogram", np.uint8, TONE_SIZE, 0, 255)),
            tuple(
                Candidate(w[:2], float(w[2])) for w in take(arrays, "whites", np.float64, (None, 3), -LARGEST, LARGEST)
            ),
            take(arrays, "level", np.float64, (3,), -LARGEST, LARGEST, may_be_nan=True),
            take(arrays, "to_working", np.float64, (3, 3), -LARGEST, LARGEST),
            PanEvidence.from_arrays(arrays),
            UnderMercury.from_arrays(arrays),
            CurveEvidence.from_arrays(arrays),
            tuple(Orientation(v) for v in take(arrays, "lies", np.uint8, (count,), 1, 8).tolist()),
            Standing.from_array(take(arrays, "standing", np.float16, STANDING_SIZE, -2, 2)),
            bool(take(arrays, "tells", np.uint8, (1,), 0, 1)[0]),
        )


@dataclass(frozen=True)
class ShootLight:
    """All scenes, and where each stands.

    chromaticities  (N, 2) chroma, relative to daylight, of the hall's main surface in each scene: the same in equal
             light
    tone     (N,) stops by which the shared surfaces of each scene are brighter than in its group
    group    (N,) scenes whose chromaticities may be compared: same camera, something in common
    match    (N,) how well each scene's colours are recognised, 0 to 1
    place    (N,) scenes of one number are proven to show the same surfaces (comparing.pairs.of_one_place)
    of       frame name -> index of its scene
    notices  what the report should say; pairs  the scenes that were compared
    """

    scenes: tuple[Scene, ...]
    chromaticities: F64
    tone: F64
    group: F64
    match: F64
    place: NDArray[np.int64]
    of: Mapping[str, int]
    notices: tuple[str, ...] = ()
    pairs: tuple[Pair, ...] = ()

    def scene(self, name: str) -> Scene:
        """The scene that a frame belongs to."""
        return self.scenes[self.of[name]]

    def flicker(self, name: str) -> GainMap:
        """Stops to add to a frame so that it agrees with its burst."""
        scene = self.scene(name)
        return scene.flicker[scene.names.index(name)]


def look(
    frames: Sequence[Frame],
    images: Sequence[Image],
    daylight: F64,
    people: Sequence[F32] | None = None,
    halls: Sequence[KnownHall] = (),
) -> Scene:
    """The light of one burst, from all its frames.

    images: their small camera-linear pictures, upright; daylight (3,) multipliers that make daylight neutral;
    people: for each frame the boxes (N, 4 or more) of those in it, fractions of it; None where nobody looked;
    halls: what bursts tell of the hall, likeliest first, for frames that are too few to tell it themselves.
    """
    lies = [Orientation(frame.exif.orientation) for frame in frames]
    turned = [image.with_pixels(o.to_sensor(image.pixels)) for o, image in zip(lies, images, strict=True)]
    shapes = [image.pixels.shape for image in turned]
    usual = max(shapes, key=shapes.count)
    same = [i for i, shape in enumerate(shapes) if shape == usual]
    flickers = [GainMap.constant(np.zeros(3))] * len(turned)
    steady, pan, zoom = [1.0] * len(turned), [0.0] * len(turned), [1.0] * len(turned)
    boxes = [np.zeros((0, 4), np.float32)] * len(turned) if people is None else [each_alone(one) for one in people]
    pans = curve = hall = None
    if (len(same) > 1 or halls) and min(usual[:2]) >= SCENES.least:
        down = lowest_row({lies[i] for i in same})
        registered = views([turned[i] for i in same], down)
        if down:
            stood = [standing([boxes[i]], [0.0], 1.0).on_sensor(lies[i]) for i in same]
            registered = [replace(view, people=one) for view, one in zip(registered, stood, strict=True)]
        pans = evidence(registered) if len(same) > 1 else None
        found = evened_by(halls, registered, agreed(registered))
        hall = KnownHall.of(registered, found)
        if all(f.kind == "picture" for f in frames) and not any(i.curve for i in images):
            curve = curve_evidence(registered, found.maps)
        for i, one, flicker in zip(same, registered, found.maps, strict=True):
            flickers[i], steady[i] = flicker, one.motion.explained
            pan[i], zoom[i] = 2 * one.motion.dx / one.pixels.shape[1], one.motion.scale
    pick = np.unique(np.linspace(0, len(turned) - 1, min(SCENES.pictures, len(turned))).round().astype(int))
    moved = [upright_pan(one, how) for one, how in zip(pan, lies, strict=True)]
    evened = []
    for i in pick:
        gains = np.exp2(flickers[i].on(*turned[i].pixels.shape[:2])).astype(np.float32)
        evened.append((images[i].pixels * lies[i].to_upright(gains), images[i], moved[i], zoom[i]))
    chroma_samples = palette.chroma_samples(evened, daylight)
    apart = [(p, without_people(image, boxes[i]), *at) for i, (p, image, *at) in zip(pick, evened, strict=True)]
    behind = palette.chroma_samples(apart, daylight)
    shown = behind if behind.total > LEAST_BEHIND * chroma_samples.total else chroma_samples
    gradient = chroma_gradient(shown)
    stand = standing(boxes, moved, gradient.half, zoom)
    distance = stand.distance(gradient, chroma_samples.row, chroma_samples.column)
    level_samples = chroma_samples.moved(gradient.at(chroma_samples.column, distance))
    return Scene(
        names=tuple(f.name for f in frames),
        flicker=tuple(flickers),
        steady=tuple(steady),
        pan=tuple(pan),
        zoom=tuple(zoom),
        chroma_gradient=gradient,
        chroma_histogram=palette.histogram(level_samples).astype(np.float16),
        tone_histogram=tone_histogram(level_samples),
        whites=tuple(candidates(level_samples, to_common(images[0].to_working))),
        level=_level([e[:2] for e in evened]),
        to_working=images[0].to_working,
        pans=pans,
        mercury=foretell(images[0].to_working),
        curve=curve,
        lies=tuple(lies),
        people=stand,
        tells=hall is not None,
        hall=hall,
    )


def upright_pan(pan: float, lies: Orientation) -> float:
    """By how much the scene lies right in the upright picture, half its widths, for a pan along the sensor's columns;
    0 where these run up and down."""
    return pan * (lies.point_to_upright(1.0, 0.5)[0] - lies.point_to_upright(0.0, 0.5)[0])


def lowest_row(lies: Collection[Orientation]) -> int:
    """1 where the sensor's last row is the lowest of the upright pictures, -1 where its first is; 0 where rows stand
    upright, or not all lie alike."""
    found = {round(one.point_to_upright(0.5, 1.0)[1] - one.point_to_upright(0.5, 0.0)[1]) for one in lies}
    return found.pop() if len(found) == 1 else 0


def unknown(names: Sequence[str]) -> Scene:
    """A burst whose light could not be found: it is left as it is."""
    nothing = palette.histogram(palette.ChromaSamples(np.zeros((0, 2)), *(np.zeros(0),) * 5))
    return Scene(
        names=tuple(names),
        flicker=(GainMap.constant(np.zeros(3)),) * len(names),
        steady=(1.0,) * len(names),
        pan=(0.0,) * len(names),
        zoom=(1.0,) * len(names),
        chroma_gradient=ChromaGradient.none(),
        chroma_histogram=nothing.astype(np.float16),
        tone_histogram=np.zeros(TONE_SIZE, np.uint8),
        whites=(),
        level=np.full(3, np.nan),
        to_working=np.eye(3),
        lies=(Orientation.TOP_LEFT,) * len(names),
    )


def compare(frames: Sequence[Frame], scenes: Sequence[Scene], reference_scenes: Sequence[str]) -> ShootLight:
    """How the light of each scene compares with the others'.

    frames of the scenes; reference_scenes: names of frames that the others are best compared with."""
    by_name = {f.name: f for f in frames}
    of = {name: index for index, scene in enumerate(scenes) for name in scene.names}
    # A camera's own JPEG is no linear light, and has other colours than its raw.
    firsts = [by_name[s.names[0]] for s in scenes]
    cameras = [(f.exif.make, f.exif.model, f.kind) for f in firsts]
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


def _placed(
    scenes: tuple[Scene, ...], cameras: Sequence[tuple[str, ...]], first: Sequence[int], of: Mapping[str, int]
) -> ShootLight:
    """What all comparisons of scenes together say.

    Groups that have nothing in common stay apart; the first scene of each stands where its colours are, at tone 0.
    """
    pairs, group, match = find_pairs([s.chroma_histogram for s in scenes], cameras, first)
    starts: dict[int, int] = {}
    for index in [*dict.fromkeys(first), *range(len(scenes))]:
        starts.setdefault(int(group[index]), index)
    fixed = np.array(list(starts.values()), dtype=np.int64)
    main = [palette.main_chroma(scenes[i].chroma_histogram.astype(np.float32)) for i in fixed]
    chromaticities = agreed_chroma(pairs, fixed, np.array(main).reshape(-1, 2))
    found = tone_differences([s.tone_histogram for s in scenes], pairs, chromaticities)
    place = of_one_place(pairs, found, len(scenes))
    tone = agreed_tones(pairs, found, _first_of_groups(pairs, len(scenes)))
    gradients = followed([s.chroma_gradient for s in scenes], chromaticities, place)
    scenes = tuple(replace(s, chroma_gradient=g) for s, g in zip(scenes, gradients, strict=True))
    return ShootLight(scenes, chromaticities, tone, group.astype(np.float64), match, place, of, pairs=tuple(pairs))


def _first_of_groups(pairs: Sequence[Pair], count: int) -> NDArray[np.int64]:
    compared = {p.one for p in pairs}  # every scene but the first of each group
    return np.array([i for i in range(count) if i not in compared], dtype=np.int64)


def tones_as_shown(light: ShootLight, gains: Sequence[F64], to_working: Sequence[F64]) -> F64:
    """(N,) ShootLight.tone of the luminance of balanced scenes: a floor that one lamp makes redder than the other is
    as bright in a picture as its luminance, not as its green.

    gains  of each scene, (3,) multipliers on top of daylight's; to_working  of each, (3, 3)
    """
    shown = [as_shown(g, m) for g, m in zip(gains, to_working, strict=True)]
    found = tone_differences([s.tone_histogram for s in light.scenes], light.pairs, light.chromaticities, shown)
    return agreed_tones(light.pairs, found, _first_of_groups(light.pairs, len(light.scenes)))


def zones(light: ShootLight) -> F64:
    """(N,) the light zone of each scene: scenes whose light looks alike on the same surfaces.

    Complete linkage (Sorensen 1948), so that no zone is wider than the limit, over cells of like chromaticities, so
    that its cost does not grow with the square of the scenes. Numbered by their first scene.
    """
    chroma = [to_common(s.to_working) @ at for s, at in zip(light.scenes, light.chromaticities, strict=True)]
    cells = np.column_stack([light.group * 1000.0, np.round(np.reshape(chroma, (-1, 2)) / SCENES.cell)])
    unique, inverse = np.unique(cells, axis=0, return_inverse=True)
    inverse = inverse.ravel()
    if len(unique) <= 1:
        return np.zeros(len(inverse))
    from scipy.cluster.hierarchy import fcluster, linkage

    places = unique * [1.0, SCENES.cell, SCENES.cell]
    label = fcluster(linkage(places, "complete"), SCENES.zone, "distance")[inverse]
    order = {v: i for i, v in enumerate(dict.fromkeys(label.tolist()))}
    return np.array([order[v] for v in label.tolist()], dtype=np.float64)
