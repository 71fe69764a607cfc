"""Small published tables that the tests check against; README.md says whence each is and its licence."""

from __future__ import annotations

import csv
from pathlib import Path


def texts(name: str) -> list[dict[str, str]]:
    """The rows of a table by column."""
    with (Path(__file__).parent / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def numbers(name: str) -> list[dict[str, float]]:
    """The rows of a table that holds numbers only."""
    return [{column: float(cell) for column, cell in row.items()} for row in texts(name)]
