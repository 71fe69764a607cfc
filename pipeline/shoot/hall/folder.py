"""Where memories of halls are kept: one file each in the user's data folder, read through one schema."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import platformdirs
from filelock import FileLock, Timeout

from pipeline.errors import InputError
from pipeline.shoot.hall.memory import HallMemory, as_yaml, file_name, same_hall
from pipeline.store.files import write_atomic
from pipeline.store.places import is_link
from pipeline.textfile.reading import is_there
from pipeline.textfile.yamlfile import load_yaml, validate

VARIABLE = "EVENCOURT_HALLS"  # a folder to use in place of the user's data folder
_WAIT = 20.0  # s for another run to write its own: it takes some milliseconds
_MOST = 500  # files that are listed


def halls_folder() -> Path:
    """The folder of the memories; it may not be there yet. Raises InputError where this user has no home folder."""
    named = os.environ.get(VARIABLE, "")
    try:
        own = Path(named) if named else Path(platformdirs.user_data_path("evencourt", appauthor=False)) / "halls"
        return own.expanduser()
    except RuntimeError:
        raise InputError(f"there is no home folder to keep memories of halls in; name a folder in {VARIABLE}") from None


def hall_file(hall: str) -> Path:
    """The file of a hall's memory. Raises as `halls_folder`."""
    return halls_folder() / file_name(hall)


def read_hall(hall: str) -> HallMemory | None:
    """What is remembered of a hall; None where nothing is.

    Raises InputError, with file and line, where the file is damaged, is of another hall, or cannot be read.
    """
    path = hall_file(hall)
    if not is_there(path):
        return None
    found = read_file(path)
    if not same_hall(found.hall, hall):
        raise InputError(f"{path}: is of another hall than its name says; move it away")
    return found


def read_file(path: Path) -> HallMemory:
    """A memory's file. Raises InputError with every problem."""
    if is_link(path):
        raise InputError(f"{path}: is a link, and not ours; remove it")
    doc = load_yaml(path)
    found, problems = validate(HallMemory, doc.data if isinstance(doc.data, dict) else {}, doc, ())
    if found is None:
        raise InputError(problems)
    return found


def listed_halls() -> list[tuple[Path, HallMemory | InputError]]:
    """Every file in the folder, by name, with what is wrong with it where it cannot be read."""
    folder = halls_folder()
    paths = sorted(p for p in folder.glob("*.yaml") if not p.name.startswith(".")) if folder.is_dir() else []
    found: list[tuple[Path, HallMemory | InputError]] = []
    for path in paths[:_MOST]:
        try:
            found.append((path, read_file(path)))
        except InputError as error:
            found.append((path, error))
    return found


@contextmanager
def held(hall: str) -> Iterator[Path]:
    """The file of a hall, while no other run writes it. Raises InputError where one does for too long, OSError."""
    path = hall_file(hall)
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    lock = path.with_name(".lock")
    if is_link(lock) or is_link(path):
        raise InputError(f"{path}: it or its lock is a link, and not ours; remove it")
    try:
        with FileLock(lock, timeout=_WAIT):
            yield path
    except Timeout:
        raise InputError(f"{path}: another run has been writing it for {_WAIT:.0f} s; it was not changed") from None


def write_hall(path: Path, memory: HallMemory) -> None:
    """Write a memory, whole or not at all, for its owner only; inside `held`. Raises OSError."""
    write_atomic(path, as_yaml(memory).encode(), private=True)


def forget_hall(hall: str) -> Path | None:
    """Remove what is remembered of a hall, also where it is damaged; the path, None where there was nothing. Raises
    InputError, OSError."""
    path = hall_file(hall)
    if not is_there(path):
        return None
    with held(hall):
        path.unlink(missing_ok=True)
    return path
