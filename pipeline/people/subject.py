"""Who the picture is about: the same person over a burst, from what was measured in each frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.geometry import Box, row_to_box
from pipeline.people.detect import SURE, within
from pipeline.people.tracking import LINKING, Observation, camera_shifts, follow, speeds
from pipeline.types import F32, F64


@dataclass(frozen=True)
class Worth:
    """How much somebody looks like what a frame was taken for. Heights and places are fractions of the frame.

    Chosen by eye on generated shoots and photographs, and checked with `python -m tests.crops` (main player found,
    same subject at ISO 800 and 12,800), where nothing else is said.
    """

    certainty: float = 0.40  # of the detector, from which somebody can be the subject
    small: float = 0.25  # height; smaller ones need more certainty: posts and coats pass for small people
    small_certainty: float = 2.5  # certainty more for each height less than `small`
    least_height: float = 0.06
    height_power: float = 1.2
    largest: float = 0.85  # height above which nobody gains any more
    # Sharpness: blur puts somebody out of the running; being a little sharper than another is no advantage.
    in_focus: float = 0.6  # of the sharpest person's sharpness, from which somebody counts as sharp
    compared: float = 0.3  # of the tallest person's height: smaller ones do not set what is sharp
    blur_power: float = 1.5
    blur_floor: float = 0.1  # of the sharpness that counts as sharp: nobody counts as more blurred
    # Place: a Gaussian around a point, above a floor (players fill the middle of a frame: common practice, no source).
    middle_x: float = 0.5
    middle_y: float = 0.52
    across: float = 0.27  # standard deviations
    down: float = 0.35
    place_floor: float = 0.2
    # Whoever the frame itself cuts off at a side stood in the way rather than in the picture.
    rim: float = 0.004
    cut_side: float = 0.5
    cut_end: float = 0.75  # at the top or bottom: often a player close to the camera
    # A face adds up to this share, rising over these certainties.
    face: float = 0.15
    face_from: float = 0.5
    face_to: float = 0.9
    least: float = 0.02  # worth below which nobody is the subject: specks at the rim
    # Among many as small and as good as each other nobody is what the frame was taken for.
    crowd_height: float = 0.15
    crowd: int = 6  # people; the crowd is more than so many
    crowd_worth: float = 0.7  # of the best one's worth, from which somebody is as good


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
    reach: float = 0.6  # from the box to the middle of a ball that belongs to the action: an arm and a little more


@dataclass(frozen=True)
class Contest:
    """Who contests the ball with the subject. Chosen by eye on generated bursts of two at a ball."""

    worth: float = 0.35  # of the subject's worth
    shortest: float = 0.65  # heights of the subject
    tallest: float = 1.5
    sharpness: float = 0.7  # of the subject's
    gap: float = 0.2  # heights of the subject between the two boxes
    reach: float = 0.3  # own heights from the box to the middle of the ball
    feet: float = 0.35  # heights of the subject: who stands as near to the camera has the feet as low


@dataclass(frozen=True)
class Direction:
    """Where room is left: the sum of three signs from -1 to 1, held to that range. Chosen with `python -m tests.crops`
    ("room ahead"); movement counts most, then the ball, then where the face looks."""

    full_speed: float = 0.12  # heights a frame, from which movement counts fully
    ball: float = 0.6
    full_ball: float = 0.4  # heights from the middle of the subject to the ball, from which it counts fully
    face: float = 0.5
    full_face: float = 0.25  # widths of the face from its middle to the nose, from which it counts fully
    interpolated: float = 0.5  # of certainty and sharpness left to a subject that is put between two frames


WORTH, BELONGING, CONTEST, DIRECTION = Worth(), Belonging(), Contest(), Direction()


@dataclass(frozen=True, slots=True)
class Subject:
    """The subject of one frame. Boxes are fractions of the upright frame.

    box      the main person; whole  around the main person and whoever contests the ball
    faces    of these people; ball  the ball of the action, if one is certain
    face_sure, ball_sure  certainty of the person's surest face, and of the ball within reach; 0 without one
    towards  -1 (left) to 1 (right): where the movement, the ball or the face points
    sure     certainty of the detector, 0 to 1; sharp  as in imaging.sharpness
    light    mean luminance against the frame's (ratio), and the share of the box that is clipped, 0 to 1
    row      of `people` in the observation; None where the box was interpolated between its neighbours
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


def find_subjects(frames: Sequence[Observation]) -> list[Subject | None]:
    """The subject of each frame of one burst, in its order; None where there is no clear one.

    One person over the whole burst where one path can be followed, see `tracking.follow`.
    """
    shifts = camera_shifts(frames)
    worth = [_worth(frame) for frame in frames]
    rows = follow(frames, worth, shifts)
    moves = speeds(rows, frames, shifts)
    rivals = _lasting([
        None if row is None else _rival(row, frame, own) for frame, row, own in zip(frames, rows, worth, strict=True)
    ])  # fmt: skip
    return [
        _between(at, rows, frames) if row is None else _subject(frame, row, moves[at], rivals[at])
        for at, (frame, row) in enumerate(zip(frames, rows, strict=True))
    ]


