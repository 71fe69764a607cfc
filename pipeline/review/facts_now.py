"""What the facts say now, and changing them: a decision becomes a cell, as a person would have written it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from pydantic import JsonValue

from pipeline.engine.jobs import Shoot, without_wrong_rows
from pipeline.engine.tables.frame_table import CHANGED, frame_table, with_suffix
from pipeline.errors import InputError, Problem
from pipeline.people.ranking import Ranked
from pipeline.review.changes import Field
from pipeline.review.facts_files import KINDS, FactsFiles, Kind, Stamp
from pipeline.review.values import Value, cell_of, entry_of, shown_reference, value_of
from pipeline.shoot.countries import languages_of
from pipeline.shoot.eventfile import parse_event
from pipeline.shoot.facts import (
    CROP_OF,
    FRAME_COLUMNS,
    INFO_COLUMNS,
    MARKS,
    ROSTER_COLUMNS,
    Facts,
    FrameFacts,
    Player,
    Reference,
    held_back,
)
from pipeline.shoot.read_facts import load_facts
from pipeline.shoot.rows import read_row, withheld_names
from pipeline.shoot.sidecar import sidecar_rating
from pipeline.textfile.reading import is_there
from pipeline.textfile.table_edits import EditableTable, Form
from pipeline.textfile.tables import Row
from pipeline.textfile.yaml_edits import with_entry
from pipeline.textfile.yamlfile import parse_yaml
from pipeline.types import Frame


class RefusedError(InputError):
    """A value that cannot be written: the message says why."""


class FactsNow:
    """The facts of a shoot as their files are now.

    facts     with the ratings of sidecars
    problems  what is wrong in the files; stopping  whether it would stop a run, and not only hold back the frames of
              some rows
    """

    def __init__(self, shoot: Shoot, files: FactsFiles, ranks: Mapping[str, Ranked]) -> None:
        """ranks  frame -> how good it is, for a new table"""
        self.shoot, self.files, self._ranks = shoot, files, ranks
        self.facts: Facts = shoot.facts
        self.problems: tuple[Problem, ...] = ()
        self.stopping = False
        self._loaded: Facts = shoot.facts  # as read: also with the rows in which a cell is wrong
        self._wrong: dict[str, int] = {}  # frame -> the line of its row, in which a cell is wrong
        self._stamp: Stamp = ()
        self._raw: bytes | None = None
        self._table: EditableTable | None = None
        self._plain: Facts = shoot.facts  # without ratings of sidecars
        self._sidecars: dict[str, int | None] = {}
        self._held: dict[str, str] = {}
        self._there: dict[Kind, Path] = {}
        self.refresh(force=True)

    # ---- reading

    def refresh(self, *, force: bool = False) -> list[str]:
        """Read the files again where they have changed. Returns the frames of which they say something else now."""
        stamp = self.files.stamp()
        if stamp == self._stamp and not force:
            return []
        for _ in range(5):  # a program may be writing one after the other
            self._read()
            again = self.files.stamp()
            if again == stamp:
                break
            stamp = again
        self._stamp = stamp
        before = self.facts
        self._overlay()
        return [name for name in self.shoot.index.frames if not self._alike(before, name)]

    def _alike(self, before: Facts, name: str) -> bool:
        one, other = before.row(name), self.facts.row(name)
        if replace(one, line=0) != replace(other, line=0):
            return False
        return bool(held_back(before, one)) == bool(held_back(self.facts, other))

    def _read(self) -> None:
        try:
            self._raw = self.files.read("frames")
        except InputError:
            self._raw = None
        self._table = None
        facts, problems, _ = load_facts(self.shoot.folder, self.files.given, self.shoot.index)
        self._take(facts, problems)
        if self._raw is not None:
            with suppress(InputError):  # it is said where something is to be written
                self._table = self._editable(self._raw)

    def _take(self, facts: Facts, problems: Sequence[Problem]) -> None:
        """The facts as a run would use them: the frames of rows with a wrong cell are held back."""
        problems = list(dict.fromkeys([*self._gone(), *problems]))
        self._loaded = facts
        self._wrong = {problem.frame: problem.line for problem in reversed(problems) if problem.frame}
        self.problems, self.stopping = tuple(problems), False
        try:
            self._plain, _ = without_wrong_rows(facts, problems)
        except InputError:
            self._plain, self.stopping = facts, True

    def _gone(self) -> list[Problem]:
        """That a file which was there is not any more: it may have said who must not be shown."""
        for kind in KINDS:
            with suppress(InputError):
                if (used := self.files.find(kind).used) is not None:
                    self._there[kind] = used
        message = "was here and is gone: put it back, or end the review and begin it again if that is meant"
        return [Problem(str(path), 0, 0, message) for path in self._there.values() if not is_there(path)]

    def _overlay(self, changed: str | None = None) -> None:
        """changed  the only frame whose row has changed, None where others may have"""
        rows = dict(self._plain.rows)
        for name in self.shoot.index.frames:
            row = rows.get(name)
            if (row is None or row.rating is None) and (rating := self._sidecar(name)) is not None:
                rows[name] = replace(row or FrameFacts(), rating=rating)
        self.facts = replace(self._plain, rows=rows)
        if changed is None:
            self._held.clear()
        else:
            self._held.pop(changed, None)

    def _sidecar(self, name: str) -> int | None:
        """The rating in the XMP sidecar of a frame, as the review began; None without one."""
        if name not in self._sidecars:
            self._sidecars[name] = None
            with suppress(Exception):  # a sidecar can hold anything; the run says that it is not used
                ratings = (sidecar_rating(path) for path in self.shoot.index.frames[name].files)
                self._sidecars[name] = next((one for one in ratings if one is not None), None)
        return self._sidecars[name]

    def is_wrong(self, frame: str) -> bool:
        """Whether a cell in the row of a frame is wrong."""
        return frame in self._wrong

    def row(self, frame: str) -> FrameFacts:
        """What is written of a frame."""
        return self.facts.row(frame)

    def held(self, frame: str, own_texts: Mapping[str, str]) -> str:
        """Why it may be in no delivery because of who is in it, without a name; "" where it may."""
        if frame not in self._held:
            self._held[frame] = held_back(self.facts, self.facts.row(frame))
        return self._held[frame] or own_texts.get(frame, "")

    def held_with(self, facts: Facts) -> set[str]:
        """The frames that would be held with these facts."""
        return {name for name in self.shoot.index.frames if held_back(facts, facts.row(name))}

    def frees(self, frame: str, field: Field, value: Value) -> bool:
        """Whether a frame that is held because of who is in it would be so no longer with another value of a field."""
        row = self.facts.row(frame)
        players = value if field == "players" else value_of(row, "players")
        words = value if field == "words" else row.words
        return bool(held_back(self.facts, row)) and not held_back(self.facts, self.typed(frame, players, words)[0])

    def typed(self, frame: str, players: Value, words: Value) -> tuple[FrameFacts, list[str]]:
        """(what the row of a frame would say with other players and words, what is wrong with them)."""
        facts, wrong = self.facts, list[str]()
        cells = {"players": cell_of("players", players), "words": cell_of("words", words)}
        row = Row("", 0, cells)
        read = read_row(row, facts.teams, facts.roster or None, self._languages(), (), wrong)
        now = facts.row(frame)
        return replace(now, players=read.players, words=read.words), wrong

    def value(self, field: Field, about: str, delivery: str | None) -> JsonValue:
        """The value of a field now; see review.values."""
        if field == "reference":
            return shown_reference(next((one for one in self.facts.references if one.frame == about), None))
        if field == "publish":
            player = self.player(about)
            return player.publish if player is not None else None
        return value_of(self.facts.row(about), field, delivery)

    def player(self, called: str) -> Player | None:
        """The player of "home 7"."""
        team, _, number = called.partition(" ")
        return self.facts.player(team, number)

    # ---- changing

    def change(self, field: Field, about: str, delivery: str | None, value: Value) -> None:
        """Write a value. Raises RefusedError, facts_files.ReadOnlyError, InputError where the file is no such file, and
        facts_files.MeanwhileError where it is another by now."""
        if field == "reference":
            self._reference(about, value)
        elif field == "publish":
            self._publish(about, value)
        else:
            self._cell(field, about, delivery, value)

    def _languages(self) -> tuple[str, ...]:
        return tuple(languages_of(self._loaded.language, self._loaded.country))

    def _cell(self, field: Field, frame: str, delivery: str | None, value: Value) -> None:
        if frame in self._loaded.unclear:
            raise RefusedError(f"{self.facts.unclear[frame]}: correct that line first")
        if self._raw is None and "frames" in self._there:
            raise RefusedError(f"{self._there['frames']}: was here and is gone; put it back first")
        column = f"{CROP_OF}{delivery}" if field == "crop" and delivery else field
        text = cell_of(field, value)
        table, line = self._written(frame, {column.casefold(): text})
        row = self._row_at(table, line)
        if self.shoot.index.of_row(row).name != frame:  # only a memory of the row as it was told which frame it means
            table = table.with_cells(line, {"frame": self.shoot.index.unmistakable(frame)})
            row = self._row_at(table, line)
            if self.shoot.index.of_row(row).name != frame:
                raise RefusedError(f"line {line} of {Path(table.form.file).name} may mean another frame: correct it")
        wrong: list[str] = []
        facts = self._loaded
        hidden = withheld_names(facts.roster, facts.minors)
        typed = read_row(row, facts.teams, facts.roster or None, self._languages(), hidden, wrong)
        before = [problem for problem in self.problems if problem.line == line and problem.file == row.file]
        if wrong and not before:
            raise RefusedError("; ".join(wrong))
        self.files.write("frames", self._raw, table.raw)
        moved = self._raw is None or table.lines[: len(self._lines())] != self._lines() or before
        self._raw, self._table, self._stamp = table.raw, table, self.files.stamp()
        if moved:
            self._read()
        else:
            unnamed = tuple(name for name in facts.unnamed if name != frame)
            self._take(replace(facts, rows={**facts.rows, frame: typed}, unnamed=unnamed), self.problems)
        self._overlay(None if moved else frame)

    def _lines(self) -> tuple[int, ...]:
        return self._table.lines if self._table is not None else ()

    def _written(self, frame: str, texts: Mapping[str, str]) -> tuple[EditableTable, int]:
        """The table with other texts in the row of a frame, and the line of that."""
        if self._table is None:
            self._table = self._editable(self.new_table() if self._raw is None else self._raw)
        table, line = self._table, self._wrong.get(frame) or self._plain.row(frame).line
        if self._raw is None:
            named = [at for at in table.lines if self.shoot.index.of_row(self._row_at(table, at)).name == frame]
            line = named[0] if named else 0
        if line:
            return table.with_cells(line, texts), line
        about = self.shoot.index.frames[frame]
        known = {"frame": self._called(about), "file": about.relative}
        if about.exif.time is not None:
            known["time"] = about.exif.time.isoformat(sep=" ", timespec="milliseconds")
        known = {column: text for column, text in known.items() if column in table.header}
        return table.with_row({**known, **texts})

    def _called(self, frame: Frame) -> str:
        """What a new row calls a frame: nothing else is called so, and no spreadsheet changes it."""
        called, suffixed = self.shoot.index.unmistakable(frame.name), with_suffix(frame)
        changes = CHANGED.fullmatch(called) and self.shoot.index.find(suffixed)[0] == frame.name
        return suffixed if changes else called

    def _editable(self, raw: bytes) -> EditableTable:
        place = self.files.find("frames")
        known = (*FRAME_COLUMNS, *INFO_COLUMNS, MARKS)
        return EditableTable.of(raw, Form(str(place.used or place.to), known, (CROP_OF,), self._languages()))

    def new_table(self) -> bytes:
        """A table of all frames, as evencourt writes it, where a person has none."""
        return frame_table(self.shoot.frames, self.shoot.bursts, self._plain, self._ranks).encode("utf-8-sig")

    def _row_at(self, table: EditableTable, line: int) -> Row:
        cells = table.row(line)
        others = {name: other for name, text in cells.items() if (other := table.reading.otherwise(text))}
        return Row(table.form.file, line, cells, {}, others)

    def _publish(self, called: str, value: Value) -> None:
        player = self.player(called)
        if player is None or not player.line:
            raise RefusedError(f"{called} is not in the roster")
        if not isinstance(value, bool):
            raise RefusedError("publish is yes or no")
        raw = self.files.read("roster")
        if raw is None:
            raise RefusedError("there is no roster")
        used = self.files.find("roster").used
        table = EditableTable.of(raw, Form(str(used), ROSTER_COLUMNS, (), self._languages()))
        if player.line not in table.lines:
            raise RefusedError(f"line {player.line} of {used} is not the line of {called} any more; try again")
        table = table.with_cells(player.line, {"publish": "yes" if value else "no"})
        self.files.write("roster", raw, table.raw)
        self._again(guessed=bool(self._table and self._table.reading.page))
        if (now := self.player(called)) is not None and now.publish != value:
            notices = [text for text in self.facts.notices if "which counts too" in text]
            raise RefusedError("; ".join(notices) or f"the roster says something else of {called} in another line")

    def _reference(self, frame: str, value: Value) -> None:
        raw = self.files.read("event") or b""
        place = self.files.find("event")
        file = str(place.used or place.to)
        found = parse_event(parse_yaml(_text(raw), file, []), [])
        at = next((i for i, one in enumerate(found.references) if self.shoot.index.called(one.frame) == frame), None)
        called = self.shoot.index.unmistakable(frame) if at is None else found.references[at].frame
        entry = entry_of(called, value)
        if at is None and entry is None:
            return
        changed = with_entry(raw, file, "references", at, entry)
        wrong: list[Problem] = []
        before: list[Problem] = []
        parse_event(parse_yaml(_text(raw), file, []), before)
        parse_event(parse_yaml(_text(changed), file, []), wrong)
        if len(wrong) > len(before):
            raise RefusedError(wrong[-1].message)
        self.files.write("event", raw if place.used is not None else None, changed)
        self._again(guessed=False)

    def _again(self, *, guessed: bool) -> None:
        """Read the files again after a change of ours in another than the table of frames. guessed  whether that may
        mean something else now, since its code page is a guess and other names are withheld"""
        self._stamp = self.files.stamp()
        if guessed or self._table is None:
            self._read()
        else:
            index, known = self.shoot.index, self._loaded
            facts, problems, _ = load_facts(self.shoot.folder, self.files.given, index, known=known)
            frames = self._table.form.file
            self._take(facts, sorted({*problems, *(p for p in self.problems if p.file == frames)}))
        self._overlay()

    def references(self) -> Sequence[Reference]:
        """Those that shoot.yaml names."""
        return self.facts.references


def _text(raw: bytes) -> str:
    wide = raw.startswith((b"\xff\xfe", b"\xfe\xff"))
    return raw.decode("utf-16" if wide else "utf-8-sig")
