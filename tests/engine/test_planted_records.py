"""The records of files that stand: what is planted or damaged there leads to no file elsewhere."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from pipeline.engine.earlier import DeliveredFile
from pipeline.engine.outputs import Outputs
from pipeline.store.store import Store

ENTRY: dict[str, Any] = {
    "relative": "web/TH1_0001.jpg", "key": "k", "sha256": "0" * 64, "bytes": 3, "width": 4, "height": 2, "quality": 88,
    "scan": "", "thumb": "", "notices": [], "frame": "TH1_0001", "text": "", "mtime": 1,
}  # fmt: skip


def test_an_entry_is_read_back_as_it_was_kept() -> None:
    entry = DeliveredFile.from_bytes(json.dumps(ENTRY).encode())
    assert entry is not None and entry.relative == ENTRY["relative"] and entry.current
    assert DeliveredFile.from_bytes(entry.as_bytes()) == entry


@pytest.mark.parametrize(
    "relative",
    [
        "../kept.jpg",
        "web/../../kept.jpg",
        "/etc/kept.jpg",
        "web/..",
        "kept.jpg",
        "",
        "web/",
        "C:/kept.jpg",
        "web\\..\\k",
        3,
    ],
)
def test_a_planted_path_removes_nothing(tmp_path: Path, relative: object) -> None:
    (tmp_path / "shoot").mkdir()
    outside = tmp_path / "kept.jpg"
    outside.write_bytes(b"abc")
    store = Store.open(tmp_path / "out", tmp_path / "shoot")
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"  # of "abc": FIPS 180-4, appendix B.1
    store.put("done", "planted.json", json.dumps(ENTRY | {"relative": relative, "sha256": digest}).encode())
    outputs = Outputs(store)
    outputs.settle(None, {}, set())  # type: ignore[arg-type]  # the planner is not asked about what is no record
    assert outside.read_bytes() == b"abc" and not outputs.files


@pytest.mark.parametrize("data", [None, b"", b"{", b"[]", b"null", b"{}", json.dumps(ENTRY | {"more": 1}).encode()])
def test_a_damaged_entry_is_none(data: bytes | None) -> None:
    assert DeliveredFile.from_bytes(data) is None
