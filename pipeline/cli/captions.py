"""The command about captions: evencourt captions."""

from __future__ import annotations

import errno
import locale
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import typer

from pipeline.cli.console import command, note, progress, say, some, warn
from pipeline.cli.measuring import Measuring, open_cache
from pipeline.cli.models import with_models
from pipeline.cli.recipes import read_recipe
from pipeline.engine.burst_people import subjects_and_ranks
from pipeline.engine.jobs import Shoot, read_shoot
from pipeline.engine.measure import MeasuredFrame, Measurements
from pipeline.engine.redaction import Redaction
from pipeline.engine.run import measure_shoot
from pipeline.engine.tables import caption_sheet, jersey_suggestions
from pipeline.engine.tables.frame_table import SEPARATORS
from pipeline.engine.tables.reference_proposals import may_show_references
from pipeline.errors import InputError, RunStoppedError, lines_of
from pipeline.people.numbers import digits as jersey_digits
from pipeline.shoot.consent import held_by_own_texts
from pipeline.shoot.read_facts import FRAMES_FILE, facts_place
from pipeline.steps import crop
from pipeline.steps.caption import CaptionParams
from pipeline.store.cache import Cache
from pipeline.store.files import is_inside, write_atomic
from pipeline.store.store import Store
from pipeline.store.watch import FULL
from pipeline.textfile.messages import counted
from pipeline.textfile.notices import lines_by_kind
from pipeline.textfile.reading import is_there
from pipeline.textfile.tables import UNICODE
from pipeline.types import Progress
from pipeline.workers.executors import Workers


def write_table(
    shoot: Path,
    facts: Path | None,
    file: Path | None,
    recipe: Path | None,
    out: Path | None,
    measuring: Measuring,
    *,
    separator: str,
    force: bool,
    numbers: bool,
) -> None:
    """Write a table of all frames to fill in; what was filled in there before stays, unless `force`.

    out        the table to write; None for the one in the facts folder, without such a folder for frames.csv here
    separator  a key of SEPARATORS, or "auto" for that of the table which is filled up, else for what spreadsheets of
               this computer's language take
    numbers    also suggest players by the numbers on their jerseys

    Raises InputError where the table cannot be written or would lose something, typer.Exit(1) where a frame could
    not be read.
    """
    if file is not None:
        raise InputError(f"{file}: to read it back, add --check; to write to it: --out {file}")
    params = caption_params(recipe)
    cells = cell_separator(separator)
    with open_cache(measuring.cache, shoot) as kept:
        read = _read(shoot, facts, measuring.models, kept)
        out = out or _table_of(read)
        _refuse(shoot, out)
        if is_there(out) and not force:
            read, found = _filled_up(read, out, kept)
            if separator == "auto" and found in SEPARATORS.values():
                cells = found  # so that the spreadsheet that saved it opens it again
        read = with_models(read, measuring.models, measuring.offline)
        line = Redaction(read).line
        some(note, [line(text) for text in lines_by_kind(read.notices, (frame.name for frame in read.frames))], "note")
        if read.models.person is None:
            note("ratings look at the middle of each frame, since the model file that finds people is missing")
        numbers = numbers and _can_read(read)
        with measuring.work.open() as workers, progress() as report:
            _write(read, out, params, cells, numbers, workers, kept, report)


def caption_params(recipe: Path | None) -> CaptionParams:
    """Those of the recipe's first caption step, None for the recipe overnight-web. Raises InputError."""
    steps = caption_sheet.caption_steps(read_recipe(recipe))
    if len(steps) > 1:
        others = ", ".join(step.delivery for step in steps[1:])
        note(f"captions are those of delivery {steps[0].delivery}; other texts go into {others}")
    return steps[0].params


def cell_separator(named: str) -> str:
    """The sign between cells that is called `named`; for auto what spreadsheets of this computer's language take."""
    return SEPARATORS[_local_separator() if named == "auto" else named]


def _local_separator() -> str:
    """Where a comma stands in numbers, spreadsheets put semicolons between cells (common practice, no source)."""
    before = locale.setlocale(locale.LC_NUMERIC)
    try:
        locale.setlocale(locale.LC_NUMERIC, "")
        return "semicolon" if locale.localeconv()["decimal_point"] == "," else "comma"
    except locale.Error:
        return "comma"
    finally:
        locale.setlocale(locale.LC_NUMERIC, before)


# ---- writing -----------------------------------------------------------------------------------------------


