"""Phase two, solve: from all measurements to a few numbers for each frame. Runs once, in the parent process."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache

from pipeline.engine.burst_light import find_scenes
from pipeline.engine.measure import MeasuredFrame, Measurements
from pipeline.light.scenes import ShootLight, compare
from pipeline.people.observe import FrameObservation
from pipeline.people.ranking import Quality, Ranked, rank
from pipeline.people.subject import Subject, find_subjects
from pipeline.recipe.recipe import Bound, Delivery, Recipe
from pipeline.shoot.facts import Facts
from pipeline.steps import crop
from pipeline.steps.base import Solution, SolveContext
from pipeline.store.store import Store
from pipeline.types import Burst
from pipeline.workers.executors import Workers


@dataclass(frozen=True)
class Plan:
    """What was solved: solutions by label of the step (Recipe.labelled) and frame, notices, and how good frames are."""

    solutions: Mapping[str, Mapping[str, Solution]]
    notices: tuple[str, ...]
    notices_by_frame: Mapping[str, tuple[str, ...]]
    ranks: Mapping[str, Ranked]

    def of(self, label: str, frame: str) -> Solution | None:
        """The solution of one step for one frame; None where the step has none."""
        return self.solutions.get(label, {}).get(frame)

    def left_out(self, recipe: Recipe, delivery: Delivery, frame: str) -> tuple[str, ...]:
        """Why a frame is not in a delivery; empty where it is."""
        reasons = []
        for label, bound in recipe.labelled(delivery):
            solution = self.of(label, frame)
            if bound.step.leaves_out is not None and solution is not None:
                reasons.append(bound.step.leaves_out(solution))
        return tuple(reason for reason in reasons if reason)


def shoot_light(
    store: Store,
    measured_frames: Sequence[MeasuredFrame],
    bursts: Sequence[Burst],
    facts: Facts,
    workers: Workers = 1,
) -> ShootLight:
    """The light of the frames that could be read. Slow on the first call for a shoot; the scenes are then stored."""
    scenes, notices = find_scenes(store, measured_frames, bursts, workers)
    light = compare([s.frame for s in measured_frames if not s.error], scenes, [r.frame for r in facts.references])
    return replace(light, notices=notices)


def subjects_and_ranks(
    measured: Mapping[str, FrameObservation], bursts: Sequence[Burst]
) -> tuple[dict[str, Subject | None], dict[str, Ranked]]:
    """(frame -> its subject, frame -> how good it is); burst by burst, so that only one is in memory at a time."""
    subjects: dict[str, Subject | None] = {}
    qualities: dict[str, Quality] = {}
    for burst in bursts:
        own = {n: measured[n] for n in burst.frames if n in measured}
        for (name, m), subject in zip(own.items(), find_subjects([m.people for m in own.values()]), strict=True):
            subjects[name] = subject
            qualities[name] = m.assessed(subject)
    return subjects, rank(bursts, qualities)


def solve(
    store: Store,
    measured_frames: Sequence[MeasuredFrame],
    bursts: Sequence[Burst],
    facts: Facts,
    recipe: Recipe,
    workers: Workers = 1,
) -> Plan:
    """Run every step's `solve` in recipe order over the frames that could be read.

    bursts  of frame names, in order of time; workers  for finding the light, as for map_unordered
    """
    frames = [s.frame for s in measured_frames if not s.error]
    solutions: dict[str, Mapping[str, Solution]] = {}
    notices: list[str] = []
    by_frame: dict[str, tuple[str, ...]] = {}

    @cache
    def light() -> ShootLight:
        return shoot_light(store, measured_frames, bursts, facts, workers)

    @cache
    def people() -> tuple[Mapping[str, Subject | None], Mapping[str, Ranked]]:
        return subjects_and_ranks(Measurements(store, measured_frames, crop.STEP), bursts)

    def run(bound: Bound, label: str) -> None:
        if bound.step.solve is None:
            return
        measured = Measurements(store, measured_frames, bound.step) if bound.step.from_arrays else {}
        context = SolveContext(
            frames, bursts, facts, measured, light, lambda: people()[0], lambda: people()[1], dict(solutions)
        )
        solved = bound.step.solve(context, bound.params)
        solutions[label] = solved.by_frame
        notices.extend(n for n in solved.notices if n not in notices)
        for name, text in solved.notices_by_frame.items():
            by_frame[name] = (*by_frame.get(name, ()), text)

    for label, bound in recipe.labelled():
        run(bound, label)
    for delivery in recipe.deliveries:
        for bound in delivery.steps:
            run(bound, delivery.label(bound))
    if light.cache_info().currsize:
        notices.extend(light().notices)
    return Plan(solutions, tuple(notices), by_frame, people()[1])
