"""Finding a 24-patch chart, or a plain neutral card, in a picture whose light is unknown."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.imaging.geometry import Box, PixelBox, pixels_to_box
from pipeline.light.chart_values import COLUMNS, ROWS, SIDE, half_side, likeness, mapped, places, to_area
from pipeline.light.highlights import Chroma, gray_world
from pipeline.types import F32, F64

Mask = NDArray[np.bool_]

_LONG_EDGE = 768  # the search works at this size at most
_LEVELS = 3  # and at 1/2 and 1/4 of it, where the patches of a near chart are free of noise
_NINE = np.stack(np.meshgrid([-1.0, 0.0, 1.0], [-1.0, 0.0, 1.0]), axis=2).reshape(9, 2)
_FEWEST = 8  # patches that must be found as patches; the lattice supplies the rest
# log R/G and log B/G of a neutral against daylight, least and most: under the lamps of CIE 15:2018, mercury and
# high-pressure sodium, with the two cameras of colour-science, and a margin of 0.15; of 0.5 where red is missing.
_LAMPS = (np.array([-0.6, -1.47]), np.array([1.02, 0.15]))
_CENTRAL = 0.33  # a card that was held up for the camera has its middle this near to the picture's
_WORLD = 0.35  # farthest that a card's log chroma may lie from gray-world's
LIKE = 0.93  # least likeness that is a chart; see likeness()


def find_chart(pixels: F32, saturation: F64) -> F64 | None:
    """Corners (4, 2) of the patch area of a 24-patch chart, or None where none is surely in the picture.

    pixels (H, W, 3) linear camera colour, unbalanced; saturation (3,) in the same units. The corners are the
    outer corners of the outer patches as fractions (x, y) of the picture, clockwise from the dark-skin patch;
    they lie outside 0 to 1 where the frame cuts the chart by less than about a patch and a half.
    Flat regions of about equal size that stand in a lattice are grown into a grid, and the grid is believed
    only where its colours follow the published ones in every channel, so that no lamp need be known.
    """
    height, width = pixels.shape[:2]
    image = _rooted(pixels)
    scale = min(1.0, _LONG_EDGE / max(height, width))
    if scale < 1:
        image = _f32(cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
    finest, best, found = image, LIKE, None
    for level in range(_LEVELS):
        if level:
            image = _f32(cv2.resize(image, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
        smooth = _f32(cv2.GaussianBlur(image, (0, 0), 1.0))
        for centres, cells in _lattices(smooth):
            placed = _place(smooth, centres, cells)
            if placed is not None and placed[0] > best:
                best, found = placed[0], placed[1] / np.array([image.shape[1], image.shape[0]])
    size = np.array([finest.shape[1], finest.shape[0]])
    return None if found is None else np.asarray(_refined(finest, found * size) / size)


def _regions(smooth: F32) -> tuple[F64, F64]:
    """Flat solid regions, of several thresholds of flatness: middles (N, 2) in pixels, and areas (N,)."""
    slope = _slope(smooth)
    found, areas = [np.empty((0, 2))], [np.empty(0)]
    for share in (0.5, 0.6, 0.7, 0.78, 0.85):
        flat = (slope < np.quantile(slope, share)).astype(np.uint8)
        count, labels, stats, middles = cv2.connectedComponentsWithStats(flat, connectivity=4)
        area = stats[:, cv2.CC_STAT_AREA].astype(np.float64)
        box = stats[:, cv2.CC_STAT_WIDTH].astype(np.float64) * stats[:, cv2.CC_STAT_HEIGHT]
        keep = (area >= 12) & (area < flat.size / 20) & (area > 0.4 * box)
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
        keep &= (area > 0.85 * 12 * np.sqrt(det)) & ((xx + yy) ** 2 < 2.8 * 4 * det)
        found.append(np.asarray(middles[keep]))
        areas.append(area[keep])
    return _once(np.concatenate(found), np.concatenate(areas))


def _once(middles: F64, area: F64) -> tuple[F64, F64]:
    """Of regions that several thresholds show at one place, the largest."""
    order = np.argsort(-area, kind="stable")
    middles, area = middles[order], area[order]
    dropped = np.zeros(len(area), dtype=bool)
    if len(area):
        for i, near in enumerate(cKDTree(middles).query_ball_point(middles, 0.4 * np.sqrt(area))):
            if not dropped[i]:
                dropped[[j for j in near if j > i]] = True
    return middles[~dropped], area[~dropped]


def _f32(array: NDArray[Any]) -> F32:
    return np.asarray(array, dtype=np.float32)


def _rooted(pixels: F32) -> F32:
    """Square roots, which make photon noise equal at every brightness, so that one threshold serves the picture."""
    return _f32(np.sqrt(np.maximum(pixels, 0) / max(float(np.percentile(pixels, 99.5)), 1e-6)))


def _slope(smooth: F32) -> F32:
    """(H, W) steepness over all channels."""
    dx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3)
    dy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3)
    return _f32(np.sqrt((dx * dx + dy * dy).sum(axis=2)))


def _lattices(smooth: F32) -> Iterator[tuple[F64, NDArray[np.int64]]]:
    """Regions that stand in a lattice: middles (N, 2) in pixels and their whole-number cells (N, 2)."""
    middles, area = _regions(smooth)
    if len(area) < _FEWEST:
        return
    tree = cKDTree(middles)
    side = np.sqrt(area)
    used: set[int] = set()
    for seed in range(len(area)):
        if seed in used:
            continue
        for first, second in _bases(seed, middles, side, tree):
            cells = _grow(seed, first, second, middles, side, tree)
            if len(cells) >= _FEWEST:
                used.update(cells)
                index = np.array(list(cells))
                yield middles[index], np.array([cells[int(i)] for i in index])
                break


def _bases(seed: int, middles: F64, side: F64, tree: cKDTree) -> Iterator[tuple[F64, F64]]:
    """Pairs of steps (2,) from a region to two neighbours that could span a chart's lattice, x then y."""
    near = [i for i in tree.query_ball_point(middles[seed], 2.2 * side[seed]) if i != seed]
    near = [i for i in near if 0.5 < side[i] / side[seed] < 2]
    steps = sorted((middles[i] - middles[seed] for i in near), key=lambda s: float(np.hypot(*s)))[:6]
    for i, p in enumerate(steps):
        for q in steps[i + 1 :]:
            a, b = np.hypot(*p), np.hypot(*q)
            turn = (p[0] * q[1] - p[1] * q[0]) / (a * b)
            if abs(turn) > 0.75 and b < 2 * a:
                yield (p, q) if turn > 0 else (q, p)  # never mirrored: x, y stay right-handed


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
            if cell in taken or abs(cell[0]) > 5 or abs(cell[1]) > 5:
                continue
            distance, there = tree.query(middles[here] + step)
            there = int(there)
            if there in cells or distance > 0.22 * np.hypot(*step) or not 0.5 < side[there] / side[here] < 2:
                continue
            cells[there] = cell
            taken.add(cell)
            found_step = (middles[there] - middles[here]) * (du + dv)
            queue.append((there, (x + found_step) / 2, y) if du else (there, x, (y + found_step) / 2))
    return cells


