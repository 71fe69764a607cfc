"""The user's cache: what was measured of a frame and other costly results, by key, shared by all commands.

Everything in it can be made again. So nothing here ever fails a command: what is absent, cut, planted or out of reach
is a miss, and a folder that others could read or change, or a disk that is full, means going on without.
"""

from __future__ import annotations

import os
import shutil
import stat
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from pydantic import ByteSize, TypeAdapter

from pipeline.errors import InputError
from pipeline.store.disk import user_cache_folder
from pipeline.store.files import TEMPORARY, is_leftover, write_atomic
from pipeline.store.places import open_file
from pipeline.store.seal import is_sealed, sealed, unsealed

VARIABLE = "EVENCOURT_CACHE"  # a folder to use in place of the user's cache folder
SIZE_VARIABLE = "EVENCOURT_CACHE_SIZE"  # such as "500 MB"
_KINDS = ("measured", "damaged", "burst_light", "references", "numbers", "digests", "looks")
_TAG = "CACHEDIR.TAG"
# Cache Directory Tagging Specification 0.6 (B. Ford): backups leave a folder with this file out.
_TAG_TEXT = "Signature: 8a477f597d28d172789f06886806bc55\n# What evencourt measured of frames. It may be deleted.\n"


@dataclass(frozen=True)
class _Sizes:
    """Chosen by thinking of a few nights of 2,000 frames at 0.15 MB each; no source. They decide no result."""

    limit: int = 2_000_000_000  # bytes of all entries
    left: float = 0.9  # of the limit, once the oldest have been removed, so that it is not done for each entry
    entry: int = 64_000_000  # bytes; what is larger was not written by this program
    room: int = 1_000_000_000  # bytes that stay free on the disk, for the night's pictures come first;
    share: float = 0.05  # of a small disk
    recount: int = 50_000_000  # bytes written, after which what other processes wrote is counted too
    abandoned: float = 3600.0  # seconds, after which a temporary file belongs to no living process


SIZES = _Sizes()


class Cache:
    """A folder with one file an entry, kind/name, that only its owner can read. Never raises; see the module.

    notices  why it is not used or not written, each once
    """

    def __init__(self, folder: Path | None, limit: int = SIZES.limit) -> None:
        self.folder = folder
        self.notices: list[str] = []
        self._limit = limit
        self._writable = folder is not None
        self._size = self._unseen = 0
        self._counted = False

    @classmethod
    def open(cls, folder: Path, limit: int = SIZES.limit) -> Cache:
        """The cache in `folder`, which is made where it is absent; one that is never used, with a notice, where the
        folder is a link, belongs to somebody else, or others may write to it."""
        folder = folder.expanduser().absolute()
        try:
            why = _made_private(folder)
            for kind in _KINDS:
                why = why or _made_private(folder / kind)
        except OSError as error:
            why = error.strerror or str(error)
        if why:
            cache = cls(None)
            cache.notices.append(f"{folder}: not used to keep what is measured ({why}); everything is measured again")
            return cache
        with suppress(OSError):
            if not (folder / _TAG).exists():
                _write(folder / _TAG, _TAG_TEXT.encode())
        return cls(folder, limit)

    def get(self, kind: str, name: str) -> bytes | None:
        """What was kept under `name`; None where there is nothing, or not what this program kept under this name."""
        if self.folder is None:
            return None
        path = self.folder / kind / name
        try:
            data = _read(path)
        except OSError:
            return None
        found = unsealed(kind, name, data)
        if found is None:
            self.forget(kind, name)
        return found

    def holds(self, kind: str, name: str) -> bool:
        """Whether something is kept under `name`; it is not read."""
        return self.folder is not None and (self.folder / kind / name).is_file()

    def put(self, kind: str, name: str, data: bytes) -> None:
        """Keep bytes under `name`, a plain file name, and remove the entries that were used longest ago where the
        limit is passed. Does nothing where the disk is full or nearly so, or cannot be written."""
        if self.folder is None or not self._writable or len(data) > SIZES.entry:
            return
        self._make_room(len(data))
        try:
            if self._writable:
                _write(self.folder / kind / name, sealed(kind, name, data))
        except IsADirectoryError:  # somebody put a folder there: this one entry is not kept
            return
        except OSError as error:
            self._give_up(error.strerror or str(error))

    def forget(self, kind: str, name: str) -> None:
        """Remove an entry, also one that proved to be damaged; what this program did not write stays."""
        if self.folder is not None:
            with suppress(OSError):
                _remove(self.folder / kind / name)

    def _give_up(self, why: str) -> None:
        self._writable = False
        self.notices.append(
            f"{self.folder}: what is measured is not kept there ({why}); the next command measures again"
        )

    def _make_room(self, more: int) -> None:
        assert self.folder is not None
        self._size, self._unseen = self._size + more, self._unseen + more
        if self._counted and self._size <= self._limit and self._unseen <= SIZES.recount:
            return
        self._counted, self._unseen = True, 0
        try:
            disk = shutil.disk_usage(self.folder)
            if disk.free < min(SIZES.room, SIZES.share * disk.total) + more:
                self._give_up("the disk is nearly full")
                return
            self._size = more + _trim(self.folder, self._limit - more)
        except OSError as error:
            self._give_up(error.strerror or str(error))


