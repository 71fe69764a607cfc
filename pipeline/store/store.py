"""The work folder of a run: keyed files, digests of frames, the lock."""

from __future__ import annotations

import json
import os
import secrets
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from pipeline.errors import InputError
from pipeline.store.keys import digest_file
from pipeline.types import Frame

_TEMPORARY = ".evencourt-part-"
KINDS = ("measured", "burst_light", "done", "thumbs", "extras", "pushed")
_WINDOWS = os.name == "nt"
_TRIES = 6  # with waits of 50, 100, ... ms, about 1.5 s in all


def write_atomic(path: Path, data: bytes) -> None:
    """The file appears whole or not at all: temporary name beside it, fsync, rename. Raises OSError.

    The temporary name does not hold the final one, which may already be as long as the system allows.
    """
    part = path.with_name(f"{_TEMPORARY}{os.getpid()}-{secrets.token_hex(8)}")
    try:
        with part.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        _replace(part, path)
    except BaseException:
        with suppress(OSError):
            part.unlink()
        raise


def _replace(part: Path, path: Path) -> None:
    """Windows refuses while a viewer or a virus scanner has the file open, mostly for a moment only."""
    for attempt in range(1, _TRIES):
        try:
            part.replace(path)
        except PermissionError:
            if not _WINDOWS:
                raise
            time.sleep(0.05 * 2 ** (attempt - 1))
        else:
            return
    part.replace(path)


def read_json(path: Path) -> Any:
    """What `write_json` kept; None where there is no file or it is not JSON. Raises OSError."""
    try:
        return json.loads(path.read_bytes())
    except (FileNotFoundError, ValueError):
        return None


def write_json(path: Path, value: Any) -> None:
    """Keep JSON data, whole or not at all. Raises OSError, and ValueError for NaN."""
    write_atomic(path, json.dumps(value, ensure_ascii=False, allow_nan=False).encode())


