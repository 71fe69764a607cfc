"""One file of a card into one or two folders: read once, written under a temporary name, read back, then named."""

from __future__ import annotations

import hashlib
import os
import secrets
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

from pipeline.shoot.gather.listing import PART, Entry
from pipeline.store import disk

HEAD = 1 << 16  # bytes at a file's start by which files of one size are told apart before they are read in full
_CHUNK = 1 << 22  # bytes read at once; chosen for large files on slow readers, no source
FAT_SECONDS = 2  # ECMA-107, 11.4.2 and Microsoft's FAT specification: a time of change is kept in steps of two seconds


class ChangedError(Exception):
    """A file of the card changed while it was read."""


class ReadBackError(OSError):
    """What the disk gives back is not what was written."""


class Source:
    """A file of a card, open for reading. `head` is its first 64 KiB; `entry` is the file as it was when opened."""

    def __init__(self, opened: int, entry: Entry) -> None:
        self._opened = opened
        self.entry = entry
        self.head = _read(opened, HEAD)

    def copy(self, parts: Sequence[Part], progress: Callable[[int], None]) -> str:
        """Read the file to its end, into every part that still takes bytes; SHA-256 in hex (FIPS 180-4).

        progress is called with the number of bytes just read. Raises ChangedError where the file did not hold still,
        OSError where the card cannot be read. A part that cannot be written keeps its error.
        """
        digest, size, data = hashlib.sha256(), 0, self.head
        while data:
            digest.update(data)
            size += len(data)
            for part in parts:
                part.write(data)
            progress(len(data))
            data = _read(self._opened, _CHUNK)
        if Entry.of(self.entry.path, os.fstat(self._opened)) != self.entry or size != self.entry.size:
            raise ChangedError
        return digest.hexdigest()


@contextmanager
def source(card: Path, path: str) -> Iterator[Source]:
    """Open a file at `path` of a card, to read it once. Raises OSError."""
    opened = disk.open_to_read(card / path)
    try:
        yield Source(opened, Entry.of(path, os.fstat(opened)))
    finally:
        disk.forget(opened)  # it is not read again, and would drive other files out of memory
        os.close(opened)


class Part:
    """A copy under a temporary name in `folder`, until it is verified. `error` is why the disk refused it."""

    def __init__(self, folder: Path) -> None:
        """Raises OSError."""
        self.path = folder / f"{PART}{os.getpid()}-{secrets.token_hex(8)}"
        self.error: OSError | None = None
        self._opened: int | None = disk.create(self.path)

    def write(self, data: bytes) -> None:
        """Add `data`; after an error nothing more."""
        if self.error is not None or self._opened is None:
            return
        rest = memoryview(data)
        try:
            while rest:
                rest = rest[os.write(self._opened, rest) :]
        except OSError as error:
            self.error = error

    def verify(self, digest: str, mtime: int) -> bool:
        """Flush the copy with the time of change `mtime` (ns), and read it back from the disk.

        Whether the disk kept the time, to two seconds. Raises ReadBackError where the SHA-256 is not `digest`, OSError.
        """
        assert self._opened is not None
        times = (mtime, mtime)
        with suppress(OSError):  # some network disks keep no times
            os.utime(self._opened if os.utime in os.supports_fd else self.path, ns=times)
        disk.flush(self._opened)
        disk.forget(self._opened)
        self._close()
        if hash_from_disk(self.path) != digest:
            raise ReadBackError
        return abs(self.path.stat().st_mtime_ns - mtime) <= FAT_SECONDS * 10**9

    def settle(self, final: Path) -> None:
        """Give the verified copy its name. Raises FileExistsError where the name is taken, OSError."""
        disk.move(self.path, final)

    def discard(self) -> None:
        """Remove what there is under the temporary name; what cannot be removed is a leftover for the next gather."""
        with suppress(OSError):
            self._close()
        with suppress(OSError):
            self.path.unlink()

    def _close(self) -> None:
        opened, self._opened = self._opened, None
        if opened is not None:
            os.close(opened)


def hash_from_disk(path: Path, *, unflushed: bool = False) -> str:
    """SHA-256 in hex of a file, from the disk and not from memory where the system permits. Raises OSError.

    unflushed  whether another program may have written it a moment ago
    """
    opened = disk.open_to_read(path)
    try:
        if unflushed:
            with suppress(OSError):  # some systems flush for writers only
                os.fsync(opened)
        disk.forget(opened)
        digest = hashlib.sha256()
        while data := _read(opened, _CHUNK):
            digest.update(data)
        return digest.hexdigest()
    finally:
        os.close(opened)


def head_of(path: Path) -> bytes:
    """The first 64 KiB of a file. Raises OSError."""
    opened = disk.open_to_read(path)
    try:
        return _read(opened, HEAD)
    finally:
        os.close(opened)


def _read(opened: int, size: int) -> bytes:
    """`size` bytes, or fewer at the end of the file only."""
    data = os.read(opened, size)
    while data and len(data) < size and (more := os.read(opened, size - len(data))):
        data += more
    return data
