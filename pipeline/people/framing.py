"""Where to cut: crops that hold their subject whole, cut nobody's face, and move calmly over a burst.

Lengths are in heights of the frame: a frame of aspect A is A wide and 1 high. A crop is its middle and its height.
At each size every frame proposes some hundred crops or more, each with a cost; the cheapest way through the burst
(Viterbi 1967) weighs what one frame would like against an even sequence, and the cheapest size is one for the burst.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.geometry import HeightBox, around
from pipeline.imaging.rotation import inside_share
from pipeline.people.belonging import crossed
from pipeline.types import F64


@dataclass(frozen=True)
class Framing:
    """What a crop is chosen by. Costs have no unit: only their ratios count.

    Chosen by eye on crops of generated bursts and checked with `python -m tests.crops`, where no source stands beside.
    """

    loosest: float = 1.55  # a crop looser than this is not one, if nothing forces it; tests.crops allows 1.6
    # Times the wished size: those that are tried, so far apart (logarithm), and those that are tried besides where with
    # each of these some frame cuts what must not be cut. Larger ones more: room is lost less than a hand.
    tightest: float = 0.94
    looser: float = 1.24
    most: float = 3.0
    step: float = 0.03
    zoom: float = 0.015  # share by which crops of a burst grow or shrink a frame at most: one camera took them
    # Where: evened over the burst, each by a Gaussian of so many frames.
    towards_sigma: float = 2.0
    place_sigma: float = 0.8
    least_evened: int = 3  # frames: a shorter burst is not evened in place
    columns: int = 21  # places tried across, from one bound to the other
    rows: int = 11  # and down
    beside: int = 24  # and along each, beside what is better not cut, the nearest first: in a crowd there are hundreds
    left: float = 12.0  # cost of a frame that is left whole among crops, since any crop of that size would cut
    kept: int = 80  # proposals of a frame that take part in the search through the burst
    # Costs of place and size. With much less for the place, people running beside the subject pull the crop to
    # their side, and the room is behind the subject (tests.crops, "room ahead").
    place: float = 20.0  # times (distance from the wished place / height of the crop) squared
    calm: float = 60.0  # times (step away from the evened path / height of the crop) squared
    size: float = 30.0  # times (log of the size against the wished one) squared: with 6 a foot keeps a burst whole
    # Costs of cutting. A face near the subject's own size is never cut; a far one only for want of a way.
    face: float = 50.0
    far_face: float = 5.0
    far: float = 0.05  # of the subject's height: faces up to this size are far ones
    ball: float = 10.0
    torso: float = 30.0  # head or torso of somebody near
    near: float = 0.45  # of the subject's height, from which somebody is near
    as_near: float = 0.8  # from which as near as the subject: the legs are not cut either (tests.closer)
    widths: float = 2.0  # how tall at least, whom the frame cuts at the top or bottom: of one who crouches
    rim: float = 0.015  # heights of the frame: whose box ends so near to its top or bottom is cut by it
    hidden: float = 1.35  # times what is seen: how tall at least, whose feet are behind somebody nearer
    head: float = 0.5  # somebody else's head; this and the next two times the height against the subject's
    body: float = 0.12  # times the share of the person that is inside
    limb: float = 3.0  # of somebody near a hand or foot alone, in or out, or a side through what moves
    feet: float = 0.1
    largest: float = 1.5  # heights of the subject: whoever is taller counts as this tall
    # Parts of a person's box (common practice in figure drawing, no source: a head is a seventh to an eighth of the
    # height; boxes leave a little air above it).
    head_height: float = 0.17
    head_width: float = 0.5
    feet_height: float = 0.2
    torso_height: float = 0.6  # from the top of the head to the hips, about half of the height, and a little more
    # With the arms: where less of the middle counts, crops go through the arms of neighbours (tests.closer).
    torso_width: float = 0.9
    uncut: float = 0.005  # share of a box that may be out, or in, before it counts as cut


FRAMING = Framing()
_EXACT = 1e-9  # heights: a crop just as large as what it must hold does hold it, whatever the last bit is
_ROUNDING = 1e-6  # heights: what sums of fractions may be off by


@dataclass(frozen=True)
class CropConstraints:
    """What a crop of one frame must and should do. All boxes, lengths and (N, 4) arrays in heights of the frame.

    frame    the part that may be used: all of the frame unless it was turned
    must     box that has to be inside: the subject, whoever else may be it, faces, the ball, with their margins
    needed   the same without margins, which may give way
    subject  the person alone; least  lowest height of a crop: so many pixels are asked for
    towards  -1 to 1: where room is left
    faces, people, balls  (N, 4) of everybody: not to be cut; limbs  as people, with what reaches a little out of these
    moving   (h, w) of the frame: what moves, see belonging.compact; None where that is not known
    """

    frame: HeightBox
    must: HeightBox
    subject: HeightBox
    needed: HeightBox
    least: float
    towards: float
    faces: F64
    people: F64
    balls: F64
    limbs: F64
    moving: NDArray[np.bool_] | None = None


@dataclass(frozen=True)
class Style:
    """How crops of a burst should look.

    aspect     width / height
    fill       share of the crop's height that the subject takes, 0 to 1
    lead_room  0: the subject stands in the middle; 1: all the room beside it lies ahead of its movement
    """

    aspect: float
    fill: float
    lead_room: float


@dataclass(frozen=True)
class _Proposals:
    """crops (N, 3): middle x, y and height, in heights of the frame; costs (N,)."""

    crops: F64
    costs: F64


@dataclass(frozen=True)
class _Way:
    """Through a burst: a crop (3,) of each frame, what they cost together, and how many cut what they must not."""

    crops: list[F64]
    cost: float
    cut: int


def fits(constraints: CropConstraints, aspect: float) -> bool:
    """Whether all that has to be inside, without any margin, can stand whole in a crop of this aspect."""
    return _fits(constraints.needed, constraints, aspect)


def _fits(box: HeightBox, constraints: CropConstraints, aspect: float) -> bool:
    widest = min(constraints.frame[2] - constraints.frame[0], (constraints.frame[3] - constraints.frame[1]) * aspect)
    x0, y0, x1, y1 = box
    return x1 - x0 <= widest + _ROUNDING and y1 - y0 <= widest / aspect + _ROUNDING


def frame_burst(constraints: Sequence[CropConstraints], style: Style) -> list[HeightBox]:
    """One crop for each of consecutive frames, in heights of the frame; all of one size, or of one that hardly changes.

    constraints  one of each frame, at least one; each must fit (see `fits`)
    """
    constraints = _held_beside(constraints, style)
    heights = _heights(constraints, style)
    path = np.column_stack([_middles(constraints, heights, style), heights])
    fill = [(w.subject[3] - w.subject[1]) / height for w, height in zip(constraints, heights, strict=True)]
    loosest = max(max(fill) * FRAMING.loosest, 1.0)
    sizes = sorted({min(size, loosest) for size in _sizes(FRAMING.tightest, FRAMING.looser)})
    ways = [_way(constraints, style, path, size) for size in sizes]
    if all(way.cut for way in ways):
        ways += [_way(constraints, style, path, size) for size in _sizes(sizes[-1], FRAMING.most) if size > sizes[-1]]
    best = min(ways, key=lambda way: way.cost + FRAMING.left * way.cut)
    return [_box_of(crop, style.aspect) for crop in best.crops]


def _sizes(first: float, last: float) -> list[float]:
    low, high = (round(float(np.log(size)) / FRAMING.step) for size in (first, last))
    return [float(np.exp(FRAMING.step * number)) for number in range(low, high + 1)]


def _way(constraints: Sequence[CropConstraints], style: Style, path: F64, size: float) -> _Way:
    """The cheapest way through a burst at `size` times the heights of the path (N, 3)."""
    heights = _zoomed(np.clip(path[:, 2] * size, *_limits(constraints, style)))
    proposals = [
        _propose(w, style, float(height), wished) for w, height, wished in zip(constraints, heights, path, strict=True)
    ]
    crops, cost = _cheapest(proposals, path)
    cut = sum(cuts(crop[None], w, style.aspect)[0] for crop, w in zip(crops, constraints, strict=True))
    return _Way(crops, cost, int(cut))


def _held_beside(constraints: Sequence[CropConstraints], style: Style) -> list[CropConstraints]:
    """Each frame also holds what the frames beside it must hold, where there is room: who comes and goes among those to
    be held does not make a crop jump."""
    result = []
    for at, own in enumerate(constraints):
        for beside in constraints[max(0, at - 1) : at + 2]:
            must, needed = around(own.must, beside.must), around(own.needed, beside.needed)
            if _fits(must, own, style.aspect):
                own = replace(own, must=must, needed=needed)
        result.append(own)
    return result


def _heights(constraints: Sequence[CropConstraints], style: Style) -> F64:
    """Height of each crop, as even as a zoom over the burst, and never so small that a subject is cut: the frame that
    asks for most decides."""
    tall = np.array([w.subject[3] - w.subject[1] for w in constraints])
    return _zoomed(np.clip(tall / style.fill, *_limits(constraints, style)))


def _zoomed(heights: F64) -> F64:
    """The least heights that are no smaller, and change from frame to frame by no more than FRAMING.zoom."""
    result = heights.copy()
    for at in range(1, len(result)):
        result[at] = max(result[at], result[at - 1] / (1 + FRAMING.zoom))
    for at in range(len(result) - 2, -1, -1):
        result[at] = max(result[at], result[at + 1] / (1 + FRAMING.zoom))
    return result


def _limits(constraints: Sequence[CropConstraints], style: Style) -> tuple[F64, F64]:
    low, high = [], []
    for w in constraints:
        room = min(w.frame[3] - w.frame[1], (w.frame[2] - w.frame[0]) / style.aspect)
        needed = max(w.must[3] - w.must[1], (w.must[2] - w.must[0]) / style.aspect, w.least)
        low.append(min(needed, room))
        high.append(room)
    return np.array(low), np.array(high)


def _middles(constraints: Sequence[CropConstraints], heights: F64, style: Style) -> F64:
    """(N, 2) where each crop should have its middle: the subject stands behind it, with room ahead of its movement."""
    from scipy.ndimage import gaussian_filter1d

    towards = gaussian_filter1d(np.array([w.towards for w in constraints]), FRAMING.towards_sigma, mode="nearest")
    places = np.array([[(w.subject[0] + w.subject[2]) / 2, (w.subject[1] + w.subject[3]) / 2] for w in constraints])
    calm = places
    if len(places) >= FRAMING.least_evened:
        calm = gaussian_filter1d(places, FRAMING.place_sigma, axis=0, mode="nearest")
    wide = heights * style.aspect
    free = np.maximum(wide - [w.must[2] - w.must[0] for w in constraints], 0)
    calm = calm + np.column_stack([style.lead_room * free / 2 * towards, np.zeros(len(constraints))])
    return np.array([_inside(m, w, h, style.aspect) for m, w, h in zip(calm, constraints, heights, strict=True)])


def _inside(middle: F64, constraints: CropConstraints, height: float, aspect: float) -> F64:
    """The middle nearest to `middle` at which the crop holds `must` and lies in the frame."""
    return np.asarray(np.clip(middle, *_range(constraints, np.array([height * aspect / 2, height / 2]))))


def _range(constraints: CropConstraints, half: F64) -> tuple[F64, F64]:
    """Lowest and highest middle (x, y) of a crop of this half size."""
    frame, must, needed = (np.array(b).reshape(2, 2) for b in (constraints.frame, constraints.must, constraints.needed))
    inner, outer = frame[0] + half, frame[1] - half
    low, high = np.maximum(must[1] - half, inner), np.minimum(must[0] + half, outer)
    # What cannot all be held gives way in this order: the margin first, then the frame's own edge decides.
    loose = low > high + _EXACT
    if loose.any():
        tight_low, tight_high = np.maximum(needed[1] - half, inner), np.minimum(needed[0] + half, outer)
        low, high = np.where(loose, tight_low, low), np.where(loose, tight_high, high)
    middle = np.clip((low + high) / 2, np.minimum(inner, outer), np.maximum(inner, outer))
    return np.where(low > high, middle, low), np.where(low > high, middle, high)


def _propose(constraints: CropConstraints, style: Style, size: float, wished: F64) -> _Proposals:
    """Crops so high all over the places they may have, and what each costs; wished (3,) middle and height."""
    crops = _placed(constraints, style, size, wished[:2])
    costs = _costs(crops, constraints, style, float(wished[2]), wished[:2])
    best = np.argsort(costs, kind="stable")[: FRAMING.kept]
    return _Proposals(crops[best], costs[best])


def _placed(constraints: CropConstraints, style: Style, size: float, middle: F64) -> F64:
    """(N, 3) crops of this height where they may be, and those that just hold, or leave out, what is better not cut."""
    half = np.array([size * style.aspect / 2, size / 2])
    low, high = _range(constraints, half)
    edges = np.concatenate([_whole(constraints), constraints.limbs[_near(constraints)]])
    places = []
    for axis, count in enumerate((FRAMING.columns, FRAMING.rows)):
        ends = edges[:, [axis, axis + 2]].ravel()
        beside = np.unique(np.clip(np.concatenate([ends - half[axis], ends + half[axis]]), low[axis], high[axis]))
        nearest = np.argsort(np.abs(beside - middle[axis]), kind="stable")[: FRAMING.beside]
        tried = [np.linspace(low[axis], high[axis], count), middle[[axis]], beside[nearest]]
        places.append(np.unique(np.clip(np.concatenate(tried), low[axis], high[axis])))
    grid = np.stack(np.meshgrid(*places), axis=-1).reshape(-1, 2)
    return np.column_stack([grid, np.full(len(grid), size)])


def cut_by(box: HeightBox, constraints: CropConstraints) -> bool:
    """Whether a crop cuts what it must not, see `cuts`."""
    x0, y0, x1, y1 = box
    crop = np.array([[(x0 + x1) / 2, (y0 + y1) / 2, y1 - y0]])
    return bool(cuts(crop, constraints, (x1 - x0) / (y1 - y0))[0])


def cuts(crops: F64, constraints: CropConstraints, aspect: float) -> NDArray[np.bool_]:
    """(N,) whether each of `crops` (N, 3: middle and height) goes through the head or torso of somebody near, the legs
    too of who touches the subject or is as near, a face that is no far one, or what may be a ball."""
    half = crops[:, 2:3] * np.array([aspect / 2, 0.5])
    box = np.concatenate([crops[:, :2] - half, crops[:, :2] + half], axis=1)
    return np.asarray((_cut(inside_share(box, _whole(constraints))) > 0).any(axis=1))


def _whole(constraints: CropConstraints) -> F64:
    """(N, 4) what must not be cut, see `cuts`."""
    tall = constraints.subject[3] - constraints.subject[1]
    faces, people = constraints.faces, constraints.people
    faces = faces[(faces[:, 3] - faces[:, 1]) / tall > FRAMING.far]
    people = people[_near(constraints)]
    torsos, own = _upper(people, FRAMING.torso_height, FRAMING.torso_width), constraints.subject
    touches = (people[:, :2] < own[2:]).all(axis=1) & (people[:, 2:] > own[:2]).all(axis=1)
    all_of = touches | (people[:, 3] - people[:, 1] >= FRAMING.as_near * tall)
    torsos[all_of, 3] = people[all_of, 3]
    return np.concatenate([faces[:, :4], torsos, constraints.balls])


def _heights_of(constraints: CropConstraints) -> F64:
    """(N,) how tall the people are, also of whom the frame or somebody nearer hides a part."""
    people, frame = constraints.people, constraints.frame
    seen, wide = people[:, 3] - people[:, 1], people[:, 2] - people[:, 0]
    middle, low = (people[:, 0] + people[:, 2])[:, None] / 2, people[:, 3:4]
    nearer = np.concatenate([people, np.array([constraints.subject])])
    behind = (nearer[:, 0] < middle) & (middle < nearer[:, 2]) & (nearer[:, 1] < low) & (low < nearer[:, 3])
    tall = np.where(behind.any(axis=1), FRAMING.hidden * seen, seen)
    cut = (people[:, 1] < frame[1] + FRAMING.rim) | (people[:, 3] > frame[3] - FRAMING.rim)
    return np.asarray(np.where(cut, np.maximum(tall, FRAMING.widths * wide), tall))


def _near(constraints: CropConstraints) -> NDArray[np.bool_]:
    tall = constraints.subject[3] - constraints.subject[1]
    return np.asarray(_heights_of(constraints) / tall >= FRAMING.near)


def _upper(people: F64, deep: float, wide: float) -> F64:
    """(N, 4) the upper part of `people` (N, 4): so deep and wide, in shares of them."""
    part = people.copy()
    part[:, 3] = people[:, 1] + deep * (people[:, 3] - people[:, 1])
    middle, half = (people[:, 0] + people[:, 2]) / 2, (people[:, 2] - people[:, 0]) * (wide / 2)
    part[:, 0], part[:, 2] = middle - half, middle + half
    return part


def _costs(crops: F64, constraints: CropConstraints, style: Style, height: float, middle: F64) -> F64:
    half = crops[:, 2:3] * np.array([style.aspect / 2, 0.5])
    box = np.concatenate([crops[:, :2] - half, crops[:, :2] + half], axis=1)
    cost = FRAMING.place * (((crops[:, :2] - middle) / crops[:, 2:3]) ** 2).sum(axis=1)
    cost += FRAMING.size * np.log(crops[:, 2] / height) ** 2
    tall = constraints.subject[3] - constraints.subject[1]
    large = (constraints.faces[:, 3] - constraints.faces[:, 1]) / tall
    weight = np.where(large > FRAMING.far, FRAMING.face, FRAMING.far_face)
    cost += (_cut(inside_share(box, constraints.faces)) * weight).sum(axis=1)
    cost += FRAMING.ball * _cut(inside_share(box, constraints.balls)).sum(axis=1)
    if len(constraints.people):
        cost += _people_cost(box, constraints.people, _heights_of(constraints) / tall)
    return np.asarray(cost + FRAMING.limb * limbs_cut(box, constraints))


def limbs_cut(boxes: F64, constraints: CropConstraints) -> F64:
    """(N,) how many people near `boxes` (N, 4) go through, if only by a hand or foot, and sides through what moves."""
    found = np.zeros(len(boxes)) if constraints.moving is None else crossed(boxes, constraints.moving)
    return np.asarray(found + _cut(inside_share(boxes, constraints.limbs[_near(constraints)])).sum(axis=1))


def _people_cost(box: F64, people: F64, ratio: F64) -> F64:
    """What it costs to cut other people: heads most, then whoever is mostly inside, then feet at the ankle.

    ratio  (N,) their heights against the subject's
    """
    sizes = np.minimum(ratio, FRAMING.largest)
    torsos = _upper(people, FRAMING.torso_height, FRAMING.torso_width)
    torso = FRAMING.torso * _cut(inside_share(box, torsos)) * (ratio >= FRAMING.near)
    heads = _upper(people, FRAMING.head_height, FRAMING.head_width)
    feet = people.copy()
    feet[:, 1] = people[:, 3] - FRAMING.feet_height * (people[:, 3] - people[:, 1])
    part = inside_share(box, people)
    cost = FRAMING.head * _cut(inside_share(box, heads)) + FRAMING.feet * _cut(inside_share(box, feet))
    cost = cost + FRAMING.body * _cut(part) * part
    return np.asarray((cost * sizes + torso).sum(axis=1))


def _cut(share: F64) -> F64:
    """1 where a box is neither in nor out, 0 where it is."""
    return ((share > FRAMING.uncut) & (share < 1 - FRAMING.uncut)).astype(np.float64)


def _cheapest(proposals: Sequence[_Proposals], path: F64) -> tuple[list[F64], float]:
    """The cheapest proposals in a row, and their cost; a step is counted against the path, which follows the play."""
    total = proposals[0].costs
    came: list[F64] = []
    for at in range(1, len(proposals)):
        before, now = proposals[at - 1], proposals[at]
        off_before, off_now = before.crops - path[at - 1], now.crops - path[at]
        step = (off_now[:, None] - off_before[None]) / path[at, 2]
        sums = total[None] + FRAMING.calm * (step**2).sum(axis=2)
        choice = sums.argmin(axis=1)
        came.append(choice)
        total = now.costs + sums[np.arange(len(choice)), choice]
    chosen = [int(total.argmin())]
    for choice in reversed(came):
        chosen.append(int(choice[chosen[-1]]))
    return [p.crops[i] for p, i in zip(proposals, reversed(chosen), strict=True)], float(total.min())


def _box_of(crop: F64, aspect: float) -> HeightBox:
    x, y, height = (float(v) for v in crop)
    return HeightBox(x - height * aspect / 2, y - height / 2, x + height * aspect / 2, y + height / 2)
