"""What is to become of each frame: measured, solved and planned, before anything is rendered.

A run begins with it. `check` and `run --dry-run` end with it, so what they announce is what a run does.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass

from pipeline.engine.earlier import DeliveredFile
from pipeline.engine.filenames import holds_withheld
from pipeline.engine.jobs import Planned, Planner, Shoot
from pipeline.engine.measure import MeasuredFrame, measure_frames
from pipeline.engine.record import Made, RunLog, build
from pipeline.engine.sending import refuse_unplaced, refuse_unready
from pipeline.engine.solve import Plan, solve
from pipeline.errors import InputError
from pipeline.recipe.recipe import Recipe
from pipeline.report.record import RunRecord
from pipeline.store.store import Store

Progress = Callable[[str, int, int], None]  # phase, done, total


@dataclass(frozen=True)
class Decided:
    """measured_frames  of the whole shoot, in its order; planned  frame -> its job and outputs"""

    measured_frames: list[MeasuredFrame]
    plan: Plan
    planned: Planned


def refuse(recipe: Recipe, shoot: Shoot) -> None:
    """Raises InputError for what makes a run of this recipe over this shoot impossible or harmful as a whole."""
    for delivery in recipe.deliveries:  # its folder, its zip and the place it is pushed to have this name
        if holds_withheld(delivery.name, shoot.facts):
            raise InputError(f"delivery {delivery.name}: holds a name of the roster that is withheld; rename it")
    refuse_unready(recipe)
    refuse_unplaced(recipe, shoot)


def measure_shoot(
    store: Store, shoot: Shoot, workers: int, progress: Progress, executor: Executor | None = None
) -> list[MeasuredFrame]:
    """Measure all frames; the result is in the order of the shoot. Raises OSError where the disk is full."""
    found: dict[str, MeasuredFrame] = {}
    for one in measure_frames(store, shoot.frames, shoot.facts, shoot.models, workers, executor):
        found[one.frame.name] = one
        progress("measure", len(found), len(shoot.frames))
    return [found[f.name] for f in shoot.frames]


def decide(
    store: Store, planner: Planner, log: RunLog, workers: int, progress: Progress, executor: Executor | None = None
) -> Decided:
    """Measure, solve and plan. Frames that fail are in `log`, with their reason, and so is the time of each phase.

    Raises InputError where a template of file names fails, OSError where the disk is full.
    """
    shoot, recipe = planner.shoot, planner.recipe
    _ = planner.names  # raises where a name template fails: before the night's work, not after
    start = time.perf_counter()
    measured_frames = measure_shoot(store, shoot, workers, progress, executor)
    log.failed |= {s.frame.name: s.error for s in measured_frames if s.error}
    log.seconds["measure"] = time.perf_counter() - start
    start = time.perf_counter()
    plan = solve(store, measured_frames, shoot.bursts, shoot.facts, recipe, workers, executor)
    log.seconds["solve"] = time.perf_counter() - start
    planned, failed = planner.plan(measured_frames, plan)
    log.failed |= failed
    return Decided(measured_frames, plan, planned)


def foresee(
    store: Store, shoot: Shoot, recipe: Recipe, workers: int, progress: Progress
) -> tuple[RunRecord, list[MeasuredFrame]]:
    """(the record that a run into an empty folder would have if every render went well, all frames as measured).

    Its files have names and texts, and neither bytes nor pixels. Raises as `refuse` and `decide`.
    """
    refuse(recipe, shoot)
    log = RunLog(dict(shoot.missing))
    decided = decide(store, Planner(store.out, shoot, recipe), log, workers, progress)
    files = [d.output for _, delivered in decided.planned.values() for d in delivered]
    made = Made({o.relative: DeliveredFile(o.relative, o.key, "", 0, 0, 0, 0, "", "") for o in files})
    record = build(log, shoot, recipe, decided.measured_frames, decided.plan, decided.planned, made)
    return record, decided.measured_frames
