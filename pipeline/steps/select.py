"""select: which frames are delivered; for: whom a delivery is for, and which of their frames it holds.

Both choose by one function, and every frame that is left out is named with its reason.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from pydantic import Field, field_validator

from pipeline.steps.base import Group, NoMeasurement, Order, Params, SolveContext, Solved, Step
from pipeline.types import Domain, JsonObject

if TYPE_CHECKING:
    from pipeline.people.ranking import Ranked
    from pipeline.shoot.facts import Facts, FrameFacts


_POOR = 1  # the suggested rating of frames that are blurred, burnt out or far too dark


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


class ForParams(SelectParams):
    """Parameters of for. Where several are given, each narrows the choice of the others; whom it is for comes first."""

    player: tuple[str, ...] = Field(
        (), description='only frames in which frames.csv names one of these under players: "home 7", or a name'
    )
    team: tuple[str, ...] = Field(
        (), description="only frames in which frames.csv names a player of one of these: home, away or a team's name"
    )
    marked: tuple[str, ...] = Field(
        (), description="only frames for which frames.csv has one of these words in a column called for, such as paper"
    )
    each: Literal["player", "team"] | None = Field(
        None,
        description="a folder for each player or team that frames.csv names, with the frames that show them; "
        "rating, best and total then count in each folder",
    )

    @field_validator("player", "team", "marked", mode="before")
    @classmethod
    def _several(cls, value: Any) -> Any:
        from pipeline.shoot.rows import entries

        return tuple(entries(value)) if isinstance(value, str) else value


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
    be shown, are never chosen, nor is in a delivery what the shared select leaves out."""
    rows = {f.name: context.facts.row(f.name) for f in context.frames}
    why = {n: s.why for n, s in context.earlier_of(STEP).items() if not s.chosen and n in rows}
    return _choose(context, params, rows, why, {name for name, row in rows.items() if row.always})


def solve_for(context: SolveContext[NoMeasurement], params: ForParams) -> Solved[SelectSolution]:
    """Choose frames of those whom the delivery is for. keep: always goes first here too, and does no more: who asked
    for five pictures gets five, and nobody gets a picture of others."""
    rows = {f.name: context.facts.row(f.name) for f in context.frames}
    why = {n: s.why for n, s in context.earlier_of(STEP).items() if not s.chosen and n in rows}
    why |= {name: "rejected: rated -1" for name, row in rows.items() if row.rating == -1}
    why |= {name: text for name, text in _others(params, context.facts, rows).items() if name not in why}
    solved = _choose(context, params, rows, why, set())
    children = params.each == "player" and context.facts.minors
    notices = [_CHILDREN if children else _NOBODY.format(each=params.each)] if params.each else []
    shown = _shown(params, context.facts) if params.player else None
    hidden = [one for one in context.facts.roster if not one.publish and (one.team, one.number) in (shown or ())]
    notices += [_HIDDEN.format(line=one.line) for one in hidden]
    return Solved(solved.by_frame, tuple(notices))


def _others(params: ForParams, facts: Facts, rows: Mapping[str, FrameFacts]) -> dict[str, str]:
    """Frames that are for others, and why. Raises ValueError as _shown."""
    from pipeline.store.files import folded

    shown = _shown(params, facts)
    why = {name: _OTHERS for name, row in rows.items() if shown is not None and shown.isdisjoint(row.players)}
    words = {folded(word) for word in params.marked}
    unmarked = [name for name, row in rows.items() if words.isdisjoint(map(folded, row.marks))] if words else []
    return {**dict.fromkeys(unmarked, _UNMARKED), **why}


_OTHERS = "frames.csv names nobody in it whom this delivery is for"
_UNMARKED = "frames.csv does not mark it, under for, as this delivery asks"
_HIDDEN = "for: a player's line in the roster (line {line}) says publish: no, so nobody gets a picture of that player"
_NOBODY = (
    "for: each {each}: frames.csv names nobody yet who may be named, so there is no folder; fill in players, and run "
    "the same command again"
)
_CHILDREN = (
    "for: each player: shoot.yaml says minors: true, and a folder for each child, by name or number, tells who is who, "
    "so there is none. Write each: team, or for a family that asked a delivery of its own with player: home 7"
)


def _shown(params: ForParams, facts: Facts) -> set[tuple[str, str]] | None:
    """Those of whom a frame must show one, as frames.csv has them; None where it may show anybody.

    Raises ValueError where the roster or the teams know one of them not.
    """
    from pipeline.shoot.rows import players_of, side_of

    if not (params.player or params.team or params.each):
        return None
    wrong: list[str] = []
    players = set(players_of(params.player, facts.teams, facts.roster, wrong))
    found = [side_of(written, facts.teams) for written in params.team]
    if wrong or (wrong := [why for _, why in found if why]):
        raise ValueError("; ".join(wrong))
    sides = {side for side, _ in found if side}
    named = {player for row in facts.rows.values() for player in row.players}
    named = {(side, number) for side, number in named if not sides or side in sides}
    return set() if params.each else named & players if params.player else named


def parted(params: ForParams, facts: Facts) -> list[tuple[Group | None, ForParams]]:
    """The folders of `each`, in the order of the roster: of those who are named in a frame and may be named, and are
    among `player` and `team` where these are given. Of minors no player has one: see _CHILDREN. Raises ValueError where
    the facts do not know one of these."""
    from pipeline.shoot.facts import SIDES, withheld

    everybody = params.model_copy(update={"each": None})
    if not params.each:
        _shown(params, facts)  # raises
        return [(None, params)]
    shown = _shown(everybody, facts)
    if shown is None:
        shown = {player for row in facts.rows.values() for player in row.players}
    if params.each == "team":
        groups = [Group(side) for side in SIDES if any(team == side for team, _ in shown)]
        return [(one, everybody.model_copy(update={"team": (one.team,)})) for one in groups] or [(None, params)]
    # Of minors nobody. That is no refusal: what was delivered before must go today.
    may = [player for player in facts.roster if not withheld(facts, player)]
    ordered = dict.fromkeys(Group(p.team, p.number) for p in may if (p.team, p.number) in shown)
    return [(one, everybody.model_copy(update={"player": (" ".join(one),)})) for one in ordered] or [(None, params)]


