"""One run from start to end: measure, solve, render, record, send. What is already done is not done again."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

from pipeline.engine import recipients
from pipeline.engine.damaged_raws import keep_damage
from pipeline.engine.decide import Decided, decide, matches, measure_shoot, refuse
from pipeline.engine.earlier import Rendered, keep_names, refuse_other_shoot
from pipeline.engine.hall.recall import keep_snapshot
from pipeline.engine.hall.remember import remember_night
from pipeline.engine.jobs import JobsInOrder, Planned, Planner, Shoot, read_shoot
from pipeline.engine.kept.manifest import write_manifest
from pipeline.engine.kept.rerender import jobs
from pipeline.engine.kept.source import keep_source
from pipeline.engine.kept.taking_back import Sent, send_watched, take_back_held, take_back_now
from pipeline.engine.kept.unchanged import is_worth, keep_unchanged, record_again, unchanged
from pipeline.engine.measure import MeasuredFrame, octets, read_measured, reason
from pipeline.engine.outputs import Outputs
from pipeline.engine.pacing.pace import Pace
from pipeline.engine.pacing.priority import by_priority
from pipeline.engine.record import Made, RunLog, build, ended_early, is_clean, observations_of, sent_before, undone
from pipeline.engine.redaction import Redaction
from pipeline.engine.render import Job, Moved, Refused, render
from pipeline.engine.sending import incomplete, refuse_unplaced
from pipeline.engine.tables.selection import left_notice, proposal, write_proposal
from pipeline.engine.thumbs import light_of_thumb, make_proxy_thumb, proxy_thumb, thumb_of_proxy
from pipeline.errors import AGAIN, RunStoppedError, UndecodableError
from pipeline.imaging.memory import give_back_memory
from pipeline.recipe.recipe import Recipe, flatten_yaml
from pipeline.report.html import REPORT_FILE, write_report
from pipeline.report.record import FrameRecord, RunRecord, write_record
from pipeline.shoot.read_facts import FRAMES_FILE
from pipeline.steps import crop
from pipeline.store.cache import NO_CACHE, Cache
from pipeline.store.places import resolved
from pipeline.store.store import Store
from pipeline.store.watch import surviving
from pipeline.textfile.messages import counted
from pipeline.types import Progress
from pipeline.workers.executors import Workers, map_unordered

__all__ = ["Outcome", "Progress", "Shoot", "jobs", "measure_shoot", "read_shoot", "run"]

_SENDING = "zip, page and push"
_TAKING_BACK = "taking back what may no longer be shown"
_LEAST_WORK = 0.02  # s of a render that no measurement shows: it decides only how well the time left is known


@dataclass
class Outcome:
    """What a run did.

    record  as in run.json but with every name: for the person at the keyboard only; report  path of report.html
    failed  frame -> reason
    """

    record: RunRecord
    report: Path
    failed: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class _Finished:
    """What is left to say and to send of the frames of a run.

    missing  delivery -> how many of its pictures are not done; proposed  the text of OUT/frames.csv, "" for none
    by_hand  whether a person stopped the run
    """

    record: RunRecord
    redaction: Redaction
    missing: Mapping[str, int]
    proposed: str
    by_hand: bool


class _Run:
    """The state of one run; `go` is the whole of it."""

    def __init__(
        self, store: Store, shoot: Shoot, recipe: Recipe, workers: Workers, progress: Progress, pace: Pace | None = None
    ) -> None:
        self.store, self.shoot, self.recipe = store, shoot, recipe
        self.workers, self.progress = workers, progress
        self.pace = pace or Pace()
        self.planner = Planner(store.out, shoot, recipe)
        self.outputs = Outputs(store, shoot)
        self.log = RunLog(shoot.failures(), failed_steps=shoot.failed_steps())

    def go(self, only: str | None) -> Outcome:
        """Measure, solve, render, record and send. Raises RunStoppedError where OUT or the shoot is lost, OSError."""
        if worth := is_worth(self.shoot, self.recipe, only):
            self._begin("compare")
            if (before := unchanged(self.store, self.shoot, self.recipe)) is not None:
                return self._nothing_to_do(before)
        self.take_back_first()
        try:
            finished = self._finish_frames(only)
        except BaseException:  # no record will say it
            self.outputs.say_notices(self.pace.say)
            raise
        give_back_memory()  # of a whole night's solutions
        return self._record_and_send(finished, worth)

    def take_back_first(self) -> None:
        """Who may no longer be shown goes before the night's work, not after it. Raises InputError, see
        `refuse_unplaced`, and OSError."""
        self.log.phases.begin("settle")
        unplaced: Sequence[str] = self.shoot.facts.unplaced
        left: list[str] = []
        with self._costs(_TAKING_BACK):
            taken = take_back_held(self.store, self.planner, self.outputs)
            unplaced, left = taken.unplaced, taken.problems
            if taken.unknown:
                self.log.failed_steps["earlier records"] = taken.unknown
                left = [*left, taken.unknown]
        refuse_unplaced(self.recipe, unplaced, *self.outputs.notices, *left)
        for text in left:  # not in the morning: somebody may still be shown there all night
            self.pace.say(text)

    def _finish_frames(self, only: str | None) -> _Finished:
        """Measure, solve and render, and bring in line what earlier runs left. Raises as `go`."""
        decided, by_hand = self._measure_to_render(only)
        self._settle(decided)
        # The rest was not asked for: it is undone, not failed.
        self.log.failed = {name: why for name, why in self.log.failed.items() if matches(name, only)}
        return self._recorded(decided, by_hand)

    def _measure_to_render(self, only: str | None) -> tuple[Decided, bool]:
        """What was decided, and whether a person stopped the run. Raises as `go`."""
        log = self.log
        again, by_hand = True, False
        while again:
            decided = decide(self.store, self.planner, log, self.workers, self.progress, self.pace, only)
            self._begin("render")
            keep_names(self.store, self.shoot.frames, self.shoot.facts)
            try:
                again = self._render(decided, only)
            except KeyboardInterrupt as stop:
                log.stopped = str(stop) or "stopped by hand; run the same command again to go on"
                self.store.clean_temporaries()  # of workers that were ended
                by_hand = True
            again &= not log.stopped
        self.store.stop_if_lost(shoot=False)  # what is left of its mount point must not be written to
        if log.short:
            self.store.clean_temporaries()
        if log.stopped:  # a worker may have finished a file a moment before
            self.outputs.collect(decided.planned)
        give_back_memory()
        return decided, by_hand

    def _settle(self, decided: Decided) -> None:
        """Bring in line what earlier runs left in OUT, and say so in the log."""
        log = self.log
        measured_frames, plan, planned = decided.measured_frames, decided.plan, decided.planned
        self._begin("settle")
        self.outputs.settle(
            self.planner,
            self.planner.texts(measured_frames, plan, planned),
            {*(s.frame.name for s in measured_frames), *self.shoot.index.formerly},
        )
        log.notices += self.outputs.notices
        log.moved += self.outputs.moved_notices()
        log.failed_steps |= self.outputs.failures()
        if changed := len(self.outputs.changed):
            files = counted(changed, "file that was delivered before has", "files that were delivered before have")
            log.notices.append(f"{files} changed; send {'it' if changed == 1 else 'them'} again")

    def _recorded(self, decided: Decided, by_hand: bool) -> _Finished:
        """The record of the night, not yet written. Raises as `go`."""
        log = self.log
        measured_frames, plan, planned = decided.measured_frames, decided.plan, decided.planned
        self._begin("record")
        if self.shoot.facts.hall and not log.stopped:
            with self._costs("the memory of the hall"):
                log.notices += remember_night(self.store, self.shoot, measured_frames, self.workers)
        redaction = Redaction(self.shoot)
        redacted_recipe = redaction.recipe(self.recipe)
        made = Made(self.outputs.files, self.outputs.reused, len(self.outputs.rewritten))
        if not by_hand:  # a stop has no time for that
            self._small_pictures(measured_frames, planned)

        def finish(one: MeasuredFrame, entry: FrameRecord) -> None:
            if one.error:
                return
            with self._costs("the report's small pictures"):
                entry.observations = observations_of(read_measured(self.store, one.key, crop.STEP))
                if entry.before is None and not by_hand:  # a stop has no time for that
                    entry.before = thumb_of_proxy(self.store, one.key, one.frame.kind)
                    entry.light = light_of_thumb(self.store, entry.before)

        record = build(log, self.shoot, redacted_recipe, measured_frames, plan, planned, made, finish)
        if log.short:
            log.stopped = record.stopped = ended_early(log.short, record)
        self.store.keep_recipe(flatten_yaml(self.recipe))
        record.failed_steps |= log.failed_steps
        proposed = ""
        with self._costs(f"{FRAMES_FILE} in OUT"):
            proposed = "" if by_hand else proposal(self.shoot, self.recipe, plan)
        return _Finished(record, redaction, undone(planned, record), proposed, by_hand)

    def _record_and_send(self, finished: _Finished, worth: bool) -> Outcome:
        """What comes when all frames are done. worth  whether to remember how all was. Raises as `go`."""
        log, out, record, redaction = self.log, self.store.out, finished.record, finished.redaction
        there = partial(self.store.stop_if_lost, shoot=False)
        there()
        record.sent = sent_before(out)
        if finished.by_hand:  # nothing is sent in a hurry, nor half a night
            with self._costs(_SENDING):
                self._sent(record, take_back_now(out, self.shoot, self.outputs.in_the_shoot()))
            record.failed_steps |= log.failed_steps
        redacted = redaction.record(record)
        if finished.by_hand:
            write_record(out, redacted)
            return Outcome(record, write_report(out, redacted, hurried=True), log.failed)
        write_record(out, redacted)  # the files are on record even if a push is stopped by hand
        self._begin("deliver")
        missing = finished.missing
        with self._costs(_SENDING):
            current = self.outputs.in_the_shoot()
            self._sent(record, send_watched(self.planner, record.frames, current, self.progress, there, missing))
        self._begin("record")
        record.notices += incomplete(self.recipe, missing, record)
        record.notices += [*recipients.notices(self.store, self.shoot.facts), *self.store.damage_notice()]
        left = FRAMES_FILE  # where it is not known whether a person typed in it, it is not written over
        with self._costs(f"{FRAMES_FILE} in OUT"):
            left = left_notice(self.store)
            record.notices += [left] if left else []
        record.failed_steps |= log.failed_steps
        redacted = redaction.again(record, redacted)
        there()
        write_record(out, redacted)
        if finished.proposed and not left:
            with self._costs(f"{FRAMES_FILE} in OUT"):
                write_proposal(self.store, finished.proposed)
        self._begin("report")
        with self._costs("the report"):
            write_report(out, redacted)
        if log.failed_steps.keys() - record.failed_steps.keys():
            record.failed_steps |= log.failed_steps
            write_record(out, redaction.again(record, redacted))
        with self._costs("the list for verify"):
            delivered = {relative: entry.sha256 for relative, entry in self.outputs.files.items()}
            delivered |= {name: one.sha256 for entry in record.sent.values() for name, one in entry.files.items()}
            write_manifest(self.store, delivered)
        told = self.outputs.changed or self.outputs.notices or self.outputs.moved or self.store.damaged
        if worth and not redaction.changed and is_clean(record) and not told:
            keep_unchanged(self.store, self.shoot, self.recipe)
        self.log.phases.begin("")
        return Outcome(record, out / REPORT_FILE, log.failed)

    def _sent(self, record: RunRecord, sent: Sent) -> None:
        record.sent = sent.records(record.sent, self.store.out)
        record.notices += sent.notices
        if sent.why:
            self.log.failed_steps[_SENDING] = sent.why

    def _nothing_to_do(self, before: RunRecord) -> Outcome:
        """What a run did over which nothing has changed since the one `before`."""
        counts = replace(before.counts, rendered=0, reused=before.counts.files, captions_rewritten=0)
        sent = {
            name: replace(one, files={path: replace(file, reused=True) for path, file in one.files.items()})
            for name, one in before.sent.items()
        }
        self.log.phases.begin("")
        record = replace(before, counts=counts, sent=sent, seconds=self.log.phases.rounded())
        record_again(self.store, self.shoot, self.recipe, record)
        return Outcome(record, self.store.out / REPORT_FILE)

    def _begin(self, phase: str) -> None:
        self.log.phases.begin(phase)
        self.pace.begin(phase)

    @contextmanager
    def _costs(self, what: str) -> Iterator[None]:
        """Where something beside the pictures fails, the run does without it and says so. Raises OSError where the
        disk is full."""
        with surviving(lambda why: self.log.failed_steps.update({what: f"{what} could not be made ({why}); {AGAIN}"})):
            yield

    def _small_pictures(self, measured_frames: Sequence[MeasuredFrame], planned: Planned) -> None:
        """Make those of frames that are not rendered: in the workers, which have the libraries for it."""
        delivered = {
            name for name, (_, some) in planned.items() if any(d.output.relative in self.outputs.files for d in some)
        }
        others = [s for s in measured_frames if not s.error and s.frame.name not in delivered]
        missing = [s for s in others if self.store.get("thumbs", proxy_thumb(s.key)) is None]
        waiting = [(self.store.out, s.key, s.frame.kind) for s in missing]
        with self._costs("the report's small pictures"):
            for _ in map_unordered(make_proxy_thumb, waiting, self.workers):
                pass

    def _render(self, decided: Decided, only: str | None) -> bool:
        """Render what is missing. Outside of --only, delivered files still get their new texts, and no more is done.

        Returns whether raws with a JPEG proved to be damaged: all must be decided anew, and then they come from it.
        """
        damaged = False
        asked = {name for name in decided.planned if matches(name, only)}
        waiting = self.outputs.waiting(decided.planned, asked)
        order = by_priority(waiting, self.shoot.facts, decided.plan.ranks)
        todo = JobsInOrder(order, waiting, decided.planned, self.store)
        # Without a trial, what a frame took to measure says how its render compares with others'.
        took = self.pace.render or {one.frame.name: one.seconds + _LEAST_WORK for one in decided.measured_frames}
        self.pace.begin("render", sum(took[name] for name in waiting))
        ready, total = len(asked) - len(todo), len(asked)
        self.progress("render", ready, total)
        if todo and self._time_is_up(len(todo)):
            return False
        with closing(map_unordered(render, todo, self.workers, size=octets)) as results:
            for index, result in results:
                job = todo[index]
                ready += 1
                self.pace.advance(took[job.frame.name])
                if isinstance(result, Exception) and self._stops(result):
                    break
                if isinstance(result, UndecodableError) and job.frame.twin is not None:
                    keep_damage(self.store, self.store.frame_digest(job.frame), reason(result))
                    damaged = True
                elif isinstance(result, Exception):
                    self.log.failed[job.frame.name] = reason(result)
                else:
                    self._keep(job, result)
                self.progress("render", ready, total)
                if ready < total and self._time_is_up(total - ready):
                    break
        return damaged

    def _keep(self, job: Job, results: Sequence[Rendered | Moved | Refused]) -> None:
        """Take in what a render made of a frame."""
        texts = {o.relative: o.metadata for o in job.outputs}
        for one in results:
            if isinstance(one, Rendered):
                self.outputs.keep(one, job.frame.name, texts[one.relative])
            elif isinstance(one, Moved):
                self.outputs.moved[one.relative] = "again"
        if refused := [one.reason for one in results if isinstance(one, Refused)]:
            self.log.failed[job.frame.name] = "; ".join(refused)
        self.log.rendered += 1

    def _time_is_up(self, left: int) -> bool:
        """Whether the hour has come with `left` frames undone; says so as soon as it will."""
        self.pace.warn(left)
        if not self.pace.is_over(len(self.shoot.frames)):
            return False
        self.log.short = self.pace.hour()
        self.log.stopped = f"{self.log.short} has come"
        return True

    def _stops(self, error: Exception) -> bool:
        """Whether `error` is no frame's own: the shoot or OUT is lost. The log then says so."""
        try:
            self.store.stop_if_lost(error)
        except RunStoppedError as stop:
            self.log.stopped = str(stop)
        return bool(self.log.stopped)


