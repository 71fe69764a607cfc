"""evencourt check: every problem of a recipe and of a shoot's facts at once."""

from __future__ import annotations

from pathlib import Path

from pipeline.cli.console import note, say
from pipeline.cli.recipes import read_recipe
from pipeline.engine.jobs import Planner, Shoot, read_shoot
from pipeline.engine.sending import refuse_unplaced, refuse_unready
from pipeline.errors import EvencourtError, InputError
from pipeline.recipe.recipe import Recipe, flatten_yaml


def check_recipe(recipe: Path, shoot: Path | None, facts: Path | None) -> None:
    """Print the recipe with every parameter, and how many files it would make of `shoot`.

    Raises InputError with all that is wrong: with the recipe and the facts, else with packages that are missing,
    else with the names and captions of frames.
    """
    problems: list[str] = []
    loaded: Recipe | None = None
    try:
        loaded = read_recipe(recipe)
    except EvencourtError as error:
        problems.append(str(error))
    read: Shoot | None = None
    if shoot is not None:
        try:
            read = read_shoot(shoot, facts)
        except EvencourtError as error:
            problems.append(str(error))
    if loaded is None or problems:
        raise InputError("\n".join(problems))
    refuse_unready(loaded)
    if read is not None:
        refuse_unplaced(loaded, read)
    if read is not None and (wrong := Planner(Path(), read, loaded).text_problems()):
        raise InputError("\n".join(wrong))
    say(flatten_yaml(loaded))
    if read is not None:
        for name, why in read.missing:
            note(f"{name}: {why}")
        files = len(read.frames) * len(loaded.deliveries)
        say(f"{len(read.frames)} frames in {len(read.bursts)} bursts, {files} files")
