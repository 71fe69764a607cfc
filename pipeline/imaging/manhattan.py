"""How a hall is turned in a picture, from lines of its three directions seen in perspective.

A court seen from a stand has hardly an upright line, and its level ones all slant. But they are of two directions that
are at right angles: each direction's lines meet in a point, both points lie on the horizon, and with the upright
direction's point they say how the camera was held and how long its lens is, though no line be level in the picture.

Sources, named from memory: three directions, and the camera's angles by the most likely of them, with a share of
lines that belong to none: Coughlan and Yuille, "Manhattan World", ICCV 1999. Lines in place of pixels, each as sure as
it is long, and the angle between a line and its way to the point: Xu, Oh and Hoogs, "A Minimum Error Vanishing Point
Detection Approach for Uncalibrated Monocular Images of Man-made Environments", CVPR 2013. Joining what is one line,
and that an answer has to beat chance: Lezama, Grompone von Gioi, Randall and Morel, CVPR 2014. The search, the
jackknife and the numbers are ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.types import F64

Lines = tuple[F64, F64, F64, F64]  # middle x and y from the frame's middle, angle in degrees, length; (N,) each


@dataclass(frozen=True)
class ManhattanConstants:
    """What a line says, what cameras do, and when the answer is sure. Lengths are in frames, where 1 is the longer
    side, and pixels those of the picture in which the lines were found.

    Chosen by trial on drawn halls, photographs turned by known angles and pictures of nothing straight, see `python -m
    tests.levels`. That each one matters: `pytest tests/test_constants.py`.
    """

    # Joining what lies on one line: detectors break a line of a court into ten.
    piece: float = 0.015  # shorter ones are no piece of anything
    join_angle: float = 1.2  # degrees
    join_beside: float = 1.0  # pixels from the middle of one to the line of the other
    join_gap: float = 0.06
    short: float = 0.03  # shorter lines say little of an angle
    most: int = 220  # lines, the longest, of each picture
    # Standard deviation of a line's angle: its ends in pixels, and how straight lenses and builders make lines.
    ends: float = 0.5
    bent: float = 0.15  # degrees
    strays: float = 0.5  # share of lines that are of no direction, at any angle
    # The two edges of a line, its likes in the next row of seats, and the same in the next picture say the same again:
    # how much each one counts.
    counts: float = 0.133
    usual: float = 4.0  # lines, counted so, that the standard deviations above are worth against what is seen
    # Cameras: standard deviations of roll and pitch in degrees, from a stand a little down; of the focal length in log.
    roll: float = 5.0
    pitch: float = 10.0
    down: float = 4.0
    focal: float = 2.0  # frame widths: 70 mm on full frame
    focal_spread: float = 0.5
    focal_from: float = 0.5
    focal_to: float = 6.0
    steepest: float = 35.0  # degrees of pitch
    # An answer is sure from:
    evidence: float = 14.0  # log odds against strays alone, counted as above
    share: float = 0.7  # of the lines' length that is of the three directions, in each picture
    spread: float = 0.25  # degrees, standard deviation of the roll, over all answers that fit about as well
    # Or where players and crowd hide more of them, but what is seen leaves less doubt, and lines are hardly farther
    # from it than they usually are, in their standard deviations:
    straight: float = 1.1
    crowded_evidence: float = 20.0
    crowded_share: float = 0.65
    crowded_spread: float = 0.2
    # Or where, besides, two directions are seen so plainly that only the lens is left in doubt. Answers over drawn
    # halls were off by 0.4 of their standard deviation then.
    plain_second: float = 7.0
    plain_share: float = 0.55
    plain_spread: float = 0.4
    moved: float = 0.35  # degrees, by which leaving out a sixth of the frame may move it
    # Log odds that speak for a second direction, whose lines no other explains: of one bundle alone, that runs at a
    # slant, no turn is known, though its lines be split. From 3 on evidence is strong (Kass and Raftery, "Bayes
    # Factors", JASA 90, 1995, from memory).
    second: float = 3.0
    fewest: int = 16  # lines


MANHATTAN = ManhattanConstants()
_RAD = np.pi / 180
# Where the search begins: roll, pitch, yaw in degrees, focal length; and by how much angles are blurred, step by step.
# Of each roll and yaw some go on, since the best few of a roll alone are likes of one another, and more blur makes one
# of all.
_ROLLS, _PITCHES, _FOCALS = (-6, -4, -2, 0, 2, 4, 6), (-14, -7, 0, 7), (1.0, 2.0, 4.0)
_YAWS = (0, 6, 15, 30, 45, 60, 75, 84)
_FIRST_BLUR, _BLURS, _LAST, _AGAIN = 1.5, (1.2, 0.7, 0.4, 0.2, 0.1), (0.1, 0.0, 0.0, 0.0, 0.0), (0.5, 0.2, 0.0, 0.0)
_KEPT, _PRUNED_TO = 2, 30  # of each roll and yaw; answers that take the last steps
_ALIKE = np.array([0.02 * _RAD, 0.2 * _RAD, np.inf, 0.03])  # of two cameras that the last steps would make one
_NUDGE = np.array([0.02 * _RAD, 0.05 * _RAD, 0.05 * _RAD, 0.004])  # for derivatives
_STRIDE = np.array([2 * _RAD, 6 * _RAD, 10 * _RAD, 0.4])  # the most that one step changes
_SAME = 0.08  # degrees; answers as near are one
_STRIPS = 6
_SURELY = 1 - 1e-9


@dataclass(frozen=True)
class Fit:
    """roll in degrees, clockwise positive, and spread, its standard deviation; evidence: log odds against chance; share
    0 to 1 of the lines' length that is explained; moved: degrees, the most that a sixth of the frame moves the roll;
    second: log odds of the direction that is second best seen; bent: how far lines are from it, see `_bent`."""

    roll: float
    spread: float
    evidence: float
    share: float
    moved: float
    second: float
    bent: float

    @property
    def certainty(self) -> float:
        """0 to 1, of use to compare pictures."""
        return max(0.0, 1 - self.spread / MANHATTAN.spread / 2) * self.share

    @property
    def sure(self) -> bool:
        """Whether to believe it."""
        of = MANHATTAN
        clear = self.spread <= of.spread and self.share >= of.share and self.evidence >= of.evidence
        crowded = self.spread <= of.crowded_spread and self.share >= of.crowded_share
        crowded &= self.evidence >= of.crowded_evidence
        plain = self.spread <= of.plain_spread and self.share >= of.plain_share and self.second >= of.plain_second
        steady = self.moved <= of.moved and self.second >= of.second
        return steady and (clear or (self.bent <= of.straight and (crowded or plain)))


@dataclass(frozen=True)
class _Seen:
    """Lines: middles (N,), unit directions (N,), standard deviation of the angle in degrees, length, which picture."""

    x: F64
    y: F64
    across: F64
    down: F64
    sigma: F64
    length: F64
    picture: NDArray[np.int64]


def fit(pictures: Sequence[Lines], edges: Sequence[int]) -> Fit | None:
    """The turn of a hall from straight edges found in pictures of it, whose longer sides are `edges` pixels; None with
    too few lines."""
    seen = _seen([joined(lines, edge) for lines, edge in zip(pictures, edges, strict=True)], edges)
    if len(seen.x) < MANHATTAN.fewest:
        return None
    starts = _starts()
    value = np.stack([_value(group, seen, _FIRST_BLUR)[0] for group in starts])
    best = np.argsort(-value, axis=1, kind="stable")[:, :_KEPT]
    cameras = np.concatenate([group[rows] for group, rows in zip(starts, best, strict=True)])
    cameras = _best(_climbed(cameras, seen, _BLURS)[0], seen)
    bent = _bent(cameras[0], seen)
    seen = replace(seen, sigma=seen.sigma * min(bent, 1.0))
    cameras, errors = _climbed(cameras, seen, _LAST)
    value, belongs = _value(cameras, seen, 0.0)
    rolls, top = cameras[:, 0] / _RAD, int(value.argmax())
    modes: list[int] = []
    for at in np.argsort(-value, kind="stable"):
        if all(abs(rolls[at] - rolls[other]) > _SAME for other in modes):
            modes.append(int(at))
    odds = np.exp((value[modes] - value[top]) / max(bent, 1.0) ** 2)
    odds /= odds.sum()
    roll = float(odds @ rolls[modes])
    variance = float(odds @ (errors[modes] ** 2 + (rolls[modes] - roll) ** 2))
    explained = belongs[top].sum(axis=0) * seen.length
    shares = [
        float(explained[seen.picture == k].sum() / max(seen.length[seen.picture == k].sum(), MANHATTAN.short))
        for k in range(len(pictures))
    ]
    strip = np.clip(np.floor((seen.x + 0.5) * _STRIPS), 0, _STRIPS - 1)
    rest = (strip != np.arange(_STRIPS)[:, None]).astype(np.float64)
    without, _ = _climbed(np.repeat(cameras[top : top + 1], _STRIPS, axis=0), seen, _AGAIN, rest)
    moved = float(np.abs(without[:, 0] / _RAD - rolls[top]).max())
    without_one = -np.log1p(-np.minimum(belongs[top], _SURELY)).sum(axis=1) * MANHATTAN.counts
    second = float(np.sort(without_one)[1])
    return Fit(roll, float(np.sqrt(variance)), float(value[top]), min(shares), moved, second, bent)


def joined(lines: Lines, edge: int) -> Lines:
    """Pieces of one line as one, the longest first; `edge` pixels is the longer side of their picture."""
    order = np.argsort(-lines[3], kind="stable")
    pieces = np.stack(lines, axis=-1)[order[np.asarray(lines[3])[order] > MANHATTAN.piece]]
    turn = pieces[:, 2] * _RAD
    out = np.stack([np.cos(turn), np.sin(turn)], axis=-1)[:, None] * pieces[:, 3, None, None] * [[-0.5], [0.5]]
    both = pieces[:, None, :2] + out  # (N, 2, 2): each one's two ends
    beside = _beside(pieces, edge)
    free = np.ones(len(pieces), np.bool_)
    for i in np.flatnonzero(beside):  # the others stay as they are
        if not free[i]:
            continue
        ends = [both[i]]
        while np.isfinite(gap := np.where(free[i + 1 :], _gap(pieces[i], pieces[i + 1 :], edge), np.inf)).any():
            k = i + 1 + int(gap.argmin())
            free[k] = False
            ends.append(both[k])
            pieces[i] = _through(np.concatenate(ends))
    found = pieces[free]
    return found[:, 0], found[:, 1], found[:, 2], found[:, 3]


def _beside(pieces: F64, edge: int) -> NDArray[np.bool_]:
    """(N,) which of `pieces` (N, 4) have another one on their line."""
    order = np.argsort(pieces[:, 2], kind="stable")
    most = float(_steady(pieces[:, 3], edge).max(initial=0.0))
    turns = np.concatenate([pieces[order, 2] + turn for turn in (-180, 0, 180)])
    first, end = (np.searchsorted(turns, pieces[:, 2] + by) for by in (-most, most))
    one = np.repeat(np.arange(len(pieces)), end - first)
    other = order[(np.arange(len(one)) - np.repeat(np.cumsum(end - first) - end, end - first)) % max(len(pieces), 1)]
    found = np.zeros(len(pieces), np.bool_)
    found[one[np.isfinite(_gap(pieces[one], pieces[other], edge)) & (one != other)]] = True
    return found


def _steady(length: F64, edge: int) -> F64:
    """(N,) degrees by which a piece so long may be turned against a line that it lies on."""
    return np.asarray(np.maximum(MANHATTAN.join_angle, MANHATTAN.ends / (length * edge) / _RAD))


def _gap(line: F64, pieces: F64, edge: int) -> F64:
    """(N,) how far each of `pieces` (N, 4) is from the end of a line (4,), or of one for each, (N, 4); infinite for
    those that do not lie on it."""
    turn = line[..., 2] * _RAD
    right, below = (pieces[:, k] - line[..., k] for k in (0, 1))
    beside = np.abs(below * np.cos(turn) - right * np.sin(turn)) * edge
    turned = np.abs((pieces[:, 2] - line[..., 2] + 90) % 180 - 90)
    gap = np.abs(right * np.cos(turn) + below * np.sin(turn)) - (pieces[:, 3] + line[..., 3]) / 2
    on = (turned < _steady(pieces[:, 3], edge)) & (beside < MANHATTAN.join_beside) & (gap < MANHATTAN.join_gap)
    on &= gap > -pieces[:, 3] / 2  # beside it, not upon it: the other edge of the same line stays one of its own
    return np.where(on, gap, np.inf)


def _through(ends: F64) -> F64:
    """(4,) middle, angle and length of the line that fits best to `ends` (M, 2)."""
    mean = ends.mean(axis=0)
    direction = np.linalg.svd(ends - mean, full_matrices=False)[2][0]
    along = (ends - mean) @ direction
    low, high = float(along.min()), float(along.max())
    angle = (np.arctan2(direction[1], direction[0]) / _RAD + 90) % 180 - 90
    return np.array([*(mean + (low + high) / 2 * direction), angle, high - low])


def _seen(pictures: Sequence[Lines], edges: Sequence[int]) -> _Seen:
    parts = []
    for number, ((x, y, angle, length), edge) in enumerate(zip(pictures, edges, strict=True)):
        rows = np.flatnonzero(length > MANHATTAN.short)
        rows = rows[np.argsort(-length[rows], kind="stable")[: MANHATTAN.most]]
        sigma = np.hypot(MANHATTAN.bent, MANHATTAN.ends / (length[rows] * edge) / _RAD)
        turn = angle[rows] * _RAD
        parts.append((x[rows], y[rows], np.cos(turn), np.sin(turn), sigma, length[rows], np.full(len(rows), number)))
    return _Seen(*(np.concatenate(values) for values in zip(*parts, strict=True)))


def _bent(camera: F64, seen: _Seen) -> float:
    """How far lines are from the best camera (4,), in the standard deviations that they usually have: straighter lines
    tell answers apart that else were as likely; of what is less straight than walls and lenses the odds say too much.
    """
    off = _off(_points(camera[None]), seen)[0]
    belongs = MANHATTAN.counts * _value(camera[None], seen, 0.0, off)[1][0]
    square = (belongs * (off[0] / seen.sigma) ** 2).sum() + MANHATTAN.usual
    return float(np.sqrt(square / (belongs.sum() + MANHATTAN.usual)))


def _starts() -> F64:
    """(rolls and yaws, cameras of each, 4): roll, pitch, yaw in radians, log of the focal length in frames."""
    rolls, yaws, pitches = (np.array(v) * _RAD for v in (_ROLLS, _YAWS, _PITCHES))
    roll, yaw, pitch, focal = np.meshgrid(rolls, yaws, pitches, np.log(np.array(_FOCALS)), indexing="ij")
    return np.stack([roll, pitch, yaw, focal], axis=-1).reshape(len(_ROLLS) * len(_YAWS), -1, 4)


def _best(cameras: F64, seen: _Seen) -> F64:
    """The best of cameras (K, 4), each once."""
    kept: list[int] = []
    for at in np.argsort(-_value(cameras, seen, _BLURS[-1])[0], kind="stable"):
        if not any((np.abs(cameras[at] - cameras[other]) <= _ALIKE).all() for other in kept):
            kept.append(int(at))
    return cameras[kept[:_PRUNED_TO]]


def _points(cameras: F64) -> F64:
    """(K, 3, 3) where the upright and both level directions of cameras (K, 4) meet, homogeneous, in frames.

    Pinhole geometry; a camera that looks up sees the horizon below its middle.
    """
    roll, pitch, yaw, log_focal = cameras.T
    focal, zero = np.exp(log_focal), np.zeros(len(cameras))
    level = np.stack([np.sin(yaw), zero, np.cos(yaw)]), np.stack([np.cos(yaw), zero, -np.sin(yaw)])
    found = []
    for x, y, z in ((zero, zero + 1, zero), *level):
        right, down = focal * x, focal * (np.cos(pitch) * y + np.sin(pitch) * z)
        ahead = np.cos(pitch) * z - np.sin(pitch) * y
        turned = np.cos(roll) * right - np.sin(roll) * down, np.sin(roll) * right + np.cos(roll) * down
        found.append(np.stack([*turned, ahead], axis=-1))
    return np.stack(found, axis=1)


def _off(points: F64, seen: _Seen) -> tuple[F64, F64, F64, F64]:
    """(K, 3, N) sines, in degrees, of the angles from each line to its way to each of points (K, 3, 3): a line that is
    off by so much that this is not the angle has no say. And the ways: right, down, and the square of their length."""
    right, down = (points[..., k, None] - points[..., 2, None] * at for k, at in ((0, seen.x), (1, seen.y)))
    square = np.maximum(right**2 + down**2, 1e-18)
    cross, along = right * seen.down - down * seen.across, right * seen.across + down * seen.down
    return np.copysign(cross, cross * along) / (_RAD * np.sqrt(square)), right, down, square


def _usual() -> tuple[F64, F64]:
    """Mean and inverse standard deviation of cameras; any yaw is as likely."""
    of = MANHATTAN
    mean = np.array([0.0, -of.down * _RAD, 0.0, np.log(of.focal)])
    return mean, np.array([1 / (of.roll * _RAD), 1 / (of.pitch * _RAD), 0.0, 1 / of.focal_spread])


def _value(cameras: F64, seen: _Seen, blur: float, off: F64 | None = None) -> tuple[F64, F64]:
    """(K,) log odds of cameras against strays alone; (K, 3, N) how surely each line is of each direction."""
    off = _off(_points(cameras), seen)[0] if off is None else off
    sigma = np.hypot(seen.sigma, blur)
    one = (1 - MANHATTAN.strays) / 3 * 180 / np.sqrt(2 * np.pi) / sigma * np.exp(off**2 * (-0.5 / sigma**2))
    together = MANHATTAN.strays + one.sum(axis=1)
    mean, weak = _usual()
    value = MANHATTAN.counts * np.log(together).sum(axis=1) - 0.5 * (((cameras - mean) * weak) ** 2).sum(axis=1)
    return value, one / together[:, None]


def _climbed(cameras: F64, seen: _Seen, blurs: Sequence[float], counted: F64 | None = None) -> tuple[F64, F64]:
    """Cameras after a step of reweighted least squares for each blur, and the standard error of their roll in degrees.

    counted  (K, N) which lines each one goes by, all of them where None
    """
    mean, weak = _usual()
    low = np.array([-12 * _RAD, -MANHATTAN.steepest * _RAD, -np.inf, np.log(MANHATTAN.focal_from)])
    high = np.array([12 * _RAD, MANHATTAN.steepest * _RAD, np.inf, np.log(MANHATTAN.focal_to)])
    known = np.zeros((len(cameras), 4, 4))
    for blur in blurs:
        points, moves = _points_moved(cameras)
        off, right, down, square = _off(points, seen)
        trust = MANHATTAN.counts * _value(cameras, seen, blur, off)[1] / (seen.sigma**2 + blur**2)
        if counted is not None:
            trust = trust * counted[:, None]
        # How off changes with each coordinate of a point, (K, 3, N, 3): the angle of a way is atan2(down, right).
        slopes = np.stack([down, -right, right * seen.y - down * seen.x], axis=-1) / (_RAD * square[..., None])
        weighed = (slopes * trust[..., None]).swapaxes(2, 3)
        known = (moves @ (weighed @ slopes) @ moves.swapaxes(2, 3)).sum(axis=1) + np.diag(weak**2)
        pull = (moves @ (weighed @ off[..., None])).sum(axis=1)[..., 0] + (cameras - mean) * weak**2
        step = np.linalg.solve(known + 1e-3 * np.eye(4), pull[..., None])[..., 0]
        cameras = np.clip(cameras - np.clip(step, -_STRIDE, _STRIDE), low, high)
    return cameras, np.sqrt(np.linalg.inv(known + 1e-9 * np.eye(4))[:, 0, 0]) / _RAD


def _points_moved(cameras: F64) -> tuple[F64, F64]:
    """(K, 3, 3) points of cameras (K, 4), and (K, 3, 4, 3) how each one moves with each number of its camera."""
    around = np.concatenate([np.zeros((1, 4)), _NUDGE * np.eye(4), -_NUDGE * np.eye(4)])
    points = _points((cameras + around[:, None]).reshape(-1, 4)).reshape(9, len(cameras), 3, 3)
    moves = (points[1:5] - points[5:]) / (2 * _NUDGE)[:, None, None, None]
    return points[0], moves.transpose(1, 2, 0, 3)
