"""LibRaw prints to standard error what it finds damaged; that is caught here, since a FrameError says it in words."""

from __future__ import annotations

import os
import re
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from pipeline.store.disk import temporary_folder

_STDERR = 2
# LibRaw 0.22, its default data callback, which rawpy gives no switch for.
_SAID = rb": (?:Unexpected end of file|data corrupted at -?[0-9]+)\r?\n"


@contextmanager
def quiet_libraw(path: Path) -> Iterator[None]:
    """While the block reads `path` with LibRaw, keep what LibRaw prints about it from standard error.

    What anything else prints meanwhile comes out after the block. Descriptors belong to the whole process, so only the
    main thread does this, of the parent as of workers; in other threads, or without room for a file, LibRaw prints.
    """
    try:
        caught = _redirected()
    except OSError:
        caught = None
    if caught is None:
        yield
        return
    kept, before = caught
    try:
        yield
    finally:
        os.dup2(before, _STDERR)
        os.close(before)
        try:
            os.lseek(kept, 0, os.SEEK_SET)
            said = os.read(kept, os.fstat(kept).st_size)
            rest = re.sub(re.escape(os.fsencode(path)) + _SAID, b"", said)
        finally:
            os.close(kept)
        with suppress(OSError):
            os.write(_STDERR, rest)


def _redirected() -> tuple[int, int] | None:
    """(the file that standard error goes to, where it went before), or None outside the main thread. Raises OSError."""
    if threading.current_thread() is not threading.main_thread():
        return None
    before = os.dup(_STDERR)
    try:
        with tempfile.TemporaryFile(buffering=0, dir=temporary_folder()) as file:
            kept = os.dup(file.fileno())
        os.dup2(kept, _STDERR)
    except OSError:
        os.close(before)
        raise
    return kept, before
