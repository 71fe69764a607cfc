"""Who the picture is about: the same person over a burst, from what was measured in each frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.imaging.geometry import Box, row_to_box
from pipeline.people.detect import SURE_BALL, SURE_FACE, within
from pipeline.people.tracking import SKIP, Observation, camera_shifts, follow, speeds
from pipeline.types import F32, F64

_SURE = 0.40  # certainty from which somebody may be the subject; small ones, whom posts and coats are taken for, more
_SMALL, _SURER = 0.25, 2.5  # of the frame's height; certainty more for each height less
_TALL = 0.06  # of the frame's height; whoever is smaller is not what a frame was taken for
_IN_FOCUS = 0.6  # of the sharpest person's sharpness, from which somebody counts as sharp
_AS_SHARP = 0.7  # of the subject's sharpness, from which somebody beside it may contest the ball
_WORTH = 0.02  # least worth of a subject: below are specks at the rim
_CROWD_TALL, _CROWD = 0.15, 6  # of the frame's height; how many
_REACH = 0.6  # own heights from the box to the middle of a ball that belongs to the action


@dataclass(frozen=True)
class Subject:
    """The subject of one frame. Boxes are fractions of the upright frame.

    box      the main person; whole  the same with whoever contests the ball
    faces    of these people; ball  the ball of the action, if there is surely one
    face_sure, ball_sure  certainty of the surest face of the person, and ball within reach; 0 without
    towards  -1 (left) to 1 (right): where the movement, the ball or the look goes
    sure     certainty of the detector, 0 to 1; sharp  as in imaging.sharpness
    light    mean luminance against the frame's, and the share that is clipped
    row      of `people` in what was seen; None where the box was put between its neighbours
    """

    box: Box
    whole: Box
    faces: tuple[Box, ...]
    ball: Box | None
    towards: float
    sure: float
    face_sure: float
    ball_sure: float
    sharp: float
    light: tuple[float, float]
    row: int | None


def find_subjects(seen: Sequence[Observation]) -> list[Subject | None]:
    """The subject of each frame of one burst, in its order; None where nobody is surely one."""
    shifts = camera_shifts(seen)
    worth = [_worth(frame) for frame in seen]
    rows = follow(seen, worth, shifts)
    moves = speeds(rows, seen, shifts)
    rivals = _lasting([
        None if row is None else _rival(row, frame, own) for frame, row, own in zip(seen, rows, worth, strict=True)
    ])  # fmt: skip
    return [
        _between(at, rows, seen) if row is None else _subject(frame, row, moves[at], rivals[at])
        for at, (frame, row) in enumerate(zip(seen, rows, strict=True))
    ]


def _worth(frame: Observation) -> F64:
    """How much each person of a frame looks like what it was taken for; 0 for whoever cannot be."""
    people = frame.people
    if not len(people):
        return np.zeros(0)
    x0, y0, x1, y1, sure = people.T.astype(np.float64)
    tall = y1 - y0
    grown = tall >= 0.3 * tall.max()
    best = float(frame.sharp[grown].max()) if grown.any() else 0.0
    # Blur puts somebody out of the running; who is a little sharper than another is not thereby the subject.
    sharp = np.clip(frame.sharp / (_IN_FOCUS * best), 0.1, 1.0) ** 1.5 if best > 0 else np.ones(len(people))
    across, down = (x0 + x1) / 2 - 0.5, (y0 + y1) / 2 - 0.52
    place = 0.2 + 0.8 * np.exp(-0.5 * (across / 0.27) ** 2 - 0.5 * (down / 0.35) ** 2)
    # Whoever the frame itself cuts off at a side stood in the way rather than in the picture.
    side = np.where((x0 < 0.004) | (x1 > 0.996), 0.5, 1.0) * np.where((y0 < 0.004) | (y1 > 0.996), 0.75, 1.0)
    face = np.array([1 + 0.15 * _share(_surest(faces_of(p, frame.faces)), 0.5, 0.9) for p in people])
    worth = np.sqrt(sure) * np.minimum(tall, 0.85) ** 1.2 * place * side * sharp * face
    least = _SURE + _SURER * np.maximum(_SMALL - tall, 0)
    worth = np.where((sure >= least) & (tall >= _TALL), worth, 0.0)
    # Among many as small and as good as each other nobody is what the frame was taken for.
    first = int(worth.argmax())
    if tall[first] < _CROWD_TALL and (worth > 0.7 * worth[first]).sum() > _CROWD:
        return np.zeros(len(people))
    return np.asarray(np.where(worth >= _WORTH, worth, 0.0))


def faces_of(person: F32, faces: F32) -> F32:
    """Those of `faces` (M, 9) that sit where the head of `person` can be, of a head's size."""
    if not len(faces):
        return faces
    x0, y0, x1, y1 = person[:4]
    tall = y1 - y0
    x, y = (faces[:, 0] + faces[:, 2]) / 2, (faces[:, 1] + faces[:, 3]) / 2
    size = (faces[:, 3] - faces[:, 1]) / tall
    inside = (x > x0) & (x < x1) & (y > y0 - 0.03 * tall) & (y < y0 + 0.5 * tall)
    return np.asarray(faces[inside & (size > 0.04) & (size < 0.35)])


def _surest(rows: F32) -> float:
    return float(rows[:, 4].max()) if len(rows) else 0.0


def _share(value: float, low: float, high: float) -> float:
    return float(np.clip((value - low) / (high - low), 0, 1))


