"""gathered.sha256: what was copied, as `sha256sum -c` reads it. Lines are added, never changed or lost."""

from __future__ import annotations

import os
from collections import defaultdict
from pathlib import Path

from pipeline.shoot.gather.listing import LIST, PART
from pipeline.store.disk import flush_folder
from pipeline.store.files import write_atomic

_HEX = 64


class Checksums:
    """The list in `folder`: one line a file, SHA-256 in hex, two spaces, path from the folder."""

    def __init__(self, folder: Path) -> None:
        """Read the list, where there is one. Raises OSError."""
        self._file = folder / LIST
        try:
            self._data = self._file.read_bytes()
        except FileNotFoundError:
            self._data = b""
        if self._data and not self._data.endswith(b"\n"):
            self._data += b"\n"
        self._known = set(filter(None, map(_parsed, self._data.splitlines())))
        self._paths = dict(self._known)
        self._unasked: dict[str, list[str]] = defaultdict(list)  # digest -> paths
        self._listed: dict[str, set[str]] = defaultdict(set)  # path -> digests
        for path, digest in sorted(self._known):
            self._unasked[digest].append(path)
            self._listed[path].add(digest)
        self._new: list[bytes] = []

    def holds_other(self, path: str, digest: str) -> bool:
        """Whether the list says that other bytes stood at `path`."""
        return self._paths.get(path, digest) != digest

    def take(self, digest: str) -> list[tuple[str, set[str]]]:
        """Each path that the list, as it was read, gives this digest, with all its digests; the second time none."""
        return [(path, self._listed[path]) for path in self._unasked.pop(digest, ())]

    def add(self, path: str, digest: str) -> None:
        """A file that was verified: path from the folder with "/", SHA-256 in hex."""
        if (path, digest) not in self._known:
            self._known.add((path, digest))
            self._paths.setdefault(path, digest)
            self._new.append(_line(path, digest))

    def write(self) -> None:
        """Add the new lines to the file, whole or not at all. Raises OSError."""
        if self._new:
            write_atomic(self._file, self._data + b"".join(self._new), prefix=PART)
            flush_folder(self._file.parent)
            self._data += b"".join(self._new)
            self._new = []


def _line(path: str, digest: str) -> bytes:
    """GNU coreutils manual, "md5sum invocation": a backslash before the line says that its name is escaped."""
    name = os.fsencode(path)
    escaped = name.replace(b"\\", b"\\\\").replace(b"\n", b"\\n").replace(b"\r", b"\\r")
    return (b"\\" if escaped != name else b"") + digest.encode() + b"  " + escaped + b"\n"


def _parsed(line: bytes) -> tuple[str, str] | None:
    """(path, digest) of a line, or None for one that is not ours to understand."""
    escaped = line.startswith(b"\\")
    digest, between, name = line[escaped:][:_HEX], line[escaped:][_HEX : _HEX + 2], line[escaped:][_HEX + 2 :]
    if between not in (b"  ", b" *") or len(digest) != _HEX:
        return None
    if escaped:
        kept = name.replace(b"\\\\", b"\0")  # no name holds a zero byte
        name = kept.replace(b"\\n", b"\n").replace(b"\\r", b"\r").replace(b"\0", b"\\")
    return os.fsdecode(name), digest.decode("ascii", "replace").lower()
