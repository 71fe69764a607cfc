"""Small CSV tables as photographers save them from a spreadsheet."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import InputError, Problem
from pipeline.textfile.messages import did_you_mean
from pipeline.textfile.reading import read_utf8

SIZE_LIMIT = 10_000_000  # bytes; a table that the program wrote of 10,000 frames is a third of it
_YES = {"yes", "y", "true", "1"}
_NO = {"no", "n", "false", "0"}
_NUMBER = re.compile(r"-\d+(\.\d+)?")


@dataclass(frozen=True)
class Row:
    """One line of a table: column name -> text without spaces around it, "" where nothing is written."""

    file: str
    line: int
    cells: Mapping[str, str]

    def __getitem__(self, column: str) -> str:
        return self.cells.get(column, "")

    @property
    def where(self) -> str:
        """FILE:LINE, for messages."""
        return f"{self.file}:{self.line}"

    def problem(self, message: str) -> Problem:
        """A problem at the start of this line."""
        return Problem(self.file, self.line, 1, message)


@dataclass(frozen=True)
class Table:
    """The readable rows of a CSV file, in its order."""

    file: str
    rows: tuple[Row, ...]


# Signs that make a spreadsheet compute a cell, and the apostrophe by which one says that it is plain text (common
# practice; the signs are those of the OWASP page on CSV injection).
COMPUTED = "=+-@＝＋－＠"
_MARKED = re.compile(f"^'(?=[{re.escape(COMPUTED)}])")


def plain_cell(text: str) -> str:
    """A cell that a spreadsheet shows as it stands; `read_table` gives `text` back."""
    return f"'{text}" if text[:1] in tuple(COMPUTED) and not _NUMBER.fullmatch(text) else text


def yes_or_no(text: str, *, default: bool) -> bool | None:
    """yes, no (y, n, true, false, 1, 0, either case); `default` where empty; None for anything else."""
    word = text.casefold()
    if not word:
        return default
    return True if word in _YES else False if word in _NO else None


def numbers(text: str) -> list[float] | None:
    """Numbers with spaces, commas or semicolons between them; None where one is not a number."""
    try:
        return [float(part) for part in re.split(r"[\s,;]+", text) if part]
    except ValueError:
        return None


def read_table(
    path: Path,
    columns: Collection[str],
    required: Collection[str],
    problems: list[Problem],
    ignored: Collection[str] = (),
) -> Table | None:
    """Read a CSV file with a header (RFC 4180 quoting; comma, semicolon or tab; UTF-8, mark or not; at most 10 MB).

    ignored  further columns that may stand in it

    Adds what is wrong to `problems`; returns None where the table as a whole cannot be used.
    """
    file = str(path)
    try:
        text = read_utf8(path, SIZE_LIMIT, "save the table as CSV UTF-8")
    except InputError as error:
        problems += error.problems
        return None
    first = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(",;\t", key=first.count)
    stream = io.StringIO(text, newline="")
    reader = csv.reader(stream, delimiter=delimiter, skipinitialspace=True, strict=True)
    header: list[str] | None = None
    rows: list[Row] = []
    end = 0
    try:
        for cells in reader:
            line, end = end + 1, reader.line_num  # a quoted cell may hold line breaks
            cells = [_MARKED.sub("", cell.strip()) for cell in cells]
            if not any(cells):
                continue
            if header is None:
                header = [cell.casefold() for cell in cells]
                if not _header_fits(file, line, header, columns, required, problems, ignored):
                    return None
            elif len(cells) > len(header) and any(cells[len(header) :]):
                problems.append(
                    Problem(
                        file, line, 1,
                        f"{len(cells)} cells under {len(header)} columns; "
                        f'put "quotes" round a cell that holds {_NAMES[delimiter]}',
                    )
                )  # fmt: skip
            else:
                rows.append(Row(file, line, dict(zip(header, cells, strict=False))))
    except csv.Error:
        message = 'quotes do not pair up; write nothing outside the quotes, and "" for a quote inside'
        problems.append(Problem(file, end + 1, 1, message))
        return None
    if header is None:
        problems.append(Problem(file, 0, 0, f"is empty; its first line must be {','.join(columns)}"))
        return None
    return Table(file, tuple(rows))


_NAMES = {",": "a comma", ";": "a semicolon", "\t": "a tab"}


def _header_fits(
    file: str,
    line: int,
    header: list[str],
    columns: Collection[str],
    required: Collection[str],
    problems: list[Problem],
    ignored: Collection[str],
) -> bool:
    """Report unknown, repeated and missing columns; whether the rows below can be read."""
    before = len(problems)
    for number, name in enumerate(header):
        if name and name not in columns and name not in ignored:
            hint = did_you_mean(name, columns) or f"; the columns are {', '.join(columns)}"
            problems.append(Problem(file, line, 1, f"no column is called {name}{hint}"))
        elif name and name in header[:number]:
            problems.append(Problem(file, line, 1, f"column {name} appears twice; leave one out"))
    for name in required:
        if name not in header:
            message = f"no column {name}; the first line must name the columns: {','.join(columns)}"
            problems.append(Problem(file, line, 1, message))
    return len(problems) == before
