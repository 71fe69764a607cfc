"""The same person from frame to frame of a burst, although the camera follows and players cross."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.bursts.shift import shifts as hall_shifts
from pipeline.people.detect import NO_BOXES, SURE, overlap
from pipeline.types import F32, F64


@dataclass(frozen=True)
class CameraShift:
    """Which turns of the camera are believed; how they are measured, see imaging.bursts.shift."""

    # Heights of the frame: a turn that differs by more from those of the frames beside it is none of the camera. People
    # who fill the frame hide the hall, and one pattern is taken for another (`python -m tests.closer --only bursts`).
    jolt: float = 0.15
    beside: int = 2  # frames to either side that it is compared with
    large: float = 0.15  # of the frame's height, from which somebody is left out of what is compared: a stand is not


@dataclass(frozen=True)
class Linking:
    """How well somebody in one frame goes on as somebody in a later one. Costs and worth have no unit: a perfect link
    costs nothing, and the best person of a burst is worth 1.

    Chosen by eye on generated bursts in which players cross and are hidden, and checked with `python -m tests.crops`,
    where nothing else is said.
    """

    skip: int = 3  # frames in a row that somebody may be hidden or missed in
    weight: float = 0.5  # of a bad link, against what the best person of a burst is worth
    # Distance of mean BGR colours, 0 to 441: the same jersey under flickering lamps is nearer 99 times of 100
    # (python -m tests.crops).
    jersey: float = 60.0
    near_jersey: float = 0.35  # cost of a jersey as different as that, less in proportion
    other_jersey: float = 1.5  # cost beyond, of twice that: hardly the same person, even where the hidden one should be
    growth: float = 0.4  # cost of half or twice the height
    still: float = 0.3  # cost of standing still in the hall: who moves is in the game
    fast: float = 1.5  # own heights a second against the hall; more is no further sign of being in the game
    nearest: float = 0.1  # nearness from which two boxes can be one person
    # For who ran farther than boxes overlap: nearness at the same place, and the distance in heights by which it falls
    # to 1/e of that.
    runner: float = 0.6
    runner_reach: float = 0.4
    runner_height: float = 2.0  # power of the ratio of heights
    # Seconds over which anybody's own pace is measured, and at least: over less, boxes shake by as much.
    paced_over: float = 0.2
    paced_least: float = 0.15
    usual: float = 10.0  # frames a second of a burst whose times are not known; cameras take some 10 to 20
    untimed: float = (
        1.0  # seconds between frames that have no time: in so long a link reaches no run, so none is proven
    )


CAMERA, LINKING = CameraShift(), Linking()
_INSTANT = 1e-3  # seconds: the least between two frames


@dataclass(frozen=True)
class Observation:
    """What `crop` measured in one frame. Boxes are fractions of the upright frame.

    people  (N, 5) box and certainty; sharp (N,) their sharpness, see imaging.sharpness
    reach   (N, 5) as in people.detect.Found
    jersey_colour  (N, 3) mean BGR of the torso, 0 to 255
    faces   (M, 9) as in people.detect.Found
    balls (K, 5), rackets (L, 5), animals (A, 5), carriers (C, 5): box and certainty
    small   (h, w) uint8, the frame in grey for measuring how the camera turned
    size    (height, width) of the full upright frame in pixels
    clipped (N,) share of a person's box that is clipped
    told_in height in pixels of the luma that sharpness was measured in, half of a raw file's; 0 without one
    """

    people: F32
    reach: F32
    sharp: F32
    jersey_colour: F32
    faces: F32
    balls: F32
    rackets: F32
    small: NDArray[np.uint8]
    size: tuple[int, int]
    clipped: F32
    told_in: int
    animals: F32 = field(default_factory=NO_BOXES.copy)
    carriers: F32 = field(default_factory=NO_BOXES.copy)


def camera_shifts(frames: Sequence[Observation], seconds: Sequence[float] | F64 = ()) -> list[F64]:
    """How far the hall moved in the picture from the frame before, and in how many seconds: (x, y, seconds), x and y in
    fractions; zeros for the first, x and y nan where they are not known: a camera that follows somebody would make
    everybody run if it were taken to stand still. The sum of several is from the first frame to the last.

    seconds  when each frame was taken, rising; as a usual burst where that is not given
    """
    known = len(seconds) == len(frames) > 0
    took = np.diff(seconds) if known else np.full(max(len(frames) - 1, 0), 1 / LINKING.usual)
    shifts = [np.zeros(2), *_turns(frames)] if len(frames) else [np.zeros(2)]
    steady = [shift if at == 0 else _steady(shifts, at, frames[at].size) for at, shift in enumerate(shifts)]
    return [np.append(shift, passed) for shift, passed in zip(steady, [0.0, *took], strict=False)]


def _turns(frames: Sequence[Observation]) -> list[F64]:
    """(x, y) of each frame but the first, as of imaging.bursts.shift: how the hall moved behind the people."""
    large = [frame.people[:, 3] - frame.people[:, 1] >= CAMERA.large for frame in frames]
    people = [f.people[(f.people[:, 4] >= SURE.person) & one] for f, one in zip(frames, large, strict=True)]
    return hall_shifts([frame.small for frame in frames], people)


def slowed(shifts: Sequence[F64], longest: Sequence[float]) -> list[F64]:
    """The same turns of the camera, in the `longest` seconds that the times allow, where these are given."""
    if len(longest) != len(shifts):
        return list(shifts)
    return [np.append(s[:2], took) for s, took in zip(shifts, np.diff(longest, prepend=longest[:1]), strict=True)]


def _steady(shifts: Sequence[F64], at: int, size: tuple[int, int]) -> F64:
    """One of the turns of a camera, nan where those before and after it differ."""
    beside = [one for one in shifts[max(1, at - CAMERA.beside) : at + CAMERA.beside + 1] if np.isfinite(one).all()]
    if not beside:
        return shifts[at]
    away = (shifts[at] - np.median(beside, axis=0)) * (size[1] / size[0], 1.0)
    return shifts[at] if np.hypot(*away) <= CAMERA.jolt else np.full(2, np.nan)


def same_moment(before: Observation, now: Observation) -> bool:
    """Whether two frames without a time show one hall, and most of the people of each go on in the other."""
    sure = [(frame.people[:, 4] >= SURE.person) for frame in (before, now)]
    most = max(int(one.sum()) for one in sure)
    shift = _turns([before, now])[0] if most else np.full(2, np.nan)
    if not np.isfinite(shift).all():
        return False
    pairs = _paired(_links(before, now, [np.append(shift, 1 / LINKING.usual)])[np.ix_(*sure)])
    return 2 * len(pairs) > most


def linked(frames: Sequence[Observation], shifts: Sequence[F64]) -> list[NDArray[np.intp]]:
    """(N,) of each frame: a number for each person, the same for who goes on from frame to frame of a burst.

    Pairs of least total cost (Kuhn, "The Hungarian method for the assignment problem", 1955) with the frame before;
    who is left with up to LINKING.skip frames before that, for somebody may be hidden or missed.
    """
    names = [np.full(len(frame.people), -1) for frame in frames]
    new = 0
    for at, now in enumerate(frames):
        for before in range(at - 1, max(-1, at - 2 - LINKING.skip), -1):
            open_now = np.flatnonzero(names[at] < 0)
            open_then = np.flatnonzero(~np.isin(names[before], np.concatenate(names[before + 1 : at + 1])))
            if len(open_now) and len(open_then):
                costs = _links(frames[before], now, shifts[before + 1 : at + 1])[np.ix_(open_then, open_now)]
                for i, k in _paired(costs):
                    names[at][open_now[k]] = names[before][open_then[i]]
        fresh = np.flatnonzero(names[at] < 0)
        names[at][fresh] = new + np.arange(len(fresh))
        new += len(fresh)
    return names


def _paired(costs: F64) -> list[tuple[int, int]]:
    """Rows and columns of the links of least total cost, without those that no path would take."""
    from scipy.optimize import linear_sum_assignment

    loss = np.minimum(LINKING.weight * costs, 1.0)
    return [(int(i), int(k)) for i, k in zip(*linear_sum_assignment(loss), strict=True) if loss[i, k] < 1]


def paths(frames: Sequence[Observation], worth: Sequence[F64], shifts: Sequence[F64]) -> list[dict[int, int]]:
    """Frame -> row of `people` that is the subject: the person worth most over the burst, as one path, which comes
    first; frames that it does not reach get a path of their own.

    worth   (N,) of each frame: how much each person looks like what the frame was taken for, 0 for whoever cannot be
    shifts  (x, y, seconds) of each frame, see `camera_shifts`

    The best path is found by dynamic programming (Viterbi, "Error bounds for convolutional codes", 1967): what each of
    its persons is worth, less how badly each continues the one before. So one bad link, two who cross or one who is
    hidden for a frame, does not decide.
    """
    found = []
    stretches = [(0, len(frames))]
    while stretches:
        first, last = stretches.pop()
        path = best_path(frames[first:last], worth[first:last], shifts[first:last])
        if not path:
            continue
        found.append({first + at: row for at, row in path.items()})
        reached = sorted(found[-1])
        stretches += [(first, reached[0]), (reached[-1] + 1, last)]
    return found


def rows_of(followed: Sequence[Mapping[int, int]], count: int) -> list[int | None]:
    """The row of the subject in each of so many frames, as in its path; None where nobody is worth anything, or is
    hidden between two frames of a path."""
    rows = {at: row for path in followed for at, row in path.items()}
    return [rows.get(at) for at in range(count)]


def best_path(frames: Sequence[Observation], worth: Sequence[F64], shifts: Sequence[F64]) -> dict[int, int]:
    """Frame -> row of the best path, empty where nobody is worth anything; arguments as of `paths`.

    Up to LINKING.skip frames in a row may be left out between two of its own.
    """
    most = max((float(w.max()) for w in worth if len(w)), default=0.0)
    if most <= 0:
        return {}
    totals: list[F64] = []
    came: list[list[tuple[int, int] | None]] = []
    for at, own in enumerate(worth):
        best = np.where(own > 0, own / most, -np.inf)
        start: list[tuple[int, int] | None] = [None] * len(own)
        gain = np.zeros(len(own))
        for before in range(max(0, at - 1 - LINKING.skip), at):
            if not len(own) or not len(worth[before]):
                continue
            links = totals[before][:, None] - LINKING.weight * _links(
                frames[before], frames[at], shifts[before + 1 : at + 1]
            )
            for row in range(len(own)):
                i = int(links[:, row].argmax())
                if links[i, row] > gain[row]:
                    gain[row], start[row] = links[i, row], (before, i)
        totals.append(best + gain)
        came.append(start)
    at = max((i for i in range(len(frames)) if len(totals[i])), key=lambda i: float(totals[i].max()))
    row = int(totals[at].argmax())
    path = {at: row}
    while (step := came[at][row]) is not None:
        at, row = step
        path[at] = row
    return path


def _links(before: Observation, now: Observation, shifts: Sequence[F64]) -> F64:
    """(people before, people now): cost of the one going on as the other, from 0; infinite where it cannot.

    Somebody is expected where they stand in the hall, or where the camera that follows them keeps them, whichever fits
    better; the jersey's colour and the height separate two who cross.
    """
    *hall, took = np.nan_to_num(np.sum(shifts, axis=0))
    ratio = now.size[1] / now.size[0]
    first, second = before.people[:, :4].astype(np.float64), now.people[:, :4].astype(np.float64)
    tall = np.maximum(first[:, 3] - first[:, 1], 1e-6)[:, None]
    heights = np.maximum(second[:, 3] - second[:, 1], 1e-6)[None]
    near = np.maximum(_nearness(first, second, ratio), _nearness(first + np.tile(hall, 2), second, ratio))
    colour = np.linalg.norm(now.jersey_colour[None] - before.jersey_colour[:, None], axis=2) / LINKING.jersey
    dressed = LINKING.near_jersey * np.minimum(colour, 1) + LINKING.other_jersey * np.clip(colour - 1, 0, 1)
    grown = np.abs(np.log2(heights / tall))
    moved = (_centres(second)[None] - _centres(first)[:, None] - hall) * (ratio, 1.0) / tall[..., None]
    speed = np.minimum(np.hypot(moved[..., 0], moved[..., 1]) / max(took, _INSTANT) / LINKING.fast, 1)
    cost = (1 - near) + dressed + LINKING.growth * np.minimum(grown, 1) + LINKING.still * (1 - speed)
    return np.asarray(np.where(near > LINKING.nearest, cost, np.inf))


def _nearness(first: F64, second: F64, ratio: float) -> F64:
    """(N, M), 0 to 1: the overlap, or, for who ran farther than that, how near they are at much the same height."""
    tall = np.maximum(first[:, 3] - first[:, 1], 1e-6)[:, None]
    others = np.maximum(second[:, 3] - second[:, 1], 1e-6)[None]
    away = (_centres(second)[None] - _centres(first)[:, None]) * (ratio, 1.0) / tall[..., None]
    alike = np.minimum(tall / others, others / tall) ** LINKING.runner_height
    near = LINKING.runner * np.exp(-(away**2).sum(axis=2) / LINKING.runner_reach**2) * alike
    return np.asarray(np.maximum(overlap(first[:, None], second[None]), near))


def paces(frames: Sequence[Observation], shifts: Sequence[F64]) -> list[F64]:
    """(N,) of each frame: how fast each person moves against the hall, in own heights a second; nan where not known.
    `shifts` as from `camera_shifts`.

    Each is compared with whoever fits best some time before and after, the smaller movement of both: a detector that
    takes somebody else for the same person makes it large on one side only.
    """
    result = []
    seconds = _seconds_of(shifts)
    for at, now in enumerate(frames):
        found = np.full(len(now.people), np.nan)
        for other in _some_time_from(at, seconds):
            if not len(now.people) or not len(frames[other].people):
                continue
            first, last = min(at, other), max(at, other)
            between = shifts[first + 1 : last + 1]
            costs = _links(frames[first], frames[last], between)
            costs = costs if first == at else costs.T
            best = costs.argmin(axis=1)
            hall = np.sum(between, axis=0)[:2] * (1 if first == at else -1)
            boxes, theirs = now.people[:, :4].astype(np.float64), frames[other].people[best, :4].astype(np.float64)
            moved = _moved(boxes, theirs, hall) * (now.size[1] / now.size[0], 1.0)
            took = seconds[last] - seconds[first]
            pace = np.hypot(moved[:, 0], moved[:, 1]) / np.maximum(boxes[:, 3] - boxes[:, 1], 1e-6) / took
            pace[~np.isfinite(costs[np.arange(len(best)), best])] = np.nan
            found = np.fmin(found, pace)
        result.append(found)
    return result


def _seconds_of(shifts: Sequence[F64]) -> F64:
    """(N,) when each frame was taken, from the first on."""
    return np.cumsum([shift[2] for shift in shifts])


def _some_time_from(at: int, seconds: F64) -> list[int]:
    """The frames before and after one between which and it people's pace is measured."""
    away = seconds - seconds[at]
    found = []
    for side in (-away, away):
        enough = np.flatnonzero(side >= LINKING.paced_least - 1e-6)
        if len(enough):
            found.append(int(enough[np.abs(side[enough] - LINKING.paced_over).argmin()]))
    return found


