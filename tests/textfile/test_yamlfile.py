"""Reading YAML: values by YAML 1.2.2 (yaml.org/spec/1.2.2, section 10.3.2), places, and refusals."""

from __future__ import annotations

import re
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal

import pytest
from pydantic import BaseModel, ConfigDict, Field, field_validator

from pipeline.errors import InputError, Problem
from pipeline.textfile.yamlfile import Document, load_yaml, validate


def load(tmp_path: Path, text: str | bytes) -> Document:
    path = tmp_path / "a.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return load_yaml(path)


def test_text_of_an_older_editor(tmp_path: Path) -> None:
    """YAML 1.2.2, 5.2: UTF-16 with a byte order mark."""
    for codec in ("utf-8-sig", "utf-16", "utf-8"):
        assert load(tmp_path, "title: Žár\r\n".encode(codec)).data == {"title": "Žár"}
    problems = refused(tmp_path, "title: Žár\n".encode("utf-16")[:-1])
    assert [(p.line, p.message) for p in problems] == [(0, "is not UTF-8 text; save the file as UTF-8")]


def refused(tmp_path: Path, text: str | bytes) -> tuple[Problem, ...]:
    with pytest.raises(InputError) as caught:
        load(tmp_path, text)
    return caught.value.problems


@pytest.mark.parametrize(
    ("written", "value"),
    [
        # The examples of YAML 1.2.2, section 10.3.2, table of tag resolution and example 10.9.
        ("null", None), ("~", None), ("", None), ("true", True), ("True", True), ("TRUE", True), ("False", False),
        ("0", 0), ("0o7", 7), ("0x3A", 0x3A), ("-19", -19),
        ("0.", 0.0), ("-0.0", 0.0), (".5", 0.5), ("+12e03", 12000.0), ("-2E+05", -200000.0),
        # Text in 1.2, other things in YAML 1.1.
        ("NO", "NO"), ("no", "no"), ("on", "on"), ("12:30", "12:30"), ("1_000", "1_000"),
        ("2026-02-14", "2026-02-14"), ("'7'", "7"),
    ],
)  # fmt: skip
def test_core_schema(tmp_path: Path, written: str, value: object) -> None:
    read = load(tmp_path, f"key: {written}\n").data["key"]
    assert read == value
    assert type(read) is type(value)


def test_country_no_is_norway(tmp_path: Path) -> None:
    assert load(tmp_path, "country: NO\n").data == {"country": "NO"}


def test_keys_stay_as_written(tmp_path: Path) -> None:
    assert load(tmp_path, "0123: -3.2\n").data == {"0123": -3.2}


def test_positions(tmp_path: Path) -> None:
    doc = load(tmp_path, "a: 1\nlist:\n  - x\n  - {b: two, c: }\n")
    assert doc.data == {"a": 1, "list": ["x", {"b": "two", "c": None}]}
    assert doc.at(("a",)) == (1, 4)
    assert doc.at(("list", 0)) == (3, 5)
    assert doc.at(("list", 1, "b")) == (4, 9)
    assert doc.at(("list", 1, "b"), key=True) == (4, 6)
    assert doc.at(("list", 1, "c")) == (4, 14)  # nothing is written: its key
    assert doc.at(("list", 1, "nothing", 3)) == (4, 5)
    assert doc.texts["list", 1, "b"] == "two"


def test_alias_bomb_is_refused_without_expanding(tmp_path: Path) -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, 12)]
    problems = refused(tmp_path, "\n".join(lines))
    assert "anchor" in problems[0].message
    assert any("alias" in p.message for p in problems)
    assert len(problems) <= 50


def test_tags_and_repeated_keys_all_at_once(tmp_path: Path) -> None:
    problems = refused(tmp_path, "a: !!python/name:os.system x\nb: 1\nb: 2\nc: &x 1\n")
    assert [(p.line, p.column) for p in problems] == [(1, 4), (3, 1), (4, 4)]
    assert "already on line 2" in problems[1].message


@pytest.mark.parametrize(
    ("text", "line", "column", "words"),
    [
        ("a: 1\n\tb: 2\n", 2, 1, "tab"),
        ("a: b: c\n", 1, 5, "colon"),
        ("a: [1, 2\nb: 3\n", 2, 2, "closing ]"),
        ("a: 1\n---\nb: 2\n", 2, 1, "second document"),
        ("a: .nan\n", 1, 4, "not a finite number"),
        ("a: 1e999\n", 1, 4, "not a finite number"),
        ("a: " + "9" * 6000 + "\n", 1, 4, "too many digits"),
        ("a: \x01\n", 1, 4, "control character"),
        (b"a: 1\nb: \xff\n", 2, 1, "UTF-8"),
        ("? [a]\n: 1\n", 1, 3, "plain text"),
        ("a: " + "[" * 200 + "]" * 200, 1, 54, "nested too deep"),
        ("a: 'x\n", 2, 1, "closing quote"),
    ],
)
def test_refusals(tmp_path: Path, text: str | bytes, line: int, column: int, words: str) -> None:
    problem = refused(tmp_path, text)[-1]
    assert (problem.line, problem.column) == (line, column)
    assert words in problem.message


