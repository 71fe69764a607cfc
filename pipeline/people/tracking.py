"""The same person from frame to frame of a burst, although the camera follows and players cross."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.people.detect import SURE_PERSON, overlap
from pipeline.types import F32, F64

SKIP = 3  # frames in a row that somebody may be hidden or missed in
_WEIGHT = 0.5  # of a bad link, against what the best person of a burst is worth
_JERSEY_COLOUR = (
    60.0  # distance of colours, 0 to 441: the same kit under pulsing lamps is nearer 99 times of 100 (tests.crops)
)
_FAST = 0.15  # own heights a frame against the hall; who is faster is not for that more in the game
_SURE_SHIFT = 0.1  # response of the phase correlation from which its answer is believed
_LARGE = 0.15  # of the frame's height, from which somebody is left out of what tells how the camera turned


@dataclass(frozen=True)
class Observation:
    """What `crop` measured in one frame. Boxes are fractions of the upright frame.

    people  (N, 5) box and certainty; sharp (N,) their sharpness; kit (N, 3) mean colour of the torso, 0 to 255
    faces   (M, 9) as in imaging.detect.Found; balls (K, 5)
    small   (h, w) uint8, the frame for telling how the camera turned
    size    (height, width) of the full upright frame in pixels
    light   (N, 2) mean luminance of a person against the frame's, and the share of the box that is clipped
    """

    people: F32
    sharp: F32
    jersey_colour: F32
    faces: F32
    balls: F32
    small: NDArray[np.uint8]
    size: tuple[int, int]
    light: F32


def camera_shifts(seen: Sequence[Observation]) -> list[F64]:
    """How far the hall moved in the picture from the frame before, (x, y) in fractions; zero for the first.

    Phase correlation (Kuglin and Hines 1975): the pulse of the lamps, a gain, does not change it. Players, who stand
    out most and run for themselves, are left out of it.
    """
    shifts = [np.zeros(2)]
    edges = [_edges(frame) for frame in seen] if len(seen) > 1 else []
    for (before, now), (first, second) in zip(pairwise(seen), pairwise(edges), strict=True):
        a, b = before.small, now.small
        if a.shape != b.shape or min(a.shape) < 16:
            shifts.append(np.zeros(2))
            continue
        window = cv2.createHanningWindow((a.shape[1], a.shape[0]), cv2.CV_32F)
        (x, y), response = cv2.phaseCorrelate(first, second, window)
        sure = response >= _SURE_SHIFT
        shifts.append(np.array([x / a.shape[1], y / a.shape[0]]) if sure else np.zeros(2))
    return shifts


def _edges(frame: Observation) -> F32:
    light = np.log1p(frame.small.astype(np.float32))
    height, width = light.shape
    hall = np.ones_like(light)
    for x0, y0, x1, y1, sure in frame.people:
        if sure >= SURE_PERSON and y1 - y0 >= _LARGE:
            rows, columns = slice(int(y0 * height), int(y1 * height) + 1), slice(int(x0 * width), int(x1 * width) + 1)
            hall[rows, columns] = 0
    # Holes are filled with what is around them, and their rims faded: an edge of a hole would move with its player.
    around = cv2.GaussianBlur(light * hall, (0, 0), 8.0) / np.maximum(cv2.GaussianBlur(hall, (0, 0), 8.0), 1e-3)
    soft = cv2.GaussianBlur(np.where(hall > 0, light, around), (0, 0), 1.0)
    return np.asarray((soft - cv2.GaussianBlur(soft, (0, 0), 8.0)) * cv2.GaussianBlur(hall, (0, 0), 3.0))


def follow(seen: Sequence[Observation], worth: Sequence[F64], shifts: Sequence[F64]) -> list[int | None]:
    """The row of `people` in each frame that is the subject: the person worth most over the burst, as one path.

    worth  for each frame and person how much it looks like what the frame was taken for, 0 for whoever cannot be

    The best path is found by dynamic programming (Viterbi 1967): what each of its persons is worth, less how badly
    each continues the one before. So one bad link, two who cross or one who is hidden for a frame, does not decide.
    Frames that the path does not reach get a path of their own; None where nobody is worth anything, or is hidden
    between two frames of a path.
    """
    rows: list[int | None] = [None] * len(seen)
    stretches = [(0, len(seen))]
    while stretches:
        first, last = stretches.pop()
        path = best_path(seen[first:last], worth[first:last], shifts[first:last])
        if not path:
            continue
        for at, row in path.items():
            rows[first + at] = row
        reached = sorted(path)
        stretches += [(first, first + reached[0]), (first + reached[-1] + 1, last)]
    return rows


def best_path(seen: Sequence[Observation], worth: Sequence[F64], shifts: Sequence[F64]) -> dict[int, int]:
    """Frame -> row of the best path; frames between two of its own may be left out, up to SKIP in a row."""
    most = max((float(w.max()) for w in worth if len(w)), default=0.0)
    if most <= 0:
        return {}
    totals: list[F64] = []
    came: list[list[tuple[int, int] | None]] = []
    for at, own in enumerate(worth):
        best = np.where(own > 0, own / most, -np.inf)
        start: list[tuple[int, int] | None] = [None] * len(own)
        gain = np.zeros(len(own))
        for before in range(max(0, at - 1 - SKIP), at):
            if not len(own) or not len(worth[before]):
                continue
            links = totals[before][:, None] - _WEIGHT * _links(seen[before], seen[at], shifts[before + 1 : at + 1])
            for row in range(len(own)):
                i = int(links[:, row].argmax())
                if links[i, row] > gain[row]:
                    gain[row], start[row] = links[i, row], (before, i)
        totals.append(best + gain)
        came.append(start)
    at = max((i for i in range(len(seen)) if len(totals[i])), key=lambda i: float(totals[i].max()))
    row = int(totals[at].argmax())
    path = {at: row}
    while (step := came[at][row]) is not None:
        at, row = step
        path[at] = row
    return path


def _links(before: Observation, now: Observation, shifts: Sequence[F64]) -> F64:
    """(people before, people now): how badly the one would go on as the other, from 0; infinite where it cannot.

    Somebody is expected where he stands in the hall, or where the camera following him keeps him, whichever fits
    better; the kit's colour and the height tell two who cross apart: another kit is hardly the same person, even where
    somebody stands just where the hidden one is expected. Who moves against the hall is in the game.
    """
    hall = np.sum(shifts, axis=0)
    ratio = now.size[1] / now.size[0]
    first, second = before.people[:, :4].astype(np.float64), now.people[:, :4].astype(np.float64)
    tall = np.maximum(first[:, 3] - first[:, 1], 1e-6)[:, None]
    heights = np.maximum(second[:, 3] - second[:, 1], 1e-6)[None]
    near = np.maximum(_nearness(first, second, ratio), _nearness(first + np.tile(hall, 2), second, ratio))
    colour = np.linalg.norm(now.jersey_colour[None] - before.jersey_colour[:, None], axis=2) / _JERSEY_COLOUR
    dressed = 0.35 * np.minimum(colour, 1) + 1.5 * np.clip(colour - 1, 0, 1)
    grown = np.abs(np.log2(heights / tall))
    moved = (_centres(second)[None] - _centres(first)[:, None] - hall) * (ratio, 1.0) / tall[..., None] / len(shifts)
    speed = np.minimum(np.hypot(moved[..., 0], moved[..., 1]) / _FAST, 1)
    cost = (1 - near) + dressed + 0.4 * np.minimum(grown, 1) + 0.3 * (1 - speed)
    return np.asarray(np.where(near > 0.1, cost, np.inf))


def _nearness(first: F64, second: F64, ratio: float) -> F64:
    """(N, M), 0 to 1: the overlap, or, for who ran farther than that from frame to frame, nearness at one height."""
    tall = np.maximum(first[:, 3] - first[:, 1], 1e-6)[:, None]
    others = np.maximum(second[:, 3] - second[:, 1], 1e-6)[None]
    away = (_centres(second)[None] - _centres(first)[:, None]) * (ratio, 1.0) / tall[..., None]
    alike = np.minimum(tall / others, others / tall) ** 2
    near = 0.6 * np.exp(-(away**2).sum(axis=2) / 0.4**2) * alike
    return np.asarray(np.maximum(overlap(first[:, None], second[None]), near))


def _centres(boxes: F64) -> F64:
    return np.asarray((boxes[:, :2] + boxes[:, 2:]) / 2)


def _centre(box: NDArray[Any]) -> F64:
    return np.array([(box[0] + box[2]) / 2, (box[1] + box[3]) / 2], dtype=np.float64)


def speeds(rows: Sequence[int | None], seen: Sequence[Observation], shifts: Sequence[F64]) -> list[F64]:
    """Movement against the hall in each frame, (x, y) in the subject's own heights a frame; right and down positive."""
    result = [np.zeros(2)] * len(seen)
    places = [at for at, row in enumerate(rows) if row is not None]
    for i, at in enumerate(places):
        a, b = places[max(i - 1, 0)], places[min(i + 1, len(places) - 1)]
        if not 0 < b - a <= 2 * (SKIP + 1):
            continue
        hall = np.sum(shifts[a + 1 : b + 1], axis=0)
        first, second = seen[a].people[rows[a]], seen[b].people[rows[b]]
        ratio = seen[at].size[1] / seen[at].size[0]
        moved = (_centre(second) - _centre(first) - hall) * (ratio, 1.0) / (b - a)
        result[at] = moved / max(float(first[3] - first[1]), 1e-3)
    return result
