"""Tables of comma-separated values: RFC 4180, and what spreadsheets make of them (common practice, no source)."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import Problem
from pipeline.textfile.tables import Table, numbers, read_table, whole


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
        ("frame,words\nF1,æøåæøåæøåæøå\nF2,".encode() + b"\xe5\n", 3, "UTF-8 but for some letters; save the table as"),
        (b"PK\x03\x04\x14\0", 0, "a spreadsheet's own file (xlsx or ods)"),
        (b"frame,words\nF1,a\0b\n", 2, "a control character stands here"),
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


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_problems_stand_at_line_and_column(tmp_path: Path, end: str) -> None:
    """Counted by hand, in characters; lines end as on Unix, Windows and old Macs."""
    text = 'frame, nonsens ,words,|"F1|b",x,"å""b",|\tF2 ,  , "c",,stray|'
    data = text.replace("|", end).encode("utf-8")
    table, problems = read(tmp_path, data)
    assert table is not None
    assert [(p.line, p.column) for p in problems] == [(1, 8), (4, 15)]
    assert "no column is called nonsens; " in problems[0].message and problems[1].message.startswith("5 cells under 4")
    (row,) = table.rows
    assert (row["frame"], row["words"]) == (f"F1{end}b", 'å"b')
    assert [row.problem("", name).line for name in ("frame", "words")] == [2, 3]
    assert row.problem("", "words").column == 6  # after b",x, on the record's second line


def test_an_unknown_column_does_not_hide_what_else_is_wrong(tmp_path: Path) -> None:
    table, problems = read(tmp_path, b'frame,wrods\nF1,a,b\nF2,"c\n')
    assert table is not None and table.rows == ()
    assert sorted((p.line, p.column) for p in problems) == [(1, 7), (2, 6), (3, 4)]


def test_thousands_of_unknown_columns_are_ten_lines_and_a_count(tmp_path: Path) -> None:
    data = ("frame," + ",".join(f"c{n}" for n in range(100_000)) + "\nF1\n").encode()
    table, problems = read(tmp_path, data)
    assert table is not None and len(table.rows) == 1
    assert len(problems) == 11 and problems[-1].message == "and 99,990 more of this kind"
    assert [p.message.split(";")[0] for p in sorted(problems)[:10]] == [f"no column is called c{n}" for n in range(10)]


def test_a_cell_under_no_column_name_is_not_passed_over(tmp_path: Path) -> None:
    """A roster whose publish has lost its name would publish everybody."""
    _, problems = read(tmp_path, b"frame,words,\nF1,a,no\nF2,b,\n")
    assert [(p.line, p.column) for p in problems] == [(2, 6)] and "has no name" in problems[0].message


@pytest.mark.parametrize(
    ("text", "reading"),
    [
        ("frame,words\nF1,é\n", "read as UTF-8 with commas"),
        ("frame;words\nF1;a, é\n", "read as UTF-8 with semicolons"),
        ("frame\twords\nF1\ta; é\n", "read as UTF-8 with tabs"),
        ("sep=;\nframe;words\nF1;a, é\n", "read as UTF-8 with semicolons"),
        ('"sep=|"\r\nframe|words\r\nF1|é\r\n', "read as UTF-8 with | between cells"),
        ("\r\n\r\n  Frame ;\tWORDS;;\r\nF1;é;;\r\n;;;\r\n", "read as UTF-8 with semicolons"),
        ("words, one,frame;frame\n", ""),
    ],
)
def test_what_separates_cells(tmp_path: Path, text: str, reading: str) -> None:
    table, problems = read(tmp_path, text.encode("utf-8"))
    if not reading:
        assert problems
        return
    assert table is not None and problems == [] and table.reading == reading and not table.guess
    assert [row["frame"] for row in table.rows] == ["F1"] and table.rows[0]["words"].endswith("é")


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("0.1 0.2 0.9 0.8", [0.1, 0.2, 0.9, 0.8]),
        ("0.1, 0.2, 0.9, 0.8", [0.1, 0.2, 0.9, 0.8]),
        ("0,0,1,1", [0, 0, 1, 1]),
        ("0,1 0,2 0,9 0,8", [0.1, 0.2, 0.9, 0.8]),
        ("0,1; 0,2; 0,9; 0,8", [0.1, 0.2, 0.9, 0.8]),
        ("0,1, 0,2, 0,9, 0,8", [0.1, 0.2, 0.9, 0.8]),
        ("0.1;.2;1;1.0", [0.1, 0.2, 1, 1]),
        ("0.1 0.2 0.9", None),
        ("a b c d", None),
        ("", None),
    ],
)
def test_numbers_with_points_and_commas(written: str, meant: list[float] | None) -> None:
    assert numbers(written, 4) == meant


def test_whole_numbers_as_spreadsheets_write_them() -> None:
    assert [whole(text) for text in ("7", "7.0", "7,00", "-1.0", "7.5", "007", "x")] == [
        "7", "7", "7", "-1", "7.5", "007", "x",
    ]  # fmt: skip
