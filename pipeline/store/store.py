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
from pathlib import Path
from typing import TypeVar

from filelock import FileLock, Timeout

from pipeline.errors import InputError, RunStoppedError
from pipeline.store import places
from pipeline.store.cache import NO_CACHE, Cache
from pipeline.store.digests import FrameDigest, digests_in_cache, keep_digests, read_digest
from pipeline.store.disk import is_held, temporary_folder
from pipeline.store.files import TEMPORARY, is_inside, remove_leftovers, write_atomic
from pipeline.store.places import (
    OWN_FILES,
    REPORT_FOLDER,
    is_link,
    is_out,
    path_below,
    read_file,
    refuse_inside,
    refuse_links,
)
from pipeline.store.records import from_json, to_json
from pipeline.store.seal import HEAD, sealed, unsealed
from pipeline.store.source import Source
from pipeline.store.watch import AGAIN, FULL, Watch
from pipeline.textfile.messages import counted
from pipeline.types import Frame

T = TypeVar("T")
_LOOK = 0.5  # s to wait for the lock: `status` holds it for a moment, to see whether a run does
KINDS = ("measured", "damaged", "burst_light", "references", "numbers", "done", "thumbs", "extras", "pushed")
REVIEW = "review"  # kind of what a review keeps, which is no part of a run
HOLDER = "holder.json"
ROOT = ""  # the kind of what is kept in OUT/.work itself
_LARGEST = 256_000_000  # octets of a kept file: ten times what 20,000 frames take; what is larger is not ours


@dataclass(frozen=True)
class Holder:
    """The run that holds the lock: its process number, its machine, and local time with offset, ISO 8601."""

    process: int
    on: str
    since: str


