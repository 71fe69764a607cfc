"""What is to become of each frame: measured, solved and planned, before anything is rendered.

A run begins with it. `check` and `run --dry-run` end with it, so what they announce is what a run does.
"""

from __future__ import annotations

from dataclasses import dataclass
from fnmatch import fnmatch
from functools import partial
from pathlib import Path

from pipeline.engine.burst_light import find_scenes
from pipeline.engine.earlier import DeliveredFile
from pipeline.engine.filenames import holds_withheld
from pipeline.engine.jobs import Planned, Planner, Shoot
from pipeline.engine.kept.deleted_frames import deleted_frames
from pipeline.engine.kept.source import refuse_other_facts
from pipeline.engine.measure import MeasuredFrame, measure_frames
from pipeline.engine.pacing.pace import Pace
from pipeline.engine.pacing.phases import Phases
from pipeline.engine.pacing.trial import try_out
from pipeline.engine.recipients import for_shoot
from pipeline.engine.record import Made, RunLog, build
from pipeline.engine.render import Job
from pipeline.engine.sending import refuse_unplaced, refuse_unready
from pipeline.engine.solve import Plan, solve
from pipeline.engine.tables.reference_proposals import reference_proposals
from pipeline.engine.tables.selection import refuse_typed
from pipeline.errors import InputError, RunStoppedError
from pipeline.imaging.memory import give_back_memory
from pipeline.recipe.recipe import Recipe
from pipeline.report.record import RunRecord
from pipeline.shoot.scan import refuse_photographs
from pipeline.store.places import OWN_FILES, REPORT_FOLDER, SMALL, refuse_inside, refuse_links
from pipeline.store.store import Store
from pipeline.store.watch import surviving
from pipeline.types import Progress
from pipeline.workers.executors import Workers


@dataclass(frozen=True)
class Decided:
    """measured_frames  of the whole shoot, in its order; planned  frame -> its job and outputs"""

    measured_frames: list[MeasuredFrame]
    plan: Plan
    planned: Planned


def matches(name: str, only: str | None) -> bool:
    """Whether a frame's name, with or without its folder, is like the pattern `only` (fnmatch); None: any name is."""
    return only is None or fnmatch(name, only) or fnmatch(name.rsplit("/", 1)[-1], only)


def refuse(recipe: Recipe, shoot: Shoot, only: str | None = None, out: Path | None = None) -> None:
    """Raises InputError for what makes a run of this recipe over this shoot impossible or harmful as a whole.

    only  pattern of frame names, None for all; out  where the run would write, None where that is not known yet
    """
    if not any(matches(f.name, only) for f in shoot.frames):
        raise InputError(f"--only {only}: no frame of the shoot has a name like that; one is {shoot.frames[0].name}")
    if out is not None:
        refuse_inside(out, shoot.folder)
        folders = [path for d in recipe.deliveries for path in (d.written.name, d.name, f"{d.name}/{SMALL}")]
        refuse_links(out, (*OWN_FILES, REPORT_FOLDER, *dict.fromkeys(folders)))
        refuse_photographs(out)
        folder = shoot.folder.resolve()
        if (out / REPORT_FOLDER).resolve() in (folder, *folder.parents):
            raise InputError(
                f"{out / REPORT_FOLDER}: holds the shoot, and the report's pictures lie there; choose another --out"
            )
    for delivery in recipe.written:  # its folder, its zip and the place it is pushed to have this name
        if holds_withheld(delivery.name, shoot.facts):
            raise InputError(f"delivery {delivery.name}: holds a name of the roster that is withheld; rename it")
        folder = shoot.folder.resolve()
        if out is not None and (out / delivery.name).resolve() in (folder, *folder.parents):
            raise InputError(f"delivery {delivery.name}: {out / delivery.name} holds the shoot; choose another --out")
    if out is not None:
        refuse_typed(shoot, out)
    refuse_unready(recipe)


