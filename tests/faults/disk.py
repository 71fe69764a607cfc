"""Disks that fail: a write that finds no room leaves nothing half written."""

from __future__ import annotations

import errno
import os
from pathlib import Path

from pipeline.store.files import write_atomic
from tests.faults.harness import cases, wrong

NAME = "disk"
FULL, QUICK = 10, 10


def run(amount: int, folder: Path, seed: int) -> list[str]:
    """A file that cannot be flushed is as it was before."""
    found = []
    real = os.fsync

    def no_room(number: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    for number, chance in cases(amount, seed):
        path = folder / f"{number}"
        path.write_bytes(b"before")
        os.fsync = no_room
        try:
            write_atomic(path, chance.randbytes(1000))
            found.append(wrong(NAME, number, "a full disk is not noticed"))
        except OSError:
            pass
        finally:
            os.fsync = real
        if path.read_bytes() != b"before" or len(list(folder.iterdir())) != number - seed + 1:
            found.append(wrong(NAME, number, "something half written stays"))
    return found
