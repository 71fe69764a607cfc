"""How far a picture of a hall is tilted, from its verticals and horizontals.

Angles are in degrees, clockwise positive as seen on the screen: a picture with a tilt of +2 shows the hall turned
clockwise by two degrees, and `rotation.rotated(pixels, -2)` straightens it.

Sources, named from memory: line segments by LSD (Grompone von Gioi, Jakubowicz, Morel and Randall, IEEE PAMI 32(4),
2010), in OpenCV; that in a built place most lines belong to three directions, which give the camera's angles:
Coughlan and Yuille, "Manhattan World", ICCV 1999; that level lines meet on the horizon, and upright ones in the point
below or above the middle of the frame: Hartley and Zisserman, "Multiple View Geometry", ch. 8. The fit and its
thresholds are ours.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from pipeline.imaging import manhattan, rotation
from pipeline.imaging.robust import reweighted
from pipeline.imaging.sharpness import noise_of
from pipeline.types import F32, F64


@dataclass(frozen=True)
class LevelConstants:
    """What decides whether and how far a picture is tilted. Lengths and places are in frames, where 1 is the longer
    side; slopes in degrees a frame.

    No published values exist but LSD's own. Chosen by trial on drawn halls, photographs turned by known angles and
    pictures of nothing straight: `pytest tests/imaging/test_level.py`. That each one matters:
    `pytest tests/test_constants.py`.
    """

    limit: float = 5.0  # degrees; beyond that a tilt is meant, or wrongly found
    agree: float = 0.5  # degrees between verticals and horizontals
    # Pixels of the longer side, for finding segments: what is straight in a hall is large, and noise breaks up long
    # lines of a finer picture. Where that says too little, small posts and rails in the finer one may say enough.
    edges: tuple[int, int] = (432, 640)
    between: int = 528  # and of a third, for the three directions: where a detector breaks lines is chance
    blur: float = 0.8  # pixels, before segments are looked for
    lsd_sigma: float = 0.6  # of LSD's own Gaussian, as in the paper; without effect at its scale of 1
    quant: float = 3.0  # grey levels of gradient that count as noise; OpenCV's default is 2, for quieter pictures
    # In more noise than this, of display white, the finer pictures keep hardly a third of a hall's upright edges. More
    # blur, after which less is noise, leaves as many as the coarse one has; on pictures of less noise it costs lines.
    noisy: float = 0.06
    noisy_blur: float = 1.2
    noisy_quant: float = 2.0
    short: float = 0.03  # frames; shorter segments say little of an angle
    long: float = 0.2  # frames; longer ones weigh no more, so that none decides alone
    window: float = 12.0  # degrees from upright or flat in which a segment may belong to the hall
    search: float = 7.0  # degrees; beyond the limit, so that a larger tilt is seen as one and not as something else
    step: float = 0.1  # degrees of a vote
    spread: float = 0.3  # degrees, of a family's segments about their fit
    steepest: float = 8.0  # degrees a frame, of the slopes that are tried
    usual: float = 2.0  # degrees a frame: where a slope is not seen, it is hardly more than this
    fit_steps: int = 4
    apart: float = 1.2  # degrees; a second answer that far away is a rival
    cells: int = 12  # of a frame; what stands in one of them alone must not decide
    cell_agrees: float = 0.1  # least agreement, 0 to 1, of a segment whose cell is left out in turn
    held: float = 2.0  # spreads from the fit within which a segment agrees
    enough_vertical: float = 0.25  # frames of length that must agree; few verticals in a hall are long
    enough_level: float = 0.5
    around: float = 0.05  # heights of a person around the box, in which lines are the person's too
    share: float = 0.25  # least length that agrees, of what could have agreed
    rival: float = 0.7  # most votes of the next best answer, of the best one's
    error: float = 0.25  # degrees, largest standard error
    moved: float = 0.3  # degrees, by which one cell may move the answer
    certain: float = 0.25  # least certainty that is an answer
    # What one family must show to be believed alone. Lengths and shares are of verticals, then of level lines.
    alone_length: tuple[float, float] = (0.7, 2.0)
    alone_share: tuple[float, float] = (0.55, 0.5)
    alone_rival: tuple[float, float] = (0.6, 0.45)
    alone_error: float = 0.16
    alone_moved: float = 0.1
    alone_cells: int = 4  # twelfths of the frame in which it must be seen
    in_cell: float = 0.05  # frames of length, from which it is seen in one
    alone_lump: float = 0.45  # most of its length in one of them
    alone_side: float = 0.2  # least of the verticals' length on either side of the middle
    horizon: float = 1.1  # frames from the middle to the horizon at most: a long lens from high up in a stand
    # What verticals must show to be believed with the three directions, where neither is sure alone: at one size of
    # picture, on both sides of the middle; at the other they say the same.
    both_length: float = 0.5
    both_share: float = 0.4
    both_error: float = 0.2
    both_cells: int = 3
    both_rival: float = 0.65
    both_sizes: float = 0.4  # degrees between the two sizes
    both_apart: float = 1.5  # of their common standard deviation, between verticals and the three directions
    both_evidence: float = 8.0  # least of the three directions
    # The rival does not count where the directions are as certain as this in degrees, and as much speaks for them.
    both_spread: float = 0.2
    both_sure: float = 14.0


LEVEL = LevelConstants()
_TRIED_SLOPES = 33


@dataclass(frozen=True)
class Tilt:
    """degrees -5 to 5, clockwise positive; certainty 0.25 to 1, of use to compare pictures."""

    degrees: float
    certainty: float


class Unsure(IntEnum):
    """Why a picture's tilt is not known; the numbers are stored."""

    FEW = 1  # too few lines, or none that most of the others agree with
    DISAGREE = 2  # verticals and horizontals say different things
    FAR = 3  # beyond LEVEL.limit: meant, or wrongly found