def ball_of(person: F32, frame: Observation) -> F32 | None:
    """The ball, surest first, within reach of a person; a ball inside somebody's head is hair, not a ball."""
    height, width = frame.size
    x0, y0, x1, y1 = (float(v) for v in person[:4])
    tall = y1 - y0
    for ball in frame.balls:
        head = np.stack([frame.people[:, 0], frame.people[:, 1], frame.people[:, 2],
                         frame.people[:, 1] + 0.22 * (frame.people[:, 3] - frame.people[:, 1])], axis=1)  # fmt: skip
        size = float(ball[3] - ball[1]) / tall
        if any(within(ball[None, :4], h)[0] > 0.85 for h in head) or not 0.03 < size < 0.4:
            continue
        x, y = (float(ball[0] + ball[2]) / 2, float(ball[1] + ball[3]) / 2)
        away = np.hypot(max(x0 - x, x - x1, 0.0) * width / height, max(y0 - y, y - y1, 0.0))
        if away <= _REACH * tall:
            return np.asarray(ball)
    return None


def _subject(frame: Observation, row: int, move: F64, rival: int | None) -> Subject:
    person = frame.people[row]
    near = ball_of(person, frame)
    ball = _sure_ball(near)
    group = [row] if rival is None else [row, rival]
    own = faces_of(person, frame.faces)
    faces = np.concatenate([faces_of(frame.people[i], frame.faces) for i in group])
    faces = faces[faces[:, 4] >= SURE_FACE]
    boxes = frame.people[group, :4]
    whole = (*boxes[:, :2].min(axis=0), *boxes[:, 2:].max(axis=0))
    return Subject(
        box=row_to_box(person),
        whole=row_to_box(np.array(whole)),
        faces=tuple(row_to_box(face) for face in faces),
        ball=ball,
        towards=_towards(person, faces, ball, move, frame),
        sure=float(person[4]),
        face_sure=_surest(own),
        ball_sure=0.0 if near is None else float(near[4]),
        sharp=float(frame.sharp[row]),
        light=(float(frame.light[row, 0]), float(frame.light[row, 1])),
        row=row,
    )


def _sure_ball(near: F32 | None) -> Box | None:
    return row_to_box(near) if near is not None and near[4] >= SURE_BALL else None


def _lasting(rivals: Sequence[int | None]) -> list[int | None]:
    """Those of the frames of a burst who are there for more than one: who only runs past the ball does not contest it,
    and a crop that took him in for one frame would jump."""
    there = [False, *(rival is not None for rival in rivals), False]
    alone = len(rivals) == 1
    return [r if alone or before or after else None
            for r, before, after in zip(rivals, there, there[2:], strict=False)]  # fmt: skip


def _rival(row: int, frame: Observation, worth: F64) -> int | None:
    """Who contests the ball: as near to it as the subject, as tall, as sharp, and beside the subject."""
    own = frame.people[row]
    ball = _sure_ball(ball_of(own, frame))
    if ball is None:
        return None
    tall = float(own[3] - own[1])
    ratio = frame.size[1] / frame.size[0]
    best: int | None = None
    for i, other in enumerate(frame.people):
        height = float(other[3] - other[1])
        if i == row or worth[i] < 0.35 * worth[row] or not 0.65 < height / tall < 1.5:
            continue
        if frame.sharp[i] < _AS_SHARP * frame.sharp[row]:
            continue
        gap = max(float(other[0] - own[2]), float(own[0] - other[2]), 0.0) * ratio
        x, y = (ball[0] + ball[2]) / 2, (ball[1] + ball[3]) / 2
        reach = np.hypot(max(other[0] - x, x - other[2], 0.0) * ratio, max(other[1] - y, y - other[3], 0.0))
        feet = abs(float(other[3] - own[3]))  # who stands as near to the camera has the feet as low
        close = gap < 0.2 * tall and reach < 0.3 * height and feet < 0.35 * tall
        if close and (best is None or worth[i] > worth[best]):
            best = i
    return best


def _towards(person: F32, faces: F32, ball: Box | None, move: F64, frame: Observation) -> float:
    """Movement counts most, then the ball, then the look of the face."""
    ratio = frame.size[1] / frame.size[0]
    tall = float(person[3] - person[1])
    signs = float(np.clip(move[0] / 0.12, -1, 1))
    if ball is not None:
        across = ((ball[0] + ball[2]) / 2 - float(person[0] + person[2]) / 2) * ratio / tall
        signs += 0.6 * float(np.clip(across / 0.4, -1, 1))
    if len(faces):
        wide = float(faces[0, 2] - faces[0, 0])
        signs += 0.5 * float(np.clip((faces[0, 7] - faces[0, 5]) / max(0.25 * wide, 1e-6), -1, 1))
    return float(np.clip(signs, -1, 1))


def _between(at: int, rows: Sequence[int | None], seen: Sequence[Observation]) -> Subject | None:
    """Somebody who is hidden or missed for a few frames: between where the frames before and after have them."""
    reached = [i for i, row in enumerate(rows) if row is not None]
    before = max((i for i in reached if i < at), default=None)
    after = min((i for i in reached if i > at), default=None)
    if before is None or after is None or after - before > SKIP + 1:
        return None
    i, k = rows[before], rows[after]
    first, second = seen[before], seen[after]
    share = (at - before) / (after - before)
    a, b = first.people[i], second.people[k]
    box = row_to_box(a + share * (b - a))
    sharp = 0.5 * min(float(first.sharp[i]), float(second.sharp[k]))
    light = (float(first.light[i, 0]), float(first.light[i, 1]))
    return Subject(box, box, (), None, 0.0, 0.5 * float(min(a[4], b[4])), 0.0, 0.0, sharp, light, None)
