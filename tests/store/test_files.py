"""Files that appear whole or not at all."""

from __future__ import annotations

import errno
import io
import os
from pathlib import Path

import pytest

from pipeline.store import files
from pipeline.store.files import write_atomic


def test_write_replaces_whole(tmp_path: Path) -> None:
    path = tmp_path / "file.jpg"
    write_atomic(path, b"old")
    write_atomic(path, b"new")
    assert path.read_bytes() == b"new"
    assert [p.name for p in tmp_path.iterdir()] == ["file.jpg"]


@pytest.mark.parametrize("call", ["os.fsync", "pathlib.Path.replace"])
def test_a_failed_write_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    path = tmp_path / "file.jpg"
    path.write_bytes(b"old")

    def fail(*arguments: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(call, fail)
    with pytest.raises(OSError, match="No space") as caught:
        write_atomic(path, b"new")
    assert caught.value.filename == str(path)
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["file.jpg"]


def test_a_file_that_is_there_may_have_to_stay(tmp_path: Path) -> None:
    path = tmp_path / "shoot.yaml"
    write_atomic(path, b"first", replaces=False)
    with pytest.raises(FileExistsError):
        write_atomic(path, b"second", replaces=False)
    assert path.read_bytes() == b"first" and [p.name for p in tmp_path.iterdir()] == ["shoot.yaml"]


def test_a_disk_that_cannot_flush_is_used_without(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """fsync(2) of Linux: EINVAL where a file does not support synchronisation, as on some network and FUSE disks."""

    def fsync(number: int) -> None:
        raise OSError(errno.EINVAL, "Invalid argument")

    monkeypatch.setattr(os, "fsync", fsync)
    write_atomic(tmp_path / "file", b"data")
    assert (tmp_path / "file").read_bytes() == b"data"


@pytest.mark.parametrize(("times", "works"), [(2, True), (3, False)])
def test_a_failure_of_a_moment_is_tried_again(
    tmp_path: Path, times: int, works: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    refusals, fsync = iter([True] * times), os.fsync

    def refuse(number: int) -> None:
        if next(refusals, False):
            raise OSError(errno.EIO, "Input/output error")
        fsync(number)

    monkeypatch.setattr(os, "fsync", refuse)
    monkeypatch.setattr(files.time, "sleep", lambda seconds: None)
    if works:
        write_atomic(tmp_path / "file", b"new")
    else:
        with pytest.raises(OSError, match="Input/output"):
            write_atomic(tmp_path / "file", b"new")
    assert [p.name for p in tmp_path.iterdir()] == (["file"] if works else [])


def test_what_a_disk_refuses_when_the_file_is_closed_names_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As network disks do with a quota: close(2) of Linux."""

    class Full(io.BufferedRandom):
        def close(self) -> None:
            if self.closed:
                return
            super().close()
            raise OSError(errno.EDQUOT, "Disk quota exceeded")

    monkeypatch.setattr(os, "fdopen", lambda opened, mode: Full(io.FileIO(opened, "w+")))
    with pytest.raises(OSError, match="quota") as caught:
        write_atomic(tmp_path / "file", b"new")
    assert caught.value.filename == str(tmp_path / "file") and list(tmp_path.iterdir()) == []


def test_a_name_as_long_as_the_system_allows(tmp_path: Path) -> None:
    path = tmp_path / ("x" * 251 + ".jpg")  # 255 bytes: NAME_MAX of Linux, limits.h
    write_atomic(path, b"data")
    assert path.read_bytes() == b"data"


@pytest.mark.skipif(os.name == "nt", reason="Windows knows no permission bits")
def test_files_are_as_readable_as_any_other(tmp_path: Path) -> None:
    (tmp_path / "plain").write_bytes(b"")
    write_atomic(tmp_path / "atomic", b"")
    assert (tmp_path / "atomic").stat().st_mode == (tmp_path / "plain").stat().st_mode


@pytest.mark.parametrize(("windows", "held", "works"), [(True, 2, True), (True, 99, False), (False, 1, False)])
def test_a_file_that_is_held_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, windows: bool, held: int, works: bool
) -> None:
    refusals = iter([True] * held)
    replace = Path.replace

    def refuse(self: Path, target: Path) -> Path:
        if next(refusals, False):
            raise PermissionError(13, "in use")
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", refuse)
    monkeypatch.setattr(files, "_WINDOWS", windows)
    monkeypatch.setattr(files.time, "sleep", lambda seconds: None)
    if works:
        write_atomic(tmp_path / "file", b"new")
    else:
        with pytest.raises(PermissionError):
            write_atomic(tmp_path / "file", b"new")
    assert [p.name for p in tmp_path.iterdir()] == (["file"] if works else [])
