"""What moves against the hall from frame to frame of a burst though the network does not know it: balls.

Differences to two other frames at once (Kameda and Minoh, "A human motion estimation method using 3-successive video
frames", 1996), after the turn of the camera is taken out: what differs from both is where it is in this frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.people.belonging import BELONGING
from pipeline.people.detect import SURE
from pipeline.people.tracking import Observation
from pipeline.types import F32, F64


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


RULES = MotionRules()
_Mask = NDArray[np.bool_]


def moving(frames: Sequence[Observation], shifts: Sequence[F64]) -> list[_Mask | None]:
    """(h, w) of each frame of a burst, as its `small`: what moves against the hall; None where that is not known, as in
    the first and the last.

    shifts  as from `tracking.camera_shifts`
    """
    light = [np.log1p(frame.small.astype(np.float32)) for frame in frames]
    found: list[_Mask | None] = []
    for at, frame in enumerate(frames):
        others = [k for k in (at - 1, at + 1) if 0 <= k < len(frames) and frames[k].small.shape == frame.small.shape]
        between = [shifts[at][:2], -shifts[at + 1][:2]] if len(others) == 2 else []
        if not between or not np.isfinite(between).all():
            found.append(None)
            continue
        first, second = (_difference(light[at], light[k], hall) for k, hall in zip(others, between, strict=True))
        least = np.maximum(RULES.differs, RULES.steps / (1 + frame.small.astype(np.float32)))
        both = (np.sign(first) == np.sign(second)) & (np.minimum(np.abs(first), np.abs(second)) > least)
        found.append(both if (both & ~_near_people(frame)).mean() <= RULES.elsewhere else None)
    return found


def _near_people(frame: Observation) -> _Mask:
    """(h, w) of a frame's `small`: where people are, and hands and feet of them may be."""
    near = np.zeros(frame.small.shape, bool)
    height, width = frame.small.shape
    y, x = np.mgrid[:height, :width]
    places = (np.stack([x, y], axis=-1) + 0.5) / (width, height)
    for box in frame.people[:, :4].astype(np.float64):
        by = RULES.beyond * (box[3] - box[1]) * np.array([frame.size[0] / frame.size[1], 1])
        near |= _inside(places, np.concatenate([box[:2] - by, box[2:] + by]))
    return near


def _difference(light: F32, other: F32, hall: F64) -> F32:
    """(h, w) how much brighter, or darker, a frame is than another one, brought to it, is anywhere within RULES.slack.
    Lamps that pulse light other rows than before, or one end of the hall: what rows and columns change by is none."""
    import cv2

    height, width = light.shape
    turn = np.array([[1, 0, hall[0] * width], [0, 1, hall[1] * height]])
    there = cv2.warpAffine(np.ones_like(other), turn, (width, height)) > 1 - 1e-3
    brought = np.asarray(cv2.warpAffine(other, turn, (width, height)), np.float32)
    for axis in (1, 0):
        change = np.where(there | ~there.any(axis=axis, keepdims=True), light - brought, np.nan)
        brought += np.nanmedian(change, axis=axis, keepdims=True)
    around = np.ones((2 * RULES.slack + 1,) * 2, np.uint8)
    least, most = cv2.erode(brought, around), cv2.dilate(brought, around)
    return np.asarray(np.where(there, np.maximum(light - most, 0) - np.maximum(least - light, 0), 0), np.float32)


def flying(frame: Observation, mask: _Mask, tall: float) -> F64:
    """(K, 4) round things that move and are no part of anybody, in fractions: what may be a ball of somebody `tall`."""
    found = []
    sure = frame.people[frame.people[:, 4] >= SURE.person]
    for box, pixels in _parts(mask):
        wide, high = box[2] - box[0], box[3] - box[1]
        if len(pixels) < RULES.fewest or min(wide, high) < RULES.round * max(wide, high):
            continue
        large = high / mask.shape[0] / tall
        if len(pixels) < RULES.filled * wide * high or not BELONGING.ball_least < large < BELONGING.ball_most:
            continue
        place = (pixels + 0.5) / mask.shape[::-1]
        if max((_inside(place, person).mean() for person in sure), default=0.0) < RULES.own:
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