def _write(
    shoot: Shoot,
    out: Path,
    params: CaptionParams,
    separator: str,
    numbers: bool,
    workers: Workers,
    cache: Cache,
    report: Progress,
) -> None:
    with Store.scratch(shoot.folder, cache) as store:
        measured_frames = measure_shoot(store, shoot, workers, report)
        measured = Measurements(store, measured_frames, crop.STEP)
        cards = may_show_references(store, measured_frames, shoot.bursts, shoot.facts, workers)
        looked = partial(report, "people")
        _, ranks, unranked = subjects_and_ranks(measured, shoot.bursts, shoot.facts, workers, cards, looked)
        if unranked:
            note(unranked)
        suggested = None
        if numbers:
            suggested, unread = jersey_suggestions.suggested_players(
                shoot.frames, shoot.bursts, shoot.facts, measured, workers, report,
                jersey_suggestions.KeptReadings(store, {s.frame.name: s.key for s in measured_frames}),
            )  # fmt: skip
            for text in unread:
                note(text)
    players = None if suggested is None else {name: one.text for name, one in suggested.items()}
    table, failed = caption_sheet.sheet(shoot, params, ranks, measured_frames, players, separator)
    if failed:
        note(f"no caption yet: {Redaction(shoot).line(failed)}")
    save(out, table.encode("utf-8-sig"))
    say(f"{out}: {frames_in_words(shoot, measured_frames)}")
    if suggested is not None:
        say(
            f"suggested players for {counted(len(suggested), 'frame')} by jersey; whom you confirm, write under players"
        )
        if held := sum(one.unpublished and not shoot.withheld(name) for name, one in suggested.items()):
            note(f"{counted(held, 'frame')} may show a player with publish: no; held back once players says so")
    say(f"Fill in players and words, save it as CSV, then see what comes of it with: {_check_command(shoot, out)}")
    bad = [s for s in measured_frames if s.error]
    line = Redaction(shoot).line
    some(warn, [line(f"failed: {one.frame.relative}: {one.error}") for one in bad], "failed frame")
    if bad:
        raise typer.Exit(1)


def frames_in_words(shoot: Shoot, measured_frames: Sequence[MeasuredFrame]) -> str:
    """ "1,200 frames in 300 bursts, 2 of them cannot be read"."""
    bad = sum(bool(one.error) for one in measured_frames)
    unread = f", {bad} of them cannot be read" if bad else ""
    return f"{counted(len(shoot.frames), 'frame')} in {counted(len(shoot.bursts), 'burst')}{unread}"


def save(file: Path, data: bytes, *, replaces: bool = True) -> None:
    """Write a table or form, whole or not at all.

    Raises InputError where another place must be named or the file is open, RunStoppedError where its disk is full or
    fails, FileExistsError without `replaces` for one that is there.
    """
    try:
        write_atomic(file, data, replaces=replaces)
    except FileExistsError:
        raise
    except OSError as error:
        why = f"{file}: cannot be written ({error.strerror or error})"
        if error.errno in FULL:
            raise RunStoppedError(f"{why}; make room and run the same command again") from error
        if isinstance(error, PermissionError):
            raise InputError(f"{why}; if a spreadsheet has it open, close it there") from error
        if error.errno == errno.EIO:
            raise RunStoppedError(f"{why}; its disk fails: write to another one") from error
        raise InputError(f"{why}; choose another place for it") from error


def _can_read(shoot: Shoot) -> bool:
    """Whether jersey numbers can be read and matched to players; says what is missing."""
    missing = jersey_digits.available()
    if shoot.models.person is None:
        missing = "without the model file that finds people no jersey numbers are read"
    elif not shoot.facts.roster:
        missing = "jersey numbers are not read, since no roster.csv says whose they are"
    if missing:
        note(missing)
    return not missing


def _read(folder: Path, facts: Path | None, models: Path | None, cache: Cache) -> Shoot:
    try:
        return read_shoot(folder, facts, models, cache=cache)
    except InputError as error:
        if any(p.missing == "frames" for p in error.problems):
            more = "to have that table written first, put a # before frames: meanwhile"
            raise InputError(*error.lines, more) from error
        raise


def _check_command(shoot: Shoot, out: Path) -> str:
    """How the table at `out` is read back."""
    facts = ("--facts", shoot.facts_file) if shoot.facts_file else ()
    found = shoot.facts_file is not None and out.resolve() == _table_of(shoot).resolve()
    return command("captions", shoot.folder, *facts, "--check", *(() if found else (out,)))


