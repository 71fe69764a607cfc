"""The work folder of a run: keyed files, records, digests of frames, the lock."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import NamedTuple, TypeVar

from filelock import FileLock, Timeout

from pipeline.errors import InputError
from pipeline.store.files import TEMPORARY, write_atomic
from pipeline.store.keys import digest_file
from pipeline.store.records import from_json, read_json, to_json, write_json
from pipeline.types import Frame

T = TypeVar("T")
KINDS = ("measured", "burst_light", "done", "thumbs", "extras", "pushed")


@dataclass(frozen=True)
class Holder:
    """The run that holds the lock: its process number, its machine, and local time with offset, ISO 8601."""

    process: int
    on: str
    since: str


@dataclass(frozen=True)
class Source:
    """Whole paths of the shoot folder and of the facts file that was named; None for what is not known."""

    shoot: str | None = None
    facts: str | None = None


class FrameDigest(NamedTuple):
    """Octets, time of change in nanoseconds, and SHA-256 in hex of a frame's file."""

    size: int
    mtime: int
    sha256: str


class Store:
    """OUT/.work: measured/ and burst_light/ by key, done/ by delivered file, thumbs/, digests.json, lock."""

    def __init__(self, out: Path, shoot: Path | None = None) -> None:
        self.out = out
        self.work = out / ".work"
        self._shoot = shoot.resolve() if shoot is not None else None
        self._digests: dict[str, FrameDigest] | None = None

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
            write_json(self.work / "holder.json", Holder, Holder(os.getpid(), socket.gethostname(), since))
            yield
        finally:
            with suppress(OSError):
                (self.work / "holder.json").unlink()
            lock.release()

    def _holder(self) -> str:
        # Beside the lock, because Windows lets nobody read a locked file.
        holder = read_json(self.work / "holder.json", Holder)
        return f" (process {holder.process} on {holder.on}, since {holder.since})" if holder else ""

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
                if name.startswith(TEMPORARY):
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

    def record(self, kind: str, name: str, of: type[T]) -> T | None:
        """The record of type `of` kept under `name`; None where there is none. Raises ValueError for another thing."""
        data = self.get(kind, name)
        return None if data is None else from_json(of, data)

    def put_record(self, kind: str, name: str, of: type[T], record: T) -> None:
        """Keep a record of type `of` under `name`. Raises OSError."""
        self.put(kind, name, to_json(of, record))

    def names(self, kind: str) -> list[str]:
        """Everything kept of one kind, sorted."""
        folder = self.work / kind
        return sorted(p.name for p in folder.iterdir() if not p.name.startswith(".")) if folder.is_dir() else []

    def remove(self, kind: str, name: str) -> None:
        """Forget `name`."""
        (self.work / kind / name).unlink(missing_ok=True)

    def keep_source(self, shoot: Path, facts: Path | None) -> None:
        """Remember where the frames are, for `verify --render`. Here and not in run.json, which may be passed on."""
        kept = Source(str(shoot.resolve()), str(facts.resolve()) if facts else None)
        write_json(self.work / "source.json", Source, kept)

    def keep_recipe(self, text: str) -> None:
        """Remember the flattened recipe, for `verify --render`; in run.json it is without withheld names."""
        write_atomic(self.work / "recipe.yaml", text.encode())

    def recipe(self) -> str | None:
        """What `keep_recipe` kept."""
        path = self.work / "recipe.yaml"
        return path.read_text(encoding="utf-8") if path.is_file() else None

    def source(self) -> Source:
        """What `keep_source` kept."""
        return read_json(self.work / "source.json", Source) or Source()

    def frames_seen(self) -> set[tuple[str, int]]:
        """(path in the shoot folder, size in octets) of the frames of earlier runs."""
        return {(name, known.size) for name, known in self._kept_digests().items()}

    def frame_digest(self, frame: Frame) -> str:
        """SHA-256 of the frame's file, read again only when size or time of change differ. Raises OSError."""
        if self._digests is None:
            self._digests = self._kept_digests()
        stat = frame.path.stat()
        known = self._digests.get(frame.relative)
        if known is not None and (known.size, known.mtime) == (stat.st_size, stat.st_mtime_ns):
            return known.sha256
        digest = digest_file(frame.path)
        self._digests[frame.relative] = FrameDigest(stat.st_size, stat.st_mtime_ns, digest)
        return digest

    def save_digests(self) -> None:
        """Keep the digests for the next run."""
        if self._digests is not None:
            write_json(self.work / "digests.json", dict[str, FrameDigest], self._digests)

    def _kept_digests(self) -> dict[str, FrameDigest]:
        return read_json(self.work / "digests.json", dict[str, FrameDigest]) or {}


def _inside(target: Path, source: Path) -> bool:
    """Whether resolved `target` is `source` or below it, also where the file system ignores case."""
    for folder in (target, *target.parents):
        if folder == source:
            return True
        with suppress(OSError):  # not made yet
            if folder.samefile(source):
                return True
    return False
