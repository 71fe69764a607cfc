"""What is asked of the operating system: where temporary files go, which disk is not there, who holds a lock."""

from __future__ import annotations

import errno
import os
import tempfile
from pathlib import Path

import pytest
from filelock import FileLock

from pipeline.store import disk


@pytest.fixture
def no_choice_yet(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tempfile, "tempdir", None)


def test_temporary_files_never_go_to_the_current_folder(
    tmp_path: Path, no_choice_yet: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Python tries it last (documentation of tempfile.gettempdir), and a person may stand in the shoot."""
    (tmp_path / "shoot").mkdir()
    monkeypatch.chdir(tmp_path / "shoot")
    real = os.open

    def full(path, flags, *arguments, **keywords):
        if not Path(path).is_relative_to(tmp_path / "shoot"):
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(path, flags, *arguments, **keywords)

    monkeypatch.setattr(os, "open", full)
    with pytest.raises(OSError, match="No space"):
        disk.temporary_folder()
    assert list((tmp_path / "shoot").iterdir()) == []


def test_the_folder_that_is_named_counts_where_it_can_be_written(
    tmp_path: Path, no_choice_yet: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TMPDIR", str(tmp_path / "absent"))
    monkeypatch.setenv("TEMP", str(tmp_path))
    assert disk.temporary_folder() == tmp_path == Path(tempfile.gettempdir())


@pytest.mark.parametrize(
    ("folder", "mounts", "expected"),
    [
        ("/media/anna/NIGHTS/out", {"/"}, "/media/anna"),
        ("/media/anna/NIGHTS/out", {"/", "/media/anna/NIGHTS"}, None),
        ("/media/nights/2026/out", {"/", "/media/nights"}, None),
        ("/run/media/anna/NIGHTS/out", {"/", "/run"}, "/run/media/anna"),
        ("/mnt/nights/out", {"/"}, "/mnt/nights"),
        ("/mnt", {"/"}, None),
        ("/Volumes/NIGHTS/out", {"/"}, "/Volumes/NIGHTS"),
        ("/srv/nights/out", {"/"}, "/srv/nights"),
        ("/srv/nights/out", {"/", "/srv/nights"}, None),
        ("/srv/nights/out", {"/", "/srv"}, "/srv/nights"),
        ("/srv/old/out", {"/"}, None),
        ("/home/anna/out", {"/", "/home"}, None),
    ],
)
def test_which_disk_is_not_connected(
    tmp_path: Path, folder: str, mounts: set[str], expected: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """fstab(5) of Linux; Filesystem Hierarchy Standard 3.0, 3.11 /media and 3.12 /mnt."""
    (tmp_path / "fstab").write_text("# UUID=0 /srv/old ext4 defaults\nUUID=1 /srv/nights ext4 nofail 0 2\nshort\n")
    monkeypatch.setattr(disk, "_MOUNTS", tmp_path / "fstab")
    monkeypatch.setattr(Path, "is_mount", lambda self: str(self) in mounts)
    assert disk.absent_disk(Path(folder)) == (None if expected is None else Path(expected))


def test_a_lock_is_seen_without_writing(tmp_path: Path) -> None:
    assert not disk.is_held(tmp_path / "lock")
    with FileLock(tmp_path / "lock"):
        assert disk.is_held(tmp_path / "lock") == (os.name != "nt")
    assert not disk.is_held(tmp_path / "lock")


def test_a_user_without_a_home_has_no_cache_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown(*arguments: object, **keywords: object) -> Path:
        raise RuntimeError("could not determine the home directory")

    monkeypatch.setattr("platformdirs.user_cache_path", unknown)
    assert disk.user_cache_folder() is None
    monkeypatch.setattr("platformdirs.user_cache_path", lambda *a, **k: Path("/kept"))
    assert disk.user_cache_folder() == Path("/kept")
