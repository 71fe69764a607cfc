"""Copies of a frame that is held back, under another name: they show whom it shows. The people are made up.

How file managers and editors call copies is common practice, no source.
"""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path

import PIL.Image
import pytest

from pipeline.engine.jobs import read_shoot
from pipeline.shoot.copies import SAME, copies
from pipeline.types import Frame

ROSTER = "team,number,name,publish\nhome,7,Ida Berg,no\nhome,8,Ane Mo,\n"
ROWS = "frame,players\nTH1_0001,home 7\n"
TAKEN = datetime(2026, 2, 14, 19, 30, 12)


def picture(path: Path, taken: datetime | None = TAKEN, size: tuple[int, int] = (32, 24)) -> Path:
    """A JPEG of noise. taken  with its part of a second, where that is not 0 (Exif 2.32: SubSecTimeOriginal)"""
    path.parent.mkdir(parents=True, exist_ok=True)
    exif = PIL.Image.Exif()
    if taken is not None:
        exif[0x0132] = exif[0x9003] = f"{taken:%Y:%m:%d %H:%M:%S}"
        if taken.microsecond:
            exif[0x9291] = f"{taken:%f}"
    noise = PIL.Image.frombytes("RGB", size, os.urandom(size[0] * size[1] * 3))
    noise.save(path, exif=exif)
    return path


def held(folder: Path, rows: str = ROWS) -> set[str]:
    (folder / "roster.csv").write_text(ROSTER, encoding="utf-8")
    (folder / "frames.csv").write_text(rows, encoding="utf-8")
    shoot = read_shoot(folder, models=folder)
    return {frame.name for frame in shoot.frames if shoot.withheld(frame.name)}


def test_the_same_file_under_another_name_is_held(tmp_path: Path) -> None:
    data = picture(tmp_path / "TH1_0001.jpg").read_bytes()
    picture(tmp_path / "TH1_0002.jpg")
    (tmp_path / "IMG_9999.jpg").write_bytes(data)
    assert held(tmp_path) == {"TH1_0001", "IMG_9999"}
    # A row that says otherwise cannot be right.
    assert held(tmp_path, f"{ROWS}IMG_9999,home 8\n") == {"TH1_0001", "IMG_9999"}
    assert held(tmp_path, "frame,players\nTH1_0001,home 8\n") == set()


def test_the_same_file_is_held_also_without_a_time(tmp_path: Path) -> None:
    """As web pages send them. Even tones without a time, as tests of screens are, say nothing."""
    data = picture(tmp_path / "TH1_0001.jpg", None, (500, 500)).read_bytes()
    (tmp_path / "IMG_9999.jpg").write_bytes(data)
    assert held(tmp_path) == {"TH1_0001", "IMG_9999"}
    for name in ("TH1_0001", "IMG_9999"):
        PIL.Image.new("RGB", (9000, 4000), (90, 90, 90)).save(tmp_path / f"{name}.jpg")
    assert (tmp_path / "IMG_9999.jpg").stat().st_size > len(data)
    assert held(tmp_path) == {"TH1_0001"}


def test_the_same_file_is_held_also_as_the_jpeg_of_a_raw(tmp_path: Path) -> None:
    data = picture(tmp_path / "TH1_0001.jpg").read_bytes()
    (tmp_path / "TH1_0001.cr2").write_bytes(b"II*\0 no raw that can be read")
    (tmp_path / "for the club.jpg").write_bytes(data)
    assert "for the club" in held(tmp_path)


@pytest.mark.parametrize(
    "name",
    [
        "TH1_0001 (1)",
        "TH1_0001-2",
        "TH1_0001_edit",
        "TH1_0001 copy",
        "Copy of TH1_0001",
        "th1_0001b",
        "web/TH1_0001-web",
    ],
)
@pytest.mark.parametrize("taken", [TAKEN, None])
def test_an_edited_copy_is_held(tmp_path: Path, name: str, taken: datetime | None) -> None:
    picture(tmp_path / "TH1_0001.jpg")
    picture(tmp_path / f"{name}.jpg", taken)
    called = name.rpartition("/")[2]
    assert held(tmp_path) == {"TH1_0001", called}
    assert held(tmp_path, f"{ROWS}{called},home 8\n") == {"TH1_0001"}  # a person looked
    assert held(tmp_path, f"frame,players\n{called},home 7\n") == {"TH1_0001", called}  # the copy alone is named


