"""The commands. The only place that prints."""

from __future__ import annotations

import hashlib
import importlib
import json
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from pipeline.cli import captions, models
from pipeline.cli import tables as describe_module
from pipeline.engine import executors
from pipeline.engine import run as engine
from pipeline.engine.jobs import Planner
from pipeline.engine.redaction import Redaction
from pipeline.engine.render import Refused
from pipeline.engine.render import render as render_frame
from pipeline.engine.sending import refuse_unready
from pipeline.errors import EvencourtError, InputError, RunStoppedError
from pipeline.imaging.raw.noise_pool import HEADINGS
from pipeline.recipe.recipe import Recipe, flatten_yaml, load_recipe
from pipeline.steps import REGISTRY
from pipeline.store.store import Store

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Finish a night's court sport photographs as if one even light had lit the hall.",
)
app.add_typer(models.app, name="models")
out_console = Console(highlight=False, soft_wrap=True)
err_console = Console(stderr=True, highlight=False, soft_wrap=True)

RecipeFile = Annotated[Path, typer.Argument(help="recipe, a YAML file", show_default=False)]
ShootFolder = Annotated[Path, typer.Argument(help="folder of frames; it is never written to", show_default=False)]
OutFolder = Annotated[Path, typer.Option("--out", help="folder for the deliveries, the record and the report")]
FactsFile = Annotated[Path | None, typer.Option("--facts", help="shoot.yaml from elsewhere than the shoot folder")]
ModelsFolder = Annotated[Path | None, typer.Option("--models", help="folder of model files, see: evencourt models")]
Workers = Annotated[int, typer.Option("--workers", min=0, help="processes; 0 = one per core")]


def main() -> None:
    """Console entry: errors that we understand are printed as plain text, exit status 2."""
    try:
        app()
    except EvencourtError as error:
        err_console.print(str(error), markup=False)
        sys.exit(1 if isinstance(error, RunStoppedError) else 2)
    except KeyboardInterrupt:
        err_console.print("stopped by hand; run the same command again to go on")
        sys.exit(1)


@contextmanager
def _progress() -> Iterator[engine.Progress]:
    """Frames done, rate and time left; silent where the output is no terminal."""
    columns = (
        TextColumn("{task.description:8}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]}"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=err_console, disable=not err_console.is_terminal, transient=True) as bar:
        tasks: dict[str, Any] = {}
        started: dict[str, float] = {}

        def report(phase: str, done: int, total: int) -> None:
            if phase not in tasks:
                tasks[phase] = bar.add_task(phase, total=total, rate="")
                started[phase] = time.perf_counter()
            elapsed = time.perf_counter() - started[phase]
            rate = f"{done / elapsed:.1f} frames/s" if elapsed > 0.5 else ""
            bar.update(tasks[phase], completed=done, total=total, rate=rate)

        yield report


def _recipe(path: Path) -> Recipe:
    return load_recipe(path, REGISTRY)


@app.command()
def run(
    recipe: RecipeFile,
    shoot: ShootFolder,
    out: OutFolder,
    facts: FactsFile = None,
    models: ModelsFolder = None,
    workers: Workers = 0,
    cluster: Annotated[str | None, typer.Option(help="address of a dask scheduler instead of local processes")] = None,
    only: Annotated[str | None, typer.Option(help="only frames whose name matches, such as 'TH1_00*'")] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="say what would be done, and how long it takes")] = False,
) -> None:
    """Run a recipe over a shoot folder."""
    with executors.cluster(cluster) if cluster else nullcontext() as executor:
        read = engine.read_shoot(shoot, facts, models)
        _run(_recipe(recipe), read, out, workers, only, dry_run, executor)


def _run(
    recipe: Recipe,
    shoot: engine.Shoot,
    out: Path,
    workers: int,
    only: str | None = None,
    dry_run: bool = False,
    executor: Executor | None = None,
) -> None:
    count = workers or executors.default_workers()
    if dry_run:
        _dry_run(recipe, shoot, count)
        return
    started = time.perf_counter()
    with _progress() as progress:
        outcome = engine.run(recipe, shoot, out, workers=count, only=only, progress=progress, executor=executor)
    _print_outcome(outcome.record, time.perf_counter() - started)
    out_console.print(f"delivered  {out}", markup=False)
    out_console.print(f"report     {outcome.report}", markup=False)
    if outcome.record["state"] != "done" or outcome.failed or _unsent(outcome.record):
        raise typer.Exit(1)


