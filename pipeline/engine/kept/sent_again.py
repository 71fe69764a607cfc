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
from pipeline.report.kept_frames import read_head, read_left
from pipeline.report.record import RunRecord, read_record
from pipeline.shoot.kinds import PICTURE
from pipeline.store.places import SMALL
from pipeline.store.store import ROOT, Store
from pipeline.textfile.messages import counted, listed

_BEGUN = "sent_again.json"


@dataclass(frozen=True)
class _Lost:
    """Which records are not there."""

    pushes: bool
    extras: bool


def find_sent_again(store: Store) -> str:
    """Where no record of a push or of the files beside the pictures is there: those that OUT/run.json speaks of.

    Returns why nobody knows what else was sent, "" where that is known, or nothing can have been. Raises OSError.
    """
    lost = _Lost(PushRecords.are_lost(store), extras_lost(store))
    if before := store.record(ROOT, _BEGUN, _Lost):  # stopped while it was at it
        lost = _Lost(lost.pushes or before.pushes, lost.extras or before.extras)
    if not (lost.pushes or lost.extras):
        return ""
    head = _read(read_head, store.out)
    unknown = _unknown(store, head) if lost.pushes and not records_kept(store) else ""
    if head is None or not head.sent:
        return unknown
    store.put_record(ROOT, _BEGUN, _Lost, lost)
    for delivery, sent in head.sent.items() if lost.extras else ():
        for relative, file in sent.files.items():
            found_extra(store, ExtraRecord(delivery, relative, file.sha256, bytes=file.bytes))
    if lost.pushes:
        _find_pushes_again(PushRecords(store), head)
    store.remove(ROOT, _BEGUN)
    return unknown


def records_kept(store: Store) -> bool:
    """Whether OUT/.work still knows of pictures or frames of earlier runs; false also where no run has been here."""
    return bool(store.names("done")) or store.get(ROOT, "names.json") is not None


def pictures_left(store: Store) -> int:
    """How many pictures are in folders in OUT that may be those of deliveries."""
    folders = [one for one in store.delivery_folders() if one.name != SMALL or one.parent == store.out]
    return sum(path.suffix[1:].lower() in PICTURE for folder in folders for path in folder.iterdir())


def _unknown(store: Store, head: RunRecord | None) -> str:
    """Where OUT/.work was deleted: what run.json does not say either."""
    left = pictures_left(store)
    if head is None:
        if not left and not (store.out / "run.json").exists():
            return ""  # no run has been here
        what, where = "neither OUT/.work nor OUT/run.json says", "any address that pictures went to"
    else:
        # Of a group of people, the folder that its own is in: its name may be that of somebody.
        pushed = [(name.count("/"), sent.push.address) for name, sent in head.sent.items() if sent.push is not None]
        addresses = sorted({address.rsplit("/", group)[0] for group, address in pushed})
        if not addresses or read_left(store.out)[1]:
            return ""
        what, where = "OUT/.work was deleted, and OUT/run.json, which is damaged, does not say", listed(addresses)
    there = f" ({counted(left, 'picture')} of earlier runs in OUT)" if left else ""
    return (
        f"{what} all that was sent{there}, so it cannot all be taken back: look at {where} for players who must not be "
        "shown, and remove them there"
    )


def _find_pushes_again(records: PushRecords, head: RunRecord) -> None:
    addresses = {name: sent.push.address for name, sent in head.sent.items() if sent.push is not None}
    for delivery, address in addresses.items():
        for relative, file in head.sent[delivery].files.items():
            records.found_again(PushRecord(delivery, address, relative.removeprefix(f"{delivery}/"), file.sha256))
    for frame in read_left(records.store.out)[0].values() if addresses else ():
        for delivery, one in frame.deliveries.items():
            if delivery in addresses and one.current:
                name = one.file.removeprefix(f"{delivery}/")
                records.found_again(PushRecord(delivery, addresses[delivery], name, one.sha256))


def _read(how: Callable[[Path], RunRecord | None], out: Path) -> RunRecord | None:
    try:
        return how(out) or read_record(out)
    except (OSError, ValueError, InputError):  # a damaged one is said elsewhere
        return None