def measure_shoot(
    store: Store,
    shoot: Shoot,
    workers: Workers,
    progress: Progress,
    pace: Pace | None = None,
    phases: Phases | None = None,
) -> list[MeasuredFrame]:
    """Measure all frames, in the order of the shoot, the light of their bursts, and where no references are named what
    may be some: this command needs it, or the next.

    Raises as `measure_frames`, OSError, and RunStoppedError where the hour that `pace` keeps has come.
    """
    pace, phases = pace or Pace(), phases or Phases()
    found: dict[str, MeasuredFrame] = {}
    total = len(shoot.frames)

    def began(waiting: int) -> None:
        pace.begin("measure", waiting)

    phases.begin("measure")
    pace.begin("measure")
    for one in measure_frames(store, shoot.frames, shoot.facts, shoot.models, workers, began):
        found[one.frame.name] = one
        pace.advance()
        progress("measure", len(found), total)
        _stop_in_time(pace, "measured", len(found), total)
    measured_frames = [found[f.name] for f in shoot.frames]

    def of_light(done: int, frames: int) -> None:
        if not done:
            pace.begin("light", frames)
        pace.advance(done - pace.done)
        progress("light", done, frames)
        _stop_in_time(pace, "compared", done, frames)

    phases.begin("burst light")
    pace.begin("light")
    with surviving():  # ahead of time: whoever uses it asks again, and says what failed
        find_scenes(store, measured_frames, shoot.bursts, workers, of_light)
        if not shoot.facts.references:
            pace.begin("references")
            looked = partial(progress, "cards")
            reference_proposals(store, measured_frames, shoot.bursts, workers, looked)
    store.stop_if_lost()
    return measured_frames


def _stop_in_time(pace: Pace, what: str, done: int, total: int) -> None:
    pace.warn(total)
    if pace.is_over(total) and done < total:
        raise RunStoppedError(
            f"{pace.hour()} has come while the frames were being {what} ({done:,} of {total:,}), so none is delivered "
            "by this run; run the same command again to go on"
        )


def decide(
    store: Store,
    planner: Planner,
    log: RunLog,
    workers: Workers,
    progress: Progress,
    pace: Pace | None = None,
    only: str | None = None,
) -> Decided:
    """Measure, solve and plan. Frames that fail are in `log`, with their reason, and so is the time of each phase.

    pace  None where nobody waits for the end; only  pattern of the frames that will be rendered, None for all

    Raises InputError where a template of file names fails, RunStoppedError where a folder is lost or full or the hour
    that `pace` keeps has come, OSError.
    """
    shoot, recipe, phases = planner.shoot, planner.recipe, log.phases
    _ = planner.names  # raises where a name template fails: before the night's work, not after
    if pace is not None:
        phases.begin("trial")
        with surviving():  # the night can do without
            asked = [frame.name for frame in shoot.frames if matches(frame.name, only)]
            trial = try_out(store, planner, workers, asked, hurried=pace.deadline is not None)
            pace.expect(trial.seconds, trial.render)
        pace.warn(len(shoot.frames))
    measured_frames = measure_shoot(store, shoot, workers, progress, pace, phases)
    log.failed |= {s.frame.name: s.error for s in measured_frames if s.error}
    phases.begin("solve")
    pace = pace or Pace()
    pace.begin("solve")
    plan = solve(store, measured_frames, shoot.bursts, shoot.facts, recipe, workers, partial(progress, "people"))
    store.stop_if_lost()  # each step would only say that what was measured has gone
    give_back_memory()
    phases.begin("plan")
    pace.begin("plan")
    planned, failed = planner.plan(measured_frames, plan)
    log.failed |= failed
    give_back_memory()
    phases.begin("")
    return Decided(measured_frames, plan, planned)


def foresee(
    store: Store,
    shoot: Shoot,
    recipe: Recipe,
    workers: Workers,
    progress: Progress,
    only: str | None = None,
    out: Path | None = None,
) -> tuple[RunRecord, dict[str, Job]]:
    """(the record that a run into an empty folder would have if every render went well, frame -> its render job).

    only, out  as for `refuse`. The files of the record have names and texts, and neither bytes nor pixels. What only
    shows when a frame is rendered, such as a picture that does not fit into at_most, is not foreseen.

    Raises as `refuse` and `decide`.
    """
    recipe = for_shoot(recipe, shoot.facts)
    refuse(recipe, shoot, only, out)
    if out is not None:
        refuse_other_facts(Store(out), shoot)
    unplaced = deleted_frames(Store(out), shoot).unplaced if out is not None else shoot.facts.unplaced
    refuse_unplaced(recipe, unplaced)
    log = RunLog(shoot.failures(), failed_steps=shoot.failed_steps())
    decided = decide(store, Planner(store.out, shoot, recipe), log, workers, progress)
    log.failed = {name: why for name, why in log.failed.items() if matches(name, only)}
    files = [d.output for name, (_, delivered) in decided.planned.items() if matches(name, only) for d in delivered]
    made = Made({o.relative: DeliveredFile(o.relative, o.key, "", 0, 0, 0, 0, "", "") for o in files})
    record = build(log, shoot, recipe, decided.measured_frames, decided.plan, decided.planned, made)
    return record, {name: job for name, (job, _) in decided.planned.items() if matches(name, only)}