@dataclass(frozen=True)
class Family:
    """What lines of one direction say.

    roll    degrees; error: its standard error
    slope   degrees a frame, by which they converge
    length  of what agrees, in frames; share: of what could have agreed, 0 to 1
    rival   votes for the next best answer against this one's, 0 to 1
    moved   degrees, the most that roll moves when one twelfth of the frame is left out
    slope_error  standard error of slope
    cells   how many twelfths of the frame show it; lump: share of the length in the one with most of it
    side    share of the length on the side of the middle that has less of it, 0 to 0.5
    """

    roll: float
    error: float
    slope: float
    length: float
    share: float
    rival: float
    moved: float
    slope_error: float
    cells: int
    lump: float
    side: float

    def sure(self, enough: float) -> bool:
        """Whether it may be believed where another family says the same."""
        few = self.length < enough or self.share < LEVEL.share
        return not few and self.rival < LEVEL.rival and self.error < LEVEL.error and self.moved < LEVEL.moved


def tilt(grey: F32, people: F32 | None = None) -> Tilt | Unsure:
    """Tilt of a picture (H, W), display-like 0 to 1, about 640x960; or why it is not known.

    people  (N, 4 or more) boxes of who is in it, x0, y0, x1, y1 in fractions: lines within one are nothing of the hall

    All lines together say most, by the three directions of the hall: `imaging.manhattan`. Where they do not answer,
    verticals and horizontals may. Verticals of a camera that looks up or down converge, evenly over the frame's width,
    and are upright where the middle of the frame is; so a line is fitted to angle against place, and its value in the
    middle is the roll. Horizontals seen at a slant converge likewise from top to bottom, but show the roll on the
    horizon only, which may lie above or below the frame. A floor line or a player's leg is why one family is believed
    alone only where it is seen all over the frame and next to nothing contradicts it.
    """
    coarse, fine = LEVEL.edges
    edges = (coarse, LEVEL.between, fine)

    shown = rotation.shown(grey)

    def lines(noisy: bool) -> list[manhattan.Lines]:
        return [_of_hall(rotation.off_rim(segments(grey, edge, noisy), shown), people, grey.shape) for edge in edges]

    noisy = is_noisy(grey)
    pictures = lines(noisy)
    together = manhattan.fit(pictures, edges)
    if together is not None and together.sure:
        return _within(Tilt(together.roll, together.certainty))
    # Under more blur verticals and horizontals that agree were once wrong by half a degree.
    seen = [_both(*one) for one in (lines(False) if noisy else pictures)[::2]]
    first: Tilt | Unsure | None = None
    for vertical, flat in seen:
        found = agreed(vertical, flat)
        if isinstance(found, Tilt) and together is not None and _contradicts(together, found.degrees):
            found = Unsure.DISAGREE
        if isinstance(found, Tilt) or (first is None and found is Unsure.FAR):
            return found
        first = first or found
    verticals = [_both(*one)[0] for one in pictures[::2]]
    return (together and _in_perspective(together, verticals)) or first or Unsure.FEW


