"""The same person from frame to frame of a burst, although the camera follows and players cross."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from pipeline.imaging.detect import overlap
from pipeline.model import F32, F64

_SKIP = 2  # frames in a row that somebody may be hidden or missed in
_FAR = 0.95  # the greatest cost at which two boxes can be one person
_SURE_SHIFT = 0.025  # response of the phase correlation from which its answer is believed


@dataclass(frozen=True)
class Seen:
    """What `crop` measured in one frame. Boxes are fractions of the upright frame.

    people  (N, 5) box and certainty; sharp (N,) their sharpness; kit (N, 3) mean colour of the torso, 0 to 255
    faces   (M, 9) as in imaging.detect.Found; balls (K, 5)
    small   (h, w) uint8, the frame for telling how the camera turned
    size    (height, width) of the full upright frame in pixels
    light   (N, 2) mean luminance of a person against the frame's, and the share of the box that is clipped
    """

    people: F32
    sharp: F32
    kit: F32
    faces: F32
    balls: F32
    small: NDArray[np.uint8]
    size: tuple[int, int]
    light: F32


@dataclass
class Track:
    """One person: frame's place in the burst -> row of `people` there."""

    rows: dict[int, int] = field(default_factory=dict)

    @property
    def last(self) -> int:
        return max(self.rows)


def camera_shifts(seen: Sequence[Seen]) -> list[F64]:
    """How far the hall moved in the picture from the frame before, (x, y) in fractions; zero for the first.

    Phase correlation (Kuglin and Hines 1975): the pulse of the lamps, a gain, does not change it.
    """
    shifts = [np.zeros(2)]
    for before, now in pairwise(seen):
        a, b = before.small, now.small
        if a.shape != b.shape or min(a.shape) < 16:
            shifts.append(np.zeros(2))
            continue
        window = cv2.createHanningWindow((a.shape[1], a.shape[0]), cv2.CV_32F)
        (x, y), response = cv2.phaseCorrelate(_edges(a), _edges(b), window)
        sure = response >= _SURE_SHIFT
        shifts.append(np.array([x / a.shape[1], y / a.shape[0]]) if sure else np.zeros(2))
    return shifts


def _edges(grey: NDArray[np.uint8]) -> F32:
    soft = cv2.GaussianBlur(np.log1p(grey.astype(np.float32)), (0, 0), 1.0)
    return np.asarray(soft - cv2.GaussianBlur(soft, (0, 0), 8.0), dtype=np.float32)


def find_tracks(seen: Sequence[Seen], shifts: Sequence[F64]) -> list[Track]:
    """Every person of every frame in exactly one track.

    A person is expected where it would be if it went on as it went, or if it stood in the hall, or if the camera
    followed it, whichever fits best; the colour of the kit tells two who cross apart.
    """
    tracks: list[Track] = []
    open_: list[Track] = []
    for at, frame in enumerate(seen):
        open_ = [t for t in open_ if at - t.last <= _SKIP + 1]
        taken: set[int] = set()
        if open_ and len(frame.people):
            cost = np.stack([_costs(t, at, seen, shifts) for t in open_])
            for i, row in zip(*linear_sum_assignment(cost), strict=True):
                if cost[i, row] < _FAR:
                    open_[i].rows[at] = int(row)
                    taken.add(int(row))
        for row in range(len(frame.people)):
            if row not in taken:
                tracks.append(Track({at: row}))
                open_.append(tracks[-1])
    return tracks


def _costs(track: Track, at: int, seen: Sequence[Seen], shifts: Sequence[F64]) -> F64:
    """How badly each person of frame `at` would continue `track`."""
    last = track.last
    row = track.rows[last]
    box = seen[last].people[row, :4].astype(np.float64)
    hall = np.sum([shifts[i] for i in range(last + 1, at + 1)], axis=0)
    moves = [np.zeros(2), hall]
    earlier = [i for i in track.rows if i < last]
    if earlier:
        before = max(earlier)
        then = seen[before].people[track.rows[before], :4]
        moves.append((_centre(box) - _centre(then)) / (last - before) * (at - last))
    boxes = seen[at].people[:, :4].astype(np.float64)
    near = np.max([_nearness(box + np.tile(move, 2), boxes, seen[at].size) for move in moves], axis=0)
    colour = np.linalg.norm(seen[at].kit - seen[last].kit[row], axis=1)
    heights = boxes[:, 3] - boxes[:, 1]
    grown = np.abs(np.log2(np.maximum(heights, 1e-6) / (box[3] - box[1])))
    cost = (1 - near) + 0.35 * np.minimum(colour / 60, 1) + 0.4 * np.minimum(grown, 1)
    return np.asarray(np.where(near > 0.1, cost, 2.0))


def _nearness(box: F64, boxes: F64, size: tuple[int, int]) -> F64:
    """0 to 1: the overlap, or, for who ran farther than that between two frames, nearness at the same height."""
    tall, others = box[3] - box[1], np.maximum(boxes[:, 3] - boxes[:, 1], 1e-6)
    away = ((boxes[:, :2] + boxes[:, 2:]) / 2 - _centre(box)) * (size[1] / size[0], 1.0) / tall
    alike = np.minimum(tall / others, others / tall) ** 2
    near = 0.6 * np.exp(-(away**2).sum(axis=1) / 0.4**2) * alike
    return np.asarray(np.maximum(overlap(box, boxes), near))


def _centre(box: NDArray[Any]) -> F64:
    return np.array([(box[0] + box[2]) / 2, (box[1] + box[3]) / 2], dtype=np.float64)


def speeds(track: Track, seen: Sequence[Seen], shifts: Sequence[F64]) -> dict[int, F64]:
    """Movement against the hall, (x, y) in the person's own heights a frame, positive to the right and down."""
    places = sorted(track.rows)
    if len(places) < 2:
        return {places[0]: np.zeros(2)}
    aspect = seen[places[0]].size[1] / seen[places[0]].size[0]
    result: dict[int, F64] = {}
    for i, at in enumerate(places):
        a, b = places[max(i - 1, 0)], places[min(i + 1, len(places) - 1)]
        hall = np.sum([shifts[k] for k in range(a + 1, b + 1)], axis=0)
        first, second = seen[a].people[track.rows[a]], seen[b].people[track.rows[b]]
        moved = (_centre(second) - _centre(first) - hall) * (aspect, 1.0) / (b - a)
        result[at] = moved / max(float(first[3] - first[1]), 1e-3)
    return result
