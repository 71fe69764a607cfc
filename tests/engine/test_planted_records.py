"""The records of files that stand: what is planted or damaged there leads to no file elsewhere."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from pipeline.engine.earlier import DeliveredFile, keep_done, keep_names, read_done, refuse_other_shoot
from pipeline.engine.outputs import Outputs
from pipeline.errors import InputError
from pipeline.report.record import Counts, FrameRecord, RunRecord, write_record
from pipeline.shoot.facts import Facts
from pipeline.store.keys import record_name
from pipeline.store.source import Source
from pipeline.store.store import Store
from pipeline.types import Exif, Frame

ENTRY: dict[str, Any] = {
    "relative": "web/TH1_0001.jpg", "key": "k", "sha256": "0" * 64, "bytes": 3, "width": 4, "height": 2, "quality": 88,
    "scan": "", "thumb": "", "notices": [], "frame": "TH1_0001", "text": "", "mtime": 1,
}  # fmt: skip


@pytest.fixture
def store(tmp_path: Path) -> Store:
    (tmp_path / "shoot").mkdir()
    return Store.open(tmp_path / "out", tmp_path / "shoot")


def test_an_entry_is_read_back_as_it_was_kept(store: Store) -> None:
    name = record_name(ENTRY["relative"])
    store.put("done", name, json.dumps(ENTRY).encode())
    entry = read_done(store, name)
    assert entry is not None and entry.relative == ENTRY["relative"] and entry.current
    keep_done(store, entry)
    assert read_done(store, name) == entry


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
def test_a_planted_path_removes_nothing(tmp_path: Path, store: Store, relative: object) -> None:
    outside = tmp_path / "kept.jpg"
    outside.write_bytes(b"abc")
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"  # of "abc": FIPS 180-4, appendix B.1
    name = record_name(str(relative))
    store.put("done", name, json.dumps(ENTRY | {"relative": relative, "sha256": digest}).encode())
    outputs = Outputs(store)
    planner = SimpleNamespace(shoot=SimpleNamespace(facts=Facts()))  # not asked about what is no record
    outputs.settle(planner, {}, set())  # type: ignore[arg-type]
    assert outside.read_bytes() == b"abc" and not outputs.files


@pytest.mark.parametrize(
    "data",
    [b"", b"{", b"[]", b"null", b"{}", *(json.dumps(ENTRY | change).encode() for change in (
        {"sha256": "0" * 63}, {"sha256": "X" * 64}, {"bytes": -1}, {"bytes": 1 << 80}, {"bytes": "3"}, {"mtime": None},
        {"notices": "text"}, {"width": 4.5}, {"replaced": "../x"}, {"frame": ["a"]}, {"thumb": {}},
        {"light": [10**400, 0, 0, 0]}, {"light_before": [0.5, 0, 0, -(10**400)]},
    ))],
)  # fmt: skip
def test_a_damaged_entry_is_none(store: Store, data: bytes) -> None:
    name = record_name(ENTRY["relative"])
    store.put("done", name, data)
    assert read_done(store, name) is None and store.damage_notice()


def test_an_entry_counts_only_under_its_own_name(store: Store) -> None:
    store.put("done", record_name("web/TH1_0002.jpg"), json.dumps(ENTRY).encode())
    assert read_done(store, record_name("web/TH1_0002.jpg")) is None


def test_what_cannot_be_read_is_not_ours() -> None:
    """A file that was announced over nothing: "" is the SHA-256 of no file."""
    assert not DeliveredFile(**ENTRY | {"mtime": 0, "replaced": "", "notices": ()}).is_ours("")


@pytest.mark.parametrize("lost", [(), ("source.json",), ("digests.json",), ("source.json", "digests.json")])
def test_another_shoot_is_refused_also_where_records_are_lost(
    store: Store, tmp_path: Path, lost: tuple[str, ...]
) -> None:
    """Its pictures would take the place of those of the first, where frames have the same names."""
    frames = []
    for folder, data in (("shoot", b"one"), ("other", b"another")):
        (tmp_path / folder).mkdir(exist_ok=True)
        path = tmp_path / folder / "TH1_0001.dng"
        path.write_bytes(data)
        frames.append(Frame("TH1_0001", path, path.name, "raw", number=1))
    store.frame_digest(frames[0])
    store.save_digests()
    store.keep_source(Source.of(tmp_path / "shoot", None))
    keep_names(store, frames[:1], Facts())
    store.put("done", record_name(ENTRY["relative"]), json.dumps(ENTRY).encode())
    for name in lost:
        (store.work / name).write_bytes(b"")
    again = Store(store.out)
    refuse_other_shoot(again, tmp_path / "shoot", frames[:1])
    with pytest.raises(InputError, match="delivered from another shoot"):
        refuse_other_shoot(again, tmp_path / "other", frames[1:])


@pytest.fixture
def delivered(store: Store, tmp_path: Path) -> tuple[Store, list[Frame]]:
    """A store that knows a delivery of ten frames of tmp_path/shoot, all of one size."""
    frames = shoot_of(tmp_path / "shoot", range(10))
    for frame in frames:
        store.frame_digest(frame)
    store.save_digests()
    store.keep_source(Source.of(tmp_path / "shoot", None))
    keep_names(store, frames, Facts())
    store.put("done", record_name(ENTRY["relative"]), json.dumps(ENTRY).encode())
    return store, frames


def shoot_of(folder: Path, marks: range, first: int = 1) -> list[Frame]:
    """Frames of one size; `marks` are what their bytes say."""
    folder.mkdir(exist_ok=True)
    frames = []
    for number, mark in enumerate(marks, first):
        path = folder / f"TH1_{number:04d}.dng"
        path.write_bytes(b"raw %06d" % mark)
        frames.append(Frame(path.stem, path, path.name, "raw", number=number))
    return frames


@pytest.mark.parametrize("lost", [(), ("digests.json",), ("source.json", "digests.json")])
def test_other_frames_of_the_same_names_and_sizes_are_refused(
    delivered: tuple[Store, list[Frame]], tmp_path: Path, lost: tuple[str, ...]
) -> None:
    """Cameras count anew, and uncompressed raws all have one size."""
    for name in lost:
        (delivered[0].work / name).write_bytes(b"")
    other = shoot_of(tmp_path / "other", range(100, 120))
    with pytest.raises(InputError, match="holds 1 file delivered from another shoot; give another --out"):
        refuse_other_shoot(Store(delivered[0].out), tmp_path / "other", other)


@pytest.mark.parametrize("lost", [(), ("digests.json",), ("source.json", "digests.json")])
@pytest.mark.parametrize("marks", [range(10), range(4), range(200)])
def test_a_shoot_that_was_copied_elsewhere_and_grew_or_shrank_is_accepted(
    delivered: tuple[Store, list[Frame]], tmp_path: Path, marks: range, lost: tuple[str, ...]
) -> None:
    for name in lost:
        (delivered[0].work / name).write_bytes(b"")
    refuse_other_shoot(Store(delivered[0].out), tmp_path / "copy", shoot_of(tmp_path / "copy", marks))


def times_of(frames: list[Frame], day: int) -> list[Frame]:
    return [replace(f, exif=Exif(time=datetime(2026, 2, day, 19, 30, f.number))) for f in frames]


def keep_times(out: Path, frames: list[Frame]) -> None:
    """What a finished run records of these frames."""
    seen = {f.name: FrameRecord(f.relative, "delivered", time=f.exif.time.isoformat()) for f in frames if f.exif.time}
    write_record(out, RunRecord("", "done", "", "", "", {}, "", Counts(), [], seen))


@pytest.mark.parametrize("lost", [(), ("digests.json",)])
def test_another_evening_under_the_same_path_is_refused(
    delivered: tuple[Store, list[Frame]], tmp_path: Path, lost: tuple[str, ...]
) -> None:
    """A card is found under the same path every evening."""
    for name in lost:
        (delivered[0].work / name).write_bytes(b"")
    keep_times(delivered[0].out, times_of(delivered[1], 14))
    other = times_of(shoot_of(tmp_path / "shoot", range(100, 120)), 15)
    with pytest.raises(InputError, match="delivered from other frames, which were in "):
        refuse_other_shoot(Store(delivered[0].out), tmp_path / "shoot", other)


def test_frames_that_were_renamed_or_changed_where_they_are_stay_the_same_shoot(
    delivered: tuple[Store, list[Frame]], tmp_path: Path
) -> None:
    store, frames = delivered
    for frame in frames:
        frame.path.unlink()
    refuse_other_shoot(Store(store.out), tmp_path / "shoot", shoot_of(tmp_path / "shoot", range(10), first=500))
    keep_times(store.out, times_of(frames, 14))
    changed = times_of(shoot_of(tmp_path / "shoot", range(100, 110)), 14)
    refuse_other_shoot(Store(store.out), tmp_path / "shoot", changed)


def test_only_a_few_frames_are_read_to_tell_shoots_apart(
    delivered: tuple[Store, list[Frame]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[str] = []
    again = Store(delivered[0].out)
    monkeypatch.setattr(again, "frame_digest", lambda frame: read.append(frame.name) or "0" * 64)
    with pytest.raises(InputError, match="another shoot"):
        refuse_other_shoot(again, tmp_path / "other", shoot_of(tmp_path / "other", range(100, 110)))
    assert len(read) == 5 and {name[-4:] > "0005" for name in read} == {True, False}
