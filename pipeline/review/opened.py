"""What a review is about, from its beginning on."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from pydantic import JsonValue

from pipeline.engine.jobs import Shoot
from pipeline.recipe.recipe import Recipe
from pipeline.steps.crop_solution import CropParams
from pipeline.store.store import Store


@dataclass(frozen=True)
class Opened:
    """What a session is about.

    called  name of a frame in the shoot -> in the record, where it is another; line  a text with these
    """

    store: Store
    shoot: Shoot
    recipe: Recipe | None
    recipe_file: Path
    called: Mapping[str, str]
    line: Callable[[str], str]
    facts: Path | None
    models: Path | None
    only: str | None
    workers: int

    @cached_property
    def deliveries(self) -> Mapping[str, JsonValue]:
        """Name -> {name, crop: whether it crops, aspects: see State.roster}."""
        found: dict[str, JsonValue] = {}
        for delivery in self.recipe.deliveries if self.recipe else ():
            params = [bound.params for bound in delivery.steps if isinstance(bound.params, CropParams)]
            aspects: list[JsonValue] = []
            if params and ":" in params[0].aspect:
                across, down = (float(v) for v in params[0].aspect.split(":"))
                aspects = [across / down]
            found[delivery.name] = {"name": delivery.name, "crop": bool(params), "aspects": aspects}
        return found
