"""The cache that a command was given, and what a person should know of it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from pipeline.cli.console import note, some
from pipeline.store.cache import Cache, user_cache


@dataclass(frozen=True)
class CacheChoice:
    """folder  None for the usual one; used  false where everything is to be measured again"""

    folder: Path | None = None
    used: bool = True


@contextmanager
def open_cache(choice: CacheChoice, shoot: Path) -> Iterator[Cache]:
    """The cache to use for a shoot folder. When the block ends it is said, once, why it was not used or not written.

    Raises InputError where the cache would lie in the shoot folder.
    """
    cache = user_cache(choice.folder, outside=shoot) if choice.used else Cache(None)
    try:
        yield cache
    finally:
        some(note, list(cache.notices), "note")
