"""Finding a 24-patch chart in a picture whose light is unknown."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.light.chart.values import COLUMNS, ROWS, SIDE, half_side, likeness, mapped, places, to_area
from pipeline.types import F32, F64

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

_NINE = np.stack(np.meshgrid([-1.0, 0.0, 1.0], [-1.0, 0.0, 1.0]), axis=2).reshape(9, 2)


@dataclass(frozen=True)
class ChartConstants:
    """How patches are looked for and put together to a chart. Lengths in pixels of the picture that is searched.

    No published values exist. Chosen by trial on photographs of real charts and of none, and on drawn charts under
    lamps of CIE 15:2018: `pytest tests/light/test_chart.py`. That each one matters: `pytest tests/test_constants.py`.
    """

    long_edge: int = 768  # the search works at this size at most
    levels: int = 3  # and at 1/2 and 1/4 of it, where the patches of a near chart are free of noise
    blur: float = 1.0
    white: float = 99.5  # percentile of the values that counts as white
    flat_shares: tuple[float, ...] = (0.5, 0.6, 0.7, 0.78, 0.85)  # of the picture, taken to be flat in turn
    least_area: int = 12
    least_parts: int = 20  # a patch is smaller than one of so many of the picture
    least_filled: float = 0.4  # of its upright box, by a patch that is turned
    least_solid: float = 0.85  # of the parallelogram that has the same covariance
    most_long: float = 2.8  # trace squared over four determinants of its covariance: sides of about 3 to 1
    same_place: float = 0.4  # of a region's side, within which another is the same one
    fewest: int = 8  # patches that must be found as patches; the lattice supplies the rest
    near: float = 2.2  # sides of a patch, within which its neighbours lie
    same_size: float = 2.0  # times the side, or one over it, of a neighbour
    neighbours: int = 6  # nearest ones that are tried
    upright: float = 0.75  # least sine of the angle between two steps of the lattice
    same_step: float = 2.0  # times the shorter step, that the other may be long
    off_step: float = 0.22  # of a step, by which a neighbour may miss its place
    inlier: float = 0.15  # of the lattice's pitch, by which a patch may miss its place in the homography
    sampled: float = 0.22  # of the pitch, from the middle of a patch to the other eight places where it is read
    like: float = 0.93  # least likeness that is a chart; see likeness()


CHART = ChartConstants()


@dataclass(frozen=True)
class RefineConstants:
    """How a chart's corners are fitted: a chart is drawn and aligned. Pixels of the drawing. Chosen by trial on drawn
    charts: `pytest tests/light/test_chart.py`. That each one matters: `pytest tests/test_constants.py`."""

    pitch: int = 16  # from one patch to the next
    wider: float = 1.2  # times that, the most in the picture: edges as wide as the drawing's, or steps are too short
    blur: float = 0.7  # of the picture
    drawn_blur: float = 1.0
    margin: int = 3  # a part of the dark border all around
    border: float = 0.9  # times the darkest patch: the border is darker
    steps: int = 40
    stop: float = 1e-5  # gain in correlation
    most_moved: float = 0.5  # patches, beyond which the corners stay as they were


REFINE = RefineConstants()


def find_chart(pixels: F32) -> F64 | None:
    """Corners (4, 2) of the patch area of a 24-patch chart, or None where none is surely in the picture.

    pixels (H, W, 3) linear camera colour, unbalanced. The corners are the
    outer corners of the outer patches as fractions (x, y) of the picture, clockwise from the dark-skin patch;
    they lie outside 0 to 1 where the frame cuts the chart by less than about a patch and a half.
    Flat regions of about equal size that stand in a lattice are grown into a grid, and the grid is believed
    only where its colours follow the published ones in every channel, so that no lamp need be known.
    """
    height, width = pixels.shape[:2]
    image = rooted(pixels)
    scale = min(1.0, CHART.long_edge / max(height, width))
    if scale < 1:
        image = to_f32(cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
    finest, best, found = image, CHART.like, None
    for level in range(CHART.levels):
        if level:
            image = to_f32(cv2.resize(image, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
        smooth = to_f32(cv2.GaussianBlur(image, (0, 0), CHART.blur))
        for centres, cells in _lattices(smooth):
            placed = _place(smooth, centres, cells)
            if placed is not None and placed[0] > best:
                best, found = placed[0], placed[1] / np.array([image.shape[1], image.shape[0]])
    size = np.array([finest.shape[1], finest.shape[0]])
    return None if found is None else np.asarray(_refined(finest, found * size) / size)


def _regions(smooth: F32) -> tuple[F64, F64]:
    """Flat solid regions, of several thresholds of flatness: middles (N, 2) in pixels, and areas (N,)."""
    slope = slope_of(smooth)
    found, areas = [np.empty((0, 2))], [np.empty(0)]
    for share in CHART.flat_shares:
        flat = (slope < np.quantile(slope, share)).astype(np.uint8)
        count, labels, stats, middles = cv2.connectedComponentsWithStats(flat, connectivity=4)
        area = stats[:, cv2.CC_STAT_AREA].astype(np.float64)
        box = stats[:, cv2.CC_STAT_WIDTH].astype(np.float64) * stats[:, cv2.CC_STAT_HEIGHT]
        keep = (area >= CHART.least_area) & (area < flat.size / CHART.least_parts) & (area > CHART.least_filled * box)
        keep[0] = False
        y, x = np.nonzero(keep[labels])
        label = labels[y, x]
        x_off, y_off = x - middles[label, 0], y - middles[label, 1]
        n = np.maximum(area, 1)
        xx = np.bincount(label, x_off * x_off, count) / n + 1 / 12
        yy = np.bincount(label, y_off * y_off, count) / n + 1 / 12
        xy = np.bincount(label, x_off * y_off, count) / n
        # A solid parallelogram has area = 12 * sqrt(det of its covariance); holes and arms make it less.
        det = np.maximum(xx * yy - xy * xy, 1e-9)
        solid = area > CHART.least_solid * 12 * np.sqrt(det)
        keep &= solid & ((xx + yy) ** 2 < CHART.most_long * 4 * det)
        found.append(np.asarray(middles[keep]))
        areas.append(area[keep])
    return _once(np.concatenate(found), np.concatenate(areas))


def _once(middles: F64, area: F64) -> tuple[F64, F64]:
    """Of regions that several thresholds show at one place, the largest."""
    from scipy.spatial import cKDTree

    order = np.argsort(-area, kind="stable")
    middles, area = middles[order], area[order]
    dropped = np.zeros(len(area), dtype=bool)
    if len(area):
        for i, near in enumerate(cKDTree(middles).query_ball_point(middles, CHART.same_place * np.sqrt(area))):
            if not dropped[i]:
                dropped[[j for j in near if j > i]] = True
    return middles[~dropped], area[~dropped]


def to_f32(array: NDArray[Any]) -> F32:
    """An array of any shape as float32."""
    return np.asarray(array, dtype=np.float32)


def rooted(pixels: F32) -> F32:
    """Square roots of linear pixels (H, W, 3), about 1 in white.

    They make photon noise equal at every brightness, so that one threshold serves the picture.
    """
    return to_f32(np.sqrt(np.maximum(pixels, 0) / max(float(np.percentile(pixels, CHART.white)), 1e-6)))


def slope_of(smooth: F32) -> F32:
    """(H, W) steepness over all channels of (H, W, C), per pixel, times 8 (Sobel)."""
    dx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3)
    dy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3)
    return to_f32(np.sqrt((dx * dx + dy * dy).sum(axis=2)))


def _lattices(smooth: F32) -> Iterator[tuple[F64, NDArray[np.int64]]]:
    """Regions that stand in a lattice: middles (N, 2) in pixels and their whole-number cells (N, 2)."""
    from scipy.spatial import cKDTree

    middles, area = _regions(smooth)
    if len(area) < CHART.fewest:
        return
    tree = cKDTree(middles)
    side = np.sqrt(area)
    used: set[int] = set()
    for seed in range(len(area)):
        if seed in used:
            continue
        for first, second in _bases(seed, middles, side, tree):
            cells = _grow(seed, first, second, middles, side, tree)
            if len(cells) >= CHART.fewest:
                used.update(cells)
                index = np.array(list(cells))
                yield middles[index], np.array([cells[int(i)] for i in index])
                break


def _bases(seed: int, middles: F64, side: F64, tree: cKDTree) -> Iterator[tuple[F64, F64]]:
    """Pairs of steps (2,) from a region to two neighbours that could span a chart's lattice, x then y."""
    near = [i for i in tree.query_ball_point(middles[seed], CHART.near * side[seed]) if i != seed]
    near = [i for i in near if _alike(side[i], side[seed])]
    steps = sorted((middles[i] - middles[seed] for i in near), key=lambda s: float(np.hypot(*s)))[: CHART.neighbours]
    for i, p in enumerate(steps):
        for q in steps[i + 1 :]:
            a, b = np.hypot(*p), np.hypot(*q)
            turn = (p[0] * q[1] - p[1] * q[0]) / (a * b)
            if abs(turn) > CHART.upright and b < CHART.same_step * a:
                yield (p, q) if turn > 0 else (q, p)  # never mirrored: x, y stay right-handed


