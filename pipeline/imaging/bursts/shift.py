"""How far the hall moves from picture to picture of a burst, although the people in it move for themselves.

Phase correlation (Kuglin and Hines, "The phase correlation image alignment method", 1975) proposes some shifts:
flicker, a gain, does not change it. Where people fill the frame its best one is often theirs, or that of the holes
that they leave. So each is judged by how alike the two pictures are besides the people (Padfield, "Masked object
registration in the Fourier domain", IEEE TIP 21, 2012), and the best way through the burst is taken (Viterbi, "Error
bounds for convolutional codes", 1967): a camera that follows play turns evenly, and one pattern taken for another
does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import groupby, pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.types import F32, F64


@dataclass(frozen=True)
class ShiftRules:
    """On pictures of 160 pixels' longer side. Lengths of shifts are in heights of the picture.

    Chosen on known shifts of drawn halls (tests/imaging/test_shift.py) and on parts of real court frames, whose shift
    is that of the whole frames (`python -m tests.closer --only bursts`).
    """

    fewest: int = 16  # pixels of the shorter side: smaller pictures have too little to compare
    # Standard deviations in pixels: of what is taken off as shading and fills holes, and of the noise filter.
    coarse: float = 8.0
    fine: float = 0.7
    around: float = 0.05  # of somebody's height around the box, that is left out too
    strong: float = 3.0  # medians of what stands out, at which it is cut: one caption or lamp must not decide
    farthest: float = 0.35  # of the picture's sides: no burst turns by more from frame to frame
    proposals: int = 4  # shifts that are tried, of each pair
    apart: int = 3  # pixels between two proposals; nearer ones are one
    uphill: int = 4  # pixels that a proposal may be off by
    seen: float = 0.12  # least share of the picture that both show besides people
    alike: float = 0.4  # least correlation of what both show, from which a shift is believed
    # Correlation that a shift gains for how clear it is among the phases, at most, and at which clearness.
    phase: float = 0.25
    clear: float = 0.5
    # Correlation that it costs to turn otherwise than in the pair before, for each height, and at most.
    even: float = 3.0
    most: float = 0.9
    rival: float = 0.03  # heights from which a shift is another one,
    lead: float = 0.05  # which the best must lead by so much
    # Pixels to all sides at which the halls must be less alike by so much: along the one line of an empty floor any
    # shift fits.
    ring: int = 4
    falls: float = 0.02


RULES = ShiftRules()
_UNKNOWN = np.full(2, np.nan)


@dataclass(frozen=True)
class _Hall:
    """What stands out in a picture (H, W), 0 where people are, and its square; there: 1 where none are, else 0."""

    detail: F32
    square: F32
    there: F32


@dataclass(frozen=True)
class _Pair:
    """Two pictures after each other; known: how alike they are at shifts of whole pixels, x and y."""

    before: _Hall
    now: _Hall
    known: dict[tuple[int, int], float] = field(default_factory=dict)

    @property
    def size(self) -> tuple[int, int]:
        """Height and width, 0 of pictures that cannot be compared."""
        height, width = self.before.detail.shape
        comparable = self.before.detail.shape == self.now.detail.shape and min(height, width) >= RULES.fewest
        return (height, width) if comparable else (0, 0)

    def alike(self, x: int, y: int) -> float:
        """-1 to 1: correlation of what both show besides people, where `now` is shifted; 0 where both show too little
        of the hall."""
        if (x, y) not in self.known:
            self.known[x, y] = self._alike(x, y)
        return self.known[x, y]

    def _alike(self, x: int, y: int) -> float:
        height, width = self.size
        if abs(x) >= width or abs(y) >= height:
            return 0.0
        then = np.s_[max(0, -y) : height - max(0, y), max(0, -x) : width - max(0, x)]
        here = np.s_[max(0, y) : height + min(0, y), max(0, x) : width + min(0, x)]
        one, square_one, in_one = (part[then] for part in (self.before.detail, self.before.square, self.before.there))
        two, square_two, in_two = (part[here] for part in (self.now.detail, self.now.square, self.now.there))
        count = _dot(in_one, in_two)
        if count < RULES.seen * height * width:
            return 0.0
        mean_one, mean_two = _dot(one, in_two) / count, _dot(in_one, two) / count
        spread_one = max(_dot(square_one, in_two) / count - mean_one**2, 0.0)
        spread_two = max(_dot(in_one, square_two) / count - mean_two**2, 0.0)
        return (_dot(one, two) / count - mean_one * mean_two) / max(float(np.sqrt(spread_one * spread_two)), 1e-9)


def _dot(one: F32, other: F32) -> float:
    return float(np.einsum("ij,ij->", one, other))


def shifts(pictures: Sequence[NDArray[np.uint8]], people: Sequence[NDArray[np.floating]]) -> list[F64]:
    """(x, y) of each picture but the first: how far the hall moved from the one before, in fractions of it, right and
    down positive; nan where that is not known.

    pictures  grey (H, W); people  (N, 4 or more) boxes of who is in each, in fractions
    """
    halls = [_hall(picture, boxes) for picture, boxes in zip(pictures, people, strict=True)]
    pairs = [_Pair(before, now) for before, now in pairwise(halls)]
    found: list[F64] = []
    for size, run in groupby(pairs, lambda pair: pair.size):
        same = list(run)
        found += _way(same) if min(size) else [_UNKNOWN] * len(same)
    return found


def _hall(picture: NDArray[np.uint8], people: NDArray[np.floating]) -> _Hall:
    light = np.log1p(picture.astype(np.float32))
    height, width = light.shape
    there = np.ones(light.shape, np.float32)
    for box in np.asarray(people, dtype=np.float64)[:, :4]:
        room = RULES.around * (box[3] - box[1]) * np.array([height / width, 1.0])
        x0, y0 = np.maximum((box[:2] - room) * (width, height), 0).astype(int)
        x1, y1 = np.maximum((box[2:] + room) * (width, height) + 1, 0).astype(int)
        there[y0:y1, x0:x1] = 0
    # Holes are filled with what is around them.
    shading = _blurred(light * there, RULES.coarse) / np.maximum(_blurred(there, RULES.coarse), 1e-3)
    fine = (_blurred(np.where(there > 0, light, shading), RULES.fine) - shading) * there
    seen = np.abs(fine[there > 0])
    most = RULES.strong * float(np.median(seen)) if len(seen) else 0.0
    detail = np.asarray(np.clip(fine, -most, most), dtype=np.float32)
    return _Hall(detail, np.asarray(detail**2), there)


def _blurred(values: F32, sigma: float) -> F32:
    import cv2

    return np.asarray(cv2.GaussianBlur(values, (0, 0), sigma), dtype=np.float32)


def _way(pairs: Sequence[_Pair]) -> list[F64]:
    """The best way through the shifts proposed for consecutive pairs of pictures of one size, as of `shifts`."""
    size = np.array(pairs[0].size[::-1])
    proposed = [_proposed(pair) for pair in pairs]
    best = [rows[total.argmax(), :2] for rows, total in zip(proposed, _totals(proposed, size), strict=True)]
    for at, pair in enumerate(pairs):
        # What one pair of pictures hardly shows, the ones beside it may.
        beside = [np.round(best[k]).astype(int).tolist() for k in (at - 1, at + 1) if 0 <= k < len(best)]
        proposed[at] = np.array([*proposed[at], *([*_uphill(pair, x, y), 0.0] for x, y in beside)])
    found = []
    for pair, rows, total in zip(pairs, proposed, _totals(proposed, size), strict=True):
        one = int(total.argmax())
        away = _between(rows[one : one + 1], rows, size)[0]
        lead = total[one] - total[away > RULES.rival].max(initial=-np.inf)
        sure = rows[one, 2] >= RULES.alike and lead >= RULES.lead and _stands_out(pair, rows[one])
        found.append(rows[one, :2] / size if sure else _UNKNOWN)
    return found


def _proposed(pair: _Pair) -> F64:
    """(K, 4) shifts: x and y in pixels, how alike the pictures are at it, and what it gains by the phases."""
    phases = _phases(pair.before.detail, pair.now.detail)
    height, width = pair.size
    across, down = (round(RULES.farthest * side) for side in (width, height))
    left = np.full(phases.shape, -np.inf)
    near = np.s_[height // 2 - down : height // 2 + down + 1, width // 2 - across : width // 2 + across + 1]
    left[near] = phases[near]
    rows = []
    for _ in range(RULES.proposals):
        y, x = (int(at) for at in np.unravel_index(left.argmax(), left.shape))
        clear = float(np.clip(phases[max(0, y - 2) : y + 3, max(0, x - 2) : x + 3].sum() / RULES.clear, 0, 1))
        rows.append([*_uphill(pair, x - width // 2, y - height // 2), RULES.phase * clear])
        left[max(0, y - RULES.apart) : y + RULES.apart + 1, max(0, x - RULES.apart) : x + RULES.apart + 1] = -np.inf
    return np.array(rows)


def _phases(before: F32, now: F32) -> F64:
    """(H, W) phase correlation; no shift is in the middle, one to the right and down is right of it and below."""
    height, width = before.shape
    window = np.hanning(height + 2)[1:-1, None] * np.hanning(width + 2)[None, 1:-1]
    cross = np.conj(np.fft.rfft2(before * window)) * np.fft.rfft2(now * window)
    strength = np.abs(cross)
    whitened = cross / np.maximum(strength, 1e-9 * strength.max() + 1e-12)
    return np.asarray(np.fft.fftshift(np.fft.irfft2(whitened, before.shape)))


def _uphill(pair: _Pair, x: int, y: int) -> tuple[float, float, float]:
    """x and y of the shift uphill from there, to a part of a pixel, and how alike the pictures are at it."""
    for _ in range(RULES.uphill):
        around = np.array([[pair.alike(x + right, y + down) for right in (-1, 0, 1)] for down in (-1, 0, 1)])
        row, column = (int(at) for at in np.unravel_index(around.argmax(), around.shape))
        parts = [_peak(around[row]) if column == 1 else 0.0, _peak(around[:, column]) if row == 1 else 0.0]
        x, y = x + column - 1, y + row - 1
        if row == column == 1:
            break
    return x + parts[0], y + parts[1], float(around[row, column])


def _peak(three: F64) -> float:
    """Where a parabola through three values has its peak, from the middle one."""
    bend = three[0] - 2 * three[1] + three[2]
    return 0.0 if bend >= 0 else float(np.clip((three[0] - three[2]) / 2 / bend, -0.5, 0.5))


def _stands_out(pair: _Pair, shift: F64) -> bool:
    """Whether two pictures are less alike to all sides of a shift (x, y in pixels, how alike, ...)."""
    x, y = np.round(shift[:2]).astype(int).tolist()
    ring = np.round(RULES.ring * np.exp(1j * np.pi / 4 * np.arange(8)))
    return bool(shift[2] - max(pair.alike(x + int(by.real), y + int(by.imag)) for by in ring) >= RULES.falls)


def _totals(proposed: Sequence[F64], size: NDArray[np.int_]) -> list[F64]:
    """(K,) of each pair: what the best way through each of its shifts is worth; size  width and height in pixels."""
    worth = [rows[:, 2:].sum(axis=1) for rows in proposed]
    steps = [np.minimum(RULES.even * _between(one, two, size), RULES.most) for one, two in pairwise(proposed)]
    ahead, behind = [worth[0]], [np.zeros(len(worth[-1]))]
    for step, own in zip(steps, worth[1:], strict=True):
        ahead.append((ahead[-1][:, None] - step).max(axis=0) + own)
    for step, own in zip(reversed(steps), reversed(worth[1:]), strict=True):
        behind.append((behind[-1] + own - step).max(axis=1))
    return [one + other for one, other in zip(ahead, reversed(behind), strict=True)]


def _between(first: F64, second: F64, size: NDArray[np.int_]) -> F64:
    """(K, L) heights of the picture between shifts (K, 2 or more) and (L, 2 or more) in pixels."""
    apart = first[:, None, :2] - second[None, :, :2]
    return np.asarray(np.hypot(apart[..., 0], apart[..., 1]) / size[1])
