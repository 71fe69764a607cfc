"""What the reference frames show: the colour of white and, from a chart, the colour matrix, in each light."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.geometry import Box, box_to_pixels
from pipeline.imaging.orientation import Orientation
from pipeline.shoot.facts import Reference
from pipeline.store.packing import LARGEST, take
from pipeline.store.records import from_json
from pipeline.types import F64, Image

if TYPE_CHECKING:
    from pipeline.light.chart.fit import Chart


@dataclass(frozen=True)
class ReferenceConstants:
    """Which references are believed. Chroma in natural log, differences as the measured camera sees them
    (light.comparing.common_chroma).

    Chosen on published lamps and on drawn halls whose references stand right and wrong:
    `pytest tests/light/test_references.py`. That each one matters: `pytest tests/test_constants.py` and
    `python -m tests.mutants --only light/references.py`.
    """

    # A neutral under any lamp of a hall stays within a factor of four of daylight in both ratios, sodium apart
    # (published lamps, tests/light/test_references.py); beyond it the patch is not neutral.
    beyond_reason: float = 4.5
    saturated: float = 0.97  # of saturation, above which a pixel is clipped
    clipped: float = 0.02  # largest share of a patch
    dark: float = 0.003  # of saturation, darkest channel of a patch
    far_off: float = 0.25  # chroma from what looks white: fifteen CIELAB units, gets a notice
    other: float = 0.4  # chroma: more than any lamp leaves in doubt
    sure: float = 0.5  # share of votes, above which white by the pictures alone is sure
    large: float = 0.25  # of the commonest colour: a large surface (the histogram is a root: 1/16 of its area)
    disagrees: float = 0.08  # chroma: about five CIELAB units on a white
    like: float = 0.10  # chroma of the hall's own colours: readings in light this alike are compared
    same_light: float = 0.05  # chroma of the hall's own colours: readings this near are one light
    beyond_ends: float = 0.4  # share by which a mixture of two lights may lie outside them
    nearest: float = 1e-5  # chroma squared, that keeps the weight of a light finite
    white: float = 0.02  # chroma by which the white of a light may be off


REFERENCES = ReferenceConstants()


@dataclass(frozen=True)
class MeasuredReferences:
    """What the N references of one frame show.

    whites (N, 3) camera colour, NaN where a reference cannot be used; places (N, 2) sensor row and column, -1 to 1;
    matrices (N, 3, 3) of charts, NaN where there is none; reasons (N) why a reference cannot be used, "" where it can;
    guessed (N) it is a card that was looked for and not given, nor a chart, so that it may be something else
    """

    whites: F64
    places: F64
    matrices: F64
    reasons: tuple[str, ...]
    guessed: tuple[bool, ...] = ()

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """For the store."""
        reasons = np.frombuffer(json.dumps(self.reasons).encode(), dtype=np.uint8)
        guessed = np.array([*self.guessed, *(False,) * len(self.reasons)][: len(self.reasons)], dtype=np.uint8)
        return {
            "whites": self.whites, "places": self.places, "matrices": self.matrices, "reasons": reasons,
            "guessed": guessed,
        }  # fmt: skip

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> MeasuredReferences:
        """What `as_arrays` gave. Raises ValueError for what it cannot have given."""
        reasons = from_json(tuple[str, ...], take(arrays, "reasons", np.uint8, (None,), 0, 255).tobytes())
        count = len(reasons)
        whites = take(arrays, "whites", np.float64, (count, 3), 0, LARGEST, may_be_nan=True)
        places = take(arrays, "places", np.float64, (count, 2), -2, 2)
        matrices = take(arrays, "matrices", np.float64, (count, 3, 3), -LARGEST, LARGEST, may_be_nan=True)
        guessed = take(arrays, "guessed", np.uint8, (count,), 0, 1)
        return cls(whites, places, matrices, reasons, tuple(bool(g) for g in guessed))


class ShowsReferences(Protocol):
    """A measurement of a frame that holds what its references show."""

    @property
    def references(self) -> MeasuredReferences:
        """One entry for each reference that names the frame, in the order of shoot.yaml."""


def measure_references(
    proxy: Image, references: Sequence[Reference], daylight: F64, orientation: Orientation, rendered: bool = False
) -> MeasuredReferences:
    """Per reference of one frame its white, place, colour matrix and what is wrong.

    proxy: upright small camera-linear picture; daylight (3,) multipliers. white is NaN where it cannot be used.
    rendered: the frame is no raw file; its colours were made by a camera, and a chart then gives white only.
    """
    count = len(references)
    whites, places, matrices = np.full((count, 3), np.nan), np.zeros((count, 2)), np.full((count, 3, 3), np.nan)
    reasons, guessed = [""] * count, [False] * count
    for index, reference in enumerate(references):
        try:
            white, place, matrix, guessed[index] = _shown(proxy, reference, daylight)
        except ValueError as error:
            reasons[index] = str(error)
            continue
        whites[index] = white
        across, down = orientation.point_to_sensor(*place)
        places[index] = 2 * down - 1, 2 * across - 1
        if matrix is not None and not rendered:
            matrices[index] = matrix
    return MeasuredReferences(whites, places, matrices, tuple(reasons), tuple(guessed))


def _shown(proxy: Image, reference: Reference, daylight: F64) -> tuple[F64, tuple[float, float], F64 | None, bool]:
    """White (3,) in camera colour, where in the frame it is, the chart's matrix if asked for, and whether it is a card
    that was looked for."""
    from pipeline.light.chart.card import find_card
    from pipeline.light.chart.find import find_chart
    from pipeline.light.chart.fit import neutral_of, read_chart

    corners = np.array(reference.chart) if isinstance(reference.chart, tuple) else None
    if corners is None and "auto" in (reference.chart, reference.patch):
        corners = find_chart(proxy.pixels)
    if corners is not None:
        chart = read_chart(proxy.pixels, proxy.saturation, corners, given=isinstance(reference.chart, tuple))
        matrix = _matrix(chart, proxy.to_working) if reference.chart is not None else None
        return neutral_of(chart), (float(corners[:, 0].mean()), float(corners[:, 1].mean())), matrix, False
    if reference.chart is not None:
        raise ValueError(
            "no 24-patch chart was found (small, cut, very dark or too bright?); give its four corners, or a patch"
        )
    box = find_card(proxy.pixels, proxy.saturation, daylight) if reference.patch == "auto" else reference.patch
    if box is None or isinstance(box, str):
        raise ValueError("neither a chart nor a neutral card was found; give the corners of a patch")
    middle = ((box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2)
    return _mean(proxy, box, daylight, where(reference)), middle, None, reference.patch == "auto"


def _matrix(chart: Chart, to_working: F64) -> F64:
    from pipeline.light.chart.fit import fit_matrix

    fit = fit_matrix(chart.patches, to_working, chart.weights)
    if fit.refusal:
        raise ValueError(fit.refusal)
    return fit.matrix


def where(reference: Reference) -> str:
    """What to look at where a reference is doubted, in words: only who gave a box is asked about it."""
    if reference.chart is not None:
        return "is the chart whole, clean and in the light of the players?"
    if reference.patch == "auto":
        return "the card was looked for, not given; if it is something else, give the corners of a patch"
    return "is the box on the card?"


def _mean(proxy: Image, box: Box, daylight: F64, hint: str) -> F64:
    """Mean R, G, B of a patch. Raises ValueError where it cannot be a neutral in the light of a lamp."""
    x0, y0, x1, y1 = box_to_pixels(box, *proxy.pixels.shape[:2])
    inside = proxy.pixels[y0:y1, x0:x1].reshape(-1, 3)
    clipped = float((inside > REFERENCES.saturated * proxy.saturation).any(axis=1).mean())
    mean: F64 = inside.mean(axis=0, dtype=np.float64)
    if clipped > REFERENCES.clipped:
        raise ValueError(
            f"{100 * clipped:.0f} % of the patch is clipped; use a darker neutral, or a frame exposed less"
        )
    if mean.min() < REFERENCES.dark:
        raise ValueError(f"the patch is too dark to trust; {hint}")
    if np.abs(np.log(mean[1] / mean / daylight)).max() > np.log(REFERENCES.beyond_reason):
        raise ValueError(f"the patch is coloured beyond any lamp; {hint}")
    return mean


@dataclass(frozen=True)
class Reading:
    """A usable reference: chromaticity (2,) of its scene at the patch, white (2,) there, matrix (3, 3) or None.

    hint  what to look at where it is doubted; surely  it is a chart, known by its 24 colours; guessed  a card that was
    looked for: it does not outvote pictures and camera that agree on quite another white; scale (2, 2) from its
    camera's chroma to that of the measured one
    """

    frame: str
    chromaticity: F64
    white: F64
    matrix: F64 | None
    hint: str = "is the box on the card?"
    surely: bool = False
    guessed: bool = False
    scale: F64 = field(default_factory=lambda: np.eye(2))

    def size(self, step: F64) -> float:
        """Of a step (2,) of its camera's chroma, as the measured camera sees it."""
        return float(np.linalg.norm(self.scale @ step))


