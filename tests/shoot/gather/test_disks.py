"""Copies onto disks that are too small, fill up, or are the card itself: real file systems, mounted for the test."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.shoot.gather.gather import Gathering
from pipeline.shoot.gather.target import Target
from tests.shoot.gather.cards import FOLDER, content, gather, holds_all, put, sums, unfinished, write_card


def mounted(folder: Path, size: str) -> bool:
    folder.mkdir()
    if os.name == "nt" or os.geteuid() != 0 or shutil.which("mount") is None:
        return False
    return subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "none", str(folder)], capture_output=True, timeout=60
    ).returncode == 0  # fmt: skip


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of one megabyte."""
    folder = tmp_path / "disk"
    if not mounted(folder, "1m"):
        pytest.skip("no file system can be mounted here")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True, timeout=60)


def test_a_disk_that_is_too_small_is_said_before_anything_is_copied(tmp_path: Path, small_disk: Path) -> None:
    card = write_card(tmp_path / "CARD", size=600_000)
    (result,) = gather(card, small_disk / "shoot")
    assert not result.whole and "nothing was copied" in result.verdict() and " free, and at least " in result.verdict()
    assert sums(small_disk) == {}


def test_a_card_that_is_there_for_the_most_part_needs_room_for_the_rest_only(tmp_path: Path, small_disk: Path) -> None:
    card = write_card(tmp_path / "CARD", size=100_000)  # 0.6 MB
    assert gather(card, small_disk / "shoot")[0].whole
    put(card / FOLDER / "HALL0004.CR3", content("later", 200_000))
    assert gather(card, small_disk / "shoot")[0].whole


@pytest.mark.parametrize("which", ["to", "also"])
def test_a_disk_that_fills_up_keeps_what_is_whole_and_the_other_copy_goes_on(
    tmp_path: Path, small_disk: Path, which: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Target, "free", lambda self: 10**12)  # a disk that does not tell the truth
    card = write_card(tmp_path / "CARD", size=300_000)
    full, other = small_disk / "shoot", tmp_path / "other"
    (result,) = gather(card, full, other) if which == "to" else gather(card, other, full)
    assert not result.whole and result.verdict().count(f"{full} is full") == 1 and not result.failed
    assert f"{result.gathered} of 10 files in {full}" in result.verdict() and result.gathered < 10
    assert f"10 of 10 files in {other}" in result.verdict()
    assert holds_all(card, other) and not unfinished(full) and 0 < len(sums(full)) < len(sums(card))
    assert set(sums(full).values()) <= set(sums(card).values())


def test_room_for_the_second_copy_only_lacking_does_not_stop_the_first(tmp_path: Path, small_disk: Path) -> None:
    card = write_card(tmp_path / "CARD", size=600_000)
    (result,) = gather(card, tmp_path / "shoot", small_disk / "second")
    assert holds_all(card, tmp_path / "shoot") and not result.whole and "second has " in result.verdict()


def test_a_shoot_on_the_card_itself_is_refused(tmp_path: Path, small_disk: Path) -> None:
    write_card(small_disk, size=1000)
    for card in (small_disk, small_disk / "DCIM"):
        with pytest.raises(InputError, match=r"lies on the card|on the same disk"):
            Gathering([card], small_disk / "shoot")
    (tmp_path / "again").mkdir()
    (small_disk / "DCIM").rename(small_disk / "frames")
    if _bind(small_disk / "frames", tmp_path / "again"):
        try:
            with pytest.raises(InputError, match="on the same disk"):
                Gathering([small_disk], tmp_path / "again" / "shoot")
        finally:
            subprocess.run(["umount", "-l", str(tmp_path / "again")], check=True, timeout=60)


def _bind(folder: Path, at: Path) -> bool:
    return subprocess.run(["mount", "--bind", str(folder), str(at)], timeout=60).returncode == 0
