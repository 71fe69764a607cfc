"""What a crop around a subject must hold, and what it should not cut."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging import rotation
from pipeline.imaging.geometry import WHOLE, HeightBox, box_to_heights
from pipeline.people.belonging import beside, compact, flying
from pipeline.people.framing import FRAMING, CropConstraints
from pipeline.people.subject import Subject
from pipeline.people.tracking import Observation
from pipeline.types import F64


@dataclass(frozen=True)
class ConstraintRules:
    """Room around faces, balls and the frame's rim.

    Chosen by eye on generated shoots and checked with `python -m tests.crops` (faces cut, holds the main player).
    """

    rim: float = 0.015  # heights of the frame: a box that ends so near to its rim goes up to it, so that no toe is cut
    face_room: float = 0.35  # heights of the face around it: hair and chin, which the detector's box leaves out
    ball_room: float = 0.25  # heights of the ball around it
    limb: float = 0.1  # heights of somebody else: hands and feet that reach so far out of their box count
    bent: float = 0.85  # of how tall the subject stands: who is less tall may reach as far to the sides as up
    # Certainty from which a crop does not go through what may be a ball; only a certain one widens it.
    possible_ball: float = 0.4


RULES = ConstraintRules()


def constraints_of(
    found: Observation,
    subject: Subject,
    margin: float,
    turned: float,
    missed: F64 | None = None,
    moves: NDArray[np.bool_] | None = None,
    stands: F64 | None = None,
    uncompared: NDArray[np.bool_] | None = None,
) -> CropConstraints:
    """What a crop must hold of a frame, and what it should not cut.

    margin  least room around the subject, in heights of the subject
    missed  (K, 4) people who are there although they were not found in this frame, see candidates.missed; fractions
    moves   what moves in it, see belonging.moving; None where that is not known
    stands  (N,) how tall each person stands, see candidates.lengths; None where that is not known
    uncompared  of what nothing is known, see belonging.uncompared: beside somebody near, hands and feet may be there
    turned  degrees by which the frame is turned clockwise before it is cropped; the result is of the turned frame
    """
    height, width = found.size
    ratio = width / height
    scale = np.array([ratio, 1.0, ratio, 1.0])

    def placed(boxes: Any) -> NDArray[np.float64]:
        """Boxes in fractions as (N, 4) in heights of the turned frame."""
        rows = np.asarray(boxes, dtype=np.float64).reshape(-1, np.shape(boxes)[-1] if np.size(boxes) else 4)[:, :4]
        return turned_boxes(rows * scale, turned, ratio) if turned else rows * scale

    own = placed([subject.box])[0]
    tall = own[3] - own[1]
    needed = placed([subject.whole])[0]
    must = _grown(needed, margin * tall)
    if stands is not None and subject.row is not None and tall < RULES.bent * stands[subject.row]:
        half, middle = stands[subject.row] / 2, (own[:2] + own[2:]) / 2
        must = _joined(must, np.concatenate([middle - half, middle + half]))
    for other in placed(subject.others) if subject.others else ():
        needed = _joined(needed, other)
        must = _joined(must, _grown(other, margin * (other[3] - other[1])))
    for face in placed(subject.faces) if subject.faces else ():
        needed = _joined(needed, face)
        must = _joined(must, _grown(face, RULES.face_room * (face[3] - face[1])))
    if subject.ball is not None:
        ball = placed([subject.ball])[0]
        needed = _joined(needed, ball)
        must = _joined(must, _grown(ball, RULES.ball_room * (ball[3] - ball[1])))
    frame = box_to_heights(rotation.inscribed(turned, height, width) if turned else WHOLE, height, width)
    keep = np.arange(len(found.people)) != (-1 if subject.row is None else subject.row)
    people = placed(found.people[keep])  # also unsure ones: leapers are found less well
    by = RULES.limb * (people[:, 3:] - people[:, 1:2]) * [-1, -1, 1, 1]
    nearly = np.clip(placed(found.reach[keep]), np.minimum(people + by, people), np.maximum(people + by, people))
    there = placed(np.concatenate([np.zeros((0, 4)) if missed is None else missed, found.animals[:, :4]]))
    balls = placed(found.balls[found.balls[:, 4] >= RULES.possible_ball])
    if moves is not None:
        balls = np.concatenate([balls, placed(flying(found, moves, subject.box.y1 - subject.box.y0))])
    moving = None if turned or moves is None else compact(moves)
    if moving is not None and uncompared is not None:
        grown = (found.people[:, 3] - found.people[:, 1])[keep] >= FRAMING.near * (subject.box.y1 - subject.box.y0)
        moving |= uncompared & beside(found, found.people[keep][grown], RULES.limb)
    # None is left at the very edge of a crop either.
    balls += RULES.ball_room * (balls[:, 3:] - balls[:, 1:2]) * [-1, -1, 1, 1]
    return CropConstraints(
        frame=frame,
        must=_to_rim(_within(must, frame), frame),
        subject=_within(own, frame),
        needed=_within(needed, frame),
        least=0.0,
        towards=subject.towards,
        faces=placed(found.faces),  # also what only may be a face is not cut
        people=np.concatenate([people, there]),
        balls=np.clip(balls, np.tile(frame[:2], 2), np.tile(frame[2:], 2)),
        limbs=np.concatenate([nearly, there]),
        moving=moving,
    )


def turned_boxes(boxes: F64, degrees: float, width: float) -> F64:
    """Upright boxes (N, 4) around `boxes` (N, 4) after a turn of the frame clockwise about its middle.

    All in heights of the frame, which is `width` wide; plane rotation of the four corners.
    """
    angle = np.radians(degrees)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    middle = np.array([width / 2, 0.5])
    corners = boxes[:, [0, 1, 2, 1, 2, 3, 0, 3]].reshape(-1, 4, 2)
    moved = (corners - middle) @ turn + middle
    return np.concatenate([moved.min(axis=1), moved.max(axis=1)], axis=1)


def _grown(box: Any, by: float) -> Any:
    return np.asarray(box) + np.array([-by, -by, by, by])


def _joined(a: Any, b: Any) -> Any:
    return np.concatenate([np.minimum(a[:2], b[:2]), np.maximum(a[2:], b[2:])])


def _to_rim(box: HeightBox, frame: HeightBox) -> HeightBox:
    """A box that comes near the frame's rim goes up to it: no strip so narrow is worth a toe that reaches into it."""
    x0, y0, x1, y1 = (edge if abs(value - edge) < RULES.rim else value for value, edge in zip(box, frame, strict=True))
    return HeightBox(x0, y0, x1, y1)


def _within(box: Any, frame: HeightBox) -> HeightBox:
    """The part of a box that is inside the frame."""
    low, high = np.array([*frame[:2]] * 2), np.array([*frame[2:]] * 2)
    x0, y0, x1, y1 = (float(v) for v in np.clip(box, low, high))
    return HeightBox(x0, y0, x1, y1)
