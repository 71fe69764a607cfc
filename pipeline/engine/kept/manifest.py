"""The list of everything that a finished run left in OUT, by which `verify` finds what was changed, lost or added."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from pipeline.engine.earlier import WITHHELD
from pipeline.engine.tables.selection import proposal_digest
from pipeline.report.pictures import report_files
from pipeline.shoot.read_facts import FRAMES_FILE
from pipeline.store.places import OWN_FILES, DeliveredPath, digest_below
from pipeline.store.records import Digest
from pipeline.store.store import KINDS, ROOT, Store

NAME = "manifest.json"
_RECORDS = ("done", "extras", "pushed")  # kinds that decide what is removed; the others follow from the frames
_ROOT = ("names.json", "digests.json", "source.json", "recipe.yaml", "proposal.json", WITHHELD)


@dataclass(frozen=True)
class Manifest:
    """own  file in OUT itself -> SHA-256; delivered  posix path below OUT -> SHA-256, with zips and pages;
    work  kind -> name -> SHA-256 of what is kept in OUT/.work, "" for measurements and pictures: their seal tells
    report  names of the pictures in OUT/report, which say what is in them"""

    own: Mapping[str, Digest] = field(default_factory=dict)
    delivered: Mapping[DeliveredPath, Digest] = field(default_factory=dict)
    work: Mapping[str, Mapping[str, Digest | Literal[""]]] = field(default_factory=dict)
    report: tuple[str, ...] = ()


def write_manifest(store: Store, delivered: Mapping[str, str]) -> None:
    """Keep the list, at the very end of a run. Raises OSError.

    delivered  posix path below OUT -> SHA-256 of every file that a delivery has there now
    """
    own = {name: digest_below(store.out, name) for name in OWN_FILES}
    own[FRAMES_FILE] = proposal_digest(store)  # a person may have typed in it since
    work = {kind: {name: _digest(store, kind, name) for name in store.names(kind)} for kind in KINDS}
    work[ROOT] = {name: digest for name in _ROOT if (digest := work_digest(store, ROOT, name))}
    manifest = Manifest(
        {name: digest for name, digest in own.items() if digest}, delivered, work, tuple(report_files(store.out))
    )
    store.put_record(ROOT, NAME, Manifest, manifest)


def _digest(store: Store, kind: str, name: str) -> str:
    return work_digest(store, kind, name) or "" if kind in _RECORDS else ""


def work_digest(store: Store, kind: str, name: str) -> str | None:
    """SHA-256 of a file in OUT/.work; None where it cannot be read."""
    return digest_below(store.out, f".work/{kind}/{name}" if kind else f".work/{name}")


def read_manifest(store: Store) -> Manifest | None:
    """What `write_manifest` kept; None where there is none, or it is damaged."""
    return store.record(ROOT, NAME, Manifest)
