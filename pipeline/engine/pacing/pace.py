"""How fast a run goes, when it will end, and whether that is in time."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import TypeVar

from pipeline.textfile.messages import counted, duration

T = TypeVar("T")
Clock = Callable[[], float]  # seconds since 1970

_GOLDEN = 0.6180339887498949  # the golden ratio less one: its multiples, taken modulo 1, never crowd (H. Weyl, 1916)


@dataclass(frozen=True)
class PaceRules:
    """Chosen by trial on generated evenings (`python -m tests.scale`), no source. They decide no pixel."""

    settled: float = 0.02  # share of a phase after which its own rate counts and not what was expected of it
    least: int = 8  # and so many pieces of work: the first wait for workers that load their libraries
    closing: float = 0.02  # s a frame that is kept free at the end for record, report and page, while nothing is known
    faster: float = 4.0  # times that the night at most goes faster or slower than was expected of it
    margin: float = 60.0  # s by which the end may be late before it is worth saying, or if that is less
    short: float = 0.1  # this share of the time that is left until the hour


RULES = PaceRules()
_BEFORE = ("measure", "light", "references", "solve", "plan", "render")  # the phases that make the pictures, in order
_MEASURE_TO_PLAN = _BEFORE[:-1]


def spread(items: Sequence[T]) -> list[T]:
    """The items in an order of which every beginning is spread evenly over them, so that its rate is that of all."""
    order = sorted(range(len(items)), key=lambda at: at * _GOLDEN % 1)
    return [items[at] for at in order]


class Pace:
    """The time of a run. Phases come one after the other; some are expected before they begin.

    What has been done tells more than what was expected of it: if that took half as long again, so will the rest.

    deadline  when the run must have ended, aware; None for no such hour
    now       seconds since 1970; say  called with a text for the person who waits
    """

    def __init__(
        self, deadline: datetime | None = None, now: Clock = time.time, say: Callable[[str], None] = lambda text: None
    ) -> None:
        self.deadline, self.now, self.say = deadline, now, say
        self._warned = False
        self.render: Mapping[str, float] = {}  # as for expect
        self._expected: dict[str, float] = {}  # of phases that have not ended, seconds
        self._phase = ""
        self._since = self._total = self.done = 0.0  # done: work of the present phase, in so many pieces
        self._pieces = 0
        self._taken = self._foretold = 0.0  # of phases that have ended: seconds that they took, and were to take

    def expect(self, seconds: Mapping[str, float], render: Mapping[str, float] = MappingProxyType({})) -> None:
        """Set how long phases that have not begun will take, seconds, in the order in which they come.

        render  frame -> how long its render takes, in any unit; empty where that is not known
        """
        self._expected, self.render = dict(seconds), render
        self._taken = self._foretold = 0.0

    def begin(self, phase: str, total: float = 0.0) -> None:
        """`phase` begins, and what came before it has ended. total  work of it, in any unit; 0 where that is unknown"""
        if phase != self._phase:
            self._taken, self._foretold = self._so_far()
        if phase in self._expected:  # what was expected before it is over
            while next(iter(self._expected)) != phase:
                self._expected.pop(next(iter(self._expected)))
        self._phase, self._since, self._total, self.done = phase, self.now(), total, 0.0
        self._pieces = 0

    def advance(self, work: float = 1.0) -> None:
        """So much of the phase's work is done now."""
        self.done += work
        self._pieces += work > 0

    def _is_settled(self) -> bool:
        """Whether enough of the present phase is done to tell its rate."""
        return self._total > 0 and self._pieces >= RULES.least and self.done > RULES.settled * self._total

    def left_of_phase(self) -> float | None:
        """Seconds that the present phase will still take; None while that is not known."""
        elapsed = self.now() - self._since
        if self._is_settled():
            return elapsed * max(0.0, self._total - self.done) / self.done
        expected = self._expected.get(self._phase)
        return None if expected is None else max(0.0, expected * self._slower() - elapsed)

    def _so_far(self) -> tuple[float, float]:
        """Seconds that the work took that was done so far, and that it was to take."""
        if not self._is_settled() or self._phase not in self._expected:
            return self._taken, self._foretold
        share = min(1.0, self.done / self._total)
        return self._taken + self.now() - self._since, self._foretold + self._expected[self._phase] * share

    def _slower(self) -> float:
        """How many times as long as expected the work takes that was done so far."""
        taken, foretold = self._so_far()
        if taken <= 0 or foretold <= 0:
            return 1.0
        return min(max(taken / foretold, 1 / RULES.faster), RULES.faster)

    def left(self) -> float | None:
        """Seconds until the run has ended; None while that is not known, as where pictures are still to be rendered
        and nothing tells how long that takes."""
        here = self.left_of_phase() if self._phase or not self._expected else 0.0
        if here is None or (self._phase in _MEASURE_TO_PLAN and "render" not in self._expected):
            return None
        return here + self._slower() * sum(s for phase, s in self._expected.items() if phase != self._phase)

    def closing(self, frames: int) -> float:
        """Seconds that are kept free after rendering, for what ends a run over so many frames."""
        after = [s for phase, s in self._expected.items() if phase not in _BEFORE]
        return self._slower() * sum(after) if after else RULES.closing * frames

    def is_over(self, frames: int) -> bool:
        """Whether no more frame may be begun, if a run over so many frames is to end in time."""
        return self.deadline is not None and self.now() + self.closing(frames) >= self.deadline.timestamp()

    def hour(self) -> str:
        """The deadline as a person says it: 07:00, with the date where it is not within a day."""
        assert self.deadline is not None
        local = self.deadline.astimezone()
        near = abs(local.timestamp() - self.now()) < timedelta(days=1).total_seconds()
        return f"{local:%H:%M}" if near else f"{local:%Y-%m-%d %H:%M}"

    def warn(self, frames: int) -> None:
        """Say, once, if the hour cannot be met: how late it would be, and how many of `frames` would be left."""
        if self.deadline is None or self._warned or (left := self.left()) is None:
            return
        end = self.now() + left
        late = end - self.deadline.timestamp()
        if late < min(RULES.margin, RULES.short * max(0.0, self.deadline.timestamp() - self.now())):
            return
        self._warned = True
        rendering = self._slower() * self._expected.get("render", 0.0)
        if self._phase == "render":
            rendering = self.left_of_phase() or 0.0
        missed = min(frames, max(1, round(frames * late / rendering))) if rendering > 0 else frames
        self.say(
            f"{self.hour()} cannot be met: at this rate the run would end at about "
            f"{datetime.fromtimestamp(end):%H:%M}, {duration(late)} late, so about {missed:,} of "
            f"{counted(frames, 'frame')} would be left. Frames with keep: always come first, then those rated best and "
            "the best of each burst; the same command finishes the rest"
        )