def _print_outcome(record: dict[str, Any], seconds: float | None = None) -> None:
    counts = record["counts"]
    for text in record["notices"][:20]:
        err_console.print(f"note: {text}", markup=False)
    if len(record["notices"]) > 20:
        err_console.print(f"note: and {len(record['notices']) - 20} more in the report", markup=False)
    for text, names in _frame_notes(record).items():
        more = f" and {len(names) - 1} more frame{'s' if len(names) > 2 else ''}" if len(names) > 1 else ""
        err_console.print(f"note: {names[0]}{more}: {text}", markup=False)
    for name, frame in record["frames"].items():
        if frame["status"] == "failed":
            err_console.print(f"failed: {frame['relative'] or name}: {frame['reason']}", markup=False)
    for text in _unsent(record):
        err_console.print(f"not sent: {text}", markup=False)
    if record.get("stopped"):
        err_console.print(record["stopped"], markup=False)
    again = f", {counts['reused']} files already done" if counts["reused"] else ""
    again += f", {counts['captions_rewritten']} captions rewritten" if counts.get("captions_rewritten") else ""
    consent = f" ({counts['consent']} for consent)" if counts.get("consent") else ""
    undone = f", {counts['left out']} left out by select" if counts.get("left out") else ""
    undone += f", {counts['undone']} not done" if counts.get("undone") else ""
    took = f" in {seconds:.0f} s" if seconds is not None else ""
    rendered = f"{counts['rendered']} frames rendered" if counts["rendered"] else "nothing to render"
    out_console.print(
        f"{counts['delivered']} of {counts['frames']} frames delivered, {counts['failed']} failed, "
        f"{counts['held']} held back{consent}{undone}: {rendered}{again}{took}"
    )


def _unsent(record: dict[str, Any]) -> list[str]:
    """What went wrong with a zip, a page or a push."""
    return [text for sent in record.get("sent", {}).values() for text in sent["problems"]]


def _frame_notes(record: dict[str, Any]) -> dict[str, list[str]]:
    """What is worth knowing of delivered files -> the frames it is said of; at most 20 kinds."""
    notes: dict[str, list[str]] = {}
    for name, frame in record["frames"].items():
        for text in sorted({text for file in frame["deliveries"].values() for text in file["notices"]}):
            notes.setdefault(text, []).append(name)
    return dict(list(notes.items())[:20])


def _dry_run(recipe: Recipe, shoot: engine.Shoot, workers: int) -> None:
    """Measure into a temporary folder, so that a dry run leaves nothing behind."""
    with tempfile.TemporaryDirectory() as scratch, _progress() as progress:
        measured_frames = engine.measure_shoot(Store.open(Path(scratch), shoot.folder), shoot, workers, progress)
    good = [s for s in measured_frames if not s.error]
    for one in measured_frames:
        if one.error:
            err_console.print(f"would fail: {one.frame.relative}: {one.error}", markup=False)
    out_console.print(flatten_yaml(recipe), markup=False)
    per_frame = statistics.fmean(s.seconds for s in good) if good else 0.0
    # The same read and demosaic, then the steps on more pixels: about six times the measuring on the demonstration;
    # eight errs on the late side.
    minutes = per_frame * 8 * len(good) / workers / 60
    files = len(good) * len(recipe.deliveries)
    out_console.print(
        f"{len(good)} frames in {len(shoot.bursts)} bursts, {files} files; about {minutes:.1f} minutes with "
        f"{workers} workers (a rough guess from measuring them, {per_frame:.2f} s a frame)"
    )


