"""Light: highlights, pixels that may decide about it, and gray-world."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.compiled import compiled
from pipeline.imaging.robust import biweight, reweighted
from pipeline.types import F32, F64


@dataclass(frozen=True)
class GrayWorldConstants:
    """How gray-world weighs the colours of a picture. Chroma in natural log of R/G and B/G.

    Chosen by trial on halls of measured surfaces under published lamps: `pytest tests/light/test_highlights.py
    tests/light/test_illuminant.py`. That each one matters: `pytest tests/test_constants.py`.
    """

    clipped: float = 0.85  # of saturation, from which a pixel does not decide: it may be partly clipped
    floor: float = 0.004  # of saturation, up to which it is noise
    bins: int = 96  # of the histogram, each way
    span: float = 2.4  # chroma that the histogram covers
    fewest: int = 50  # pixels that can decide
    power: float = 0.25  # of the count, by which a colour weighs
    # Chroma beyond which a colour has no say (biweight), from wide to narrow: tungsten lies 0.6 to 0.9 from daylight
    # in log R/G, so the first steps must reach it.
    scales: tuple[float, ...] = (1.6, 1.4, 1.2, 1.0, 0.85, 0.7, 0.6, 0.5, 0.5, 0.5, 0.5)


GRAY_WORLD = GrayWorldConstants()


@dataclass(frozen=True)
class HighlightConstants:
    """How clipped channels are found, as shares of saturation. A soft threshold, so that no edge shows; the values
    are ours, no source: `pytest tests/light/test_highlights.py`."""

    near: float = 0.9  # from which a channel is taken to be clipped in part
    ramp: float = 0.09  # over which it comes to be taken as clipped for good: 0.99, as noise may stay below 1
    bent: float = 0.8  # from which the colour of a finished picture may be bent towards white by its camera's curve
    bent_ramp: float = 0.12  # over which it comes to be taken as bent for good. By eye, on burnt porcelain and sky
    pale: float = 0.4  # of the darkest channel, from which that may be so: what is below it is a colour, as of a court
    pale_ramp: float = 0.2  # over which it comes to count as white


HIGHLIGHTS = HighlightConstants()


def rebuild_highlights(
    pixels: F32,
    saturation: F64,
    gains: F32 | None = None,
    before: F32 | None = None,
    to: F32 | None = None,
    finished: bool = False,
) -> F32:
    """Multiply by gains, and raise clipped channels to the pixel's largest, so that blown light is white, not magenta.

    A clipped channel is known only to be "at least" its value; the largest channel is the least
    assumption that keeps the hue of a single blown colour (a red shirt). `saturation` (3,) in the units of `pixels`
    (H, W, 3); gains (H, W, 3), or (3,) for the whole frame, None for none: clipping is where it was before them.
    before (H, W, 3)  gains that the pixels, and where they clip, went through already besides; None for none
    finished  the pixels are of a finished picture, whose white is grey before the gains. Its camera's curve drew what
        is bright towards white, so that the gains of the rest are too much for it: there red and blue end between
        what they were beside green and grey, and porcelain turns neither pink nor blue
    to (H, W, 3)  memory for the result, which may be that of gains; None for new
    """
    every = np.ones(3, np.float32) if gains is None else gains
    out = np.empty(pixels.shape, np.float32) if to is None else to
    ends = np.float32(HIGHLIGHTS.near), np.float32(1 / HIGHLIGHTS.ramp)
    bent = np.float32(HIGHLIGHTS.bent), np.float32(1 / HIGHLIGHTS.bent_ramp)
    pale = np.float32(HIGHLIGHTS.pale), np.float32(1 / HIGHLIGHTS.pale_ramp)
    _rebuild(
        np.ascontiguousarray(pixels, dtype=np.float32),
        every.reshape(1, 1, 3) if every.ndim == 1 else every,
        np.ones((1, 1, 3), np.float32) if before is None else before,
        np.asarray(saturation, dtype=np.float64),
        ends,
        bent,
        pale,
        finished,
        out,
    )
    return out


def rebuild_samples(pixels: F32, saturation: F64, gains: F32, finished: bool = False) -> F32:
    """`rebuild_highlights` of few pixels (..., 3) and gains like them, the same to the last bit, without loading the
    compiler: the process that decides has no memory for it."""
    zero, one = np.float32(0), np.float32(1)
    near, steep = np.float32(HIGHLIGHTS.near), np.float32(1 / HIGHLIGHTS.ramp)
    bent, over = np.float32(HIGHLIGHTS.bent), np.float32(1 / HIGHLIGHTS.bent_ramp)
    pale, more = np.float32(HIGHLIGHTS.pale), np.float32(1 / HIGHLIGHTS.pale_ramp)
    given = raised = pixels * gains
    limit = (saturation * gains).astype(np.float32)
    share = given / limit
    if finished:
        part = np.clip((share.max(axis=-1, keepdims=True) - bent) * over, zero, one)
        part *= np.clip((share.min(axis=-1, keepdims=True) - pale) * more, zero, one)
        ends = limit[..., 1:2] * share, given[..., 1:2]
        raised = given + part * (np.clip(given, np.minimum(*ends), np.maximum(*ends)) - given)
    most = raised.max(axis=-1, keepdims=True)
    clipped = np.clip((share - near) * steep, zero, one)
    some = (given > (min(near, bent) if finished else near) * limit).any(axis=-1, keepdims=True)
    return np.where(some, raised + clipped * (most - raised), given)


@compiled(error_model="numpy")
def _rebuild(
    pixels: NDArray[Any],
    gains: NDArray[Any],
    before: NDArray[Any],
    saturation: NDArray[Any],
    ends: tuple[np.float32, np.float32],
    bent: tuple[np.float32, np.float32],
    pale: tuple[np.float32, np.float32],
    finished: bool,
    out: NDArray[Any],
) -> None:
    one, level = gains.shape[0] * gains.shape[1] == 1, before.shape[0] * before.shape[1] == 1
    near, steep = ends
    first, over = bent
    dull, more = pale
    low = min(near, first) if finished else near
    sr, sg, sb = saturation[0], saturation[1], saturation[2]
    for y in range(pixels.shape[0]):
        row, of, to = pixels[y], gains[0 if one else y], out[y]
        clip = before[0 if level else y]
        for x in range(row.shape[0]):
            at, there = 0 if one else x, 0 if level else x
            gr, gg, gb = of[at, 0], of[at, 1], of[at, 2]
            r, g, b = row[x, 0] * gr, row[x, 1] * gg, row[x, 2] * gb
            lr, lg, lb = np.float32(sr * gr), np.float32(sg * gg), np.float32(sb * gb)
            lr, lg, lb = lr * clip[there, 0], lg * clip[there, 1], lb * clip[there, 2]
            if r > low * lr or g > low * lg or b > low * lb:
                of_r, of_g, of_b = r / lr, g / lg, b / lb
                if finished:
                    part = min(max((max(of_r, of_g, of_b) - first) * over, np.float32(0)), np.float32(1))
                    part *= min(max((min(of_r, of_g, of_b) - dull) * more, np.float32(0)), np.float32(1))
                    as_r, as_b = lg * of_r, lg * of_b
                    r = r + part * (min(max(r, min(as_r, g)), max(as_r, g)) - r)
                    b = b + part * (min(max(b, min(as_b, g)), max(as_b, g)) - b)
                most = max(r, g, b)
                r = r + min(max((of_r - near) * steep, np.float32(0)), np.float32(1)) * (most - r)
                g = g + min(max((of_g - near) * steep, np.float32(0)), np.float32(1)) * (most - g)
                b = b + min(max((of_b - near) * steep, np.float32(0)), np.float32(1)) * (most - b)
            to[x, 0], to[x, 1], to[x, 2] = r, g, b


@dataclass(frozen=True)
class Chroma:
    """A gray-world estimate: log R/G and log B/G of the light, and how far the evidence scatters about it."""

    log_rg: float
    log_bg: float
    scatter: float

    @property
    def gains(self) -> F64:
        """(3,) multipliers that make this light neutral, green = 1."""
        return np.exp([-self.log_rg, 0.0, -self.log_bg])


def usable(pixels: F32, saturation: F64, floor: float) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    """(H, W) pixels that may decide about light: no channel near clipping, none near the noise floor.

    pixels (H, W, 3) and floor in the same linear units as saturation (3,).
    """
    limit = GRAY_WORLD.clipped * saturation.astype(np.float32)
    good: np.ndarray[tuple[int, int], np.dtype[np.bool_]] = np.ones((pixels.shape[0], pixels.shape[1]), dtype=bool)
    for channel in range(3):  # far quicker than all(axis=2)
        good &= (pixels[..., channel] < limit[channel]) & (pixels[..., channel] > np.float32(floor))
    return good


def log_chroma(pixels: F32) -> F64:
    """Linear pixels (N, 3) to (N, 2): natural log of R/G and of B/G; what is not positive counts as 1e-6."""
    logs = np.log(np.maximum(pixels.astype(np.float64), 1e-6))
    return np.stack([logs[:, 0] - logs[:, 1], logs[:, 2] - logs[:, 1]], axis=1)


def gray_world(pixels: F32, saturation: F64, start: F64) -> Chroma | None:
    """Gray-world in which every colour counts, not every pixel.

    pixels (H, W, 3) camera-linear; `start` (3,) multipliers of a plausible light, the centre of the
    search. Each bin of the log-chroma histogram weighs the fourth root of its count, so a wood floor
    over half of the frame counts like a few shirts and not like half of all evidence; bins far from the
    running mean lose weight (biweight), which is how saturated shirts are kept out. After Buchsbaum,
    "A spatial processor model for object colour perception", J. Franklin Inst. 310, 1980, with the
    area weighting replaced. None when fewer than 50 pixels are usable.
    """
    chosen = pixels[usable(pixels, saturation, GRAY_WORLD.floor)]
    if len(chosen) < GRAY_WORLD.fewest:
        return None
    centre = -np.log(np.asarray(start))[[0, 2]]
    points = log_chroma(chosen) - centre
    edges = np.linspace(-GRAY_WORLD.span / 2, GRAY_WORLD.span / 2, GRAY_WORLD.bins + 1)
    counts, _, _ = np.histogram2d(points[:, 0], points[:, 1], bins=[edges, edges])
    mid = (edges[:-1] + edges[1:]) / 2
    u, v = np.meshgrid(mid, mid, indexing="ij")
    weight = counts**GRAY_WORLD.power

    def weigh(mean: F64, scale: float) -> F64:
        return weight * biweight(np.hypot(u - mean[0], v - mean[1]) / scale)

    def solve(w: F64) -> F64:
        return np.array([(w * u).sum(), (w * v).sum()]) / w.sum() if w.sum() > 0 else np.full(2, np.nan)

    mean, w = reweighted(solve, weigh, np.zeros(2), GRAY_WORLD.scales)
    if not np.isfinite(mean).all():
        return None
    scatter = float(np.sqrt((w * ((u - mean[0]) ** 2 + (v - mean[1]) ** 2)).sum() / w.sum()))
    return Chroma(float(mean[0] + centre[0]), float(mean[1] + centre[1]), scatter)