def _centres(boxes: F64) -> F64:
    return np.asarray((boxes[:, :2] + boxes[:, 2:]) / 2)


def _moved(first: F64, second: F64, hall: F64) -> F64:
    """(N, 2) how far the boxes (N, 4) moved against the hall: across their middles, down the lesser of top and bottom,
    and nothing where these go apart. Somebody whose legs are hidden in one frame has not moved."""
    left, top, right, bottom = (second - first - np.tile(hall, 2)).T
    down = np.where(top * bottom > 0, np.sign(top) * np.minimum(np.abs(top), np.abs(bottom)), 0.0)
    return np.column_stack([(left + right) / 2, down])


def speeds(rows: Sequence[int | None], frames: Sequence[Observation], shifts: Sequence[F64]) -> list[F64]:
    """Movement of the followed person against the hall in each frame, (x, y) in own heights a second; right and down
    positive, zero where it is not known. `rows` as from `rows_of`, `shifts` as from `camera_shifts`."""
    result = [np.zeros(2)] * len(frames)
    seconds = _seconds_of(shifts)
    places = [at for at, row in enumerate(rows) if row is not None]
    for at in places:
        near = [k for k in places if abs(k - at) <= LINKING.skip + 1]
        spans = [(a, b) for a in near if a <= at for b in near if max(a + 1, at) <= b]
        if not spans:
            continue
        took = seconds - seconds[at]
        a, b = min(spans, key=lambda ab: (
            round(abs(took[ab[1]] - took[ab[0]] - LINKING.paced_over), 3), abs(took[ab[0]] + took[ab[1]])
        ))  # fmt: skip
        if not np.isfinite(_links(frames[a], frames[b], shifts[a + 1 : b + 1])[rows[a], rows[b]]):
            continue  # where one path ends and another begins: two people
        hall = np.sum(shifts[a + 1 : b + 1], axis=0)[:2]
        first, second = (frames[i].people[rows[i], None, :4].astype(np.float64) for i in (a, b))
        ratio = frames[at].size[1] / frames[at].size[0]
        moved = _moved(first, second, hall)[0] * (ratio, 1.0) / (seconds[b] - seconds[a])
        result[at] = np.nan_to_num(moved / max(float(first[0, 3] - first[0, 1]), 1e-3))
    return result