def _choose(
    context: SolveContext[NoMeasurement],
    params: SelectParams,
    rows: Mapping[str, FrameFacts],
    why: dict[str, str],
    always: set[str],
) -> Solved[SelectSolution]:
    """Choose by rating, best and total. why  of frames that are left out already; always  frames that none of these
    leaves out"""
    from pipeline.shoot.facts import held_back

    ranks = context.ranks()
    # A frame that no delivery may hold must not take the place of another.
    free = {name for name, row in rows.items() if row.keep and not held_back(context.facts, row)}
    bursts = [[n for n in burst.frames if n in free] for burst in context.bursts]
    cards = {reference.frame for reference in context.facts.references} - {n for n, row in rows.items() if row.always}
    why |= {name: "shows a reference, not the match" for name in cards if name in rows and name not in why}
    if params.rating is not None:
        for name, row in rows.items():
            if name not in why and (row.rating if row.rating is not None else 0) < params.rating and name not in always:
                rated = "not rated" if row.rating is None else f"rated {row.rating}"
                why[name] = f"{rated}, and {params.rating} or more is asked for"
    elif params.best is not None or params.total is not None:
        why |= {name: "rejected: rated -1" for name, row in rows.items() if row.rating == -1 and name not in always}
    if params.best is not None or params.total is not None:
        for name, row in rows.items():  # a person may want it all the same; else the paper gets no black picture
            if name not in why and ranks[name].blank and not _wanted(row):
                why[name] = f"shows nothing: {ranks[name].why}"
            if name not in why and ranks[name].card and not _wanted(row):
                why[name] = "may show a card or chart, not the match"
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
        chosen = _spread([names for names in ordered if names], params.total, ranks, rows, always)
        for name in (n for names in ordered for n in names if n not in chosen):
            why[name] = f"not among the {params.total} spread over the match: {ranks[name].why}"
    return Solved({name: _solution(name, why, ranks, always) for name in rows})


def fallback(context: SolveContext[NoMeasurement], params: SelectParams) -> Solved[SelectSolution]:
    """Only what a person chose: keep: always, or rated as the recipe asks. Too few can be delivered later, a picture
    that nobody chose cannot be called back."""
    from pipeline.shoot.facts import held_back

    rows = {f.name: context.facts.row(f.name) for f in context.frames}
    step, others = "select", dict[str, str]()
    if isinstance(params, ForParams):
        step, others = "for", _others(params, context.facts, rows)
    found: dict[str, SelectSolution] = {}
    for name, row in rows.items():
        rated = params.rating is not None and row.rating is not None and row.rating >= max(params.rating, 1)
        chosen = (row.always or rated) and row.keep and not held_back(context.facts, row)
        chosen &= name not in others
        found[name] = SelectSolution(chosen, "a person chose it" if chosen else f"{step} failed, and nobody chose it")
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
        if burst != place[name][0] and not _wanted(rows[name]):
            seen.add(name)
    return seen


def _wanted(row: FrameFacts) -> bool:
    """Whether a person has said so."""
    return row.always or (row.rating or 0) > 0


def _spread(
    bursts: Sequence[Sequence[str]],
    total: int,
    ranks: Mapping[str, Ranked],
    rows: Mapping[str, FrameFacts],
    always: set[str],
) -> set[str]:
    """`total` frames spread over the match: it is cut into as many stretches as frames are still to be chosen, and each
    stretch gives its best frame, what a person said first; again with what is left, until there are enough. Frames that
    are worth little go in only where the others are too few, the best of them wherever they are: a stretch without a
    good one gives none."""

    def worth(names: Sequence[str]) -> tuple[bool, int, float]:
        return rows[names[0]].always, rows[names[0]].rating or 0, ranks[names[0]].score

    chosen = {n for names in bursts for n in names if n in always}
    for poor in (False, True):
        left = [
            [n for n in names if n not in chosen and (poor or _wanted(rows[n]) or ranks[n].rating > _POOR)]
            for names in bursts
        ]
        while len(chosen) < total and any(left):
            open_ = [names for names in left if names]
            groups = 1 if poor else min(total - len(chosen), len(open_))
            for i in range(groups):
                stretch = open_[i * len(open_) // groups : (i + 1) * len(open_) // groups]
                chosen.add(max(stretch, key=worth).pop(0))
    return chosen


def leaves_out(solution: SelectSolution) -> str:
    """Why a frame is not chosen; "" where it is."""
    return "" if solution.chosen else solution.why


STEP: Step[SelectParams, NoMeasurement, SelectSolution] = Step(
    name="select",
    version=2,
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

FOR: Step[ForParams, NoMeasurement, SelectSolution] = Step(
    name="for",
    version=2,
    summary="Whom a delivery is for: one player or team, a folder for each of them, the best few for the paper.",
    Params=ForParams,
    place="delivery",
    takes=tuple(Domain),
    order=Order.ANYWHERE,
    changes_pixels=False,
    solve=solve_for,
    fallback=fallback,
    without=STEP.without,
    leaves_out=leaves_out,
    parted=parted,
)
