"""Bytes decide: a file is read again unless the file system vouches for every change since it was read."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from pipeline.store import digests
from pipeline.store.cache import Cache
from pipeline.store.digests import read_digest
from pipeline.store.keys import digest_file
from pipeline.store.store import Store
from pipeline.types import Frame

posix = pytest.mark.skipif(os.name == "nt", reason="Windows has no time of the last change of a file's record")


@pytest.fixture
def frame(tmp_path: Path) -> Frame:
    (tmp_path / "shoot").mkdir()
    path = tmp_path / "shoot" / "TH1_0001.dng"
    path.write_bytes(b"abc")
    return Frame("TH1_0001", path, path.name, "raw")


def store(tmp_path: Path, cache: Cache, name: str = "out") -> Store:
    return Store.open(tmp_path / name, tmp_path / "shoot", cache)


@posix
@pytest.mark.parametrize("way", ["in place", "another file"])
def test_a_change_behind_the_same_size_and_time(
    tmp_path: Path, frame: Frame, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    monkeypatch.setattr(digests, "SETTLED", 0)
    os.utime(frame.path, ns=(10**18, 10**18))
    cache = Cache.open(tmp_path / "cache")
    first = store(tmp_path, cache)
    before = first.frame_digest(frame)
    first.save_digests()
    time.sleep(0.02)  # a tick of the clock of the file system
    if way == "in place":
        with frame.path.open("r+b") as file:
            file.write(b"abd")
    else:
        other = tmp_path / "other"
        other.write_bytes(b"abd")
        other.replace(frame.path)
    os.utime(frame.path, ns=(10**18, 10**18))
    for again in (first, store(tmp_path, cache), store(tmp_path, cache, "another")):
        assert again.frame_digest(frame) == digest_file(frame.path) != before


def test_a_file_that_has_just_changed_is_not_trusted(frame: Frame) -> None:
    """It may change once more without another time: FAT keeps times to 2 s (FAT file system specification)."""
    known = read_digest(frame.path)
    found = frame.path.stat()
    assert known.looks_like(found)
    now = found.st_ctime_ns
    assert not known._replace(read=now + 1_900_000_000).is_of(found)
    assert known._replace(read=now + 2_000_000_000).is_of(found)
    assert not known._replace(read=0).is_of(found)


@pytest.mark.parametrize("part", ["size", "mtime", "changed", "inode", "device"])
def test_each_thing_that_the_file_system_says_counts(frame: Frame, part: str) -> None:
    """A network disk that numbers its files anew only costs reading them again."""
    known = read_digest(frame.path)
    known = known._replace(read=known.changed + digests.SETTLED)
    found = frame.path.stat()
    assert known.is_of(found)
    assert not known._replace(**{part: getattr(known, part) - 1}).is_of(found)


def test_a_file_that_changes_while_it_is_read_is_read_again(frame: Frame, monkeypatch: pytest.MonkeyPatch) -> None:
    def slow(path: Path) -> str:
        found = digest_file(path)
        path.write_bytes(b"longer")
        return found

    monkeypatch.setattr(digests, "SETTLED", -(10**12))
    monkeypatch.setattr(digests, "digest_file", slow)
    assert read_digest(frame.path).read == 0


def test_another_store_need_not_read_what_the_cache_knows(
    tmp_path: Path, frame: Frame, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(digests, "SETTLED", 0)
    read: list[Path] = []
    monkeypatch.setattr(digests, "digest_file", lambda path: read.append(path) or digest_file(path))
    cache = Cache.open(tmp_path / "cache")
    for name in ("one", "two", "three"):
        one = store(tmp_path, cache, name)
        # FIPS 180-4, example "abc"
        assert one.frame_digest(frame) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        one.save_digests()
        assert set(one.frames_seen()) == {("TH1_0001.dng", 3)}
    assert len(read) == 1
    (kept,) = (tmp_path / "cache" / "digests").iterdir()
    kept.write_bytes(b"[1, 2")
    assert store(tmp_path, cache, "four").frame_digest(frame) == digest_file(frame.path)
    assert len(read) == 2
