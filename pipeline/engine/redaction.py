"""Takes withheld names and serial numbers out of run.json and the report, which may be passed on with a delivery."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import PurePosixPath
from typing import Any, Protocol

from pipeline.engine.filenames import holds_withheld
from pipeline.recipe.recipe import Bound, Delivery, Recipe
from pipeline.report.kept_frames import KeptFrames, adapter
from pipeline.report.record import RunRecord
from pipeline.shoot.clocks.fit import ClockNote
from pipeline.shoot.facts import Facts, withheld
from pipeline.shoot.names import first_named, hints_at, holds_any, name_pattern, replace_name
from pipeline.shoot.scan import NOT_UTF8
from pipeline.types import Frame

STAND_IN = "(name withheld)"
# Messages of the program about files and tables: there, a lone surname must go too. Captions stay as delivered.
_MESSAGES = ("notices", "reason", "problems", "relative", "stopped", "failed_steps")
_CAMERA = "camera"  # left out whole, also where it has initials with a surname


class AsRead(Protocol):
    """What of a Shoot counts here."""

    @property
    def facts(self) -> Facts: ...  # noqa: D102

    @property
    def frames(self) -> tuple[Frame, ...]: ...  # noqa: D102

    @property
    def missing(self) -> tuple[tuple[str, str], ...]: ...  # noqa: D102

    @property
    def lost(self) -> tuple[tuple[str, str], ...]: ...  # noqa: D102

    @property
    def clock_notes(self) -> tuple[ClockNote, ...]: ...  # noqa: D102


@dataclass(frozen=True)
class FramesAndFacts:
    """A shoot of which only the frames and the facts were read."""

    frames: tuple[Frame, ...]
    facts: Facts
    missing: tuple[tuple[str, str], ...] = ()
    lost: tuple[tuple[str, str], ...] = ()
    clock_notes: tuple[ClockNote, ...] = ()


class Redaction:
    """Replaces withheld names by STAND_IN.

    A frame whose own name may hold a part of a withheld name is called by its number in the order of the shoot, as
    its delivered files are; a missing frame, by its place among the missing.
    """

    def __init__(self, shoot: AsRead) -> None:
        self.facts = shoot.facts
        self.names = tuple(p.name for p in self.facts.roster if withheld(self.facts, p))
        self.patterns = [pattern for name in self.names if (pattern := name_pattern(name))]
        self.unmarked = {note.text: note.record for note in shoot.clock_notes}  # without serial numbers
        self.changed = False  # whether anything was taken out of a record
        self._known: dict[tuple[str, bool], str] = {}
        called: dict[str, str] = {}
        for at, frame in enumerate(shoot.frames, 1):
            number = frame.number or at
            if holds_withheld(frame.relative, self.facts, parts=True):
                called[frame.relative] = f"frame-{number:04d}{PurePosixPath(frame.relative).suffix}"
            if holds_withheld(frame.name, self.facts, parts=True):
                called[frame.name] = f"frame-{number:04d}"
        for number, (name, _) in enumerate(shoot.missing, 1):
            if name not in called and holds_withheld(name, self.facts, parts=True):
                called[name] = f"missing-{number:04d}"
        for number, (name, why) in enumerate(shoot.lost, 1):
            # What is no text may be a letter of a withheld name in another code page.
            if holds_withheld(name, self.facts, parts=True) or (self.names and why == NOT_UTF8):
                called[name] = f"unreadable-{number:04d}{PurePosixPath(name).suffix}"
        self.called: Mapping[str, str] = called
        nameless = {name for name, why in shoot.lost if why == NOT_UTF8}
        self._named = called.keys() - nameless

    def frame(self, name: str) -> str:
        """The name of a frame in the record."""
        return self.called.get(name, name)

    def text(self, text: str, *, message: bool = False) -> str:
        """`text` without the whole names; in a `message` of the program, also without words that may be parts."""
        return self._without(self.unmarked.get(text, text), message=message)

    def _without(self, text: str, *, message: bool) -> str:
        key = (text, message)
        if self.names and key not in self._known:
            self._known[key] = self._text(text, message)
        return self._known.get(key, text)

    def line(self, text: str) -> str:
        """A line for the screen, which somebody else may see or be sent: frames are called as in the record. What is to
        be found and removed by hand keeps its name."""
        return self._on_screen.sub(lambda match: self.called[match[0]], text) if self._named else text

    def record(self, record: RunRecord) -> RunRecord:
        """A copy of a run's record without the names."""
        if not (self.names or self.called or self.unmarked):
            return record
        kept = KeptFrames()
        for name, frame in record.frames.items():
            before = adapter().dump_python(frame, mode="json")
            value = self._value(before, message=False)
            self.changed |= value != before or self.text(name) != name
            kept.put(self.text(name), adapter().validate_python(value))
        return self.again(record, replace(record, frames=kept))

    def again(self, record: RunRecord, redacted: RunRecord) -> RunRecord:
        """As `record`, where only what is not of single frames has changed since `redacted` was made of it."""
        if not (self.names or self.called or self.unmarked):
            return record
        before = replace(record, frames={}).as_json()
        value = self._value(before, message=False)
        self.changed |= value != before
        head = RunRecord.from_json(value)
        return replace(head, frames=redacted.frames)

    def recipe(self, recipe: Recipe) -> Recipe:
        """A copy of the recipe without the names, in its parameters and keywords."""
        deliveries = tuple(map(self._delivery, recipe.deliveries))
        return replace(recipe, steps=tuple(map(self._bound, recipe.steps)), deliveries=deliveries)

    def _delivery(self, one: Delivery) -> Delivery:
        deliver = self._bound(one.deliver) if one.deliver else None
        whole = self._delivery(one.whole) if one.whole else None
        return replace(one, steps=tuple(map(self._bound, one.steps)), deliver=deliver, whole=whole)

    def _bound(self, bound: Bound) -> Bound:
        changes: dict[str, Any] = {}
        for name, value in bound.params:
            if isinstance(value, str):
                changes[name] = self.text(value)
            elif isinstance(value, tuple) and all(isinstance(entry, str) for entry in value):  # keywords
                changes[name] = tuple(e for e in value if not holds_withheld(e, self.facts, parts=True))
        return replace(bound, params=bound.params.model_copy(update=changes))

    def _value(self, value: Any, *, message: bool) -> Any:
        if isinstance(value, str):
            return self.text(value, message=message)
        if isinstance(value, Mapping):
            return {
                self.text(str(k)): STAND_IN
                if k == _CAMERA and first_named(str(v), self.names) is not None
                else self._value(v, message=message or k in _MESSAGES)
                for k, v in value.items()
            }
        if isinstance(value, list | tuple):
            return [self._value(entry, message=message) for entry in value]
        return value

    @cached_property
    def _frames(self) -> re.Pattern[str]:
        return _any_of(self.called)

    @cached_property
    def _on_screen(self) -> re.Pattern[str]:
        return _any_of(self._named)

    def _text(self, text: str, message: bool) -> str:
        if self.called:
            text = self._frames.sub(lambda match: self.called[match[0]], text)
        if holds_any(text, self.names):
            for pattern in self.patterns:
                text = replace_name(text, pattern, STAND_IN)
        inside_words = bool(self.names) and first_named(text, self.names, initials=False) is not None
        return re.sub(r"[^\W_]+", self._word, text) if message or inside_words else text

    def _word(self, match: re.Match[str]) -> str:
        word = match[0]
        may_be_name = word != word.lower() or word.upper() == word.lower()
        return "…" if may_be_name and any(hints_at(word, name, "en") for name in self.names) else word


def _any_of(names: Iterable[str]) -> re.Pattern[str]:
    longest_first = sorted(names, key=len, reverse=True)
    return re.compile(r"(?<!\w)(?:" + "|".join(map(re.escape, longest_first)) + r")(?!\w)")
