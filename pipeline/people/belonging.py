"""Which face and which ball is a person's, and what may be a ball although the network does not know it.

The last is told by differences to two other frames at once (Kameda and Minoh, "A human motion estimation method using
3-successive video frames", 1996), after the turn of the camera is taken out: what differs from both is there now.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.people.detect import SURE, within
from pipeline.people.tracking import Observation
from pipeline.types import F32, F64


@dataclass(frozen=True)
class Belonging:
    """Which face and which ball is a person's. Lengths in heights of that person. Chosen by eye on photographs."""

    face_above: float = 0.03  # above the top of the box: boxes are sometimes short
    face_below: float = 0.5  # below the top of the box: somebody who dives or bends
    face_least: float = 0.04  # heights of a face; an adult's is about an eighth (common practice, no source)
    face_most: float = 0.35
    head: float = 0.22  # of the box from its top, in which a round thing is hair and no ball
    in_head: float = 0.85  # share of the ball that lies in there
    # A handball is 0.16 to 0.19 m across (IHF rules of the game, rule 3, from memory): a tenth of an adult; somebody
    # who crouches is half as tall, and a basketball half as large again.
    ball_least: float = 0.03
    ball_most: float = 0.4
    racket_most: float = 0.9  # size of a racket or bat
    grip: float = 0.1  # from the reach of somebody to a racket that this person holds
    reach: float = 0.6  # from the box to the middle of a ball that belongs to the action: an arm and a little more
    led: float = 0.3  # from the reach of somebody to an animal that they ride, lead or hold
    # Feet below the lowest point of what somebody sits on, rides or pushes: who stands in front of it has them lower.
    ridden: float = 0.08
    # Of its height from its top, from which on somebody whose feet, or lowest part that is seen, are there is in it.
    deep: float = 0.25
    carrier: float = 0.5  # certainty from which it is one: floors and mats pass for boats (up to 0.44 in real frames)


@dataclass(frozen=True)
class MotionRules:
    """On pictures of 160 pixels' longer side. Chosen by eye, checked with `python -m tests.closer` and
    `tests.library_pictures`, where nothing else is said."""

    differs: float = 0.12  # of the logarithm of the light, from which a pixel differs
    slack: int = 2  # pixels that the turn of the camera may be off by: lines of the court show nothing then
    steps: float = 3.0  # of the 255 of `small`, below which nothing differs, however dark
    # Share of the frame that moves, so many heights and more away from people's boxes, above which the hall itself
    # moves: its turn is not what it was taken for.
    elsewhere: float = 0.01
    beyond: float = 0.35
    # A ball: pixels, shorter against longer side, share of the box around it that it fills (a disc: 0.79).
    fewest: int = 6
    round: float = 0.6
    filled: float = 0.55
    own: float = 0.5  # share of it in somebody's box, from which it is a part of them
    thick: float = 1.3  # pixels for each of its length, below which it is a strip
    through: float = 0.03  # heights of the frame of what moves, from which a side of a crop goes through it


BELONGING, MOTION = Belonging(), MotionRules()
_Mask = NDArray[np.bool_]
_ROUNDING = 1e-6  # pixels


def faces_of(person: F32, faces: F32, most: float | None = None) -> F32:
    """Those of `faces` (M, 9) that sit where the head of `person` (5,) can be and have the size of one.

    most  heights of the person that it has at most; None: as usual
    """
    if not len(faces):
        return faces
    x0, y0, x1, y1 = person[:4]
    tall = y1 - y0
    x, y = (faces[:, 0] + faces[:, 2]) / 2, (faces[:, 1] + faces[:, 3]) / 2
    size = (faces[:, 3] - faces[:, 1]) / tall
    largest = BELONGING.face_most if most is None else most
    inside = (x > x0) & (x < x1) & (y > y0 - BELONGING.face_above * tall) & (y < y0 + BELONGING.face_below * tall)
    return np.asarray(faces[inside & (size > BELONGING.face_least) & (size < largest)])


def surest(rows: F32) -> float:
    """The highest certainty of `rows` (N, 5 or more), 0 without any."""
    return float(rows[:, 4].max()) if len(rows) else 0.0


def rise(value: float, low: float, high: float) -> float:
    """0 up to `low`, 1 from `high`, and linear between."""
    return float(np.clip((value - low) / (high - low), 0, 1))


def rackets_of(reach: F32, frame: Observation) -> F32:
    """(K, 5) the rackets and bats that touch the `reach` (5,) of somebody."""
    height, width = frame.size
    tall, rows = reach[3] - reach[1], frame.rackets
    large = np.maximum((rows[:, 2] - rows[:, 0]) * width / height, rows[:, 3] - rows[:, 1])
    return np.asarray(
        rows[(_gaps(reach, rows, frame) <= BELONGING.grip * tall) & (large < BELONGING.racket_most * tall)]
    )


