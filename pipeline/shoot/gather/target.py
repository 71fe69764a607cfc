"""A folder that cards are copied into: what it holds already, by content, and new files in it."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import stat
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path, PurePosixPath

from filelock import FileLock, Timeout

from pipeline.errors import InputError
from pipeline.shoot.gather.checksums import Checksums
from pipeline.shoot.gather.copying import Part, hash_from_disk, head_of
from pipeline.shoot.gather.listing import LOCK, Entry, list_files, reason, shown
from pipeline.shoot.gather.portable import split
from pipeline.shoot.gather.result import some_text
from pipeline.store import disk
from pipeline.store.files import folded

# After these a disk takes nothing more; after others the next file may still go well.
_LOST = frozenset((
    errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.ENODEV, errno.ENXIO, errno.ENOTCONN, errno.ESTALE, errno.EHOSTDOWN,
))  # fmt: skip
_FULL = (errno.ENOSPC, errno.EDQUOT)
_PER_FILE = 4096  # bytes that a file may take beyond its own; a usual block, more on some disks


class Target:
    """SHOOT, or the folder of the second copy.

    lost       why it takes nothing more, or ""
    checksums  its list
    cleaned    how many unfinished copies of an earlier gather were removed
    notes      about the folder
    untimed    paths of copies whose time of change the disk did not keep
    """

    def __init__(self, given: Path) -> None:
        """Make the folder, but none above it, and look at what it holds. Raises OSError."""
        self.given = given
        _make(given)
        self.root = given.resolve(strict=True)
        self._anchor = disk.Anchor(self.root)
        self.device = self._anchor.device
        self.lost = ""
        self.cleaned = 0
        self.notes: list[str] = []
        self.untimed: list[str] = []
        self.checksums = Checksums(self.root)
        self._entries: dict[str, Entry] = {}  # by folded path
        self._by_size: dict[int, list[Entry]] = defaultdict(list)
        self._by_name: dict[tuple[str, int], list[str]] = defaultdict(list)
        self._groups: Counter[str] = Counter()
        self._folders: set[str] = set()  # and files at the top
        self._unflushed: set[Path] = set()  # folders with new names
        self._heads: dict[str, bytes] = {}
        self._digests: dict[str, str] = {}

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the folder for one gather, clean up after a killed one, and list what is there.

        Raises InputError where another gather holds it. A disk that knows no locks is used without, and not cleaned.
        """
        lock = FileLock(self.root / LOCK)
        try:
            lock.acquire(timeout=0)
        except Timeout:
            raise InputError(
                f"{shown(self.given)}: another gather is copying into it; wait for it. One command takes several cards"
            ) from None
        except NotImplementedError:
            pass
        except OSError as error:
            if error.errno not in (errno.ENOLCK, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP):
                raise
        try:
            self._index(clean=lock.is_locked)
            yield
        finally:
            lock.release()
            self._anchor.close()

    def _index(self, *, clean: bool) -> None:
        listing = list_files(self.root, target=True)
        for path in listing.leftovers if clean else ():
            with suppress(OSError):
                (self.root / path).unlink()
                self.cleaned += 1
        for entry in listing.files:
            self._add(entry)
        if listing.unreadable:
            paths = some_text([path for path, _ in listing.unreadable])
            self.notes.append(f"{paths} cannot be read; what is in there is not taken as a copy")

    def _add(self, entry: Entry) -> None:
        path = PurePosixPath(entry.path)
        self._entries[folded(entry.path)] = entry
        self._by_size[entry.size].append(entry)
        self._by_name[folded(path.name), entry.size].append(entry.path)
        self._groups[_group(path)] += 1
        self._folders.add(folded(path.parts[0]))

    def check(self) -> bool:
        """Whether it still takes files. A disk that was pulled leaves an empty folder on another disk behind."""
        if not self.lost and not self.present():
            self.lost = "is not there any more"
        return not self.lost

    def present(self) -> bool:
        """Whether it is still the folder that was opened."""
        return self._anchor.holds()

    def failed(self, error: OSError) -> str:
        """The reason in words; where the disk will take nothing more, that is noted."""
        text = "is full" if error.errno in _FULL else f"cannot be written ({reason(error)})"
        if error.errno == errno.EFBIG:
            text = "takes no file as large as this one; a disk formatted as FAT32 ends at 4 GB"
        if error.errno in _LOST:
            self.lost = text
        self.check()
        return text

    def free(self) -> int:
        """Bytes that this user may still write. Raises OSError."""
        return shutil.disk_usage(self.root).free

    def needs(self, files: list[Entry]) -> int:
        """The least number of bytes that these files will take here. Files of one size count as there already."""
        sizes = Counter(entry.size for entry in files)
        missing = {size: count - len(self._by_size.get(size, ())) for size, count in sizes.items()}
        return sum((size + _PER_FILE) * count for size, count in missing.items() if count > 0)

    def at(self, path: str) -> Entry | None:
        """The file at `path`, also where only case or the composition of letters differ."""
        return self._entries.get(folded(path))

    def named(self, name: str, size: int) -> list[str]:
        """Paths of files of this name and size, wherever they are."""
        return self._by_name.get((folded(name), size), [])

    def has_group(self, path: str) -> bool:
        """Whether its folder holds a file of the same name before the first dot."""
        return self._groups[_group(PurePosixPath(path))] > 0

    def holds_below(self, folder: str) -> bool:
        """Whether a folder of this name cannot be made anew: there are files in it, or it is a link or a file."""
        if folded(folder) in self._folders:
            return True
        with suppress(OSError):
            return not stat.S_ISDIR((self.root / folder).lstat().st_mode)
        return False

    @property
    def folder_count(self) -> int:
        """How many folders and files there are at the top, at the most."""
        return len(self._folders)

    def head(self, path: str) -> bytes:
        """SHA-256 of the first 64 KiB of one of its files, b"" where that cannot be read."""
        if path not in self._heads:
            try:
                self._heads[path] = hashlib.sha256(head_of(self.root / path)).digest()
            except OSError:
                self._heads[path] = b""
        return self._heads[path]

    def candidates(self, wanted: Entry, head: bytes) -> list[str]:
        """Paths of files that may have the bytes of `wanted`: its size and its first 64 KiB.

        The file itself, under whatever name, is no copy of it.
        """
        first = hashlib.sha256(head).digest()
        alike = [entry for entry in self._by_size.get(wanted.size, ()) if not entry.same_file(wanted)]
        return [entry.path for entry in alike if self.head(entry.path) == first]

    def has(self, path: str, digest: str) -> bool:
        """Whether the file at `path` has this SHA-256, read from the disk once."""
        if path not in self._digests:
            try:
                self._digests[path] = hash_from_disk(self.root / path, unflushed=True)
            except OSError:
                self._digests[path] = ""
        return self._digests[path] == digest

    def changed(self, digest: str) -> list[str]:
        """Paths of files that were gathered with this SHA-256, are still there and have other bytes; each once."""
        listed = [(there.path, digests) for path, digests in self.checksums.take(digest) if (there := self.at(path))]
        found = [path for path, digests in listed if not any(self.has(path, one) for one in digests)]
        return found if self.present() else []

    def stage(self, folder: str) -> Part:
        """A copy to write in `folder`, which is made. Raises OSError, also for a link or a file on the way."""
        here = self.root
        for name in PurePosixPath(folder).parts:
            above, here = here, here / name
            try:
                mode = here.lstat().st_mode
            except FileNotFoundError:
                here.mkdir()
                disk.flush_folder(above)
            else:
                if not stat.S_ISDIR(mode):
                    raise NotADirectoryError(errno.ENOTDIR, f"{shown(here)} is a link or a file and not a folder")
        return Part(here)

    def settle(self, part: Part, names: Iterator[str], head: bytes, digest: str) -> str:
        """Give a verified copy the first of `names` that is free, and remember it; its path. Raises OSError."""
        for path in names:
            if self.at(path) is not None or self.checksums.holds_other(path, digest):
                continue
            try:
                part.settle(self.root / path)
            except FileExistsError:  # came in the meantime, or the disk takes two names for one
                continue
            self._unflushed.add((self.root / path).parent)
            self._add(Entry.of(path, os.lstat(self.root / path)))
            self._heads[path], self._digests[path] = hashlib.sha256(head).digest(), digest
            return path
        raise AssertionError("names end")

    def flush(self) -> None:
        """Wait until the disk has the names of all copies. Raises OSError."""
        for folder in sorted(self._unflushed):
            disk.flush_folder(folder)
            self._unflushed.remove(folder)

    def stands(self, path: str, size: int) -> bool:
        """Whether a verified file is still where it was put."""
        try:
            status = (self.root / path).lstat()
        except OSError:
            return False
        return stat.S_ISREG(status.st_mode) and status.st_size == size


def _make(folder: Path) -> None:
    """Make a folder for good. Raises FileNotFoundError where the one above is not there: its disk may be unplugged."""
    if folder.exists():
        return
    folder.mkdir(exist_ok=True)
    with suppress(OSError):  # the folder above may not be ours to open
        disk.flush_folder(folder.absolute().parent)


def _group(path: PurePosixPath) -> str:
    return folded(f"{path.parent}/{split(path.name)[0]}")
