"""Where white is when no reference shows it: candidates from one scene, and what many scenes agree on.

White shirts, lines, nets and paper are the brightest surfaces of a hall that are lit like the rest, and lamps lie in a
band about the daylight locus. So a candidate is a colour that stands out by its brightness and is a plausible lamp
(after Joze, Drew, Finlayson and Rey, "The role of bright pixels in illumination estimation", CIC 20, 2012). Area
hardly counts: that is what makes gray-world take a wood floor for the light.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from pipeline.imaging.robust import reweighted
from pipeline.light.palette import LOW, STEP, ChromaSamples, counts
from pipeline.types import F64


@dataclass(frozen=True)
class NeutralConstants:
    """What decides which colour is taken for white. Chroma and distances in natural log of R/G and B/G, as the measured
    camera sees them (light.comparing.common_chroma).

    No published values exist. Chosen by trial on scenes of measured surfaces under published lamps for two measured
    cameras: `pytest tests/light/test_neutral.py`. That each one matters: `pytest tests/test_constants.py`.
    """

    bright: float = 10.0  # power of the mean that stands for a colour's brightness: close to its brightest part
    stands_out: float = 3.5  # power by which brightness counts
    area: float = 0.3  # power by which area counts
    least: float = 25.0  # pixels' worth of weight that make a colour
    smoothed_bins: float = 12.0  # over which a colour of one bin is spread by the smoothing: 4 pi sigma^2, sigma 1 bin
    smoothing: float = 1.0  # bins, standard deviation
    most_luminance: float = 4.0  # of the brightest tenth; what is brighter is a lamp or a reflection of one
    candidates: int = 6  # of one scene
    least_score: float = 0.05  # of the best candidate's
    across: float = 0.25  # chroma, standard deviation of lamps across their band
    settle_window: float = 0.3  # chroma from the histogram's peak
    settle_reach: tuple[float, ...] = (0.06, 0.05, 0.04, 0.04)  # chroma, of each step of the mean shift
    same_light: float = 0.02  # chroma: scenes nearer than this share an answer; half a bin of the histogram
    near: float = 0.15  # chroma, standard deviation: scenes in light this alike vote together
    far_say: float = 0.02  # weight of a scene in quite another light
    most_points: int = 600  # heaviest candidates that are looked at, so that the cost stays bounded
    density_reach: float = 0.06  # chroma, standard deviation of the kernel that finds the densest place
    mean_reach: float = 0.05  # chroma, of the mean shift from there
    mean_steps: int = 8
    counted_near: float = 0.12  # chroma about the answer within which a vote counts for it


NEUTRAL = NeutralConstants()
_MEASURED = np.eye(2)  # the scale of the measured camera


@dataclass(frozen=True)
class CameraPriorConstants:
    """How far the camera's own balance, and what the pictures suggest, are believed. Chroma as the measured camera sees
    it, standard deviations of one ratio; "lost": share of cases in which the answer has little to do with the light.

    What the pictures suggest was measured: the first candidate of 261 finished photographs of all kinds
    (../shared/data: photos, people, court), taken one by one and their own white taken for true, lies as a mixture of
    two normal distributions (0.083 and 0.32, 37 % in the second) about it. No published value was found for cameras:
    chosen to suit the eight chart pictures of four cameras each that write a balance or a finished picture (median
    distance 0.15, two of eight beyond 0.3). `python -m tests.real_white`. The three of finished pictures were chosen so
    that a picture without a cast hardly moves, and that so many per cent "sure" are right: `python -m tests.casts`.
    """

    camera: float = 0.10
    finished_good: float = 0.03  # of most finished pictures, and of all of them towards blue
    finished_poor: float = 0.15  # of the others, which kept a part of their lamp, in addition
    finished_poorly: float = 0.3  # share of the others
    camera_lost: float = 0.1
    # The same where a hall was exposed for and the balance is daylight's: cameras are left on it (common practice, no
    # source), so that chance is no measure of it. Three scenes that agree then outvote it, where it took four; one does
    # not, whatever lamp it shows.
    left_lost: float = 0.25
    left: float = 0.15  # chroma from D65 up to which a balance is daylight's: presets are for 5,200 to 6,500 K
    pictures: float = 0.083  # of one scene
    pictures_lost: float = 0.37  # of one scene
    finished_lost: float = 0.5  # of a finished one, in how sure it is said to be: right where half of them have a cast
    another: float = 2.0  # by which each further scene that agrees improves the odds: many show the same things
    most: float = 20.0  # further scenes that count
    far: float = 0.32  # how far off the pictures are then
    far_anywhere: float = 0.5  # share of those that may be any colour: so much that two scenes never outvote a camera
    least: float = 0.02  # of any number of scenes: white things are not quite white
    finished_least: float = 0.05  # of finished ones towards blue: their brightest white is burnt, and shirts and
    # screens are bluer; by eye on the court frames of ../shared/data, whose lines turned cream
    lamps: float = 0.5  # density of lamps where the camera is lost: one over the area of their bands
    steps: int = 201  # of the way from the camera's balance to the pictures' answer


CAMERA_PRIOR = CameraPriorConstants()
# Where published lamps lie in (u, v) about daylight for a measured camera (tests/light/test_neutral.py): from daylight
# by warm white (0.6, -0.7) to high-pressure sodium (1.15, -1.4), and off that line to clear mercury.
_BANDS = (
    np.array([[-0.1, 0.1], [0.0, 0.0], [0.3, -0.35], [0.6, -0.7], [0.75, -1.0], [1.15, -1.4]]),
    np.array([[0.15, -0.3], [-0.55, -0.45]]),
)


@dataclass(frozen=True)
class Candidate:
    """A colour that may be white: chroma (2,) relative to daylight, and a score without unit, larger is likelier."""

    chroma: F64
    score: float


def plausible(chroma: F64) -> F64:
    """(N,) how plausible it is, 0 to 1, that a hall lamp looks like `chroma` (N, 2)."""
    return np.exp(-0.5 * (_to_lamps(chroma)[1] / NEUTRAL.across) ** 2)


def _to_lamps(chroma: F64) -> tuple[F64, F64]:
    """The places of the lamps' bands (N, 2) that are nearest to `chroma` (N, 2), and how far they are (N,)."""
    nearest, best = np.zeros_like(chroma), np.full(len(chroma), np.inf)
    for band in _BANDS:
        for one, other in pairwise(band):
            along = other - one
            t = np.clip((chroma - one) @ along / (along @ along), 0, 1)
            there = one + t[:, None] * along
            distance = np.linalg.norm(chroma - there, axis=1)
            closer = distance < best
            nearest[closer], best[closer] = there[closer], distance[closer]
    return nearest, best


