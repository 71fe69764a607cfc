"""What LibRaw prints of a damaged raw stays off the terminal, and nothing else does."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

from pipeline.errors import FrameError
from pipeline.imaging.raw.mosaic import open_raw
from pipeline.imaging.raw.quiet import quiet_libraw
from tests.imaging.raw.test_mosaic import flat, write


def free() -> list[int]:
    """The next numbers that the system would give to descriptors."""
    numbers = [os.dup(2) for _ in range(8)]
    for number in numbers:
        os.close(number)
    return numbers


def cut(folder: Path) -> Path:
    path = write(folder / "F.dng", flat(0.2, 0.2, 0.2))
    path.write_bytes(path.read_bytes()[:-9000])
    return path


def test_a_cut_raw_is_said_in_words_alone(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(FrameError, match="copy it again from the card, if the card has a better one"):
        open_raw(cut(tmp_path))
    assert capfd.readouterr() == ("", "")


def test_other_words_come_out_afterwards(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "F.dng"
    with pytest.raises(KeyboardInterrupt), quiet_libraw(path):
        os.write(2, b"40 % " + os.fsencode(path) + b": data corrupted at 1234\nof the night\n")
        os.write(2, b"G.dng: Unexpected end of file\n")
        raise KeyboardInterrupt
    os.write(2, b"after\n")
    assert capfd.readouterr().err == "40 % of the night\nG.dng: Unexpected end of file\nafter\n"


def test_standard_error_of_other_threads_is_left_alone(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    inside, go_on = threading.Event(), threading.Event()

    def read() -> None:
        with quiet_libraw(tmp_path / "F.dng"):
            inside.set()
            go_on.wait(10)

    thread = threading.Thread(target=read)
    thread.start()
    assert inside.wait(10)
    os.write(2, b"at once\n")
    assert capfd.readouterr().err == "at once\n"
    go_on.set()
    thread.join()


def test_no_descriptor_is_lost_and_none_is_needed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(**options: object) -> None:
        raise OSError(28, "No space left on device")

    first = free()
    for _ in range(3):
        with quiet_libraw(tmp_path / "F.dng"):
            pass
    monkeypatch.setattr("pipeline.imaging.raw.quiet.tempfile.TemporaryFile", full)
    with quiet_libraw(tmp_path / "F.dng"):
        pass
    assert free() == first
