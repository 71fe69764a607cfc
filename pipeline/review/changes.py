"""What was decided, one record a change, in OUT/.work/review: undo reaches back across a closed laptop."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from pydantic import JsonValue

from pipeline.store.records import Count
from pipeline.store.store import REVIEW, Store

Field = Literal["keep", "rating", "players", "words", "crop", "reference", "publish"]


@dataclass(frozen=True)
class Change:
    """One decision.

    number  from 1, without gaps; when  local, ISO 8601
    about   a frame, or a player as "home 7"; delivery  of a crop for one, None for all
    before, after  the value, see decisions; for a field that the row had not, None or ""
    undoes  the number of the change that this one takes back, 0 for none
    corrects  whether the row had a wrong cell before, so that `before` is not all that it said
    """

    number: Count
    when: str
    field: Field
    about: str
    delivery: str | None
    before: JsonValue
    after: JsonValue
    undoes: Count = 0
    corrects: bool = False

    def in_words(self) -> str:
        """For undo: which field of which frame."""
        what = {"reference": "white reference", "publish": "consent", "players": "who is in it", "words": "words"}
        of = f" for {self.delivery}" if self.delivery else ""
        return f"{self.about}, {what.get(self.field, self.field)}{of}"


class ChangeLog:
    """The changes, oldest first. Each is on disk before the file that it changes is written: where a program was killed
    between the two, its `after` is not what the file says, and it is passed over."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self.changes: list[Change] = []
        self.catch_up()

    def catch_up(self) -> None:
        """Read what another review of the same OUT has added since."""
        while True:
            number = len(self.changes) + 1
            found = self._store.record(REVIEW, _name(number), Change)
            if found is None or found.number != number:
                return
            self.changes.append(found)

    def add(
        self,
        field: Field,
        about: str,
        delivery: str | None,
        before: JsonValue,
        after: JsonValue,
        undoes: int = 0,
        *,
        corrects: bool = False,
    ) -> Change:
        """Keep one more. Raises OSError."""
        self.catch_up()
        when = datetime.now().astimezone().isoformat(timespec="seconds")
        change = Change(len(self.changes) + 1, when, field, about, delivery, before, after, undoes, corrects)
        (self._store.work / REVIEW).mkdir(parents=True, exist_ok=True)
        self._store.put_record(REVIEW, _name(change.number), Change, change)
        self.changes.append(change)
        return change

    def forget(self, change: Change) -> None:
        """Take back the last one, where the file that it is about could not be written after all."""
        if self.changes and self.changes[-1] == change:
            self.changes.pop()
            self._store.remove(REVIEW, _name(change.number))

    def last(self) -> Change | None:
        """The change that undo takes back: the newest that is not undone, and undoes none."""
        undone = {change.undoes for change in self.changes}
        return next((c for c in reversed(self.changes) if not c.undoes and c.number not in undone), None)


def _name(number: int) -> str:
    return f"{number:08d}.json"
