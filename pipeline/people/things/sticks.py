"""Long thin things in somebody's hands, which no network of ours knows: a floorball or hockey stick, a racket's shaft.

Line segments by LSD (Grompone von Gioi, Jakubowicz, Morel and Randall, IEEE PAMI 32(4), 2010), in OpenCV. What is held
is a bar: two edges side by side, that begins at the hands and ends in the open. A line of the court that passes behind
somebody goes on at the other side, or further than a stick is long. That rule, and its numbers, are ours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.types import F32, F64


@dataclass(frozen=True)
class StickRules:
    """Lengths in heights of the person, where nothing else is said.

    A floorball stick is 0.95 m at most without its blade, an indoor hockey stick about as long, a racket 0.69 m (rules
    of the games, from memory): 0.4 to 0.55 of an adult, of one who bends more. The rest by eye on court frames, with
    drawn sticks and without.
    """

    edge: int = 704  # pixels of the longer side in which segments are looked for: in 960 no more sticks are found
    blur: float = 0.8  # of these pixels, before segments are looked for
    sigma: float = 0.6  # and of LSD's own, see imaging.level
    quant: float = 3.0  # grey levels of gradient that count as noise
    tall: float = 0.15  # of the frame: a stick of somebody smaller is hardly a pixel wide
    piece: float = 0.06  # shorter segments are noise or cloth
    seed: float = 0.12  # the longest piece of an edge
    gap: float = 0.12  # between two pieces of one edge
    off: float = 0.012  # across the edge, of its pieces, and pixels at least:
    least_off: float = 1.5
    shortest: float = 0.25
    longest: float = 0.85
    begins: float = 0.12  # from the box, at most; it points at the box between so far from its top
    hands: tuple[float, float] = (0.2, 0.75)  # and so far
    ends: tuple[float, float] = (0.12, 0.85)  # from the box
    blade: float = 0.12  # around the outer end, which is a blade or a head
    goes_on: float = 0.1  # length of what lies on the same line, beyond either end, of a line that is no stick
    beside: float = 0.035  # across, of such a line
    behind: float = 0.25  # along, from where it begins to what lies at the other side of the person
    thick: tuple[float, float] = (0.004, 0.06)  # from edge to edge
    parallel: float = 0.99  # cosine
    rim: float = 2.0  # pixels from the frame's rim: what it cuts goes on


RULES = StickRules()


def reach_with_sticks(grey: NDArray[np.uint8], people: F32, reach: F32) -> F32:
    """The `reach` (N, 5) of `people` (N, 5), in fractions of a picture (H, W), widened by what they may hold."""
    import cv2

    large = np.flatnonzero(people[:, 3] - people[:, 1] >= RULES.tall)
    if not len(large):
        return reach
    scale = min(1.0, RULES.edge / max(grey.shape))
    height, width = (round(side * scale) for side in grey.shape)
    small = cv2.GaussianBlur(cv2.resize(grey, (width, height), interpolation=cv2.INTER_AREA), (0, 0), RULES.blur)
    lines = cv2.createLineSegmentDetector(cv2.LSD_REFINE_NONE, 1.0, RULES.sigma, RULES.quant).detect(small)[0]
    ends = np.zeros((0, 2, 2)) if lines is None else np.asarray(lines, np.float64).reshape(-1, 2, 2)
    size, found = np.array([width, height], np.float64), reach.copy()
    for row in large:
        for bar in _bars(ends, people[row, :4].astype(np.float64).reshape(2, 2) * size, size):
            low, high = np.clip(bar / size, 0, 1)
            found[row, :2], found[row, 2:4] = np.minimum(found[row, :2], low), np.maximum(found[row, 2:4], high)
    return found


def _bars(ends: F64, box: F64, size: F64) -> list[F64]:
    """(2, 2) around each bar, with its blade, that somebody in `box` (2, 2) may hold; of segments (M, 2, 2). Pixels."""
    tall = float(box[1, 1] - box[0, 1])
    long = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1) >= RULES.piece * tall
    reach = RULES.ends[1] + RULES.longest
    near = (_away(ends, box) <= reach * tall).all(axis=1) & long
    ends = ends[near]
    seeds = np.flatnonzero(_points_at(ends, box, tall)).tolist()
    edges = [edge for at in seeds if (edge := _edge(ends, at, box, tall, size)) is not None]
    return [
        np.array([np.minimum(edge[0], edge[1] - RULES.blade * tall), np.maximum(edge[0], edge[1] + RULES.blade * tall)])
        for at, edge in enumerate(edges)
        if any(_beside(edge, other, tall) for n, other in enumerate(edges) if n != at)
    ]


def _points_at(ends: F64, box: F64, tall: float) -> NDArray[np.bool_]:
    """(M,) whether segments (M, 2, 2) are no short pieces, and lie on lines through where the hands in a box may be."""
    hands = box[0, 1] + np.array(RULES.hands) * tall
    corners = np.array([[x, y] for x in box[:, 0] for y in hands])
    along = ends[:, 1] - ends[:, 0]
    long = np.linalg.norm(along, axis=1)
    to = corners[None] - ends[:, :1]
    side = along[:, None, 0] * to[..., 1] - along[:, None, 1] * to[..., 0]
    return np.asarray((long >= RULES.seed * tall) & (side.min(axis=1) < 0) & (side.max(axis=1) > 0))


def _away(points: F64, box: F64) -> F64:
    """(...) how far points (..., 2) are from a box."""
    return np.asarray(np.linalg.norm(np.maximum(np.maximum(box[0] - points, points - box[1]), 0), axis=-1))


def _edge(ends: F64, at: int, box: F64, tall: float, size: F64) -> F64 | None:
    """(2, 2) from the hands outwards: the edge that a segment is a piece of, or None where it is none of a stick."""
    start, along = ends[at, 0], ends[at, 1] - ends[at, 0]
    along = along / np.linalg.norm(along)
    placed = ends - start
    across = np.abs(placed @ np.array([-along[1], along[0]])).max(axis=1)
    spans = np.sort(placed @ along, axis=1)
    pieces = across <= max(RULES.off * tall, RULES.least_off)
    low, high = spans[at]
    order = np.argsort(spans[:, 0])
    for _ in range(2):
        for low_next, high_next in spans[order][pieces[order]]:
            if low_next <= high + RULES.gap * tall and high_next >= low - RULES.gap * tall:
                low, high = min(low, low_next), max(high, high_next)
    if not RULES.shortest * tall <= high - low <= RULES.longest * tall:
        return None
    edge = start + np.array([low, high])[:, None] * along
    if _away(edge[0], box) > _away(edge[1], box):
        edge, along, spans, low, high = edge[::-1], -along, -spans[:, ::-1], -high, -low
    begins, out = _away(edge, box)
    if begins > RULES.begins * tall or not RULES.ends[0] * tall <= out <= RULES.ends[1] * tall:
        return None
    if (edge[1] < RULES.rim).any() or (edge[1] > size - RULES.rim).any():
        return None
    line = (across <= RULES.beside * tall) & (spans[:, 1] - spans[:, 0] >= RULES.goes_on * tall)
    further = spans[:, 1] > high + RULES.goes_on * tall
    back = (spans[:, 1] < low - RULES.behind * tall) & (_away(ends, box).max(axis=1) > RULES.begins * tall)
    return None if (line & (further | back)).any() else edge


def _beside(edge: F64, other: F64, tall: float) -> bool:
    """Whether two edges (2, 2) are those of one bar."""
    along, there = (one[1] - one[0] for one in (edge, other))
    cosine = abs(along @ there) / (np.linalg.norm(along) * np.linalg.norm(there))
    normal = np.array([-along[1], along[0]]) / np.linalg.norm(along)
    apart = np.abs((other - edge[0]) @ normal) / tall
    low, high = RULES.thick
    return bool(cosine > RULES.parallel and low < apart.mean() <= high and apart.max() <= 1.5 * high)
