"""Hints at the word that was meant."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import BaseModel

from pipeline.textfile.messages import did_you_mean
from pipeline.textfile.yamlfile import load_yaml, validate


@pytest.mark.parametrize(
    ("written", "known", "hint"),
    [
        ("Venu", ("venue", "city"), "; did you mean venue?"),
        ("languish", ("language",), "; did you mean language?"),  # 5 of 8 letters alike: 0.625
        ("creamed", ("creator",), ""),  # 4 of 7: 0.57
        ("sport", ("venue", "city"), ""),
        ("venue", (), ""),
    ],
)
def test_did_you_mean(written: str, known: tuple[str, ...], hint: str) -> None:
    """The measure is that of Python's difflib, twice the letters alike to those of both; 0.6 is its own default."""
    assert did_you_mean(written, known) == hint


class Model(BaseModel):
    """One number."""

    edge: int


@pytest.mark.parametrize(("written", "quoted"), [("x" * 40, "x" * 40), ("x" * 41, "x" * 40 + "...")])
def test_a_message_repeats_forty_characters(tmp_path: Path, written: str, quoted: str) -> None:
    path = tmp_path / "a.yaml"
    path.write_text(f"edge: {written}\n", encoding="utf-8")
    doc = load_yaml(path)
    _, problems = validate(Model, doc.data, doc, ())
    assert [p.message for p in problems] == [f"edge: {quoted} is not a whole number; write a whole number"]