def candidates(of: ChromaSamples, scale: F64 = _MEASURED) -> list[Candidate]:
    """The likeliest whites of one scene, the best first; empty when too little can be used.

    scale  (2, 2) from its camera's chroma to that of the measured one (light.comparing.common_chroma)
    """
    from scipy.ndimage import gaussian_filter, maximum_filter

    of = replace(of, chroma=of.chroma @ scale.T)
    back = np.linalg.inv(scale)
    weight = of.weight
    area = gaussian_filter(counts(of.chroma, weight), NEUTRAL.smoothing)
    bright = np.minimum(of.luminance, NEUTRAL.most_luminance) ** NEUTRAL.bright
    power = gaussian_filter(counts(of.chroma, weight * bright), NEUTRAL.smoothing)
    total = float(area.sum())
    if total < NEUTRAL.least:
        return []
    known = area * NEUTRAL.smoothed_bins > NEUTRAL.least
    brightness = np.where(known, (power / np.maximum(area, 1e-9)) ** (1 / NEUTRAL.bright), 0.0)
    u, v = (LOW[k] + STEP * (np.arange(area.shape[k]) + 0.5) for k in (0, 1))
    grid = np.stack(np.meshgrid(u, v, indexing="ij"), axis=-1).reshape(-1, 2)
    score = brightness**NEUTRAL.stands_out * (area / total) ** NEUTRAL.area * plausible(grid).reshape(area.shape)
    peaks = np.argwhere((score == maximum_filter(score, 3)) & (score > NEUTRAL.least_score * score.max()))
    order = sorted(peaks.tolist(), key=lambda p: -score[tuple(p)])[: NEUTRAL.candidates]
    places = [_settled(of, grid.reshape(*area.shape, 2)[tuple(p)]) for p in order]
    return [Candidate(back @ at, float(score[tuple(p)])) for at, p in zip(places, order, strict=True)]