def _place(smooth: F32, middles: F64, cells: NDArray[np.int64]) -> tuple[float, F64] | None:
    """The chart's best place on a lattice: likeness, and corners (4, 2) in pixels."""
    # Pixel index 0 is the middle of the first pixel: half a pixel makes coordinates of the plane.
    pitch = float(np.median(cKDTree(middles).query(middles, k=2)[0][:, 1]))
    fitted, inliers = cv2.findHomography(cells.astype(np.float64), middles + 0.5, cv2.RANSAC, 0.15 * pitch)
    if fitted is None or inliers.sum() < _FEWEST:
        return None
    to_image = np.asarray(fitted, dtype=np.float64)
    low, high = cells.min(axis=0), cells.max(axis=0)
    # Room for a chart that reaches beyond the patches seen, on either side and either way round.
    first, last = np.minimum(low, high - 5), np.maximum(high, low + 5)
    u, v = np.meshgrid(np.arange(first[0], last[0] + 1), np.arange(first[1], last[1] + 1))
    cell = np.stack([u, v], axis=2)[..., None, :] + 0.22 * _NINE
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
                if filled[area].sum() < _FEWEST:
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
    pitch = 16
    # Edges as wide as the template's, or the steps toward the best fit are too short.
    scale = min(1.0, 1.2 * pitch * (COLUMNS - 1 + SIDE) / float(np.hypot(*(corners[1] - corners[0]))))
    small = _f32(cv2.resize(image.mean(axis=2), None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
    grey = _f32(cv2.GaussianBlur(small, (0, 0), 0.7))
    shrink = np.array([grey.shape[1] / image.shape[1], grey.shape[0] / image.shape[0]])
    start_at = corners * shrink
    width, height = round((COLUMNS - 1 + SIDE) * pitch), round((ROWS - 1 + SIDE) * pitch)
    margin = 3  # a part of the dark border all around
    into = np.array([[1 / width, 0, -margin / width], [0, 1 / height, -margin / height], [0, 0, 1]])
    plane = to_area(start_at) @ into  # template pixel -> image plane
    middles = _sample(np.dstack([grey] * 3), mapped(to_area(start_at), places()))[:, 0]
    middles = np.nan_to_num(middles, nan=float(np.nanmedian(middles)))
    template = np.full((height + 2 * margin, width + 2 * margin), 0.9 * middles.min())  # the border is the darkest
    half = half_side() * [width, height]
    for (x, y), value in zip(places() * [width, height] + margin, middles, strict=True):
        template[round(y - half[1]) : round(y + half[1]), round(x - half[0]) : round(x + half[0])] = value
    template = _f32(cv2.GaussianBlur(template, (0, 0), 1.0))
    half_pixel = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1]])  # from indices of pixels to the plane
    start: NDArray[Any] = np.linalg.inv(half_pixel) @ plane @ half_pixel
    stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 40, 1e-5)
    start, everywhere = _f32(start / start[2, 2]), np.ones(grey.shape, dtype=np.uint8)
    try:
        found = cv2.findTransformECC(template, grey, start, cv2.MOTION_HOMOGRAPHY, stop, everywhere, 1)[1]
    except cv2.error:  # did not converge
        return corners
    ends = np.array([[0, 0], [width, 0], [width, height], [0, height]]) + margin - 0.5
    moved = mapped(half_pixel @ found.astype(np.float64), ends) / shrink
    patch = np.hypot(*(corners[1] - corners[0])) / (COLUMNS - 1 + SIDE)
    return moved if np.hypot(*(moved - corners).T).max() < 0.5 * patch else corners


