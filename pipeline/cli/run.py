"""evencourt run and evencourt demo."""

from __future__ import annotations

import importlib
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime, timedelta
from datetime import time as time_of_day
from pathlib import Path

import typer

from pipeline.cli.console import note, progress, say, say_lines, some, warn
from pipeline.cli.measuring import Measuring, open_cache
from pipeline.cli.models import with_models
from pipeline.cli.recipes import read_recipe
from pipeline.cli.status import print_foreseen, print_outcome, print_places, print_unused
from pipeline.engine import run as engine
from pipeline.engine.decide import foresee
from pipeline.engine.pacing.pace import Pace
from pipeline.engine.pacing.trial import seconds_to_render
from pipeline.engine.redaction import Redaction
from pipeline.engine.sending import pushed
from pipeline.errors import InputError
from pipeline.recipe.recipe import Recipe, flatten_yaml
from pipeline.store.cache import NO_CACHE, Cache
from pipeline.store.disk import absent_disk
from pipeline.store.store import Store
from pipeline.textfile.messages import counted, duration, shown
from pipeline.workers.cluster import Submitted
from pipeline.workers.executors import Workers


def run_shoot(
    recipe: Path,
    shoot: Path,
    out: Path,
    facts: Path | None,
    measuring: Measuring,
    *,
    only: str | None,
    dry_run: bool,
    finish_by: str | None = None,
) -> None:
    """Run a recipe over a shoot folder into `out`, or with `dry_run` say what would be done.

    only  pattern of frame names, None for all; finish_by  see `hour_of`, None for no such hour

    Raises InputError before anything is written, RunStoppedError where the disk is full, and typer.Exit(1) where a
    frame failed, something was not sent, or the hour came before all was done.
    """
    deadline = hour_of(finish_by, datetime.now().astimezone()) if finish_by is not None else None
    with _no_picture(), measuring.work.open() as workers, open_cache(measuring.cache, shoot) as kept:
        read = engine.read_shoot(shoot, facts, measuring.models, out, cache=kept)
        if isinstance(workers, Submitted):
            above = next(folder for folder in (out, *out.absolute().parents) if folder.exists())
            workers.refuse_unlike([read.frames[0].path.absolute(), above.absolute()])
        loaded = read_recipe(recipe)
        read = with_models(read, measuring.models, measuring.offline)
        if dry_run:
            _dry_run(loaded, read, out, workers, measuring.work.count, only, kept, deadline)
        else:
            _run(loaded, read, out, workers, only, kept, deadline)


@contextmanager
def _no_picture() -> Iterator[None]:
    """Says below what is wrong what came of it: at midnight nobody goes to bed with a night that was not begun."""
    try:
        yield
    except InputError as error:
        raise InputError(*error.lines, "no picture was made: see to that, and run the same command again") from error


def run_demo(folder: Path, measuring: Measuring) -> None:
    """Write the demonstration shoot into `folder`, where it is not there yet, and run the overnight recipe on it.

    Raises InputError where the folder holds other files.
    """
    write_demo = importlib.import_module("pipeline.fixtures.demo").write_demo
    shoot = folder / "shoot"
    if folder.exists() and any(folder.iterdir()) and not (shoot / "shoot.yaml").is_file():
        raise InputError(f"{folder}: holds other files; give a new folder for the demonstration")
    if not (shoot / "shoot.yaml").is_file():
        with progress() as report:
            write_demo(shoot, progress=lambda done, total: report("draw", done, total))
    with measuring.work.open() as workers, open_cache(measuring.cache, shoot) as kept:
        read = engine.read_shoot(shoot, None, measuring.models, cache=kept)
        read = with_models(read, measuring.models, measuring.offline)
        _run(read_recipe(), read, folder / "delivered", workers, cache=kept)