def _worth(frame: Observation) -> F64:
    """How much each person of a frame looks like what it was taken for; 0 for whoever cannot be."""
    people = frame.people
    if not len(people):
        return np.zeros(0)
    x0, y0, x1, y1, sure = people.T.astype(np.float64)
    tall = y1 - y0
    grown = tall >= WORTH.compared * tall.max()
    best = float(frame.sharp[grown].max()) if grown.any() else 0.0
    sharp = np.ones(len(people))
    if best > 0:
        sharp = np.clip(frame.sharp / (WORTH.in_focus * best), WORTH.blur_floor, 1.0) ** WORTH.blur_power
    across, down = (x0 + x1) / 2 - WORTH.middle_x, (y0 + y1) / 2 - WORTH.middle_y
    near = np.exp(-0.5 * (across / WORTH.across) ** 2 - 0.5 * (down / WORTH.down) ** 2)
    place = WORTH.place_floor + (1 - WORTH.place_floor) * near
    at_side, at_end = _at_rim(x0, x1), _at_rim(y0, y1)
    side = np.where(at_side, WORTH.cut_side, 1.0) * np.where(at_end, WORTH.cut_end, 1.0)
    certain = [_surest(faces_of(p, frame.faces)) for p in people]
    face = np.array([1 + WORTH.face * rise(c, WORTH.face_from, WORTH.face_to) for c in certain])
    worth = np.sqrt(sure) * np.minimum(tall, WORTH.largest) ** WORTH.height_power * place * side * sharp * face
    least = WORTH.certainty + WORTH.small_certainty * np.maximum(WORTH.small - tall, 0)
    worth = np.where((sure >= least) & (tall >= WORTH.least_height), worth, 0.0)
    first = int(worth.argmax())
    if tall[first] < WORTH.crowd_height and (worth > WORTH.crowd_worth * worth[first]).sum() > WORTH.crowd:
        return np.zeros(len(people))
    return np.asarray(np.where(worth >= WORTH.least, worth, 0.0))


def touched_sides(box: Box) -> int:
    """How many sides of the frame, 0 to 4, cut off `box`."""
    return int(sum((box.x0 < WORTH.rim, box.x1 > 1 - WORTH.rim, box.y0 < WORTH.rim, box.y1 > 1 - WORTH.rim)))


def _at_rim(low: F64, high: F64) -> NDArray[np.bool_]:
    """(N,) whether boxes from `low` to `high`, in fractions along one axis, reach the rim of the frame."""
    return np.asarray((low < WORTH.rim) | (high > 1 - WORTH.rim))


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


def _surest(rows: F32) -> float:
    return float(rows[:, 4].max()) if len(rows) else 0.0


def rise(value: float, low: float, high: float) -> float:
    """0 up to `low`, 1 from `high`, and linear between."""
    return float(np.clip((value - low) / (high - low), 0, 1))


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


def _subject(frame: Observation, row: int, move: F64, rival: int | None) -> Subject:
    person = frame.people[row]
    near = ball_of(person, frame)
    ball = _sure_ball(near)
    group = [row] if rival is None else [row, rival]
    own = faces_of(person, frame.faces)
    faces = np.concatenate([faces_of(frame.people[i], frame.faces) for i in group])
    faces = faces[faces[:, 4] >= SURE.face]
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
    return row_to_box(near) if near is not None and near[4] >= SURE.ball else None


def _lasting(rivals: Sequence[int | None]) -> list[int | None]:
    """Rivals (row or None, frame by frame) without those of a single frame of a burst: who only runs past the ball does
    not contest it, and a crop that takes him in for one frame would jump."""
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
        if i == row or worth[i] < CONTEST.worth * worth[row]:
            continue
        if not CONTEST.shortest < height / tall < CONTEST.tallest:
            continue
        if frame.sharp[i] < CONTEST.sharpness * frame.sharp[row]:
            continue
        gap = max(float(other[0] - own[2]), float(own[0] - other[2]), 0.0) * ratio
        x, y = (ball[0] + ball[2]) / 2, (ball[1] + ball[3]) / 2
        reach = np.hypot(max(other[0] - x, x - other[2], 0.0) * ratio, max(other[1] - y, y - other[3], 0.0))
        feet = abs(float(other[3] - own[3]))
        close = gap < CONTEST.gap * tall and reach < CONTEST.reach * height and feet < CONTEST.feet * tall
        if close and (best is None or worth[i] > worth[best]):
            best = i
    return best


def _towards(person: F32, faces: F32, ball: Box | None, move: F64, frame: Observation) -> float:
    """-1 (left) to 1 (right): where the movement, the ball and the face point; `move` in own heights a frame."""
    ratio = frame.size[1] / frame.size[0]
    tall = float(person[3] - person[1])
    signs = float(np.clip(move[0] / DIRECTION.full_speed, -1, 1))
    if ball is not None:
        across = ((ball[0] + ball[2]) / 2 - float(person[0] + person[2]) / 2) * ratio / tall
        signs += DIRECTION.ball * float(np.clip(across / DIRECTION.full_ball, -1, 1))
    if len(faces):
        wide = float(faces[0, 2] - faces[0, 0])
        nose = (faces[0, 7] - faces[0, 5]) / max(DIRECTION.full_face * wide, 1e-6)
        signs += DIRECTION.face * float(np.clip(nose, -1, 1))
    return float(np.clip(signs, -1, 1))


def _between(at: int, rows: Sequence[int | None], frames: Sequence[Observation]) -> Subject | None:
    """A subject that is hidden or missed for a few frames, interpolated between the frames before and after."""
    reached = [i for i, row in enumerate(rows) if row is not None]
    before = max((i for i in reached if i < at), default=None)
    after = min((i for i in reached if i > at), default=None)
    if before is None or after is None or after - before > LINKING.skip + 1:
        return None
    i, k = rows[before], rows[after]
    first, second = frames[before], frames[after]
    share = (at - before) / (after - before)
    a, b = first.people[i], second.people[k]
    box = row_to_box(a + share * (b - a))
    left = DIRECTION.interpolated
    sharp = left * min(float(first.sharp[i]), float(second.sharp[k]))
    light = (float(first.light[i, 0]), float(first.light[i, 1]))
    return Subject(box, box, (), None, 0.0, left * float(min(a[4], b[4])), 0.0, 0.0, sharp, light, None)