def mounts_of(reach: F32, frame: Observation) -> F32:
    """(K, 5) the animals that somebody of this `reach` (5,) rides or leads, and what carries them, or is pushed: they
    are one thing in a picture."""
    x0, y0, x1, y1 = reach[:4]
    led = _gaps(reach, frame.animals, frame) <= BELONGING.led * (y1 - y0)
    rows, middle = frame.carriers, (x0 + x1) / 2
    ridden = (rows[:, 4] >= BELONGING.carrier) & (rows[:, 0] < middle) & (middle < rows[:, 2]) & (y0 < rows[:, 1])
    ridden &= y1 >= rows[:, 1] + BELONGING.deep * (rows[:, 3] - rows[:, 1])
    ridden &= y1 <= rows[:, 3] + BELONGING.ridden * (y1 - y0)
    return np.concatenate([frame.animals[led], rows[ridden]])


def _gaps(reach: F32, rows: F32, frame: Observation) -> F32:
    """(K,) how far `rows` (K, 5) are from the `reach` (5,) of somebody, in heights of the frame."""
    across = np.maximum(np.maximum(rows[:, 0] - reach[2], reach[0] - rows[:, 2]), 0) * frame.size[1] / frame.size[0]
    down = np.maximum(np.maximum(rows[:, 1] - reach[3], reach[1] - rows[:, 3]), 0)
    return np.asarray(np.hypot(across, down))


def ball_of(person: F32, frame: Observation) -> F32 | None:
    """The surest ball (5,) within reach of `person` (5,), None without; inside somebody's head it is hair, no ball."""
    height, width = frame.size
    x0, y0, x1, y1 = (float(v) for v in person[:4])
    tall = y1 - y0
    heads = frame.people[:, :4].copy()
    heads[:, 3] = heads[:, 1] + BELONGING.head * (heads[:, 3] - heads[:, 1])
    for ball in frame.balls:
        size = float(ball[3] - ball[1]) / tall
        if any(within(ball[None, :4], h)[0] > BELONGING.in_head for h in heads):
            continue
        if not BELONGING.ball_least < size < BELONGING.ball_most:
            continue
        x, y = (float(ball[0] + ball[2]) / 2, float(ball[1] + ball[3]) / 2)
        away = np.hypot(max(x0 - x, x - x1, 0.0) * width / height, max(y0 - y, y - y1, 0.0))
        if away <= BELONGING.reach * tall:
            return np.asarray(ball)
    return None


def moving(frames: Sequence[Observation], shifts: Sequence[F64]) -> list[_Mask | None]:
    """(h, w) of each frame of a burst, as its `small`: what moves against the hall; None where that is not known.

    shifts  as from `tracking.camera_shifts`
    """
    light = [np.log1p(frame.small.astype(np.float32)) for frame in frames]
    found: list[_Mask | None] = []
    for at, frame in enumerate(frames):
        others = _compared(at, len(frames))
        alike = [k for k in others if frames[k].small.shape == frame.small.shape]
        between = [_turned(shifts, k, at) for k in alike] if len(alike) == 2 else []
        if not between or not np.isfinite(between).all():
            found.append(None)
            continue
        first, second = (_difference(light[at], light[k], hall) for k, hall in zip(alike, between, strict=True))
        least = np.maximum(MOTION.differs, MOTION.steps / (1 + frame.small.astype(np.float32)))
        both = (np.sign(first) == np.sign(second)) & (np.minimum(np.abs(first), np.abs(second)) > least)
        near = beside(frame, frame.people, MOTION.beyond)
        found.append(both if (both & ~near).mean() <= MOTION.elsewhere else None)
    return found


def uncompared(frames: Sequence[Observation], shifts: Sequence[F64]) -> list[_Mask]:
    """(h, w) of each frame of a burst, as its `small`: what is out of one of the frames that `moving` compares it with,
    so that nothing is known of it; nowhere where the turn is not known, since then `moving` says nothing at all."""
    found = []
    for at, frame in enumerate(frames):
        height, width = frame.small.shape
        out = np.zeros((height, width), bool)
        for other in _compared(at, len(frames)):
            x, y = np.nan_to_num(_turned(shifts, other, at)) * (width, height)
            out |= (np.arange(width) < x) | (np.arange(width) > width - 1 + x)
            out |= ((np.arange(height) < y) | (np.arange(height) > height - 1 + y))[:, None]
        found.append(out)
    return found


def _compared(at: int, count: int) -> list[int]:
    """The frames before and after one of so many; of the first and the last the two beside them."""
    middle = min(max(at, 1), count - 2)
    return [k for k in (middle - 1, middle, middle + 1) if k != at] if count > 2 else []


def _turned(shifts: Sequence[F64], start: int, end: int) -> F64:
    """(2,) how far the hall moved from one frame to another, which may be before it."""
    first, last = sorted((start, end))
    passed = np.sum([shift[:2] for shift in shifts[first + 1 : last + 1]], axis=0)
    return np.asarray(passed if start < end else -passed)