@app.command()
def check(
    recipe: RecipeFile,
    shoot: Annotated[Path | None, typer.Argument(help="also check the facts of this shoot")] = None,
    facts: FactsFile = None,
) -> None:
    """Validate a recipe and a shoot's facts; print the flattened recipe and what it would do."""
    problems: list[str] = []
    loaded: Recipe | None = None
    try:
        loaded = _recipe(recipe)
    except EvencourtError as error:
        problems.append(str(error))
    read: engine.Shoot | None = None
    if shoot is not None:
        try:
            read = engine.read_shoot(shoot, facts)
        except EvencourtError as error:
            problems.append(str(error))
    if problems:
        raise InputError("\n".join(problems))
    assert loaded is not None
    refuse_unready(loaded)
    if read is not None and (wrong := Planner(Path(), read, loaded).text_problems()):
        raise InputError("\n".join(wrong))
    out_console.print(flatten_yaml(loaded), markup=False)
    if read is not None:
        for name, why in read.missing:
            err_console.print(f"note: {name}: {why}", markup=False)
        files = len(read.frames) * len(loaded.deliveries)
        out_console.print(f"{len(read.frames)} frames in {len(read.bursts)} bursts, {files} files")


@app.command()
def inspect(shoot: ShootFolder, facts: FactsFile = None, models: ModelsFolder = None, workers: Workers = 0) -> None:
    """What is in the folder: bursts, light, ISO and shutter warnings."""
    read = engine.read_shoot(shoot, facts, models)
    with tempfile.TemporaryDirectory() as scratch:
        store = Store.open(Path(scratch), read.folder)
        count = workers or executors.default_workers()
        with _progress() as progress:
            measured_frames = engine.measure_shoot(store, read, count, progress)
        text_of = describe_module.inspect_text(store, read, measured_frames, count)
    for title, columns, rows in (
        ("", ("burst", "frames", "time", "ISO", "shutter", "zone", "in the dark phase"), text_of.bursts),
        ("light", ("zone", "seen in", "frames", "colour", "level", "flicker"), text_of.zones),
        ("noise", HEADINGS, text_of.noise),
    ):
        if not rows:
            continue
        table = Table(*columns, box=None, title=title or None, title_justify="left")
        for row in rows:
            table.add_row(*(escape(cell) for cell in row))
        out_console.print(table)
    for text in text_of.notes:
        out_console.print(f"note: {text}", markup=False)
    if any(s.error for s in measured_frames):
        raise typer.Exit(1)


@app.command()
def status(out: Annotated[Path, typer.Argument(help="folder of a run", show_default=False)]) -> None:
    """What a run did, is doing, or left undone."""
    store = Store(out)
    record = _record(out)
    if not store.work.is_dir():
        raise InputError(f"{out}: holds no run; give the folder that was given to --out")
    if store.is_locked():
        out_console.print("a run is writing to this folder now")
    if record is None:
        done = sum(1 for _ in store.names("done"))
        out_console.print(f"no finished run here; {done} files delivered so far. Run the same command again to go on")
        raise typer.Exit(1)
    _print_outcome(record)
    if record["state"] != "done" or record["counts"]["failed"] or _unsent(record):
        raise typer.Exit(1)


def _record(out: Path) -> dict[str, Any] | None:
    path = out / "run.json"
    if not out.is_dir():
        raise InputError(f"{out}: there is no such folder")
    return json.loads(path.read_text(encoding="utf-8")) if path.is_file() else None


@app.command()
def verify(
    out: Annotated[Path, typer.Argument(help="folder of a run", show_default=False)],
    render: Annotated[int, typer.Option(min=0, help="also render so many frames again and compare the bytes")] = 0,
    shoot: Annotated[Path | None, typer.Option(help="with --render: the shoot folder, if it has moved")] = None,
    models: ModelsFolder = None,
) -> None:
    """Re-hash every delivered file against the run record."""
    record = _record(out)
    if record is None:
        raise InputError(f"{out}: holds no run.json; nothing to verify")
    files = {d["file"]: d["sha256"] for f in record["frames"].values() for d in f["deliveries"].values()}
    files |= {name: d["sha256"] for sent in record.get("sent", {}).values() for name, d in sent["files"].items()}
    bad = []
    for relative, digest in sorted(files.items()):
        path = out / relative
        if not path.is_file():
            bad.append(f"{relative}: is missing")
        elif hashlib.sha256(path.read_bytes()).hexdigest() != digest:
            bad.append(f"{relative}: differs from what was delivered")
    if render:
        bad += _verify_render(record, out, shoot, models, render)
    for text in bad:
        err_console.print(text, markup=False)
    again = f", {render} frames rendered again" if render else ""
    out_console.print(f"{len(files) - len(bad)} of {len(files)} files as delivered{again}")
    if bad:
        raise typer.Exit(1)


