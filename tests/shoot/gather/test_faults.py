"""What a night does to a copy: kills, full disks, failing readers, cards and disks pulled; never a false yes."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
from itertools import cycle
from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.shoot.gather import copying
from pipeline.shoot.gather.gather import Gathering
from pipeline.shoot.gather.target import Target
from pipeline.store import disk
from tests.shoot.gather.cards import FOLDER, content, gather, holds_all, put, snapshot, sums, unfinished, write_card

RAW = f"{FOLDER}/HALL0001.CR3"
linux = pytest.mark.skipif(sys.platform != "linux", reason="uses what Linux has")


def failing_read(monkeypatch: pytest.MonkeyPatch, path: Path, number: int, after: int = 0, then=lambda: None) -> None:
    """Reading `path` fails after so many calls."""
    opened, read = os.open, os.read
    numbers: set[int] = set()
    calls = 0

    def watched_open(name, *arguments, **keywords):
        found = opened(name, *arguments, **keywords)
        (numbers.add if str(name) == str(path) else numbers.discard)(found)
        return found

    def watched_read(found, size):
        nonlocal calls
        if found in numbers:
            calls += 1
            if calls > after:
                then()
                raise OSError(number, os.strerror(number))
        return read(found, size)

    monkeypatch.setattr(os, "open", watched_open)
    monkeypatch.setattr(os, "read", watched_read)


@pytest.mark.parametrize("after", [0, 1])
def test_a_file_that_the_card_cannot_give_is_named_and_the_rest_is_copied(
    tmp_path: Path, after: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    card, shoot = write_card(tmp_path / "CARD", size=200_000), tmp_path / "shoot"
    with monkeypatch.context() as patch:
        failing_read(patch, card / RAW, errno.EIO, after)
        (result,) = gather(card, shoot)
    assert not result.whole and f"{RAW}: cannot be read from the card (Input/output error)" in result.verdict()
    assert set(sums(shoot)) == {f"CARD/{p}" for p in sums(card)} - {f"CARD/{RAW}"} and not unfinished(shoot)
    assert gather(card, shoot)[0].whole  # the reader's contact is clean again


@pytest.mark.parametrize("times", [1, 9])
def test_a_folder_that_cannot_be_listed_is_no_yes(tmp_path: Path, times: int, monkeypatch: pytest.MonkeyPatch) -> None:
    card = write_card(tmp_path / "CARD")
    real, left = os.scandir, times

    def scandir(path):
        nonlocal left
        if str(path).endswith("PRIVATE") and left:
            left -= 1
            raise OSError(errno.EIO, "Input/output error")
        return real(path)

    monkeypatch.setattr(os, "scandir", scandir)
    (result,) = gather(card, tmp_path / "shoot")
    assert not result.whole and "PRIVATE: Input/output error" in result.verdict() and result.copied == 9


@pytest.mark.parametrize("leaves", ["nothing", "an empty folder"])
def test_a_card_that_is_pulled_is_said_and_taken_up_again(
    tmp_path: Path, leaves: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    card, shoot, away = write_card(tmp_path / "CARD", size=200_000), tmp_path / "shoot", tmp_path / "away"

    def pull() -> None:
        if not away.exists():
            card.rename(away)
            if leaves == "an empty folder":
                card.mkdir()

    with monkeypatch.context() as patch:
        failing_read(patch, card / FOLDER / "HALL0002.CR3", errno.ENODEV, 1, pull)
        (result,) = gather(card, shoot)
    assert not result.whole and "the card was taken out or has failed" in result.verdict() and not result.failed
    assert not unfinished(shoot)
    assert 0 < result.copied < result.found
    if card.exists():
        card.rmdir()
    away.rename(card)
    (result,) = gather(card, shoot)
    assert result.whole and sums(shoot) == {f"CARD/{path}": digest for path, digest in sums(card).items()}


def test_a_shoot_whose_disk_is_pulled_is_not_made_anew_elsewhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is left of a mount point is a folder on another disk, which looks as if it could be written."""
    card, shoot, second = write_card(tmp_path / "CARD"), tmp_path / "shoot", tmp_path / "second"
    real = copying.Part.verify

    def verify(self, digest, mtime):
        if len(sums(shoot)) == 3 and not (tmp_path / "away").exists():
            shoot.rename(tmp_path / "away")
            shoot.mkdir()
        return real(self, digest, mtime)

    monkeypatch.setattr(copying.Part, "verify", verify)
    (result,) = gather(card, shoot, second)
    assert not result.whole and f"{shoot} is not there any more" in result.verdict()
    assert list(shoot.iterdir()) == [] and holds_all(card, second)


