"""Recipes as the commands take them: a file, or one of the ready ones."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

from pipeline.errors import InputError
from pipeline.recipe.recipe import Recipe, load_recipe
from pipeline.steps import REGISTRY
from pipeline.textfile.messages import did_you_mean
from pipeline.textfile.reading import is_there


def recipe_folder() -> Path:
    """Where the ready recipes are: at the top of a checkout, inside the package when installed."""
    spec = find_spec("pipeline.recipes")
    if spec is None or spec.origin is None:
        return Path(__file__).parent.parent / "recipes"
    return Path(spec.origin).parent


def read_recipe(path: Path | None = None) -> Recipe:
    """The recipe of a file; the ready overnight-web where none is given. Raises InputError with every problem."""
    if path is not None and not is_there(path):
        raise InputError(f"{path}: there is no such file{_ready(path)}")
    return load_recipe(path or recipe_folder() / "overnight-web.yaml", REGISTRY)


def _ready(path: Path) -> str:
    """Where the ready recipe of this name is; else which may be meant, and what the ready ones are called."""
    folder = recipe_folder()
    ready = {file.stem: file for file in sorted(folder.glob("*.yaml"))}
    if path.stem in ready:
        return f"; the ready recipe of this name is {ready[path.stem]}"
    beside = [file.name for file in path.parent.glob("*.yaml")]
    hint = did_you_mean(path.name, beside) or did_you_mean(path.stem, ready)
    return f"{f'{hint} The' if hint else '; the'} ready recipes are {', '.join(ready)}, in {folder}"