def test_limits_of_depth_digits_and_problems(tmp_path: Path) -> None:
    assert load(tmp_path, "a: " + "[" * 50 + "]" * 50).data["a"]
    assert "nested too deep" in refused(tmp_path, "a: " + "[" * 51 + "]" * 51)[-1].message
    assert load(tmp_path, "a: " + "9" * 30).data == {"a": 10**30 - 1}
    assert "too many digits" in refused(tmp_path, "a: " + "9" * 31)[0].message
    assert len(refused(tmp_path, "".join(f"a{n}: &x 1\n" for n in range(90)))) == 50


def test_size_limit_and_absent_file(tmp_path: Path) -> None:
    assert "1 MB" in refused(tmp_path, "a: " + "x" * 1_000_000)[0].message
    with pytest.raises(InputError, match="cannot be read"):
        load_yaml(tmp_path / "absent.yaml")


class Kind(StrEnum):
    WEB = "web"
    PRINT = "print"


class Inner(BaseModel):
    model_config = ConfigDict(extra="forbid")
    depth: int = 0


class Model(BaseModel):
    model_config = ConfigDict(extra="forbid")
    ev: float = Field(0.0, ge=-5, le=5)
    limit: Annotated[int, Field(gt=0)] | None = None
    method: Literal["gray_world", "camera"] | tuple[float, float, float] = "camera"
    kind: Kind = Kind.WEB
    on: bool = False
    words: str = ""
    inner: Inner = Inner()
    many: tuple[Inner, ...] = ()
    named: dict[str, float] = Field(default_factory=dict)
    needed: int

    @field_validator("words")
    @classmethod
    def _words(cls, value: str) -> str:
        if value == "bad":
            raise ValueError("bad is a bad word; write another")
        return value


@pytest.mark.parametrize(
    ("text", "message", "line", "column"),
    [
        ("ev: 1.5x", "ev: 1.5x is not a number; write a number from -5 to 5", 2, 5),
        ("ev: true", "ev: true is not a number; write a number from -5 to 5", 2, 5),
        ("ev: [1]", "ev: this list is not a number; write a number from -5 to 5", 2, 5),
        ("ev: 7", "ev: 7 is out of range; write a number from -5 to 5", 2, 5),
        ("ev:", "ev: nothing is not a number; write a number from -5 to 5", 2, 1),
        ("limit: 0", "limit: 0 is out of range; write a whole number above 0", 2, 8),
        ("limit: 2.5", "limit: 2.5 is not a whole number; write a whole number above 0", 2, 8),
        ("method: gray_word", "method: gray_word is not a choice; did you mean gray_world? "
         "(write gray_world or camera or a list of 3 values, each a number)", 2, 9),
        ("kind: prnt", "kind: prnt is not a choice; did you mean print? (write web or print)", 2, 7),
        ("on: 3", "on: 3 does not fit; write true or false", 2, 5),
        ("words: 3", "words: 3 does not fit; write text", 2, 8),
        ("words: bad", "words: bad is a bad word; write another", 2, 8),
        ("inner: {dept: 3}", "no key dept in inner; did you mean depth?", 2, 9),
        ("inner: 3", "inner: 3 does not fit; write keys and values", 2, 8),
        ("many: [{}, {depth: x}]", "many item 2 depth: x is not a whole number; write a whole number", 2, 20),
        ("named: {a: x}", "named a: x is not a number; write a number", 2, 12),
        ("metod: x", "no key metod; did you mean method?", 2, 1),
    ],
)  # fmt: skip
def test_plain_words(tmp_path: Path, text: str, message: str, line: int, column: int) -> None:
    doc = load(tmp_path, f"needed: 1\n{text}\n")
    valid, problems = validate(Model, doc.data, doc, ())
    assert valid is None
    assert [(p.message, p.line, p.column) for p in problems] == [(message, line, column)]


def test_missing_key_points_at_its_owner(tmp_path: Path) -> None:
    doc = load(tmp_path, "step:\n  ev: 1\n")
    _, problems = validate(Model, doc.data["step"], doc, ("step",))
    assert [str(p) for p in problems] == [f"{doc.file}:2:3: needed is missing; write a whole number"]


def test_no_jargon(tmp_path: Path) -> None:
    lines = ("ev: x", "limit: x", "method: [1]", "kind: 1", "on: x", "words: []", "inner: x", "many: 3")
    doc = load(tmp_path, "\n".join((*lines, "named: 3", "z: 1\n")))
    _, problems = validate(Model, doc.data, doc, ())
    assert len(problems) == 11
    said = " ".join(p.message for p in problems).casefold()
    assert not re.search("input|valid|dict|tuple|string|instance|pydantic|none|literal|enum|float", said)
