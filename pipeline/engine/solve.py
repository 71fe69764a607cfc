"""Phase two, solve: from all measurements to a few numbers for each frame. Runs once, in the parent process."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

from pipeline.engine.burst_light import Before, find_scenes
from pipeline.engine.burst_people import subjects_and_ranks
from pipeline.engine.measure import MeasuredFrame, Measurements
from pipeline.engine.tables.reference_proposals import may_show_references
from pipeline.errors import AGAIN, in_short, trace
from pipeline.imaging.memory import give_back_memory
from pipeline.light.scenes import ShootLight, compare
from pipeline.people.ranking import Ranked
from pipeline.people.subject import Subject
from pipeline.recipe.recipe import Bound, Delivery, Recipe
from pipeline.shoot.facts import CROP_OF, Facts
from pipeline.steps import crop
from pipeline.steps.base import Solution, SolveContext, Solved
from pipeline.store.store import Store
from pipeline.store.watch import raise_if_full
from pipeline.textfile.messages import listed
from pipeline.types import Burst, Image
from pipeline.workers.executors import Workers


@dataclass(frozen=True)
class Plan:
    """What was solved: solutions by label of the step (Recipe.labelled) and frame, notices, and how good frames are.

    failed  label of each step whose `solve` failed, and "ranks" where ranking did -> what that costs, for a person
    """

    solutions: Mapping[str, Mapping[str, Solution]]
    notices: tuple[str, ...]
    notices_by_frame: Mapping[str, tuple[str, ...]]
    ranks: Mapping[str, Ranked]
    failed: Mapping[str, str] = field(default_factory=dict)

    def of(self, label: str, frame: str) -> Solution | None:
        """The solution of one step for one frame; None where the step has none."""
        return self.solutions.get(label, {}).get(frame)

    def left_out(self, recipe: Recipe, delivery: Delivery, frame: str) -> tuple[str, ...]:
        """Why a frame is not in a delivery; empty where it is."""
        reasons = []
        for label, bound in recipe.labelled(delivery):
            solution = self.of(label, frame)
            step = bound.step
            if step.leaves_out is not None and solution is not None:
                try:
                    reasons.append(step.leaves_out(solution))
                except Exception as error:
                    reasons.append(f"{label} failed ({in_short(error)})")
            elif label in self.failed and solution is None and (step.leaves_out or step.fallback):
                # What is not known to be chosen, or to be fit to be seen, is not delivered.
                reasons.append(f"{label} failed, and nothing can stand for it")
        return tuple(reason for reason in reasons if reason)


_CARD = (
    "may show a card or chart, not the match: name it under references if it does, which makes white sure, or write "
    "keep: no in frames.csv; best and total leave it out unless it is rated or always kept"
)


def shoot_light(
    store: Store,
    measured_frames: Sequence[MeasuredFrame],
    bursts: Sequence[Burst],
    facts: Facts,
    workers: Workers = 1,
    before: Sequence[Before] = (),
) -> ShootLight:
    """The light of the frames that could be read. Slow on the first call for a shoot; the scenes are then stored.

    before  steps that change the pictures in which the light is found
    """
    scenes, notices = find_scenes(store, measured_frames, bursts, workers, before=before)
    light = compare([s.frame for s in measured_frames if not s.error], scenes, [r.frame for r in facts.references])
    return replace(light, notices=notices)


def solve(
    store: Store,
    measured_frames: Sequence[MeasuredFrame],
    bursts: Sequence[Burst],
    facts: Facts,
    recipe: Recipe,
    workers: Workers = 1,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> Plan:
    """Run every step's `solve` in recipe order over the frames that could be read.

    bursts  of frame names, in order of time; workers  for finding the light, as for map_unordered; progress  called
    with frames in which the subject was looked for, frames in all

    A step whose `solve` fails costs what it would have given: its frames get what `Step.fallback` makes of them, and
    the plan says so. Raises OSError where the disk is full, and nothing else.
    """
    frames = [s.frame for s in measured_frames if not s.error]
    solutions: dict[str, Mapping[str, Solution]] = {}
    notices: list[str] = []
    by_frame: dict[str, tuple[str, ...]] = {}
    failed: dict[str, str] = {}
    before: list[Before] = []

    curves = {b for b in (*recipe.steps, *(b for d in recipe.written for b in d.steps)) if b.step.displayed}

    def displayed(image: Image, finished: bool) -> list[Image]:
        return [b.step.displayed(image, b.params, finished) for b in curves if b.step.displayed is not None]

    @cache
    def light() -> ShootLight:
        return shoot_light(store, measured_frames, bursts, facts, workers, before)

    cards: tuple[str, ...] = ()
    try:
        cards = may_show_references(store, measured_frames, bursts, facts, workers)
    except Exception as error:  # the night can do without
        raise_if_full(error)
        trace(error)
        failed["references"] = (
            f"cards and charts could not be looked for ({in_short(error)}): one that references does not name may be "
            f"delivered; {AGAIN}"
        )
    by_frame |= dict.fromkeys(cards, (_CARD,))

    @cache
    def people() -> tuple[Mapping[str, Subject | None], Mapping[str, Ranked], str]:
        seen = Measurements(store, measured_frames, crop.STEP)
        return subjects_and_ranks(seen, bursts, facts, workers, cards, progress)

    def run(bound: Bound, label: str, delivery: str = "") -> None:
        if bound.step.solve is None:
            return
        measured = Measurements(store, measured_frames, bound.step) if bound.step.from_arrays else {}
        context = SolveContext(
            frames,
            bursts,
            facts,
            measured,
            light,
            lambda: people()[0],
            lambda: people()[1],
            dict(solutions),
            displayed,
            delivery,
        )
        try:
            solved = bound.step.solve(context, bound.params)
        except Exception as error:  # whatever it is, the night goes on
            raise_if_full(error)
            trace(error)
            failed[label] = f"step {label} failed ({in_short(error)}): {bound.step.without}; {AGAIN}"
            solved = _instead(bound, context)
        solutions[label] = solved.by_frame
        if bound.step.on_proxy is not None:
            changed = Before(bound.step, solved.by_frame).of(list(solved.by_frame))
            if changed is not None:
                before.append(changed)
                light.cache_clear()  # the steps that follow work on other pictures
        notices.extend(n for n in solved.notices if n not in notices)
        for name, text in solved.notices_by_frame.items():
            by_frame[name] = (*by_frame.get(name, ()), text)

    _, ranks, unranked = people()  # first: what compares the frames' looks is gone when their light comes
    give_back_memory()
    for label, bound in recipe.labelled():
        run(bound, label)
    for delivery in recipe.deliveries:
        for bound in delivery.steps:
            if (label := delivery.label(bound)) not in solutions:  # groups of a delivery differ only in their frames
                run(bound, label, delivery.written.name)
    if light.cache_info().currsize:
        notices.extend(light().notices)
    notices += _crops_unused(facts, [d.name for d in recipe.written])
    if unranked:
        failed["ranks"] = unranked
    return Plan(solutions, tuple(notices), by_frame, ranks, failed)


def _crops_unused(facts: Facts, deliveries: Sequence[str]) -> list[str]:
    """That frames.csv has crops for a delivery that the recipe does not make: it may be misspelt."""
    unused = {of for row in facts.rows.values() for of, _ in row.crops} - {name.casefold() for name in deliveries}
    known = listed(list(deliveries))
    return [
        f"frames.csv: the crops in column {CROP_OF}{of} are not used, since the recipe makes no delivery {of}; it "
        f"makes {known}"
        for of in sorted(unused)
    ]


def _instead(bound: Bound, context: SolveContext[Any]) -> Solved[Any]:
    """What stands for a `solve` that failed; no solutions where that fails too."""
    if bound.step.fallback is None:
        return Solved({})
    try:
        return bound.step.fallback(context, bound.params)
    except Exception as error:
        raise_if_full(error)
        trace(error)
        return Solved({})
