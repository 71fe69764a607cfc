"""Records of zips, pages and pushes that were planted or damaged: they lead to no other file, and remove none."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from pipeline.deliver.extras import ExtraRecord, Extras, extra_digests
from pipeline.deliver.records import PushRecord, PushRecords
from pipeline.store.source import Source
from pipeline.store.store import Store

OURS = b"a page of ours"
DIGEST = hashlib.sha256(OURS).hexdigest()


@pytest.fixture
def store(tmp_path: Path) -> Store:
    (tmp_path / "shoot").mkdir()
    store = Store.open(tmp_path / "out", tmp_path / "shoot")
    store.keep_source(Source.of(tmp_path / "shoot", None))
    return store


def plant(store: Store, kind: str, path: str, **record: object) -> None:
    """A record with a right seal, under the name that its path has."""
    name = hashlib.sha256(path.encode()).hexdigest()[:32] + ".json"
    store.put(kind, name, json.dumps(record).encode())


@pytest.mark.parametrize(
    "relative", ["../kept.html", "web/../../kept.html", "/kept.html", "web/../.work/lock", ".work/x"]
)
def test_a_planted_record_removes_nothing_elsewhere(store: Store, tmp_path: Path, relative: str) -> None:
    (tmp_path / "kept.html").write_bytes(OURS)
    for delivery in ("web", "..", relative.split("/")[0]):
        plant(store, "extras", relative, delivery=delivery, relative=relative, sha256=DIGEST, pending=True)
        for name in ("web", delivery):
            Extras(store.out, name).remove_rest([])
    assert (tmp_path / "kept.html").read_bytes() == OURS
    assert extra_digests(store) == {}


def test_a_record_counts_only_under_its_own_name(store: Store) -> None:
    (store.out / "web").mkdir()
    (store.out / "web" / "index.html").write_bytes(OURS)
    plant(store, "extras", "web/other.html", delivery="web", relative="web/index.html", sha256=DIGEST)
    assert extra_digests(store) == {}
    Extras(store.out, "web").remove_rest([])
    assert (store.out / "web" / "index.html").exists()


def test_only_what_record_and_hash_prove_is_removed(store: Store) -> None:
    """Also where the record says that the file was just being written: it may be somebody's who put it there since."""
    extras = Extras(store.out, "web")
    extras.write("index.html", OURS)
    for pending in (False, True):
        (store.out / "web" / "index.html").write_bytes(b"somebody's own")
        name = hashlib.sha256(b"web/index.html").hexdigest()[:32] + ".json"
        store.put_record("extras", name, ExtraRecord, ExtraRecord("web", "web/index.html", DIGEST, pending=pending))
        again = Extras(store.out, "web")
        again.drop("index.html")
        again.remove_rest([])
        [kept] = (store.work / "set_aside" / "web").iterdir()
        assert kept.read_bytes() == b"somebody's own" and any("it was moved to OUT" in text for text in again.notices)
        kept.unlink()


def test_what_was_being_written_or_replaced_is_ours(store: Store) -> None:
    for left in (OURS, b"the page before"):
        extras = Extras(store.out, "web")
        extras.write("index.html", b"the page before")
        extras.announce("index.html", DIGEST, len(OURS))
        (store.out / "web" / "index.html").write_bytes(left)
        Extras(store.out, "web").remove_rest([])
        assert not (store.out / "web" / "index.html").exists()


@pytest.mark.parametrize(
    "record",
    [
        {"name": "../kept.jpg"}, {"name": "/etc/passwd"}, {"name": ""}, {"name": "a\\b"}, {"address": "{x}"},
        {"address": "relative/folder"}, {"sha256": "x"}, {"bytes": -1}, {"later": 1},
    ],
)  # fmt: skip
def test_a_planted_push_is_not_followed_and_said(store: Store, tmp_path: Path, record: dict[str, object]) -> None:
    whole = {"delivery": "web", "address": str(tmp_path / "there"), "name": "TH1_0001.jpg", "sha256": DIGEST} | record
    name = hashlib.sha256(f"{whole['address']}\0{whole['name']}".encode()).hexdigest()[:32] + ".json"
    store.put("pushed", name, json.dumps(whole).encode())
    records = PushRecords(store)
    assert records.deliveries() == set()
    [said] = records.lost
    assert name in said and "not known what was put where" in said


def test_a_push_into_the_shoot_or_out_was_never_ours(store: Store, tmp_path: Path) -> None:
    """Such an address is refused, so a record of one was planted, and must not remove a raw file."""
    for folder in (tmp_path / "shoot", tmp_path / "out" / "web"):
        record = PushRecord("web", str(folder), "TH1_0001.dng", DIGEST)
        name = hashlib.sha256(f"{record.address}\0{record.name}".encode()).hexdigest()[:32] + ".json"
        store.put_record("pushed", name, PushRecord, record)
    assert PushRecords(store).deliveries() == set()


def test_a_push_record_counts_only_under_its_own_name(store: Store, tmp_path: Path) -> None:
    store.put_record("pushed", "a.json", PushRecord, PushRecord("web", str(tmp_path / "there"), "a.jpg", DIGEST))
    assert PushRecords(store).deliveries() == set() and PushRecords(store).lost