def _settled(of: ChromaSamples, start: F64) -> F64:
    """The middle of the bright pixels about `start`, by mean shift (Fukunaga and Hostetler 1975)."""
    near = (np.abs(of.chroma - start) < NEUTRAL.settle_window).all(axis=1)
    points = of.chroma[near]
    weight = of.weight[near] * np.minimum(of.luminance[near], NEUTRAL.most_luminance) ** NEUTRAL.bright
    for reach in NEUTRAL.settle_reach:
        w = weight * np.exp(-0.5 * ((points - start) ** 2).sum(axis=1) / reach**2)
        if w.sum() <= 0:
            break
        start = (w[:, None] * points).sum(axis=0) / w.sum()
    return np.asarray(start)


@dataclass(frozen=True)
class Vote:
    """White of a scene: chroma (2,), and how probable it is, 0 to 1, that the pictures' answer is right; 0: they give
    none. of_camera: it is the camera's balance alone; cast: part of a strong cast is taken off, unsure as the pictures'
    answer is (light.cast)."""

    white: F64
    sure: float
    of_camera: bool = False
    cast: bool = False


@dataclass(frozen=True)
class _CameraPrior:
    """Where the camera's balance puts white, centre (2,) as an offset from the hall's own colours, and its standard
    deviation; place (2,): those colours. centre None: no camera said anything, and any lamp is as likely.
    follows: 0 to 1, whether the balance follows the light, 0 where it stayed while the light changed.
    finished: the balance is that of finished pictures. lost: share of cases in which it has little to do with the light
    """

    place: F64
    centre: F64 | None
    spread: float
    follows: float = 1.0
    finished: bool = False
    lost: float = CAMERA_PRIOR.camera_lost

    @staticmethod
    def of(place: F64, weight: F64, offsets: F64, finished: bool, left: F64) -> _CameraPrior:
        """From the balances of scenes, offsets (N, 2) with NaN where there is none, by weight (N,); left (N,) 0 to 1,
        whether they may just have been left on daylight.

        Were the balances right they would all lie at about one offset, so what they differ by adds to their spread:
        a balance that stays while the light changes is no witness.
        """
        known = np.isfinite(offsets).all(axis=1)
        if not known.any():
            return _CameraPrior(place, None, 0.0)
        share = weight[known] / weight[known].sum()
        centre = share @ offsets[known]
        scatter = float(offsets[known].var(axis=0).mean())
        sure = scatter * max(0.0, 1 - 2 / int(known.sum()))  # two scenes may differ by chance
        follows = CAMERA_PRIOR.camera**2 / (CAMERA_PRIOR.camera**2 + sure)
        spread = float(np.sqrt(CAMERA_PRIOR.camera**2 + scatter))
        lost = CAMERA_PRIOR.camera_lost + float(share @ left[known]) * (
            CAMERA_PRIOR.left_lost - CAMERA_PRIOR.camera_lost
        )
        return _CameraPrior(place, centre, spread, follows, finished, lost)

    def kinds(self, gap: F64) -> list[tuple[float, float]]:
        """The kinds of balance that follow the light: the share of each, and its standard deviation in the direction of
        `gap` (2,). Most finished pictures were balanced well, by a camera that saw more than one colour or by a person,
        so little moves them; some kept a part of a lamp, which a wide gap or many pictures tell. Sky, haze and shade
        are blue by nature and bright, and lamps that were left are warm: so what is bluer than white says little."""
        if not self.finished:
            return [(1.0, self.spread)]
        prior = CAMERA_PRIOR
        scatter = max(self.spread**2 - prior.camera**2, 0.0)
        good = float(np.sqrt(prior.finished_good**2 + scatter))
        poor = float(np.hypot(good, prior.finished_poor * (1 - _to_blue(gap))))
        return [(1 - prior.finished_poorly, good), (prior.finished_poorly, poor)]

    def density(self, offsets: F64, blur: float = 0.0) -> F64:
        """(N,) of offsets (N, 2); blur: standard deviation of what is asked about."""
        anywhere = CAMERA_PRIOR.lamps * plausible(offsets + self.place)
        if self.centre is None:
            return anywhere
        near = (1 - self.lost) * _normal(offsets - self.centre, np.hypot(self.spread, blur))
        return np.asarray(near + self.lost * anywhere)

    def weighed(self, found: F64, scenes: float, scatter: float) -> tuple[F64, float]:
        """White (2,) by the pictures and the camera together, and how probable it is that the pictures are right.

        found (2,): offset that the pictures suggest; scenes: how many agree on it, and by how much they scatter. Bayes'
        rule for two witnesses who are each right, within their spread, or lost. White is the median of that on the way
        between them, which errs least on average: a small chance that the camera is lost moves it little, a large one
        all the way.
        """
        from scipy.special import ndtr

        prior = CAMERA_PRIOR
        more = max(scenes, 1.0) - 1

        def lost(alone: float) -> float:
            return float(1 / (1 + (1 / alone - 1) * min(scenes, 1.0) * prior.another ** min(more, prior.most)))

        one = (prior.pictures**2 + more * scatter**2) / (1 + more)  # of one scene, as if one had been seen before
        gap = np.zeros(2) if self.centre is None else found - self.centre
        least = prior.least + self.finished * _to_blue(gap) * (prior.finished_least - prior.least)
        spread = max(float(np.sqrt(one / (1 + more))), least)
        if self.centre is None:  # any lamp: what no lamp looks like is drawn to the nearest one
            nearest = _to_lamps((found + self.place)[None])[0][0] - self.place
            pull = spread**2 / (spread**2 + NEUTRAL.across**2)
            return found + pull * (nearest - found), 1 - lost(prior.pictures_lost)
        far, here = float(np.hypot(*gap)), float(plausible((found + self.place)[None])[0])
        weight, middle, width, true = self._cases(gap, spread, here, lost(prior.pictures_lost))
        way = np.linspace(0, 1, prior.steps)
        below = ndtr((way[:, None] - middle) * far / width) @ weight
        at = float(way[min(int(np.searchsorted(below, weight.sum() / 2)), prior.steps - 1)]) if far > 0 else 0.0
        if self.finished:
            weight = self._cases(gap, spread, here, lost(prior.finished_lost))[0]
        return self.centre + at * gap, float(weight @ true / weight.sum())

    def _cases(self, gap: F64, spread: float, here: float, lost: float) -> F64:
        """(4, N) what may be so of the camera's balance and a white that lies by `gap` (2,) off it: its probability, at
        which share of the way to it white is then, the standard deviation of that, chroma, and whether it is right.

        spread  standard deviation of the pictures' white; here  how plausible a lamp it is; lost  0 to 1
        """
        prior = CAMERA_PRIOR
        known = (1 - self.lost) * self.follows
        anywhere = (1 - known) * prior.lamps
        cases = [(anywhere * (1 - lost) * here, 1.0, spread, True)]
        near = lost * (1 - prior.far_anywhere)
        for kind, camera in self.kinds(gap):
            for share, own, right in ((1 - lost, spread, True), (near, prior.far, False)):
                total = camera**2 + own**2
                both = known * kind * share * float(_normal(gap, np.sqrt(total)))
                cases.append((both, camera**2 / total, camera * own / np.sqrt(total), right))
            neither = known * (lost - near) * prior.lamps + anywhere * lost / 2
            cases.append((kind * neither, 0.0, camera, False))
        return np.array(cases, dtype=np.float64).T


