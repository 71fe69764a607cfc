"""Files of facts under a name that is not read, such as Roster.csv or roster.xlsx: whom they withhold would be shown.

What spreadsheets and browsers make of a name is common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from pipeline.errors import Problem

_COPY = r"(?:[ _-]*(?:\(\d+\)|copy|kopie|kopi|copie|copia|kopia))*"
_TABLE = r"(?:\.(?:csv|txt|tsv|tab|xlsx?|xlsm|xlsb|ods|numbers))*"
_YAML = r"(?:\.(?:ya?ml|txt))*"
_TEXTS = (".csv", ".yaml", ".yml")


def misnamed(name: str, folders: Sequence[Path]) -> list[Path]:
    """The files in `folders` that somebody means by `name`, such as roster.csv, and that are not called so."""
    stem, _, suffix = name.rpartition(".")
    pattern = re.compile(re.escape(stem) + _COPY + (_TABLE if suffix == "csv" else _YAML), re.IGNORECASE)
    found: list[Path] = []
    for folder in folders:
        with suppress(OSError):
            there = sorted(one for one in folder.iterdir() if one.name != name and pattern.fullmatch(one.name))
            right = folder / name
            found += [one for one in there if one.is_file() and not (right.exists() and right.samefile(one))]
    return found


def rosters(folder: Path) -> list[Path]:
    """The tables in a folder that have roster in their names, such as roster_away.csv."""
    with suppress(OSError):
        shown = (one for one in sorted(folder.iterdir()) if not one.name.startswith("."))  # no ._roster.csv of a disk
        return [one for one in shown if "roster" in one.stem.lower() and one.suffix.lower() == ".csv"]
    return []


def not_read(name: str, folders: Sequence[Path]) -> list[Problem]:
    """A problem for each file that `misnamed` finds, where none that is called `name` says anything."""
    return [Problem(str(one), 0, 0, f"is not read; {_do(one, name)}") for one in misnamed(name, folders)]


def changed_later(used: Path, folders: Sequence[Path]) -> list[str]:
    """Notices on those that were changed later than the file that is read in their place."""
    with suppress(OSError):
        since = used.stat().st_mtime_ns
        later = [one for one in misnamed(used.name, folders) if one.stat().st_mtime_ns > since]
        return [f"{one} was changed later than {used.name} and is not read; if it counts, {_do(one, used.name)}"
                for one in later]  # fmt: skip
    return []


def _do(file: Path, name: str) -> str:
    if file.suffix.lower() in _TEXTS:
        return f"rename it to {name}"
    return f"save it as {name}" + (" (CSV UTF-8)" if name.endswith(".csv") else "")
