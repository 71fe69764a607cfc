"""Tables that can be read on a narrow terminal: headings give way first, then the longest texts, and never a time."""

from __future__ import annotations

from collections.abc import Sequence

from rich.cells import cell_len
from rich.markup import escape
from rich.table import Column, Table

from pipeline.cli.console import clean, out_console

_WHOLE = ("time", "first", "last")  # columns that are kept on one line
_LEAST = 20  # characters that a column keeps before another gives way too
_AROUND = 2  # characters beside a column


def print_table(title: str, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print rows under headings, which may be empty; nothing without rows."""
    if not rows:
        return
    shown = [[clean(cell) for cell in row] for row in rows]
    # A long name goes on in the next line: what is cut off could be several frames.
    headings = [
        Column(name, width=width, no_wrap=name in _WHOLE, overflow="fold")
        for name, width in zip(columns, _widths(columns, shown, out_console.width), strict=True)
    ]
    table = Table(*headings, box=None, title=title or None, title_justify="left", show_header=any(columns))
    for row in shown:
        table.add_row(*map(escape, row))
    out_console.print(table)


def _widths(columns: Sequence[str], rows: Sequence[Sequence[str]], room: int) -> list[int]:
    """Characters of each column, so that all fit into `room` if they can."""
    cells = [max(cell_len(row[k]) for row in rows) for k in range(len(columns))]
    left = room - _AROUND * len(columns)
    for lines in (2, 3, 9, 3):  # of headings; where cells must be folded in any case, three again
        width = [max(cell, _narrowest(name, lines)) for cell, name in zip(cells, columns, strict=True)]
        if sum(width) <= left:
            break
    folded: list[int] = []
    for k in sorted(range(len(columns)), key=lambda k: -width[k]):
        if sum(width) - sum(width[f] for f in folded) + sum(min(width[f], _LEAST) for f in folded) <= left:
            break
        if columns[k] not in _WHOLE:
            folded.append(k)
    spare = left - sum(w for k, w in enumerate(width) if k not in folded)
    for done, k in enumerate(sorted(folded, key=lambda k: width[k])):
        width[k] = max(1, min(width[k], spare // (len(folded) - done)))
        spare -= width[k]
    for k, name in enumerate(columns):  # what is left over goes to headings of several words
        more = min(max(0, spare), max(0, cell_len(name) - width[k]))
        width[k] += more
        spare -= more
    return width


def _narrowest(name: str, lines: int) -> int:
    """Characters that a heading needs in so many lines."""
    words = [cell_len(word) for word in name.split()]
    for width in range(max(words, default=0), cell_len(name)):
        used, at = 1, -1
        for word in words:
            at += word + 1
            if at > width:
                used, at = used + 1, word
        if used <= lines:
            return width
    return cell_len(name)
