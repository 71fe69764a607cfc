"""Which face and which ball is a person's."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.people.detect import within
from pipeline.people.tracking import Observation
from pipeline.types import F32


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


BELONGING = Belonging()


def faces_of(person: F32, faces: F32) -> F32:
    """Those of `faces` (M, 9) that sit where the head of `person` (5,) can be and have the size of one."""
    if not len(faces):
        return faces
    x0, y0, x1, y1 = person[:4]
    tall = y1 - y0
    x, y = (faces[:, 0] + faces[:, 2]) / 2, (faces[:, 1] + faces[:, 3]) / 2
    size = (faces[:, 3] - faces[:, 1]) / tall
    inside = (x > x0) & (x < x1) & (y > y0 - BELONGING.face_above * tall) & (y < y0 + BELONGING.face_below * tall)
    return np.asarray(faces[inside & (size > BELONGING.face_least) & (size < BELONGING.face_most)])


def surest(rows: F32) -> float:
    """The highest certainty of `rows` (N, 5 or more), 0 without any."""
    return float(rows[:, 4].max()) if len(rows) else 0.0


def rise(value: float, low: float, high: float) -> float:
    """0 up to `low`, 1 from `high`, and linear between."""
    return float(np.clip((value - low) / (high - low), 0, 1))


def rackets_of(reach: F32, frame: Observation) -> F32:
    """(K, 5) the rackets and bats that touch the `reach` (5,) of somebody."""
    height, width = frame.size
    x0, y0, x1, y1 = reach[:4]
    tall, rows = y1 - y0, frame.rackets
    across = np.maximum(np.maximum(rows[:, 0] - x1, x0 - rows[:, 2]), 0) * width / height
    down = np.maximum(np.maximum(rows[:, 1] - y1, y0 - rows[:, 3]), 0)
    large = np.maximum((rows[:, 2] - rows[:, 0]) * width / height, rows[:, 3] - rows[:, 1])
    held = (np.hypot(across, down) <= BELONGING.grip * tall) & (large < BELONGING.racket_most * tall)
    return np.asarray(rows[held])


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
