"""The work folder of a run: keyed files, digests of frames, the lock."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from filelock import FileLock, Timeout

from pipeline.errors import InputError
from pipeline.keys import digest_file
from pipeline.model import Frame

_TEMPORARY = ".evencourt-part-"
KINDS = ("survey", "done", "thumbs")


def write_atomic(path: Path, data: bytes) -> None:
    """The file appears whole or not at all: temporary name beside it, fsync, rename. Raises OSError."""
    part = path.with_name(f"{_TEMPORARY}{os.getpid()}-{path.name}")
    try:
        with part.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except BaseException:
        with suppress(OSError):
            part.unlink()
        raise


class Store:
    """OUT/.work: survey/ by key, done/ by delivered file, thumbs/, digests.json, lock."""

    def __init__(self, out: Path) -> None:
        self.out = out
        self.work = out / ".work"
        self._digests: dict[str, list[str | int]] | None = None

    @classmethod
    def open(cls, out: Path, shoot: Path) -> Store:
        """Make the folders. Raises InputError when OUT lies in the shoot or cannot be written."""
        target, source = out.resolve(), shoot.resolve()
        if target == source or source in target.parents:
            raise InputError(f"{out}: OUT lies inside the shoot folder, which is never written; choose another folder")
        store = cls(out)
        try:
            for kind in KINDS:
                (store.work / kind).mkdir(parents=True, exist_ok=True)
            write_atomic(store.work / "probe", b"")
            (store.work / "probe").unlink()
        except OSError as error:
            raise InputError(f"{out}: cannot be written ({error.strerror or error}); choose another --out") from error
        return store

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the folder for one run. The system drops the lock when a run is killed."""
        lock = FileLock(self.work / "lock")
        try:
            lock.acquire(timeout=0)
        except Timeout as error:
            raise InputError(f"{self.out}: another run is writing here; wait for it or give another --out") from error
        try:
            yield
        finally:
            lock.release()

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
        """Remove what a killed run left behind under temporary names."""
        for part in self.out.rglob(f"{_TEMPORARY}*"):
            part.unlink(missing_ok=True)

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

    def frame_digest(self, frame: Frame) -> str:
        """SHA-256 of the frame's file, read again only when size or time of change differ. Raises OSError."""
        if self._digests is None:
            raw = self.get(".", "digests.json")
            self._digests = json.loads(raw) if raw else {}
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
            write_atomic(self.work / "digests.json", json.dumps(self._digests).encode())
