"""Where to cut: crops that hold their subject whole, cut nobody's face, and move calmly over a burst.

Lengths are in heights of the frame: a frame of aspect A is A wide and 1 high. A crop is its middle and its height.
Every frame proposes some hundreds of crops, each with a cost; the cheapest way through the burst is found by
dynamic programming (Viterbi 1967), so that what one frame would like is weighed against an even sequence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import gaussian_filter1d, maximum_filter1d

from pipeline.imaging.geometry import HeightBox
from pipeline.types import F64

LOOSEST = 1.55  # of the subject's height: a crop looser than this is not one, if nothing forces it
_SIZES = (0.94, 1.0, 1.06, 1.14, 1.24)
_KEPT = 80  # proposals of a frame that take part in the search through the burst
_EXACT = 1e-9  # a crop just as large as what it must hold does hold it, whatever the last bit says
# Cost of a crop beside its place, per (distance / height of the crop) squared: with much less, whoever runs along
# pulls the crop to his side, and the room is behind the subject (measured by tests.crops).
_PLACE = 20.0
_CALM = 60.0  # cost of a step from the evened path, per (step / height of the crop) squared


@dataclass(frozen=True)
class CropConstraints:
    """What a crop of one frame must and should do. Boxes in heights of the frame.

    frame    (width, 1) of the part that may be used, as a box: all of the frame unless it was turned
    must     box that has to be inside: the subject with its margin, its faces, the ball
    subject  the person alone
    least    lowest height of a crop: so many pixels are asked for
    towards  -1 to 1: where room is left
    faces, people, balls  (N, 4) of everybody: not to be cut
    """

    frame: HeightBox
    must: HeightBox
    subject: HeightBox
    least: float
    towards: float
    faces: F64
    people: F64
    balls: F64


@dataclass(frozen=True)
class Style:
    """aspect width / height; fill share of the crop's height for the subject; lead_room 0 to 1."""

    aspect: float
    fill: float
    lead_room: float


@dataclass
class _Proposals:
    crops: F64 = field(default_factory=lambda: np.zeros((0, 3)))  # middle x, y, height
    costs: F64 = field(default_factory=lambda: np.zeros(0))


def turned_boxes(boxes: F64, degrees: float, width: float) -> F64:
    """The upright boxes around `boxes` (N, 4) after the frame, `width` wide, was turned clockwise about its middle."""
    angle = np.radians(degrees)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    middle = np.array([width / 2, 0.5])
    corners = boxes[:, [0, 1, 2, 1, 2, 3, 0, 3]].reshape(-1, 4, 2)
    moved = (corners - middle) @ turn + middle
    return np.concatenate([moved.min(axis=1), moved.max(axis=1)], axis=1)


def fits(constraints: CropConstraints, aspect: float) -> bool:
    """Whether the subject alone, without any margin, can stand whole in a crop of this aspect."""
    widest = min(constraints.frame[2] - constraints.frame[0], (constraints.frame[3] - constraints.frame[1]) * aspect)
    x0, y0, x1, y1 = constraints.subject
    return x1 - x0 <= widest + 1e-6 and y1 - y0 <= widest / aspect + 1e-6


def frame_burst(constraints: Sequence[CropConstraints], style: Style) -> list[HeightBox]:
    """One crop for each of consecutive frames, in heights of the frame. Each wish must fit (see `fits`)."""
    heights = _heights(constraints, style)
    middles = _middles(constraints, heights, style)
    proposals = [_propose(w, style, h, m) for w, h, m in zip(constraints, heights, middles, strict=True)]
    best = _through(proposals, np.column_stack([middles, heights]))
    return [_box_of(crop, style.aspect) for crop in best]


def _heights(constraints: Sequence[CropConstraints], style: Style) -> F64:
    """Height of each crop, evened over the burst, and never so small that the subject is cut."""
    tall = np.array([w.subject[3] - w.subject[1] for w in constraints])
    calm = gaussian_filter1d(maximum_filter1d(tall, 3, mode="nearest"), 1.5, mode="nearest")
    low, high = _limits(constraints, style)
    loosest = np.maximum(LOOSEST, 1 / style.fill) * tall
    return np.asarray(np.clip(np.minimum(calm / style.fill, loosest), low, high))


