"""Phase two: from all measurements to a few numbers per frame. Runs once, in the parent."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import cache

from pipeline.engine.burst_light import find_scenes
from pipeline.engine.measure import MeasuredFrame, read_measured
from pipeline.light.scenes import ShootLight, compare
from pipeline.people.ranking import Quality, Ranked, rank
from pipeline.people.subject import Subject, find_subjects
from pipeline.recipe.recipe import Bound, Recipe
from pipeline.shoot.facts import Facts
from pipeline.steps import crop
from pipeline.steps.base import Measured, Solution, SolveContext
from pipeline.store.store import Store
from pipeline.types import Burst


@dataclass(frozen=True)
class Plan:
    """Solutions by step ("exposure", or "web/crop" within a delivery) and frame; notices for the report; how good
    each frame is."""

    solutions: Mapping[str, Mapping[str, Solution]]
    notices: tuple[str, ...]
    notices_by_frame: Mapping[str, tuple[str, ...]]
    ranks: Mapping[str, Ranked]

    def chosen(self, delivery: str, frame: str) -> bool:
        """Whether neither `select` of the recipe nor that of the delivery leaves the frame out."""
        return all(self.of(label, frame).get("chosen", True) for label in ("select", f"{delivery}/select"))

    def of(self, step: str, frame: str) -> Solution:
        """The solution of one step for one frame; empty where the step has none."""
        return self.solutions.get(step, {}).get(frame, {})


class Measurements(Mapping[str, Measured]):
    """One step's measurements, each read when it is asked for: a whole night of them need not be in memory."""

    def __init__(self, store: Store, of: Mapping[str, str], step: str) -> None:
        self._store, self._of, self._step = store, of, step

    def __getitem__(self, name: str) -> Measured:
        return read_measured(self._store, self._of[name], self._step)

    def __contains__(self, name: object) -> bool:
        return name in self._of

    def __iter__(self) -> Iterator[str]:
        return iter(self._of)

    def __len__(self) -> int:
        return len(self._of)


def shoot_light(
    store: Store,
    measured_frames: Sequence[MeasuredFrame],
    bursts: Sequence[Burst],
    facts: Facts,
    workers: int = 1,
    executor: Executor | None = None,
) -> ShootLight:
    """The light of the frames that could be read."""
    scenes, notices = find_scenes(store, measured_frames, bursts, workers, executor)
    light = compare([s.frame for s in measured_frames if not s.error], scenes, [r.frame for r in facts.references])
    return replace(light, notices=notices)


def look_at_all(
    measured: Mapping[str, Measured], bursts: Sequence[Burst]
) -> tuple[dict[str, Subject | None], dict[str, Ranked]]:
    """Frame -> whom it is about, and how good it is; burst by burst, so that no more than one is in memory."""
    subjects: dict[str, Subject | None] = {}
    looked: dict[str, Quality] = {}
    for burst in bursts:
        own = {n: measured[n] for n in burst.frames if n in measured}
        seen = [crop.observation_of(m) for m in own.values()]
        for (name, m), subject in zip(own.items(), find_subjects(seen), strict=True):
            subjects[name] = subject
            looked[name] = crop.looked(m, subject)
    return subjects, rank(bursts, looked)


def solve(
    store: Store,
    measured_frames: Sequence[MeasuredFrame],
    bursts: Sequence[Burst],
    facts: Facts,
    recipe: Recipe,
    workers: int = 1,
    executor: Executor | None = None,
) -> Plan:
    """Run every step's `solve` in recipe order over the frames that could be read."""
    keys = {s.frame.name: s.key for s in measured_frames if not s.error}
    frames = [s.frame for s in measured_frames if not s.error]
    solutions: dict[str, Mapping[str, Solution]] = {}
    notices: list[str] = []
    by_frame: dict[str, tuple[str, ...]] = {}

    @cache
    def light() -> ShootLight:
        return shoot_light(store, measured_frames, bursts, facts, workers, executor)

    @cache
    def looks() -> tuple[Mapping[str, Subject | None], Mapping[str, Ranked]]:
        return look_at_all(Measurements(store, keys, crop.STEP.name), bursts)

    def run(bound: Bound, label: str) -> None:
        if bound.step.solve is None:
            return
        measured = Measurements(store, keys, bound.step.name)
        context = SolveContext(
            frames, bursts, facts, measured, light, lambda: looks()[0], lambda: looks()[1], dict(solutions)
        )
        solved = bound.step.solve(context, bound.params)
        solutions[label] = solved.by_frame
        notices.extend(n for n in solved.notices if n not in notices)
        for name, text in solved.notices_by_frame.items():
            by_frame[name] = (*by_frame.get(name, ()), text)

    for bound in recipe.steps:
        run(bound, bound.step.name)
    for delivery in recipe.deliveries:
        for bound in delivery.steps:
            run(bound, f"{delivery.name}/{bound.step.name}")
    if light.cache_info().currsize:
        notices.extend(light().notices)
    return Plan(solutions, tuple(notices), by_frame, looks()[1])
