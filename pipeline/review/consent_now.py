"""What follows from what is decided now for frames of which nobody wrote it: by their own texts, as copies of what is
held, or in a burst with it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from pipeline.engine.jobs import Shoot
from pipeline.review.facts_now import FactsNow
from pipeline.shoot.consent import beside_withheld, is_named, named_by_own_texts, with_copies
from pipeline.shoot.copies import is_copy
from pipeline.shoot.facts import Facts, Player, held_back


@dataclass(frozen=True)
class Search:
    """What a search of the frames' own texts and of copies found.

    held    frame -> why it is held back; of_texts, of_copies  notices, see Shoot
    roster, creator  of the facts that it was for; listed  frame -> whom they say is in it, where they say it
    """

    held: Mapping[str, str]
    of_texts: tuple[str, ...]
    of_copies: tuple[str, ...]
    roster: tuple[Player, ...]
    creator: str
    listed: Mapping[str, tuple[tuple[str, str], ...]] = field(default_factory=dict)

    def is_for(self, facts: Facts) -> bool:
        """Whether the same names are withheld by these facts."""
        return (self.roster, self.creator) == (facts.roster, facts.creator)

    def may_be_otherwise(self, facts: Facts) -> bool:
        """Whether whom a frame shows was written, of one that is held until somebody does, or was taken away again."""
        own = [name for name, why in self.held.items() if not is_copy(why)]
        written = any(facts.row(name).players != self.listed.get(name, ()) for name in own)
        return written or any(not facts.row(name).players for name in self.listed)


class ConsentNow:
    """Of one shoot."""

    def __init__(self, shoot: Shoot, facts: FactsNow) -> None:
        self._shoot, self._facts = shoot, facts
        known = shoot.facts
        self._last = Search(
            shoot.own_texts, shoot.of_texts, shoot.of_copies, known.roster, known.creator, _listed(known)
        )
        self._burst = {name: burst for burst in shoot.bursts for name in burst.frames}
        self.beside: set[str] = set()  # see may_show_withheld
        self.look_beside()

    def own_text(self, frame: str) -> str:
        """Why a frame is held back by what the last search found; "" where it is not."""
        return self._last.held.get(frame, "")

    def held(self, frame: str) -> str:
        """Why a frame may be in no delivery because of who is in it; "" where it may."""
        return self._facts.held(frame, self._last.held)

    def search(self) -> Search:
        """Look for the copies of what is held now; where other names are withheld now, or it is known of another frame
        whom it shows, in every frame's own texts before. It takes seconds."""
        facts, frames, of_copies = self._facts.facts, self._shoot.frames, list[str]()
        held, of_texts = self._last.held, list(self._last.of_texts)
        if not self._last.is_for(facts) or self._last.may_be_otherwise(facts):
            of_texts = []
            held = named_by_own_texts(facts, frames, of_texts)
        held = with_copies(facts, frames, held, of_copies)
        return Search(held, tuple(of_texts), tuple(of_copies), facts.roster, facts.creator, _listed(facts))

    def take(self, found: Search) -> bool:
        """Whether what a search found is for the facts as they are: it counts from now on."""
        if found.is_for(self._facts.facts):
            self._last = found
            return True
        return False

    def said(self) -> tuple[str, ...]:
        """What a person must know of several frames at once."""
        return (*self._last.of_texts, *self._last.of_copies)

    def may_show_withheld(self) -> list[str]:
        """The frames that are not held and of which nobody wrote who is in them, in bursts of which another frame shows
        somebody who is withheld, in order of time."""
        return [frame.name for frame in self._shoot.frames if frame.name in self.beside]

    def look_beside(self, decided: Iterable[str] | None = None) -> set[str]:
        """The frames that are among these since something was decided, or no longer. decided  of which frames, None for
        any"""
        bursts = self._shoot.bursts
        if decided is not None:
            bursts = tuple({id(one): one for name in decided if (one := self._burst.get(name)) is not None}.values())
        before = {name for burst in bursts for name in burst.frames if name in self.beside}
        changed = before.symmetric_difference(beside_withheld(bursts, self._shows_withheld, self._is_unnamed))
        self.beside ^= changed
        return changed

    def _is_unnamed(self, frame: str) -> bool:
        row = self._facts.row(frame)
        return row.keep and not row.players and not self.held(frame)

    def _shows_withheld(self, frame: str) -> bool:
        row = self._facts.row(frame)
        said = held_back(self._facts.facts, replace(row, unclear="")) if row.unclear else self._facts.held(frame, {})
        return bool(said) or is_named(self.own_text(frame))


def _listed(facts: Facts) -> dict[str, tuple[tuple[str, str], ...]]:
    return {name: row.players for name, row in facts.rows.items() if row.players}
