"""Files that appear whole or not at all, and names and folders that count as one."""

from __future__ import annotations

import errno
import os
import re
import secrets
import time
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from pipeline.store.disk import create, flush, move

TEMPORARY = ".evencourt-part-"  # how the name of a file begins that is not whole yet
_LEFTOVER = re.compile(re.escape(TEMPORARY) + r"[0-9]+-[0-9a-f]+")
_WINDOWS = os.name == "nt"
_OF_A_MOMENT = (errno.EIO, errno.ETIMEDOUT, errno.EAGAIN, errno.EBUSY)
_PAUSES = (0.1, 0.5)  # s before each further try; chosen by thinking of network disks, no source
_TRIES = 6  # with waits of 50, 100, ... ms, about 1.5 s in all


@contextmanager
def whole_file(
    path: Path, *, durable: bool = True, prefix: str = TEMPORARY, private: bool = False, replaces: bool = True
) -> Iterator[BinaryIO]:
    """A file to write and read back, which appears at `path` when the block ends: temporary name, fsync, rename.

    durable   wait for the disk; without it a loss of power may cut the file
    prefix    how the temporary name begins, by which leftovers are known; it does not hold the final name, which may
              already be as long as the system allows
    private   only its owner can read it
    replaces  where it is false, FileExistsError is raised for a file that is there, and that one stays

    Where the block or the disk fails, nothing is left of it and what was at `path` stays. Raises OSError, which names
    `path` where the disk refused.
    """
    part = path.with_name(f"{prefix}{os.getpid()}-{secrets.token_hex(8)}")
    with _naming(path):
        opened = create(part, private=private)
    file = os.fdopen(opened, "w+b")
    try:
        yield file
        with _naming(path):
            file.flush()
            if durable:
                flush(file.fileno(), fully=False)
            file.close()  # where some network disks say that there is no room
            _replace(part, path) if replaces else move(part, path)
    except BaseException:
        with suppress(OSError):
            file.close()
        with suppress(OSError):
            part.unlink()
        raise


def write_atomic(
    path: Path,
    data: bytes,
    *,
    durable: bool = True,
    prefix: str = TEMPORARY,
    private: bool = False,
    replaces: bool = True,
) -> None:
    """Write `data` to `path`, whole or not at all, as `whole_file`. Raises OSError, which names `path`.

    A failure that may be one of a moment, as on a network disk, is tried again: it must not end a night.
    """
    for pause in (*_PAUSES, None):
        try:
            whole = whole_file(path, durable=durable, prefix=prefix, private=private, replaces=replaces)
            with whole as file, _naming(path):
                file.write(data)
            return
        except OSError as error:
            if pause is None or error.errno not in _OF_A_MOMENT:
                raise
            time.sleep(pause)


@contextmanager
def _naming(path: Path) -> Iterator[None]:
    """What the disk refuses in the block is an error of the same kind that names `path`, not a temporary file."""
    try:
        yield
    except OSError as error:
        if error.errno is None:
            raise
        raise OSError(error.errno, error.strerror, str(path)) from error


def is_leftover(name: str) -> bool:
    """Whether a file's name is one that `whole_file` gives to what is not whole yet."""
    return _LEFTOVER.fullmatch(name) is not None


def remove_leftovers(folder: Path) -> None:
    """Remove what `whole_file` left in a folder when its process was killed: plain files of just such names."""
    with suppress(OSError), os.scandir(folder) as found:  # harmless where one stands; the next run tries again
        for one in found:
            if is_leftover(one.name) and one.is_file(follow_symlinks=False):
                with suppress(OSError):
                    Path(one.path).unlink()


def folded(path: str) -> str:
    """Equal for names and paths that a disk may take for one: they differ in case, or in how letters are composed."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", path).casefold())


def is_inside(target: Path, source: Path) -> bool:
    """Whether resolved `target` is `source` or below it, also where the file system ignores case."""
    for folder in (target, *target.parents):
        if folder == source:
            return True
        with suppress(OSError):  # not made yet
            if folder.samefile(source):
                return True
    return False


def _replace(part: Path, path: Path) -> None:
    """Windows refuses while a viewer or a virus scanner has the file open, mostly for a moment only."""
    for attempt in range(1, _TRIES):
        try:
            part.replace(path)
        except PermissionError:
            if not _WINDOWS:
                raise
            time.sleep(0.05 * 2 ** (attempt - 1))
        else:
            return
    part.replace(path)