def _to_blue(gap: F64) -> float:
    """How much of a change of chroma (2,) is towards blue: 1, straight to it; 0, not at all."""
    return max(0.0, float(gap[1] - gap[0])) / max(float(np.sqrt(2) * np.hypot(*gap)), 1e-12)


def _normal(gap: F64, spread: float) -> F64:
    """Density of a round normal distribution in two dimensions at gaps (..., 2) from its middle."""
    return np.asarray(np.exp(-0.5 * (gap**2).sum(axis=-1) / spread**2) / (2 * np.pi * spread**2))


def agree_on_white(
    chromaticities: F64,
    found: Sequence[Sequence[Candidate]],
    cameras: F64 | None = None,
    finished: bool = False,
    scale: F64 = _MEASURED,
    halls: Sequence[bool] = (),
) -> list[Vote]:
    """White of each scene from its own candidates, those of scenes in similar light, and the cameras' balances.

    chromaticities (N, 2): where the hall's own colours (its floor, its walls) lie in each scene; the offset of white
    from them changes only slowly from one lamp to the other. So candidates are compared by that offset, weighted by
    how alike the light of their scenes is, and the densest offset wins; the fewer scenes there are, the more the
    camera's balance has a say in which, and in how far it is followed. found: the candidates of each scene; cameras
    (N, 2): white as the camera balanced each scene, NaN where it did not; finished: it is in the pictures already;
    scale: (2, 2) from the chroma of the camera of all scenes to that of the measured one (comparing.common_chroma);
    halls: of each, whether it was exposed for a lit hall. Empty: none was.
    """
    if cameras is None:
        cameras = np.full(np.shape(chromaticities), np.nan)
    back = np.linalg.inv(scale)
    chromaticities, cameras = (np.reshape(of, (-1, 2)) @ scale.T for of in (chromaticities, cameras))
    at_daylight = np.hypot(*np.nan_to_num(cameras, nan=np.inf).T) < CAMERA_PRIOR.left
    left = (at_daylight & np.array(halls or [False] * len(cameras), dtype=bool)).astype(np.float64)
    owner = np.array([i for i, some in enumerate(found) for _ in some], dtype=int)
    colours = [c.chroma for some in found for c in some]
    offset = np.reshape(colours, (-1, 2)) @ scale.T - chromaticities[owner]
    share = np.array([c.score / sum(o.score for o in some) for some in found for c in some])
    shows = np.array([len(some) > 0 for some in found], dtype=bool)
    votes = []
    cells: dict[tuple[int, int], Vote] = {}
    for chromaticity in chromaticities:
        cell = (round(chromaticity[0] / NEUTRAL.same_light), round(chromaticity[1] / NEUTRAL.same_light))
        if cell not in cells:
            distance = np.linalg.norm(chromaticities - chromaticity, axis=1)
            alike = np.exp(-0.5 * (distance / NEUTRAL.near) ** 2) + NEUTRAL.far_say
            prior = _CameraPrior.of(chromaticity, alike, cameras - chromaticities, finished, left)
            if len(owner):
                scenes = float(alike[shows].sum())
                guided = prior.density(offset) ** (1 / max(scenes, 1.0))
                best = _densest(offset, share * alike[owner], guided)
                cells[cell] = Vote(*prior.weighed(best.place, scenes * best.near, best.scatter))
            elif prior.centre is not None:
                cells[cell] = Vote(prior.centre, 0.0, of_camera=True)
            else:
                cells[cell] = Vote(-chromaticity, 0.0)
        vote = cells[cell]
        votes.append(replace(vote, white=back @ (chromaticity + vote.white)))
    return votes


