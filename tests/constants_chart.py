"""Figures for the constants of charts and cards: drawn ones that can nearly, or only just, be found and read."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from unittest.mock import patch

import cv2
import numpy as np
from scipy.spatial import cKDTree

from pipeline.imaging.geometry import Box
from pipeline.light.chart import card, find, fit
from pipeline.light.chart.values import COLUMNS, LINEAR, ROWS, SIDE
from pipeline.light.highlights import Chroma
from pipeline.types import F32, F64

_HIGH, _WIDE = 150, 220
_ONE = np.ones(3)


def _quad(width: float, angle: float) -> F64:
    """Corners (4, 2) in pixels of a patch area about the middle, turned by degrees."""
    half = np.array([width, width * (ROWS - 1 + SIDE) / (COLUMNS - 1 + SIDE)]) / 2
    turn = np.deg2rad(angle)
    turned = half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    return np.asarray(
        turned @ [[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]] + [_WIDE / 2 + 0.3, _HIGH / 2 - 0.2]
    )


@cache
def _picture(width: float = 130.0, angle: float = 7.0, scale: int = 1, level: float = 0.6) -> F32:
    """A chart of the published colours before a wall, in noise."""
    rng = np.random.default_rng(1)
    unit, margin = 30, 6
    size = [round((n - 1 + SIDE) * unit) for n in (COLUMNS, ROWS)]
    sheet = np.full((size[1] + 2 * margin, size[0] + 2 * margin, 3), 0.02, np.float32)
    for i, patch_colour in enumerate(LINEAR.clip(0.002)):
        y, x = margin + i // COLUMNS * unit, margin + i % COLUMNS * unit
        sheet[y : y + round(SIDE * unit), x : x + round(SIDE * unit)] = patch_colour
    inner = (np.array([[0, 0], [size[0], 0], size, [0, size[1]]]) + margin).astype(np.float32)
    wall = np.full((_HIGH * scale, _WIDE * scale, 3), 0.25, np.float32)
    wall += rng.normal(0, 0.04, wall.shape).astype(np.float32)
    matrix = cv2.getPerspectiveTransform(inner, (_quad(width, angle) * scale).astype(np.float32))
    cv2.warpPerspective(
        sheet, matrix, (_WIDE * scale, _HIGH * scale), wall, cv2.INTER_LINEAR, borderMode=cv2.BORDER_TRANSPARENT
    )
    wall = cv2.GaussianBlur(wall * np.float32(level), (0, 0), 0.6)
    return np.asarray(wall + rng.normal(0, 0.004, wall.shape) * np.sqrt(wall.clip(0) + 0.01), dtype=np.float32)


@cache
def _shapes() -> F32:
    """Quadrangles of chance, some small, some large, some long, on a rough ground."""
    rng = np.random.default_rng(9)
    out = rng.uniform(0.2, 0.4, (420, 420)).astype(np.float32)
    for k in range(300):
        middle, size = rng.uniform(10, 410, 2), 4.0 * 1.6 ** rng.uniform(0, 4)
        corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [1, rng.uniform(1, 2.5)] + rng.uniform(-0.5, 0.5, 2)
        corners[:, 0] += rng.uniform(-1.5, 1.5) * corners[:, 1] * (k % 3 == 0)
        corners += rng.uniform(-0.5, 0.5, (4, 2)) * (k % 4 == 0)
        cv2.fillConvexPoly(out, np.round(middle + size * corners).astype(np.int32), float(rng.uniform(0, 1)))
    out[5:115] = 0.4
    for x, side in ((5, 92), (102, 95), (202, 100), (307, 104)):
        out[8 : 8 + side, x : x + side] = 0.9
    out[130:300] = rng.uniform(0.2, 0.4, (170, 420))
    for k in range(100):
        y, x = 134 + k // 25 * 40, 6 + k % 25 * 16
        out[y : y + 5 + k % 5, x : x + 5 + k // 5 % 5] = 0.9
    return np.repeat(cv2.GaussianBlur(out, (0, 0), 0.6)[..., None], 3, axis=2)


def of_chart() -> Iterator[float]:
    """Regions that are nearly patches, lattices that nearly hold together, charts of nearly too little likeness."""
    rng = np.random.default_rng(2)
    lattice = np.array([(u, v) for u in range(8) for v in range(8)], dtype=float)
    for jitter, sizes in ((0.06, 0.8), (0.12, 0.1), (0.2, 0.05)):
        middles = 20 * (lattice + rng.normal(0, jitter, lattice.shape)) @ np.array([[1.0, 0.1], [0.3, 0.8]])
        side = 16 * np.exp(rng.normal(0, sizes, len(middles)))
        tree = cKDTree(middles)
        for seed in range(0, 64, 3):
            bases = list(find._bases(seed, middles, side, tree))
            yield float(len(bases))
            for first, second in bases[:1]:
                yield float(len(find._grow(seed, first, second, middles, side, tree)))
    for count in range(6, 12):
        few = (20 * lattice[lattice[:, 1] < 3][:count], np.full(count, 250.0))
        with patch.object(find, "_regions", lambda _, few=few: few):
            yield float(len(list(find._lattices(np.zeros((9, 9, 3), np.float32)))))
    for middles, areas in (find._regions(_shapes()),):
        yield from (float(len(areas)), float(areas.sum()), float(middles.sum()))
    for limit in (0.95, 1.05):
        like = limit * find.ChartConstants().like
        with patch.object(find, "_place", lambda *_, like=like: (like, _quad(130.0, 7.0))):
            yield float(find.find_chart(_picture()) is None)
    smooth = cv2.GaussianBlur(find.rooted(_picture()), (0, 0), 1.0)
    cells = np.array([(u, v) for u in range(COLUMNS) for v in range(ROWS)])
    turn = np.deg2rad(7.0)
    pitch = 130.0 / (COLUMNS - 1 + SIDE)
    rotated = (cells - [2.5, 1.5]) * pitch @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    for jitter in (0.05, 0.1, 0.14):
        off = rotated + np.array([_WIDE / 2, _HIGH / 2]) + rng.normal(0, jitter * pitch, cells.shape)
        placed = find._place(smooth, off, cells)
        yield from (0.0,) if placed is None else (placed[0], *placed[1].ravel())
    for width, scale in ((130.0, 1), (180.0, 4)):
        found = find.find_chart(_picture(width, 7.0, scale))
        yield from (0.0,) if found is None else found.ravel().tolist()
    with patch.object(find, "_lattices", lambda smooth: iter(levels.append(float(smooth.shape[0])) or ())):
        levels: list[float] = []
        find.find_chart(_picture(180.0, 7.0, 4))
        yield from (float(len(levels)), *levels)
    yield float(find.rooted(_picture()).sum())


def of_refine() -> Iterator[float]:
    """Corners of a drawn chart that are off by nearly half a patch, and those of a chart that is hard to align."""
    image = find.rooted(_picture())
    for off in (0.1, 0.2, 0.25, 0.3):
        yield from find._refined(image, _quad(130.0, 7.0) + off * np.array([22, 15])).ravel().tolist()
    for moved in (0.475, 0.525):
        with patch.object(find.cv2, "findTransformECC", lambda _, __, start, *___, m=moved: (0, _shifted(start, m))):
            corners = _quad(130.0, 0.0)
            yield float(np.abs(find._refined(image, corners) - corners).max())


def _shifted(start: F32, patches: float) -> F32:
    """A homography that takes the drawing so many patches further right."""
    return np.asarray(
        start.astype(np.float64) @ np.array([[1, 0, patches * find.REFINE.pitch], [0, 1, 0], [0, 0, 1]]), np.float32
    )


_WORLD = Chroma(0.0, 0.0, 0.1)


def _sheet(
    side: tuple[int, int] = (18, 18),
    at: tuple[int, int] = (48, 32),
    colour: tuple[float, float, float] = (0.3, 0.3, 0.3),
    cut: int = 0,
    rough: float = 0.0,
    clipped: int = 0,
    ground: float = 0.5,
    world: Chroma = _WORLD,
    daylight: tuple[float, float] = (0.0, 0.0),
) -> tuple[float, ...]:
    """What a sheet of so many pixels scores as a card, in a picture of 64 x 96."""
    mask = np.zeros((64, 96), np.uint8)
    x, y = at[0] - side[0] // 2, at[1] - side[1] // 2
    mask[y : y + side[1], x : x + side[0]] = 1
    for k in range(cut):
        mask[y + k, x : x + cut - k] = 0
        mask[y + side[1] - 1 - k, x + side[0] - cut + k : x + side[0]] = 0
    small = np.full((64, 96, 3), ground, np.float32)
    small[mask > 0] = colour
    small[:, : at[0]] *= np.float32(1 + rough)
    inside = np.argwhere(mask > 0)
    for k in range(clipped):
        small[tuple(inside[(2 * k + 1) * len(inside) // 40])] = 0.999
    light = np.exp([daylight[0], 0.0, daylight[1]])
    found = card._card(small, _ONE, mask > 0, light, world)
    return (0.0,) if found is None else (found[0], *found[1], *found[2])


def of_card() -> Iterator[float]:
    """Sheets that are nearly too dark, long, cut, coloured, rough or far from the middle; two that nearly agree."""
    for length in range(18, 48):
        yield from _sheet((length, 15))
    for place in range(60, 92):
        yield from _sheet((10, 10), (place, 32))
    for cut in range(1, 14):
        yield from _sheet((22, 22), cut=cut)
    for tall in range(54, 63):
        yield from _sheet((44, tall))
    yield from _sheet((5, 5))
    for value in np.linspace(0.9, 1.1, 3):
        yield from _sheet(colour=(0.03 * value,) * 3)
        yield from _sheet(colour=(0.003 * value, 0.004, 0.004), ground=0.01, world=Chroma(-0.29, 0.0, 0.1))
        yield from _sheet(colour=(0.95 * value - 0.04,) * 3)
    for value in np.linspace(0.84, 1.0, 17):
        yield from _sheet(colour=(value,) * 3, ground=0.9)
    for count in range(18):
        yield from _sheet((46, 46), clipped=count)
    for away in np.linspace(0.3, 0.4, 11):
        yield from _sheet(world=Chroma(float(away), 0.0, 0.1))
    for value in (0.95, 1.05):
        for end in (card.CardConstants().lamps_from, card.CardConstants().lamps_to):
            yield from _sheet(daylight=(end[0] * value, 0.0))
            yield from _sheet(daylight=(0.0, end[1] * value))
    for rough in np.linspace(0.0, 0.4, 41):
        yield from _sheet((24, 24), rough=float(rough))
    small = np.random.default_rng(3).uniform(0.1, 0.9, (64, 96, 3)).astype(np.float32)
    for missing in range(5, 12):
        ragged = np.zeros((64, 96), bool)
        ragged[20:36, 30:46] = True
        ragged[np.arange(24, 28).repeat(4)[:missing], np.tile(np.arange(34, 38), 4)[:missing]] = False
        yield card._scatter(small, ragged)
    for side in np.linspace(0.25, 0.95, 29):
        hole = np.ones((64, 96), bool)
        hole[32 - round(20 * side)] = False
        box = card._inner(hole, 48, 32, 40, 40)
        yield 0.0 if box is None else float(box.y0)
    picture = _squares()
    areas: list[float] = []
    with patch.object(card, "_card", lambda *args: areas.append(float(args[2].sum()))):
        card.find_card(picture, _ONE, _ONE)
    yield from areas
    for second, apart in ((0.665, 0.5), (0.735, 0.5), (0.9, 0.057), (0.9, 0.063)):
        answers = iter([(1.0, np.zeros(2), Box(0, 0, 1, 1)), (second, np.array([apart, 0]), Box(0, 0, 1, 1))])
        with patch.object(card, "_card", lambda *_, a=answers: next(a, None)):
            yield float(card.find_card(picture, _ONE, _ONE) is None)


@cache
def _squares() -> F32:
    """Flat squares of all sizes on a rough ground, larger than the search looks at."""
    rng = np.random.default_rng(4)
    out = rng.uniform(0.1, 0.5, (300, 450, 3)).astype(np.float32)
    x = 4
    for side in (16, 17, 18, 19, 20, 21, 22, 24):
        out[6 : 6 + side, x : x + side] = 0.4
        x += side + 12
    for k, side in enumerate((122, 130, 136)):
        out[40 + 30 * k : 40 + 30 * k + side, 5 + 148 * k : 5 + 148 * k + side] = 0.4
    return out


def of_read() -> Iterator[float]:
    """Charts that are nearly too small, dark, clipped or cut, and patches in which a finger shows."""
    zero = np.zeros(24)
    for value in (0.95, 1.05):
        shares = np.full(24, 0.02 * value)
        yield float(fit.Chart(np.zeros((4, 2)), LINEAR, shares, zero).weights.sum())
        yield float(fit.Chart(np.zeros((4, 2)), LINEAR, zero, 15 * shares).weights.sum())
    good = _quad(130.0, 7.0) / [_WIDE, _HIGH]
    yield from fit.read_chart(_picture(), _ONE, good).patches.ravel().tolist()
    rng = np.random.default_rng(5)
    square = np.array([[4.0, 4.0], [20.0, 4.0], [20.0, 20.0], [4.0, 20.0]])
    for level in (0.9, 0.96, 0.98):
        yield fit._patch(rng.uniform(0.6, 1, (24, 24, 3)).astype(np.float32) * np.float32(level), _ONE, square)[1]
    for value in (0.95, 1.05):
        answer = (np.ones(3), 0.0, 0.0, 0.03 * value)
        yield from _refused(lambda *_, a=answer: a, good)
        for clipped in (0, 3, 4, 5, 6):
            shares = iter([0.02 * value * (k < clipped) + (k < clipped) for k in range(24)] * 9)
            yield from _refused(lambda *_, s=shares: (np.ones(3), next(s), 0.0, 0.0), good)
        for edge in (0.475, 0.525):
            level_quad = _quad(130.0, 0.0) / [_WIDE, _HIGH]
            patch_wide = 130.0 / (COLUMNS - 1 + SIDE) * SIDE / _WIDE
            left = np.array([level_quad[0, 0] + (1 - edge) / 2 * patch_wide, 0.0])
            yield from _refused(lambda *_: (np.ones(3), 0.0, 0.0, 0.0), level_quad - left)
        small = 0.5 + (good - 0.5) * 6 * value / (130.0 / (COLUMNS - 1 + SIDE) * SIDE)
        yield from _refused(lambda *_: (np.ones(3), 0.0, 0.0, 0.0), small)
        tiny = 0.5 + (good - 0.5) * 6 * value / np.sqrt(130.0**2 * (ROWS - 1 + SIDE) / (COLUMNS - 1 + SIDE) / 24)
        yield from _refused(lambda *_: (np.ones(3), 0.0, 0.0, 0.0), tiny)


def _refused(measured: object, corners: F64) -> tuple[float]:
    """How long the refusal is, where each patch gives this."""
    with patch.object(fit, "_patch", measured), patch.object(fit, "likeness", lambda _: 1.0):
        try:
            fit.read_chart(_picture(), _ONE, corners)
        except ValueError as error:
            return (float(len(str(error))),)
    return (0.0,)


def of_fit() -> Iterator[float]:
    """Fits of distorted colours, of a camera that must amplify noise, and fits that are nearly refused."""
    rng = np.random.default_rng(6)
    for count in (12, 13, 14, 15, 16):
        weights = np.arange(24)[::-1] < count
        try:
            fit.fit_matrix(LINEAR.clip(0.01), np.eye(3), weights.astype(np.float64))
        except ValueError:
            yield 0.0
        else:
            yield 1.0
    for value in (0.95, 1.05):
        yield float(len(fit._refusal(10.0 * value, 5.0, "")))
        yield float(len(fit._refusal(1.0, 20.0 * value, "")))
        yield float(len(fit._refusal(9.0, 27.0 * value, "")))
    wide = np.array([[0.6, 0.3, 0.1], [0.35, 0.5, 0.15], [0.25, 0.35, 0.4]])
    for mixed in (np.eye(3), wide):
        patches = LINEAR.clip(0.004) @ mixed.T * np.exp(rng.normal(0, 0.1, (24, 3)))
        found = fit.fit_matrix(patches, np.eye(3))
        yield from (*found.matrix.ravel(), *found.gradient, found.exposure)
        yield from found.noise.tolist()
