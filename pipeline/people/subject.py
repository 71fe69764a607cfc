"""Who the picture is about: the same person over a burst, from what was measured in each frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.geometry import Box, row_to_box
from pipeline.imaging.sharpness import SHARPNESS
from pipeline.people.belonging import ball_of, faces_of, mounts_of, rackets_of, rise, surest
from pipeline.people.candidates import about_one, throughout
from pipeline.people.confidence import Verdict, in_hand, judged
from pipeline.people.detect import SURE
from pipeline.people.tracking import LINKING, Observation, camera_shifts, paces, paths, rows_of, slowed, speeds
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
    # Who stands still while several others move, in own heights a second against the hall, is an official.
    moves: float = 0.5
    movers: int = 3
    still: float = 0.3
    official: float = 0.5  # of the worth


@dataclass(frozen=True)
class Contest:
    """Who contests the ball with the subject. Chosen by eye on generated bursts of two at a ball."""

    worth: float = 0.35  # of the subject's worth
    shortest: float = 0.65  # heights of the subject
    tallest: float = 1.5
    sharpness: float = 0.7  # of the subject's
    # Of a ball in the subject's hands, and of a free one:
    gap: float = 0.2  # heights of the subject between the two boxes
    reach: float = 0.3  # own heights from the box to the middle of the ball
    free_gap: float = 0.8
    free_reach: float = 0.45
    feet: float = 0.35  # heights of the subject: who stands as near to the camera has the feet as low


@dataclass(frozen=True)
class Direction:
    """Where room is left: the sum of three signs from -1 to 1, held to that range. Chosen with `python -m tests.crops`
    ("room ahead"); movement counts most, then the ball, then where the face looks."""

    full_speed: float = 1.2  # heights a second, from which movement counts fully
    ball: float = 0.6
    full_ball: float = 0.4  # heights from the middle of the subject to the ball, from which it counts fully
    face: float = 0.5
    full_face: float = 0.25  # widths of the face from its middle to the nose, from which it counts fully
    interpolated: float = 0.5  # of certainty and sharpness left to a subject that is put between two frames


@dataclass(frozen=True)
class Leaping:
    """When somebody is off the floor. Chosen on drawn jumps of known height (tests/people/test_leaps.py)."""

    longest: float = 1.2  # seconds between two frames on the floor: a leap of a metre takes 0.9 (free fall)
    alike: float = 1.35  # ratio of heights to the median, beyond which it is somebody else, or half hidden


WORTH, CONTEST, DIRECTION, LEAPING = Worth(), Contest(), Direction(), Leaping()


@dataclass(frozen=True, slots=True)
class Subject:
    """The subject of one frame. Boxes are fractions of the upright frame.

    box      the main person; whole  around the main person and whoever contests the ball, with all that reaches out of
             their boxes
    others   the same of everybody else whom the frame may have been taken for; everybody  whether nobody of them leads
    confidence  0 to 1, that this is the subject; doubt  why no crop is earned, "" where one is
    faces    of these people; ball  the ball of the action, if one is certain
    face_sure, ball_sure  certainty of the person's surest face, and of the ball within reach; 0 without one
    towards  -1 (left) to 1 (right): where the movement, the ball or the face points
    sure     certainty of the detector, 0 to 1; sharp  as in imaging.sharpness
    clipped  share of the box that is clipped, 0 to 1
    row      of `people` in the observation; None where the box was interpolated between its neighbours
    leap     how far the person is above the floor, in own heights, see `leaps`; 0 where that is not seen
    """

    box: Box
    whole: Box
    others: tuple[Box, ...]
    everybody: bool
    confidence: float
    doubt: str
    faces: tuple[Box, ...]
    ball: Box | None
    towards: float
    sure: float
    face_sure: float
    ball_sure: float
    sharp: float
    clipped: float
    row: int | None
    leap: float = 0.0


def find_subjects(
    frames: Sequence[Observation], seconds: Sequence[float] = (), longest: Sequence[float] = ()
) -> list[Subject | None]:
    """The subject of each frame of one burst, in its order; None where there is no clear one.

    seconds  when each frame was taken; none where that is not known
    longest  the most that these can be, where they are not known well: what proves that somebody ran. Who may move, is
             held and followed by `seconds`

    One person over the whole burst where one path can be followed, see `tracking.paths`.
    """
    shifts = camera_shifts(frames, seconds)
    moving = paces(frames, shifts)
    worth = [_worth(frame) * _in_the_game(pace) for frame, pace in zip(frames, moving, strict=True)]
    followed = paths(frames, worth, shifts)
    rows = rows_of(followed, len(frames))
    moves = speeds(rows, frames, shifts)
    slow = slowed(shifts, longest)
    ran, running = speeds(rows, frames, slow), paces(frames, slow)
    rivals = _lasting([
        None if row is None else _rival(row, frame, own) for frame, row, own in zip(frames, rows, worth, strict=True)
    ])  # fmt: skip
    balls = [
        None if row is None else ball_of(frame.people[row], frame) for frame, row in zip(frames, rows, strict=True)
    ]
    verdicts = about_one(followed[0] if followed else (), judged(frames, worth, rows, ran, balls, running, moving))
    others = throughout(frames, shifts, rows, verdicts)
    leap = leaps(frames, rows, shifts)
    found = [
        _between(at, rows, frames, verdicts)
        if row is None or verdict is None
        else _subject(frame, row, moves[at], rivals[at], balls[at], verdict)
        for at, (frame, row, verdict) in enumerate(zip(frames, rows, verdicts, strict=True))
    ]
    return [
        None if one is None else replace(one, others=held, leap=high)
        for one, held, high in zip(found, others, leap, strict=True)
    ]


def _worth(frame: Observation) -> F64:
    """How much each person of a frame looks like what it was taken for; 0 for whoever cannot be."""
    people = frame.people
    if not len(people):
        return np.zeros(0)
    x0, y0, x1, y1, sure = people.T.astype(np.float64)
    tall = y1 - y0
    grown = tall >= WORTH.compared * tall.max()
    told = frame.sharp * np.sqrt(_looked_at(frame))
    best = float(told[grown].max())
    sharp = np.ones(len(people))
    if best > 0:
        sharp = np.clip(told / (WORTH.in_focus * best), WORTH.blur_floor, 1.0) ** WORTH.blur_power
    across, down = (x0 + x1) / 2 - WORTH.middle_x, (y0 + y1) / 2 - WORTH.middle_y
    near = np.exp(-0.5 * (across / WORTH.across) ** 2 - 0.5 * (down / WORTH.down) ** 2)
    place = WORTH.place_floor + (1 - WORTH.place_floor) * near
    at_side, at_end = _at_rim(x0, x1), _at_rim(y0, y1)
    side = np.where(at_side, WORTH.cut_side, 1.0) * np.where(at_end, WORTH.cut_end, 1.0)
    certain = [surest(faces_of(p, frame.faces)) for p in people]
    face = np.array([1 + WORTH.face * rise(c, WORTH.face_from, WORTH.face_to) for c in certain])
    worth = np.sqrt(sure) * np.minimum(tall, WORTH.largest) ** WORTH.height_power * place * side * sharp * face
    least = WORTH.certainty + WORTH.small_certainty * np.maximum(WORTH.small - tall, 0)
    worth = np.where((sure >= least) & (tall >= WORTH.least_height), worth, 0.0)
    first = int(worth.argmax())
    if tall[first] < WORTH.crowd_height and (worth > WORTH.crowd_worth * worth[first]).sum() > WORTH.crowd:
        return np.zeros(len(people))
    return np.asarray(np.where(worth >= WORTH.least, worth, 0.0))


def _looked_at(frame: Observation) -> F64:
    """(N,) in how many pixels, along the longer side, each person's sharpness is measured.

    The fewer there are, the more of somebody is edges: contrast falls by the square root (by powers of 0.43 to 0.55 in
    tests/people/test_subject.py).
    """
    wide, tall = (frame.people[:, 2:4] - frame.people[:, :2]).T.astype(np.float64)
    longer = np.maximum(tall, wide * frame.size[1] / frame.size[0])
    return np.asarray(np.minimum(longer * frame.told_in, SHARPNESS.longest))


def _in_the_game(pace: F64) -> F64:
    """(N,) less than 1 for whoever stands still while several others move: officials, who are not followed."""
    several = (pace >= WORTH.moves).sum() >= WORTH.movers
    return np.where(several & (pace < WORTH.still), WORTH.official, 1.0)


def _at_rim(low: F64, high: F64) -> NDArray[np.bool_]:
    """(N,) whether boxes from `low` to `high`, in fractions along one axis, reach the rim of the frame."""
    return np.asarray((low < WORTH.rim) | (high > 1 - WORTH.rim))


def _subject(frame: Observation, row: int, move: F64, rival: int | None, near: F32 | None, verdict: Verdict) -> Subject:
    person = frame.people[row]
    ball = _sure_ball(near)
    group = [row] if rival is None else [row, rival]
    own = faces_of(person, frame.faces)
    faces = np.concatenate([faces_of(frame.people[i], frame.faces) for i in group])
    faces = faces[faces[:, 4] >= SURE.face]
    held = [
        things[:, :4] for i in group for things in (rackets_of(frame.reach[i], frame), mounts_of(frame.reach[i], frame))
    ]
    boxes = np.concatenate([frame.reach[group, :4], *held])
    whole = (*boxes[:, :2].min(axis=0), *boxes[:, 2:].max(axis=0))
    return Subject(
        box=row_to_box(person),
        whole=row_to_box(np.array(whole)),
        others=(),
        everybody=verdict.everybody,
        confidence=verdict.confidence,
        doubt=verdict.doubt,
        faces=tuple(row_to_box(face) for face in faces),
        ball=ball,
        towards=_towards(person, faces, ball, move, frame),
        sure=float(person[4]),
        face_sure=surest(own),
        ball_sure=0.0 if near is None else float(near[4]),
        sharp=float(frame.sharp[row]),
        clipped=float(frame.clipped[row]),
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
    near = ball_of(own, frame)
    ball = _sure_ball(near)
    if ball is None:
        return None
    most, away = (CONTEST.gap, CONTEST.reach) if in_hand(own, frame, near) else (CONTEST.free_gap, CONTEST.free_reach)
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
        close = gap < most * tall and reach < away * height and feet < CONTEST.feet * tall
        if close and (best is None or worth[i] > worth[best]):
            best = i
    return best


def _towards(person: F32, faces: F32, ball: Box | None, move: F64, frame: Observation) -> float:
    """-1 (left) to 1 (right): where the movement, the ball and the face point; `move` in own heights a second."""
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


def _between(
    at: int, rows: Sequence[int | None], frames: Sequence[Observation], verdicts: Sequence[Verdict | None]
) -> Subject | None:
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
    whole = row_to_box(first.reach[i] + share * (second.reach[k] - first.reach[i]))
    one, other = (verdict for verdict in (verdicts[before], verdicts[after]) if verdict is not None)
    left = DIRECTION.interpolated
    sharp = left * min(float(first.sharp[i]), float(second.sharp[k]))
    return Subject(
        box=box, whole=whole, others=(), everybody=one.everybody, confidence=min(one.confidence, other.confidence),
        doubt=one.doubt or other.doubt, faces=(), ball=None,
        towards=0.0, sure=left * float(min(a[4], b[4])), face_sure=0.0, ball_sure=0.0, sharp=sharp,
        clipped=float(first.clipped[i]), row=None,
    )  # fmt: skip


def leaps(frames: Sequence[Observation], rows: Sequence[int | None], shifts: Sequence[F64]) -> list[float]:
    """How far the followed person is above where it stands before and after, in own heights, 0 or more.

    rows, shifts  as in tracking.speeds

    Both the feet and the head must rise against the hall, the lesser counts: of who kneels the head sinks, and who is
    hidden from the knees down, or raises an arm, keeps the other end. What a person who runs away from the camera rises
    is along a line from frame to frame, and so is taken off.
    """
    result = [0.0] * len(frames)
    hall, seconds = np.cumsum([shift[1:] for shift in shifts], axis=0).reshape(-1, 2).T
    known = [at for at, row in enumerate(rows) if row is not None and np.isfinite(hall[at])]
    if not known:
        return result
    boxes = np.array([frames[at].people[rows[at], :4] for at in known], dtype=np.float64)
    heights = np.maximum(boxes[:, 3] - boxes[:, 1], 1e-6)
    tall = float(np.median(heights))
    alike = np.abs(np.log(heights / tall)) <= np.log(LEAPING.alike)
    known = [at for at, one in zip(known, alike, strict=True) if one]
    ends = boxes[alike][:, [1, 3]] - hall[known][:, None]
    when = seconds[known]
    for i, at in enumerate(known):
        pairs = [(a, b) for a in range(i) for b in range(i + 1, len(known)) if when[b] - when[a] <= LEAPING.longest]
        for a, b in pairs:
            share = (when[i] - when[a]) / max(when[b] - when[a], 1e-6)
            rises = (1 - share) * ends[a] + share * ends[b] - ends[i]
            result[at] = max(result[at], float(rises.min()) / tall)
    return result
