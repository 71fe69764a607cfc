"""The error of a clock by what one person can do: nobody takes pictures with two cameras at once.

Where the clocks of two cameras are right, no burst of one falls into a burst of the other; where they are not, many do
by chance. Moved by the right seconds, and by no other, they fit between each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.shoot.clocks.bodies import Body
from pipeline.shoot.clocks.evidence import Proposal
from pipeline.types import F64


@dataclass(frozen=True)
class AlternationLimits:
    """When bursts that never meet prove something. No source: chosen on simulated nights of one person, of two and of
    unrelated matches, see tests/shoot/clocks/test_alternation.py.

    pause     s between frames in which nobody takes the other camera up, uses it, and is back
    step      s of the search
    hours     of the search, either way: of a clock in another time zone
    off       s; errors that are looked for, beside whole hours
    expected  bursts that would meet by chance, at least; those of a second place where none meet may be fewer
    elsewhere bursts that would meet by chance at a second place where none meet, which makes both worthless
    met       share of the expected that may meet all the same, for a slip
    widest    s of the range in which none meet: a wider one says little
    window    s over which chance is counted, either way
    bursts    of each camera, at least
    most      pairs of bursts, at most: what is searched in a fraction of a second; together  in memory at once
    """

    pause: float = 1.5
    step: float = 0.25
    hours: int = 14
    off: float = 120.0
    expected: float = 15.0
    elsewhere: float = 10.0
    met: float = 1 / 40
    widest: float = 10.0
    window: float = 120.0
    bursts: int = 20
    most: int = 4_000_000
    together: int = 100_000


LIMITS = AlternationLimits()
_HOUR = 3600.0


def by_alternation(body: Body, main: Body) -> Proposal | None:
    """Seconds by which the bursts of `body` fit between those of `main`; None where they do so, or nothing shows."""
    own, other = _bursts(body, main), _bursts(main, main)
    if min(len(own), len(other)) < LIMITS.bursts or len(own) * len(other) > LIMITS.most:
        return None
    met = _met(own, other)
    chance = _smoothed(met)
    quiet = met <= np.floor(chance * LIMITS.met)
    ranges = [part for part in _ranges(quiet) if chance[part].mean() >= LIMITS.elsewhere]
    if len(ranges) != 1:
        return None
    found = ranges[0]
    expected = float(chance[found].mean())
    reach = LIMITS.hours * _HOUR
    first, last = found.start * LIMITS.step - reach, (found.stop - 1) * LIMITS.step - reach
    middle, room = (first + last) / 2, (last - first) / 2 + LIMITS.step
    beside = abs((middle + _HOUR / 2) % _HOUR - _HOUR / 2)
    if expected < LIMITS.expected or 2 * room > LIMITS.widest or first <= 0 <= last or beside > LIMITS.off:
        return None
    return Proposal(
        round(middle),
        f"moved by {middle:+.0f} s (give or take {room:.0f} s), and by no other time, its bursts never meet those of "
        f"{main.name}, where {expected:.0f} would by chance, as if one person had used them in turn",
    )


def _bursts(body: Body, origin: Body) -> F64:
    """(N, 2) first and last moment of the runs of frames of a camera, seconds after the first frame of `origin`."""
    begin = origin.times[0]
    times = np.array([(time - begin).total_seconds() for time in body.times])
    fine = all(frame.exif.has_subseconds for frame in body.frames if frame.exif.time is not None)
    breaks = np.flatnonzero(np.diff(times) > LIMITS.pause)
    firsts, lasts = times[np.r_[0, breaks + 1]], times[np.r_[breaks, len(times) - 1]]
    return np.stack([firsts, lasts if fine else lasts + 1.0], axis=1)  # a time of whole seconds is cut


def _met(own: F64, other: F64) -> F64:
    """How many pairs of bursts meet, for each shift of `own` from -hours to +hours in steps."""
    reach, count = LIMITS.hours * _HOUR, round(2 * LIMITS.hours * _HOUR / LIMITS.step) + 1
    change = np.zeros(count + 1, np.int64)
    for some in np.array_split(own, 1 + len(own) * len(other) // LIMITS.together):
        begins = np.ceil((other[:, None, 0] - some[None, :, 1] + reach) / LIMITS.step).astype(np.int64).ravel()
        ends = np.floor((other[:, None, 1] - some[None, :, 0] + reach) / LIMITS.step).astype(np.int64).ravel() + 1
        inside = (ends > 0) & (begins < count)
        more, fewer = (np.bincount(np.clip(at[inside], 0, count), minlength=count + 1) for at in (begins, ends))
        change += more - fewer
    met: F64 = np.cumsum(change)[:count].astype(np.float64)
    return met


def _smoothed(met: F64) -> F64:
    """The mean over the window around each shift."""
    half = round(LIMITS.window / LIMITS.step)
    total = np.concatenate([[0.0], np.cumsum(met)])
    at = np.arange(len(met))
    first, last = np.maximum(at - half, 0), np.minimum(at + half + 1, len(met))
    mean: F64 = (total[last] - total[first]) / (last - first)
    return mean


def _ranges(quiet: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> list[slice]:
    """The stretches of shifts at which no bursts meet."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], quiet.astype(np.int8), [0]])))
    return [slice(int(first), int(last)) for first, last in zip(edges[::2], edges[1::2], strict=True)]
