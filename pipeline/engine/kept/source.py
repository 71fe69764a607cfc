"""What the run in OUT is of, and whether another may take its place."""

from __future__ import annotations

from pathlib import Path

from pipeline.engine.jobs import Shoot
from pipeline.errors import InputError
from pipeline.recipe.recipe import Recipe
from pipeline.store.source import Source
from pipeline.store.store import Store


def keep_source(store: Store, shoot: Shoot, recipe: Recipe, only: str | None) -> None:
    """Remember what this run is of. Raises OSError, and InputError where it would go back to the facts beside the
    frames though a review has copied them elsewhere since: whom it withheld must not be published now."""
    before = store.source()
    kept = Path(before.facts) if before.moved and before.facts is not None else None
    if kept is not None and kept.exists() and shoot.facts_file is None:
        raise InputError(
            f"{store.out}: what was decided in the review is in {kept}: add --facts {kept}, or --facts "
            f"{shoot.folder} to leave that aside"
        )
    moved = kept is not None and shoot.facts_file is not None and shoot.facts_file.resolve() == kept
    recipe_file = Path(recipe.file)
    store.keep_source(
        Source.of(
            shoot.folder,
            shoot.facts_file,
            shoot.models.folder,
            recipe_file if recipe_file.is_file() else None,
            only,
            moved=moved,
        )
    )
