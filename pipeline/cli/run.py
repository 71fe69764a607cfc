"""evencourt run and evencourt demo."""

from __future__ import annotations

import importlib
import statistics
import tempfile
import time
from concurrent.futures import Executor
from contextlib import nullcontext
from pathlib import Path

import typer

from pipeline.cli.console import progress, say, warn
from pipeline.cli.models import with_models
from pipeline.cli.recipes import read_recipe
from pipeline.cli.status import print_outcome
from pipeline.engine import executors
from pipeline.engine import run as engine
from pipeline.errors import InputError
from pipeline.recipe.recipe import Recipe, flatten_yaml
from pipeline.store.store import Store

# Rendering a frame against measuring it: the same read and demosaic, then the steps on more pixels. About six on the
# demonstration; eight errs on the late side.
_RENDER_COST = 8


def run_shoot(
    recipe: Path,
    shoot: Path,
    out: Path,
    facts: Path | None,
    models: Path | None,
    *,
    offline: bool,
    workers: int,
    cluster: str | None,
    only: str | None,
    dry_run: bool,
) -> None:
    """Run a recipe over a shoot folder into `out`, or with `dry_run` say what would be done.

    offline  fetch no model file
    workers  processes, 0 for one a core; cluster  address of a dask scheduler to use in their place
    only     pattern of frame names, None for all

    Raises InputError before anything is written, RunStoppedError where the disk is full, and typer.Exit(1) where a
    frame failed or something was not sent.
    """
    with executors.cluster(cluster) if cluster else nullcontext() as executor:
        read = engine.read_shoot(shoot, facts, models)
        loaded = read_recipe(recipe)
        read = with_models(read, models, offline)
        count = workers or executors.default_workers()
        if dry_run:
            _dry_run(loaded, read, count)
        else:
            _run(loaded, read, out, count, only, executor)


def run_demo(folder: Path, models: Path | None, offline: bool, workers: int) -> None:
    """Write the demonstration shoot into `folder`, where it is not there yet, and run the overnight recipe on it.

    Raises InputError where the folder holds other files.
    """
    write_demo = importlib.import_module("pipeline.fixtures.demo").write_demo
    shoot = folder / "shoot"
    if folder.exists() and any(folder.iterdir()) and not (shoot / "shoot.yaml").is_file():
        raise InputError(f"{folder}: holds other files; give a new folder for the demonstration")
    if not (shoot / "shoot.yaml").is_file():
        with progress() as report:
            write_demo(shoot, progress=lambda done, total: report("shoot", done, total))
    read = with_models(engine.read_shoot(shoot, None, models), models, offline)
    _run(read_recipe(), read, folder / "delivered", workers or executors.default_workers())


def _run(
    recipe: Recipe,
    shoot: engine.Shoot,
    out: Path,
    workers: int,
    only: str | None = None,
    executor: Executor | None = None,
) -> None:
    started = time.perf_counter()
    with progress() as report:
        outcome = engine.run(recipe, shoot, out, workers=workers, only=only, progress=report, executor=executor)
    print_outcome(outcome.record, time.perf_counter() - started)
    say(f"delivered  {out}")
    say(f"report     {outcome.report}")
    if outcome.record.state != "done" or outcome.failed or outcome.record.problems():
        raise typer.Exit(1)


def _dry_run(recipe: Recipe, shoot: engine.Shoot, workers: int) -> None:
    """Measure into a temporary folder, so that a dry run leaves nothing behind."""
    with tempfile.TemporaryDirectory() as scratch, progress() as report:
        measured_frames = engine.measure_shoot(Store.open(Path(scratch), shoot.folder), shoot, workers, report)
    good = [s for s in measured_frames if not s.error]
    for one in measured_frames:
        if one.error:
            warn(f"would fail: {one.frame.relative}: {one.error}")
    say(flatten_yaml(recipe))
    per_frame = statistics.fmean(s.seconds for s in good) if good else 0.0
    minutes = per_frame * _RENDER_COST * len(good) / workers / 60
    files = len(good) * len(recipe.deliveries)
    say(
        f"{len(good)} frames in {len(shoot.bursts)} bursts, {files} files; about {minutes:.1f} minutes with "
        f"{workers} workers (a rough guess from measuring them, {per_frame:.2f} s a frame)"
    )
