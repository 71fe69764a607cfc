"""What the larger picture before costs a frame: python -m tests.report.cost SHOOT [--models DIR] [--frames 6].

Octets in OUT/.work, and its share of the processor's time of a render with the overnight recipe. Leaves nothing behind.
"""

from __future__ import annotations

import argparse
import statistics
import time
from pathlib import Path
from typing import Any

from pipeline.cli.recipes import read_recipe
from pipeline.engine import thumbs
from pipeline.engine.decide import decide
from pipeline.engine.jobs import Planner, read_shoot
from pipeline.engine.record import RunLog
from pipeline.engine.render import render
from pipeline.store.store import Store
from pipeline.workers.executors import WorkChoice


def main() -> None:
    """Print it."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("shoot", type=Path)
    asked.add_argument("--models", type=Path)
    asked.add_argument("--frames", type=int, default=6)
    given = asked.parse_args()
    shoot = read_shoot(given.shoot, None, given.models)
    spent = 0.0

    def timed(really: Any, is_large: Any) -> Any:
        def measured(*of: Any) -> Any:
            nonlocal spent
            begun = time.process_time()
            try:
                return really(*of)
            finally:
                spent += (time.process_time() - begun) * is_large(of)

        return measured

    thumbs._before = timed(thumbs._before, lambda of: of[-1] == thumbs.LARGE_EDGE)
    thumbs.jpeg = timed(thumbs.jpeg, lambda of: max(of[0].shape) > thumbs.THUMB_EDGE)
    with Store.scratch(shoot.folder) as store, WorkChoice(1).open() as workers:
        planner = Planner(store.out, shoot, read_recipe())
        decided = decide(store, planner, RunLog(), workers, lambda *progress: None)
        first, *jobs = [job for job, _ in decided.planned.values()][: given.frames + 1]
        render(first)  # what is compiled and loaded once
        spent, begun = 0.0, time.process_time()
        for job in jobs:
            render(job)
        each = (time.process_time() - begun) / len(jobs)
        sizes = [path.stat().st_size for path in (store.work / "thumbs").glob("*.large.jpg")]
    print(f"{len(jobs)} frames: {statistics.mean(sizes) / 1e3:.0f} kB and {spent / len(jobs):.3f} s a frame, "
          f"{spent / len(jobs) / each:.0%} of a render of {each:.2f} s")  # fmt: skip


if __name__ == "__main__":
    main()
