"""Hints at the word that was meant."""

from __future__ import annotations

import pytest

from pipeline.textfile.messages import did_you_mean


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
