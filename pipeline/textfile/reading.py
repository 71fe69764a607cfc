"""Small files of text that a person chose: read whole, up to a size, and decoded, with problems that name the place."""

from __future__ import annotations

import codecs
import errno
import os
import stat
from pathlib import Path

from pipeline.errors import InputError, Problem

# Opening a pipe would wait for whoever writes to it, and opening a terminal could make it this process's own.
_FLAGS = os.O_RDONLY | sum(getattr(os, name, 0) for name in ("O_NONBLOCK", "O_NOCTTY", "O_CLOEXEC", "O_BINARY"))
_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


def is_there(path: Path) -> bool:
    """Whether anything has this name: a file, or what no file can be read from, such as a link that leads nowhere.

    What is there and cannot be read must be said: it may forbid something. Only what is surely not there is False.
    """
    try:
        path.lstat()
    except (FileNotFoundError, NotADirectoryError, ValueError):  # ValueError: a name that no file can have
        return False
    except OSError:
        return True
    return True


def read_regular(path: Path, most: int) -> bytes:
    """At most `most` bytes of a file. Never waits for a pipe, nor reads a device that has no end.

    Raises OSError, with words in `strerror`, also for what is no file.
    """
    try:
        _refuse_special(path, path.stat().st_mode)
        opened = os.open(path, _FLAGS)
    except FileNotFoundError as error:
        if is_there(path):
            raise OSError(errno.ENOENT, "a link that leads nowhere; is its disk connected?", str(path)) from error
        raise
    except ValueError as error:
        raise OSError(errno.EINVAL, "no file can have this name", str(path)) from error
    with os.fdopen(opened, "rb") as stream:
        _refuse_special(path, os.fstat(opened).st_mode)  # it may be another by now
        return stream.read(most)


def _refuse_special(path: Path, mode: int) -> None:
    if not stat.S_ISREG(mode):
        kind = next((words for fits, words in _KINDS if fits(mode)), "something else")
        raise OSError(errno.EINVAL, f"{kind}, not a file", str(path))


def read_bytes(path: Path, limit: int, doubt: str = "is it the right file?") -> bytes:
    """All of a file of at most `limit` bytes.

    limit  bytes; whole thousands, so that the message can name them
    doubt  what the person may have mixed up, for a file that is larger
    Raises InputError with one problem where the file cannot be read or is larger.
    """
    try:
        raw = read_regular(path, limit + 1)
    except OSError as error:
        raise refused(path, 0, f"cannot be read: {error.strerror or error}") from None
    if len(raw) > limit:
        size = f"{limit // 1_000_000} MB" if limit >= 1_000_000 else f"{limit // 1000} kB"
        raise refused(path, 0, f"larger than {size}; {doubt}")
    return raw


def read_unicode(path: Path, limit: int) -> str:
    """The text of a file of at most `limit` bytes: UTF-8, or UTF-16 with its byte order mark (as YAML 1.2.2, 5.2).

    Raises InputError as `read_bytes`, and for a file that is neither, with the line.
    """
    raw = read_bytes(path, limit)
    wide = raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    try:
        return raw.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError as error:
        line = 0 if wide else raw.count(b"\n", 0, error.start) + 1
        raise refused(path, line, "is not UTF-8 text; save the file as UTF-8") from None


def refused(path: Path, line: int, message: str) -> InputError:
    """The error of one problem, at the start of a line (0: in the file as a whole)."""
    return InputError([Problem(str(path), line, 1 if line else 0, message)])
