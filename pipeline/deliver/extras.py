"""The files beside a delivery's pictures, and their records in OUT/.work/extras: which are ours, and made of what."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from pipeline.deliver.model import Made
from pipeline.deliver.page import SMALL
from pipeline.errors import FrameError
from pipeline.store.files import write_atomic
from pipeline.store.keys import digest_file
from pipeline.store.store import Store

_KIND = "extras"


@dataclass(frozen=True)
class ExtraRecord:
    """One file of ours beside the pictures.

    relative  posix path below OUT; key  digest of what it was made from, "" where it is compared by its bytes
    sha256, bytes, mtime  of the file: hex, octets, nanoseconds
    pending   the file was about to be written when this was; the rest is then not known
    """

    delivery: str
    relative: str
    key: str = ""
    sha256: str = ""
    bytes: int = 0
    mtime: int = 0
    pending: bool = False


def extra_deliveries(store: Store) -> set[str]:
    """The deliveries that have files of ours beside their pictures."""
    return {record.delivery for _, record in _records(store)}


def _records(store: Store) -> Iterator[tuple[str, ExtraRecord]]:
    """(name, record) of all that can be read; the file of a damaged one is not known to be ours, and is left."""
    for name in store.names(_KIND):
        with suppress(ValueError):
            record = store.record(_KIND, name, ExtraRecord)
            if record is not None:
                yield name, record


class Extras:
    """Makes, keeps and removes the files of ours beside the pictures of delivery `name`.

    made      relative path -> what stands after this run; notices  what the report should say
    """

    def __init__(self, out: Path, name: str) -> None:
        self.store, self.out, self.name = Store(out), out, name
        (self.store.work / _KIND).mkdir(parents=True, exist_ok=True)
        self.made: dict[str, Made] = {}
        self.refused: set[str] = set()
        self.notices: list[str] = []

    def guarded(self, make: Callable[[], Made], problems: list[str]) -> Made | None:
        """What `make` made; None where it could not, and one more of `problems`."""
        try:
            return make()
        except (OSError, FrameError) as error:
            reason = str(error) if not isinstance(error, OSError) or error.errno is None else error.strerror
            problems.append(f"delivery {self.name}: {reason}")
            return None

    def reuse(self, local: str, key: str) -> Made | None:
        """The file as it was made before from the same things, or None. `local`: path below the delivery's folder."""
        path, record = self._path(local), self._record(local)
        if record is None or record.pending or record.key != key or not path.is_file():
            return None
        stat = path.stat()
        same = (stat.st_size, stat.st_mtime_ns) == (record.bytes, record.mtime)
        if not same and digest_file(path) != record.sha256:
            return None
        return self.keep(local, key, record.sha256, record.bytes, reused=True)

    def write(self, local: str, data: bytes, key: str = "") -> Made:
        """A file with these bytes; one that has them already is left as it is. Raises OSError, and see `begin`."""
        digest = hashlib.sha256(data).hexdigest()
        path = self._path(local)
        if path.is_file() and path.stat().st_size == len(data) and digest_file(path) == digest:
            return self.keep(local, key, digest, len(data), reused=True)
        self.begin(local)
        write_atomic(path, data)
        return self.keep(local, key, digest, len(data), reused=False)

    def begin(self, local: str) -> Path:
        """Record that a file is about to be written. Raises FrameError where one stands that is not ours to replace."""
        path = self._path(local)
        if path.exists() and not self._is_ours(local):
            self.refused.add(f"{self.name}/{local}")
            raise FrameError(f"{self.name}/{local} was changed or put there by hand; move it away and run again")
        path.parent.mkdir(parents=True, exist_ok=True)
        self._put(local, ExtraRecord(self.name, f"{self.name}/{local}", pending=True))
        return path

    def keep(self, local: str, key: str, sha256: str, size: int, *, reused: bool) -> Made:
        """Record a file that stands. `size` in octets."""
        made = Made(f"{self.name}/{local}", sha256, size, reused)
        mtime = self._path(local).stat().st_mtime_ns
        self._put(local, ExtraRecord(self.name, made.relative, key, sha256, size, mtime))
        self.made[made.relative] = made
        return made

    def drop(self, local: str) -> None:
        """Remove a file of ours and its record."""
        self._path(local).unlink(missing_ok=True)
        self.store.remove(_KIND, self._name(local))

    def remove_rest(self) -> None:
        """Remove what an earlier run made here and this one did not."""
        for name, record in _records(self.store):
            relative = record.relative
            if record.delivery != self.name or relative in self.made or relative in self.refused:
                continue
            local = relative.removeprefix(f"{self.name}/")
            if self._path(local).exists() and not self._is_ours(local):
                self.notices.append(f"{relative}: changed by hand and no longer asked for; look at it")
                self.store.remove(_KIND, name)
                continue
            self.drop(local)
        with suppress(OSError):  # not empty, or not there
            self._path(SMALL).rmdir()

    def _is_ours(self, local: str) -> bool:
        record = self._record(local)
        return record is not None and (record.pending or record.sha256 == digest_file(self._path(local)))

    def _record(self, local: str) -> ExtraRecord | None:
        try:
            return self.store.record(_KIND, self._name(local), ExtraRecord)
        except ValueError:
            return None

    def _put(self, local: str, record: ExtraRecord) -> None:
        self.store.put_record(_KIND, self._name(local), ExtraRecord, record)

    def _path(self, local: str) -> Path:
        return self.out / self.name / local

    def _name(self, local: str) -> str:
        return hashlib.sha256(f"{self.name}/{local}".encode()).hexdigest()[:32] + ".json"
