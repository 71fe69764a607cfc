"""Made-up memory cards, and what a folder holds, by the standard library alone."""

from __future__ import annotations

import hashlib
import os
import random
from collections.abc import Sequence
from pathlib import Path

from pipeline.shoot.gather.gather import Gathering
from pipeline.shoot.gather.result import CardResult

TIME = 1_771_093_812_000_000_000  # ns; in steps of two seconds, which every disk keeps
FOLDER = "DCIM/100HALL"


def content(seed: str, size: int = 3000) -> bytes:
    """Bytes that differ from seed to seed."""
    return random.Random(seed).randbytes(size)


def put(path: Path, data: bytes, time: int = TIME) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    os.utime(path, ns=(time, time))
    return path


def write_card(root: Path, seed: str = "a", frames: int = 3, size: int = 3000) -> Path:
    """Raw and JPEG pairs, a sidecar, a film with its own folder, a camera's index, an empty file."""
    for i in range(1, frames + 1):
        put(root / FOLDER / f"HALL{i:04}.CR3", content(f"{seed} raw {i}", size), TIME + i * 2 * 10**9)
        put(root / FOLDER / f"HALL{i:04}.JPG", content(f"{seed} jpeg {i}", size // 3), TIME + i * 2 * 10**9)
    put(root / FOLDER / "HALL0001.CR3.xmp", content(f"{seed} sidecar", 200))
    put(root / "PRIVATE/CLIPS/CLIP0001.MP4", content(f"{seed} film", size * 2))
    put(root / "MISC/INDEX.CTG", content(f"{seed} index", 100))
    put(root / FOLDER / "HALL9999.JPG", b"")
    return root


def sums(folder: Path) -> dict[str, str]:
    """Relative path -> SHA-256 of each regular file that is no list, lock or unfinished copy."""
    files = (path for path in sorted(folder.rglob("*")) if path.is_file() and not path.is_symlink())
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in files
        if path.name != "gathered.sha256" and not path.name.startswith(".evencourt-")
    }


def snapshot(folder: Path) -> dict[str, tuple[int, ...]]:
    """All that writing to a folder would change, access times of its files among it."""
    found = {}
    for path in (folder, *sorted(folder.rglob("*"))):
        status = path.lstat()
        times = (status.st_mtime_ns, status.st_ctime_ns, status.st_atime_ns if path.is_file() else 0)
        found[str(path)] = (status.st_mode, status.st_size, status.st_ino, *times)
    return found


def unfinished(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.name.startswith(".evencourt-part-")]


def gather(cards: Path | Sequence[Path], to: Path, also: Path | None = None) -> list[CardResult]:
    gathering = Gathering([cards] if isinstance(cards, Path) else cards, to, also)
    gathering.run(lambda size, files: None, lambda size, files: None)
    return gathering.results


def tops(result: CardResult) -> set[str]:
    """What the files that were copied now stand in, at the top of the folders."""
    return {top for _, top in result.copied_to}


def holds_all(card: Path, *folders: Path) -> bool:
    """Whether the bytes of every file of a card stand in each folder under a final name."""
    wanted = set(sums(card).values())
    return all(wanted <= set(sums(folder).values()) for folder in folders)