def compact(mask: _Mask) -> _Mask:
    """(h, w) what moves without thin strips: a line of the court seems to move where it is brought to another frame."""
    kept = np.zeros_like(mask)
    for box, pixels in _parts(mask):
        if len(pixels) >= MOTION.thick * max(box[2] - box[0], box[3] - box[1]):
            kept[pixels[:, 1], pixels[:, 0]] = True
    return kept


def crossed(boxes: F64, mask: _Mask) -> F64:
    """(N,) 0 to 4: how many sides of boxes (N, 4), in heights of the frame, go through what moves, or hardly beside it:
    a ball that no network knows, a foot out of its box. Sides at the frame's rim cut nothing.

    mask  (h, w) as from `compact`
    """
    import cv2

    height, width = mask.shape
    wide = cv2.dilate(mask.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(np.int64)
    down, across = (np.pad(wide, [(1, 0), (1, 0)]).cumsum(axis=axis) for axis in (0, 1))
    low = np.clip(np.floor(boxes[:, :2] * height + _ROUNDING).astype(int), 0, [width - 1, height - 1])
    high = np.clip(np.ceil(boxes[:, 2:] * height - _ROUNDING).astype(int), 1, [width, height])
    (x0, y0), (x1, y1) = low.T, high.T
    sides = [down[y1, x0 + 1] - down[y0, x0 + 1], across[y0 + 1, x1] - across[y0 + 1, x0],
             down[y1, x1] - down[y0, x1], across[y1, x1] - across[y1, x0]]  # fmt: skip
    rims = [x0 == 0, y0 == 0, x1 == width, y1 == height]
    cut = [np.where(rim, 0, side) / height for rim, side in zip(rims, sides, strict=True)]
    return np.asarray(np.minimum(np.array(cut) / MOTION.through, 1).sum(axis=0))


def beside(frame: Observation, people: F32, by: float) -> _Mask:
    """(h, w) of a frame's `small`: where people (N, 4 or more) are, and as far around as `by` of their heights."""
    near = np.zeros(frame.small.shape, bool)
    height, width = frame.small.shape
    y, x = np.mgrid[:height, :width]
    places = (np.stack([x, y], axis=-1) + 0.5) / (width, height)
    for box in people[:, :4].astype(np.float64):
        room = by * (box[3] - box[1]) * np.array([frame.size[0] / frame.size[1], 1])
        near |= _inside(places, np.concatenate([box[:2] - room, box[2:] + room]))
    return near


def _difference(light: F32, other: F32, hall: F64) -> F32:
    """(h, w) how much brighter, or darker, a frame is than another one, brought to it, is anywhere within MOTION.slack.
    Lamps that pulse light other rows than before, or one end of the hall: what rows and columns change by is none."""
    import cv2

    height, width = light.shape
    turn = np.array([[1, 0, hall[0] * width], [0, 1, hall[1] * height]])
    there = cv2.warpAffine(np.ones_like(other), turn, (width, height)) > 1 - 1e-3
    brought = np.asarray(cv2.warpAffine(other, turn, (width, height)), np.float32)
    for axis in (1, 0):
        change = np.where(there | ~there.any(axis=axis, keepdims=True), light - brought, np.nan)
        brought += np.nanmedian(change, axis=axis, keepdims=True)
    around = np.ones((2 * MOTION.slack + 1,) * 2, np.uint8)
    least, most = cv2.erode(brought, around), cv2.dilate(brought, around)
    return np.asarray(np.where(there, np.maximum(light - most, 0) - np.maximum(least - light, 0), 0), np.float32)


def flying(frame: Observation, mask: _Mask, tall: float) -> F64:
    """(K, 4) round things that move and are no part of anybody, in fractions: what may be a ball of somebody `tall`."""
    found = []
    sure = frame.people[frame.people[:, 4] >= SURE.person]
    for box, pixels in _parts(mask):
        wide, high = box[2] - box[0], box[3] - box[1]
        if len(pixels) < MOTION.fewest or min(wide, high) < MOTION.round * max(wide, high):
            continue
        large = high / mask.shape[0] / tall
        if len(pixels) < MOTION.filled * wide * high or not BELONGING.ball_least < large < BELONGING.ball_most:
            continue
        place = (pixels + 0.5) / mask.shape[::-1]
        if max((_inside(place, person).mean() for person in sure), default=0.0) < MOTION.own:
            found.append(box / np.tile(mask.shape[::-1], 2))
    return np.array(found, np.float64).reshape(-1, 4)


def _parts(mask: _Mask) -> list[tuple[F64, NDArray[np.intp]]]:
    """Box x0 y0 x1 y1, and (N, 2) pixels x y, of each part of what moves that hangs together."""
    import cv2

    count, numbers = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
    found = []
    for number in range(1, count):
        pixels = np.argwhere(numbers == number)[:, ::-1]
        found.append((np.concatenate([pixels.min(axis=0), pixels.max(axis=0) + 1]).astype(np.float64), pixels))
    return found


def _inside(places: F64, box: NDArray[np.floating]) -> _Mask:
    """Which of places (..., 2: x y) lie in a box."""
    return np.asarray(((places >= box[:2]) & (places <= box[2:4])).all(axis=-1))
