"""The one-line changes that tests must see, a file a package: see tests/mutants.py."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass


@dataclass(frozen=True)
class Mutant:
    """One change of one line.

    file   below pipeline/
    old    text that stands exactly once in the file; new: what takes its place
    tests  files or node ids below tests/, that must notice
    why    only where no test can notice: why the two are the same for a user
    """

    file: str
    old: str
    new: str
    tests: tuple[str, ...]
    why: str = ""

    @property
    def name(self) -> str:
        """As `--only` and the printed list know it."""
        return f"{self.file}: {' '.join(self.old.split())} -> {' '.join(self.new.split()) or '(gone)'}"


def mutant(file: str, old: str, new: str, *tests: str, why: str = "") -> Mutant:
    """One row of a table."""
    return Mutant(file, old, new, tests, why)


def moved(file: str, tests: tuple[str, ...], fields: str) -> Iterator[Mutant]:
    """Fields of a file's rules, "name value" with "; " between them, 10 % larger and smaller."""
    for field in fields.split("; "):
        name, value = field.split()
        for times in (1.1, 0.9):
            new = f"    {name}: float = {float(value) * times:.6g}"
            yield mutant(file, f"    {name}: float = {value}", new, *tests)
