"""Any text as a value of a YAML file: read back by two readers, ours and that of YAML 1.1, it is the same text."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from pipeline.textfile.yaml_text import Value, flow, in_comment, quoted, text_value
from pipeline.textfile.yamlfile import load_yaml

TEXTS = (
    "Old Market Hall",
    "Ada Nordlys",
    "NO",
    "no",
    "yes",
    "On",
    "null",
    "~",
    "true",
    "n",
    "12",
    "0012",
    "1e5",
    "0x1F",
    "-3.2",
    "2026-02-14",
    "19:30:12",
    "a: b",
    "a #b",
    "#a",
    "- a",
    "? a",
    "{a: b}",
    "[a]",
    "*ist",
    "&a",
    "!x",
    "%a",
    "@a",
    "`a",
    "|",
    ">",
    "'a",
    '"a"',
    "a\\b",
    "back\\slash\\",
    "two\nlines",
    "tab\there",
    "end ",
    " start",
    "",
    "a,b",
    "x: {y}",
    "trailing:",
    "© 2026 Ada Nordlys",
    "Zofia Kłosowska",
    "伊藤",
    "😀",
    "\x00\x07\x7f\x85",
    "\u2028\u2029\ufeff\u200b",
    "a\r\nb",
    "\ud7ff\ufffd",
    'Ada"\nminors: false\nroster: /etc/passwd #',
    "e\u0301",
    "-",
    "...",
    "---",
    "<<",
    "=",
)


def loaded(folder: Path, text: str) -> dict[str, object]:
    file = folder / "one.yaml"
    file.write_text(text, encoding="utf-8")
    data = load_yaml(file).data
    # An independent reading, by the older version of YAML that other programs still use.
    old = YAML(typ="safe", pure=True)
    old.version = (1, 1)
    assert old.load(file.read_text(encoding="utf-8")) == data
    return data


@pytest.mark.parametrize("text", TEXTS)
def test_any_text_comes_back(tmp_path: Path, text: str) -> None:
    value: Value = {"in flow": [text, {text_value("key"): text}]}
    assert loaded(tmp_path, f"one: {text_value(text)}\ntwo: {quoted(text)}\nthree: {flow(value)}\n") == {
        "one": text,
        "two": text,
        "three": value,
    }


def test_any_characters_come_back(tmp_path: Path) -> None:
    draw = random.Random(5)
    signs = [chr(code) for code in (*range(0x250), *range(0x2000, 0x2070), *range(0xFE00, 0x10000), 0x1F600, 0x10FFFF)]
    some = ["".join(draw.choices(signs, k=draw.randint(1, 12))) for _ in range(400)]
    lines = "".join(f"k{at}: {text_value(text)}   # {in_comment(text)}\n" for at, text in enumerate(some))
    assert list(loaded(tmp_path, lines).values()) == some


def test_numbers_and_nothing(tmp_path: Path) -> None:
    value: Value = {"a": 0.34, "b": -3.2, "c": 7, "d": True, "e": False, "f": None, "g": [], "h": {}}
    assert loaded(tmp_path, f"x: {flow(value)}\n") == {"x": value}


def test_plain_text_stays_plain() -> None:
    assert [
        text_value(text) for text in ("Old Market Hall", "Mill Lane Foxes", "NOR", "auto", "TH1_0001", "nb-NO")
    ] == [
        "Old Market Hall",
        "Mill Lane Foxes",
        "NOR",
        "auto",
        "TH1_0001",
        "nb-NO",
    ]