def find_card(pixels: F32, saturation: F64, daylight: F64) -> Box | None:
    """A grey or white card: a box inside it; None where nothing is sure.

    pixels (H, W, 3) linear camera colour, unbalanced; saturation (3,) in the same units; daylight (3,)
    multipliers that balance D65. A card is a rectangle of one even colour, not wider than 2.2 times its height nor
    the other way round, 0.25 to 12 % of the picture, its middle in the middle two thirds, nowhere clipped, of a
    colour that some lamp gives a neutral and near what gray-world makes of the picture (no door, no red shirt).
    Where two candidates are about as good and disagree about the light, neither is sure.
    """
    height, width = pixels.shape[:2]
    world = gray_world(pixels, saturation, daylight)
    if world is None:
        return None
    scale = min(1.0, 0.5 * _LONG_EDGE / max(height, width))
    small = _f32(cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
    slope = _slope(_f32(cv2.GaussianBlur(_rooted(small), (0, 0), 0.8)))
    found: list[tuple[float, F64, Box]] = []
    for share in (0.5, 0.68, 0.82, 0.92, 0.96):
        flat = (slope < np.quantile(slope, share)).astype(np.uint8)
        opened = cv2.morphologyEx(flat, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        count, labels, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=4)
        share_of = stats[:, cv2.CC_STAT_AREA] / flat.size
        for index in np.flatnonzero((share_of > 0.0018) & (share_of < 0.12) & (np.arange(count) > 0)):
            card = _card(small, saturation, labels == index, daylight, world)
            if card is not None:
                found.append(card)
    found.sort(key=lambda card: -card[0])
    rivals = [card for card in found if card[0] > 0.7 * found[0][0]]
    agree = all(np.hypot(*(card[1] - found[0][1])) < 0.06 for card in rivals)
    return found[0][2] if found and agree else None


def _card(small: F32, saturation: F64, mask: Mask, daylight: F64, world: Chroma) -> tuple[float, F64, Box] | None:
    """Score, log chroma (2,) and inner box of a region if it can be a card."""
    h, w = mask.shape
    outline = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0][0]
    filled = cv2.drawContours(np.zeros((h, w), dtype=np.uint8), [outline], 0, 1, cv2.FILLED)  # noise leaves holes
    mask = np.asarray(filled > 0)
    x, y, across, down = cv2.boundingRect(outline)
    off_x, off_y = (x + across / 2) / w - 0.5, (y + down / 2) / h - 0.5
    if x < 2 or y < 2 or x + across > w - 2 or y + down > h - 2 or max(abs(off_x), abs(off_y)) > _CENTRAL:
        return None
    hull = cv2.convexHull(outline)
    quad = cv2.approxPolyDP(hull, 0.07 * cv2.arcLength(hull, True), True)
    _, sides, _ = cv2.minAreaRect(outline)
    area, whole = float(mask.sum()), (sides[0] + 1) * (sides[1] + 1)
    ratio = (max(sides) + 1) / (min(sides) + 1)
    # Four corners, solid, and no slot or strip. The slope eats a pixel of each side: 0.0025 becomes 0.0018.
    if len(quad) != 4 or area < 0.9 * whole or ratio > 2.2:
        return None
    values = small[mask].astype(np.float64)
    mean = values.mean(axis=0)
    dark = mean[1] < 0.06 * np.percentile(small[..., 1], 95)  # the black patch of a chart, a shoe, a bag
    if dark or not (mean > 0.003).all() or (values > 0.95 * saturation).any(axis=1).mean() > 0.005:
        return None
    chroma = np.log(mean[[0, 2]] / mean[1])
    away = chroma - [world.log_rg, world.log_bg]
    lamp = chroma + np.log(daylight[[0, 2]] / daylight[1])
    if np.hypot(*away) > _WORLD or not (_LAMPS[0] <= lamp).all() or not (lamp <= _LAMPS[1]).all():
        return None
    scatter = _scatter(small, mask)
    if scatter > 0.03:
        return None
    box = _inner(mask, x + across / 2, y + down / 2, across, down)
    if box is None:
        return None
    score = min(1.0, (area / mask.size / 0.005) ** 0.5) * (1 - np.hypot(off_x, off_y))
    score *= (1 - scatter / 0.04) * (1 - 0.5 * np.hypot(*away))
    return float(score), chroma, pixels_to_box(box, h, w)