def test_an_edited_copy_is_held_that_lost_its_part_of_a_second(tmp_path: Path) -> None:
    picture(tmp_path / "TH1_0001.jpg", TAKEN.replace(microsecond=450_000))
    picture(tmp_path / "TH1_0001_edit.jpg")
    assert held(tmp_path) == {"TH1_0001", "TH1_0001_edit"}


def test_an_edited_copy_is_held_of_which_no_file_has_a_time(tmp_path: Path) -> None:
    picture(tmp_path / "TH1_0001.jpg", None)
    picture(tmp_path / "TH1_0001_edit.jpg", None)
    assert held(tmp_path) == {"TH1_0001", "TH1_0001_edit"}


@pytest.mark.parametrize("copy", [TAKEN, TAKEN.replace(hour=20)])
def test_an_edited_copy_is_held_whose_camera_has_a_corrected_clock(tmp_path: Path, copy: datetime) -> None:
    """It may hold the time of the camera or the right one, and not say which camera it was."""
    picture(tmp_path / "card" / "TH1_0001.jpg")
    picture(tmp_path / "edited" / "TH1_0001_edit.jpg", copy)
    (tmp_path / "shoot.yaml").write_text("clocks:\n  card/: 3600\n", encoding="utf-8")
    assert held(tmp_path) == {"TH1_0001", "TH1_0001_edit"}
    (tmp_path / "shoot.yaml").write_text("clocks:\n  card/: 1800\n", encoding="utf-8")
    assert (held(tmp_path) == {"TH1_0001"}) == (copy != TAKEN)


def test_frames_of_a_burst_that_are_called_by_their_second_are_none(tmp_path: Path) -> None:
    for nth, name in enumerate(["TH1_0001", "TH1_0001-1", "TH1_0001-2"]):  # 20 frames a second
        picture(tmp_path / f"{name}.jpg", TAKEN.replace(microsecond=50_000 * (nth + 1)))
    assert held(tmp_path) == {"TH1_0001"}
    assert held(tmp_path, "frame,players\nTH1_0001-1,home 7\n") == {"TH1_0001-1"}


def test_files_of_one_size_and_second_are_read_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As raws that are not packed have it, of a camera whose clock stands still."""
    data = picture(tmp_path / "a.jpg").read_bytes()
    exif = read_shoot(tmp_path, models=tmp_path).frames[0].exif
    frames = []
    for nth in range(200):
        path = tmp_path / f"TH1_{nth:04d}.jpg"
        path.write_bytes(data + f"{nth:04d}".encode())
        frames.append(Frame(path.stem, path, path.name, "picture", exif))
    (tmp_path / "b.jpg").write_bytes(data + b"0000")
    frames.append(Frame("b", tmp_path / "b.jpg", "b.jpg", "picture", exif))
    opened, really = [], Path.open
    monkeypatch.setattr(Path, "open", lambda path, mode: (opened.append(path), really(path, mode))[1])
    assert copies(frames, {frame.name for frame in frames[:200:2]}, ()) == {"b": SAME}
    assert len(opened) == len(frames) + 2  # and those two as a whole


@pytest.mark.parametrize(
    ("name", "taken"),
    [
        ("TH1_0002", TAKEN),
        ("TH1_00010", TAKEN),
        ("XTH1_0001", TAKEN),
        ("TH1_0001-2", TAKEN.replace(second=13)),  # of another camera that counts so
    ],
)
def test_other_frames_are_none(tmp_path: Path, name: str, taken: datetime) -> None:
    picture(tmp_path / "TH1_0001.jpg")
    picture(tmp_path / f"{name}.jpg", taken)
    assert held(tmp_path) == {"TH1_0001"}


def test_a_name_that_says_little_is_not_looked_for(tmp_path: Path) -> None:
    picture(tmp_path / "7.jpg")
    picture(tmp_path / "U 7 final.jpg")
    picture(tmp_path / "finals 7.jpg")
    assert held(tmp_path, "frame,players\n7,home 7\n") == {"7"}
