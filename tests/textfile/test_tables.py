"""Tables of comma-separated values: RFC 4180, and what spreadsheets make of them (common practice, no source)."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import Problem
from pipeline.textfile.tables import Table, read_table, yes_or_no


def read(tmp_path: Path, data: bytes) -> tuple[Table | None, list[Problem]]:
    path = tmp_path / "a.csv"
    path.write_bytes(data)
    problems: list[Problem] = []
    return read_table(path, ("frame", "words"), ("frame",), problems), problems


@pytest.mark.parametrize("delimiter", [b",", b";", b"\t"])
def test_cells_of_rfc_4180(tmp_path: Path, delimiter: bytes) -> None:
    """RFC 4180, 2: quotes round a cell with the delimiter or a line end, and two quotes for one."""
    data = b'\xef\xbb\xbfFrame|Words\r\nF1|"a| ""b""\r\nc"\r\n\r\nF2|\r\n'.replace(b"|", delimiter)
    table, problems = read(tmp_path, data)
    assert table is not None and problems == []
    assert [(row["frame"], row.line) for row in table.rows] == [("F1", 2), ("F2", 5)]
    assert table.rows[0]["words"].split() == [f"a{delimiter.decode()}".strip(), '"b"', "c"]


@pytest.mark.parametrize(
    ("data", "line", "words"),
    [
        (b"", 0, "is empty"),
        (b"frame,words\nF1,\xe5\n", 2, "is not UTF-8 text; save the table as CSV UTF-8"),
        (b'frame,words\nF1,"a\n', 2, "quotes do not pair up"),
        (b"frame,wrods\n", 1, "no column is called wrods; did you mean words"),
        (b"frame,frame\n", 1, "appears twice"),
        (b"words\n", 1, "no column frame"),
        (b"frame,words\nF1,a,b\n", 2, "3 cells under 2 columns"),
    ],
)
def test_what_cannot_be_read_is_named_with_its_line(tmp_path: Path, data: bytes, line: int, words: str) -> None:
    _, problems = read(tmp_path, data)
    assert [(p.line, words in p.message) for p in problems] == [(line, True)]


def test_ten_megabytes_are_the_limit(tmp_path: Path) -> None:
    data = (b"frame,words\n" + (b"F1," + b"x" * 99_996 + b"\n") * 101)[:10_000_000]
    table, problems = read(tmp_path, data)
    assert table is not None and len(table.rows) == 100 and problems == []
    table, problems = read(tmp_path, data + b"x")
    assert table is None and [p.message for p in problems] == ["larger than 10 MB; is it the right file?"]


def test_words_for_yes_and_no() -> None:
    assert all(yes_or_no(word, default=False) for word in ("yes", "Y", "TRUE", "1"))
    assert not any(yes_or_no(word, default=True) for word in ("no", "N", "False", "0"))
    assert (yes_or_no("", default=True), yes_or_no("perhaps", default=True)) == (True, None)
