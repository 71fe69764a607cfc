"""How long each phase of a run takes."""

from __future__ import annotations

import time
from collections.abc import Callable

# Replaced by `python -m tests.scale`, which counts the processor's time of all processes in its place.
now: Callable[[], float] = time.perf_counter


class Phases:
    """seconds  by phase, in the order in which they began first"""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._phase, self._since = "", 0.0

    def begin(self, phase: str) -> None:
        """The phase before ends, and `phase` begins or goes on; "" only ends it."""
        moment = now()
        if self._phase:
            self.seconds[self._phase] = self.seconds.get(self._phase, 0.0) + moment - self._since
        self._phase, self._since = phase, moment

    def rounded(self) -> dict[str, float]:
        """Seconds by phase, to the hundredth."""
        return {phase: round(seconds, 2) for phase, seconds in self.seconds.items()}
