"""The command about captions: evencourt captions."""

from __future__ import annotations

import locale
import tempfile
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

import typer
from rich.console import Console

from pipeline.cli import tables
from pipeline.engine import caption_sheet, executors, jersey_suggestions
from pipeline.engine.frame_table import SEPARATORS
from pipeline.engine.jobs import Shoot
from pipeline.engine.run import Progress, measure_shoot, read_shoot
from pipeline.engine.solve import Measurements, look_at_all
from pipeline.errors import InputError
from pipeline.people import digits as jersey_digits
from pipeline.recipe.recipe import load_recipe
from pipeline.shoot.consent import held_by_own_texts
from pipeline.steps import REGISTRY, crop
from pipeline.steps.caption import CaptionParams
from pipeline.store.store import Store, write_atomic

out_console = Console(highlight=False, soft_wrap=True)
err_console = Console(stderr=True, highlight=False, soft_wrap=True)

FILE = "frames.csv"
Bar = Callable[[], AbstractContextManager[Progress]]


def register(app: typer.Typer, progress: Bar) -> None:
    """Add the command to `app`; `progress` shows how far the look at the frames is."""

    @app.command()
    def captions(
        shoot: Annotated[Path, typer.Argument(help="folder of frames; it is never written to", show_default=False)],
        file: Annotated[
            Path | None, typer.Argument(help="with --check: the table to read; default: the shoot's own")
        ] = None,
        out: Annotated[Path, typer.Option("--out", help="the table to write; if it is there, it is filled up")] = Path(
            FILE
        ),
        check: Annotated[
            bool, typer.Option("--check", help="read a table back: each caption as it would be embedded, and problems")
        ] = False,
        recipe: Annotated[
            Path | None, typer.Option("--recipe", help="recipe whose caption step is used; default: overnight-web")
        ] = None,
        numbers: Annotated[
            bool, typer.Option("--numbers", help="also suggest players whose shirt numbers can be read; see README")
        ] = False,
        separator: Annotated[
            Literal["auto", "comma", "semicolon", "tab"],
            typer.Option("--separator", help="between cells; auto: what spreadsheets of this computer's language take"),
        ] = "auto",
        force: Annotated[
            bool, typer.Option("--force", help="write the table anew, without what was filled in at --out")
        ] = False,
        facts: Annotated[
            Path | None, typer.Option("--facts", help="shoot.yaml from elsewhere than the shoot folder")
        ] = None,
        models: Annotated[
            Path | None, typer.Option("--models", help="folder of model files, see: evencourt models")
        ] = None,
        workers: Annotated[int, typer.Option("--workers", min=0, help="processes; 0 = one per core")] = 0,
    ) -> None:
        """Write a frames.csv to fill in, one row a frame; with --check, show the captions that one gives."""
        if file is not None and not check:
            raise InputError(f"{file}: to read it back, add --check; to write to it: --out {file}")
        params = _params(recipe)
        if check:
            _check(shoot, facts, file, params)
        else:
            cells = SEPARATORS[_local_separator() if separator == "auto" else separator]
            _refuse(shoot, out)
            read = _read(shoot, facts, models)
            if out.is_file() and not force:
                read = _filled_up(read, out)
            _notes(read)
            numbers = numbers and _can_read(read)
            with progress() as report:
                _write(read, out, params, cells, numbers, workers or executors.default_workers(), report)


def _params(recipe: Path | None) -> CaptionParams:
    steps = caption_sheet.caption_steps(load_recipe(recipe or tables.recipe_folder() / "overnight-web.yaml", REGISTRY))
    if len(steps) > 1:
        others = ", ".join(step.delivery for step in steps[1:])
        _note(f"captions are those of delivery {steps[0].delivery}; other texts go into {others}")
    return steps[0].params


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
    shoot: Shoot, out: Path, params: CaptionParams, separator: str, numbers: bool, workers: int, progress: Progress
) -> None:
    with tempfile.TemporaryDirectory() as scratch:
        store = Store.open(Path(scratch), shoot.folder)
        measured_frames = measure_shoot(store, shoot, workers, progress)
        measured = Measurements(store, {s.frame.name: s.key for s in measured_frames if not s.error}, crop.STEP.name)
        _, ranks = look_at_all(measured, shoot.bursts)
        suggested = None
        if numbers:
            suggested, unread = jersey_suggestions.suggested_players(
                shoot.frames, shoot.bursts, shoot.facts, measured, workers, progress
            )
            for text in unread:
                _note(text)
    carried = {s.frame.name: s.carried for s in measured_frames}
    table, failed = caption_sheet.sheet(shoot, params, ranks, carried, suggested, separator)
    if failed:
        _note(f"no caption yet: {failed}")
    try:
        write_atomic(out, table.encode("utf-8-sig"))
    except OSError as error:
        why = error.strerror or str(error)
        raise InputError(f"{out}: cannot be written ({why}); if a spreadsheet has it open, close it there") from error
    _say(f"{out}: {len(shoot.frames)} frames in {len(shoot.bursts)} bursts")
    if suggested is not None:
        _say(f"suggested players for {len(suggested)} frames, by their shirts; whom you confirm, write under players")
        if held := sum("publish: no" in text and not shoot.withheld(name) for name, text in suggested.items()):
            _note(f"{held} frames may show a player with publish: no; they are held back once players says so")
    _say(
        "Fill in players and words, save it as CSV, then see what comes of it with: "
        f"evencourt captions {shoot.folder} --check {out}"
    )
    bad = [s for s in measured_frames if s.error]
    for one in bad:
        err_console.print(f"failed: {one.frame.relative}: {one.error}", markup=False)
    if bad:
        raise typer.Exit(1)