def _scatter(small: F32, mask: Mask) -> float:
    """Scatter of a region's sixteenths about a straight fall of light, beyond noise, relative to the mean.

    Folded shirts, planks and lettering scatter; a card does not, however the light falls off over it.
    """
    y, x = np.nonzero(mask)
    values = small[mask].sum(axis=1).astype(np.float64)
    plane = np.column_stack([np.ones(len(x)), x - x.mean(), y - y.mean()])
    rest = values - plane @ np.linalg.lstsq(plane, values, rcond=None)[0]
    block = 4 * (4 * (y - y.min()) // (np.ptp(y) + 1)) + 4 * (x - x.min()) // (np.ptp(x) + 1)
    counts = np.maximum(np.bincount(block, minlength=16), 1)
    means = np.bincount(block, rest, 16) / counts
    within = (np.bincount(block, rest**2, 16) / counts - means**2) / counts
    full = counts >= 0.5 * np.median(counts)
    return float(np.sqrt(max(means[full].var() - within[full].mean(), 0.0)) / max(values.mean(), 1e-9))


def _inner(mask: Mask, x: float, y: float, across: float, down: float) -> PixelBox | None:
    """The largest box about a middle that lies wholly in the region."""
    for share in np.arange(0.85, 0.25, -0.1):
        x0, y0 = round(x - share * across / 2), round(y - share * down / 2)
        x1, y1 = max(round(x + share * across / 2), x0 + 2), max(round(y + share * down / 2), y0 + 2)
        if mask[y0:y1, x0:x1].all():
            return PixelBox(x0, y0, x1, y1)
    return None