def test_a_second_copy_that_cannot_be_begun_does_not_stop_the_first(tmp_path: Path) -> None:
    card = write_card(tmp_path / "CARD")
    put(tmp_path / "file", b"in the way")
    (result,) = gather(card, tmp_path / "shoot", tmp_path / "file" / "second")
    assert holds_all(card, tmp_path / "shoot") and not result.whole and "there is no second copy" in result.verdict()


def test_a_disk_that_gives_back_other_bytes_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    card, shoot = write_card(tmp_path / "CARD"), tmp_path / "shoot"
    real = os.write

    def write(number, data):
        data = bytes(data)
        return real(number, data if b"film" in data or len(data) != 3000 else data[:-1] + bytes([data[-1] ^ 4]))

    monkeypatch.setattr(os, "write", write)
    (result,) = gather(card, shoot)
    assert not result.whole and "does not give back what was written" in result.verdict() and len(result.failed) == 3
    assert set(sums(shoot).values()) <= set(sums(card).values()) and not unfinished(shoot)


@pytest.mark.parametrize("mode", ["ab", "r+b"], ids=["grows", "changes in place"])
@pytest.mark.parametrize("times", [1, 2])
def test_a_file_that_changes_while_it_is_read_is_read_again_or_named(
    tmp_path: Path, times: int, mode: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    card, shoot = write_card(tmp_path / "CARD", size=200_000), tmp_path / "shoot"
    real, left = copying.Source.copy, times

    def copy(self, parts, progress):
        nonlocal left
        if self.entry.path == RAW and left:
            left -= 1
            with (card / RAW).open(mode) as file:
                file.write(b"more")
        return real(self, parts, progress)

    monkeypatch.setattr(copying.Source, "copy", copy)
    (result,) = gather(card, shoot)
    assert (f"{RAW}: changes while it is read" in result.verdict()) == (times == 2)
    assert result.whole == holds_all(card, shoot) == (times == 1)
    assert set(sums(shoot).values()) <= set(sums(card).values()) and not unfinished(shoot)


def test_what_changes_on_the_card_after_it_was_copied_is_no_yes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    card = write_card(tmp_path / "CARD")
    real = copying.Part.settle

    def settle(self, final):
        real(self, final)
        if final.name == "HALL0002.CR3":
            put(card / RAW, content("rated a moment later"))

    monkeypatch.setattr(copying.Part, "settle", settle)
    (result,) = gather(card, tmp_path / "shoot")
    assert not result.whole and f"{RAW} changed while the card was read" in result.verdict()


def test_what_comes_to_the_card_meanwhile_is_no_yes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    card = write_card(tmp_path / "CARD")
    real = copying.Part.verify

    def verify(self, digest, mtime):
        put(card / FOLDER / "HALL0100.CR3", content("just now"))
        return real(self, digest, mtime)

    monkeypatch.setattr(copying.Part, "verify", verify)
    (result,) = gather(card, tmp_path / "shoot")
    assert not result.whole and "HALL0100.CR3 appeared on it while the card was read" in result.verdict()


def test_a_copy_that_is_taken_away_before_the_end_is_no_yes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    card, shoot = write_card(tmp_path / "CARD"), tmp_path / "shoot"
    real = copying.Part.settle

    def settle(self, final):
        real(self, final)
        if final.name == "HALL0002.CR3":
            (shoot / "CARD" / RAW).unlink()

    monkeypatch.setattr(copying.Part, "settle", settle)
    (result,) = gather(card, shoot)
    assert not result.whole and "no longer found where it was copied" in result.verdict()


@pytest.mark.parametrize("way", ["hard link", "exclusive rename", "reserved name"])
def test_a_file_that_comes_at_the_last_moment_is_not_written_over(
    tmp_path: Path, way: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    if way != "hard link":
        monkeypatch.setattr(os, "link", lambda *a, **k: (_ for _ in ()).throw(OSError(errno.EPERM, "no links")))
    if way == "reserved name":
        monkeypatch.setattr(disk, "_rename_exclusively", lambda part, final: False)
    card, shoot = tmp_path / "CARD", tmp_path / "shoot"
    put(card / RAW, content("mine"))
    real = disk.move

    def move(part, final):
        if final.name == "HALL0001.CR3":
            put(final, b"theirs")
        real(part, final)

    monkeypatch.setattr(disk, "move", move)
    (result,) = gather(card, shoot)
    assert (shoot / "CARD" / RAW).read_bytes() == b"theirs"
    assert (shoot / "CARD" / FOLDER / "HALL0001-2.CR3").read_bytes() == content("mine")
    assert result.whole and not unfinished(shoot) and len(sums(shoot)) == 2


@pytest.mark.parametrize("way", ["exclusive rename", "reserved name"])
def test_disks_without_hard_links_do_as_well(tmp_path: Path, way: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "link", lambda *a, **k: (_ for _ in ()).throw(OSError(errno.EPERM, "no links")))
    if way == "reserved name":
        monkeypatch.setattr(disk, "_rename_exclusively", lambda part, final: False)
    card, shoot = write_card(tmp_path / "CARD"), tmp_path / "shoot"
    assert gather(card, shoot)[0].whole
    assert sums(shoot) == {f"CARD/{path}": digest for path, digest in sums(card).items()} and not unfinished(shoot)


def test_a_link_whose_answer_a_network_lost_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.link

    def link(*arguments, **keywords):
        real(*arguments, **keywords)
        raise FileExistsError(errno.EEXIST, "File exists")

    monkeypatch.setattr(os, "link", link)
    card, shoot = write_card(tmp_path / "CARD"), tmp_path / "shoot"
    assert gather(card, shoot)[0].whole
    assert set(sums(shoot)) == {f"CARD/{path}" for path in sums(card)}


def test_two_gathers_do_not_copy_into_one_folder_at_once(tmp_path: Path) -> None:
    card, shoot = write_card(tmp_path / "CARD"), tmp_path / "shoot"
    part = put(shoot / ".evencourt-part-gather-1-x", b"of the other one")
    with Target(shoot).locked():
        part.write_bytes(b"of the other one")
        with pytest.raises(InputError, match="another gather is copying"):
            gather(card, shoot)
        assert part.exists()
        (result,) = gather(card, tmp_path / "elsewhere", shoot)  # as a second copy, it does not stop the first
        assert part.exists() and not result.whole and holds_all(card, tmp_path / "elsewhere")
    assert gather(card, shoot)[0].whole and not part.exists()


def test_what_other_programs_left_in_the_shoot_stays(tmp_path: Path) -> None:
    """Only gather's own unfinished copies are removed; other commands write with a like name."""
    shoot = tmp_path / "shoot"
    kept = put(shoot / ".evencourt-part-77-x", b"shoot.yaml, while prepare writes it")
    gather(write_card(tmp_path / "CARD"), shoot)
    assert kept.exists()


def test_a_disk_that_keeps_no_times_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def utime(*arguments, **keywords):
        raise PermissionError(errno.EPERM, "Operation not permitted")

    card = write_card(tmp_path / "CARD")
    monkeypatch.setattr(os, "utime", utime)
    gathering = Gathering([card], tmp_path / "shoot")
    gathering.run(lambda size, files: None, lambda size, files: None)
    assert gathering.results[0].whole and any(
        "does not keep the times of files; 10 files" in n for n in gathering.notes
    )


def test_stopping_by_hand_leaves_nothing_half_written(tmp_path: Path) -> None:
    card, shoot = write_card(tmp_path / "CARD", size=200_000), tmp_path / "shoot"
    before = snapshot(card)
    gathering = Gathering([card], shoot)
    seen = 0

    def progress(size: int, files: int) -> None:
        nonlocal seen
        seen += size
        if seen > 500_000:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        gathering.run(lambda size, files: None, progress)
    (result,) = gathering.results
    assert not result.whole and not result.complete and not unfinished(shoot)
    assert set(sums(shoot).values()) < set(sums(card).values())
    listed = (shoot / "gathered.sha256").read_text().splitlines()
    assert {line[66:]: line[:64] for line in listed} == sums(shoot)
    assert {p: s[:5] for p, s in snapshot(card).items()} == {p: s[:5] for p, s in before.items()}
    assert gather(card, shoot)[0].whole


def test_a_system_that_writes_or_reads_less_than_it_was_given_loses_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """POSIX.1-2017, read() and write(): fewer bytes than asked for are no error."""
    write, read, most = os.write, os.read, cycle((1, 700, 300, 1000))
    monkeypatch.setattr(os, "write", lambda number, data: write(number, bytes(data)[: next(most)]))
    monkeypatch.setattr(os, "read", lambda number, size: read(number, min(size, next(most))))
    card, shoot = write_card(tmp_path / "CARD", size=25_000), tmp_path / "shoot"
    assert gather(card, shoot)[0].whole and holds_all(card, shoot)
    assert gather(card, shoot)[0].copied == 0


def test_a_file_that_ends_too_early_is_no_copy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    card, shoot = write_card(tmp_path / "CARD", size=200_000), tmp_path / "shoot"
    opened, read = os.open, os.read
    short: set[int] = set()

    def watched_open(name, *arguments, **keywords):
        found = opened(name, *arguments, **keywords)
        (short.add if str(name) == str(card / RAW) else short.discard)(found)
        return found

    def watched_read(number, size):
        if number in short and os.lseek(number, 0, os.SEEK_CUR) >= copying.HEAD:
            return b""  # as some readers do in place of an error
        return read(number, size)

    monkeypatch.setattr(os, "open", watched_open)
    monkeypatch.setattr(os, "read", watched_read)
    (result,) = gather(card, shoot)
    assert not result.whole and RAW in result.verdict() and f"CARD/{RAW}" not in sums(shoot)


@linux
def test_a_card_of_another_user_is_read_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """open(2) of Linux: O_NOATIME is EPERM where the file is another user's."""
    real = os.open

    def opened(path, flags, *arguments, **keywords):
        if flags & os.O_NOATIME:
            raise PermissionError(errno.EPERM, "Operation not permitted")
        return real(path, flags, *arguments, **keywords)

    monkeypatch.setattr(os, "open", opened)
    assert gather(write_card(tmp_path / "CARD"), tmp_path / "shoot")[0].whole


@linux
def test_every_byte_is_read_back_from_the_device(tmp_path: Path) -> None:
    """The kernel counts the sectors of 512 bytes that a device was asked for (iostats.rst of its documentation)."""
    disk_file, folder = tmp_path / "disk.img", tmp_path / "disk"
    folder.mkdir()
    disk_file.write_bytes(b"")
    os.truncate(disk_file, 32 << 20)
    for command in (["mkfs.ext4", "-q", "-F", str(disk_file)], ["mount", "-o", "loop", str(disk_file), str(folder)]):
        if shutil.which(command[0]) is None or subprocess.run(command, capture_output=True, timeout=60).returncode:
            pytest.skip("no disk image can be mounted here")
    try:
        device = folder.stat().st_dev
        counts = Path(f"/sys/dev/block/{os.major(device)}:{os.minor(device)}/stat")
        card = tmp_path / "CARD"
        for i in range(4):
            put(card / FOLDER / f"HALL{i}.CR3", content(f"{i}", 3_000_000))
        before = int(counts.read_text().split()[2])
        assert gather(card, folder / "shoot")[0].whole
        assert (int(counts.read_text().split()[2]) - before) * 512 >= 12_000_000
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True, timeout=60)


@linux
def test_neither_a_link_nor_a_pipe_is_opened(tmp_path: Path) -> None:
    """Should one take the place of a file after the card was listed."""
    put(tmp_path / "file", b"outside")
    (tmp_path / "link").symlink_to(tmp_path / "file")
    os.mkfifo(tmp_path / "pipe")
    for name in ("link", "pipe"):
        with pytest.raises(OSError):
            disk.open_to_read(tmp_path / name)
    with pytest.raises(FileExistsError):
        disk.create(tmp_path / "file")
