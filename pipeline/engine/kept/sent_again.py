"""What was sent, and made beside the pictures, where OUT/.work was deleted: run.json still says so.

Of a file that is found again nothing but its SHA-256 proves that it is ours: nothing else is removed at an address, and
in OUT another one is set aside.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from pipeline.deliver.extras import ExtraRecord, extras_lost, found_extra
from pipeline.deliver.records import PushRecord, PushRecords
from pipeline.errors import InputError
from pipeline.report.kept_frames import read_head, read_kept
from pipeline.report.record import RunRecord, read_record
from pipeline.store.store import ROOT, Store

_BEGUN = "sent_again.json"


@dataclass(frozen=True)
class _Lost:
    """Which records are not there."""

    pushes: bool
    extras: bool


def find_sent_again(store: Store) -> None:
    """Where no record of a push or of the files beside the pictures is there: those that OUT/run.json speaks of."""
    lost = _Lost(PushRecords.are_lost(store), extras_lost(store))
    if before := store.record(ROOT, _BEGUN, _Lost):  # stopped while it was at it
        lost = _Lost(lost.pushes or before.pushes, lost.extras or before.extras)
    head = _read(read_head, store.out) if lost.pushes or lost.extras else None
    if head is None or not head.sent:
        return
    store.put_record(ROOT, _BEGUN, _Lost, lost)
    for delivery, sent in head.sent.items() if lost.extras else ():
        for relative, file in sent.files.items():
            found_extra(store, ExtraRecord(delivery, relative, file.sha256, bytes=file.bytes))
    if lost.pushes:
        _find_pushes_again(PushRecords(store), head)
    store.remove(ROOT, _BEGUN)


def _find_pushes_again(records: PushRecords, head: RunRecord) -> None:
    addresses = {name: sent.push.address for name, sent in head.sent.items() if sent.push is not None}
    for delivery, address in addresses.items():
        for relative, file in head.sent[delivery].files.items():
            records.found_again(PushRecord(delivery, address, relative.removeprefix(f"{delivery}/"), file.sha256))
    record = _read(read_kept, records.store.out) if addresses else None
    for frame in record.frames.values() if record is not None else ():
        for delivery, one in frame.deliveries.items():
            if delivery in addresses and one.current:
                name = one.file.removeprefix(f"{delivery}/")
                records.found_again(PushRecord(delivery, addresses[delivery], name, one.sha256))


def _read(how: Callable[[Path], RunRecord | None], out: Path) -> RunRecord | None:
    try:
        return how(out) or read_record(out)
    except (OSError, ValueError, InputError):  # a damaged one is said elsewhere
        return None