def _table_of(shoot: Shoot) -> Path:
    """The table that the next run reads, where --facts says where that is; else frames.csv in the current folder."""
    if shoot.facts_file is None:
        return Path(FRAMES_FILE)
    desk = facts_place(shoot.folder, shoot.facts_file).folders[0]
    if _inside(desk, shoot.folder):
        return Path(FRAMES_FILE)
    current = Path(shoot.facts.frames_file)
    return current if _inside(current, desk) and not _inside(current, shoot.folder) else desk / FRAMES_FILE


def _inside(path: Path, folder: Path) -> bool:
    return is_inside(path.resolve(), folder.resolve())


def _refuse(folder: Path, out: Path) -> None:
    """What would only be found out after the long look at all frames."""
    place = out.resolve().parent
    if _inside(place, folder):
        raise InputError(f"{out}: is in the shoot folder, which is never written to; give another place: --out FILE")
    if out.is_dir():
        raise InputError(f"{out}: is a folder; name a file in it: --out {out / FRAMES_FILE}")
    if is_there(out) and not out.is_file():
        raise InputError(f"{out}: is there already and is no file; name another: --out FILE")
    if not place.is_dir():
        raise InputError(f"{out}: there is no folder {place}; make it first")


def _filled_up(shoot: Shoot, out: Path, cache: Cache) -> tuple[Shoot, str]:
    """The shoot with what a person has filled in at `out`, so that writing it again loses nothing; its separator."""
    try:
        facts = caption_sheet.filled_in(shoot, out)
    except InputError as error:
        raise InputError(
            *error.lines,
            f"{out}: is there already and cannot be read in full, so it is left as it is; correct it, write to another "
            "file with --out, or write a new one with --force",
        ) from error
    separator, encoding = caption_sheet.form_of(shoot, out)
    saved = "" if encoding == UNICODE else f"; it was {encoding}, and is written as {UNICODE} with a mark"
    note(f"{out} was there: what is filled in there stays{saved}")
    said: list[str] = []
    own_texts = held_by_own_texts(facts, shoot.frames, said, cache)
    some(note, [text for text in said if text not in shoot.notices], "note")
    return replace(shoot, facts=facts, own_texts=own_texts), separator


# ---- reading back ------------------------------------------------------------------------------------------


def check_table(folder: Path, facts: Path | None, file: Path | None, recipe: Path | None) -> None:
    """Print each caption that `file`, or the shoot's own table, gives, and every problem by line.

    Raises InputError where there is no shoot or no table; where the table has problems, typer.Exit with the status of
    check and run: 1 where the rest of the night can go on without the wrong rows, else 2.
    """
    checked = caption_sheet.check(folder, facts, file, caption_params(recipe))
    some(note, [checked.line(text) for text in checked.notices], "note")
    for one in checked.previews:
        _show(replace(one, frames=tuple(map(checked.line, one.frames))))
    rows = sum(len(one.frames) for one in checked.previews)
    held = sum(len(one.frames) for one in checked.previews if one.held)
    noted = sum(len(one.frames) for one in checked.previews if one.notes)
    some(note, [checked.line(text) for text in checked.unnamed], "note")
    for text in lines_of(checked.problems):  # which bounds them
        warn(checked.line(text))
    wrong = len(checked.problems)
    none = f", {held} of them in no delivery" if held else ""
    notes = f", {noted} with a note" if noted else ""
    then = ": a run stops at that" if checked.stops else ": a run goes on without such rows" if wrong else ""
    say(f"Only texts were read here: {command('check')} also finds pictures that cannot be read")
    problems = counted(wrong, "problem") if wrong else "no problems"
    say(f"{checked.file}: {counted(rows, 'row')} read{none}{notes}, {problems}{then}")
    if wrong:
        raise typer.Exit(2 if checked.stops else 1)


def _show(one: caption_sheet.CaptionPreview) -> None:
    first, last = one.lines[0], one.lines[-1]
    say(f"{', '.join(one.frames)} ({f'line {first}' if first == last else f'lines {first} to {last}'})")
    texts = one.texts
    lines = (
        ("held back", one.held),
        ("headline", texts.headline),
        ("caption", texts.caption or "(empty)"),
        ("alt text", texts.alt_text),
        ("persons", ", ".join(texts.persons) or "(none)"),
        ("keywords", ", ".join(texts.keywords)),
    )
    for name, text in lines:
        if text:
            say(f"  {name:10}{text}")
    for text in one.notes:
        say(f"  {'note':10}{text}")
    say("")
