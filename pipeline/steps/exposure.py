"""exposure: one brightness and colour across a burst, and one level across the shoot."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from pydantic import Field

from pipeline.imaging.colour import LUMINANCE
from pipeline.imaging.light import usable
from pipeline.model import F32, F64, Frame, Image
from pipeline.steps.base import ApplyContext, Params, Solution, SolveContext, Solved, Step, camera_of, floats

_TILES = 16  # along the sensor rows; half as many again across
_KNOTS = 9
_DEGREE = 3
_PULL = 0.8  # stops; ends of one hall seldom differ by more (common practice, no source)


@dataclass(frozen=True)
class _Group:
    """A burst: its frames, camera, mean log2 luminance, and stops from its settings."""

    names: list[str]
    camera: str
    brightness: float
    exposed: float


class ExposureParams(Params):
    """Parameters of exposure."""

    across: Literal["burst", "none"] = Field(
        "burst", description="burst: the frames of one burst agree in brightness and colour; none: leave them"
    )
    level: Literal["shoot", "keep"] = Field(
        "shoot", description="shoot: bring every burst to the target brightness; keep: leave it as exposed"
    )
    target: float = Field(0.16, ge=0.02, le=0.6, description="mean luminance to reach, as a fraction of white")
    ev: float = Field(0.0, ge=-4, le=4, description="stops to add to everything")
    limit: float = Field(3.5, ge=0, le=6, description="most stops that level may add or take away")


def sensor_rows(shape: tuple[int, ...], orientation: int) -> tuple[int, bool]:
    """(axis, reversed) of an upright picture along which the shutter curtain travelled."""
    return {3: (0, True), 6: (1, True), 8: (1, False)}.get(orientation, (0, False))


def _tiles(image: Image, frame: Frame) -> F64:
    """(rows, columns, 3) mean of log channel values along sensor rows; NaN where a tile holds too little."""
    axis, back = sensor_rows(image.pixels.shape, frame.exif.orientation)
    pixels = image.pixels if axis == 0 else image.pixels.transpose(1, 0, 2)
    pixels = pixels[::-1] if back else pixels
    good = usable(pixels, image.saturation, 0.003)
    logs = np.log2(np.maximum(pixels.astype(np.float64), 1e-6))
    ys = np.linspace(0, pixels.shape[0], _TILES + 1).astype(int)
    xs = np.linspace(0, pixels.shape[1], _TILES * 3 // 2 + 1).astype(int)
    weights = np.add.reduceat(np.add.reduceat(good.astype(float), ys[:-1], axis=0), xs[:-1], axis=1)
    sums = np.add.reduceat(np.add.reduceat(logs * good[..., None], ys[:-1], axis=0), xs[:-1], axis=1)
    count = np.diff(ys)[:, None] * np.diff(xs)[None, :]
    with np.errstate(invalid="ignore", divide="ignore"):
        means = sums / weights[..., None]
    means[weights < 0.6 * count] = np.nan
    return np.asarray(means)


def agree(logs: F64) -> F64:
    """(frames, rows, columns, 3) log2 tiles of a burst -> (frames, knots, 3) stops to add, mean 0 over the burst.

    Per channel a cubic in the sensor row (the curtain travels for part of a lamp period, so the pulse is
    a smooth function of the row), fitted to the tiles' log ratios against the burst by iteratively
    reweighted least squares with Tukey's biweight: tiles that a player crosses lose their say.
    """
    count, rows, columns, _ = logs.shape
    position: F64 = np.repeat(np.linspace(-1, 1, rows), columns)
    basis: F64 = np.asarray(np.polynomial.legendre.legvander(position, _DEGREE), dtype=np.float64)
    at_knots = np.polynomial.legendre.legvander(np.linspace(-1, 1, _KNOTS), _DEGREE)
    flat = logs.reshape(count, rows * columns, 3)
    fitted = np.zeros_like(flat)
    coefficients = np.zeros((count, _DEGREE + 1, 3))
    for _ in range(4):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # a tile that no frame can use is all NaN
            scene = np.asarray(np.nanmedian(flat - fitted, axis=0), dtype=np.float64)
        for frame in range(count):
            for channel in range(3):
                ratio: F64 = np.asarray(flat[frame, :, channel] - scene[:, channel], dtype=np.float64)
                coefficients[frame, :, channel] = _robust_fit(basis, ratio)
        coefficients -= coefficients.mean(axis=0)
        fitted = np.einsum("pd,fdc->fpc", basis, coefficients)
    return np.asarray(-np.einsum("kd,fdc->fkc", at_knots, coefficients))


def _robust_fit(basis: F64, values: F64) -> F64:
    good = np.isfinite(values)
    if good.sum() < 24:
        constant = np.zeros(basis.shape[1])
        constant[0] = float(np.median(values[good])) if good.any() else 0.0
        return constant
    x, y = basis[good], values[good]
    weight: F64 = np.ones(len(y))
    ridge = np.diag([0.0, 0.3, 0.6, 0.9])  # too few tiles lean to a constant
    solution: F64 = np.zeros(basis.shape[1])
    for step in range(8):
        normal = x.T @ (weight[:, None] * x) + ridge
        solution = np.asarray(np.linalg.solve(normal, x.T @ (weight * y)), dtype=np.float64)
        rest = y - x @ solution
        scale = max(1.4826 * float(np.median(np.abs(rest))), 0.004) * (6.0 if step < 3 else 4.0)
        weight = np.asarray(np.where(np.abs(rest) < scale, (1 - (rest / scale) ** 2) ** 2, 0.0) + 1e-6)
    return np.asarray(solution)


def _brightness(logs: F64) -> float:
    """Mean log2 luminance of a burst, the middle of the frame counting most; NaN when nothing is usable."""
    luminance = np.log2(np.maximum(2.0**logs @ LUMINANCE, 1e-6))
    rows, columns = luminance.shape[1:]
    y, x = np.linspace(-1, 1, rows)[:, None], np.linspace(-1, 1, columns)[None, :]
    weight = np.where(np.isfinite(luminance), np.exp(-(x**2 + y**2)), 0.0)
    return float((weight * np.nan_to_num(luminance)).sum() / weight.sum()) if weight.sum() > 0 else float("nan")


def _exposed(frame: Frame) -> float:
    """Stops by which the settings brighten the frame, up to a constant; NaN when they are not known.

    APEX, Exif 2.32 annex C: Sv - Tv - Av.
    """
    e = frame.exif
    if not (e.iso and e.exposure_time and e.f_number):
        return float("nan")
    return float(np.log2(e.iso / 100 * e.exposure_time / e.f_number**2))


def solve(context: SolveContext, params: ExposureParams) -> Solved:
    """Stops per frame and sensor row that make bursts agree, plus one level per burst."""
    frames = {f.name: f for f in context.frames}
    stops: dict[str, F64] = {}
    groups: list[_Group] = []
    for burst in context.bursts:
        names = [n for n in burst.frames if n in context.measured]
        if not names:
            continue
        logs = np.array([_tiles(context.proxies(n), frames[n]) for n in names])
        even = len(names) > 1 and params.across == "burst"
        knots = agree(logs) if even else np.zeros((len(names), _KNOTS, 3))
        stops.update(zip(names, knots, strict=True))
        groups.append(_Group(names, camera_of(frames[names[0]]), _brightness(logs), _exposed(frames[names[0]])))
    levels = _levels(groups, context, params)
    levels = _levels(groups, context, params)
    solutions = {
        n: _solution(stops[n] + level) for group, level in zip(groups, levels, strict=True) for n in group.names
    }
    return Solved(solutions)


def _levels(groups: Sequence[_Group], context: SolveContext, params: ExposureParams) -> list[float]:
    """One level per burst.

    The hall's light is the same all night, so the median of what this camera saw, carried by its settings,
    is as good a guess of a burst's brightness as the burst itself, whose mean depends on what is in the
    picture: each has half a say, but a burst further than _PULL from the hall was lit by something else.
    Frames without settings have only themselves.
    """
    if params.level == "keep":
        return [params.ev] * len(groups)
    references = {r.frame for r in context.facts.references}
    halls: dict[str, list[float]] = {}
    for group in groups:
        if np.isfinite(group.brightness + group.exposed) and not references.issuperset(group.names):
            halls.setdefault(group.camera, []).append(group.brightness - group.exposed)
    levels = []
    for group in groups:
        hall = float(np.median(halls[group.camera])) if group.camera in halls else float("nan")
        own = group.brightness
        pull = np.clip(hall + group.exposed - own, -_PULL, _PULL) / 2
        known = own + (float(pull) if np.isfinite(pull) else 0.0)
        level = np.log2(params.target) - known if np.isfinite(known) else 0.0
        levels.append(float(np.clip(level, -params.limit, params.limit)) + params.ev)
    return levels


def _solution(knots: F64) -> Solution:
    return {"ev": round(float(knots.mean()), 4), "rows": [floats(knot) for knot in knots]}


def apply(image: Image, params: ExposureParams, context: ApplyContext) -> Image:
    """Multiply each sensor row by its gain; noise and saturation follow the mean gain."""
    knots = np.array(context.solution["rows"])
    axis, back = sensor_rows(image.pixels.shape, context.frame.exif.orientation)
    length = image.pixels.shape[axis]
    at = np.linspace(0, len(knots) - 1, length)
    rows = 2.0 ** np.stack([np.interp(at, np.arange(len(knots)), knots[:, c]) for c in range(3)], axis=1)
    gains: F32 = (rows[::-1] if back else rows).astype(np.float32)
    pixels = image.pixels * (gains[:, None, :] if axis == 0 else gains[None, :, :])
    mean = 2.0 ** knots.mean(axis=0)
    return replace(image, pixels=pixels, noise=image.noise.scaled(mean), saturation=image.saturation * mean)


STEP = Step(
    name="exposure",
    version=1,
    summary="Even out the pulse of the lamps across a burst, row by row and per channel, and set one level.",
    Params=ExposureParams,
    place="shared",
    measure=None,
    solve=solve,
    apply=apply,
)
