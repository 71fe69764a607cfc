"""How long a night will take: a few frames from all over the shoot are measured and rendered before the rest."""

from __future__ import annotations

import shutil
import statistics
import time
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

from pipeline.engine.burst_light import find_scenes
from pipeline.engine.jobs import Planned, Planner, Shoot
from pipeline.engine.measure import MeasuredFrame, measure_frames, octets
from pipeline.engine.pacing.pace import spread
from pipeline.engine.pacing.sample import Weight, foretold, middle_of, not_measured, representative
from pipeline.engine.render import Job, render
from pipeline.engine.solve import solve
from pipeline.errors import EvencourtError, trace
from pipeline.store.store import Store
from pipeline.store.watch import raise_if_full
from pipeline.types import Burst
from pipeline.workers.executors import Workers, map_unordered, parallel


@dataclass(frozen=True)
class TrialRules:
    """Chosen by trial on generated evenings (`python -m tests.scale`), no source. They decide no pixel."""

    worth: int = 200  # frames still to render, from which knowing the time is worth the trial
    hurried: int = 8  # the same where the run must end at an hour; then no more than
    share: int = 8  # every so many frames is tried
    foreseen: int = 6  # frames that --dry-run renders, or as many as keep every worker busy twice
    bursts: int = 6  # that are tried, or more of them until they have
    frames: int = 24  # so many frames
    longest: int = 10  # frames of a burst that are measured, which is not done in vain, and
    rendered: int = 4  # that are rendered, which is
    beside: float = 3.0  # times that a frame takes at the most as long as its measuring
    look: float = 0.1  # s a burst that looking for cards and charts takes a worker
    settle: float = 0.05  # of what planning takes: texts of earlier files, the record, the report
    record: float = 0.8
    report: float = 1.0


RULES = TrialRules()
_FOLDER = "trial"  # in OUT/.work, where the workers of a cluster see it too


@dataclass(frozen=True)
class Trial:
    """What a trial foretells; nothing where little is left to do.

    seconds  phase -> how long it will take, in the order of the run
    render   frame -> how long its render takes a worker, seconds
    """

    seconds: dict[str, float] = field(default_factory=dict)
    render: dict[str, float] = field(default_factory=dict)


def try_out(store: Store, planner: Planner, workers: Workers, asked: Collection[str], hurried: bool = False) -> Trial:
    """Measure, solve, plan and render a few frames.

    asked    names of the frames that are to be delivered, if they may be
    hurried  the run must end at an hour: a small shoot is tried too, by few frames

    What is measured is kept; pictures are rendered into a folder that goes again. Raises OSError where OUT fails.
    """
    shutil.rmtree(store.work / _FOLDER, ignore_errors=True)  # of a run that was killed: somebody may be shown there
    shoot, recipe, many = planner.shoot, planner.recipe, parallel(workers)
    frames = len(shoot.frames)
    waiting = len(asked) - len(store.names("done")) // max(1, len(recipe.written))
    if waiting < (RULES.hurried if hurried else RULES.worth):
        return Trial()
    weights = {frame.name: Weight.of(frame) for frame in shoot.frames}
    due = {f.name for f in not_measured(store, shoot.frames, shoot.facts, shoot.models)}
    bursts = _chosen(shoot, weights, due, waiting)
    names = {name for burst in bursts for name in burst.frames}
    some = [frame for frame in shoot.frames if frame.name in names]
    first = {frame.name for frame in spread([f for f in some if f.name in due])[:many]}
    came: list[tuple[float, MeasuredFrame]] = []
    for one in measure_frames(store, some, shoot.facts, shoot.models, workers):
        came.append((time.perf_counter(), one))
    more = _beside(came, many) if names <= due else 1.0
    measured = [one for _, one in came]
    measured = [one for one in sorted(measured, key=lambda one: some.index(one.frame)) if not one.error]
    if not measured:
        return Trial()
    light = [_seconds_of_light(store, measured, burst, workers) for burst in bursts]
    solved, wrote, planned = _seconds_in_parent(store, planner, measured, bursts, workers)
    if not planned:
        return Trial()
    took = _seconds_to_render(store, planned, bursts, workers, many)
    if not took:
        return Trial()
    measuring = {one.frame.name: one.seconds for one in measured}
    due -= measuring.keys()
    measuring = {name: seconds for name, seconds in measuring.items() if name not in first} or measuring
    later = slice(1, None) if len(bursts) > 1 else slice(None)
    of_light = sum(light[later]) / sum(len(b.frames) for b in bursts[later])
    dark = sum(len(b.frames) for b in shoot.bursts if not due.isdisjoint(b.frames))  # whose light is not found yet
    unseen = 0 if shoot.facts.references else len(shoot.bursts) - len(store.names("references"))
    share = len(planned) / len(measured) * waiting / len(asked)
    renders = foretold(took, weights, asked)
    seconds = {
        "measure": more * sum(foretold(measuring, weights, due).values()) / many,
        "light": of_light * dark / many,
        "references": RULES.look * max(0, unseen) / many,
        "solve": solved * frames,
        "plan": wrote * frames,
        "render": sum(renders.values()) * share / many,
        "settle": RULES.settle * wrote * frames,
        "record": RULES.record * wrote * frames,
        "report": RULES.report * wrote * frames,
    }
    return Trial(seconds, renders)


