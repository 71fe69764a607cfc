"""Delivered files whose record in OUT/.work is damaged or gone: those that run.json names too are still known as ours.

Without a record, a file would stay when its consent is withdrawn.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import PurePosixPath

from pipeline.deliver.extras import extra_digests
from pipeline.engine.earlier import DeliveredFile
from pipeline.engine.jobs import Shoot
from pipeline.engine.redaction import Redaction
from pipeline.errors import InputError
from pipeline.formats.jpeg_segments import scan_digest
from pipeline.report.record import RunRecord, read_record
from pipeline.store.places import digest_below, is_delivered_path, read_file
from pipeline.store.store import Store
from pipeline.textfile.messages import and_more

UNKNOWN = "no record says that this program made it, so it is left; if it must not be shown, delete it"
_LARGEST = 1 << 30  # octets of a delivered file that is read whole


@dataclass(frozen=True)
class FoundAgain:
    """files  with a record made anew from run.json, of which neither key nor texts are known; notices  on the others"""

    files: tuple[DeliveredFile, ...] = ()
    notices: tuple[str, ...] = ()


def found_again(store: Store, known: Collection[str], shoot: Shoot) -> FoundAgain:
    """The files in the folders of deliveries that are not `known` (posix paths below OUT), as far as run.json and their
    SHA-256 prove them to be ours. The rest is left alone, and named: it may show somebody who is withheld today."""
    strays = set(_in_deliveries(store)) - set(known)
    strays -= extra_digests(store).keys() if strays else set()
    if not strays:
        return FoundAgain()
    try:
        record = read_record(store.out)
    except InputError:
        record = None
    files = tuple(_recorded(store, strays, record, shoot)) if record is not None else ()
    delivered = {PurePosixPath(relative).parts[0] for relative in known}
    delivered |= (
        {name for frame in record.frames.values() for name in frame.deliveries} if record is not None else set()
    )
    left = sorted(strays - {one.relative for one in files})
    left = [relative for relative in left if relative.split("/")[0] in delivered]
    return FoundAgain(files, (f"{and_more(left)}: {UNKNOWN}",) if left else ())


def _in_deliveries(store: Store) -> Iterator[str]:
    """Posix paths below OUT of the files in folders that may be those of deliveries."""
    for folder in store.delivery_folders():
        for path in folder.iterdir():
            relative = f"{folder.name}/{path.name}"
            if is_delivered_path(relative) and not path.is_dir():
                yield relative


def _recorded(store: Store, strays: Collection[str], record: RunRecord, shoot: Shoot) -> Iterator[DeliveredFile]:
    true_names = {called: name for name, called in Redaction(shoot).called.items()}
    for name, frame in record.frames.items():
        for one in frame.deliveries.values():
            if one.file not in strays or digest_below(store.out, one.file) != one.sha256:
                continue
            true = true_names.get(name, name)
            if true not in {f.name for f in shoot.frames} and name.startswith("frame-"):
                continue  # a name that was withheld then: which frame it is cannot be said
            data = read_file(store.out / one.file, _LARGEST)
            scan = scan_digest(data) if data.startswith(b"\xff\xd8") else ""
            yield DeliveredFile(
                one.file, "", one.sha256, len(data), one.width, one.height, one.quality, scan, one.thumb, frame=true
            )
