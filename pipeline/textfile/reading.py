"""Small files of text that a person chose: read whole, up to a size, and decoded, with problems that name the place."""

from __future__ import annotations

import codecs
from pathlib import Path

from pipeline.errors import InputError, Problem


def read_bytes(path: Path, limit: int, doubt: str = "is it the right file?") -> bytes:
    """All of a file of at most `limit` bytes.

    limit  bytes; whole thousands, so that the message can name them
    doubt  what the person may have mixed up, for a file that is larger
    Raises InputError with one problem where the file cannot be read or is larger.
    """
    try:
        with path.open("rb") as stream:
            raw = stream.read(limit + 1)
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