def run(
    recipe: Recipe,
    shoot: Shoot,
    out: Path,
    *,
    workers: Workers,
    only: str | None = None,
    progress: Progress = lambda phase, done, total: None,
    cache: Cache = NO_CACHE,
    pace: Pace | None = None,
) -> Outcome:
    """The whole run. A bad frame is in the outcome and stops nothing.

    only      a pattern of frame names (fnmatch), None for all; progress  called with (phase, done, total)
    workers   where to measure and render
    cache     what other runs and commands measured of the same frames; pace  when the run must end, and its clock

    Raises InputError before anything starts, RunStoppedError where the disk of OUT is full or fails, the shoot is not
    there any more, or the hour has come before all is measured.
    """
    out, recipe = resolved(out), recipients.for_shoot(recipe, shoot.facts)
    refuse(recipe, shoot, only, out)
    store = Store.open(out, shoot.folder, cache)
    with store.locked():
        refuse_other_shoot(store, shoot.folder, shoot.frames)
        store.clean_temporaries()
        run = _Run(store, shoot, recipe, workers, progress, pace)
        try:
            keep_source(store, shoot, recipe, only)
            keep_snapshot(store, shoot.facts)
        except OSError:  # a full disk keeps nobody in the pictures who may no longer be shown
            run.take_back_first()
            run.outputs.say_notices(run.pace.say)
            raise
        return run.go(only)
