"""What is asked of the operating system: reading without a trace, bytes on the disk, names that replace none."""

from __future__ import annotations

import ctypes
import errno
import os
import stat
import sys
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import platformdirs
from filelock import FileLock, Timeout

fcntl: Any
try:
    import fcntl
except ImportError:  # Windows
    fcntl = None

_MOUNTS = Path("/etc/fstab")
_FOR_DISKS = tuple(map(Path, ("/media", "/run/media", "/mnt", "/Volumes")))
_READ = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
_NEW = os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0)
# What link() says on a file system without hard links, such as FAT, exFAT and many network disks.
_NO_LINKS = frozenset(
    (errno.EPERM, errno.EACCES, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL, errno.EMLINK)
)
_NO_FLAG = frozenset((errno.EINVAL, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP))


def open_to_read(path: Path) -> int:
    """A descriptor of a regular file; its time of access stays, where the system permits. Raises OSError.

    A link is not followed, and a pipe is refused instead of waited for.
    """
    try:
        opened = os.open(path, _READ | getattr(os, "O_NOATIME", 0))
    except PermissionError:  # of a file of another user, Linux refuses O_NOATIME
        opened = os.open(path, _READ)
    if not stat.S_ISREG(os.fstat(opened).st_mode):
        os.close(opened)
        raise OSError(errno.EINVAL, "is not a file any more")
    return opened


class Anchor:
    """A folder that is held open, so that a disk which was pulled or changed for another is noticed.

    Held, because on FAT and exFAT the system may number a folder anew that nobody holds.
    """

    def __init__(self, folder: Path) -> None:
        """Raises OSError."""
        self._folder = folder
        self._opened = None if os.name == "nt" else os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        self.device = folder.stat().st_dev

    def holds(self) -> bool:
        """Whether the folder of this name is still the one that was opened, and can be listed."""
        try:
            with os.scandir(self._folder) as items:
                next(items, None)
            now = self._folder.stat()
            return now.st_dev == self.device if self._opened is None else os.path.samestat(now, os.fstat(self._opened))
        except OSError:
            return False

    def close(self) -> None:
        """Let the folder go, so that its disk can be taken out."""
        opened, self._opened = self._opened, None
        if opened is not None:
            with suppress(OSError):
                os.close(opened)


def user_cache_folder() -> Path | None:
    """The user's own folder for what can be made again, None where this user has no home folder."""
    try:
        return Path(platformdirs.user_cache_path("evencourt", appauthor=False)).expanduser()
    except RuntimeError:  # as services and containers run
        return None


def temporary_folder() -> Path:
    """The folder for temporary files: the one that TMPDIR, TEMP or TMP names, else the system's, the first that can be
    written. Never the current folder, which Python tries last and which may be the shoot. Raises OSError.

    From then on the whole process uses it.
    """
    if tempfile.tempdir is None:
        named = [os.environ.get(name, "") for name in ("TMPDIR", "TEMP", "TMP")]
        own = str(Path.home() / "AppData/Local/Temp") if os.name == "nt" else "/tmp"
        tempfile.tempdir = _first_writable([*filter(None, named), own, "/var/tmp"])
    return Path(tempfile.tempdir)


def _first_writable(folders: Sequence[str]) -> str:
    refused: OSError = FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
    for folder in map(os.path.abspath, folders):
        try:
            with tempfile.TemporaryFile(dir=folder, buffering=0) as file:
                file.write(b"0")
        except OSError as error:
            refused = error if refused.errno == errno.ENOENT else refused
        else:
            return folder
    raise refused


def is_held(lock: Path) -> bool:
    """Whether another process holds a lock file; False where the system does not say.

    Found out by trying to take it, which every system answers: on Windows a locked file can neither be read nor be
    asked about (Microsoft Learn, "LockFileEx function"). A lock that nobody holds is taken for that moment.
    """
    try:
        with FileLock(lock).acquire(timeout=0):
            return False
    except Timeout:
        return True
    except (OSError, NotImplementedError):  # in a folder that can only be read
        return _is_held_by_reading(lock)


