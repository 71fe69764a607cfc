"""What the flicker of the lamps did to each frame of a burst: a gain map for each frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from pipeline.imaging.kronecker import gram, side
from pipeline.imaging.robust import around, biweight, cauchy, reweighted, ridge, unsureness
from pipeline.light.gain_map import GainMap
from pipeline.light.highlights import usable
from pipeline.light.lamp_perspective import USUAL, perspective_of
from pipeline.light.mixing.at_feet import on_people
from pipeline.light.mixing.standing import Standing
from pipeline.light.registration import Motion, farthest, motions, over_the_burst, warp
from pipeline.light.row_wave import ACROSS, DEGREE, TO_CHANNELS, TO_PARTS, Terms, find_cycles, terms
from pipeline.light.shared_lamp import SHARED_LAMP, Perspective, SharedLamp, fitted, places
from pipeline.light.static_bands import STATIC, pan_along, static_bands
from pipeline.types import F32, F64, Image


@dataclass(frozen=True)
class FlickerConstants:
    """How the gain map of each frame is fitted. Pixels are those of the small pictures.

    No published values exist. Chosen by trial on bursts drawn from closed forms: `pytest tests/light/test_flicker.py
    tests/light/test_even_light.py`. That each one matters: `pytest tests/test_constants.py`.
    """

    most: int = 24  # frames that make the typical picture: a longer burst says no more and takes memory
    tile: int = 4  # pixels
    floor: float = 0.002  # of saturation: below it a pixel shows nothing of the light
    model: float = 0.012  # stops by which true tiles miss the polynomial
    jitter: float = 0.15  # pixels by which registration may be off: tiles across an edge say less
    steep: float = 4.0  # stops a pixel, squared: an edge counts no steeper
    noise: float = 1.5  # by which the variance of a ratio exceeds that of the frame: the scene has noise too
    covered: float = 0.5  # least share of a tile that frame and scene both show
    together: float = 12.0  # tiles whose errors are one: neighbours show the same player, the same bad registration
    block: int = 8  # tiles to a side of the blocks that are left out in turn
    blocks_together: float = 4.0  # blocks whose errors are one: a player and a shadow lie in several
    biweight: float = 3.0  # scales, beyond which a tile has no say
    below: float = 0.6  # of that for what is darker than the lamp says: what passes casts shadows
    above: float = 1.2  # and for what is brighter
    wide: float = 1.5  # times wider in the first two steps
    median_to_scale: float = 1.3  # of the median distance
    beside: float = 1.0  # tiles, standard deviation of the neighbourhood that shares an error's variance
    most_miss: float = 3.0  # deviations, beyond which a tile says no more of that
    fit_steps: int = 5
    rounds: int = 4  # of scene, fit and what is learned from the burst
    few: float = 3.0  # frames' worth of trust in the prior against what the burst shows
    decided: float = 0.3  # least frames' worth of a coefficient that the burst is taken to decide
    start_error: float = 0.03  # stops, of a row profile
    start_outlier: float = 0.05  # stops, by which a row is off that counts half (Cauchy)


FLICKER = FlickerConstants()
_ROWS = 24  # of a frame, at which waves are compared: as in static_bands
# Tiles at which a lamp is read for a gain map: of fewer rows a polynomial of DEGREE swings between and beyond them
# (some twice the root of their number at most: Rakhmanov, Annals of Mathematics 165, 2007, 55-88; from memory).
_FINE = (96, 12)
_Mask = np.ndarray[tuple[int, int], np.dtype[np.bool_]]


@dataclass(frozen=True)
class View:
    """One frame of a burst, rows along the sensor.

    pixels (H, W, 3) linear; good (H, W) which of them may be used; motion against the burst's middle frame;
    a, b (3,) noise: variance a * x + b; down 1 where the last row is the lowest of the upright picture, -1 where the
    first is, 0 where rows stand upright; people where they stand in this frame, along the sensor, None: not known
    """

    pixels: F32
    good: _Mask
    motion: Motion
    a: F64
    b: F64
    down: int = 1
    people: Standing | None = None


def views(images: Sequence[Image], down: int = 1) -> list[View]:
    """Small pictures of a burst's frames, camera-linear, rows along the sensor, registered to the middle one."""
    masks = [usable(i.pixels, i.saturation, FLICKER.floor) for i in images]
    logs = [
        np.where(good[..., None], np.log2(np.maximum(i.pixels, 1e-5)), np.nan).astype(np.float32)
        for i, good in zip(images, masks, strict=True)
    ]
    found = motions(logs, len(images) // 2)
    return [
        View(i.pixels, good, motion, i.noise.a, i.noise.b, down)
        for i, good, motion in zip(images, masks, found, strict=True)
    ]


@dataclass(frozen=True)
class Agreed:
    """A burst that was evened.

    maps: to ADD to each frame, in stops; lamp: that of the burst, at `perspective`, where one is believed; shared: what
    it is thought to do in all frames alike and the maps do not hold, (DEGREE + 1, ACROSS + 1, 3) by part
    """

    maps: list[GainMap]
    lamp: SharedLamp | None = None
    perspective: Perspective = USUAL
    shared: F64 = field(default_factory=lambda: np.zeros((DEGREE + 1, ACROSS + 1, 3)))

    @staticmethod
    def nothing(count: int) -> Agreed:
        """Of so many frames of which nothing is known."""
        return Agreed([GainMap.constant(np.zeros(3))] * count)


def agree(views: Sequence[View]) -> list[GainMap]:
    """The gain maps of `agreed`."""
    return agreed(views).maps


def agreed(views: Sequence[View]) -> Agreed:
    """Gain maps that make the burst look lit by its own typical light.

    views: the frames, from `views`; one gain map for each, all zero where fewer than two frames can be used.

    The scene is the median over the registered, corrected frames; each frame's gain map is fitted to the log
    ratios of small tiles against it by iteratively reweighted least squares with Tukey's biweight (Beaton
    and Tukey, Technometrics 16, 1974), so that tiles which a player, a flash or a changing board differs in
    lose their say; those beside, and their place in other frames, lose a part of it (`around`). How far each
    coefficient may go from what one lamp for all frames explains (shared_lamp.py) is learned from the burst itself
    (empirical Bayes, Efron and Morris 1973), against how unsure it is (`unsureness`): lamps that flicker keep their
    wave, and steady ones keep nothing, nor does a corner where a player's shadow passes.
    Bands that stand still are that lamp's own, where believed (static_bands.py); on people it is that at their feet.
    """
    count = len(views)
    if count < 2:
        return Agreed.nothing(count)
    height, width = views[0].pixels.shape[:2]
    tiles = (max(2, height // FLICKER.tile), max(2, width // FLICKER.tile))
    scene, known = typical_scene(views, [GainMap.constant(np.zeros(3))] * count)
    profiles = np.stack([_profile(ratios(one, scene, known, tiles)[0].reshape(*tiles, 3)) for one in views])
    model = terms(find_cycles(profiles[..., 0]))
    design, prior = model.design(*tiles), model.prior.copy()
    usable_frames = [i for i, p in enumerate(profiles) if np.isfinite(p[:, 0]).sum() >= 4]  # not black, not blown
    if len(usable_frames) < 2:
        return Agreed.nothing(count)
    parts = np.stack([_start(model, p, prior) for p in profiles])
    expected = np.zeros((count, DEGREE + 1, ACROSS + 1, 3))  # of each frame: what one lamp for all of them explains
    lamp, absolute = None, False
    moved = farthest([one.motion for one in views], height, width) * tiles[1] / width  # tiles
    weigh = partial(_weigh, still=min(1.0, max(0.0, 2 - moved)))
    down, motion = views[0].down, [views[i].motion if moved > 1 else Motion() for i in usable_frames]
    at = partial(places, motions=motion, size=(height, width), down=down)
    perspective = USUAL if down else Perspective()
    place, looked = at(tiles, perspective), False
    block, error = _blocks(tiles), np.ones_like(prior)  # of coefficients, by what the tiles' weights say
    disturbed = [np.ones((1, 1))] * count
    for step in range(FLICKER.rounds):
        whole = [one + model.legendre(c) for one, c in zip(expected, parts, strict=True)]
        scene, known = typical_scene(views, [GainMap(w @ TO_CHANNELS) for w in whole])
        seen, trust = {}, {}
        for index in usable_frames:
            ratio, weight = ratios(views[index], scene, known, tiles)
            # Errors that are larger at some places: these say less.
            seen[index], trust[index] = ratio @ TO_PARTS, weight / disturbed[index]
        if step >= 1 and len(usable_frames) >= STATIC.frames:
            shown, trusted = (np.stack([of[i] for i in usable_frames]) for of in (seen, trust))
            first = lamp is None
            lamp = lamp or SharedLamp.starting(_waves(model, parts[usable_frames]), model.cycles)
            steps = SHARED_LAMP.first if first else SHARED_LAMP.again
            lamp, part, used = fitted(lamp, shown, trusted, place, weigh, steps, absolute)
            # Once believed it stays: where noise is half of the power, a hair less would leave frames with neither.
            believed = bool(expected.any()) or part > 1 - SHARED_LAMP.unexplained
            if believed:
                parts[usable_frames] = 0
            expected[usable_frames] = lamp.maps(at(_FINE, perspective), whole=absolute) if believed else 0
            if first and believed:
                absolute = static_bands(model.cycles, expected[usable_frames]) is not None
                expected[usable_frames] = lamp.maps(at(_FINE, perspective), whole=absolute)
            if down and believed and step + 1 < FLICKER.rounds:
                perspective = perspective_of(lamp, shown, used, place, at, perspective if looked else None)
                place, looked = at(tiles, perspective), True
        variance, unsure = np.zeros_like(parts), np.zeros_like(parts)
        misses: dict[int, F64] = {}
        for index in usable_frames:
            rest = seen[index] - GainMap(expected[index]).on(*tiles).reshape(-1, 3)
            # Errors that are larger for some coefficients: these go less far from what is expected.
            fit = _fit(model, design, rest, trust[index], prior / error, parts[index], block, tiles)
            parts[index], variance[index], unsure[index] = fit[0], fit[1] * error**2, fit[2]
            miss = np.abs(rest - design @ fit[0]) * np.sqrt(trust[index] * disturbed[index])
            misses[index] = around(miss, tiles, FLICKER.beside, FLICKER.most_miss)
        disturbed = over_the_burst(misses, [one.motion for one in views], tiles, width / tiles[1])
        parts[usable_frames] -= np.median(parts[usable_frames], axis=0)
        error = np.sqrt(np.maximum(1.0, FLICKER.blocks_together * unsure[usable_frames].mean(axis=0)))
        if step >= 1:
            learned = _learned(parts[usable_frames], variance[usable_frames], prior)
            few = FLICKER.few / (FLICKER.few - 1 + len(usable_frames))  # two frames say little about a variance
            prior = np.sqrt(few * np.minimum(prior**2, 4 * learned + 1e-6) + (1 - few) * learned)
            prior[0] = model.prior[0]
    whole = [one + model.legendre(c) for one, c in zip(expected, parts, strict=True)]
    shared = None if expected.any() else static_bands(model.cycles, np.stack(whole)[usable_frames])
    if shared is not None:  # it lies in the scene, which a pan moves over the frame
        whole = [w + pan_along(shared, 2 * one.motion.dx / width) for w, one in zip(whole, views, strict=True)]
    maps = [GainMap(-w @ TO_CHANNELS) for w in whole]
    if lamp is None or not expected.any():
        return Agreed(maps)
    more = on_people(lamp, [views[i].people for i in usable_frames], perspective, **at.keywords, whole=absolute)
    for index, one in zip(usable_frames, more, strict=True):
        maps[index] += one
    common = lamp.maps(at(_FINE, perspective), whole=True).mean(axis=0)
    return Agreed(maps, lamp, perspective, (not absolute) * common)


def _waves(model: Terms, parts: F64) -> F64:
    """(F, R) stops of frames at rows evenly from edge to edge, of their coefficients (F, T, 3)."""
    at = np.polynomial.legendre.legvander(np.linspace(-1, 1, _ROWS), DEGREE) @ model.rows
    level = np.array(model.across) == 0
    return np.asarray(parts[:, level, 0] @ at[:, np.array(model.of)[level]].T)


def _learned(parts: F64, variance: F64, prior: F64) -> F64:
    """(K, 3) variances of coefficients (F, K, 3) over the burst, given what their fit left open, by the evidence.

    The part of each coefficient that the pictures decided and the prior did not, 1 - variance / prior^2, is what its
    power is counted over (MacKay, Neural Computation 4, 1992, "Bayesian interpolation"). Less the variance itself it
    would count twice that the fit draws towards nothing, and waves in dark rows were lost.
    """
    frames = len(parts)
    decided = np.maximum(1 - variance / prior**2, 0).sum(axis=0) * (frames - 1) / frames
    return np.asarray((parts**2).sum(axis=0) / np.maximum(decided, FLICKER.decided) + 1e-8)


def typical_scene(views: Sequence[View], gain_maps: Sequence[GainMap]) -> tuple[F32, _Mask]:
    """The burst's typical picture in the reference's place, and where at least two frames show it."""
    height, width = views[0].pixels.shape[:2]
    pick = np.unique(np.linspace(0, len(views) - 1, min(FLICKER.most, len(views))).round().astype(int))
    stack = np.empty((height, width, 3, len(pick)), np.float32)
    count = np.zeros((height, width), int)
    for index, (one, gain_map) in enumerate((views[i], gain_maps[i]) for i in pick):
        even = one.pixels * np.exp2(-gain_map.on(height, width)).astype(np.float32)
        even[~one.good] = np.nan
        stack[..., index] = moved = warp(even, one.motion, sharp=True)
        count += np.isfinite(moved[..., 0])
    stack.sort(axis=-1)  # NaN last
    low, high = np.maximum((count - 1) // 2, 0), count // 2
    at = np.minimum(high, len(pick) - 1)
    scene = 0.5 * (
        np.take_along_axis(stack, low[..., None, None], -1)[..., 0]
        + np.take_along_axis(stack, at[..., None, None], -1)[..., 0]
    )
    scene = np.where((count % 2 == 1)[..., None], np.take_along_axis(stack, low[..., None, None], -1)[..., 0], scene)
    return scene, count >= 2


def ratios(one: View, scene: F32, in_scene: _Mask, tiles: tuple[int, int]) -> tuple[F64, F64]:
    """(T, 3) log2 ratio of frame to scene in tiles, NaN where they share too little; (T, 3) weights of its parts.

    The weights are those of the common part and of the two differences: where the picture is off its place by a part of
    a pixel, an edge between light and dark changes the first alone, an edge between two colours the others.
    """
    known = np.where(in_scene[..., None], scene, np.nan).astype(np.float32)
    here = warp(known, one.motion, back=True, sharp=True)
    both = one.good & np.isfinite(here[..., 1])
    share = tiled(both[..., None].astype(np.float32), tiles)[..., 0]
    frame = tiled(np.where(both[..., None], one.pixels, 0), tiles)
    ground = tiled(np.where(both[..., None], here, 0), tiles)
    enough = (share > FLICKER.covered) & (frame > 0).all(axis=-1) & (ground > 0).all(axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where(enough[..., None], np.log2(frame / ground), np.nan)
        level = frame / share[..., None]
        variance = (one.a * level + one.b) / (share[..., None] * FLICKER.tile**2) / (level * np.log(2)) ** 2
        noise = FLICKER.noise * variance.mean(axis=2, keepdims=True) + FLICKER.model**2
        weight = np.where(enough[..., None], 1 / (noise + FLICKER.jitter**2 * _steepness(here, both, tiles)), 0.0)
    return ratio.reshape(-1, 3), weight.reshape(-1, 3)


def _steepness(scene: F32, known: _Mask, tiles: tuple[int, int]) -> F64:
    """(R, C, 3) mean squared slopes in tiles, (stops a pixel)^2, of green and of the differences to it."""
    logs = np.log2(np.maximum(np.nan_to_num(scene, nan=1.0), 1e-4))
    parts = np.stack([logs[..., 1], logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1]], axis=-1)
    down, across = np.gradient(parts, axis=(0, 1))
    limited = np.minimum(down**2 + across**2, FLICKER.steep).astype(np.float32)
    return tiled(np.where(known[..., None], limited, 0), tiles)


def tiled(picture: F32, tiles: tuple[int, int]) -> F64:
    """(R, C, channels) means of a picture in so many tiles."""
    import cv2

    return np.asarray(
        cv2.resize(picture, (tiles[1], tiles[0]), interpolation=cv2.INTER_AREA).reshape(*tiles, -1), dtype=np.float64
    )


def _profile(ratio: F64) -> F64:
    """(R, 3) row medians of (R, C, 3) channel ratios, as common part and differences; NaN where too little is known."""
    order = np.sort(ratio @ TO_PARTS, axis=1)  # NaN last
    count = np.isfinite(order[..., 0]).sum(axis=1)
    middle = np.take_along_axis(order, np.maximum(count - 1, 0)[:, None, None] // 2, axis=1)[:, 0]
    return np.asarray(np.where(count[:, None] >= 4, middle, np.nan))


def _start(model: Terms, profile: F64, prior: F64) -> F64:
    """(T, 3) coefficients from a row profile: a start that whole bands do not throw off."""
    known = np.isfinite(profile[:, 0])
    found = np.zeros((len(model.of), 3))
    if known.sum() >= 4:
        level = np.array(model.across) == 0
        x, y = model.design(len(profile), 1)[known][:, level], profile[known]

        def solve(weights: F64) -> F64:
            return ridge(x, y, weights, np.diag(FLICKER.start_error**2 / prior[level, 0] ** 2))

        def weigh(part: F64, _: int) -> F64:
            rest = y[:, 0] - x @ part[:, 0].copy()  # BLAS rounds a strided column otherwise
            return cauchy(rest / FLICKER.start_outlier)

        found[level], _ = reweighted(solve, weigh, solve(np.ones(len(y))), range(3))
    return found


def _blocks(tiles: tuple[int, int]) -> F64:
    """(T,) the number of the block that each tile lies in; what is left over at an edge belongs to the last."""
    down, across = (np.minimum(np.arange(n) // FLICKER.block, max(n // FLICKER.block - 1, 0)) for n in tiles)
    return np.asarray((down[:, None] * (across[-1] + 1) + across).ravel())


def _fit(
    model: Terms, design: F64, parts: F64, weight: F64, prior: F64, start: F64, block: F64, tiles: tuple[int, int]
) -> tuple[F64, F64, F64]:
    """Robust ridge fit of (T, 3) luminance and colour ratios; (K, 3) coefficients, their variance by the weights, and
    how unsure they are. design (T, K): the terms in tiles."""
    good = np.asarray(np.isfinite(parts).all(axis=1))
    if good.sum() < 12:
        return start, np.full_like(start, 1.0), np.zeros_like(start)
    rows, columns, known = *model.functions(*tiles), np.where(good[:, None], parts, 0)
    of, across = np.array(model.of), np.array(model.across)

    def weigh(found: F64, step: int) -> F64:
        return _weigh(parts - design @ found, weight, tiles, step)

    def normal(robust: F64) -> F64:
        """(3, K, K) of each part."""
        data = gram(robust.T.reshape(3, *tiles), rows, columns)[:, of[:, None], across[:, None], of, across]
        return np.asarray(data + np.apply_along_axis(np.diag, 1, 1 / prior.T**2))

    def solve(robust: F64) -> F64:
        target = side((robust * known).T.reshape(3, *tiles), rows, columns)[:, of, across]
        return np.asarray(np.linalg.solve(normal(robust), target[..., None])[..., 0].T)

    found, robust = reweighted(solve, weigh, start, range(FLICKER.fit_steps))
    variance = np.diagonal(np.linalg.inv(normal(robust)), axis1=1, axis2=2).T
    return found, variance, unsureness(design[good], parts[good], robust[good], prior, block[good])


def _weigh(rest: F64, weight: F64, tiles: tuple[int, int], step: int, still: float = 0.0) -> F64:
    """(T, 3) robust weights of what a fit leaves of a frame, NaN where not known, for weights (T, 3); 0 there.

    still: 0 to 1, how far tiles show one place in all frames: then what is darker is a shadow, no error of the scene.
    """
    misses = np.abs(rest) * np.sqrt(weight)
    size = np.sqrt(misses**2 @ np.full(3, 1 / 3))
    good = np.isfinite(size)
    scale = max(1.0, float(np.median(size[good])) * FLICKER.median_to_scale)
    reach = FLICKER.biweight * scale * (FLICKER.wide if step < 2 else 1.0)
    beside = around(misses, tiles, FLICKER.beside, FLICKER.most_miss)
    side_of = np.where(rest[:, 0] < 0, FLICKER.below, FLICKER.above) ** still
    trust = biweight(size / (reach * side_of)) / scale**2 / FLICKER.together
    return np.where(good[:, None], weight * trust[:, None] / beside, 0.0)
