"""evencourt prepare: the facts of a match as files to fill in, with all that the frames already tell."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

import typer

from pipeline.cli.captions import caption_params, cell_separator, frames_in_words, save
from pipeline.cli.console import command, note, progress, say, some, warn
from pipeline.cli.measuring import Measuring, open_cache
from pipeline.cli.models import with_models
from pipeline.engine.burst_people import subjects_and_ranks
from pipeline.engine.jobs import Shoot, read_shoot
from pipeline.engine.measure import MeasuredFrame, Measurements
from pipeline.engine.redaction import Redaction
from pipeline.engine.run import measure_shoot
from pipeline.engine.tables import prepare
from pipeline.engine.tables.caption_sheet import sheet
from pipeline.engine.tables.event_form import event_form
from pipeline.engine.tables.reference_proposals import Proposal, reference_proposals
from pipeline.errors import InputError
from pipeline.shoot.read_facts import EVENT_FILE, FRAMES_FILE, ROSTER_FILE
from pipeline.shoot.scan import raise_unless_folder
from pipeline.steps import crop
from pipeline.store.files import is_inside
from pipeline.store.store import Store
from pipeline.store.watch import surviving
from pipeline.textfile.messages import counted
from pipeline.textfile.notices import lines_by_kind
from pipeline.workers.executors import Workers


def prepare_shoot(shoot: Path, facts: Path, like: Path | None, measuring: Measuring, *, separator: str) -> None:
    """Write shoot.yaml, roster.csv and frames.csv into the folder `facts`; one that is there is kept as it is.

    like       the folder of another match, whose roster, teams and texts are carried over
    separator  as for captions.write_table

    Raises InputError where the folder cannot be used or facts that exist are wrong, typer.Exit(1) where a frame could
    not be read.
    """
    _refuse(shoot, facts)
    last = prepare.last_match(like) if like is not None else prepare.NOTHING
    files = prepare.table_files(facts)
    there = [name for name, file in files.items() if file.exists() or file.is_symlink()]
    for name in there:
        say(f"{files[name]}: kept, it was there already")
    if len(there) == len(files):
        _say_what_next(shoot, facts, there)
        return
    read = read_shoot(shoot, facts if there else None, measuring.models)
    read = with_models(read, measuring.models, measuring.offline)
    line = Redaction(read).line
    some(note, [line(text) for text in lines_by_kind(read.notices, (frame.name for frame in read.frames))], "note")
    beside = prepare.written_facts(shoot)
    _make(facts)
    with (
        measuring.work.open() as workers,
        open_cache(measuring.cache, shoot) as kept,
        Store.scratch(shoot, kept) as store,
    ):
        with progress() as report:
            measured_frames = measure_shoot(store, read, workers, report)
            found: tuple[Proposal, ...] = ()
            if EVENT_FILE not in there:
                with surviving(lambda why: note(f"cards and charts could not be looked for ({why})")):
                    found = reference_proposals(store, measured_frames, read.bursts, workers)
                _write_event(read, facts, measured_frames, found, beside, last)
        if ROSTER_FILE not in there:
            _write_roster(facts, beside, last, cell_separator(separator))
        if FRAMES_FILE not in there:
            _write_frames(store, shoot, facts, read, measured_frames, found, workers, cell_separator(separator))
    _say_what_next(shoot, facts, there)
    bad = [one for one in measured_frames if one.error]
    some(warn, [line(f"failed: {one.frame.relative}: {one.error}") for one in bad], "failed frame")
    if bad:
        raise typer.Exit(1)


def _refuse(shoot: Path, facts: Path) -> None:
    raise_unless_folder(shoot)
    if is_inside(facts.resolve(), shoot.resolve()):
        raise InputError(f"{facts}: is in the shoot folder, which is never written to; give a folder beside it")
    if (facts.exists() and not facts.is_dir()) or facts.suffix.lower() in (".yaml", ".yml"):
        raise InputError(f"{facts}: is a file; give a folder, which is made where there is none")


def _make(facts: Path) -> None:
    try:
        facts.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{facts}: cannot be made ({error.strerror or error}); give another folder") from error


def _write_event(
    shoot: Shoot,
    facts: Path,
    measured_frames: list[MeasuredFrame],
    found: tuple[Proposal, ...],
    beside: prepare.Written,
    last: prepare.Written,
) -> None:
    content = prepare.form_content(shoot.frames, measured_frames, found, beside, last)
    if not _save_new(facts / EVENT_FILE, event_form(shoot.folder.resolve().name, content).encode()):
        return
    usable = [one.frame for one in found if not one.why]
    told = [f"start {content.values['start']}"] if "start" in content.values else []
    told += [f"{', '.join(usable)} may show a card or chart: see references"] if usable else []
    say(f"{facts / EVENT_FILE}: written{''.join(f'; {text}' for text in told)}")


def _write_roster(facts: Path, beside: prepare.Written, last: prepare.Written, separator: str) -> None:
    source = beside if beside.table is not None else last
    if beside.table is not None and last.table is not None:
        note(f"the roster beside the frames, {beside.file}, is used, not that of the last match")
    if source.table is None:
        if _save_new(facts / ROSTER_FILE, prepare.roster_form(separator).encode("utf-8-sig")):
            say(f"{facts / ROSTER_FILE}: written, with two examples that are not read")
        return
    if not _save_new(facts / ROSTER_FILE, source.table):
        return
    withheld = sum(not player.publish for player in source.players)
    players = counted(len(source.players), "player")
    say(f"{facts / ROSTER_FILE}: as {source.file}: {players}, {withheld} with publish: no")


def _write_frames(
    store: Store,
    folder: Path,
    facts: Path,
    shoot: Shoot,
    measured_frames: list[MeasuredFrame],
    found: tuple[Proposal, ...],
    workers: Workers,
    separator: str,
) -> None:
    """The table of frames, with captions by the facts that have just been written; `found`: proposed references."""
    try:
        now = replace(read_shoot(folder, facts), models=shoot.models)
    except InputError as error:
        more = f"correct that, and prepare again: {FRAMES_FILE} is still to be written"
        raise InputError(*error.lines, more) from error
    proposed = {name for one in found for name in (one.frame, *one.alike)}
    measured = Measurements(store, measured_frames, crop.STEP)
    with progress() as report:
        looked = partial(report, "people")
        _, ranks, unranked = subjects_and_ranks(measured, now.bursts, now.facts, workers, proposed, looked)
    if unranked:
        note(unranked)
    table, failed = sheet(now, caption_params(None), ranks, measured_frames, None, separator)
    if failed:
        note(f"no caption yet: {Redaction(now).line(failed)}")
    if _save_new(facts / FRAMES_FILE, table.encode("utf-8-sig")):
        say(f"{facts / FRAMES_FILE}: written: {frames_in_words(now, measured_frames)}")


def _save_new(file: Path, data: bytes) -> bool:
    """Write a file, whole or not at all, if it is still not there: measuring takes a while, and a person may begin.

    Raises as `save`.
    """
    try:
        save(file, data, replaces=False)
    except FileExistsError:
        say(f"{file}: kept, since it was written in the meantime")
        return False
    return True


def _say_what_next(shoot: Path, facts: Path, there: list[str]) -> None:
    given = (shoot, "--facts", facts)
    if FRAMES_FILE in there:
        say(f"To fill up {FRAMES_FILE} with frames it does not name: {command('captions', *given)}")
    say(f"Fill them in, then see what comes of it with: {command('captions', *given, '--check')}")
