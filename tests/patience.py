"""Time on a machine that does other work too: what is quick is so in one of three tries, what is slow never."""

from __future__ import annotations

import time
from collections.abc import Callable

TRIES = 3


def processor_seconds(work: Callable[[], object]) -> float:
    """Of the processor, the least of the tries: late in a run of all tests Python's own clearing up takes half a
    second."""
    times = []
    for _ in range(TRIES):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def soonest(attempt: Callable[[], float], limit: float) -> float:
    """The first of the tries that took less than `limit`, else the last. attempt  does it and says how many seconds"""
    for _ in range(TRIES):
        took = attempt()
        if took < limit:
            break
    return took
