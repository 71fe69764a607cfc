"""evencourt gather on the command line: what it prints and how it exits."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipeline.cli import gather as command
from pipeline.cli.app import app
from pipeline.errors import InputError
from pipeline.shoot.gather import gather
from tests.shoot.gather.cards import FOLDER, content, holds_all, put, write_card


def run(*arguments: object):
    return CliRunner().invoke(app, ["gather", *map(str, arguments)])


def last(result) -> str:
    return result.stdout.strip().splitlines()[-1]


@pytest.fixture
def as_it_is() -> None:
    """The disks as the system tells them."""


@pytest.fixture(autouse=True)
def _a_disk_of_its_own(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """A card is one; a folder that stands for it here is not."""
    if "as_it_is" not in request.fixturenames:
        monkeypatch.setattr(gather, "_share_disk", lambda card, target: False)


def test_a_folder_on_the_disk_of_its_copy_is_not_safe_to_format(tmp_path: Path, as_it_is: None) -> None:
    card = write_card(tmp_path / "CARD")
    result = run(card, "--to", tmp_path / "shoot")
    assert result.exit_code == 1 and holds_all(card, tmp_path / "shoot") and "yes" not in result.stdout
    assert f"safe to format: no, because it is a folder on the disk of {tmp_path / 'shoot'}" in last(result)
    assert "to empty it, delete its files: all 10 files stand in " in last(result)


@pytest.mark.skipif(not os.access("/dev/shm", os.W_OK), reason="there is no disk in memory to stand for a card")
def test_a_card_on_another_disk_is_safe_to_format(tmp_path: Path, as_it_is: None) -> None:
    with tempfile.TemporaryDirectory(dir="/dev/shm") as disk:
        card = write_card(Path(disk) / "CARD")
        if card.stat().st_dev == tmp_path.stat().st_dev:
            pytest.skip("the temporary folder is on that disk too")
        result = run(card, "--to", tmp_path / "shoot")
        assert result.exit_code == 0 and last(result).startswith(f"{card}: safe to format: yes, because all 10 files")
        other = run(card, "--to", Path(disk) / "shoot", "--also", tmp_path / "second")
        assert other.exit_code == 1 and f"on the disk of {Path(disk) / 'shoot'}: to format" in last(other)


def test_a_card_that_is_copied_ends_with_yes_and_status_0(tmp_path: Path) -> None:
    card = write_card(tmp_path / "CARD")
    result = run(card, "--to", tmp_path / "shoot", "--also", tmp_path / "second")
    assert result.exit_code == 0
    assert last(result).startswith(f"{card}: safe to format: yes, because all 10 files stand in ")
    assert f"10 files copied to {tmp_path / 'shoot' / 'CARD'} and {tmp_path / 'second' / 'CARD'}" in result.stdout
    again = run(card, "--to", tmp_path / "shoot", "--also", tmp_path / "second")
    assert again.exit_code == 0 and "10 files already there" in again.stdout and "yes, because" in last(again)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="needs a card of which all can be read")
def test_each_card_has_its_own_answer(tmp_path: Path) -> None:
    good, bad = write_card(tmp_path / "good"), tmp_path / "bad"
    bad.mkdir()
    result = run(good, bad, "--to", tmp_path / "shoot")
    lines = result.stdout.strip().splitlines()
    assert result.exit_code == 1 and "good: safe to format: yes, because" in lines[-2]
    assert "bad: safe to format: no, because no file was found on it" in lines[-1]


def test_a_changed_name_is_said(tmp_path: Path) -> None:
    card = write_card(tmp_path / "CARD")
    run(card, "--to", tmp_path / "shoot")
    put(card / FOLDER / "HALL0001.CR3", content("two"))
    assert "HALL0001-2.CR3" in run(card, "--to", tmp_path / "shoot").stderr


def test_a_copy_that_went_bad_is_named_each_time_with_its_folder(tmp_path: Path) -> None:
    card, shoot, second = write_card(tmp_path / "CARD"), tmp_path / "shoot", tmp_path / "second"
    run(card, "--to", shoot, "--also", second)
    bad = second / "CARD" / FOLDER / "HALL0001.CR3"
    with bad.open("ab") as file:
        file.write(b"more")
    good = bad.with_name("HALL0001-2.CR3")
    for attempt in range(2):
        result = run(card, "--to", shoot, "--also", second)
        assert result.exit_code == 0 and good.exists()
        assert f"{bad} no longer has the bytes that were gathered" in result.stderr
        assert f"{good} is as on the card" in result.stderr
        assert "HALL0001.JPG no longer" not in result.stderr and str(shoot) not in result.stderr
        if not attempt:
            assert f"; 1 file copied to {second / 'CARD'}, 9 files already there" in result.stdout
            assert f"{FOLDER}/HALL0001.CR3 is {good} now" in result.stderr
    assert not (shoot / "CARD" / FOLDER / "HALL0001-2.CR3").exists()


def test_where_files_went_is_said_as_it_is(tmp_path: Path) -> None:
    """Of a card of two frames one copy is bad: the card gets no new folder, so none is named."""
    card, shoot, second = tmp_path / "CARD", tmp_path / "shoot", tmp_path / "second"
    for name in ("HALL0001.CR3", "HALL0002.CR3"):
        put(card / FOLDER / name, content(name))
    run(card, "--to", shoot, "--also", second)
    put(second / "CARD" / FOLDER / "HALL0001.CR3", content("bad", 2000))
    result = run(card, "--to", shoot, "--also", second)
    assert f"; 1 file copied to {second / 'CARD'}, 1 file already there" in result.stdout
    assert (second / "CARD" / FOLDER / "HALL0001-2.CR3").exists() and not (second / "CARD-2").exists()


def test_damage_that_keeps_the_size_is_named_and_a_moved_file_is_not(tmp_path: Path) -> None:
    first, shoot = write_card(tmp_path / "CARD"), tmp_path / "shoot"
    run(first, "--to", shoot)
    bad = shoot / "CARD" / FOLDER / "HALL0002.CR3"
    data = bytearray(bad.read_bytes())
    data[-1] ^= 1
    bad.write_bytes(data)
    (shoot / "CARD" / FOLDER / "HALL0003.CR3").rename(shoot / "moved.CR3")  # a person may move a file: no damage
    result = run(first, "--to", shoot)
    assert result.stderr.count("no longer has the bytes") == 1 and str(bad) in result.stderr
    assert f"{FOLDER}/HALL0002.CR3 is CARD/{FOLDER}/HALL0002-2.CR3 now" in result.stderr


def test_a_folder_of_a_disk_that_is_not_plugged_in_is_not_made(tmp_path: Path) -> None:
    card = write_card(tmp_path / "CARD")
    for to, also, option in (
        (tmp_path / "a", tmp_path / "DISK" / "a", "--also"),
        (tmp_path / "DISK" / "a", None, "--to"),
    ):
        result = run(card, "--to", to, *(("--also", also) if also else ()))
        assert isinstance(result.exception, InputError)
        assert f"{tmp_path / 'DISK'} is not there; make it or plug in its disk, or correct {option}" in str(
            result.exception
        )
        assert not (tmp_path / "DISK").exists() and not (tmp_path / "a").exists()


def test_usage_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    card = write_card(tmp_path / "CARD")
    for arguments in ((tmp_path / "no", "--to", tmp_path / "shoot"), (card, "--to", card / "shoot")):
        result = run(*arguments)
        assert isinstance(result.exception, InputError)  # main() prints it and exits with 2
        assert not (tmp_path / "shoot").exists() and not (card / "shoot").exists()
    assert run(card).exit_code == 2 and run("--to", tmp_path / "shoot").exit_code == 2


def test_stopped_by_hand_every_card_has_an_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first, second = write_card(tmp_path / "A", "a"), write_card(tmp_path / "B", "b")
    real = command.Gathering.run

    def stopped(self, started, progress):
        files = 0

        def count(size, done):
            nonlocal files
            files += done
            if files == 13:
                raise KeyboardInterrupt
            progress(size, done)

        real(self, started, count)

    monkeypatch.setattr(command.Gathering, "run", stopped)
    result = run(first, second, "--to", tmp_path / "shoot")
    lines = result.stdout.strip().splitlines()
    assert result.exit_code == 1 and "A: safe to format: yes" in lines[-2]
    assert "B: safe to format: no, because it was stopped by hand; run the same command again to go on" in lines[-1]
    assert holds_all(first, tmp_path / "shoot")


def test_control_characters_of_a_name_do_not_reach_the_terminal(tmp_path: Path) -> None:
    if os.name == "nt":
        pytest.skip("Windows takes no such names")
    put(tmp_path / "CARD" / "\x1b[2Jx\u202e.jpg", content("one"))
    result = run(tmp_path / "CARD", "--to", tmp_path / "shoot")
    assert result.exit_code == 0 and not set("\x1b\u202e") & set(result.output)
