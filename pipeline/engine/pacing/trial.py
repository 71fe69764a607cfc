"""How long a night will take: a few frames from all over the shoot are measured and rendered before the rest."""

from __future__ import annotations

import shutil
import statistics
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipeline.engine.burst_light import find_scenes
from pipeline.engine.jobs import Planner
from pipeline.engine.measure import MeasuredFrame, measure_frames, octets, raise_if_full
from pipeline.engine.pacing.pace import spread
from pipeline.engine.render import Job, render
from pipeline.engine.solve import solve
from pipeline.errors import EvencourtError, trace
from pipeline.store.store import Store
from pipeline.types import Burst
from pipeline.workers.executors import Workers, map_unordered, parallel


@dataclass(frozen=True)
class TrialRules:
    """Chosen by trial on generated evenings (`python -m tests.scale`), no source. They decide no pixel."""

    worth: int = 200  # frames still to render, from which knowing the time is worth the trial
    hurried: int = 8  # the same where the run must end at an hour; then no more than
    share: int = 8  # every so many frames is tried
    foreseen: int = 6  # frames that --dry-run renders, or as many as keep every worker busy twice
    bursts: int = 6
    longest: int = 4  # frames of a burst that are tried
    record: float = 0.004  # s a frame for what ends a run: texts, record and report


RULES = TrialRules()


def try_out(store: Store, planner: Planner, workers: Workers, hurried: bool = False) -> dict[str, float]:
    """Phase -> seconds that it will take, in the order of the run; empty where little is left to do.

    hurried  the run must end at an hour: a small shoot is tried too, by few frames

    What is measured is kept; pictures are rendered into a folder that goes again. Raises OSError where OUT fails.
    """
    shoot, recipe = planner.shoot, planner.recipe
    frames = len(shoot.frames)
    waiting = frames - len(store.names("done")) // max(1, len(recipe.deliveries))
    if waiting < (RULES.hurried if hurried else RULES.worth):
        return {}
    bursts = [Burst(b.frames[: RULES.longest]) for b in spread(shoot.bursts)[: RULES.bursts]]
    if waiting < RULES.worth:
        few = max(2, waiting // RULES.share)
        longest = max(1, few // min(len(bursts), few))
        bursts = [Burst(b.frames[:longest]) for b in bursts[:few]]
    names = {name for burst in bursts for name in burst.frames}
    some = [frame for frame in shoot.frames if frame.name in names]
    measured = list(measure_frames(store, some, shoot.facts, shoot.models, workers))
    measured = [one for one in sorted(measured, key=lambda one: some.index(one.frame)) if not one.error]
    if not measured:
        return {}
    light = [_seconds_of_light(store, measured, burst, workers) for burst in bursts]
    start = time.perf_counter()
    plan = solve(store, measured, bursts, shoot.facts, recipe)
    solved = time.perf_counter() - start
    start = time.perf_counter()
    try:
        planned = planner.plan(measured, plan)[0]
    except EvencourtError:
        return {}
    wrote = time.perf_counter() - start
    many = parallel(workers)
    took = _rendered(store, [job for job, _ in planned.values()], workers)
    share, each = len(planned) / len(measured), 1 / len(measured)
    measuring = _typical([one.seconds for one in measured], many)
    of_light = statistics.median(seconds / max(1, len(b.frames)) for seconds, b in zip(light, bursts, strict=True))
    return {
        "measure": measuring * frames / many,
        "light": of_light * frames / many,
        "solve": solved * each * frames,
        "plan": wrote * each * frames,
        "render": _typical(took, many) * share * waiting / many,
        "settle": RULES.record * frames,
        "record": RULES.record * frames,
        "report": RULES.record * frames,
    }


def seconds_to_render(store: Store, jobs: Sequence[Job], workers: Workers) -> float:
    """Seconds that rendering one frame takes a worker here and now: some, spread over all, are rendered into the folder
    of a scratch store. 0 where none can be. Raises OSError where the disk is full."""
    some = spread(jobs)[: max(RULES.foreseen, 2 * parallel(workers))]
    try:
        return statistics.fmean(_rendered(store, some, workers) or [0.0])
    except Exception as error:  # it is only a guess
        raise_if_full(error)
        trace(error)
        return 0.0


def _seconds_of_light(store: Store, measured: Sequence[MeasuredFrame], burst: Burst, workers: Workers) -> float:
    start = time.perf_counter()
    find_scenes(store, measured, [burst], workers)  # in a worker: this process needs none of its libraries
    return time.perf_counter() - start


def _typical(seconds: Sequence[float], many: int) -> float:
    """The mean without what each worker took longest for: its first frame, for which it loads its libraries."""
    return statistics.fmean(sorted(seconds)[:-many] or seconds) if seconds else 0.0


def _rendered(store: Store, jobs: Sequence[Job], workers: Workers) -> list[float]:
    """Seconds that each render took where it ran."""
    folder = store.work / "trial"  # where the workers of a cluster see it too
    shutil.rmtree(folder, ignore_errors=True)  # of a run that was killed
    folder.mkdir()
    try:
        trial = [replace(job, to=folder, thumbs="") for job in jobs]
        results = [result for _, result in map_unordered(_timed, trial, workers, size=octets)]
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return [result for result in results if isinstance(result, float)]


def _timed(job: Job) -> float:
    start = time.perf_counter()
    render(job)
    return time.perf_counter() - start
