"""The processor's time as a clock: that of an idle machine with one core, however busy this one is."""

from __future__ import annotations

import os
import time
from contextlib import suppress
from pathlib import Path
from types import SimpleNamespace

_TICK = os.sysconf("SC_CLK_TCK") if hasattr(os, "sysconf") else 100


def of_children() -> float:
    """Processor time of living child processes, seconds (proc(5))."""
    total = 0.0
    for listed in Path("/proc/self/task").glob("*/children"):
        with suppress(OSError):  # it has ended
            for pid in listed.read_text().split():
                rest = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
                total += (int(rest[11]) + int(rest[12])) / _TICK
    return total


_looked = [0.0, 0.0]  # when, and what it was then: looking costs time of the processor too
_FRESH = 0.1  # s


def processor() -> float:
    """Processor time of this process, of its children that have ended, and of those that live."""
    if time.monotonic() - _looked[0] > _FRESH:
        spent = os.times()
        own = spent.user + spent.system + spent.children_user + spent.children_system
        _looked[:] = time.monotonic(), own + of_children()
    return _looked[1]


def count_processor() -> None:
    """In a worker, in the place of worker_setup: frames take the processor's time, and not that of the wall."""
    from pipeline.engine import measure
    from pipeline.engine.pacing import trial
    from pipeline.workers.executors import worker_setup

    worker_setup()
    clock = SimpleNamespace(perf_counter=time.process_time, monotonic=time.monotonic)
    measure.time = trial.time = clock  # type: ignore[assignment]