def _contradicts(together: manhattan.Fit, degrees: float) -> bool:
    """Whether the three directions, sure or not, are against a tilt: by two standard deviations of theirs."""
    apart = abs(together.roll - degrees)
    return together.evidence >= LEVEL.both_evidence and apart > max(LEVEL.agree, 2 * together.spread)


def _of_hall(lines: manhattan.Lines, people: F32 | None, shape: tuple[int, ...]) -> manhattan.Lines:
    """Lines less those that lie within somebody's box, or hardly beyond it: limbs and clothes are at any angle."""
    if people is None or not len(people):
        return lines
    x, y, angle, length = lines
    height, width = shape[:2]
    frame = max(height, width)
    turn = np.radians(angle)
    across, down = np.cos(turn) * length / 2, np.sin(turn) * length / 2
    kept = np.ones(len(x), np.bool_)
    for box in np.asarray(people, dtype=np.float64)[:, :4]:
        x0, y0, x1, y1 = ((box - 0.5) * np.array([width, height] * 2) / frame).tolist()
        room = LEVEL.around * (y1 - y0)
        within = np.ones(len(x), np.bool_)
        for side in (-1, 1):
            right, below = x + side * across, y + side * down
            within &= (right > x0 - room) & (right < x1 + room) & (below > y0 - room) & (below < y1 + room)
        kept &= ~within
    return x[kept], y[kept], angle[kept], length[kept]


def is_noisy(grey: F32) -> bool:
    """Whether lines are looked for under more blur."""
    return noise_of(grey) > LEVEL.noisy


def _in_perspective(found: manhattan.Fit, verticals: Sequence[Family | None]) -> Tilt | Unsure | None:
    """The tilt that the hall's three directions show with its verticals; None where they are not sure either."""
    clear = found.spread <= LEVEL.both_spread and found.evidence >= LEVEL.both_sure
    for one, other in (verticals, verticals[::-1]):
        if one is None or other is None or abs(one.roll - other.roll) > LEVEL.both_sizes:
            continue
        much = one.length > LEVEL.both_length and one.share > LEVEL.both_share and one.error < LEVEL.both_error
        spread = one.side > LEVEL.alone_side and one.lump < LEVEL.alone_lump and one.cells >= LEVEL.both_cells
        alone = one.moved < LEVEL.alone_moved and (clear or one.rival < LEVEL.both_rival)
        # A mean of the two is one only where each lies within the other's error.
        apart = min(LEVEL.agree, LEVEL.both_apart * math.hypot(one.error, found.spread))
        agree = abs(found.roll - one.roll) <= apart and found.evidence >= LEVEL.both_evidence
        if much and spread and alone and agree:
            trust = np.array([one.error, found.spread]) ** -2.0
            return _within(Tilt(float(trust @ [one.roll, found.roll] / trust.sum()), LEVEL.certain))
    return None


def _within(found: Tilt) -> Tilt | Unsure:
    return found if abs(found.degrees) <= LEVEL.limit else Unsure.FAR


