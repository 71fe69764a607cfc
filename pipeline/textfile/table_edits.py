"""Writing single cells of a table that a person keeps: every octet that is not of such a cell stays as it is."""

from __future__ import annotations

import codecs
from bisect import bisect_left
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import Self

from pipeline.errors import InputError, Problem
from pipeline.textfile.encodings import Reading, UnreadableTextError, control_character, read_text
from pipeline.textfile.tables import (
    COMPUTED,
    SAVE_AS,
    SIZE_LIMIT,
    Cell,
    QuoteError,
    Reader,
    column_name,
    plain_cell,
    records,
)

_ENDS = ("\r\n", "\n", "\r")


def one_line(text: str) -> str:
    """What a cell can hold of a text: one line, without control characters and halves of surrogate pairs, and without
    the apostrophe by which spreadsheets mark a cell that they do not compute (plain_cell adds it)."""
    kept = "".join(" " if c.isspace() else c for c in text if c.isspace() or not _is_control(c))
    kept = " ".join(kept.split())
    while kept[:1] == "'" and kept[1:2] in tuple(COMPUTED):
        kept = kept[1:]
    return kept


def _is_control(character: str) -> bool:
    return character < " " or "\x7f" <= character <= "\x9f" or "\ud800" <= character <= "\udfff"


@dataclass(frozen=True)
class Form:
    """How a table is written. file  its path, for messages; known, families  its columns, see tables.read_table
    languages  codes (BCP 47) that its texts may be in"""

    file: str
    known: Collection[str]
    families: Collection[str] = ()
    languages: Sequence[str] = ()