NO_CACHE = Cache(None)


def user_cache(folder: Path | None = None, *, outside: Path) -> Cache:
    """The cache in `folder`, else in the folder that EVENCOURT_CACHE names, else in the user's cache folder.

    outside  the shoot folder, which is never written. Raises InputError where the cache would lie in it, or
    EVENCOURT_CACHE_SIZE is no size.
    """
    own = user_cache_folder()
    named = os.environ.get(VARIABLE, "")
    chosen = folder or (Path(named) if named else None)
    try:
        place = (chosen or (own or Path("~")) / "frames").expanduser()
        inside = place.resolve().is_relative_to(outside.resolve())
    except (OSError, RuntimeError) as error:  # no home folder; links that lead to themselves
        cache = Cache(None)
        cache.notices.append(f"nothing is kept of what is measured ({error}); name a folder with --cache")
        return cache
    if inside:
        raise InputError(f"{place}: lies in the shoot folder, which is never written; choose another --cache")
    written = os.environ.get(SIZE_VARIABLE, "")
    try:
        limit = int(TypeAdapter(ByteSize).validate_python(written)) if written else SIZES.limit
    except ValueError:
        raise InputError(f"{SIZE_VARIABLE}={written}: is no size; write one such as 500 MB") from None
    if chosen is None and own is not None:
        with suppress(OSError):
            _made_private(own)
    return Cache.open(place, limit)


def _made_private(folder: Path) -> str:
    """Make a folder that only its owner can enter, or close one of our own to others; returns why it cannot be
    trusted, "" where it can. Raises OSError.

    A folder that was there and holds other things keeps its mode: what is kept in it lies in folders of its own.
    """
    folder.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    with suppress(FileExistsError):
        folder.mkdir(mode=0o700)
    ours = {*_KINDS, _TAG, "frames", "models"}
    why = _unsafe(folder)
    is_open = not why and stat.S_IMODE(folder.lstat().st_mode) & 0o055
    if is_open and (folder.name in _KINDS or all(one.name in ours for one in folder.iterdir())):
        folder.chmod(0o700)
    return why


def _unsafe(folder: Path) -> str:
    """Why a folder is not to be trusted, "" where it is. Raises OSError."""
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode):
        return "it is a link or a file, not a folder"
    if not _is_mine(found):
        return "it belongs to another user"
    if os.name == "posix" and stat.S_IMODE(found.st_mode) & 0o022:
        return "others may write to it; take that right from them, or delete it"
    return ""


def _is_mine(found: os.stat_result) -> bool:
    return not hasattr(os, "geteuid") or found.st_uid == os.geteuid()


def _remove(path: Path) -> None:
    """Remove an entry. Raises OSError, also where it is none that this program wrote."""
    with open_file(path) as file:
        ours = is_sealed(file.read(32))
    if not ours:
        raise OSError(f"{path} was not written by this program")
    path.unlink()


def _read(path: Path) -> bytes:
    """All of an entry, which counts as used now. Raises OSError; a link, a pipe, or somebody else's file is one."""
    with open_file(path) as file:
        found = os.fstat(file.fileno())
        if not _is_mine(found) or found.st_size > 2 * SIZES.entry:
            raise OSError(f"{path} was not written by this program")
        data = file.read()
    with suppress(OSError):
        os.utime(path)
    return data


def _write(path: Path, data: bytes) -> None:
    """For its owner only, and without waiting for the disk: a cut entry is a miss. Raises OSError."""
    write_atomic(path, data, durable=False, private=True)


def _trim(folder: Path, limit: int) -> int:
    """Remove what was used longest ago until at most `limit` bytes are left, with room to spare; returns their sum.

    Other processes may do the same at the same time: an entry that has gone meanwhile is no error.
    """
    entries: list[tuple[float, int, str]] = []
    now = time.time()
    for kind in _KINDS:
        with os.scandir(folder / kind) as found:
            for one in found:
                with suppress(OSError):
                    about = one.stat(follow_symlinks=False)
                    if not one.name.startswith(TEMPORARY) and about.st_size <= 2 * SIZES.entry:
                        entries.append((about.st_mtime, about.st_size, one.path))
                    elif is_leftover(one.name) and now - about.st_mtime > SIZES.abandoned:
                        Path(one.path).unlink()
    size = sum(entry[1] for entry in entries)
    if size > limit:
        for _, octets, path in sorted(entries):
            if size <= limit * SIZES.left:
                break
            with suppress(OSError):
                _remove(Path(path))
                size -= octets
    return size