class Store:
    """OUT/.work: measured/ and burst_light/ by key, done/ by delivered file, thumbs/, digests.json, lock."""

    def __init__(self, out: Path, shoot: Path | None = None) -> None:
        self.out = out
        self.work = out / ".work"
        self._shoot = shoot.resolve() if shoot is not None else None
        self._digests: dict[str, list[str | int]] | None = None

    @classmethod
    def open(cls, out: Path, shoot: Path) -> Store:
        """Make the folders. Raises InputError when OUT lies in the shoot or cannot be written."""
        if _inside(out.resolve(), shoot.resolve()):
            raise InputError(f"{out}: OUT lies inside the shoot folder, which is never written; choose another folder")
        store = cls(out, shoot)
        try:
            for kind in KINDS:
                (store.work / kind).mkdir(parents=True, exist_ok=True)
            write_atomic(store.work / "probe", b"")
            (store.work / "probe").unlink(missing_ok=True)
        except OSError as error:
            raise InputError(f"{out}: cannot be written ({error.strerror or error}); choose another --out") from error
        return store

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the folder for one run. The system drops the lock when a run is killed.

        Raises InputError when another run holds it, or when the file system knows no locks.
        """
        lock = FileLock(self.work / "lock")
        try:
            lock.acquire(timeout=0)
        except Timeout as error:
            raise InputError(
                f"another run is writing to {self.out}{self._holder()}; wait for it or give another --out"
            ) from error
        except (OSError, NotImplementedError) as error:
            raise InputError(f"{self.out}: cannot be locked ({error}); give an --out on a local disk") from error
        try:
            since = datetime.now().astimezone().isoformat(" ", "seconds")
            write_json(self.work / "holder.json", {"process": os.getpid(), "on": socket.gethostname(), "since": since})
            yield
        finally:
            with suppress(OSError):
                (self.work / "holder.json").unlink()
            lock.release()

    def _holder(self) -> str:
        # Beside the lock, because Windows lets nobody read a locked file.
        match read_json(self.work / "holder.json"):
            case {"process": process, "on": machine, "since": since}:
                return f" (process {process} on {machine}, since {since})"
        return ""

    def is_locked(self) -> bool:
        """Whether a run holds the folder now."""
        if not (self.work / "lock").exists():
            return False
        try:
            with FileLock(self.work / "lock").acquire(timeout=0):
                return False
        except Timeout:
            return True

    def clean_temporaries(self) -> None:
        """Remove what a killed run left behind under temporary names; the caller holds the lock.

        Neither the shoot nor the OUT of another run is entered, should they lie inside this OUT.
        """
        for folder, below, files in os.walk(self.out):
            here = Path(folder)
            below[:] = [name for name in below if not self._is_foreign(here / name)]
            for name in files:
                if name.startswith(_TEMPORARY):
                    with suppress(OSError):  # harmless where it stands; the next run tries again
                        (here / name).unlink()

    def _is_foreign(self, folder: Path) -> bool:
        return (folder / ".work").is_dir() or folder.resolve() == self._shoot

    def get(self, kind: str, name: str) -> bytes | None:
        """Bytes kept under `name`, or None."""
        try:
            return (self.work / kind / name).read_bytes()
        except FileNotFoundError:
            return None

    def put(self, kind: str, name: str, data: bytes) -> None:
        """Keep bytes under `name`. Raises OSError."""
        write_atomic(self.work / kind / name, data)

    def names(self, kind: str) -> list[str]:
        """Everything kept of one kind, sorted."""
        folder = self.work / kind
        return sorted(p.name for p in folder.iterdir() if not p.name.startswith(".")) if folder.is_dir() else []

    def remove(self, kind: str, name: str) -> None:
        """Forget `name`."""
        (self.work / kind / name).unlink(missing_ok=True)

    def keep_source(self, shoot: Path, facts: Path | None) -> None:
        """Remember where the frames are, for `verify --render`. Here and not in run.json, which may be passed on."""
        paths = {"shoot": str(shoot.resolve()), "facts": str(facts.resolve()) if facts else None}
        write_json(self.work / "source.json", paths)

    def keep_recipe(self, text: str) -> None:
        """Remember the flattened recipe, for `verify --render`; in run.json it is without withheld names."""
        write_atomic(self.work / "recipe.yaml", text.encode())

    def recipe(self) -> str | None:
        """What `keep_recipe` kept."""
        path = self.work / "recipe.yaml"
        return path.read_text(encoding="utf-8") if path.is_file() else None

    def source(self) -> tuple[str | None, str | None]:
        """(shoot folder, facts file) that `keep_source` kept; None for what is not known."""
        kept = read_json(self.work / "source.json") or {}
        return kept.get("shoot"), kept.get("facts")

    def frames_seen(self) -> set[tuple[str, int]]:
        """(path in the shoot folder, size in octets) of the frames of earlier runs."""
        kept = read_json(self.work / "digests.json")
        return {(name, int(seen[0])) for name, seen in kept.items()} if isinstance(kept, dict) else set()

    def frame_digest(self, frame: Frame) -> str:
        """SHA-256 of the frame's file, read again only when size or time of change differ. Raises OSError."""
        if self._digests is None:
            kept = read_json(self.work / "digests.json")
            self._digests = kept if isinstance(kept, dict) else {}
        stat = frame.path.stat()
        known = self._digests.get(frame.relative)
        if known is not None and known[:2] == [stat.st_size, stat.st_mtime_ns]:
            return str(known[2])
        digest = digest_file(frame.path)
        self._digests[frame.relative] = [stat.st_size, stat.st_mtime_ns, digest]
        return digest

    def save_digests(self) -> None:
        """Keep the digests for the next run."""
        if self._digests is not None:
            write_json(self.work / "digests.json", self._digests)


def _inside(target: Path, source: Path) -> bool:
    """Whether resolved `target` is `source` or below it, also where the file system ignores case."""
    for folder in (target, *target.parents):
        if folder == source:
            return True
        with suppress(OSError):  # not made yet
            if folder.samefile(source):
                return True
    return False
