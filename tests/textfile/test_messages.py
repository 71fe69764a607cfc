"""Counts in messages."""

from __future__ import annotations

import pytest

from pipeline.errors import MOST_LINES, Problem, lines_of
from pipeline.textfile.messages import counted


@pytest.mark.parametrize(
    ("number", "one", "several", "text"),
    [
        (0, "frame", "", "0 frames"),
        (1, "frame", "", "1 frame"),
        (1200, "frame", "", "1,200 frames"),
        (1, "frame is", "frames are", "1 frame is"),
        (2, "frame is", "frames are", "2 frames are"),
    ],
)
def test_a_count_has_its_singular(number: int, one: str, several: str, text: str) -> None:
    assert counted(number, one, several) == text


@pytest.mark.parametrize(("more", "text"), [(1, "and 1 more problem"), (2, "and 2 more problems")])
def test_problems_that_are_not_named_are_counted(more: int, text: str) -> None:
    lines = lines_of([Problem("a.csv", line, 1, "is wrong") for line in range(1, MOST_LINES + more + 1)])
    assert len(lines) == MOST_LINES + 1 and lines[-1] == f"a.csv: {text}"