def agreed(vertical: Family | None, level: Family | None) -> Tilt | Unsure:
    """The tilt that verticals and horizontals both show, or one of them beyond doubt; else why it is not known."""
    alone = vertical is not None and _upright_alone(vertical)
    if vertical is None or not vertical.sure(LEVEL.enough_vertical):
        return _limited(level) if level is not None and _level_alone(level) else Unsure.FEW
    if level is None or not level.sure(LEVEL.enough_level):
        return _limited(vertical) if alone else Unsure.FEW
    apart = abs(vertical.roll - level.roll)
    # Verticals that need no witness are contradicted only by what no place of the horizon explains.
    slack = LEVEL.agree + (LEVEL.horizon * (abs(level.slope) + level.slope_error) if alone else 0.0)
    if apart > slack:
        return Unsure.DISAGREE
    flat = math.hypot(level.error, LEVEL.horizon / 2 * level.slope, LEVEL.horizon / 2 * level.slope_error)
    trust = np.array([vertical.error, flat]) ** -2.0
    degrees = float(trust @ [vertical.roll, level.roll] / trust.sum())
    certainty = (1 - apart / slack / 2) * _certainty(max(vertical.rival, level.rival), min(vertical.share, level.share))
    if certainty <= LEVEL.certain:
        return _limited(vertical) if alone else Unsure.FEW
    return _within(Tilt(degrees, certainty))


def _limited(family: Family) -> Tilt | Unsure:
    return _within(Tilt(family.roll, _certainty(family.rival, family.share)))


def _certainty(rival: float, share: float) -> float:
    return math.sqrt((1 - rival) * min(1.0, share))


def _upright_alone(family: Family) -> bool:
    """Whether verticals need no witness: they stand on both sides of the frame, and little else agrees."""
    return _alone(family, 0) and family.side > LEVEL.alone_side


def _level_alone(family: Family) -> bool:
    """Whether horizontals need no witness: besides, they run so flat that it matters little where the horizon is."""
    return _alone(family, 1) and LEVEL.horizon * (abs(family.slope) + family.slope_error) < LEVEL.agree


def _alone(family: Family, which: int) -> bool:
    enough = family.length > LEVEL.alone_length[which] and family.share > LEVEL.alone_share[which]
    spread = family.cells >= LEVEL.alone_cells and family.lump < LEVEL.alone_lump
    steady = family.error < LEVEL.alone_error and family.moved < LEVEL.alone_moved
    return enough and spread and steady and family.rival < LEVEL.alone_rival[which]


def families(grey: F32, edge: int) -> tuple[Family | None, Family | None]:
    """The verticals and the horizontals of a picture as in `tilt`, looked for at `edge` pixels of the longer side."""
    return _both(*segments(grey, edge))


def _both(x: F64, y: F64, angle: F64, length: F64) -> tuple[Family | None, Family | None]:
    return _family(x, (angle + 180) % 180 - 90, length), _family(y, angle, length)


def segments(grey: F32, edge: int, noisy: bool = False) -> tuple[F64, F64, F64, F64]:
    """Straight edges: middle x and y from the frame's middle, angle -90 to 90 (0 = flat), length; (N,) each.

    noisy  under more blur
    """
    import cv2

    height, width = grey.shape
    scale = min(1.0, edge / max(height, width))
    across, down = max(1, round(width * scale)), max(1, round(height * scale))
    small = cv2.resize(grey, (across, down), interpolation=cv2.INTER_AREA)
    blur, quant = (LEVEL.noisy_blur, LEVEL.noisy_quant) if noisy else (LEVEL.blur, LEVEL.quant)
    levels = cv2.GaussianBlur((255 * np.clip(small, 0, 1)).astype(np.uint8), (0, 0), blur)
    detector = cv2.createLineSegmentDetector(cv2.LSD_REFINE_NONE, 1.0, LEVEL.lsd_sigma, quant)
    found = detector.detect(levels)[0]
    ends = np.zeros((0, 4)) if found is None else np.asarray(found, dtype=np.float64).reshape(-1, 4)
    frame = max(across, down)
    x0, y0, x1, y1 = ((ends - np.array([across - 1, down - 1] * 2) / 2) / frame).T
    angle = np.degrees(np.arctan2(y1 - y0, x1 - x0))
    return (x0 + x1) / 2, (y0 + y1) / 2, (angle + 90) % 180 - 90, np.hypot(x1 - x0, y1 - y0)