def _chosen(shoot: Shoot, weights: Mapping[str, Weight], due: set[str], waiting: int) -> list[Burst]:
    """The bursts to try, of those that are still to be measured where there are any, by their middle frames.

    due  names of frames that are not measured yet; waiting  how many pictures are still to be delivered
    """
    of = [burst for burst in shoot.bursts if not due.isdisjoint(burst.frames)] or shoot.bursts
    bursts = representative(of, weights, RULES.longest, RULES.bursts, RULES.frames)
    if waiting >= RULES.worth:
        return bursts
    few = max(2, waiting // RULES.share)
    longest = max(1, few // min(len(bursts), few))
    return [middle_of(b, longest) for b in bursts[:few]]


def _seconds_to_render(
    store: Store, planned: Planned, bursts: Sequence[Burst], workers: Workers, many: int
) -> dict[str, float]:
    """Frame -> how long its render took, of some frames; not of the first of each worker where others came too."""
    shown = {name for b in bursts for name in middle_of(b, RULES.rendered).frames}
    trial = {name: job for name, (job, _) in planned.items() if name in shown}
    rendered = _rendered(store, list(trial.values()), workers)
    warm = {at: seconds for at, seconds in rendered.items() if at >= many} or rendered
    return {list(trial)[at]: seconds for at, seconds in warm.items()}


def _beside(came: Sequence[tuple[float, MeasuredFrame]], many: int) -> float:
    """How many times as long frames take as their measuring does: they are also packed, written, and noted here.

    came  when each was there; the first of each worker, for which it loads its libraries, say nothing
    """
    if len(came) <= 2 * many:
        return 1.0
    passed = came[-1][0] - came[many - 1][0]
    measuring = sum(one.seconds for _, one in came[many:]) / many
    return min(max(passed / measuring, 1.0), RULES.beside) if measuring > 0 else 1.0


def _seconds_in_parent(
    store: Store, planner: Planner, measured: Sequence[MeasuredFrame], bursts: Sequence[Burst], workers: Workers
) -> tuple[float, float, Planned]:
    """(seconds a frame of solve and of plan, what is planned). The first burst by itself loads what both need."""
    planned: Planned = {}
    solved = wrote = 0.0
    for part in (bursts[:1], bursts[1:] or bursts):
        names = {name for burst in part for name in burst.frames}
        own = [one for one in measured if one.frame.name in names]
        if not own:
            continue
        start = time.perf_counter()
        plan = solve(store, own, part, planner.shoot.facts, planner.recipe, workers)
        middle = time.perf_counter()
        try:
            planned = {**planned, **planner.plan(own, plan)[0]}
        except EvencourtError:
            return solved, wrote, {}
        wrote = (time.perf_counter() - middle) / len(own)
        solved = (middle - start) / len(own)
    return solved, wrote, planned


def seconds_to_render(store: Store, jobs: Sequence[Job], workers: Workers) -> float:
    """Seconds that rendering one frame takes a worker here and now: some, spread over all, are rendered into the folder
    of a scratch store. 0 where none can be. Raises OSError where the disk is full."""
    some = spread(jobs)[: max(RULES.foreseen, 2 * parallel(workers))]
    try:
        return statistics.fmean(_rendered(store, some, workers).values() or [0.0])
    except Exception as error:  # it is only a guess
        raise_if_full(error)
        trace(error)
        return 0.0


def _seconds_of_light(store: Store, measured: Sequence[MeasuredFrame], burst: Burst, workers: Workers) -> float:
    start = time.perf_counter()
    find_scenes(store, measured, [burst], workers)  # in a worker: this process needs none of its libraries
    return time.perf_counter() - start


def _rendered(store: Store, jobs: Sequence[Job], workers: Workers) -> dict[int, float]:
    """Index of a job -> seconds that it took where it ran."""
    folder = store.work / _FOLDER
    (folder / ".work" / "thumbs").mkdir(parents=True)  # small pictures take a part of the time
    try:
        trial = [replace(job, to=folder) for job in jobs]
        results = list(map_unordered(_timed, trial, workers, size=octets))
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return {index: result for index, result in results if isinstance(result, float)}


def _timed(job: Job) -> float:
    start = time.perf_counter()
    render(job)
    return time.perf_counter() - start
