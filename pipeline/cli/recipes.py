"""Where recipes come from: a file of the user, or one of the ready ones."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

from pipeline.recipe.recipe import Recipe, load_recipe
from pipeline.steps import REGISTRY


def recipe_folder() -> Path:
    """Where the ready recipes are: at the top of a checkout, inside the package when installed."""
    spec = find_spec("pipeline.recipes")
    if spec is None or spec.origin is None:
        return Path(__file__).parent.parent / "recipes"
    return Path(spec.origin).parent


def read_recipe(path: Path | None = None) -> Recipe:
    """The recipe of a file; the ready overnight-web where none is given. Raises InputError with every problem."""
    return load_recipe(path or recipe_folder() / "overnight-web.yaml", REGISTRY)