@dataclass(frozen=True)
class EditableTable:
    """A table as it stands in its file.

    raw     the octets of the file
    header  names of its columns, folded; lines, starts  of each row: its line, from 1, and where it begins in the text
    """

    form: Form
    raw: bytes
    reading: Reading
    delimiter: str
    header: tuple[str, ...]
    header_line: int
    header_start: int
    lines: tuple[int, ...]
    starts: tuple[int, ...]

    @classmethod
    def of(cls, raw: bytes, form: Form) -> Self:
        """Raises InputError where the octets are no table, or would not come back as they are."""
        try:
            reading = read_text(raw, form.languages)
        except UnreadableTextError as error:
            raise _refused(form, f"{error}; {SAVE_AS}", error.line) from None
        if place := control_character(reading.text):
            raise _refused(form, f"a control character stands here; delete it, or {SAVE_AS}", place[0])
        if reading.mark + reading.text.encode(reading.codec) != raw:
            raise _refused(form, f"{reading.encoding} has two ways to write some of its letters; {SAVE_AS}")
        delimiter, start = Reader(form.file, form.known, (), (), [], tuple(form.families)).delimiter(reading.text)
        header: tuple[str, ...] | None = None
        head = (0, 0)
        lines: list[int] = []
        starts: list[int] = []
        try:
            at = start
            for cells in records(reading.text, delimiter, start, 2 if start else 1):
                if any(cell.text for cell in cells):
                    if header is None:
                        header, head = tuple(column_name(cell.text) for cell in cells), (cells[0].line, at)
                    else:
                        lines.append(cells[0].line)
                        starts.append(at)
                at = _after(reading.text, cells)
        except QuoteError as error:
            raise _refused(form, "quotes do not pair up", error.place[0]) from None
        if header is None:
            raise _refused(form, f"is empty; its first line must be {','.join(form.known)}")
        return cls(form, raw, reading, delimiter, header, *head, tuple(lines), tuple(starts))

    def cells(self, line: int) -> list[Cell]:
        """The cells of the row that begins on a line. Raises KeyError where none does."""
        at = bisect_left(self.lines, line)
        if at == len(self.lines) or self.lines[at] != line:
            raise KeyError(line)
        return next(records(self.reading.text, self.delimiter, self.starts[at], line))

    def row(self, line: int) -> dict[str, str]:
        """Column -> text of the row that begins on a line, as tables.read_table reads it. Raises KeyError."""
        pairs = zip_longest(self.header, self.cells(line)[: len(self.header)])
        return {name: cell.text if cell else "" for name, cell in reversed(list(pairs)) if name}

    def with_cells(self, line: int, texts: Mapping[str, str]) -> Self:
        """The table with other texts, each see `one_line`, in the row that begins on a line. Columns that are not there
        are added at the end. Raises InputError where the encoding of the file has not all of their letters, KeyError.
        """
        table = self
        for column, text in texts.items():
            if column not in table.header:
                table = table._with_column(column)
            table = table._with_cell(line, table.header.index(column), text)
        return table._checked()

    def with_row(self, texts: Mapping[str, str]) -> tuple[Self, int]:
        """The table with one more row at its end, and the line of that. Raises InputError as `with_cells`."""
        text = self.reading.text
        end = next((end for end in _ENDS if end in text), "\r\n")
        table = self if text.endswith(_ENDS) else self._spliced(len(text), len(text), end)
        for column in texts:
            if column not in table.header:
                table = table._with_column(column)
        line = len(_lines(table.reading.text))
        row = table.delimiter.join(table._written(texts.get(name, "")) for name in table.header) + end
        start = len(table.reading.text)
        table = table._spliced(start, start, row)
        return replace(table, lines=(*table.lines, line), starts=(*table.starts, start))._checked(), line

    def _with_column(self, column: str) -> Self:
        """Raises InputError where a row has more cells than the first line: its last would come under the new name."""
        for line in self.lines:
            more = [cell for cell in self.cells(line)[len(self.header) :] if cell.text]
            if more:
                message = f"{more[0].text} stands under no name of the first line; correct that first"
                raise _refused(self.form, message, line)
        last = next(records(self.reading.text, self.delimiter, self.header_start, self.header_line))[-1]
        added = f"{self.delimiter}{self._written(column)}"
        return replace(self._spliced(last.end, last.end, added), header=(*self.header, column))

    def _with_cell(self, line: int, column: int, text: str) -> Self:
        cells = self.cells(line)
        if column >= len(cells):
            if not text:
                return self
            missing = self.delimiter * (column - len(cells) + 1)
            return self._spliced(cells[-1].end, cells[-1].end, missing + self._written(text))
        cell = cells[column]
        if cell.text == text:
            return self
        begin, end = cell.begin, cell.end
        if not cell.quoted:
            end = begin + len(self.reading.text[begin:end].rstrip())
        return self._spliced(begin, end, self._written(text))

    def _written(self, text: str) -> str:
        """A cell as it stands in the file: in quotes where it needs them or where the whole first line has them."""
        text = plain_cell(text)
        head = next(records(self.reading.text, self.delimiter, self.header_start, self.header_line))
        if any(c in text for c in (self.delimiter, '"', "\r", "\n")) or all(c.quoted for c in head):
            return '"' + text.replace('"', '""') + '"'
        return text

    def _spliced(self, begin: int, end: int, part: str) -> Self:
        """The table with another part of its text; no row begins or ends by it."""
        before = self.reading.text
        more = len(part) - (end - begin)
        fewer = len(_lines(before[begin:end])) - len(_lines(part)) if begin < end else 0
        first = bisect_left(self.starts, begin + 1)
        starts = (*self.starts[:first], *(start + more for start in self.starts[first:]))
        lines = (*self.lines[:first], *(line - fewer for line in self.lines[first:])) if fewer else self.lines
        reading = replace(self.reading, text=before[:begin] + part + before[end:])
        return replace(self, reading=reading, starts=starts, lines=lines)

    def _checked(self) -> Self:
        """The table with its octets. Raises InputError where they would not say what its text says."""
        reading, form = self.reading, self.form
        try:
            raw = reading.text.encode(reading.codec)
        except UnicodeEncodeError as error:
            letter = reading.text[error.start]
            raise _refused(form, f"was read as {reading.encoding}, which has no {letter}; {SAVE_AS}") from None
        mark = reading.mark
        if not mark and not raw.isascii():
            try:
                again = read_text(raw, form.languages).text
            except UnreadableTextError:
                again = ""
            if again != reading.text and reading.page:
                raise _refused(
                    form, f"was read as {reading.encoding}, a guess that new letters would change; {SAVE_AS}"
                )
            if again != reading.text:
                mark = codecs.BOM_UTF8 if reading.codec == "utf-8" else "\ufeff".encode(reading.codec)
        if len(mark + raw) > SIZE_LIMIT:
            raise _refused(form, f"would be larger than {SIZE_LIMIT // 1_000_000} MB")
        return replace(self, raw=mark + raw, reading=replace(reading, mark=mark))


def _lines(text: str) -> list[str]:
    return text.replace("\r\n", "\n").replace("\r", "\n").split("\n")


def _after(text: str, cells: Sequence[Cell]) -> int:
    """Where the row after these cells begins."""
    at = cells[-1].end
    while at < len(text) and text[at] not in "\r\n":  # blanks behind a quoted cell
        at += 1
    return at + (2 if text[at : at + 2] == "\r\n" else 1)


def _refused(form: Form, message: str, line: int = 0) -> InputError:
    return InputError([Problem(form.file, line, 1 if line else 0, message)])
