"""Names and texts that would take a search for names, or a sidecar that would take its reading, the whole night."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.captions.template import tidy
from pipeline.errors import Problem
from pipeline.formats.metadata.search_xmp import xmp_texts
from pipeline.shoot.names import first_named, hints_at, name_pattern, replace_name
from pipeline.shoot.roster import read_roster
from pipeline.textfile.tables import read_table
from tests.patience import processor_seconds

NAMES = [("1 " * 12, "1" * 39 + " x"), ("1" * 100, "1" * 99 + " x"), ("a1" * 30, "a1" * 29 + "x"),
         ("Anna 2 3 4", "Anna 2 3 " + "3" * 300), ("1 1 1 1 1 1 Ab", "1 " * 40 + "Ac"), ("Lina Marlowe", "a" * 30_000),
         ("Lina Marlowe", "Lina " * 9000), ("Lina Marlowe", "l-" * 9000), ("ab " * 33, "ab " * 32)]  # fmt: skip


@pytest.mark.parametrize(("name", "text"), NAMES)
def test_no_name_takes_the_night(name: str, text: str) -> None:
    pattern = name_pattern(name)
    assert pattern is not None
    assert processor_seconds(lambda: replace_name(text, pattern, "x")) < 0.5
    assert processor_seconds(lambda: first_named(text, (name,), (), "en")) < 0.5
    assert processor_seconds(lambda: hints_at(text, name, "en")) < 0.5


def test_digits_of_a_name_are_found_as_before() -> None:
    for text in ("Robot 20 shoots", "ROBOT-20", "robot_20!"):
        assert first_named(text, ("Robot 20",), ()) == 0


@pytest.mark.parametrize(
    "data",
    [b"<?xpacket be" * 60_000, b"<rdf:RDF" * 60_000, b"<a:RDF>" * 60_000 + b"</a:RDF>" * 10, b"&" * 300_000,
     b"<" * 300_000, b"</rdf:RDF" * 60_000, "<?xpacket İ".encode() * 60_000],
)  # fmt: skip
def test_no_packet_takes_the_night(data: bytes) -> None:
    assert processor_seconds(lambda: xmp_texts(data, "XMP")) < 2.5


def test_what_stands_between_instructions_is_still_read() -> None:
    texts, readable = xmp_texts(b"<?a?><x:xmpmeta xmlns:x='y'><?b <c> ?><d>Lina & Ada</d></x:xmpmeta><?e", "XMP")
    assert readable and [one.text for one in texts] == ["Lina & Ada"]


def test_no_caption_takes_the_night() -> None:
    for text in ("(" + " \n" * 10_000, ", " * 10_000, "(" * 20_000, "[ ," * 6_000):
        assert processor_seconds(lambda text=text: tidy(text)) < 0.5


def test_a_name_is_not_a_story(tmp_path: Path) -> None:
    (tmp_path / "roster.csv").write_text(f"team,number,name\nhome,4,{'Lina ' * 30}\n", encoding="utf-8")
    problems: list[Problem] = []
    table = read_table(tmp_path / "roster.csv", ("team", "number", "name", "publish"), ("team",), problems)
    read_roster(table, {"home": "Gulls"}, False, (), problems)
    assert [problem.line for problem in problems] == [2] and "longer than 100 letters" in problems[0].message