@dataclass(frozen=True)
class UsableReference:
    """What one usable reference shows: white (3,) camera colour, where on the sensor (row, column from -1 to 1)."""

    reference: Reference
    white: F64
    place: tuple[float, float]
    matrix: F64 | None
    guessed: bool = False


def readings(
    references: Sequence[Reference], measured: Mapping[str, ShowsReferences], notices: list[str]
) -> list[UsableReference]:
    """What the usable references show; the others are named in `notices`."""
    found = []
    so_far: dict[str, int] = {}
    for reference in references:
        name = reference.frame
        if name not in measured:
            notices.append(f"reference {name}: the frame could not be read; it is left out")
            continue
        index, shows = so_far.get(name, 0), measured[name].references
        so_far[name] = index + 1
        reason = shows.reasons[index]
        if reason:
            notices.append(f"reference {name}: {reason}; it is left out")
            continue
        white, matrix = shows.whites[index], shows.matrices[index]
        row, column = (float(v) for v in shows.places[index])
        own = matrix if np.isfinite(matrix).all() else None
        guessed = index < len(shows.guessed) and shows.guessed[index]
        found.append(UsableReference(reference, white, (row, column), own, guessed))
    return found


def plausible(found: Sequence[Reading], guess: F64, sure: F64, common: F64, notices: list[str]) -> list[int]:
    """Indices of the references that are not boxes on the hall itself.

    guess (N, 2) and sure (N,): white by the pictures alone; common (N,): how much of the frame has the patch's
    colour, 0 to 1 of the commonest. A patch with the colour of a large surface while white is surely quite another
    is no card; one that is merely far off is used, and gets a notice.
    """
    kept = []
    for index, (one, white, certainty, share) in enumerate(zip(found, guess, sure, common, strict=True)):
        off = one.size(one.white - white) if certainty > REFERENCES.sure else 0.0
        if off > REFERENCES.other and share > REFERENCES.large and not one.surely:
            notices.append(
                f"reference {one.frame}: its patch has the colour of a large surface, such as the floor, and is far "
                f"from what looks white in the pictures; it is left out ({one.hint})"
            )
            continue
        if off > REFERENCES.far_off and one.guessed:
            notices.append(
                f"reference {one.frame}: what looks like a card is far from what pictures and camera take for white; "
                f"it is left out ({one.hint})"
            )
            continue
        if off > REFERENCES.far_off:
            notices.append(
                f"reference {one.frame}: its patch is far from what looks white in the pictures; it is used all the "
                f"same: look at the whites ({one.hint})"
            )
        kept.append(index)
    return kept


