"""Denoise by the true noise: stabilise the variance (stabilise.py), part luma from chroma, sliding DCT, invert.

Filter: 8x8 DCT of overlapping patches, hard threshold, then an empirical
Wiener pass steered by the first (Yu and Sapiro, "DCT image denoising", IPOL 2011; the second pass as in
Dabov et al. 2007), or patches shrunk together with those most like them (block_wiener.py). Coarser scales
are cleaned too (Pierazzo, Morel and Facciolo, "Multi-scale DCT denoising", IPOL 2017; here with an area pyramid).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.denoise import cells
from pipeline.imaging.denoise.block_wiener import collaborate, match
from pipeline.imaging.denoise.edges import edge_share, firm
from pipeline.imaging.denoise.level_table import LevelTable
from pipeline.imaging.denoise.sliding_dct import sliding_dct
from pipeline.imaging.denoise.stabilise import join, split
from pipeline.types import F32, F64, Noise

Quality = Literal["standard", "fine"]
QUALITIES: tuple[Quality, ...] = ("standard", "fine")


@dataclass(frozen=True)
class DenoiseConstants:
    """What the filters do with noise of a known size.

    Threshold, Wiener factor, scales and blurs were chosen on the tuning photographs of tests/denoise_table.py
    (`python -m tests.denoise_table`); the steps are what the time for a frame allows: `python -m tests.benchmark`.
    """

    # Pixels down and across between patches, of the threshold pass and of the Wiener pass.
    luma_steps: tuple[tuple[int, int], tuple[int, int]] = ((3, 2), (2, 1))
    chroma_steps: tuple[tuple[int, int], tuple[int, int]] = ((3, 3), (3, 2))
    coarse_steps: tuple[tuple[int, int], tuple[int, int]] = ((3, 3), (3, 2))
    # Sizes, each half of the one before, that are cleaned, so that no blotches wider than a patch remain.
    luma_scales: int = 3
    chroma_scales: int = 4
    least_side: int = 32  # pixels; a smaller plane is not halved
    # Pixels of a halved plane, standard deviation of what it corrects. Groups of patches know more of the coarse than
    # single ones, and take less from it.
    blur: float = 1.0
    blur_fine: float = 1.4
    # Deviations of the noise, below which a coefficient counts as noise; and of the halved planes, where one that is
    # kept by chance makes a wide blotch.
    threshold: float = 2.9
    threshold_coarse: float = 3.5
    # The same of the two planes of colour of a mosaic together, the root of their power: kept by chance as seldom,
    # which for two normal values is exp(-threshold_two**2 / 2).
    threshold_two: float = 3.34
    wiener: float = 1.02  # on the deviation of the noise in the Wiener pass
    mid_grey: float = 0.18  # of saturation, the brightness at which the channels are weighed: shot noise rules there
    least_b: float = 1e-12  # a frame without noise still needs a finite scale; far below the rounding of any sensor


DENOISE = DenoiseConstants()
# Planes that are shrunk alike. An edge between two colours is in both planes of colour of a mosaic, faint in either
# where luma has none there.
_COLOURS = slice(1, cells.GREENS)
_PLANES = (slice(0, 1), slice(1, 2), slice(2, 3))
_PLANES_OF_MOSAIC = (slice(0, 1), _COLOURS, slice(cells.GREENS, cells.GREENS + 1))


def _opponent(a: F64, t: F64) -> F64:
    """Orthonormal (C, C): luma, then C - 1 differences, of the stabilised channels.

    Luma is the sum of the channels weighted by their inverse variance at a mid grey, which in stabilised
    units, all of unit variance, is one over their deviation. In balanced colour a grey then vanishes from
    the differences although red and blue were amplified; and each plane again has unit variance.
    """
    axis = 1.0 / np.sqrt(a * DENOISE.mid_grey + t)
    axis /= np.linalg.norm(axis)
    first = np.zeros(len(axis))
    first[0], first[-1] = axis[-1], -axis[0]
    first /= np.linalg.norm(first)
    if len(axis) == 3:
        return np.stack([axis, first, np.cross(axis, first)])
    # Red, green, green, blue: the greens against each other, then both against red and blue.
    greens = np.array([0.0, axis[2], -axis[1], 0.0])
    greens /= np.linalg.norm(greens)
    rest = np.eye(4)[1] - sum(plane[1] * plane for plane in (axis, first, greens))
    return np.stack([axis, first, rest / np.linalg.norm(rest), greens])


def _clean(
    planes: F32, parts: Sequence[float], powers: Sequence[F64], quality: Quality, mix: F64 | None = None
) -> None:  # fmt: skip
    """Both passes on each plane (C, H, W), in place; luma is the first. A plane of part 0 stays as it is.

    powers  of each plane, (8, 8), or (S, 8, 8) at its size, half of it, and so on
    mix     (4, 4) for the packed planes of a mosaic, whose pixels lie apart
    """
    every = [
        [(part * np.sqrt(own)).astype(np.float32) for own in power.reshape(-1, 8, 8)]
        for part, power in zip(parts, powers, strict=True)
    ]
    # What is picture is told by the noise as it is: assumed larger, it takes the colour from edges, as fringes.
    least = [1 / max(part, 1.0) for part in parts]
    found, within, edges, clean_luma = None, None, None, planes[0]
    for group in _PLANES if mix is None else _PLANES_OF_MOSAIC:
        index = group.start
        # The greens against each other hold detail only, so that not even their means stay as they are: apart by less
        # than a deviation of the noise they show as a mesh of rows and columns.
        luma, slow, part, sigma = index == 0, index < cells.GREENS, parts[index], every[index][0]
        steps = DENOISE.luma_steps if luma else DENOISE.chroma_steps
        own = planes[group]
        threshold = least[index] * (DENOISE.threshold if len(own) == 1 else DENOISE.threshold_two)
        guide: F32 | None = None
        coarse: list[F32 | None] = [None] * len(own)
        if mix is not None and index == cells.GREENS:
            within = cells.between_greens(clean_luma, planes, mix)[None]
            own -= within
        if part > 0:
            scales = DENOISE.luma_scales if luma else DENOISE.chroma_scales
            coarse = [_coarse(plane, every[index], scales, slow, least[index]) for plane in own]
            guide = _guide(own, coarse, sigma, threshold, steps[0], slow)
        # Patches are compared in luma, the plane with the least noise, even where it is to stay.
        compared = guide
        if compared is None and luma and (mix is not None or quality == "fine"):
            compared = _guide(own, coarse, every[1][0], threshold, steps[0], slow)
        if compared is not None and luma and quality == "fine":
            found = match(compared[0])
        if compared is not None and luma and max(parts) > 1:
            edges = edge_share(compared[0])
        if guide is not None:
            if mix is not None and not luma:
                guide = np.stack([cells.sharp_edges(*pair) for pair in zip(guide, own, strict=True)])
            if edges is not None and part > 1:
                guide = np.stack([firm(plane, edges, part) for plane in guide])
            if found is None:
                cleaned = sliding_dct(own, guide, sigma * np.float32(DENOISE.wiener), steps[1], slow)
            else:
                cleaned = np.stack([collaborate(*pair, sigma, found) for pair in zip(own, guide, strict=True)])
            _correct(cleaned, coarse, DENOISE.blur if found is None else DENOISE.blur_fine)
            planes[group] = cleaned
            compared = planes[group]
            del cleaned
        if within is not None:
            planes[group] += within
        if compared is not None and luma and mix is not None:
            clean_luma = compared[0]
            within = cells.explained(clean_luma, planes, mix)
            planes[_COLOURS] -= within


def _guide(
    planes: F32, coarse: Sequence[F32 | None], sigma: F32, threshold: float, steps: tuple[int, int], slow: bool
) -> F32:  # fmt: skip
    """The first estimate (N, H, W). Without the noise coarser than a patch, which would steer the second one."""
    guide = sliding_dct(planes, None, sigma * np.float32(threshold), steps, slow)
    _correct(guide, coarse, DENOISE.blur)
    return guide


def _coarse(plane: F32, sigmas: Sequence[F32], scales: int, slow: bool, least: float) -> F32 | None:
    """The halved plane (H // 2, W // 2), cleaned alike, and all scales below it; None where there is none.

    sigmas  deviation of the noise at the plane's size, and at the halved ones as far as it is known
    """
    if scales < 2 or min(plane.shape) // 2 * 2 < DENOISE.least_side:
        return None
    halved = _halved(plane)
    # A mean of 2x2 halves the deviation of white noise; of correlated noise, the low coefficients halve.
    if len(sigmas) > 1:
        sigmas = sigmas[1:]
    else:
        sigmas = [np.asarray(sigmas[0][np.ix_(np.arange(8) // 2, np.arange(8) // 2)] / 2, dtype=np.float32)]
    low = sigmas[0]
    coarser = _coarse(halved, sigmas, scales - 1, slow, least)
    guide = _guide(halved[None], [coarser], low, least * DENOISE.threshold_coarse, DENOISE.coarse_steps[0], slow)
    cleaned = sliding_dct(halved[None], guide, low * np.float32(DENOISE.wiener), DENOISE.coarse_steps[1], slow)
    _correct(cleaned, [coarser], DENOISE.blur)
    return np.asarray(cleaned[0])


def _halved(plane: F32) -> F32:
    height, width = (side // 2 * 2 for side in plane.shape)
    half = (width // 2, height // 2)
    return np.asarray(cv2.resize(plane[:height, :width], half, interpolation=cv2.INTER_AREA), dtype=np.float32)


def _correct(cleaned: F32, coarse: Sequence[F32 | None], blur: float) -> None:
    """Bring what is coarser than a patch in each of `cleaned` (N, H, W) to `coarse`, where there is any, in place."""
    for plane, wanted in zip(cleaned, coarse, strict=True):
        if wanted is None:
            continue
        height, width = (side // 2 * 2 for side in plane.shape)
        off = wanted - _halved(plane)
        # Only the slow part of the correction is taken: the finer scale knows more about edges.
        off = np.asarray(cv2.GaussianBlur(off, (0, 0), blur, borderType=cv2.BORDER_REFLECT), dtype=np.float32)
        plane[:height, :width] += cv2.resize(off, (width, height), interpolation=cv2.INTER_LINEAR)


def _variance(noise: Noise) -> tuple[F64, F64]:
    """(a, t) of each channel, in order; t is the constant under the root of the transform."""
    a = np.maximum(np.nan_to_num(noise.a), 0.0)
    return a, 0.375 * a * a + np.maximum(np.nan_to_num(noise.b), DENOISE.least_b)


def denoise(
    pixels: F32,
    noise: Noise,
    strength: float = 1.0,
    luma: float = 1.0,
    chroma: float = 1.0,
    keep_grain: float = 0.0,
    psd: Sequence[NDArray[Any] | None] = (None, None),
    quality: Quality = "standard",
) -> F32:
    """(H, W, 3) linear -> the same, cleaned. Strength 0 returns the input itself.

    `strength` scales the deviation of noise that is assumed, `luma` and `chroma` each part of it;
    `keep_grain`, 0 to 1, is the share of the removed luma grain that is put back. `psd` is the relative
    power (8, 8), mean 1, of the noise in the DCT coefficients of luma and of chroma; None is white noise.
    `quality`: "standard" shrinks each patch by itself, "fine" together with the patches most like it, at
    about twice the cost. Values that are not finite count as black.
    """
    if strength <= 0 or pixels.size == 0 or (luma <= 0 and chroma <= 0):
        return pixels
    powers = [np.ones((8, 8)) if power is None else np.asarray(power, dtype=np.float64) for power in psd]
    tables = _tables(noise, powers)
    if tables:
        a, t, mix = np.zeros(3), np.ones(3), _opponent_of_levels(noise)
        pixels = _each(pixels, [table.stabilise for table in tables], np.empty(pixels.shape, np.float32))
    else:
        a, t = _variance(noise)
        mix = _opponent(a, t)
    shape, planes = pixels.shape, split(pixels, a, t, mix)
    del pixels  # often the only name of it, and as large as the planes
    grain = planes[0].copy() if keep_grain > 0 else None
    parts = (strength * luma, strength * chroma, strength * chroma)
    _clean(planes, parts, (powers[0], powers[1], powers[-1]), quality)
    if grain is not None:
        grain -= planes[0]
        grain *= np.float32(keep_grain)
        planes[0] += grain
    del grain
    out = np.empty(shape, np.float32)
    join(planes, a, t, mix, out)
    del planes
    return _each(out, [table.restore for table in tables], out) if tables else out


def _tables(noise: Noise, powers: Sequence[F64]) -> list[LevelTable]:
    """Of each channel, where the noise is known by levels; else none."""
    if noise.levels is None:
        return []
    total = float(np.mean([power.reshape(-1, 8, 8)[0].mean() for power in powers]))
    return [LevelTable(noise.levels[:, c], total) for c in range(noise.levels.shape[1])]


def _opponent_of_levels(noise: Noise) -> F64:
    """As _opponent. A balance changes signal and deviation alike, and the planes stay those that were measured."""
    assert noise.levels is not None
    x, variance = noise.levels
    grey = np.array(
        [np.interp(DENOISE.mid_grey * signal[-1], signal, own) for signal, own in zip(x, variance, strict=True)]
    )
    certainty = x[:, -1] / np.sqrt(grey)
    return _opponent(np.zeros(3), certainty**-2.0)


def _each(pixels: F32, changes: Sequence[Callable[[F32], F32]], out: F32) -> F32:
    """Each channel by its own change into `out`, which may be the pixels; what is not finite counts as black."""
    for row, changed in zip(pixels, out, strict=True):  # by rows: a copy of a large picture fills a worker's memory
        own = row if np.isfinite(row).all() else np.nan_to_num(row, nan=0.0, posinf=0.0, neginf=0.0)
        for c, change in enumerate(changes):
            changed[:, c] = change(own[:, c])
    return out


def denoise_mosaic(
    packed: F32,
    noise: Noise,
    strength: float = 1.0,
    luma: float = 1.0,
    chroma: float = 1.0,
    keep_grain: float = 0.0,
    balance: F64 | None = None,
    quality: Quality = "fine",
) -> F32:
    """The four planes of a Bayer mosaic, packed (H/2, W/2, 4) as R, G, G, B, linear -> the same, cleaned.

    Before a demosaic the noise is still white, and the demosaic then sees edges in place of noise. `noise`
    is that of R, G, B in the units of the mosaic; `balance` (3,) the white balance multipliers, which only
    tell the filter what is grey: the mosaic may be balanced or not. The order R, G, G, B is that of the 2x2
    cell, row by row, of an RGGB mosaic; other patterns are turned or mirrored to it. The rest as in denoise.
    """
    if strength <= 0 or packed.size == 0 or (luma <= 0 and chroma <= 0):
        return packed
    four = [0, 1, 1, 2]
    a, t = (part[four] for part in _variance(noise))
    balanced = noise if balance is None else noise.scaled(balance)
    mix = _opponent(*(part[four] for part in _variance(balanced)))
    planes = split(packed, a, t, mix)
    noisy = planes.copy()
    parts = (strength * luma, *[strength * chroma] * 3)
    _clean(planes, parts, [np.ones((8, 8))] * 4, quality, mix)
    if quality == "fine" and min(parts) > 0:
        cells.refine(planes, noisy, mix, parts)
    if parts[cells.GREENS] > 0:
        cells.calm_greens(planes, mix)
    if keep_grain > 0 and parts[0] > 0:
        cells.keep_grain(planes, noisy, mix, keep_grain)
    out = np.empty(packed.shape, np.float32)
    join(planes, a, t, mix, out)
    return out
