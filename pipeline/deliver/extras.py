"""The files beside a delivery's pictures, and their records in OUT/.work/extras: which are ours, and made of what."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from pipeline.deliver.model import Made
from pipeline.errors import FrameError
from pipeline.store.files import write_atomic
from pipeline.store.keys import record_name
from pipeline.store.places import SMALL, DeliveredPath, digest_below, path_below, remove_emptied
from pipeline.store.records import Count, Digest
from pipeline.store.set_aside import FOLDER, moved_notice, set_aside
from pipeline.store.store import Store

_KIND = "extras"


@dataclass(frozen=True)
class ExtraRecord:
    """One file of ours beside the pictures.

    relative  posix path below OUT; key  digest of what it was made from, "" where it is compared by its bytes
    sha256, bytes, mtime  of the file: hex, octets, nanoseconds
    pending   the file was about to be written when this was: it is there, or still the one before it
    replaced  SHA-256 of the one before it, "" for none
    holds     name of each picture that is in it, or named -> SHA-256; None where that is not known
    names     digest of the names that were withheld when it was made, see `names_digest`
    """

    delivery: str
    relative: DeliveredPath
    sha256: Digest
    key: str = ""
    bytes: Count = 0
    mtime: int = 0
    pending: bool = False
    replaced: Digest | Literal[""] = ""
    holds: dict[str, Digest] | None = field(default=None)
    names: str = ""

    def is_ours(self, digest: str | None) -> bool:
        """Whether a file of this SHA-256, None where it cannot be read, was put there by this program."""
        return digest is not None and (digest == self.sha256 or (self.pending and digest == self.replaced))


def extra_deliveries(store: Store) -> set[str]:
    """The deliveries that have files of ours beside their pictures."""
    return {record.delivery for record in _records(store)}


def extra_digests(store: Store) -> dict[str, str]:
    """Posix path below OUT -> SHA-256 of the files of ours beside the pictures."""
    return {record.relative: record.sha256 for record in _records(store)}


def extra_records(store: Store) -> dict[str, list[ExtraRecord]]:
    """The records of the files of ours beside the pictures, by delivery: read once for all of them."""
    found: dict[str, list[ExtraRecord]] = {}
    for record in _records(store):
        found.setdefault(record.delivery, []).append(record)
    return found


def extras_lost(store: Store) -> bool:
    """Whether no run has kept records in OUT/.work yet, or they were deleted whole."""
    return not store.names(_KIND)


def found_extra(store: Store, record: ExtraRecord) -> None:
    """Keep the record of a file whose own was lost; what it holds is not known. Raises OSError."""
    store.put_record(_KIND, record_name(record.relative), ExtraRecord, record)


def _records(store: Store) -> Iterator[ExtraRecord]:
    """All that can be read; the file of a damaged one is not known to be ours, and is left."""
    for name in store.names(_KIND):
        if (record := _read(store, name)) is not None:
            yield record


def _read(store: Store, name: str) -> ExtraRecord | None:
    """The record of this name; None where there is none, or it is that of another file."""
    record = store.record(_KIND, name, ExtraRecord)
    if record is None or not record.relative.startswith(f"{record.delivery}/"):
        return None
    return record if record_name(record.relative) == name else None


class Extras:
    """Makes, keeps and removes the files of ours beside the pictures of delivery `name`.

    holds, names  of the records of what is made, see `ExtraRecord`
    made      relative path -> what stands after this run; notices  what the report should say
    moved     posix paths below OUT of files that were set aside, to be made again
    """

    def __init__(self, out: Path, name: str, holds: Mapping[str, str] | None = None, names: str = "") -> None:
        self.store, self.out, self.name = Store(out), out, name
        self.holds, self.names = holds, names
        (self.store.work / _KIND).mkdir(parents=True, exist_ok=True)
        self.made: dict[str, Made] = {}
        self.refused: set[str] = set()
        self.moved: list[str] = []
        self.notices: list[str] = []

    def guarded(self, make: Callable[[], Made], problems: list[str]) -> Made | None:
        """What `make` made; None where it could not, and one more of `problems`."""
        try:
            return make()
        except (OSError, FrameError) as error:
            where = f"{error.filename}: " if isinstance(error, OSError) and error.filename else ""
            reason = str(error) if not isinstance(error, OSError) or error.errno is None else f"{where}{error.strerror}"
            problems.append(f"delivery {self.name}: {reason}")
            return None

    def reuse(self, local: str, key: str) -> Made | None:
        """The file as it was made before from the same things, or None. `local`: path below the delivery's folder."""
        path, record = self._path(local), self._record(local)
        if record is None or record.pending or record.key != key or path is None or not path.is_file():
            return None
        stat = path.stat()
        same = (stat.st_size, stat.st_mtime_ns) == (record.bytes, record.mtime)
        if not same and self._digest(local) != record.sha256:
            return None
        return self.keep(local, key, record.sha256, record.bytes, reused=True)

    def write(self, local: str, data: bytes, key: str = "") -> Made:
        """A file with these bytes; one that has them already is left as it is. Raises OSError, and see `begin`."""
        digest = hashlib.sha256(data).hexdigest()
        if self._digest(local) == digest:
            return self.keep(local, key, digest, len(data), reused=True)
        path = self.begin(local)
        self.announce(local, digest, len(data))
        write_atomic(path, data)
        return self.keep(local, key, digest, len(data), reused=False)

    def begin(self, local: str) -> Path:
        """Where a file is about to be written. Raises FrameError where that would be elsewhere, through a link."""
        path = self._path(local)
        if path is None:
            raise self._refused(local)
        path.parent.mkdir(parents=True, exist_ok=True)
        return path

    def announce(self, local: str, sha256: str, size: int) -> None:
        """Record a file just before it appears, so that it is known as ours if the run is stopped in between.

        Another one that stands there and is not ours is set aside. Raises FrameError where that cannot be done.
        """
        before, stands = self._record(local), self._digest(local)
        ours = stands == sha256 or (before is not None and before.is_ours(stands))
        if not ours and os.path.lexists(self.begin(local)):
            self._set_aside(local)
            stands = ""
        self._put(
            ExtraRecord(self.name, f"{self.name}/{local}", sha256, bytes=size, pending=True, replaced=stands or "")
        )

    def _set_aside(self, local: str) -> None:
        relative = f"{self.name}/{local}"
        try:
            set_aside(self.out, relative)
        except OSError as error:
            self.refused.add(relative)
            raise FrameError(
                f"{relative}: changed since it was delivered, or not written by this program, and it cannot be moved "
                f"to OUT/{FOLDER} ({error.strerror or error}); move it away and run again"
            ) from error
        self.moved.append(relative)

    def _refused(self, local: str) -> FrameError:
        self.refused.add(f"{self.name}/{local}")
        return FrameError(f"{self.name}/{local} was changed or put there by hand; move it away and run again")

    def keep(self, local: str, key: str, sha256: str, size: int, *, reused: bool) -> Made:
        """Record a file that stands. `size` in octets."""
        made = Made(f"{self.name}/{local}", sha256, size, reused)
        mtime = (self.out / made.relative).stat().st_mtime_ns
        self._put(ExtraRecord(self.name, made.relative, sha256, key, size, mtime))
        self.made[made.relative] = made
        return made

    def drop(self, local: str) -> None:
        """Remove a file that its record and its SHA-256 prove to be ours, and the record; another one is left."""
        path, record = self._path(local), self._record(local)
        if path is not None and record is not None and record.is_ours(self._digest(local)):
            path.unlink(missing_ok=True)
            self.store.remove(_KIND, record_name(record.relative))

    def remove_rest(self, problems: list[str]) -> None:
        """Remove what an earlier run made here and this one did not; what was changed by hand is set aside. One more of
        `problems` for each that can be neither."""
        known = extra_records(self.store).get(self.name, ())
        rest = [r for r in known if r.relative not in self.made and r.relative not in self.refused]
        self._take_away(rest, problems, "since it is no longer asked for", "since they are no longer asked for")
        if self.moved:
            self.notices.append(moved_notice(self.moved, "and made again", "and made again"))
        self._remove_emptied()

    def withdraw(
        self,
        records: Collection[ExtraRecord],
        may_stay: Mapping[str, str],
        small: Collection[str],
        problems: list[str],
    ) -> list[ExtraRecord]:
        """Remove what shows or names a picture that may no longer be shown, or was made before other names were
        withheld; as `remove_rest` otherwise. Returns the records of what was removed.

        records   of this delivery, from `extra_records`
        may_stay  name of each picture that may be shown today -> SHA-256; small  keys of the small pictures of these
        """
        outdated = [record for record in records if not self._may_stay(record, may_stay, small)]
        if not outdated:
            return []
        why = "what may no longer be shown"
        self._take_away(outdated, problems, f"since it shows {why}", f"since they show {why}")
        self._remove_emptied()
        return outdated

    def _remove_emptied(self) -> None:
        small = self._path(SMALL)
        if small is not None:
            with suppress(OSError):  # not empty, or not there
                small.rmdir()
        remove_emptied(self.out, f"{self.name}/{SMALL}")

    def _may_stay(self, record: ExtraRecord, may_stay: Mapping[str, str], small: Collection[str]) -> bool:
        if record.relative.startswith(f"{self.name}/{SMALL}/"):
            return not record.pending and record.key in small
        if record.pending or record.holds is None or record.names != self.names:
            return False
        return all(may_stay.get(name) == sha256 for name, sha256 in record.holds.items())

    def _take_away(self, records: Collection[ExtraRecord], problems: list[str], one: str, several: str) -> None:
        gone: list[str] = []
        for record in records:
            relative = record.relative
            local = relative.removeprefix(f"{self.name}/")
            self.drop(local)
            path = self._path(local)
            if path is None:
                self.notices.append(f"{relative}: is, or lies in, a link in OUT; it is left alone, so look at it")
            elif os.path.lexists(path):
                try:
                    self._set_aside(local)
                except FrameError as error:
                    problems.append(str(error))
                    continue
                gone.append(self.moved.pop())
            self.store.remove(_KIND, record_name(relative))
        if gone:
            self.notices.append(moved_notice(gone, one, several))

    def _record(self, local: str) -> ExtraRecord | None:
        return _read(self.store, record_name(f"{self.name}/{local}"))

    def _put(self, record: ExtraRecord) -> None:
        if not record.relative.startswith(f"{self.name}/{SMALL}/"):
            record = replace(record, holds=dict(self.holds or {}), names=self.names)
        self.store.put_record(_KIND, record_name(record.relative), ExtraRecord, record)

    def _path(self, local: str) -> Path | None:
        return path_below(self.out, f"{self.name}/{local}")

    def _digest(self, local: str) -> str | None:
        return digest_below(self.out, f"{self.name}/{local}")
