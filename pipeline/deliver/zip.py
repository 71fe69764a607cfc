"""The zip of a delivery: the same files give the same bytes, and each can be checked."""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import BinaryIO

from pipeline.deliver.model import Item
from pipeline.store.files import whole_file

CHECKSUMS = "SHA256SUMS"
INCOMPLETE = "NOT-COMPLETE.txt"
VERSION = 1  # raised when the same files give other bytes
_MOMENT = (1980, 1, 1, 0, 0, 0)  # the earliest a zip can say (APPNOTE.TXT 4.4.6, MS-DOS date)
_MODE = 0o100644 << 16  # a plain file, read by everybody, in the upper half (APPNOTE.TXT 4.4.15)
_UNIX = 3  # APPNOTE.TXT 4.4.2; without it the mode means nothing, and Python's choice depends on the system
_BLOCK = 1 << 20
CHANGED = "changed since it was delivered; run again, or delete it and run again"


class ChangedError(OSError):
    """A file is not the one the run made. The message names it."""


def checksums(items: Sequence[Item]) -> bytes:
    """The list that `sha256sum --check` reads (GNU coreutils manual, "md5sum invocation": two spaces before the name,
    a backslash before the line where the name had to be escaped)."""
    lines = []
    for item in items:
        name = item.name.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")
        lines.append(f"{'' if name == item.name else chr(92)}{item.sha256}  {name}\n")
    return "".join(lines).encode("utf-8")


def ordered(items: Sequence[Item]) -> list[Item]:
    """By name, so that the order in which frames were finished does not matter."""
    return sorted(items, key=lambda item: item.name)


def write_zip(
    out: Path,
    path: Path,
    folder: str,
    items: Sequence[Item],
    announce: Callable[[str, int], None] = lambda sha, size: None,
    missing: int = 0,
) -> tuple[str, int]:
    """Write the zip whole or not at all, and return the SHA-256 and number of its bytes, which `announce` is given
    before it appears at `path`.

    The pictures go into `folder` as they are, since a JPEG does not compress; with them goes their list of checksums.
    Where pictures are `missing` because they are not done yet, a text beside the folder says so.
    Files pass through in blocks; sizes beyond 4 GiB and more than 65,535 files take the zip64 form.
    Raises ChangedError when a picture is not the one the run made, and OSError.
    """
    with whole_file(path) as file:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED, allowZip64=True) as archive:
            for item in ordered(items):
                with archive.open(_entry(f"{folder}/{item.name}", item.bytes), "w") as into:
                    _copy(out / item.relative, item, into)  # type: ignore[arg-type]
            data = checksums(ordered(items))
            with archive.open(_entry(f"{folder}/{CHECKSUMS}", len(data)), "w") as into:
                into.write(data)
            if missing:
                note = f"{len(items)} of {len(items) + missing} pictures. This set is not complete yet.\n".encode()
                with archive.open(_entry(INCOMPLETE, len(note)), "w") as into:
                    into.write(note)
        size = file.seek(0, io.SEEK_END)
        file.seek(0)
        digest = hashlib.file_digest(file, "sha256").hexdigest()  # type: ignore[arg-type]
        announce(digest, size)
    return digest, size


def _entry(name: str, size: int) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, _MOMENT)
    entry.create_system = _UNIX
    entry.external_attr = _MODE
    entry.compress_type = zipfile.ZIP_STORED
    entry.file_size = size  # lets zipfile choose the zip64 form before it writes
    return entry


def _copy(path: Path, item: Item, into: BinaryIO) -> None:
    digest = hashlib.sha256()
    with path.open("rb") as source:
        while block := source.read(_BLOCK):
            digest.update(block)
            into.write(block)
    if digest.hexdigest() != item.sha256:
        raise ChangedError(f"{item.relative}: {CHANGED}")
