"""The record of a run, built from what it planned and did."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pipeline import __version__
from pipeline.engine.earlier import DeliveredFile
from pipeline.engine.jobs import Delivered, Planned, Shoot
from pipeline.engine.measure import MeasuredFrame
from pipeline.engine.pacing.phases import Phases
from pipeline.engine.render import Job, kept_box
from pipeline.engine.solve import Plan
from pipeline.engine.thumbs import before_thumb, large_thumb
from pipeline.errors import InputError, in_short, trace
from pipeline.people.observe import FrameObservation
from pipeline.recipe.recipe import Recipe, flatten_yaml
from pipeline.report.kept_frames import KeptFrames, read_head
from pipeline.report.record import (
    Counts,
    FileRecord,
    FrameRecord,
    ObservationRecord,
    RunRecord,
    SentRecord,
    Status,
    read_record,
)
from pipeline.shoot.consent import BESIDE, beside_withheld
from pipeline.shoot.facts import nobody_known, nobody_named, without_rows
from pipeline.shoot.pairs import kind_of_twin
from pipeline.store.keys import environment
from pipeline.textfile.messages import and_more, counted


@dataclass
class RunLog:
    """What a run did so far.

    failed  frame -> reason; stopped  why the run ended early, "" where it did not; phases  how long each takes
    rendered  frames that were rendered; failed_steps  as in the record
    short  the hour that came before all was done, "" for none; moved  notices on files that were set aside
    """

    failed: dict[str, str] = field(default_factory=dict)
    stopped: str = ""
    short: str = ""
    phases: Phases = field(default_factory=Phases)
    notices: list[str] = field(default_factory=list)
    rendered: int = 0
    failed_steps: dict[str, str] = field(default_factory=dict)
    moved: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Made:
    """The delivered files.

    files  posix path below OUT -> record of each; reused  that were there already; rewritten  that got new texts
    """

    files: Mapping[str, DeliveredFile]
    reused: int = 0
    rewritten: int = 0


def build(
    log: RunLog,
    shoot: Shoot,
    recipe: Recipe,
    measured_frames: Sequence[MeasuredFrame],
    plan: Plan,
    planned: Planned,
    made: Made,
    finish: Callable[[MeasuredFrame, FrameRecord], None] = lambda one, entry: None,
) -> RunRecord:
    """The record of a run.

    recipe  without withheld names, see redaction.py; planned  frame -> its job and outputs, see jobs.Planner.plan
    finish  adds to a frame's record what it does not have yet
    """
    burst = {name: i for i, b in enumerate(shoot.bursts) for name in b.frames}
    frames = KeptFrames()
    counts = _Counting(Counts(rendered=log.rendered, reused=made.reused, captions_rewritten=made.rewritten))
    for one in measured_frames:
        name = one.frame.name
        entry = _frame(one, recipe, plan, planned.get(name), made.files)
        entry.burst = burst[name]
        entry.rated = shoot.facts.row(name).rating
        entry.consent = shoot.for_consent(name)
        entry.status, entry.reason = _status(log, shoot, recipe, plan, planned.get(name), entry, name)
        if entry.status == "held":  # nobody sees its crop, so that there is nothing to look at
            entry.notices = list(one.notices)
        finish(one, entry)
        frames.put(name, entry)
        counts.add(shoot, name, entry)
    for name, why in shoot.lost:
        entry = FrameRecord(name, "failed" if name in log.failed else "undone", why)
        frames.put(name, entry)
        counts.statuses[entry.status] += 1
    counts.sum_up(len(frames), sum(name in log.failed for name, _ in shoot.missing))
    notices = _notices(log, shoot, measured_frames, frames, counts.goes_out)
    for name, why in shoot.missing:
        frames.put(name, FrameRecord("", "failed" if name in log.failed else "undone", why))
    return RunRecord(
        evencourt=__version__,
        state="stopped" if log.stopped else "done",
        stopped=log.stopped,
        title=shoot.facts.title or shoot.folder.name,
        recipe=Path(recipe.file).name,
        recipe_flat=flatten_yaml(recipe),
        counts=counts.counts,
        seconds=log.phases.rounded(),
        environment=environment(),
        models=shoot.models.digest,
        hall_memory=shoot.facts.remembered.digest if shoot.facts.remembered is not None else "",
        notices=[*notices, *_from_twins(shoot, measured_frames), *plan.notices, *log.notices],
        bursts=[list(b.frames) for b in shoot.bursts],
        frames=frames,
        failed_steps={**plan.failed, **log.failed_steps},
    )


@dataclass
class _Counting:
    """Counts of a record in the making. goes_out  frames that were delivered to anywhere"""

    counts: Counts
    statuses: Counter[Status] = field(default_factory=Counter)
    goes_out: list[str] = field(default_factory=list)

    def add(self, shoot: Shoot, name: str, entry: FrameRecord) -> None:
        """Count a frame that was measured."""
        counts = self.counts
        self.statuses[entry.status] += 1
        self.goes_out += [name] if entry.deliveries else []
        if entry.status == "held" and shoot.facts.row(name).keep:
            is_wrong = shoot.for_wrong_line(name)
            counts.wrong_lines, counts.consent = counts.wrong_lines + is_wrong, counts.consent + (not is_wrong)
        counts.files += len(entry.deliveries)

    def sum_up(self, frames: int, unmatched_rows: int) -> None:
        """When all are counted. unmatched_rows  of tables, that name no frame and failed"""
        counts, statuses = self.counts, self.statuses
        counts.frames = frames
        counts.delivered, counts.failed, counts.held = (statuses[s] for s in ("delivered", "failed", "held"))
        counts.left_out, counts.undone = statuses["left out"], statuses["undone"]
        counts.unmatched_rows = unmatched_rows
        counts.failed += unmatched_rows


def _notices(
    log: RunLog, shoot: Shoot, measured_frames: Sequence[MeasuredFrame], frames: KeptFrames, goes_out: Sequence[str]
) -> list[str]:
    """Notices of the shoot and its facts, what may harm somebody first."""
    of_facts = [
        *nobody_known(shoot.facts), *nobody_named(shoot.facts, goes_out), *without_rows(shoot.facts)
    ]  # fmt: skip
    # Of a frame that cannot be read the reason says it all.
    needless = {f"{one.frame.name}: {text}" for one in measured_frames if one.error for text in one.frame.exif.notices}
    of_shoot = [text for text in shoot.notices if text not in needless]
    return [*_beside_withheld(shoot, frames), *of_facts, *log.moved, *of_shoot]


def undone(planned: Planned, record: RunRecord) -> dict[str, int]:
    """Delivery -> how many of its files are still to be made, where any are; not those of frames that failed."""
    missing: dict[str, int] = {}
    for name, (_, delivered) in planned.items() if record.counts.undone else ():
        entry = record.frames[name]
        for one in delivered if entry.status == "undone" else ():
            delivery = one.output.delivery.name
            if delivery not in entry.deliveries or not entry.deliveries[delivery].current:
                missing[delivery] = missing.get(delivery, 0) + 1
    return missing


def _beside_withheld(shoot: Shoot, frames: Mapping[str, FrameRecord]) -> list[str]:
    """A notice on each delivered frame that may show whoever is withheld in another frame of its burst."""

    def goes_out(name: str) -> bool:
        return not shoot.facts.row(name).players and bool(frames[name].deliveries)

    return [f"{name}: {BESIDE}" for name in beside_withheld(shoot.bursts, shoot.shows_withheld, goes_out)]


def _from_twins(shoot: Shoot, measured_frames: Sequence[MeasuredFrame]) -> list[str]:
    """Says which frames are not made from the file that was to be used; the report says why of each."""
    files = {frame.name: frame for frame in shoot.frames}
    names = [one.frame.name for one in measured_frames if one.frame.path != files[one.frame.name].path]
    kinds = sorted({kind_of_twin(one.frame.relative) for one in measured_frames if one.frame.name in names})
    return (
        [f"{and_more(names)}: the raw is damaged or cannot be read now, and its {' or '.join(kinds)} is used"]
        if names
        else []
    )


def _frame(
    one: MeasuredFrame,
    recipe: Recipe,
    plan: Plan,
    planned: tuple[Job, list[Delivered]] | None,
    files: Mapping[str, DeliveredFile],
) -> FrameRecord:
    exif, name = one.frame.exif, one.frame.name
    parted = [d for d in recipe.deliveries if d.whole is not None and plan.left_out(recipe, d, name)]
    # For whom a frame is not, of 40 players say, is not written down; which folders it went to is.
    apart = {d.label(bound) for d in parted for bound in d.steps if bound.step.parted is not None}
    entry = FrameRecord(
        relative=one.frame.relative,
        status="undone",
        time=exif.time.isoformat() if exif.time else None,
        iso=exif.iso,
        exposure_time=exif.exposure_time,
        camera=exif.camera,
        solutions={label: v[name].as_json() for label, v in plan.solutions.items() if name in v and label not in apart},
        decisions=list(_decisions(recipe, plan, name)),
        rank=plan.ranks.get(name),
        notices=[*one.notices, *plan.notices_by_frame.get(name, ())],
    )
    for each in planned[1] if planned else []:
        done = files.get(each.output.relative)
        if done is None:
            continue
        if planned:
            entry.before, entry.large = before_thumb(planned[0].thumbs), large_thumb(planned[0].thumbs)
        entry.deliveries[each.output.delivery.name] = FileRecord(
            file=each.output.relative,
            sha256=done.sha256,
            bytes=done.bytes,
            width=done.width,
            height=done.height,
            quality=done.quality,
            thumb=done.thumb,
            current=done.current,
            caption=each.caption,
            alt_text=each.alt_text,
            headline=each.headline,
            notices=[*each.notices, *done.notices],
            crop=[round(v, 5) for v in kept_box(each.output.delivery, plan, name, *one.full_size)],
            persons=list(each.output.metadata.persons) if each.output.metadata else [],
            light=done.light,
            light_before=done.light_before,
        )
    return entry


def _decisions(recipe: Recipe, plan: Plan, frame: str) -> Iterator[str]:
    """What each step decided for a frame, one sentence a step."""
    labelled = dict(recipe.labelled())
    for delivery in recipe.written:
        labelled |= dict(recipe.labelled(delivery))
    for label, bound in labelled.items():
        solution = plan.of(label, frame)
        if bound.step.in_words is None or solution is None:
            continue
        try:
            text = bound.step.in_words(solution)
        except Exception as error:  # a sentence is not worth the record of a night
            trace(error)
            text = f"cannot be said ({in_short(error)})"
        if text:
            yield f"{label.replace('_', ' ').replace('/', ' ').capitalize()}: {text}"


def _status(
    log: RunLog,
    shoot: Shoot,
    recipe: Recipe,
    plan: Plan,
    planned: tuple[Job, list[Delivered]] | None,
    entry: FrameRecord,
    name: str,
) -> tuple[Status, str]:
    """A frame's status, and the reason where it is not delivered."""
    if name in log.failed:
        return "failed", log.failed[name]
    if why := shoot.withheld(name):
        return "held", why
    reasons = [plan.left_out(recipe, delivery, name) for delivery in recipe.deliveries]
    if all(reasons):
        return "left out", "; ".join(dict.fromkeys(text for some in reasons for text in some))
    whole = planned is not None and len(entry.deliveries) == len(planned[1])
    return "delivered" if whole else "undone", ""


def is_clean(record: RunRecord) -> bool:
    """Whether a run did all that it was asked for."""
    counts = record.counts
    return record.state == "done" and not (counts.failed or counts.undone or record.failed_steps or record.problems())


def ended_early(hour: str, record: RunRecord) -> str:
    """What a run that ended at its hour says of itself."""
    done, wanted = record.counts.delivered, record.counts.delivered + record.counts.undone
    return (
        f"{hour} has come: {done:,} of {counted(wanted, 'frame')} delivered, {record.counts.undone:,} not done; "
        "run the same command again to finish them"
    )


def sent_before(out: Path) -> dict[str, SentRecord]:
    """What the record of the run before says was made and sent; a damaged one says nothing."""
    try:
        before = read_head(out) or read_record(out)
    except (OSError, ValueError, InputError):
        return {}
    return before.sent if before is not None else {}


def observations_of(measured: FrameObservation) -> ObservationRecord:
    """The people, faces and balls of a frame, rounded for the record."""
    people = measured.people
    return ObservationRecord(
        *(
            [[round(float(v), 4) for v in row[:5]] for row in rows]
            for rows in (people.people, people.faces, people.balls)
        )
    )