def _alike(one: float, other: float) -> bool:
    return bool(1 / CHART.same_size < one / other < CHART.same_size)


def _grow(seed: int, x: F64, y: F64, middles: F64, side: F64, tree: cKDTree) -> dict[int, tuple[int, int]]:
    """Region -> cell, from the seed outwards; each step starts from the step that led to the neighbour."""
    cells = {int(seed): (0, 0)}
    taken = {(0, 0)}
    queue = [(int(seed), x, y)]
    while queue:
        here, x, y = queue.pop(0)
        u, v = cells[here]
        for du, dv, step in ((1, 0, x), (-1, 0, -x), (0, 1, y), (0, -1, -y)):
            cell = (u + du, v + dv)
            if cell in taken or max(abs(cell[0]), abs(cell[1])) > COLUMNS - 1:
                continue
            distance, there = tree.query(middles[here] + step)
            there = int(there)
            far = distance > CHART.off_step * np.hypot(*step)
            if there in cells or far or not _alike(side[there], side[here]):
                continue
            cells[there] = cell
            taken.add(cell)
            found_step = (middles[there] - middles[here]) * (du + dv)
            queue.append((there, (x + found_step) / 2, y) if du else (there, x, (y + found_step) / 2))
    return cells


def _place(smooth: F32, middles: F64, cells: NDArray[np.int64]) -> tuple[float, F64] | None:
    """The chart's best place on a lattice: likeness, and corners (4, 2) in pixels."""
    from scipy.spatial import cKDTree

    # Pixel index 0 is the middle of the first pixel: half a pixel makes coordinates of the plane.
    pitch = float(np.median(cKDTree(middles).query(middles, k=2)[0][:, 1]))
    fitted, inliers = cv2.findHomography(cells.astype(np.float64), middles + 0.5, cv2.RANSAC, CHART.inlier * pitch)
    if fitted is None or inliers.sum() < CHART.fewest:
        return None
    to_image = np.asarray(fitted, dtype=np.float64)
    low, high = cells.min(axis=0), cells.max(axis=0)
    # Room for a chart that reaches beyond the patches seen, on either side and either way round.
    first, last = np.minimum(low, high - (COLUMNS - 1)), np.maximum(high, low + COLUMNS - 1)
    u, v = np.meshgrid(np.arange(first[0], last[0] + 1), np.arange(first[1], last[1] + 1))
    cell = np.stack([u, v], axis=2)[..., None, :] + CHART.sampled * _NINE
    grid = _sample(smooth, mapped(to_image, cell.reshape(-1, 2))).reshape(*u.shape, 9, 3).mean(axis=2)
    occupied = np.zeros(u.shape, dtype=bool)
    occupied[cells[:, 1] - v[0, 0], cells[:, 0] - u[0, 0]] = inliers.ravel() > 0
    best: tuple[float, F64] | None = None
    for quarter in range(4):
        turned, filled = np.rot90(grid, quarter), np.rot90(occupied, quarter)
        places = np.rot90(np.stack([u, v], axis=2), quarter)
        for row in range(turned.shape[0] - ROWS + 1):
            for column in range(turned.shape[1] - COLUMNS + 1):
                area = (slice(row, row + ROWS), slice(column, column + COLUMNS))
                if filled[area].sum() < CHART.fewest:
                    continue
                like = likeness(turned[area].reshape(-1, 3) ** 2)
                if best is None or like > best[0]:
                    best = like, _outer(to_image, places[area].astype(np.float64))
    return best