@dataclass(frozen=True)
class Densest:
    """place (2,) among weighted points; near: share of the weight about it; scatter: standard deviation of that."""

    place: F64
    near: float
    scatter: float


def _densest(points: F64, weight: F64, guide: F64) -> Densest:
    """The densest place among weighted points (N, 2); guide (N,): further weights, for the choice alone."""
    keep = np.argsort(-weight * guide)[: NEUTRAL.most_points]
    points, weight, guided = points[keep], weight[keep], (weight * guide)[keep]
    gap = ((points[:, None] - points[None]) ** 2).sum(axis=-1)
    density = np.exp(-0.5 * gap / NEUTRAL.density_reach**2) @ guided
    best, _ = reweighted(
        lambda w: np.asarray((w[:, None] * points).sum(axis=0) / w.sum()),
        lambda best, _: np.asarray(guided * np.exp(-0.5 * ((points - best) ** 2).sum(axis=1) / NEUTRAL.mean_reach**2)),
        points[int(np.argmax(density))],
        range(NEUTRAL.mean_steps),
    )
    gap = np.linalg.norm(points - best, axis=1)
    near = gap < NEUTRAL.counted_near
    scatter = np.sqrt((weight[near] @ gap[near] ** 2) / max(2 * float(weight[near].sum()), 1e-12))
    return Densest(np.asarray(best), float(weight[near].sum() / weight.sum()), float(scatter))
