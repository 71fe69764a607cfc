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

ROSTER = "team,number,name,publish\nhome,7,Ida Berg,no\nhome,8,Ane Mo,\n"
ROWS = "frame,players\nTH1_0001,home 7\n"
TAKEN = datetime(2026, 2, 14, 19, 30, 12)


def picture(path: Path, taken: datetime | None = TAKEN) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    exif = PIL.Image.Exif()
    if taken is not None:
        exif[0x0132] = exif[0x9003] = f"{taken:%Y:%m:%d %H:%M:%S}"
    noise = PIL.Image.frombytes("RGB", (32, 24), os.urandom(32 * 24 * 3))
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
    assert held(tmp_path, "frame,players\n7,home 7\n") == {"7"}