def agreeing(found: Sequence[Reading], guess: F64, notices: list[str]) -> list[Reading]:
    """Without those that disagree with the others; each of those gets a notice.

    White against the hall's own colours changes slowly from one light to the other, so each reading is held against
    the weighted median of those in like light. Of two that disagree the one further from `guess` (N, 2), the
    white that the pictures themselves suggest, goes.
    """
    kept = list(range(len(found)))
    offset = np.array([r.white - r.chromaticity for r in found])
    while len(kept) > 1:
        worst, size = -1, REFERENCES.disagrees
        for i in kept:
            one = found[i]
            like = [j for j in kept if one.size(found[j].chromaticity - one.chromaticity) < REFERENCES.like]
            if len(like) < 2:
                continue
            if len(like) == 2:
                gap = one.size(offset[like[0]] - offset[like[1]])
                own = [one.size(found[j].white - guess[j]) for j in like]
                distance = gap if i == like[int(np.argmax(own))] else 0.0
            else:
                distance = one.size(offset[i] - np.median(offset[like], axis=0))
            if distance > size:
                worst, size = i, distance
        if worst < 0:
            break
        kept.remove(worst)
        notices.append(
            f"reference {found[worst].frame}: its patch disagrees with the other references in the same light; "
            f"it is left out ({found[worst].hint})"
        )
    return [found[i] for i in kept]


