"""Which reviews of one OUT are open on this computer: they share what is decided, and nobody should wonder why."""

from __future__ import annotations

import secrets
from contextlib import suppress
from pathlib import Path

from filelock import FileLock

from pipeline.store.disk import is_held
from pipeline.store.store import REVIEW, Store

SAID = (
    "another review of these pictures is open on this computer. Both write the same facts, so nothing is lost; close "
    "the one that you do not use"
)


class OpenReview:
    """Says to others that this review is open, from now until `close` or the end of the process."""

    def __init__(self, store: Store) -> None:
        self._folder = store.work / REVIEW
        self._own = self._folder / f"open-{secrets.token_hex(8)}.lock"
        self._lock = FileLock(self._own)
        with suppress(OSError, NotImplementedError):  # on some network disks: then nothing is said
            self._folder.mkdir(parents=True, exist_ok=True)
            self._lock.acquire(timeout=0)

    def others(self) -> bool:
        """Whether another one is open; False where the system does not say."""
        return any(is_held(lock) for lock in self._locks() if lock != self._own)

    def close(self) -> None:
        """The end; what reviews left that were killed goes too."""
        with suppress(OSError):
            self._lock.release()
        for lock in self._locks():
            if not is_held(lock):
                with suppress(OSError):
                    lock.unlink()

    def _locks(self) -> list[Path]:
        return sorted(self._folder.glob("open-*.lock"))