def _limits(constraints: Sequence[CropConstraints], style: Style) -> tuple[F64, F64]:
    low, high = [], []
    for w in constraints:
        room = min(w.frame[3] - w.frame[1], (w.frame[2] - w.frame[0]) / style.aspect)
        needed = max(w.must[3] - w.must[1], (w.must[2] - w.must[0]) / style.aspect, w.least)
        low.append(min(needed, room))
        high.append(room)
    return np.array(low), np.array(high)


def _middles(constraints: Sequence[CropConstraints], heights: F64, style: Style) -> F64:
    """(N, 2) where each crop would like its middle: the subject behind the middle of what it moves into."""
    towards = gaussian_filter1d(np.array([w.towards for w in constraints]), 2.0, mode="nearest")
    places = np.array([[(w.subject[0] + w.subject[2]) / 2, (w.subject[1] + w.subject[3]) / 2] for w in constraints])
    calm = places if len(places) < 3 else gaussian_filter1d(places, 0.8, axis=0, mode="nearest")
    wide = heights * style.aspect
    free = np.maximum(wide - [w.must[2] - w.must[0] for w in constraints], 0)
    calm = calm + np.column_stack([0.5 * style.lead_room * free * towards, np.zeros(len(constraints))])
    return np.array([_inside(m, w, h, style.aspect) for m, w, h in zip(calm, constraints, heights, strict=True)])


def _inside(middle: F64, constraints: CropConstraints, height: float, aspect: float) -> F64:
    """The middle nearest to `middle` at which the crop holds `must` and lies in the frame."""
    half = np.array([height * aspect / 2, height / 2])
    low, high = _range(constraints, half)
    return np.asarray(np.clip(middle, low, high))


def _range(constraints: CropConstraints, half: F64) -> tuple[F64, F64]:
    """Lowest and highest middle (x, y) of a crop of this half size."""
    frame, must, subject = (
        np.array(b).reshape(2, 2) for b in (constraints.frame, constraints.must, constraints.subject)
    )
    inner, outer = frame[0] + half, frame[1] - half
    low, high = np.maximum(must[1] - half, inner), np.minimum(must[0] + half, outer)
    # What cannot all be held gives way in this order: the margin first, then the frame's own edge decides.
    loose = low > high + _EXACT
    if loose.any():
        tight_low, tight_high = np.maximum(subject[1] - half, inner), np.minimum(subject[0] + half, outer)
        low, high = np.where(loose, tight_low, low), np.where(loose, tight_high, high)
    middle = np.clip((low + high) / 2, np.minimum(inner, outer), np.maximum(inner, outer))
    return np.where(low > high, middle, low), np.where(low > high, middle, high)


def _propose(constraints: CropConstraints, style: Style, height: float, middle: F64) -> _Proposals:
    """Crops about the wished one, with what each costs."""
    (low,), (high,) = _limits([constraints], style)
    tall = constraints.subject[3] - constraints.subject[1]
    high = min(high, max(low, height, LOOSEST * tall))
    crops = []
    for size in sorted({float(np.clip(height * s, low, high)) for s in _SIZES}):
        half = np.array([size * style.aspect / 2, size / 2])
        lowest, highest = _range(constraints, half)
        around = np.clip(middle, lowest, highest)
        xs = np.unique(np.append(np.linspace(lowest[0], highest[0], 21), around[0]))
        ys = np.unique(np.append(np.linspace(lowest[1], highest[1], 11), around[1]))
        grid = np.stack(np.meshgrid(xs, ys), axis=-1).reshape(-1, 2)
        crops.append(np.column_stack([grid, np.full(len(grid), size)]))
    all_crops = np.concatenate(crops)
    costs = _costs(all_crops, constraints, style, height, middle)
    best = np.argsort(costs, kind="stable")[:_KEPT]
    return _Proposals(all_crops[best], costs[best])


