"""What is decided and not rendered yet."""

from __future__ import annotations

from dataclasses import dataclass

from pydantic import JsonValue

from pipeline.review.changes import ChangeLog, Field
from pipeline.review.facts_now import FactsNow
from pipeline.review.values import same, value_of
from pipeline.shoot.facts import Facts, FrameFacts
from pipeline.store.records import Count
from pipeline.store.store import REVIEW, Store

_NAME = "rendered.json"
_Key = tuple[Field, str, str | None]
_OF_ROWS: tuple[Field, ...] = ("keep", "rating", "players", "words", "crop")


@dataclass(frozen=True)
class _Rendered:
    """number  of the last change that a run has rendered"""

    number: Count


class Pending:
    """The values that the last run knew, of all that was changed since."""

    def __init__(self, store: Store, log: ChangeLog) -> None:
        self._store, self._log = store, log
        kept = store.record(REVIEW, _NAME, _Rendered)
        self._number = kept.number if kept is not None else 0
        self._by_hand: dict[_Key, JsonValue] = {}
        self._cached: tuple[int, dict[str, dict[_Key, JsonValue]]] = (-1, {})

    def _known(self) -> dict[str, dict[_Key, JsonValue]]:
        """Frame or player -> field -> the value that the last run knew."""
        if self._cached[0] != len(self._log.changes):
            found: dict[str, dict[_Key, JsonValue]] = {}
            for key, value in self._by_hand.items():
                found.setdefault(key[1], {})[key] = value
            for change in self._log.changes[self._number :]:
                key = (change.field, change.about, change.delivery)
                found.setdefault(change.about, {}).setdefault(key, change.before)
            self._cached = len(self._log.changes), found
        return self._cached[1]

    def is_stale(self, frame: str, facts: FactsNow) -> bool:
        """Whether something else is decided of a frame than the last run knew."""
        known = self._known().get(frame, {})
        return any(not same(facts.value(*key), value) for key, value in known.items())

    def by_hand(self, before: Facts, frames: list[str]) -> None:
        """Remember what a table said that was then changed by another program."""
        known = self._known()
        for frame in frames:
            row = before.row(frame)
            for field in _OF_ROWS:
                self._remember(known, (field, frame, None), value_of(row, field))
            for delivery in self._crops(row):
                self._remember(known, ("crop", frame, delivery), value_of(row, "crop", delivery))
        self._cached = (-1, {})

    def _crops(self, row: FrameFacts) -> list[str]:
        return [of for of, _ in row.crops]

    def _remember(self, known: dict[str, dict[_Key, JsonValue]], key: _Key, value: JsonValue) -> None:
        if key not in known.get(key[1], {}):
            self._by_hand[key] = value

    def rendered(self, number: int) -> None:
        """A run has rendered all up to this change. Raises OSError."""
        self._number = number
        self._by_hand.clear()
        self._cached = (-1, {})
        (self._store.work / REVIEW).mkdir(parents=True, exist_ok=True)
        self._store.put_record(REVIEW, _NAME, _Rendered, _Rendered(number))

    def by_another_run(self) -> list[str]:
        """A run that was started elsewhere has ended: it knew what was decided before it. Returns the frames that were
        waiting. What was decided while it was on counts as rendered too: its next run does it all the same."""
        waiting = list(self._known())
        self.rendered(len(self._log.changes))
        return waiting
