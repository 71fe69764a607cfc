"""What this OUT has put where: one small record a file in OUT/.work/pushed, written before a file leaves and after."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace

from pipeline.deliver.targets import Observation, PushError
from pipeline.store.store import Store

_KIND = "pushed"


@dataclass(frozen=True)
class Entry:
    """One file at one address.

    sha256, bytes, mark  what was verified there last; "" before the first time
    sending              SHA-256 of what was on its way when this was written; "" when it has arrived
    text                 digest of the texts that can be read in or beside the picture
    """

    delivery: str
    address: str
    name: str
    sha256: str = ""
    bytes: int = 0
    mark: str = ""
    text: str = ""
    sending: str = ""


class Memory:
    """The records of one OUT. Raises PushError when they cannot be read or written."""

    def __init__(self, store: Store) -> None:
        self.store = store
        (store.work / _KIND).mkdir(parents=True, exist_ok=True)
        self._entries: dict[tuple[str, str], Entry] = {}
        for name in store.names(_KIND):
            try:
                entry = Entry(**json.loads(store.get(_KIND, name) or b"{}"))
            except (TypeError, ValueError) as error:
                raise PushError(
                    f"{store.work / _KIND / name}: cannot be read, so what was put where is not known"
                ) from error
            self._entries[entry.address, entry.name] = entry

    def at(self, address: str, name: str) -> Entry | None:
        return self._entries.get((address, name))

    def of(self, delivery: str) -> Iterator[Entry]:
        """The records of a delivery, in order of address and name."""
        return iter([e for _, e in sorted(self._entries.items()) if e.delivery == delivery])

    def deliveries(self) -> set[str]:
        return {e.delivery for e in self._entries.values()}

    def sending(self, entry: Entry, sha256: str) -> None:
        """Before a file leaves: should the run be killed, it is still known to be ours."""
        self._keep(replace(entry, sending=sha256))

    def arrived(self, entry: Entry, sha256: str, seen: Observation, text: str) -> None:
        self._keep(replace(entry, sha256=sha256, bytes=seen.size, mark=seen.mark, text=text, sending=""))

    def forget(self, entry: Entry) -> None:
        with self._told():
            self.store.remove(_KIND, _key(entry))
        del self._entries[entry.address, entry.name]

    def _keep(self, entry: Entry) -> None:
        with self._told():
            self.store.put(_KIND, _key(entry), json.dumps(asdict(entry), ensure_ascii=False).encode())
        self._entries[entry.address, entry.name] = entry

    @contextmanager
    def _told(self) -> Iterator[None]:
        """This machine's disk, not the other end, is at fault here."""
        try:
            yield
        except OSError as error:
            raise PushError(f"{self.store.work / _KIND}: {error.strerror or error}; nothing more was sent") from error


def _key(entry: Entry) -> str:
    return hashlib.sha256(f"{entry.address}\0{entry.name}".encode()).hexdigest()[:32] + ".json"
