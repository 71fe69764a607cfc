"""Finding a plain neutral card in a picture whose light is unknown."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.geometry import Box, PixelBox, pixels_to_box
from pipeline.light.chart.find import rooted, slope_of, to_f32
from pipeline.light.highlights import Chroma, gray_world
from pipeline.types import F32, F64

Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class CardConstants:
    """What a card is. Lengths in pixels of the picture that is searched, areas as shares of it, chroma in natural log.

    No published values exist but where one is named. Chosen by trial on drawn cards and sheets, real charts and
    pictures without either: `pytest tests/light/test_chart.py`. That each one matters:
    `pytest tests/test_constants.py`.
    """

    long_edge: float = 384.0
    blur: float = 0.8
    flat_shares: tuple[float, ...] = (0.5, 0.68, 0.82, 0.92, 0.96)  # of the picture, taken to be flat in turn
    least_area: float = 0.0018  # 0.0025 in the picture: the slope takes a pixel of each side
    most_area: float = 0.12
    rim: int = 2  # a card does not touch the picture's rim
    central: float = 0.33  # a card that was held up for the camera has its middle this near to the picture's
    corner: float = 0.07  # of the outline's length, by which it may stray from a quadrangle
    solid: float = 0.9  # least share of the turned box around it that it fills
    longest: float = 2.2  # sides of a card, one to the other
    dark: float = 0.06  # of what is nearly white: the black patch of a chart, a shoe, a bag
    white: float = 95.0  # percentile of green that counts as that
    noise: float = 0.003  # of saturation, up to which a colour is noise
    clipped: float = 0.95  # of saturation
    most_clipped: float = 0.005  # share of its pixels
    world: float = 0.35  # farthest that its chroma may lie from gray-world's
    # Chroma (R/G, B/G) of a neutral against daylight, least and most: under the lamps of CIE 15:2018, mercury and
    # high-pressure sodium, with the two cameras of colour-science, and a margin of 0.15; of 0.5 where red is missing.
    lamps_from: tuple[float, float] = (-0.6, -1.47)
    lamps_to: tuple[float, float] = (1.02, 0.15)
    most_scatter: float = 0.03  # of its sixteenths, relative to the mean
    scatter_scale: float = 0.04  # at which the score would be nothing
    away: float = 0.5  # of the score, lost with each unit of chroma from gray-world
    full_area: float = 0.005  # from which the score grows no more with size
    rival: float = 0.7  # of the best score, from which another region is a rival
    agree: float = 0.06  # chroma, within which a rival says the same of the light
    full_block: float = 0.5  # of the median sixteenth's pixels, from which a sixteenth counts
    inner_most: float = 0.85  # of its sides: the box that is tried first
    inner_least: float = 0.25
    inner_step: float = 0.1


CARD = CardConstants()


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
    scale = min(1.0, CARD.long_edge / max(height, width))
    small = to_f32(cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
    slope = slope_of(to_f32(cv2.GaussianBlur(rooted(small), (0, 0), CARD.blur)))
    found: list[tuple[float, F64, Box]] = []
    for share in CARD.flat_shares:
        flat = (slope < np.quantile(slope, share)).astype(np.uint8)
        opened = cv2.morphologyEx(flat, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        count, labels, stats, _ = cv2.connectedComponentsWithStats(opened, connectivity=4)
        share_of = stats[:, cv2.CC_STAT_AREA] / flat.size
        sized = (share_of > CARD.least_area) & (share_of < CARD.most_area)
        for index in np.flatnonzero(sized & (np.arange(count) > 0)):
            card = _card(small, saturation, labels == index, daylight, world)
            if card is not None:
                found.append(card)
    found.sort(key=lambda card: -card[0])
    rivals = [card for card in found if card[0] > CARD.rival * found[0][0]]
    agree = all(np.hypot(*(card[1] - found[0][1])) < CARD.agree for card in rivals)
    return found[0][2] if found and agree else None


def _card(small: F32, saturation: F64, mask: Mask, daylight: F64, world: Chroma) -> tuple[float, F64, Box] | None:
    """Score, log chroma (2,) and inner box of a region if it can be a card."""
    h, w = mask.shape
    outline = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)[0][0]
    filled = cv2.drawContours(np.zeros((h, w), dtype=np.uint8), [outline], 0, 1, cv2.FILLED)  # noise leaves holes
    mask = np.asarray(filled > 0)
    x, y, across, down = cv2.boundingRect(outline)
    off_x, off_y = (x + across / 2) / w - 0.5, (y + down / 2) / h - 0.5
    rim = CARD.rim
    cut = x < rim or y < rim or x + across > w - rim or y + down > h - rim
    if cut or max(abs(off_x), abs(off_y)) > CARD.central:
        return None
    hull = cv2.convexHull(outline)
    quad = cv2.approxPolyDP(hull, CARD.corner * cv2.arcLength(hull, True), True)
    _, sides, _ = cv2.minAreaRect(outline)
    area, whole = float(mask.sum()), (sides[0] + 1) * (sides[1] + 1)
    ratio = (max(sides) + 1) / (min(sides) + 1)
    # Four corners, solid, and no slot or strip.
    if len(quad) != 4 or area < CARD.solid * whole or ratio > CARD.longest:
        return None
    values = small[mask].astype(np.float64)
    mean = values.mean(axis=0)
    dark = mean[1] < CARD.dark * np.percentile(small[..., 1], CARD.white)
    clipped = (values > CARD.clipped * saturation).any(axis=1).mean() > CARD.most_clipped
    if dark or clipped or not (mean > CARD.noise).all():
        return None
    chroma = np.log(mean[[0, 2]] / mean[1])
    away = chroma - [world.log_rg, world.log_bg]
    lamp = chroma + np.log(daylight[[0, 2]] / daylight[1])
    if np.hypot(*away) > CARD.world or not (CARD.lamps_from <= lamp).all() or not (lamp <= CARD.lamps_to).all():
        return None
    scatter = _scatter(small, mask)
    if scatter > CARD.most_scatter:
        return None
    box = _inner(mask, x + across / 2, y + down / 2, across, down)
    if box is None:
        return None
    score = min(1.0, (area / mask.size / CARD.full_area) ** 0.5) * (1 - np.hypot(off_x, off_y))
    score *= (1 - scatter / CARD.scatter_scale) * (1 - CARD.away * np.hypot(*away))
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
    full = counts >= CARD.full_block * np.median(counts)
    return float(np.sqrt(max(means[full].var() - within[full].mean(), 0.0)) / max(values.mean(), 1e-9))


def _inner(mask: Mask, x: float, y: float, across: float, down: float) -> PixelBox | None:
    """The largest box about a middle that lies wholly in the region."""
    for share in np.arange(CARD.inner_most, CARD.inner_least, -CARD.inner_step):
        x0, y0 = round(x - share * across / 2), round(y - share * down / 2)
        x1, y1 = max(round(x + share * across / 2), x0 + 2), max(round(y + share * down / 2), y0 + 2)
        if mask[y0:y1, x0:x1].all():
            return PixelBox(x0, y0, x1, y1)
    return None