@dataclass(frozen=True)
class WhiteMap:
    """From the scene chromaticity of a light to its white: readings pooled into lights, and mixtures of them in
    between."""

    chromaticities: F64  # (L, 2), one row a light
    whites: F64  # (L, 2)
    matrices: tuple[F64 | None, ...]
    names: tuple[str, ...]

    @staticmethod
    def of(found: Sequence[Reading]) -> WhiteMap:
        """Pool readings whose chromaticities lie within a few CIELAB units, by the median of their offsets."""
        lights: list[list[Reading]] = []
        for one in found:
            near = [
                some for some in lights if one.size(some[0].chromaticity - one.chromaticity) < REFERENCES.same_light
            ]
            (near[0] if near else lights.append([]) or lights[-1]).append(one)  # type: ignore[func-returns-value]
        chromaticities, whites, matrices, names = [], [], [], []
        for some in lights:
            chromaticity = np.mean([r.chromaticity for r in some], axis=0)
            chromaticities.append(chromaticity)
            whites.append(chromaticity + np.median([r.white - r.chromaticity for r in some], axis=0))
            own = [r.matrix for r in some if r.matrix is not None]
            matrices.append(np.mean(own, axis=0) if own else None)
            names.append(" and ".join(dict.fromkeys(r.frame for r in some)))
        return WhiteMap(np.array(chromaticities), np.array(whites), tuple(matrices), tuple(names))

    def shares(self, chromaticity: F64) -> F64:
        """(L,) how much of each light makes the light at `chromaticity` (2,); they sum to 1.

        Two lights: light adds up in R/G and B/G, not in their logarithms, so the share is found there; it may
        lie a little outside 0 to 1, since a reference seldom stands under one lamp alone. More: by nearness.
        """
        if len(self.chromaticities) == 1:
            return np.ones(1)
        if len(self.chromaticities) == 2:
            one, other = np.exp(self.chromaticities)
            grid = np.linspace(-REFERENCES.beyond_ends, 1 + REFERENCES.beyond_ends, 361)
            mixed = np.log(np.maximum(one + grid[:, None] * (other - one), 1e-3))
            s = float(grid[int(np.argmin(((mixed - chromaticity) ** 2).sum(axis=1)))])
            return np.array([1 - s, s])
        near = 1 / (((self.chromaticities - chromaticity) ** 2).sum(axis=1) + REFERENCES.nearest)
        return np.asarray(near / near.sum())

    def white(self, chromaticity: F64) -> F64:
        """(2,) chroma of white in the light at `chromaticity`: the mixture, and what the mixture does not explain
        is kept."""
        share = self.shares(chromaticity)
        if len(self.chromaticities) > 2:
            return np.asarray(chromaticity + share @ (self.whites - self.chromaticities))
        place = np.log(np.maximum(share @ np.exp(self.chromaticities), 1e-3))
        return np.asarray(np.log(np.maximum(share @ np.exp(self.whites), 1e-3)) + chromaticity - place)

    def matrix(self, chromaticity: F64, foretold: Callable[[F64], F64], turned: bool = False) -> F64 | None:
        """(3, 3) in the light at `chromaticity`: what `foretold` says of white (2,) there, and as much of what charts
        say beyond that as their lamps are like this light (likeness); None where no light has a chart.

        A light without a chart takes that of the likest; turned: not so, as its surfaces look alike already.
        """
        charts = [i for i, matrix in enumerate(self.matrices) if matrix is not None]
        if not charts:
            return None
        beyond = [np.zeros((3, 3)) if m is None else m - foretold(self.whites[i]) for i, m in enumerate(self.matrices)]
        for i in set(range(len(beyond))) - set(charts) if not turned else ():
            like = [likeness(self.whites[i], self.whites[j]) for j in charts]
            beyond[i] = max(like) * beyond[charts[int(np.argmax(like))]]
        share = np.clip(self.shares(chromaticity), 0, 1)
        share = share / share.sum()
        here, mixture = self.white(chromaticity), np.log(share @ np.exp(self.whites))
        say = likeness(here, mixture)
        return np.asarray(foretold(here) + say * np.tensordot(share, np.array(beyond), axes=1))


def likeness(white: F64, chart: F64) -> float:
    """How much of what a chart says of its light holds in another, 0 to 1, by white (2,) in both against daylight.

    The camera's own matrix holds in daylight, and lamps lead away from it, the further the more: towards daylight
    little of a chart is left, and to the side of it nothing. All of it, wherever it was not photographed, made 22 % of
    pairs of published lamps worse than no chart, by up to 11 CIEDE2000: `pytest tests/light/test_charts_elsewhere.py`.
    """
    floor = REFERENCES.white**2
    one, other = float(white @ white) + floor, float(chart @ chart) + floor
    along = max(float(white @ chart) + floor, 0.0)
    return along**2 / (other * max(one, other))