def _run(
    recipe: Recipe,
    shoot: engine.Shoot,
    out: Path,
    workers: Workers,
    only: str | None = None,
    cache: Cache = NO_CACHE,
    deadline: datetime | None = None,
) -> None:
    started, line = time.perf_counter(), Redaction(shoot).line
    some(note, [about.text for about in shoot.clock_notes], "note", " in the report")  # while they can be corrected
    some(warn, [line(f"failed: {text}") for text in shoot.failed_steps().values()], "wrong row", " in the report")
    print_unused(dict(shoot.missing), line, " in the report")
    if not Store(out).work.is_dir() and (place := absent_disk(out)) is not None:
        note(f"{place}: no disk is connected there, so {out} is written on this computer's own; if that is wrong, stop")
    pace = Pace(deadline, say=lambda text: note(line(text)))
    # How long a line to elsewhere takes nobody knows before.
    with progress(pace.left, " until files are sent" if pushed(recipe) else " in all") as report:
        outcome = engine.run(recipe, shoot, out, workers=workers, only=only, progress=report, cache=cache, pace=pace)
    said = {text for about in shoot.clock_notes for text in (about.text, about.record)}
    said |= {*shoot.failed_steps().values(), *(why for _, why in shoot.missing)}
    print_outcome(outcome.record, time.perf_counter() - started, said, line)
    print_places(outcome.record, out)
    if outcome.report.is_file():
        say(f"report     {outcome.report}")
    if outcome.record.state != "done" or outcome.failed or outcome.record.failed_steps or outcome.record.problems():
        raise typer.Exit(1)


def hour_of(written: str, now: datetime) -> datetime:
    """The moment that --finish-by names: a time of day such as 07:00, the next time that it is so by this machine's
    clock, or a date and time (ISO 8601), local where it has no offset.

    now  aware. Raises InputError for another text, and for a moment that has passed.
    """
    here = now.astimezone().replace(tzinfo=None)
    with suppress(ValueError):
        hour, _, rest = written.strip().partition(":")
        clock = time_of_day.fromisoformat(f"{hour:0>2}:{rest}" if rest else written.strip())
        if clock.tzinfo is None:
            moment = datetime.combine(here.date(), clock)
            return (moment if moment > here else moment + timedelta(days=1)).astimezone()
    try:
        moment = datetime.fromisoformat(written.strip()).astimezone()
    except (ValueError, OverflowError, OSError):
        raise InputError(
            f"--finish-by {shown(written)}: write a time of day such as 07:00, or a date and time such as "
            f"{here + timedelta(days=1):%Y-%m-%d}T07:00"
        ) from None
    if moment <= now:
        raise InputError(f"--finish-by {shown(written)}: has passed; it is {here:%Y-%m-%d %H:%M} now")
    return moment


def _dry_run(
    recipe: Recipe,
    shoot: engine.Shoot,
    out: Path,
    workers: Workers,
    count: int,
    only: str | None,
    cache: Cache,
    deadline: datetime | None = None,
) -> None:
    """As check, and about how long a run takes. Leaves nothing behind but what the cache keeps."""
    with Store.scratch(shoot.folder, cache) as store:
        start = time.perf_counter()
        with progress() as report:
            record, jobs = foresee(store, shoot, recipe, workers, report, only, out)
        # What the cache keeps is not measured again.
        before = time.perf_counter() - start if cache.folder is None else 0.0
        each = seconds_to_render(store, list(jobs.values()), workers)
    seconds = each * record.counts.delivered / count + before
    say_lines(flatten_yaml(recipe))
    print_foreseen(record, Redaction(shoot).line)
    if each or not record.counts.delivered:
        say(
            f"about {seconds / 60:.1f} minutes with {counted(count, 'worker')} (a rough guess from rendering a few of "
            f"them now, {each:.2f} s a frame)"
        )
    else:
        say("how long a run takes is not known: none of the frames that were tried could be rendered")
    if deadline is not None:
        pace, end = Pace(deadline), datetime.now().astimezone() + timedelta(seconds=seconds)
        when = f"a run that begins now would end at about {end:%H:%M}"
        late = (end - deadline).total_seconds()
        said = f"cannot be met: {when}, {duration(late)} late" if late > 0 else f"can be met: {when}"
        say(f"{pace.hour()} {said}")
    if record.counts.failed or record.failed_steps:
        raise typer.Exit(1)
