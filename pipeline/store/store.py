"""The work folder of a run: keyed files, records, digests of frames, the lock."""

from __future__ import annotations

import errno
import os
import socket
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from typing import TypeVar

from filelock import FileLock, Timeout

from pipeline.errors import InputError, RunStoppedError
from pipeline.store.cache import NO_CACHE, Cache
from pipeline.store.digests import FrameDigest, read_digest
from pipeline.store.files import TEMPORARY, is_inside, write_atomic
from pipeline.store.records import from_json, read_json, to_json, write_json
from pipeline.types import Frame

T = TypeVar("T")
KINDS = ("measured", "damaged", "burst_light", "references", "numbers", "done", "thumbs", "extras", "pushed")


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


class Store:
    """OUT/.work: measured/ and burst_light/ by key, done/ by delivered file, thumbs/, digests.json, lock."""

    def __init__(self, out: Path, shoot: Path | None = None, cache: Cache = NO_CACHE, durable: bool = True) -> None:
        """`cache`: the user's, which other runs share; durable: what is put here outlasts a loss of power."""
        self.out = out
        self.work = out / ".work"
        self._shoot = shoot.resolve() if shoot is not None else None
        self._cache, self._durable = cache, durable
        self._digests: dict[str, FrameDigest] | None = None
        self._cached_digests: dict[str, FrameDigest] = {}

    @classmethod
    def open(cls, out: Path, shoot: Path, cache: Cache = NO_CACHE, durable: bool = True) -> Store:
        """Make the folders. Raises InputError when OUT lies in the shoot or cannot be written."""
        if is_inside(out.resolve(), shoot.resolve()):
            raise InputError(f"{out}: OUT lies inside the shoot folder, which is never written; choose another folder")
        store = cls(out, shoot, cache, durable)
        try:
            for kind in KINDS:
                (store.work / kind).mkdir(parents=True, exist_ok=True)
            write_atomic(store.work / "probe", b"")
            (store.work / "probe").unlink(missing_ok=True)
        except OSError as error:
            raise InputError(f"{out}: cannot be written ({error.strerror or error}); choose another --out") from error
        return store

    @classmethod
    @contextmanager
    def scratch(cls, shoot: Path, cache: Cache = NO_CACHE) -> Iterator[Store]:
        """A store in a temporary folder, which goes when the block ends: only what the cache keeps stays.

        Raises RunStoppedError where the disk for temporary files is full.
        """
        try:
            with tempfile.TemporaryDirectory() as folder:
                yield cls.open(Path(folder), shoot, cache, durable=False)
        except OSError as error:
            if error.errno not in (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC)):
                raise
            place = tempfile.gettempdir()
            raise RunStoppedError(
                f"{place}: the disk is full; make room, or name a folder on another disk in TMPDIR"
            ) from error

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
        write_atomic(self.work / kind / name, data, durable=self._durable)

    def shared(self, kind: str, name: str, is_good: Callable[[bytes], bool]) -> bytes | None:
        """Bytes kept under `name` here, or else in the user's cache, from which they are copied: the cache may be
        emptied meanwhile. None where there are none that `is_good`. Raises OSError where they cannot be written."""
        kept = self.get(kind, name)
        if kept is not None and is_good(kept):
            return kept
        kept = self._cache.get(kind, name)
        if kept is None:
            return None
        if not is_good(kept):
            self._cache.forget(kind, name)
            return None
        self.put(kind, name, kept)
        return kept

    def share(self, kind: str, name: str) -> None:
        """Also keep in the user's cache what is kept here under `name`."""
        kept = self.get(kind, name) if self._cache.folder is not None else None
        if kept is not None:
            self._cache.put(kind, name, kept)

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
        """SHA-256 of the frame's file, read again where the file system does not vouch for it. Raises OSError."""
        if self._digests is None:
            self._digests = self._kept_digests()
            self._cached_digests = self._digests_in_cache()
        found = frame.path.stat()
        for known in (self._digests.get(frame.relative), self._cached_digests.get(frame.relative)):
            if known is not None and known.is_of(found):
                break
        else:
            known = read_digest(frame.path)
        self._digests[frame.relative] = self._cached_digests[frame.relative] = known
        return known.sha256

    def is_as_read(self, frame: Frame) -> bool:
        """Whether the file system still says the same of the frame's file as when `frame_digest` gave its digest."""
        known = (self._digests or {}).get(frame.relative)
        try:
            found = frame.path.stat()
        except OSError:
            return False
        return known is not None and known.looks_like(found)

    def save_digests(self) -> None:
        """Keep the digests for the next run."""
        if self._digests is not None:
            write_json(self.work / "digests.json", dict[str, FrameDigest], self._digests)
            self._cache.put("digests", self._digests_name(), to_json(dict[str, FrameDigest], self._cached_digests))

    def _kept_digests(self) -> dict[str, FrameDigest]:
        return read_json(self.work / "digests.json", dict[str, FrameDigest]) or {}

    def _digests_in_cache(self) -> dict[str, FrameDigest]:
        data = self._cache.get("digests", self._digests_name())
        with suppress(ValueError):
            return from_json(dict[str, FrameDigest], data) if data is not None else {}
        return {}

    def _digests_name(self) -> str:
        return sha256(os.fsencode(self._shoot or "")).hexdigest()
