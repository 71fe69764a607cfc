"""What stands on a card or in a folder. Nothing is opened but files that look like a Mac's own notes."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.store.disk import open_to_read
from pipeline.store.files import TEMPORARY

PART = f"{TEMPORARY}gather-"  # how a copy's name begins that is not verified yet
LIST = "gathered.sha256"
LOCK = ".evencourt-gather.lock"

# What operating systems leave on a card; common practice, no source. All that cameras write is copied.
# A folder that a person might call so is not among them, since what is skipped is lost when the card is formatted.
_TRASH = re.compile(r"\.trashes|\.trash-[0-9]+|\$recycle\.bin")
_SYSTEM_FOLDERS = frozenset((
    ".spotlight-v100", ".fseventsd", ".temporaryitems", ".documentrevisions-v100", "system volume information",
))  # fmt: skip
_SYSTEM_FILES = frozenset((".ds_store", "thumbs.db", "desktop.ini"))
_APPLE_DOUBLE = bytes.fromhex("00051607")  # RFC 1740, appendix A: the magic number of an AppleDouble header file


@dataclass(frozen=True)
class Entry:
    """One file: posix path from the top, octets, time of change in ns, and its identity on its disk."""

    path: str
    size: int
    mtime: int
    device: int
    inode: int

    @staticmethod
    def of(path: str, found: os.stat_result) -> Entry:
        """The entry of a file at `path` from the top, from what lstat or fstat says of it."""
        return Entry(path, found.st_size, found.st_mtime_ns, found.st_dev, found.st_ino)

    def same_file(self, other: Entry) -> bool:
        """Whether both are one file (hard links, a folder mounted twice); False where inodes are unknown."""
        return self.inode != 0 and (self.device, self.inode) == (other.device, other.inode)


@dataclass
class Listing:
    """Files in order of path; what was left out with the reason; what could not be listed.

    system      files of operating systems; trash  files in the trash of one; odd  (path, what it is) of links, pipes
    unreadable  (path, reason) of folders and files that could not be looked at
    leftovers   paths of copies that an earlier gather did not finish
    """

    files: list[Entry] = field(default_factory=list)
    system: list[str] = field(default_factory=list)
    trash: list[str] = field(default_factory=list)
    odd: list[tuple[str, str]] = field(default_factory=list)
    unreadable: list[tuple[str, str]] = field(default_factory=list)
    leftovers: list[str] = field(default_factory=list)


def list_files(top: Path, *, target: bool = False) -> Listing:
    """Every file below `top`. Links are not followed.

    target  whether this is a folder that gather writes to: its lock and list are no files of a card, and
            unfinished copies are leftovers
    """
    found = Listing()
    folders = [("", False)]
    while folders:
        folder, in_trash = folders.pop()
        try:
            for item in _entries(top / folder):
                path = f"{folder}/{item.name}" if folder else item.name
                kept = _add(found, item, path, in_trash, target)
                if kept is not None:
                    folders.append((path, kept))
        except OSError as error:
            found.unreadable.append((folder or ".", reason(error)))
    found.files.sort(key=lambda entry: entry.path)
    for paths in (found.system, found.trash, found.odd, found.unreadable):
        paths.sort()
    return found


def _entries(folder: Path) -> Iterator[os.DirEntry[str]]:
    with os.scandir(folder) as items:
        yield from items


def _add(found: Listing, item: os.DirEntry[str], path: str, in_trash: bool, target: bool) -> bool | None:
    """Sort one thing in. For a folder to look into: whether it belongs to a trash; else None."""
    name = item.name.casefold()
    try:
        mode = (status := item.stat(follow_symlinks=False)).st_mode
        if os.name == "nt":  # there the entry of a folder holds no inode
            status = Path(item.path).lstat()
    except OSError as error:
        found.unreadable.append((path, reason(error)))
        return None
    if stat.S_ISDIR(mode):
        if name in _SYSTEM_FOLDERS:
            found.system.append(path)
            return None
        return in_trash or _TRASH.fullmatch(name) is not None
    if not stat.S_ISREG(mode):
        found.odd.append((path, _KINDS.get(stat.S_IFMT(mode), "no file")))
    elif in_trash:
        found.trash.append(path)
    elif target and item.name.startswith(PART):
        found.leftovers.append(path)
    elif target and (path in (LIST, LOCK) or item.name.startswith(TEMPORARY)):
        pass
    elif name in _SYSTEM_FILES or (name.startswith("._") and _is_apple_double(item.path, found, path)):
        found.system.append(path)
    else:
        found.files.append(Entry.of(path, status))
    return None


_KINDS = {
    stat.S_IFLNK: "a link, not followed",
    stat.S_IFIFO: "a pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
}


def _is_apple_double(file: str, found: Listing, path: str) -> bool:
    """Whether it is a Mac's note about the file NAME beside it; a photograph may be called ._NAME as well."""
    try:
        opened = open_to_read(Path(file))
        try:
            return os.read(opened, len(_APPLE_DOUBLE)) == _APPLE_DOUBLE
        finally:
            os.close(opened)
    except OSError as error:
        found.unreadable.append((path, reason(error)))
        return True


def reason(error: OSError) -> str:
    """What the system says, in its words."""
    return error.strerror or str(error)


def shown(path: str | Path) -> str:
    """A path as it can be printed: bytes that are no text and control characters become "?"."""
    text = str(path).encode("utf-8", "replace").decode("utf-8")
    return "".join(character if character.isprintable() else "?" for character in text)
