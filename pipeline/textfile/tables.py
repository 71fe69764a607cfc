"""Small tables as photographers save them from a spreadsheet."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import zip_longest
from pathlib import Path

from pipeline.errors import InputError, Problem
from pipeline.textfile.encodings import Reading, UnreadableTextError, control_character, read_text
from pipeline.textfile.messages import did_you_mean, few, shown
from pipeline.textfile.reading import read_bytes

SIZE_LIMIT = 10_000_000  # bytes; a table that the program wrote of 10,000 frames is a third of it
SAVE_AS = "save the table as CSV UTF-8"
UNICODE = "UTF-8"  # what `Table.encoding` says of a table as the program writes it
PLAIN = f"read as {UNICODE} with commas"  # what `Table.reading` says of a table that is as expected
_NUMBER = re.compile(r"-\d+(\.\d+)?")
_DECIMAL = re.compile(r"-?\d*[.,]?\d+,?")
_WHOLE = re.compile(r"(-?\d+)[.,]0+")


@dataclass(frozen=True)
class Row:
    """One line of a table: column name -> text without spaces around it, "" where nothing is written.

    places  column -> (line, column) of its cell, from 1
    others  column -> what the cell may say as well, where the code page of the table is a guess
    """

    file: str
    line: int
    cells: Mapping[str, str]
    places: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    others: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def __getitem__(self, column: str) -> str:
        return self.cells.get(column, "")

    @property
    def where(self) -> str:
        """FILE:LINE, for messages."""
        return f"{self.file}:{self.line}"

    def problem(self, message: str, column: str = "") -> Problem:
        """A problem at a cell; at the start of the line where the column is not given, or not there."""
        column = column or message.partition(":")[0]  # messages about a cell begin with the name of its column
        return Problem(self.file, *self.places.get(column, (self.line, 1)), message)


@dataclass(frozen=True)
class Table:
    """The readable rows of a file, in its order.

    reading  its encoding and what separates its cells, in words
    encoding, separator  these two alone: in words; between cells, "" where it has one column
    guess    the first line that another code page reads in another way, from 1; 0 where nothing is guessed
    columns  that its first line names
    absent   columns without which its rows cannot be judged; a problem says so
    """

    file: str
    rows: tuple[Row, ...]
    reading: str = ""
    guess: int = 0
    columns: frozenset[str] = frozenset()
    absent: frozenset[str] = frozenset()
    encoding: str = ""
    separator: str = ""

    def doubts(self, problems: Collection[Problem]) -> list[Problem]:
        """That its letters were guessed, where something is wrong in it: the guess may be what is wrong."""
        if not self.guess or all(problem.file != self.file for problem in problems):
            return []
        message = f"was {self.reading}, which is a guess; where letters are wrong, {SAVE_AS}"
        return [Problem(self.file, 0, 0, message)]


# Signs that make a spreadsheet compute a cell, and the apostrophe by which one says that it is plain text (common
# practice; the signs are those of the OWASP page on CSV injection).
COMPUTED = "=+-@＝＋－＠"
_MARKED = re.compile(f"^'(?=[{re.escape(COMPUTED)}])")


def plain_cell(text: str) -> str:
    """A cell that a spreadsheet shows as it stands; `read_table` gives `text` back."""
    return f"'{text}" if text[:1] in tuple(COMPUTED) and not _NUMBER.fullmatch(text) else text


def whole(text: str) -> str:
    """A whole number as a person means it where a spreadsheet wrote 7.0 or 7,00; other text as it is."""
    match = _WHOLE.fullmatch(text)
    return match[1] if match else text


def numbers(text: str, count: int) -> list[float] | None:
    """`count` numbers with spaces, commas or semicolons between them, decimals after a point or, as in 0,25, a comma.

    None where there are others.
    """
    spaced = [part for part in re.split(r"[\s;]+", text) if part]
    if len(spaced) == count and all(map(_DECIMAL.fullmatch, spaced)):
        return [float(part.removesuffix(",").replace(",", ".")) for part in spaced]
    try:
        found = [float(part) for part in re.split(r"[\s,;]+", text) if part]
    except ValueError:
        return None
    return found if len(found) == count else None


def read_table(
    path: Path,
    columns: Collection[str],
    required: Collection[str],
    problems: list[Problem],
    ignored: Collection[str] = (),
    languages: Sequence[str] = (),
    families: Collection[str] = (),
) -> Table | None:
    """Read a table with a header (RFC 4180 quoting; comma, semicolon or tab; at most 10 MB) in any usual encoding.

    ignored    further columns that may stand in it
    languages  codes (BCP 47) of the languages that its texts may be in, for a table that is not Unicode
    families   beginnings of names that further columns may have

    Adds what is wrong to `problems`, at most ten of a kind and a count; the rows are read all the same. Returns None
    where nothing can be read.
    """
    file = str(path)
    try:
        reading = read_text(read_bytes(path, SIZE_LIMIT), languages)
    except UnreadableTextError as error:
        problems.append(Problem(file, error.line, 1 if error.line else 0, f"{error}; {SAVE_AS}"))
        return None
    except InputError as error:
        problems += error.problems
        return None
    if place := control_character(reading.text):
        problems.append(Problem(file, *place, f"a control character stands here; delete it, or {SAVE_AS}"))
        return None
    return Reader(file, columns, required, ignored, problems, tuple(families)).table(reading)


_NAMES = {",": "a comma", ";": "a semicolon", "\t": "a tab"}
_SEPARATED = {",": "commas", ";": "semicolons", "\t": "tabs"}
# A first line by which spreadsheets tell each other what stands between cells (common practice, no source).
_SEPARATOR_LINE = re.compile(r'"?sep=([^\w\s"]|\t)"?[ \t;,]*(?:\r\n|\r|\n)', re.IGNORECASE)
_LINE_END = re.compile(r"\r\n|\r|\n")
_INVISIBLE = "\ufeff\u200b\u200e\u200f\u2060"


@dataclass(frozen=True, slots=True)
class Cell:
    """Text without spaces around it, where it begins, and what of the text of the file it takes, with its quotes."""

    text: str
    line: int
    column: int
    begin: int
    end: int
    quoted: bool


class QuoteError(ValueError):
    """A quote that no other ends; where it stands."""

    def __init__(self, line: int, column: int) -> None:
        super().__init__()
        self.place = line, column


def records(text: str, delimiter: str, start: int, line: int) -> Iterator[list[Cell]]:
    """The cells of each line from `start` on, which is the beginning of line `line` (RFC 4180; lines end as on any
    system). Raises QuoteError where quotes do not pair up."""
    sign = re.escape(delimiter)
    blank = rf"[^\S\r\n{sign}]*+"
    pattern = re.compile(
        rf'{blank}(?:(?P<quoted>"(?:[^"]++|"")*+"){blank}|(?P<plain>(?!")[^{sign}\r\n]*+))(?P<end>{sign}|\r\n|\r|\n|\Z)'
    )
    place, begin, cells = start, start, list[Cell]()
    while True:
        match = pattern.match(text, place)
        if match is None:
            raise QuoteError(line, text.index('"', place) - begin + 1)
        quoted = match["quoted"]
        content = match["plain"] if quoted is None else quoted[1:-1].replace('""', '"')
        at, to = match.span("plain" if quoted is None else "quoted")
        cells.append(Cell(_MARKED.sub("", content.strip()), line, at - begin + 1, at, to, quoted is not None))
        for end in _LINE_END.finditer(quoted or ""):
            line, begin = line + 1, match.start("quoted") + end.end()
        place = match.end()
        if match["end"] != delimiter:
            yield cells
            if not match["end"]:
                return
            line, begin, cells = line + 1, place, []


def column_name(text: str) -> str:
    """The name of a column as it is written in the first line, in one spelling."""
    return " ".join(text.strip(_INVISIBLE).casefold().split())


@dataclass
class Reader:
    """One table on its way from text to rows."""

    file: str
    columns: Collection[str]
    required: Collection[str]
    ignored: Collection[str]
    problems: list[Problem]
    families: tuple[str, ...] = ()

    def table(self, reading: Reading) -> Table | None:
        """The table; None where there is none, or only part of it where something is wrong, which is then said."""
        before = len(self.problems)
        delimiter, start = self.delimiter(reading.text)
        words = f"read as {reading.encoding} with {_SEPARATED.get(delimiter, f'{delimiter} between cells')}"
        header: list[str] | None = None
        rows: list[Row] = []
        stray: list[tuple[Cell, str]] = []
        try:
            for cells in records(reading.text, delimiter, start, 2 if start else 1):
                if not any(cell.text for cell in cells):
                    continue
                if header is None:
                    header = [column_name(cell.text) for cell in cells]
                    self._check(header, cells)
                elif lost := next((c for c, n in zip_longest(cells, header[: len(cells)]) if c.text and not n), None):
                    stray.append((lost, self._why_stray(header, cells, delimiter)))
                else:
                    rows.append(self._row(header, cells, reading))
        except QuoteError as error:
            message = 'quotes do not pair up; write nothing outside the quotes, and "" for a quote inside'
            self.problems.append(Problem(self.file, *error.place, message))
        self.problems += few(stray, lambda one: Problem(self.file, one[0].line, one[0].column, one[1]))
        if header is None:
            if len(self.problems) == before:
                message = f"is empty; its first line must be {','.join(self.columns)}"
                self.problems.append(Problem(self.file, 0, 0, message))
            return None
        absent = frozenset(self.required) - set(header)
        readable = tuple(rows) if len(absent) < len(self.required) else ()
        columns = frozenset(header)
        separator = delimiter if len(header) > 1 else ""
        return Table(self.file, readable, words, reading.line, columns, absent, reading.encoding, separator)

    def delimiter(self, text: str) -> tuple[str, int]:
        """What stands between cells, and where the table begins. That by which the header names most columns."""
        if said := _SEPARATOR_LINE.match(text):
            return said[1], said.end()
        first = next((line for line in _LINE_END.split(text, 20) if line.strip()), "")

        def named(delimiter: str) -> tuple[int, int]:
            names = (name.strip().strip('"').strip().casefold() for name in first.split(delimiter))
            return sum(map(self._is_known, names)), first.count(delimiter)

        return max(_SEPARATED, key=named), 0

    def _is_known(self, name: str) -> bool:
        return name in self.columns or name in self.ignored or name.startswith(self.families)

    def _check(self, header: list[str], cells: Sequence[Cell]) -> None:
        """Report unknown, repeated and missing columns."""
        seen: set[str] = set()
        unknown, repeated = [], []
        for name, cell in zip(header, cells, strict=True):
            if name and not self._is_known(name):
                unknown.append(cell)
            elif name and name in seen:
                repeated.append(cell)
            seen.add(name)

        def problem(cell: Cell) -> Problem:
            hint = did_you_mean(cell.text, self.columns) or f"; the columns are {', '.join(self.columns)}"
            return Problem(self.file, cell.line, cell.column, f"no column is called {shown(cell.text)}{hint}")

        self.problems += few(unknown, problem)
        self.problems += few(
            repeated,
            lambda c: Problem(self.file, c.line, c.column, f"column {c.text} appears twice; leave one out"),
        )
        for name in self.required:
            if name not in header:
                message = f"no column {name}; the first line must name the columns: {','.join(self.columns)}"
                self.problems.append(Problem(self.file, cells[0].line, 1, message))

    def _why_stray(self, header: Sequence[str], cells: Sequence[Cell], delimiter: str) -> str:
        if len(cells) <= len(header):
            return "stands in a column that has no name; name it in the first line, or empty it"
        quotes = f'; put "quotes" round a cell that holds {_NAMES[delimiter]}' if delimiter in _NAMES else ""
        return f"{len(cells)} cells under {len(header)} columns{quotes}"

    def _row(self, header: Sequence[str], cells: Sequence[Cell], reading: Reading) -> Row:
        named = {name: cell for name, cell in reversed(list(zip(header, cells, strict=False))) if name}
        texts = {name: cell.text for name, cell in named.items()}
        places = {name: (cell.line, cell.column) for name, cell in named.items()}
        others = {name: other for name, text in texts.items() if (other := reading.otherwise(text))}
        return Row(self.file, cells[0].line, texts, places, others)
