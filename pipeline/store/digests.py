"""Digests of frames. Bytes decide; what the file system says of a file only saves reading it again."""

from __future__ import annotations

import os
import time
from contextlib import suppress
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple

from pipeline.store.cache import Cache
from pipeline.store.keys import digest_file
from pipeline.store.records import from_json, to_json

# Nanoseconds. A file that changed less than this before it was read may change again without another time: FAT keeps
# times to 2 s (Microsoft, FAT file system specification).
SETTLED = 2_000_000_000


class FrameDigest(NamedTuple):
    """Octets, time of change in nanoseconds, and SHA-256 in hex of a frame's file; what else tells it from another.

    changed       when the system last noted a change of the file or its name, nanoseconds (on Windows: its creation)
    inode, device where it lies; read  when it was read, nanoseconds; 0 = as long ago as nothing is known of it
    """

    size: int
    mtime: int
    sha256: str
    changed: int = 0
    inode: int = 0
    device: int = 0
    read: int = 0

    def looks_like(self, found: os.stat_result) -> bool:
        """Whether the file system says nothing of a file that it did not say of the one that was read."""
        here = (found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino, found.st_dev)
        return here == (self.size, self.mtime, self.changed, self.inode, self.device)

    def is_of(self, found: os.stat_result) -> bool:
        """Whether a file is surely still the one that was read. A program can set the time of change back, not that of
        the system's note. On a disk that numbers its files anew the answer is no, and the file is read again."""
        return self.looks_like(found) and self.read - self.changed >= SETTLED


def read_digest(path: Path) -> FrameDigest:
    """Read a file. Raises OSError."""
    now = time.time_ns()  # before it is read: what changes meanwhile has changed later than this
    before = path.stat()
    digest = digest_file(path)
    found = path.stat()
    known = FrameDigest(found.st_size, found.st_mtime_ns, digest, found.st_ctime_ns, found.st_ino, found.st_dev, now)
    return known if known.looks_like(before) else known._replace(read=0)


def digests_in_cache(cache: Cache, shoot: Path | None) -> dict[str, FrameDigest]:
    """Frame (posix path in the shoot folder) -> its digest, of all that any command has read in a resolved `shoot`."""
    data = cache.get("digests", _called(shoot))
    with suppress(ValueError):
        return from_json(dict[str, FrameDigest], data) if data is not None else {}
    return {}


def keep_digests(cache: Cache, shoot: Path | None, known: dict[str, FrameDigest]) -> None:
    """Keep them for the next command."""
    cache.put("digests", _called(shoot), to_json(dict[str, FrameDigest], known))


def _called(shoot: Path | None) -> str:
    return sha256(os.fsencode(shoot or "")).hexdigest()
