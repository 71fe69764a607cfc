"""How a command measures frames, as it was asked to, and what a person should know of the cache that it uses."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from pipeline.cli.console import note, some
from pipeline.store.cache import Cache, user_cache
from pipeline.workers.executors import WorkChoice


@dataclass(frozen=True)
class CacheChoice:
    """folder  None for the usual one; used  false where everything is to be measured again"""

    folder: Path | None = None
    used: bool = True


@dataclass(frozen=True)
class Measuring:
    """What every command that measures frames is asked.

    models  folder of the model files, None for the usual places; offline  fetch none that is missing
    work    where it is done; cache  where what is measured is kept
    """

    models: Path | None
    offline: bool
    work: WorkChoice
    cache: CacheChoice


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
