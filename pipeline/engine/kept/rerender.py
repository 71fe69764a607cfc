"""The render jobs of a run that was, to render some of its frames again."""

from __future__ import annotations

from pathlib import Path

from pipeline.engine import recipients
from pipeline.engine.decide import measure_shoot
from pipeline.engine.jobs import Planner, Shoot
from pipeline.engine.render import Job
from pipeline.engine.solve import solve
from pipeline.recipe.recipe import Recipe
from pipeline.store.cache import NO_CACHE, Cache
from pipeline.store.store import ROOT, Store


class _Earlier(Cache):
    """What an earlier run kept in its OUT, read as a cache is: nothing is put there."""

    def __init__(self, store: Store) -> None:
        super().__init__(None)
        self._store = store

    def get(self, kind: str, name: str) -> bytes | None:
        """As Cache.get."""
        return self._store.get(ROOT, "digests.json") if kind == "digests" else self._store.get(kind, name)


def jobs(recipe: Recipe, shoot: Shoot, out: Path, earlier: Store | None = None) -> dict[str, Job]:
    """Frame -> its render job, after measuring and solving into `out`; renders nothing. Raises InputError, OSError.

    earlier  the store of a run: what it measured and knows of damaged raws is not found out again
    """
    recipe = recipients.for_shoot(recipe, shoot.facts)
    store = Store.open(out, shoot.folder, _Earlier(earlier) if earlier is not None else NO_CACHE, durable=False)
    measured_frames = measure_shoot(store, shoot, 1, lambda phase, done, total: None)
    plan = solve(store, measured_frames, shoot.bursts, shoot.facts, recipe)
    return {name: job for name, (job, _) in Planner(out, shoot, recipe).plan(measured_frames, plan)[0].items()}
