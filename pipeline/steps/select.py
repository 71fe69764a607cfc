"""select: which frames a delivery holds. Every frame that is left out is named with its reason."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pydantic import Field

from pipeline.steps.base import NoMeasurement, Order, Params, SolveContext, Solved, Step
from pipeline.types import Domain, JsonObject

if TYPE_CHECKING:
    from pipeline.people.ranking import Ranked
    from pipeline.shoot.facts import FrameFacts


class SelectParams(Params):
    """Parameters of select. Where several are given, each narrows the choice of the one before, in this order."""

    rating: int | None = Field(
        None,
        ge=-1,
        le=5,
        description="only frames rated this or better, in frames.csv or an XMP sidecar beside the frame",
    )
    best: int | None = Field(
        None,
        ge=1,
        le=1000,
        description="the best of each burst by score, at most this many; of near-duplicates in several bursts one",
    )
    total: int | None = Field(
        None,
        ge=1,
        le=100000,
        description="the best in all, at most this many, spread evenly over the match; of near-duplicates one",
    )


@dataclass(frozen=True, slots=True)
class SelectSolution:
    """Whether a frame is chosen, and why or why not, as a sentence for the report."""

    chosen: bool
    why: str

    def as_json(self) -> JsonObject:
        """For the record."""
        return {"chosen": self.chosen, "why": self.why}


def solve(context: SolveContext[NoMeasurement], params: SelectParams) -> Solved[SelectSolution]:
    """Choose frames. Those with keep: always in frames.csv come first; those with keep: no, or of players who may not
    be shown, are never chosen."""
    from pipeline.shoot.facts import held_back

    ranks = context.ranks()
    rows = {f.name: context.facts.row(f.name) for f in context.frames}
    always = {name for name, row in rows.items() if row.always}
    # A frame that no delivery may hold must not take the place of another.
    free = {name for name, row in rows.items() if row.keep and not held_back(context.facts, row)}
    bursts = [[n for n in burst.frames if n in free] for burst in context.bursts]
    cards = {reference.frame for reference in context.facts.references} - always
    why = {name: "shows a reference, not the match" for name in cards if name in rows}
    if params.rating is not None:
        for name, row in rows.items():
            if name not in why and (row.rating if row.rating is not None else 0) < params.rating and name not in always:
                rated = "not rated" if row.rating is None else f"rated {row.rating}"
                why[name] = f"{rated}, and {params.rating} or more is asked for"
    elif params.best is not None or params.total is not None:
        why |= {name: "rejected: rated -1" for name, row in rows.items() if row.rating == -1 and name not in always}
    if params.best is not None or params.total is not None:
        left = [[n for n in burst if n not in why] for burst in bursts]
        why |= dict.fromkeys(_seen_elsewhere(left, ranks, rows), "much like a better frame of another burst")
    ordered = [_by_rank([n for n in burst if n not in why], ranks, rows) for burst in bursts]
    if params.best is not None:
        for names in ordered:
            for name in names[params.best :]:
                if name not in always:
                    # Ratings and keep: always may have put others before a frame that ranks higher.
                    first = "rated or always kept frames went first; " if ranks[name].place <= params.best else ""
                    one = ranks[name]
                    place = f"number {one.place} of {one.of}, {one.why}"
                    why[name] = f"not among the best {params.best} of its burst: {first}{place}"
        ordered = [[n for n in names if n not in why] for names in ordered]
    if params.total is not None:
        chosen = _spread([names for names in ordered if names], params.total, ranks, always)
        for name in (n for names in ordered for n in names if n not in chosen):
            why[name] = f"not among the {params.total} spread over the match: {ranks[name].why}"
    return Solved({name: _solution(name, why, ranks, always) for name in rows})


def fallback(context: SolveContext[NoMeasurement], params: SelectParams) -> Solved[SelectSolution]:
    """Only what a person chose: keep: always, or rated as the recipe asks. Too few can be delivered later, a picture
    that nobody chose cannot be called back."""
    from pipeline.shoot.facts import held_back

    found: dict[str, SelectSolution] = {}
    for name in (frame.name for frame in context.frames):
        row = context.facts.row(name)
        rated = params.rating is not None and row.rating is not None and row.rating >= max(params.rating, 1)
        chosen = (row.always or rated) and row.keep and not held_back(context.facts, row)
        found[name] = SelectSolution(chosen, "a person chose it" if chosen else "select failed, and nobody chose it")
    return Solved(found)


def _solution(name: str, why: Mapping[str, str], ranks: Mapping[str, Ranked], always: set[str]) -> SelectSolution:
    if name in why:
        return SelectSolution(False, why[name])
    return SelectSolution(True, "frames.csv says keep: always" if name in always else ranks[name].why)


def _by_rank(names: Sequence[str], ranks: Mapping[str, Ranked], rows: Mapping[str, FrameFacts]) -> list[str]:
    """What a person said first: keep: always, then the higher rating, then the place in the burst."""
    return sorted(names, key=lambda n: (not rows[n].always, -(rows[n].rating or 0), ranks[n].place))


def _seen_elsewhere(
    bursts: Sequence[Sequence[str]], ranks: Mapping[str, Ranked], rows: Mapping[str, FrameFacts]
) -> set[str]:
    """Near-duplicates of a frame of another burst that goes first. What a person keeps or has rated is none, nor is
    what shows other players, where they are named."""
    place = {name: (at, i) for at, names in enumerate(bursts) for i, name in enumerate(names)}
    first: dict[tuple[object, ...], int] = {}  # moment and who is named in it -> burst that shows it best
    seen: set[str] = set()

    def order(name: str) -> tuple[bool, int, float, tuple[int, int]]:
        return not rows[name].always, -(rows[name].rating or 0), -ranks[name].score, place[name]

    for name in sorted(place, key=order):
        one = (ranks[name].moment, *rows[name].players)
        burst = first.setdefault(one, place[name][0]) if ranks[name].moment else place[name][0]
        if burst != place[name][0] and not rows[name].always and not (rows[name].rating or 0) > 0:
            seen.add(name)
    return seen


def _spread(bursts: Sequence[Sequence[str]], total: int, ranks: Mapping[str, Ranked], always: set[str]) -> set[str]:
    """`total` frames spread over the match: it is cut into as many stretches as frames are still to be chosen, and each
    stretch gives its best frame; again with what is left, until there are enough."""
    chosen = {n for names in bursts for n in names if n in always}
    left = [[n for n in names if n not in chosen] for names in bursts]
    while len(chosen) < total and any(left):
        open_ = [names for names in left if names]
        groups = min(total - len(chosen), len(open_))
        for i in range(groups):
            stretch = open_[i * len(open_) // groups : (i + 1) * len(open_) // groups]
            best = max((names for names in stretch), key=lambda names: ranks[names[0]].score)
            chosen.add(best.pop(0))
    return chosen


def leaves_out(solution: SelectSolution) -> str:
    """Why a frame is not chosen; "" where it is."""
    return "" if solution.chosen else solution.why


STEP: Step[SelectParams, NoMeasurement, SelectSolution] = Step(
    name="select",
    version=1,
    summary="Deliver only a part of the frames: the best of each burst, the rated ones, or some spread over the match.",
    Params=SelectParams,
    place="both",
    takes=tuple(Domain),
    order=Order.ANYWHERE,
    changes_pixels=False,
    solve=solve,
    fallback=fallback,
    without="only frames are delivered that frames.csv keeps always, or that are rated as the recipe asks",
    leaves_out=leaves_out,
)