def _costs(crops: F64, constraints: CropConstraints, style: Style, height: float, middle: F64) -> F64:
    half = crops[:, 2:3] * np.array([style.aspect / 2, 0.5])
    box = np.concatenate([crops[:, :2] - half, crops[:, :2] + half], axis=1)
    cost = _PLACE * (((crops[:, :2] - middle) / crops[:, 2:3]) ** 2).sum(axis=1)
    cost += 6 * np.log(crops[:, 2] / height) ** 2
    tall = constraints.subject[3] - constraints.subject[1]
    if len(constraints.faces):
        part = _inside_share(box, constraints.faces)
        large = (constraints.faces[:, 3] - constraints.faces[:, 1]) / tall
        # A face near the subject's own size is never cut; a far one in the stands is cut only for want of a way.
        cost += (_cut(part) * np.where(large > 0.05, 50.0, 5.0)).sum(axis=1)
    if len(constraints.balls):
        cost += 10 * _cut(_inside_share(box, constraints.balls)).sum(axis=1)
    if len(constraints.people):
        cost += _people_cost(box, constraints.people, tall)
    return np.asarray(cost)


def _people_cost(box: F64, people: F64, tall: float) -> F64:
    """What it costs to cut others: their heads most, then feet at the ankle, then the rest of who is mostly in."""
    sizes = np.minimum((people[:, 3] - people[:, 1]) / tall, 1.5)
    heads = people.copy()
    heads[:, 3] = people[:, 1] + 0.17 * (people[:, 3] - people[:, 1])
    middle, quarter = (people[:, 0] + people[:, 2]) / 2, (people[:, 2] - people[:, 0]) / 4
    heads[:, 0], heads[:, 2] = middle - quarter, middle + quarter
    feet = people.copy()
    feet[:, 1] = people[:, 3] - 0.2 * (people[:, 3] - people[:, 1])
    part = _inside_share(box, people)
    cost = 0.5 * _cut(_inside_share(box, heads)) + 0.12 * _cut(part) * part + 0.1 * _cut(_inside_share(box, feet))
    return np.asarray((cost * sizes).sum(axis=1))


def _inside_share(crops: F64, boxes: F64) -> F64:
    """(crops, boxes): the share of each box inside each crop."""
    w = np.minimum(crops[:, None, 2], boxes[None, :, 2]) - np.maximum(crops[:, None, 0], boxes[None, :, 0])
    h = np.minimum(crops[:, None, 3], boxes[None, :, 3]) - np.maximum(crops[:, None, 1], boxes[None, :, 1])
    area = np.maximum((boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1]), 1e-9)
    return np.asarray(np.maximum(w, 0) * np.maximum(h, 0) / area)


def _cut(share: F64) -> F64:
    """1 where a box is neither in nor out, 0 where it is."""
    return ((share > 0.005) & (share < 0.995)).astype(np.float64)


def _through(proposals: Sequence[_Proposals], path: F64) -> list[F64]:
    """The cheapest proposals in a row; a step is counted against the path, which already follows the play."""
    total = proposals[0].costs
    came: list[F64] = []
    for at in range(1, len(proposals)):
        before, now = proposals[at - 1], proposals[at]
        off_before, off_now = before.crops - path[at - 1], now.crops - path[at]
        step = (off_now[:, None] - off_before[None]) / path[at, 2]
        sums = total[None] + _CALM * (step**2).sum(axis=2)
        choice = sums.argmin(axis=1)
        came.append(choice)
        total = now.costs + sums[np.arange(len(choice)), choice]
    index = int(total.argmin())
    chosen = [index]
    for choice in reversed(came):
        chosen.append(int(choice[chosen[-1]]))
    return [p.crops[i] for p, i in zip(proposals, reversed(chosen), strict=True)]


def _box_of(crop: F64, aspect: float) -> HeightBox:
    x, y, height = (float(v) for v in crop)
    return HeightBox(x - height * aspect / 2, y - height / 2, x + height * aspect / 2, y + height / 2)
