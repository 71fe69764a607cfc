"""What the finished pictures of one camera, ISO and size say of their noise together (see picture_noise.py)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.denoise.picture_noise import (
    BINS,
    PICTURE_NOISE,
    SCALES,
    PictureNoise,
    PictureStatistics,
    coded,
    logarithms,
)
from pipeline.imaging.denoise.rounding import hidden, raised
from pipeline.types import F64


@dataclass(frozen=True)
class PoolConstants:
    """How pictures of one camera, ISO and size are put together. Chosen as PictureNoiseConstants were."""

    most_frames: int = 60  # spread over the pool: more change nothing
    quieter_frames: float = 0.2  # quantile of the frames
    alone: float = 0.7  # quantile of what frames say alone, which bounds what they say together
    quieter_bins: float = 0.3  # quantile of the brightnesses
    bin_above: float = 2.0  # power of one brightness over the lower ones, above which the rest is texture
    ring: tuple[float, float] = (2.8, 5.7)  # coefficients by whose power a scale is judged
    # Noise flattens towards the coarse: from octave to octave its density grows by at most this part of the growth
    # before (a quarter for a Gaussian roll-off), and this much more.
    flattens: float = 0.25
    grows: float = 0.15
    falls: float = 0.7  # natural logarithm by which the finer may lie above the coarser: sharpening
    around: float = 0.35  # natural logarithm by which one coefficient may lie above its ring
    # Structure falls towards the fine, where noise stays. Of what is taken off luma as structure, the part that the
    # finest coefficients of a scale lose.
    finest: float = 0.3
    # Natural logarithm by which luma may lie above colour where luma is sure: cameras smooth colour.
    colour_smoothed: float = 4.5
    colour_over_luma: float = 0.7
    unsure: float = 2.0  # by which what the coarser scales hold too much costs
    # Of what the coarser scales hold beyond that, the part by which all is taken to be less, in luma and in colour:
    # where even quiet blocks hold structure, the finer ones hold some of it.
    doubt: tuple[float, float] = (0.5, 0.5)
    busier: float = 0.5  # natural logarithm by which noise is more beside quiet places, where luma is sure
    # Where luma holds far too much, all of the picture is texture, and still less is sure.
    textured_from: float = 1.5
    textured: float = 0.5
    grey: float = -6.0  # natural logarithm of the density of colour, below which a picture has none
    # Densities, of `a` above: three times what a small sensor collects, 6e10 electrons in all at ISO 100, the rest
    # for tone curve and balance. What is smaller may be a part of a picture of so many pixels.
    electrons: float = 2e10
    part_of: float = 4e6
    unknown_iso: float = 12800.0
    # Below it small sensors are near their base, and the bound falls: at ISO 100 none of the three times is left.
    base_iso: float = 400.0
    below_base: float = 0.8  # log(3) / log(400 / 100)
    # Where blocks are few, as in a small picture, fewer are quiet: by each natural logarithm of their number below
    # `enough`, noise is taken to be so much less, in natural logarithms of power, where it may be texture: no stronger
    # than that, and more than most sensors have at this ISO. There more may be lost than won.
    enough: float = 10000.0
    few_unsure: float = 1.2
    # By how much luma holds too much, up to where all that a JPEG hides is added, and from where on nothing is.
    hides: tuple[float, float] = (1.0, 2.0)
    texture: tuple[float, float] = (0.8, 1.6)  # densities of luma, from which on less, then nothing counts
    usual: tuple[float, float] = (-1.7, -1.1)  # over the most of a sensor: from which on a part, then all does
    alike: float = 0.8  # natural logarithm of power, within which frames of unknown ISO are pooled
    own: float = 1.25  # of a frame's own power, which bounds what its pool says of it
    # Natural logarithm of power by which a frame shows less than its pool says, where it has not the noise of the pool,
    # and the share of such frames, more than one, from which on the others may not have it either: they are of many
    # cameras, or edited.
    less: float = 1.0
    unlike: float = 0.08


POOL = PoolConstants()
_RADIUS: F64 = np.hypot(*np.mgrid[0:8, 0:8])


def _rings() -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]:
    """(8, 8) each: coefficients within POOL.ring, in it and beyond."""
    part = np.digitize(_RADIUS, POOL.ring)
    return part == 0, part == 1, part == 2


def _masked(statistics: Sequence[PictureStatistics]) -> NDArray[Any]:
    """(frames, SCALES, BINS, 3, 8, 8) natural logarithms, NaN where there were too few blocks."""
    logs = logarithms(np.stack([s.power for s in statistics]))
    logs[np.stack([s.blocks for s in statistics]) == 0] = np.nan
    return logs


def _quantile(values: NDArray[Any], q: float, sure: NDArray[Any] | None = None) -> NDArray[Any]:
    """Along the first axis, each weighed by how sure it is, NaN left out; NaN where there is nothing else."""
    order = np.argsort(values, axis=0)
    ordered = np.take_along_axis(values, order, axis=0)
    if sure is None:
        sure = np.ones(len(values))
    weight = np.where(np.isfinite(ordered), sure[order], 0.0)
    # Each stands in the middle of its share: equal weights give what is between neighbours, from first to last.
    share = np.cumsum(weight, axis=0) - weight / 2
    first, last = share[:1], np.max(np.where(weight > 0, share, -np.inf), axis=0)
    at = first[0] + q * (last - first[0])
    count = np.isfinite(ordered).sum(axis=0)
    high = np.minimum((share < at).sum(axis=0), np.maximum(count - 1, 0))
    low = np.maximum(high - 1, 0)
    below, above, left, right = (
        np.take_along_axis(which, i[None], axis=0)[0]
        for which, i in ((ordered, low), (ordered, high), (share, low), (share, high))
    )
    part = np.clip((at - left) / np.maximum(right - left, 1e-12), 0, 1)
    return np.asarray(below + part * (above - below))


def _brightness(logs: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    """(SCALES, BINS, 3, 8, 8) -> power by brightness (BINS,), and by scale (SCALES, 3, 8, 8), logarithms."""
    bright = np.zeros(BINS)
    fine = logs[:3][..., ~_rings()[0]]  # the finest scales see most blocks
    for _ in range(3):
        shape = _quantile(np.moveaxis(fine - bright[None, :, None, None], 1, 0), 0.5)
        off = fine - shape[:, None]
        bright = np.array([np.nanmedian(off[:, b]) if np.isfinite(off[:, b]).any() else np.nan for b in range(BINS)])
        bright = np.where(np.isfinite(bright), bright, np.nan)
        filled = np.isfinite(bright)
        if not filled.any():
            return np.zeros(BINS), np.full((SCALES, 3, 8, 8), np.nan)
        bright = np.minimum(bright, np.nanquantile(bright, 0.4) + np.log(POOL.bin_above))
        bright = np.interp(np.arange(BINS), np.flatnonzero(filled), bright[filled])
    power = _quantile(np.moveaxis(logs - bright[None, :, None, None, None], 1, 0), POOL.quieter_bins)
    return bright, power


def _bounded(power: NDArray[Any], iso: float | None, area: float) -> tuple[NDArray[Any], float]:
    """(SCALES, 3, 8, 8) logarithms -> the same without what cannot be noise, and with all scales filled.

    And by how much luma holds too much towards the coarse.
    """
    octave = np.log(4.0) * np.arange(SCALES)
    within, ring, outer_ring = _rings()
    most = _most(iso, area)
    measured = np.array([[_mean(power[s, plane][ring]) for s in range(SCALES)] for plane in range(3)]) + octave
    densities, over = np.empty((3, SCALES)), np.zeros(3)
    for plane in range(3):
        # The finest colour is lost where a JPEG halves it, and says nothing of the coarser.
        first = 1 if plane else 0
        outer = _mean(power[first, plane][outer_ring]) + octave[first]
        densities[plane] = _flattened(measured[plane], first, outer)
        beyond = (measured[plane] - densities[plane])[first + 1 :]
        beyond = beyond[np.isfinite(beyond)]
        over[plane] = np.maximum(beyond, 0).mean() if len(beyond) else 0.0
    sure = float(np.exp(-POOL.unsure * over[0]))
    textured = POOL.textured * max(0.0, over[0] - POOL.textured_from)
    luma = densities[0] - POOL.doubt[0] * over[0]
    # Colour may hold structure as well: what bounds luma is what is sure of it. A little too much in luma costs little
    # here, for cameras smooth colour.
    near = float(np.exp(-POOL.unsure * over[0] ** 2))
    colour = max((densities[c] - POOL.doubt[1] * over[c] * (1 - near)).max() for c in (1, 2))
    if colour > POOL.grey:
        luma = np.minimum(luma, colour + POOL.colour_smoothed * near)
    densities[0] = luma
    # Cameras smooth colour more than luma, and coarsely. Where luma is sure, colour may be what it is measured to be,
    # up to the noise that luma shows.
    for plane in (1, 2):
        d = densities[plane]
        usual = np.fmin(measured[plane], luma.max() + POOL.colour_over_luma)
        usual = np.where(np.isfinite(usual), usual, usual[np.isfinite(usual)][-1] if np.isfinite(usual).any() else d)
        densities[plane] = d - POOL.doubt[1] * over[plane] * (1 - sure) + sure * np.maximum(usual - d, 0)
    out = np.empty_like(power)
    at = np.log2(np.maximum(_RADIUS, 0.5) / 4.0)
    finer = np.interp(_RADIUS, POOL.ring, (1.0, POOL.finest))
    for plane in range(3):
        density = np.minimum(densities[plane], most) - textured
        for s in range(SCALES - 2, -1, -1):
            density[s] = min(density[s], density[s + 1] + POOL.falls)
        for s in range(SCALES):
            line = np.interp(s - at, np.arange(SCALES), density) - octave[s]
            around = np.where(within, POOL.grows, POOL.around)
            lowered = min(0.0, density[s] - measured[plane, s]) if np.isfinite(measured[plane, s]) else 0.0
            own = np.where(np.isfinite(power[s, plane]), power[s, plane] + lowered * (1 if plane else finer), line)
            if plane == 0:
                # What is structure does not say how noise lies about its ring. Smoothed noise looks a little like it at
                # the halved sizes.
                around = np.maximum(around + min(0.0, lowered + (POOL.around if s else 0.0)), 0.0)
            out[s, plane] = np.minimum(own, line + around)
            out[s, plane][0, 0] = line[0, 0]
    return np.asarray(out + POOL.busier * sure), float(over[0])


def _most(iso: float | None, area: float) -> float:
    """Natural logarithm of the density of noise that a sensor has at the most."""
    speed = iso or POOL.unknown_iso
    electrons = POOL.electrons / max(area, POOL.part_of) * 100 / speed
    return float(-np.log(electrons * PICTURE_NOISE.a) + POOL.below_base * min(0.0, np.log(speed / POOL.base_iso)))


def _flattened(measured: NDArray[Any], first: int, outer: float) -> NDArray[Any]:
    """Densities (SCALES,) that grow towards the coarse no more than noise does; `outer`  beyond the first of them."""
    density = measured.copy()
    before = density[first] - outer
    for s in range(first + 1, SCALES):
        limit = density[s - 1] + POOL.flattens * max(before, 0.0) + POOL.grows
        density[s] = min(limit, density[s]) if np.isfinite(density[s]) else density[s - 1]
        before = density[s] - density[s - 1]
    return density


def _mean(values: NDArray[Any]) -> float:
    return float(values.mean()) if np.isfinite(values).all() else float("nan")


def pool(statistics: Sequence[PictureStatistics], iso: float | None) -> PictureNoise | None:
    """What the pictures of one camera, ISO and size say together; None where they say nothing."""
    every = len(statistics)
    pick = np.unique(np.linspace(0, every - 1, min(POOL.most_frames, every)).round().astype(int))
    some = [statistics[i] for i in pick]
    singles = [_seen([one], iso) for one in some]
    # Each frame shows the noise and its own texture: those that show hardly any of this say how much noise there is.
    sure = np.exp(-POOL.unsure * np.array([one.over for one in singles]))
    seen = _seen(some, iso, sure) if len(some) > 1 else singles[0]
    power = seen.power
    if not np.isfinite(power[0]).any():
        return None
    if len(some) > 1:
        # Together, the textures of several frames may look like noise: no more than most of them would say alone.
        alone = np.stack([one.power + one.bright.mean() for one in singles])
        power = np.fmin(power, _quantile(alone, POOL.alone, sure) - seen.bright.mean() + POOL.grows)
    said = float(power[0, 0][_rings()[1]].mean() + seen.bright.mean())
    shown = np.array([one.measured[0, 0][_rings()[1]].mean() + one.bright.mean() for one in singles])
    unlike = int((shown < said - POOL.less).sum())
    of_one = unlike <= max(1, POOL.unlike * len(some))
    return PictureNoise(coded(np.exp(power)), coded(np.exp(seen.bright)), every, of_one)


@dataclass(frozen=True)
class _Seen:
    """Logarithms of power, as _brightness.

    bright    (BINS,)
    measured  (SCALES, 3, 8, 8), with what a JPEG hides
    power     (SCALES, 3, 8, 8) without what is no noise, and with what a JPEG hides
    over      natural logarithm by which luma holds too much towards the coarse; 0 where nothing was measured
    """

    bright: NDArray[Any]
    measured: NDArray[Any]
    power: NDArray[Any]
    over: float


def _seen(statistics: Sequence[PictureStatistics], iso: float | None, sure: NDArray[Any] | None = None) -> _Seen:
    height, width = statistics[0].size
    bright, power = _brightness(_quantile(_masked(statistics), POOL.quieter_frames, sure))
    bounded, over = _bounded(power, iso, height * width) if np.isfinite(power[0]).any() else (power, 0.0)
    blocks = sum(int(one.blocks[0].sum()) for one in statistics)
    fewer = max(0.0, np.log(POOL.enough / max(blocks, 1)))
    unsure = _unsure(bounded[:, 0], bright, _most(iso, height * width))
    bounded = bounded - POOL.few_unsure * unsure * fewer
    if not np.isfinite(bounded).all():
        # Colour that is nowhere measured bounds nothing: then nothing is known.
        return _Seen(bright, power, np.full_like(power, np.nan), over)
    least = hidden(np.median([one.steps for one in statistics], axis=0)) - bright.mean()
    part = (1 - unsure * min(1.0, fewer)) * float(np.interp(over, POOL.hides, (1, 0)))
    more = part * (raised(bounded, least, _rings()[1]) - bounded)
    shown = np.where(
        np.isfinite(power), raised(np.where(np.isfinite(power), power, bounded), least, _rings()[1]), np.nan
    )
    return _Seen(bright, shown, bounded + more, over)


def _unsure(luma: NDArray[Any], bright: NDArray[Any], most: float) -> float:
    """0 to 1, how well the noise of luma (SCALES, 8, 8) may be texture; most  density that a sensor has at the most."""
    # Smoothed noise shows in the coarser scales only.
    densities = luma[:, _rings()[1]].mean(axis=1) + np.log(4.0) * np.arange(SCALES)
    level = float(densities.max() + bright.mean())
    if not np.isfinite(level):
        return 0.0
    return float(np.interp(level, POOL.texture, (1, 0)) * np.interp(level - most, POOL.usual, (0, 1)))


def of_frame(pooled: PictureNoise, own: PictureStatistics, iso: float | None, one_camera: bool = True) -> PictureNoise:
    """The noise of a frame of the pool: at no frequency much more than it shows alone.

    In a frame of `one_camera`, at one ISO, all that its quiet blocks show may be noise. Of other frames it is not known
    that they have noise in common: what is texture in one by itself is none in the pool. Where some show far less than
    the pool, they have none in common, and each goes by itself.
    """
    if not pooled.alike:
        return pool([own], iso) or pooled
    seen = _seen([own], iso)
    if pooled.frames == 1 or not np.isfinite(seen.power[0]).any():
        return pooled
    shown = np.where(np.isfinite(seen.measured), seen.measured, np.inf) if one_camera else seen.power
    most = shown + seen.bright.mean() - logarithms(pooled.bright).mean() + np.log(POOL.own)
    return replace(pooled, power=np.minimum(pooled.power, coded(np.exp(most))))


def alike(statistics: Sequence[PictureStatistics]) -> list[list[int]]:
    """Indices of frames whose camera or ISO nobody knows, in groups that show about as much of noise."""
    level = [_level(s) for s in statistics]
    groups: list[list[int]] = []
    for index in sorted(range(len(level)), key=lambda i: (level[i], i)):
        if groups and level[index] - level[groups[-1][0]] < POOL.alike:
            groups[-1].append(index)
        else:
            groups.append([index])
    return groups


def _level(own: PictureStatistics) -> float:
    known = _masked([own])[0, :2][..., _rings()[1]]
    known = known[np.isfinite(known)]
    return float(known.mean()) if known.size else 0.0
