"""Phase two, solve: from all measurements to a few numbers for each frame. Runs once, in the parent process."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from pipeline.engine.burst_light import Before, find_scenes
from pipeline.engine.burst_people import subjects_and_ranks
from pipeline.engine.measure import MeasuredFrame, Measurements
from pipeline.engine.tables.reference_proposals import may_show_references
from pipeline.errors import AGAIN, in_short, trace
from pipeline.imaging.memory import give_back_memory
from pipeline.light.scenes import ShootLight, compare
from pipeline.people.ranking import Ranked
from pipeline.recipe.recipe import Bound, Delivery, Recipe
from pipeline.shoot.facts import CROP_OF, Facts
from pipeline.steps import crop
from pipeline.steps.base import AnyStep, Solution, SolveContext, Solved
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
    return _Solving(store, measured_frames, bursts, facts, recipe, workers, progress).go()


class _Solving:
    """One call of `solve`: what was found so far, and what several steps ask for, found once."""

    def __init__(
        self,
        store: Store,
        measured_frames: Sequence[MeasuredFrame],
        bursts: Sequence[Burst],
        facts: Facts,
        recipe: Recipe,
        workers: Workers,
        progress: Callable[[int, int], None],
    ) -> None:
        self.store, self.measured_frames, self.bursts, self.facts = store, measured_frames, bursts, facts
        self.recipe, self.workers, self.progress = recipe, workers, progress
        self.frames = [s.frame for s in measured_frames if not s.error]
        self.solutions: dict[str, Mapping[str, Solution]] = {}
        self.notices: list[str] = []
        self.by_frame: dict[str, tuple[str, ...]] = {}
        self.failed: dict[str, str] = {}
        self.before: list[Before] = []
        self._light: ShootLight | None = None
        self.curves = {
            b for b in (*recipe.steps, *(b for d in recipe.written for b in d.steps)) if b.step.displayed is not None
        }

    def go(self) -> Plan:
        """Solve every step. Raises as `solve`."""
        cards = self.cards()
        self.by_frame |= dict.fromkeys(cards, (_CARD,))
        # First: what compares the frames' looks is gone when their light comes.
        self.subjects, self.ranks, unranked = subjects_and_ranks(
            self._measured(crop.STEP), self.bursts, self.facts, self.workers, cards, self.progress
        )
        give_back_memory()
        for label, bound in self.recipe.labelled():
            self.step(bound, label)
        for delivery in self.recipe.deliveries:
            for bound in delivery.steps:
                if (label := delivery.label(bound)) not in self.solutions:  # its groups differ only in their frames
                    self.step(bound, label, delivery.written.name)
        if self._light is not None:
            self.notices.extend(self._light.notices)
        self.notices += _crops_unused(self.facts, [d.name for d in self.recipe.written])
        if unranked:
            self.failed["ranks"] = unranked
        return Plan(self.solutions, tuple(self.notices), self.by_frame, self.ranks, self.failed)

    def cards(self) -> tuple[str, ...]:
        """Frames that may show a card or chart, which nobody named."""
        try:
            return may_show_references(self.store, self.measured_frames, self.bursts, self.facts, self.workers)
        except Exception as error:  # the night can do without
            raise_if_full(error)
            trace(error)
            self.failed["references"] = (
                f"cards and charts could not be looked for ({in_short(error)}): one that references does not name may "
                f"be delivered; {AGAIN}"
            )
            return ()

    def step(self, bound: Bound, label: str, delivery: str = "") -> None:
        """Solve one step, for all deliveries or, in its own, for one."""
        if bound.step.solve is None:
            return
        measured = self._measured(bound.step) if bound.step.from_arrays else {}
        context = SolveContext(
            self.frames,
            self.bursts,
            self.facts,
            measured,
            self.light,
            lambda: self.subjects,
            lambda: self.ranks,
            dict(self.solutions),
            self.displayed,
            delivery,
        )
        try:
            solved = bound.step.solve(context, bound.params)
        except Exception as error:  # whatever it is, the night goes on
            raise_if_full(error)
            trace(error)
            self.failed[label] = f"step {label} failed ({in_short(error)}): {bound.step.without}; {AGAIN}"
            solved = _instead(bound, context)
        self.solutions[label] = solved.by_frame
        if bound.step.on_proxy is not None:
            changed = Before(bound.step, solved.by_frame).of(list(solved.by_frame))
            if changed is not None:
                self.before.append(changed)
                self._light = None  # the steps that follow work on other pictures
        self.notices.extend(n for n in solved.notices if n not in self.notices)
        for name, text in solved.notices_by_frame.items():
            self.by_frame[name] = (*self.by_frame.get(name, ()), text)

    def light(self) -> ShootLight:
        """Found when the first step asks for it."""
        if self._light is None:
            self._light = shoot_light(
                self.store, self.measured_frames, self.bursts, self.facts, self.workers, self.before
            )
        return self._light

    def displayed(self, image: Image, finished: bool) -> list[Image]:
        """An image as each different curve of the recipe shows it."""
        return [b.step.displayed(image, b.params, finished) for b in self.curves if b.step.displayed is not None]

    def _measured(self, step: AnyStep) -> Measurements[Any]:
        return Measurements(self.store, self.measured_frames, step)


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
