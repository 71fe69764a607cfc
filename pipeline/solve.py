"""Phase two: from all measurements to a few numbers per frame. Runs once, in the parent."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from pipeline.model import Burst, Image
from pipeline.recipe.recipe import Bound, Recipe
from pipeline.shoot.facts import Facts, FrameFacts
from pipeline.steps.base import ApplyContext, Solution, SolveContext
from pipeline.store import Store
from pipeline.survey import Survey, read_measured, read_proxy


@dataclass(frozen=True)
class Plan:
    """Solutions by step ("exposure", or "web/crop" within a delivery) and frame; notices for the report."""

    solutions: Mapping[str, Mapping[str, Solution]]
    notices: tuple[str, ...]
    notices_by_frame: Mapping[str, tuple[str, ...]]

    def of(self, step: str, frame: str) -> Solution:
        """The solution of one step for one frame; empty where the step has none."""
        return self.solutions.get(step, {}).get(frame, {})


def solve(store: Store, surveys: Sequence[Survey], bursts: Sequence[Burst], facts: Facts, recipe: Recipe) -> Plan:
    """Run every step's `solve` in recipe order over the frames that could be read."""
    keys = {s.frame.name: s.key for s in surveys if not s.error}
    frames = [s.frame for s in surveys if not s.error]
    by_name = {f.name: f for f in frames}
    solutions: dict[str, Mapping[str, Solution]] = {}
    notices: list[str] = []
    by_frame: dict[str, tuple[str, ...]] = {}

    def proxies_after(done: Sequence[Bound]) -> Callable[[str], Image]:
        @lru_cache(maxsize=64)  # bursts are read one after the other; no more need stay in memory
        def proxy(name: str) -> Image:
            image = read_proxy(store, keys[name])
            for bound in done:
                if bound.step.apply is not None and bound.step.solve is not None:
                    solution = solutions[bound.step.name][name]
                    context = ApplyContext(by_name[name], facts.rows.get(name, FrameFacts()), solution)
                    image = bound.step.apply(image, bound.params, context)
            return image

        return proxy

    def run(bound: Bound, label: str, done: Sequence[Bound]) -> None:
        if bound.step.solve is None:
            return
        measured = {name: read_measured(store, key, bound.step.name) for name, key in keys.items()}
        context = SolveContext(frames, bursts, facts, measured, proxies_after(done), dict(solutions))
        solved = bound.step.solve(context, bound.params)
        solutions[label] = solved.by_frame
        notices.extend(n for n in solved.notices if n not in notices)
        for name, text in solved.notices_by_frame.items():
            by_frame[name] = (*by_frame.get(name, ()), text)

    for index, bound in enumerate(recipe.steps):
        run(bound, bound.step.name, recipe.steps[:index])
    for delivery in recipe.deliveries:
        for bound in delivery.steps:
            run(bound, f"{delivery.name}/{bound.step.name}", recipe.steps)
    return Plan(solutions, tuple(notices), by_frame)