def _family(place: F64, angle: F64, length: F64) -> Family | None:
    """angle = roll + slope * place for as much length as possible: the best of a grid, then least squares."""
    near = (np.abs(angle) < LEVEL.window) & (length > LEVEL.short)
    place, angle, length = place[near], angle[near], np.minimum(length[near], LEVEL.long)
    votes = _votes(place, angle, length)
    if votes.max() <= 0:
        return None
    row, best = np.unravel_index(votes.argmax(), votes.shape)
    away = np.abs(np.arange(votes.shape[1]) - best) * LEVEL.step > LEVEL.apart
    roll, slope = -LEVEL.search + (float(best) + 0.5) * LEVEL.step, float(_slopes()[row])

    design = np.stack([np.ones_like(place), place], axis=1)
    usual = np.diag([LEVEL.search**-2.0, LEVEL.usual**-2.0])  # weak knowledge, which keeps the fit from running away

    def weigh(line: F64, _: int) -> F64:  # Gaussian, so that what is off the line has no say
        return np.asarray(np.exp(-0.5 * ((angle - line[0] - line[1] * place) / LEVEL.spread) ** 2))

    def solve(agrees: F64) -> F64:
        trust = agrees * length / LEVEL.long / LEVEL.spread**2
        solved = np.linalg.solve(design.T * trust @ design + usual, design.T @ (trust * angle))
        return np.asarray(solved, dtype=np.float64)

    line, agrees = reweighted(solve, weigh, np.array([roll, slope]), range(LEVEL.fit_steps))
    roll, slope = float(line[0]), float(line[1])
    trust = agrees * length / LEVEL.long / LEVEL.spread**2
    cell = np.floor(LEVEL.cells * place)
    rests = [trust * (cell != one) for one in np.unique(cell[agrees > LEVEL.cell_agrees])]
    without = [np.linalg.solve(design.T * rest @ design + usual, design.T @ (rest * angle))[0] for rest in rests]
    held = np.abs(angle - roll - slope * place) < LEVEL.held * LEVEL.spread
    certain = np.linalg.inv(design.T * trust @ design + usual)
    in_cells = np.bincount((cell[held] + LEVEL.cells).astype(np.int64), length[held], minlength=1)
    whole, left = max(float(length[held].sum()), LEVEL.short), float(length[held & (place < 0)].sum())
    return Family(
        roll=float(roll),
        error=math.sqrt(certain[0, 0]),
        slope=float(slope),
        length=float(length[held].sum()),
        share=float(length[held].sum() / max(length[np.abs(angle - roll) < LEVEL.search].sum(), LEVEL.short)),
        rival=float(votes[:, away].max() / votes.max()),
        moved=float(np.abs(np.array(without) - roll).max(initial=0.0)),
        slope_error=math.sqrt(certain[1, 1]),
        cells=int((in_cells > LEVEL.in_cell).sum()),
        lump=float(in_cells.max() / whole),
        side=float(min(left / whole, 1 - left / whole)),
    )


def _slopes() -> F64:
    """(33,) degrees a frame, of the lines that are tried."""
    return np.linspace(-LEVEL.steepest, LEVEL.steepest, _TRIED_SLOPES)


def _votes(place: F64, angle: F64, length: F64) -> F64:
    """Length that agrees with each slope and roll, (slopes, rolls); steep slopes count less."""
    import cv2

    slopes = _slopes()
    bins = round(2 * LEVEL.search / LEVEL.step)
    column = np.floor((angle - slopes[:, None] * place + LEVEL.search) / LEVEL.step).astype(np.int64)
    kept = (column >= 0) & (column < bins)
    flat = (column + bins * np.arange(len(slopes))[:, None])[kept]
    lengths = np.broadcast_to(length, column.shape)[kept]
    counted = np.bincount(flat, lengths, minlength=bins * len(slopes)).reshape(len(slopes), bins)
    # OpenCV's kernel (0, 0) would blur the slopes too.
    size = 2 * math.ceil(3 * LEVEL.spread / LEVEL.step) + 1
    sigma = LEVEL.spread / LEVEL.step
    votes = cv2.GaussianBlur(counted.astype(np.float64), (size, 1), sigma, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(votes * np.exp(-0.5 * (slopes[:, None] / LEVEL.usual) ** 2), dtype=np.float64)