def _is_held_by_reading(lock: Path) -> bool:
    """The same of a lock file that cannot be opened for writing."""
    if fcntl is None:
        return False
    try:
        opened = os.open(lock, _READ)
    except OSError:
        return False
    try:
        fcntl.flock(opened, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    finally:
        os.close(opened)  # which lets the lock go
    return False


def absent_disk(folder: Path) -> Path | None:
    """The place of a disk that `folder` lies on and that is not connected, None where none is known.

    Known are those that the system's table names (fstab(5)), and the folders under which desktops connect disks
    (Filesystem Hierarchy Standard 3.0, 3.11 and 3.12; macOS: /Volumes): what lies there on the system's own disk was
    probably meant for another.
    """
    places = (here := folder.resolve(), *here.parents)
    mount = next(place for place in places if place.is_mount() or place == place.parent)
    below = places[: places.index(mount)]
    named = {line[1] for line in map(str.split, _lines(_MOUNTS)) if len(line) > 1 and not line[0].startswith("#")}
    for place in below:
        if str(place) in named:
            return place
    for top in _FOR_DISKS:
        if here.is_relative_to(top) and here != top and not (mount.is_relative_to(top) and mount != top):
            return below[-1 - len(top.relative_to(mount).parts)] if top.is_relative_to(mount) else below[-1]
    return None


def _lines(file: Path) -> list[str]:
    try:
        return file.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return []


def create(path: Path, *, private: bool = False) -> int:
    """A descriptor of a new file, to write and read; private: for its owner only. Raises FileExistsError where the
    name is taken, OSError."""
    return os.open(path, _NEW, 0o600 if private else 0o666)


def flush(opened: int, *, fully: bool = True) -> None:
    """Wait until the disk has a file's bytes, on macOS with `fully` until its own cache is empty too. Raises OSError,
    but where files cannot be flushed at all."""
    full = getattr(fcntl, "F_FULLFSYNC", None) if fully else None
    if full is not None:
        with suppress(OSError):  # a network disk may not know it
            fcntl.fcntl(opened, full)
            return
    try:
        os.fsync(opened)
    except OSError as error:
        if error.errno not in _NO_FLAG:
            raise


def forget(opened: int) -> None:
    """Ask the system to drop its cached pages of a flushed file, so that the next read asks the disk."""
    with suppress(OSError):
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(opened, 0, 0, os.POSIX_FADV_DONTNEED)
        elif hasattr(fcntl, "F_NOCACHE"):
            fcntl.fcntl(opened, fcntl.F_NOCACHE, 1)


def flush_folder(folder: Path) -> None:
    """Wait until the disk has the names in a folder. Raises OSError, but where folders cannot be flushed at all."""
    if os.name == "nt":
        return
    opened = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(opened)
    except OSError as error:
        if error.errno not in _NO_FLAG:
            raise
    finally:
        os.close(opened)


def move(part: Path, final: Path) -> None:
    """Give a finished file its name, in one step that never replaces another. Raises FileExistsError, OSError.

    By a hard link; where there are none, by the system's exclusive rename; where there is none either, the name is
    reserved by an empty file first, which alone a kill at that moment would leave.
    """
    if os.name == "nt":  # where rename never replaces
        part.rename(final)
        return
    try:
        final.hardlink_to(part)
    except FileExistsError:
        # A network disk may have linked it and lost the answer.
        if not os.path.samestat(part.lstat(), final.lstat()):
            raise
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        if not _rename_exclusively(part, final):
            _rename_onto_reserved(part, final)
        return
    part.unlink()


def _rename_exclusively(part: Path, final: Path) -> bool:
    """Rename unless `final` exists. False where the system or the disk does not know how. Raises OSError."""
    library = ctypes.CDLL(None, use_errno=True)
    old, new = os.fsencode(part), os.fsencode(final)
    if sys.platform == "darwin":
        call, arguments = getattr(library, "renamex_np", None), (old, new, ctypes.c_uint(4))  # RENAME_EXCL
    else:
        here = ctypes.c_int(-100)  # AT_FDCWD
        call = getattr(library, "renameat2", None)
        arguments = (here, old, here, new, ctypes.c_uint(1))  # RENAME_NOREPLACE
    if call is None:
        return False
    if call(*arguments) == 0:
        return True
    number = ctypes.get_errno()
    if number in _NO_FLAG:
        return False
    raise OSError(number, os.strerror(number), str(final))


def _rename_onto_reserved(part: Path, final: Path) -> None:
    os.close(create(final))
    try:
        part.replace(final)
    except BaseException:
        with suppress(OSError):
            final.unlink()
        raise