def _outer(to_image: F64, cell: F64) -> F64:
    """Cells (4, 6, 2) of the patches to the four outer corners (4, 2) in the image."""
    across, down = cell[0, 1] - cell[0, 0], cell[1, 0] - cell[0, 0]
    ends = cell[[0, 0, -1, -1], [0, -1, -1, 0]]
    return mapped(to_image, ends + 0.5 * SIDE * np.array([-across - down, across - down, across + down, down - across]))


def _sample(smooth: F32, points: F64) -> F64:
    """Colours (N, 3) at points of the plane (N, 2); not a number outside the picture."""
    at = (points - 0.5).astype(np.float32)[None]
    colours = cv2.remap(smooth, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0]
    h, w = smooth.shape[:2]
    inside = (points >= 0).all(axis=1) & (points[:, 0] < w) & (points[:, 1] < h)
    return np.where(inside[:, None], colours, np.nan).astype(np.float64)


def _refined(image: F32, corners: F64) -> F64:
    """Corners (4, 2) moved until a chart drawn from the colours at its own patches' middles fits best.

    Enhanced correlation maximisation: Evangelidis and Psarakis, IEEE PAMI 30(10), 2008. Corners that would
    move by more than half a patch stay as they were.
    """
    pitch, margin = REFINE.pitch, REFINE.margin
    scale = min(1.0, REFINE.wider * pitch * (COLUMNS - 1 + SIDE) / float(np.hypot(*(corners[1] - corners[0]))))
    small = to_f32(cv2.resize(image.mean(axis=2), None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
    grey = to_f32(cv2.GaussianBlur(small, (0, 0), REFINE.blur))
    shrink = np.array([grey.shape[1] / image.shape[1], grey.shape[0] / image.shape[0]])
    start_at = corners * shrink
    width, height = round((COLUMNS - 1 + SIDE) * pitch), round((ROWS - 1 + SIDE) * pitch)
    into = np.array([[1 / width, 0, -margin / width], [0, 1 / height, -margin / height], [0, 0, 1]])
    plane = to_area(start_at) @ into  # template pixel -> image plane
    middles = _sample(np.dstack([grey] * 3), mapped(to_area(start_at), places()))[:, 0]
    middles = np.nan_to_num(middles, nan=float(np.nanmedian(middles)))
    template = np.full((height + 2 * margin, width + 2 * margin), REFINE.border * middles.min())
    half = half_side() * [width, height]
    for (x, y), value in zip(places() * [width, height] + margin, middles, strict=True):
        template[round(y - half[1]) : round(y + half[1]), round(x - half[0]) : round(x + half[0])] = value
    template = to_f32(cv2.GaussianBlur(template, (0, 0), REFINE.drawn_blur))
    half_pixel = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])  # from indices of pixels to the plane
    start: NDArray[Any] = np.linalg.inv(half_pixel) @ plane @ half_pixel
    stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, REFINE.steps, REFINE.stop)
    start, everywhere = to_f32(start / start[2, 2]), np.ones(grey.shape, dtype=np.uint8)
    try:
        found = cv2.findTransformECC(template, grey, start, cv2.MOTION_HOMOGRAPHY, stop, everywhere, 1)[1]
    except cv2.error:  # did not converge
        return corners
    ends = np.array([[0, 0], [width, 0], [width, height], [0, height]]) + margin - 0.5
    moved = mapped(half_pixel @ found.astype(np.float64), ends) / shrink
    patch = np.hypot(*(corners[1] - corners[0])) / (COLUMNS - 1 + SIDE)
    return moved if np.hypot(*(moved - corners).T).max() < REFINE.most_moved * patch else corners
