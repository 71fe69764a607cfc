"""Paths in OUT that a record names: followed only where they stay in OUT and go through no link."""

from __future__ import annotations

import errno
import os
import re
import stat
import unicodedata
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Annotated, BinaryIO

from pydantic import AfterValidator

from pipeline.errors import InputError
from pipeline.store.files import is_inside
from pipeline.store.keys import digest_of

_LONGEST = 255  # octets of a name that file systems take
# Microsoft Learn, "Naming Files, Paths, and Namespaces": characters and names that Windows reserves.
RESERVED = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9\u00b9\u00b2\u00b3])(?=\.|$)", re.IGNORECASE)
REFUSED = re.compile(r'[<>:"/\\|?*]')
_DELIVERY = re.compile(r"[A-Za-z0-9_-][A-Za-z0-9_.-]{0,63}")  # what a recipe may call a delivery
SMALL = "small"  # folder of the small pictures of a delivery's page
OWN_FILES = ("run.json", "report.html", "frames.csv")  # in OUT itself
REPORT_FOLDER = "report"  # in OUT: the pictures of report.html where it does not hold them itself


def is_plain(name: str) -> bool:
    """Whether a text is the name of one file or folder on every system: no path, drive, stream or device."""
    try:
        length = len(name.encode())
    except UnicodeEncodeError:  # half of a surrogate pair
        return False
    return (
        0 < length <= _LONGEST
        and name not in (".", "..")
        and name == name.rstrip(" .")
        and not REFUSED.search(name)
        and not RESERVED.match(name)
        and not any(unicodedata.category(c) == "Cc" for c in name)
    )


def is_delivered_path(relative: str) -> bool:
    """Whether a posix path below OUT may be that of a file of a delivery: delivery/name, or delivery/group/name where
    it has a folder for each group of people, and each with small/ before the name."""
    delivery, *rest = relative.split("/")
    return (
        _DELIVERY.fullmatch(delivery) is not None
        and is_plain(delivery)
        and (1 <= len(rest) <= 2 or (len(rest) == 3 and rest[1] == SMALL))
        and all(is_plain(part) and not part.startswith(".") for part in rest)
    )


def _delivered_path(relative: str) -> str:
    if not is_delivered_path(relative):
        raise ValueError("is no path of a delivered file")
    return relative


DeliveredPath = Annotated[str, AfterValidator(_delivered_path)]  # in a record: see is_delivered_path


def is_link(path: Path) -> bool:
    """Whether a path is itself a symbolic link, or on Windows a junction."""
    try:
        found = path.lstat()
    except (OSError, ValueError):
        return False
    return stat.S_ISLNK(found.st_mode) or bool(
        getattr(found, "st_reparse_tag", 0) == getattr(stat, "IO_REPARSE_TAG_MOUNT_POINT", -1)
    )


def path_below(folder: Path, relative: str) -> Path | None:
    """Where a posix path that a record names lies below `folder`; None where it may lead elsewhere: a part of it is no
    plain name, or is a link. What is there, if anything, may be of any kind. The one way from a record to a file."""
    path = folder
    for part in relative.split("/"):
        path = path / part
        if not is_plain(part) or is_link(path):
            return None
    return path


def open_file(path: Path, most: int | None = None) -> BinaryIO:
    """A file to read. Raises OSError, also for a link, for one of more than `most` octets, and at once for a pipe, a
    device or a folder."""
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    if is_link(path):  # a system without O_NOFOLLOW
        raise OSError(errno.ELOOP, "is a link", str(path))
    file = os.fdopen(os.open(path, flags), "rb")
    about = os.fstat(file.fileno())
    if not stat.S_ISREG(about.st_mode):
        file.close()
        raise OSError(errno.EINVAL, "is no plain file", str(path))
    if most is not None and about.st_size > most:
        file.close()
        raise OSError(errno.EFBIG, "is larger than any file of this kind", str(path))
    return file


def read_file(path: Path, most: int) -> bytes:
    """All of a file of at most `most` octets. Raises OSError as open_file, and for a larger one."""
    with open_file(path, most) as file:
        return file.read()


def remove_emptied(out: Path, relative: str) -> None:
    """Remove the folder of a group of people (OUT/delivery/group) where nothing is left in it: its name may be that of
    somebody who must not be named any more. relative  posix path of a file that was in it"""
    delivery, *groups, _ = relative.split("/")
    folder = path_below(out, f"{delivery}/{groups[0]}") if groups else None
    if folder is not None:
        with suppress(OSError):  # not empty, or not there
            folder.rmdir()


def digest_below(folder: Path, relative: str) -> str | None:
    """SHA-256 (FIPS 180-4), hex, of the file that a record names below `folder`; None where there is no such file, it
    cannot be read, or the path may lead elsewhere."""
    path = path_below(folder, relative)
    if path is None:
        return None
    try:
        with open_file(path) as file:
            return digest_of(file)
    except OSError:
        return None


def resolved(out: Path) -> Path:
    """OUT itself: where it is a link that somebody made, to another disk say, the folder that it leads to.

    Raises InputError where that is not there.
    """
    if not is_link(out):
        return out
    with suppress(OSError, RuntimeError):
        return out.resolve(strict=True)
    raise InputError(f"{out}: is a link to a folder that is not there now; plug in its disk, or choose another --out")


def is_out(folder: Path) -> bool:
    """Whether a run has written, or begun to write, into a folder: OUT of that run. Other programs may have a .work."""
    return any((folder / ".work" / own).exists() for own in ("lock", "measured", "done"))


def refuse_inside(out: Path, shoot: Path) -> None:
    """Raises InputError when OUT lies in the shoot."""
    if is_inside(out.resolve(), shoot.resolve()):
        raise InputError(f"{out}: OUT lies inside the shoot folder, which is never written; choose another folder")


def refuse_links(out: Path, below: Iterable[str]) -> None:
    """Raises InputError where one of our own files or folders `below` OUT (posix paths) is a link, so that what is
    written there would land elsewhere, perhaps in the shoot; or where a folder has the name of a file."""
    for relative in below:
        path = out / relative
        if is_link(path):
            raise InputError(
                f"{path}: is a link, and what is written there would land elsewhere; remove the link, or choose "
                "another --out"
            )
        if relative in OWN_FILES and path.is_dir():
            raise InputError(f"{path}: is a folder, and a run writes a file of this name; move it away")
