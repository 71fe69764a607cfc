"""Files in a delivery that may not stay there and that nothing proves to be ours: moved to OUT/.work/set_aside."""

from __future__ import annotations

import errno
from collections.abc import Collection, Iterator
from contextlib import suppress
from itertools import count
from pathlib import Path, PurePosixPath

from pipeline.store.disk import flush_folder, move
from pipeline.store.places import digest_below, path_below
from pipeline.textfile.messages import listed

FOLDER = ".work/set_aside"
_DIGITS = 8  # of the digest in the name of a file whose own name is taken there
_STEM = 200  # octets of a name that are kept beside it: file systems take 255
_MOST = 20  # names in a notice; chosen by eye


def set_aside(out: Path, relative: str) -> str:
    """Move a file (posix path below OUT) to the same place below FOLDER, under a name of its own where that one is
    taken, and return where it is now, a posix path below OUT. Raises OSError; the file then stands where it was."""
    path, above = path_below(out, relative), str(PurePosixPath(FOLDER, relative).parent)
    folder = path_below(out, above)
    if path is None or folder is None:
        where = out / (relative if path is None else above)
        raise OSError(errno.ELOOP, "is, or lies in, a link", str(where))
    if path.is_dir():
        raise OSError(errno.EISDIR, "is a folder", str(path))
    folder.mkdir(parents=True, exist_ok=True)
    for name in _names(out, relative):
        try:
            move(path, folder / name)
        except FileExistsError:
            continue
        break
    with suppress(OSError):  # it has moved; a loss of power would at worst bring it back
        for one in (folder, *folder.parents[: len(PurePosixPath(above).parts) - 1], path.parent):
            flush_folder(one)
    return f"{above}/{name}"


def _names(out: Path, relative: str) -> Iterator[str]:
    plain = PurePosixPath(relative)
    yield plain.name
    mark = (digest_below(out, relative) or "unreadable")[:_DIGITS]
    stem = plain.stem.encode()[:_STEM].decode("utf-8", "ignore")
    yield f"{stem}-{mark}{plain.suffix}"
    yield from (f"{stem}-{mark}-{number}{plain.suffix}" for number in count(2))


def files_aside(out: Path) -> int:
    """How many files lie in FOLDER; none where it is a link."""
    folder = path_below(out, FOLDER)
    return sum(not path.is_dir() for path in folder.rglob("*")) if folder is not None else 0


def moved_notice(names: Collection[str], one: str, several: str) -> str:
    """One notice on files (posix paths below OUT) that were set aside; one, several  why, after "it was moved, " """
    some = sorted(names)
    more = [f"{len(some) - _MOST:,} more"] if len(some) > _MOST else []
    it = f"it was moved to OUT/{FOLDER}, {one}" if len(some) == 1 else f"they were moved to OUT/{FOLDER}, {several}"
    was = "it was" if len(some) == 1 else "they were"
    return f"{listed([*some[:_MOST], *more])}: changed since {was} delivered, or not written by this program; {it}"