class Store:
    """OUT/.work: measured/ and burst_light/ by key, done/ by delivered file, thumbs/, digests.json, lock.

    Everything but the lock is kept under a kind and a name, with a seal, and is absent where it does not fit: cut,
    changed, moved, planted, a link. `damaged` has the names of what did not fit, as kind/name, to be said once.
    """

    def __init__(self, out: Path, shoot: Path | None = None, cache: Cache = NO_CACHE, durable: bool = True) -> None:
        """`cache`: the user's, which other runs share; durable: what is put here outlasts a loss of power."""
        self.out = out
        self.work = out / ".work"
        self._shoot = shoot.resolve() if shoot is not None else None
        self._cache, self._durable = cache, durable
        self._digests: dict[str, FrameDigest] | None = None
        self._cached_digests: dict[str, FrameDigest] = {}
        self.damaged: dict[str, None] = {}
        self._checked: set[int] = set()  # seals that were right: hashes of place, size, time and inode
        self._watch: Watch | None = None

    @classmethod
    def open(cls, out: Path, shoot: Path, cache: Cache = NO_CACHE, durable: bool = True) -> Store:
        """Make the folders. Raises InputError when OUT lies in the shoot or cannot be written, or when something of
        ours in it is a link, RunStoppedError where a disk is too full to make them."""
        refuse_inside(out, shoot)
        store = cls(out, shoot, cache, durable)
        refuse_links(out, (".work", ".work/lock", *(f".work/{kind}" for kind in KINDS), *OWN_FILES))
        try:
            store._make()
        except OSError as error:
            if error.errno in FULL and store._is_made():
                return store  # what must go still can; the first write says that nothing more can be written
            if error.errno in FULL:
                raise RunStoppedError(f"{out}: the disk is full; make room and {AGAIN}") from error
            raise InputError(f"{out}: cannot be written ({error.strerror or error}); choose another --out") from error
        return store

    def _make(self) -> None:
        self.work.mkdir(parents=True, exist_ok=True)
        for kind in KINDS:  # not their parents too: a disk may be pulled meanwhile
            (self.work / kind).mkdir(exist_ok=True)
        with tempfile.NamedTemporaryFile(prefix=f"{TEMPORARY}{os.getpid()}-", dir=self.work, buffering=0) as probe:
            probe.write(b"0")

    def _is_made(self) -> bool:
        return all((self.work / kind).is_dir() for kind in KINDS)

    @classmethod
    @contextmanager
    def scratch(cls, shoot: Path, cache: Cache = NO_CACHE) -> Iterator[Store]:
        """A store in a temporary folder, which goes when the block ends: only what the cache keeps stays.

        Raises InputError where there is no folder for temporary files outside the shoot, RunStoppedError where its disk
        is full or fails.
        """
        named = "name a folder on another disk in TMPDIR"
        try:
            place = temporary_folder()
        except OSError as error:
            if error.errno in FULL:
                raise RunStoppedError(f"the disk for temporary files is full; make room, or {named}") from error
            raise InputError(f"temporary files cannot be written ({error.strerror or error}); {named}") from error
        if is_inside(place.resolve(), shoot.resolve()):
            raise InputError(f"{place}: temporary files would lie in the shoot folder, which is never written; {named}")
        try:
            with tempfile.TemporaryDirectory(dir=place, ignore_cleanup_errors=True) as folder:
                store = cls(Path(folder), shoot, cache, durable=False)
                store._make()
                with store._watched(place, f"make room, or {named}"):
                    yield store
        except OSError as error:
            named_here = error.filename is not None and is_inside(Path(os.fsdecode(error.filename)), place)
            if not (named_here or (error.filename is None and error.errno in FULL)):
                raise
            if error.errno in FULL:
                raise RunStoppedError(f"{place}: the disk is full; make room, or {named}") from error
            raise RunStoppedError(f"{place}: cannot be written ({error.strerror}); {named}") from error

    @contextmanager
    def _watched(self, called: Path, full: str = f"make room and {AGAIN}") -> Iterator[None]:
        """See `stop_if_lost` while the block runs. What the disk of this store refuses in it is a RunStoppedError.

        called  what a person knows the folder as; full  what to do when its disk is full
        """
        try:
            self._watch = Watch(self.out, self._shoot, called, full)
        except OSError as error:
            raise RunStoppedError(f"{called}: cannot be read ({error.strerror}); {AGAIN}") from error
        try:
            yield
        except OSError as error:
            self.stop_if_lost(error)
            if not self._watch.is_own(error):
                raise
            raise RunStoppedError(f"{error.filename}: cannot be read or written ({error.strerror}); {AGAIN}") from error
        finally:
            self._watch.close()
            self._watch = None

    def stop_if_lost(self, error: Exception | None = None, *, shoot: bool = True) -> None:
        """Raises RunStoppedError where the folder of this store, or with `shoot` that of the frames, is not there any
        more, or `error` says that the store's disk takes nothing more.

        An error about one file raises nothing, nor does a store that nobody watches.
        """
        if self._watch is not None:
            why = self._watch.refusal(error) if isinstance(error, OSError) else self._watch.lost(shoot=shoot)
            if why:
                raise RunStoppedError(why)

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Hold the folder for one run, and watch it: see `stop_if_lost`. The system drops the lock of a killed run.

        Raises InputError when another run holds it, or when the file system knows no locks; RunStoppedError where in
        the block the disk of OUT is full or fails.
        """
        lock = FileLock(self.work / "lock")
        try:
            lock.acquire(timeout=_LOOK)
        except Timeout as error:
            raise InputError(
                f"another run is writing to {self.out}{self._holder()}; wait for it or give another --out"
            ) from error
        except (OSError, NotImplementedError) as error:
            raise InputError(f"{self.out}: cannot be locked ({error}); give an --out on a local disk") from error
        try:
            with self._watched(self.out):
                since = datetime.now().astimezone().isoformat(" ", "seconds")
                with suppress(OSError):  # only for the words of the next: a full disk refuses it first of all
                    self.put_record(ROOT, HOLDER, Holder, Holder(os.getpid(), socket.gethostname(), since))
                yield
        finally:
            with suppress(OSError):
                self.remove(ROOT, HOLDER)
            lock.release()

    def _holder(self) -> str:
        # Beside the lock, because Windows lets nobody read a locked file.
        holder = self.record(ROOT, HOLDER, Holder)
        return f" (process {holder.process} on {holder.on}, since {holder.since})" if holder else ""

    def is_locked(self) -> bool:
        """Whether a run holds the folder now."""
        lock = path_below(self.out, ".work/lock")
        return lock is not None and lock.is_file() and is_held(lock)

    def clean_temporaries(self) -> None:
        """Remove what a killed run left behind under temporary names; the caller holds the lock.

        Only in the folders that a run writes to, and only plain files of just such names. Neither the shoot nor the
        OUT of another run is entered, should they lie inside this OUT.
        """
        folders = [self.out, self.work, *(self.work / kind for kind in (*KINDS, REVIEW)), *self._folders(self.out)]
        for delivery in self.delivery_folders():
            folders += [delivery, *(one for one in self._folders(delivery) if one.name == places.SMALL)]
        for folder in folders:
            remove_leftovers(folder)

    def delivery_folders(self) -> list[Path]:
        """Folders in OUT that may be those of deliveries, and those in them: no links, shoot or OUT of another run."""
        whole = [one for one in self._folders(self.out) if one.name != REPORT_FOLDER]
        return [one for above in whole for one in (above, *self._folders(above))]

    def _folders(self, folder: Path) -> list[Path]:
        with suppress(OSError), os.scandir(folder) as found:
            below = [Path(one.path) for one in found if one.is_dir(follow_symlinks=False) and one.name != ".work"]
            return [one for one in below if not is_link(one) and not self.is_foreign(one)]
        return []

    def is_foreign(self, folder: Path) -> bool:
        """Whether a folder in OUT is the shoot, or the OUT of another run."""
        return is_out(folder) or folder.resolve() == self._shoot

    def get(self, kind: str, name: str) -> bytes | None:
        """Bytes kept under `name`; None where there are none, or not what was kept there: see `damaged`."""
        place = f"{kind}/{name}" if kind else name
        path = path_below(self.out, f".work/{place}")
        try:
            if path is None:
                raise OSError(errno.ELOOP, "leads elsewhere")
            about = path.lstat()
            data = read_file(path, _LARGEST)
        except (FileNotFoundError, NotADirectoryError):
            return None
        except OSError:  # also a disk that cannot read it any more
            self.damaged[place] = None
            return None
        seen = hash((kind, name, about.st_size, about.st_mtime_ns, about.st_ino))
        if seen in self._checked:
            return data[HEAD:]
        found = unsealed(kind, name, data)
        if found is None:
            self.damaged[place] = None
        else:
            self._checked.add(seen)
        return found

    def put(self, kind: str, name: str, data: bytes) -> None:
        """Keep bytes under `name`. Raises OSError."""
        path = self.work / kind / name
        with suppress(OSError):  # an empty folder in its place; one that holds something is left, and refuses the write
            if path.is_dir():
                path.rmdir()
        write_atomic(path, sealed(kind, name, data), durable=self._durable)

    def damage_notice(self) -> list[str]:
        """One notice on what was kept here and does not fit; none where all does."""
        if not self.damaged:
            return []
        first = next(iter(self.damaged)).encode("utf-8", "replace").decode()  # a planted name may be no text
        which = f"{self.work / first}"
        more = f" and {counted(len(self.damaged) - 1, 'other file')} there" if len(self.damaged) > 1 else ""
        return [f"{which}{more}: damaged, or not written by this program; not used, and made again where it is needed"]

    def shared(self, kind: str, name: str, is_good: Callable[[bytes], bool]) -> bytes | None:
        """Bytes kept under `name` here, or else in the user's cache, from which they are copied: the cache may be
        emptied meanwhile. None where there are none that `is_good`. Raises OSError where they cannot be written."""
        if (kept := self.get(kind, name)) is not None:
            if is_good(kept):
                return kept
            self.damaged[f"{kind}/{name}"] = None
        if (kept := self._cache.get(kind, name)) is None:
            return None
        if not is_good(kept):
            self._cache.forget(kind, name)
            return None
        self.put(kind, name, kept)
        return kept

    def holds(self, kind: str, name: str) -> bool:
        """Whether something is kept under `name`, here or in the user's cache; it may be damaged."""
        return (self.work / kind / name).is_file() or self._cache.holds(kind, name)

    def share(self, kind: str, name: str) -> None:
        """Also keep in the user's cache what is kept here under `name`."""
        kept = self.get(kind, name) if self._cache.folder is not None else None
        if kept is not None:
            self._cache.put(kind, name, kept)

    def record(self, kind: str, name: str, of: type[T]) -> T | None:
        """The record of type `of` kept under `name`; None where there is none, or another thing: see `damaged`."""
        data = self.get(kind, name)
        try:
            return None if data is None else from_json(of, data)
        except ValueError:
            self.damaged[f"{kind}/{name}" if kind else name] = None
            return None

    def put_record(self, kind: str, name: str, of: type[T], record: T) -> None:
        """Keep a record of type `of` under `name`. Raises OSError."""
        self.put(kind, name, to_json(of, record))

    def names(self, kind: str) -> list[str]:
        """Everything kept of one kind, sorted."""
        folder = path_below(self.out, f".work/{kind}")
        if folder is None or not folder.is_dir():
            return []
        return sorted(p.name for p in folder.iterdir() if not p.name.startswith("."))

    def remove(self, kind: str, name: str) -> None:
        """Forget `name`. What is damaged, or is not ours, stays."""
        if self.get(kind, name) is not None:
            (self.work / kind / name).unlink(missing_ok=True)

    @property
    def cache_folder(self) -> Path | None:
        """Where the user's cache is; None where none is used."""
        return self._cache.folder

    def keep_source(self, source: Source) -> None:
        """Remember what a run is of, for `verify --render` and `review`. Raises OSError."""
        self.put_record(ROOT, "source.json", Source, source)

    def keep_recipe(self, text: str) -> None:
        """Remember the flattened recipe, for `verify --render`; in run.json it is without withheld names."""
        self.put(ROOT, "recipe.yaml", text.encode())

    def recipe(self) -> str | None:
        """What `keep_recipe` kept."""
        return kept.decode("utf-8", "replace") if (kept := self.get(ROOT, "recipe.yaml")) is not None else None

    def source(self) -> Source:
        """What `keep_source` kept."""
        return self.record(ROOT, "source.json", Source) or Source()

    def frames_seen(self) -> dict[tuple[str, int], str]:
        """(path in the shoot folder, size in octets) of the frames of earlier runs -> SHA-256."""
        return {(name, known.size): known.sha256 for name, known in self._kept_digests().items()}

    def known_digests(self) -> dict[str, str]:
        """Frame (posix path in the shoot folder) -> SHA-256 when an earlier run read it."""
        return {relative: known.sha256 for relative, known in self._kept_digests().items()}

    def frame_digest(self, frame: Frame) -> str:
        """SHA-256 of the frame's file, read again where the file system does not vouch for it. Raises OSError."""
        known = self._vouched(frame) or read_digest(frame.path)
        assert self._digests is not None
        self._digests[frame.relative] = self._cached_digests[frame.relative] = known
        return known.sha256

    def is_known(self, frame: Frame) -> bool:
        """Whether `frame_digest` need not read the frame's file."""
        with suppress(OSError):
            return self._vouched(frame) is not None
        return False

    def _vouched(self, frame: Frame) -> FrameDigest | None:
        if self._digests is None:
            self._digests = self._kept_digests()
            self._cached_digests = digests_in_cache(self._cache, self._shoot)
        found = frame.path.stat()
        for known in (self._digests.get(frame.relative), self._cached_digests.get(frame.relative)):
            if known is not None and known.is_of(found):
                return known
        return None

    def seen(self, frame: Frame) -> tuple[int, int] | None:
        """(octets, time of change in nanoseconds) of the frame's file when `frame_digest` gave its digest."""
        known = (self._digests or {}).get(frame.relative)
        return (known.size, known.mtime) if known is not None else None

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
            self.put_record(ROOT, "digests.json", dict[str, FrameDigest], self._digests)
            keep_digests(self._cache, self._shoot, self._cached_digests)

    def _kept_digests(self) -> dict[str, FrameDigest]:
        return self.record(ROOT, "digests.json", dict[str, FrameDigest]) or {}
