"""evencourt check: every problem of a recipe and of a shoot's facts at once, and what a run would make of it."""

from __future__ import annotations

from pathlib import Path

import typer

from pipeline.cli.console import progress, say_lines
from pipeline.cli.measuring import Measuring, open_cache
from pipeline.cli.models import with_models
from pipeline.cli.recipes import read_recipe
from pipeline.cli.status import print_foreseen
from pipeline.engine.decide import foresee
from pipeline.engine.jobs import Shoot, read_shoot
from pipeline.engine.redaction import Redaction
from pipeline.engine.sending import refuse_unready
from pipeline.errors import EvencourtError, InputError
from pipeline.recipe.recipe import Recipe, flatten_yaml
from pipeline.store.store import Store


def check_recipe(recipe: Path, shoot: Path | None, facts: Path | None, measuring: Measuring) -> None:
    """Print the recipe with every parameter, and what a run would make of `shoot`: its frames are measured for that.

    Raises InputError with all that is wrong with the recipe and the facts, else for what makes a run impossible;
    typer.Exit(1) where frames would fail: the exit status is that of the run.
    """
    problems: list[str] = []
    loaded: Recipe | None = None
    try:
        loaded = read_recipe(recipe)
    except EvencourtError as error:
        problems += error.lines
    if shoot is None:
        if loaded is None:
            raise InputError(*problems)
        refuse_unready(loaded)
        say_lines(flatten_yaml(loaded))
        return
    with open_cache(measuring.cache, shoot) as kept:
        read: Shoot | None = None
        try:
            read = read_shoot(shoot, facts, measuring.models, cache=kept)
        except EvencourtError as error:
            problems += error.lines
        if loaded is None or read is None:
            raise InputError(*problems)
        read = with_models(read, measuring.models, measuring.offline)
        with measuring.work.open() as workers, Store.scratch(shoot, kept) as store, progress() as report:
            record, _ = foresee(store, read, loaded, workers, report)
    say_lines(flatten_yaml(loaded))
    print_foreseen(record, Redaction(read).line)
    if record.counts.failed or record.failed_steps:
        raise typer.Exit(1)
