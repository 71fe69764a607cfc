"""Cells written into a table that a person keeps. What the file then says is read by Python's csv module, and every
octet outside of the cell is compared."""

from __future__ import annotations

import codecs
import csv
import io
import random
from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.textfile.table_edits import EditableTable, Form, one_line
from pipeline.textfile.tables import read_table

FORM = Form("frames.csv", ("frame", "keep", "words", "players", "notes"), ("crop ",), ("nb",))
PLAIN = "frame,keep,words\r\nTH1_1,,jumps\r\nTH1_2,no,\r\n"


def table(raw: bytes | str, form: Form = FORM) -> EditableTable:
    return EditableTable.of(raw.encode() if isinstance(raw, str) else raw, form)


def cells(raw: bytes, delimiter: str = ",", encoding: str = "utf-8-sig") -> list[list[str]]:
    return list(csv.reader(io.StringIO(raw.decode(encoding), newline=""), delimiter=delimiter))


@pytest.mark.parametrize("end", ["\r\n", "\n", "\r"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize(
    ("encoding", "mark"),
    [
        ("utf-8", b""),
        ("utf-8", codecs.BOM_UTF8),
        ("utf-16-le", codecs.BOM_UTF16_LE),
        ("utf-16-be", codecs.BOM_UTF16_BE),
    ],
)
def test_only_the_cell_changes(end: str, delimiter: str, encoding: str, mark: bytes) -> None:
    rows = ["frame;keep;words;notes", '"TH1_1"; no ;"Åse ""jumps""";a', "", "TH1_2;;;", "TH1_3"]
    text = end.join(row.replace(";", delimiter) for row in rows) + end
    raw = mark + text.encode(encoding)
    before = table(raw)
    assert before.raw == raw and before.lines == (2, 4, 5)
    after = before.with_cells(2, {"words": "Øre"}).raw
    assert after == mark + text.replace('"Åse ""jumps"""', "Øre").encode(encoding)
    after = before.with_cells(4, {"keep": "no"}).raw
    assert after == mark + text.replace("TH1_2" + delimiter, f"TH1_2{delimiter}no", 1).encode(encoding)
    after = before.with_cells(5, {"words": "x"}).raw
    assert after == mark + text.replace("TH1_3", f"TH1_3{delimiter * 2}x").encode(encoding)
    assert before.with_cells(2, {"keep": "no"}).raw == raw  # it says so already


@pytest.mark.parametrize("text", ["a, b", 'say "no"', "x;y", "=SUM(A1)", "+1 up", "-", "@home", "'quoted'", "ok", ""])
def test_what_is_written_is_read_back_and_nothing_is_computed(text: str) -> None:
    after = table(PLAIN).with_cells(2, {"words": one_line(text)})
    assert after.row(2)["words"] == one_line(text)
    shown = cells(after.raw)[1][2]
    assert shown[:1] not in tuple("=+@") and (shown in ("", one_line(text)) or shown == "'" + one_line(text))
    assert cells(after.raw)[2] == ["TH1_2", "no", ""]


def test_the_program_reads_the_same(tmp_path: Path) -> None:
    path = tmp_path / "frames.csv"
    after = table(PLAIN).with_cells(2, {"words": "=cmd|'/c calc'!A1", "keep": "always"})
    path.write_bytes(after.raw)
    read = read_table(path, FORM.known, ("frame",), [])
    assert read is not None and read.rows[0].cells == {"frame": "TH1_1", "keep": "always", "words": "=cmd|'/c calc'!A1"}


def test_one_line_keeps_letters_and_drops_what_no_cell_can_hold() -> None:
    assert one_line(" a\r\n\tb\0\x1b[31mc\x85d\u2028e ") == "a b[31mc d e"
    assert one_line("\ud800x\udfff") == "x"
    assert one_line("'=x") == "=x" and one_line("''=x") == "''=x"
    assert one_line("Zofia Kłosowska 東京 \u200dא") == "Zofia Kłosowska 東京 \u200dא"


def test_a_new_column_goes_to_the_end_and_short_rows_are_filled_up() -> None:
    after = table(PLAIN).with_cells(3, {"crop web": "0 0 1 1"})
    assert after.raw == b"frame,keep,words,crop web\r\nTH1_1,,jumps\r\nTH1_2,no,,0 0 1 1\r\n"
    assert after.row(3)["crop web"] == "0 0 1 1" and after.lines == (2, 3)
    again = after.with_cells(2, {"crop web": "0 0 1 0.5"})
    assert again.raw == b"frame,keep,words,crop web\r\nTH1_1,,jumps,0 0 1 0.5\r\nTH1_2,no,,0 0 1 1\r\n"


@pytest.mark.parametrize(("text", "end"), [(PLAIN, ""), (PLAIN.rstrip(), "\r\n"), ("frame;keep;words\nTH1_1;;", "\n")])
def test_a_new_row_goes_to_the_end(text: str, end: str) -> None:
    before = table(text)
    after, line = before.with_row({"frame": "TH1_9", "words": "dives"})
    delimiter = ";" if ";" in text else ","
    last = f"TH1_9{delimiter}{delimiter}dives" + ("\n" if ";" in text else "\r\n")
    assert after.raw == (text + end + last).encode()
    assert after.row(line) == {"frame": "TH1_9", "keep": "", "words": "dives"}
    assert after.with_cells(line, {"keep": "no"}).row(line)["keep"] == "no"


def test_cells_of_several_lines_are_counted() -> None:
    raw = 'frame,words,notes\r\nTH1_1,"two\r\nlines",x\r\nTH1_2,b,y\r\n'
    before = table(raw)
    assert before.lines == (2, 4)
    after = before.with_cells(2, {"words": "one"})
    assert after.raw == raw.replace('"two\r\nlines"', "one").encode()
    assert after.lines == (2, 3) and after.row(3)["words"] == "b"


def test_a_table_that_is_quoted_throughout_stays_so() -> None:
    raw = '"frame","keep"\n"TH1_1",""\n'
    after, _ = table(raw).with_cells(2, {"keep": "no", "words": "a"}).with_row({"frame": "TH1_2"})
    assert after.raw == b'"frame","keep","words"\n"TH1_1","no","a"\n"TH1_2","",""\n'


def test_what_says_which_sign_is_between_cells_stays() -> None:
    after = table("sep=|\r\nframe|keep\r\nTH1_1|\r\n").with_cells(3, {"keep": "no"})
    assert after.raw == b"sep=|\r\nframe|keep\r\nTH1_1|no\r\n"


def test_a_code_page_keeps_its_letters_and_refuses_others() -> None:
    raw = "frame;words\r\nTH1_1;Åse løper forbi Bjørn\r\nTH1_2;\r\n".encode("cp1252")
    before = table(raw)
    after = before.with_cells(3, {"words": "Bjørn dømmer"}).raw
    assert after == raw.replace(b"TH1_2;", "TH1_2;Bjørn dømmer".encode("cp1252"))
    with pytest.raises(InputError, match="has no ł; save the table as CSV UTF-8"):
        before.with_cells(3, {"words": "Kłosowska"})


def test_utf8_without_a_mark_gets_one_where_it_would_be_taken_for_a_code_page() -> None:
    after = table(PLAIN).with_cells(2, {"words": "Ã¥ Ð¢Ã"})
    assert table(after.raw).row(2)["words"] == "Ã¥ Ð¢Ã"


@pytest.mark.parametrize("raw", [b"", b"\r\n", b'frame\n"a', b"frame\n\0\0", b"PK\x03\x04...", b"\xff\xfeq"])
def test_what_is_no_table_is_refused(raw: bytes) -> None:
    with pytest.raises(InputError):
        table(raw)


def test_many_changes_at_random_leave_all_else_as_it_was() -> None:
    chance = random.Random(7)
    letters = ["a", "b c", 'x"y', "ø,1", "", "=1", "n;m", "line\nbreak"]
    rows = [[f"TH1_{n}", *(chance.choice(letters) for _ in range(4))] for n in range(30)]
    text = io.StringIO()
    csv.writer(text).writerows([["frame", "keep", "words", "players", "notes"], *rows])
    now = table(text.getvalue().encode("utf-8-sig"))
    for _ in range(300):
        at, column = chance.randrange(len(rows)), chance.randrange(1, 4)
        value = one_line(chance.choice(letters))
        now = now.with_cells(now.lines[at], {now.header[column]: value})
        rows[at][column] = value
    read = cells(now.raw)
    assert [row[4] for row in read[1:]] == [row[4] for row in rows]
    assert [[now.row(line)[name] for name in now.header[1:4]] for line in now.lines] == [row[1:4] for row in rows]
    again = EditableTable.of(now.raw, FORM)
    assert (again.lines, again.starts) == (now.lines, now.starts)


def test_a_new_column_takes_in_no_cell_that_stands_under_no_name() -> None:
    """An unquoted comma is an error that names its line; under a new column it would be a value there."""
    crowded = table("frame,words\nTH1_1,jumps\nTH1_2,dives, yes\n")
    with pytest.raises(InputError, match=r"frames\.csv:3.*yes stands under no name"):
        crowded.with_cells(2, {"keep": "always"})
    assert crowded.with_cells(2, {"words": "runs"}).raw == b"frame,words\nTH1_1,runs\nTH1_2,dives, yes\n"
    table("frame,words\nTH1_1,jumps\nTH1_2,dives,,\n").with_cells(2, {"keep": "always"})  # blank ones say nothing
