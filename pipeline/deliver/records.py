"""What this OUT has put where: one small record a file in OUT/.work/pushed, written before a file leaves and after."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Annotated, Literal

from pydantic import AfterValidator, ConfigDict

from pipeline.deliver.address import Address, expanded, parse_address
from pipeline.deliver.targets import Observation, PushError
from pipeline.store.keys import record_name
from pipeline.store.places import is_plain
from pipeline.store.records import Count, Digest
from pipeline.store.store import Store
from pipeline.textfile.messages import and_more

_KIND = "pushed"
_LOST = (
    "damaged, so it is not known what was put where; look at the addresses of earlier pushes for pictures that must "
    "not be shown, then delete these records"
)


def _pushed_name(name: str) -> str:
    if not all(map(is_plain, name.split("/"))):
        raise ValueError("is no path below an address")
    return name


PushedName = Annotated[str, AfterValidator(_pushed_name)]


@dataclass(frozen=True)
class PushRecord:
    """One file at one address.

    sha256, bytes, mark  what was verified there last; "" before the first time
    sending              SHA-256 of what was on its way when this was written; "" when it has arrived
    text                 digest of the texts that can be read in or beside the picture
    names                digest of the names that were withheld when they were written, see `model.names_digest`
    """

    # What a later version wrote might mean that a file must go: a record that is not understood is named as lost.
    __pydantic_config__ = ConfigDict(extra="forbid")

    delivery: str
    address: str
    name: PushedName
    sha256: Digest | Literal[""] = ""
    bytes: Count = 0
    mark: str = ""
    text: str = ""
    sending: Digest | Literal[""] = ""
    names: str = ""


class PushRecords:
    """The records of one OUT. Raises PushError when they cannot be written.

    lost  one sentence on records that are damaged, so that nobody knows what they put where; empty where there are none
    """

    def __init__(self, store: Store) -> None:
        self.store = store
        (store.work / _KIND).mkdir(parents=True, exist_ok=True)
        self._records: dict[tuple[str, str], PushRecord] = {}
        damaged = []
        for name in store.names(_KIND):
            record = store.record(_KIND, name, PushRecord)
            if record is not None and _name(record) == name and _may_be(store, record.address):
                self._records[record.address, record.name] = record
            else:
                damaged.append(str(store.work / _KIND / name))
        self.lost = [f"{and_more(damaged)}: {_LOST}"] if damaged else []

    @staticmethod
    def are_lost(store: Store) -> bool:
        """Whether no run has kept records in OUT/.work yet, or they were deleted whole."""
        return not store.names(_KIND)

    def at(self, address: str, name: str) -> PushRecord | None:
        """The record of a file at an address; None where this OUT never put one there."""
        return self._records.get((address, name))

    def of(self, delivery: str) -> Iterator[PushRecord]:
        """The records of a delivery, in order of address and name."""
        return iter([r for _, r in sorted(self._records.items()) if r.delivery == delivery])

    def deliveries(self) -> set[str]:
        """The deliveries that have a file at any address."""
        return {r.delivery for r in self._records.values()}

    def below(self, address: str) -> set[str]:
        """The names of files and folders at an address under which any delivery has put something."""
        paths = (f"{r.address.rstrip('/')}/{r.name}" for r in self._records.values())
        start = f"{address.rstrip('/')}/"
        return {path.removeprefix(start).split("/")[0] for path in paths if path.startswith(start)}

    def sending(self, record: PushRecord, sha256: str) -> None:
        """Before a file leaves: should the run be killed, it is still known to be ours."""
        self._keep(replace(record, sending=sha256))

    def arrived(self, record: PushRecord, sha256: str, there: Observation, text: str, names: str) -> None:
        """After a file was verified at its address."""
        self._keep(
            replace(record, sha256=sha256, bytes=there.size, mark=there.mark, text=text, sending="", names=names)
        )

    def found_again(self, record: PushRecord) -> None:
        """Where the records were lost: what run.json says was put somewhere. Its SHA-256 alone proves it to be ours."""
        if self.at(record.address, record.name) is None and _may_be(self.store, record.address):
            self._keep(record)

    def cleared(self, records: Iterable[PushRecord], names: str) -> None:
        """After it was seen that the texts of these files, and their paths, hold none of the names withheld today."""
        for record in records:
            self._keep(replace(record, names=names))

    def forget(self, record: PushRecord) -> None:
        """After a file was removed from its address."""
        with self._own_disk():
            self.store.remove(_KIND, _name(record))
        del self._records[record.address, record.name]

    def _keep(self, record: PushRecord) -> None:
        with self._own_disk():
            self.store.put_record(_KIND, _name(record), PushRecord, record)
        self._records[record.address, record.name] = record

    @contextmanager
    def _own_disk(self) -> Iterator[None]:
        """This machine's disk, not the other end, is at fault here."""
        try:
            yield
        except OSError as error:
            raise PushError(f"{self.store.work / _KIND}: {error.strerror or error}; nothing more was sent") from error


def own_folder(store: Store, address: Address) -> str:
    """ "the shoot" or "OUT" where an address is a folder in one of them, "" else. Raises RuntimeError where it begins
    with ~ and this user has no home folder."""
    if address.kind != "folder":
        return ""
    path = expanded(address.path).resolve()
    places = (("the shoot", store.source().shoot), ("OUT", str(store.out.resolve())))
    return next((what for what, folder in places if folder is not None and path.is_relative_to(folder)), "")


def _may_be(store: Store, address: str) -> bool:
    """Whether a push may have gone to an address."""
    try:
        return not own_folder(store, parse_address(address))
    except RuntimeError:
        return True
    except (OSError, ValueError):
        return False


def _name(record: PushRecord) -> str:
    return record_name(f"{record.address}\0{record.name}")