def _verify_render(record: dict[str, Any], out: Path, moved: Path | None, models: Path | None, count: int) -> list[str]:
    """Render `count` frames, evenly spread, into a scratch folder, and compare with the record."""
    shoot_path, facts_path = Store(out).source()
    folder = moved or (Path(shoot_path) if shoot_path else None)
    if folder is None:
        raise InputError(f"{out}: does not know its shoot folder any more; give it with --shoot")
    if not folder.is_dir():
        raise InputError(f"{folder}: the shoot folder is not there any more; say where it is now with --shoot")
    facts = Path(facts_path) if facts_path else None
    # Files of an earlier recipe are checked by their hash alone: this record cannot say how they were made.
    delivered = [
        name
        for name, frame in record["frames"].items()
        if frame["deliveries"] and all(file["current"] for file in frame["deliveries"].values())
    ]
    chosen = delivered[:: max(1, len(delivered) // count)][:count]
    bad = []
    with tempfile.TemporaryDirectory() as scratch:
        recipe_file = Path(scratch) / "recipe.yaml"
        recipe_file.write_text(Store(out).recipe() or record["recipe_flat"], encoding="utf-8")
        shoot = engine.read_shoot(folder, facts, models)
        if record.get("models", "") != shoot.models.digest:
            bad.append("the model files are not those of the run, so crops may differ; give their folder with --models")
        redaction = Redaction(shoot)
        jobs = engine.jobs(_recipe(recipe_file), shoot, Path(scratch) / "out")
        jobs = {redaction.frame(name): job for name, job in jobs.items()}
        for name in chosen:
            time_now = jobs[name].frame.exif.time if name in jobs else None
            if (time_now.isoformat() if time_now else None) != record["frames"][name]["time"]:
                bad.append(f"{name}: the frame of this name in {folder} is another one; is it the right shoot folder?")
                continue
            recorded = {d["file"]: d["sha256"] for d in record["frames"][name]["deliveries"].values()}
            for one in render_frame(replace(jobs[name], thumbs="")):
                if isinstance(one, Refused) or one.sha256 != recorded.get(one.relative):
                    bad.append(f"{one.relative}: renders to other bytes now")
    return bad


@app.command()
def steps(name: Annotated[str | None, typer.Argument(help="one step")] = None) -> None:
    """What each step does and takes."""
    if name is not None and name not in REGISTRY:
        raise InputError(f"there is no step {name!r}; the steps are {', '.join(REGISTRY)}")
    out_console.print(describe_module.steps_text([REGISTRY[name]] if name else list(REGISTRY.values())), markup=False)


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="folder to make")] = Path("evencourt-demo"),
    models: ModelsFolder = None,
    workers: Workers = 0,
) -> None:
    """Write a demonstration shoot of raw files and run the overnight recipe on it."""
    write_demo = importlib.import_module("pipeline.fixtures.demo").write_demo
    shoot = folder / "shoot"
    if folder.exists() and any(folder.iterdir()) and not (shoot / "shoot.yaml").is_file():
        raise InputError(f"{folder}: holds other files; give a new folder for the demonstration")
    if not (shoot / "shoot.yaml").is_file():
        with _progress() as progress:
            write_demo(shoot, progress=lambda done, total: progress("shoot", done, total))
    recipe = _recipe(describe_module.recipe_folder() / "overnight-web.yaml")
    _run(recipe, engine.read_shoot(shoot, None, models), folder / "delivered", workers)


captions.register(app, _progress)

if __name__ == "__main__":
    main()