def _can_read(shoot: Shoot) -> bool:
    """Whether shirt numbers can be read and told to be somebody's; says what is missing."""
    missing = jersey_digits.available()
    if shoot.models.person is None:
        missing = "without the model file that finds people no shirt numbers are read"
    elif not shoot.facts.roster:
        missing = "shirt numbers are not read, since no roster.csv says whose they are"
    if missing:
        _note(missing)
    return not missing


def _read(folder: Path, facts: Path | None, models: Path | None) -> Shoot:
    try:
        return read_shoot(folder, facts, models)
    except InputError as error:
        if any(p.message.startswith("frames: no file") for p in error.problems):
            raise InputError(f"{error}\nto have that table written first, put a # before frames: meanwhile") from error
        raise


def _refuse(folder: Path, out: Path) -> None:
    """What would only be found out after the long look at all frames."""
    place = out.resolve().parent
    if folder.resolve() in (place, *place.parents):
        raise InputError(f"{out}: is in the shoot folder, which is never written to; give another place: --out FILE")
    if out.is_dir():
        raise InputError(f"{out}: is a folder; name a file in it: --out {out / FILE}")
    if not place.is_dir():
        raise InputError(f"{out}: there is no folder {place}; make it first")


def _filled_up(shoot: Shoot, out: Path) -> Shoot:
    """The shoot with what a person has filled in at `out`, so that writing it again loses nothing."""
    try:
        facts = caption_sheet.filled_in(shoot, out)
    except InputError as error:
        raise InputError(
            f"{error}\n{out}: is there already and cannot be read in full, so it is left as it is; correct it, "
            "write to another file with --out, or write it anew with --force"
        ) from error
    _note(f"{out} was there: what is filled in there stays")
    return replace(shoot, facts=facts, own_texts=held_by_own_texts(facts, shoot.frames))


def _notes(shoot: Shoot) -> None:
    for text in shoot.notices:
        _note(text)
    if shoot.models.person is None:
        _note(
            "the model file that finds people is not there, so ratings go by the middle of each frame; "
            "run once: evencourt models fetch"
        )


# ---- reading back ------------------------------------------------------------------------------------------


def _check(folder: Path, facts: Path | None, file: Path | None, params: CaptionParams) -> None:
    checked = caption_sheet.check(folder, facts, file, params)
    for one in checked.shown:
        _show(one)
    rows = sum(len(one.frames) for one in checked.shown)
    held = sum(len(one.frames) for one in checked.shown if one.held)
    if checked.unnamed:
        more = f" and {len(checked.unnamed) - 1} more" if len(checked.unnamed) > 1 else ""
        _note(f"not in the table: {checked.unnamed[0]}{more}; what the event says is written of them")
    for problem in checked.problems:
        err_console.print(str(problem), markup=False)
    wrong = len(checked.problems)
    _say(
        f"{checked.file}: {rows} rows read, {held} of them in no delivery, "
        f"{wrong or 'no'} problem{'' if wrong == 1 else 's'}"
    )
    if wrong:
        raise typer.Exit(2)


def _show(one: caption_sheet.Shown) -> None:
    first, last = one.lines[0], one.lines[-1]
    _say(f"{', '.join(one.frames)} ({f'line {first}' if first == last else f'lines {first} to {last}'})")
    texts = one.texts
    said: dict[str, Any] = {
        "held back": one.held,
        "headline": texts.headline,
        "caption": texts.caption,
        "alt text": texts.alt_text,
        "persons": ", ".join(texts.persons) or "none named",
        "keywords": ", ".join(texts.keywords),
    }
    for name, text in said.items():
        if text or name == "caption":
            _say(f"  {name:10}{text or '(empty)'}")
    for note in one.notes:
        _say(f"  {'note':10}{note}")
    _say("")


def _note(text: str) -> None:
    err_console.print(f"note: {text}", markup=False)


def _say(text: str) -> None:
    out_console.print(text, markup=False)
