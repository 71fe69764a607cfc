"""Copies of a frame that is held back, under another name: they show whom it shows. The people are made up.

How file managers and editors call copies is common practice, no source.
"""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import PIL.Image
import pytest

from pipeline.engine.jobs import read_shoot
from pipeline.shoot.copies import SAME, copies, is_copy
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


def held_files(folder: Path, rows: str) -> set[str]:
    """The same by their files."""
    held(folder, rows)
    shoot = read_shoot(folder, models=folder)
    return {frame.relative for frame in shoot.frames if shoot.withheld(frame.name)}


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


def test_the_same_file_is_held_also_below_a_plain_border(tmp_path: Path) -> None:
    """What is coded first tells nothing there, in a file without a time."""
    post = PIL.Image.new("RGB", (4000, 1300))
    post.paste(PIL.Image.frombytes("RGB", (4000, 100), os.urandom(1_200_000)), (0, 1200))
    for name in ("TH1_0001", "IMG_9999"):
        post.save(tmp_path / f"{name}.jpg")
    assert held(tmp_path, f"{ROWS}IMG_9999,home 8\n") == {"TH1_0001", "IMG_9999"}  # such a row cannot be right


def test_a_copy_of_a_copy_is_held(tmp_path: Path) -> None:
    """The one that a name tells, sent on under another: the octets are not those of the frame that is named."""
    picture(tmp_path / "TH1_0001.jpg")
    picture(tmp_path / "TH1_0002.jpg")
    (tmp_path / "for the club.jpg").write_bytes(picture(tmp_path / "TH1_0001_edit.jpg").read_bytes())
    assert held(tmp_path) == {"TH1_0001", "TH1_0001_edit", "for the club"}


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


@pytest.mark.parametrize("taken", [TAKEN, None])
@pytest.mark.parametrize("name", ["export/TH1_0001.jpg", "export/web/th1_0001.png", "TH1_0001.tif"])
def test_an_export_of_the_same_name_is_held(tmp_path: Path, name: str, taken: datetime | None) -> None:
    picture(tmp_path / "card" / "TH1_0001.jpg")
    picture(tmp_path / name, taken)
    own = "frame,file,players\nTH1_0001,card/TH1_0001.jpg,home 7\n"  # as evencourt prepare writes it
    assert held_files(tmp_path, own) == {"card/TH1_0001.jpg", name}
    assert held_files(tmp_path, f"{own}TH1_0001,{name},home 8\n") == {"card/TH1_0001.jpg"}
    picture(tmp_path / name, TAKEN.replace(minute=31))  # another card, whose camera counts alike
    assert held_files(tmp_path, own) == {"card/TH1_0001.jpg"}


def test_a_frame_of_a_camera_that_counts_alike_is_no_export(tmp_path: Path) -> None:
    """At the same second. Nor is one whose name says little, without a time."""
    two = [replace(read_one(tmp_path / part, TAKEN), name=f"{part}/a", relative=f"{part}/a.jpg") for part in "xy"]
    assert set(copies(two, {"x/a"}, ())) == {"y/a"}
    bodies = [replace(one, exif=replace(one.exif, serial=one.name)) for one in two]
    assert copies(bodies, {"x/a"}, ()) == {}
    assert copies([replace(one, exif=replace(one.exif, time=None)) for one in two], {"x/a"}, ()) == {}


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
    exif = read_one(tmp_path, TAKEN).exif
    data = b"no picture that can be compared" + os.urandom(1000)
    frames = []
    for nth in range(200):
        path = tmp_path / f"TH1_{nth:04d}.jpg"
        path.write_bytes(data + f"{nth:04d}".encode())
        frames.append(Frame(path.stem, path, path.name, "picture", exif))
    (tmp_path / "b.jpg").write_bytes(data + b"0000")
    frames.append(Frame("b", tmp_path / "b.jpg", "b.jpg", "picture", exif))
    opened, really = [], Path.open
    monkeypatch.setattr(Path, "open", lambda path, mode: (opened.append(path), really(path, mode))[1])
    assert copies(frames, {frame.name for frame in frames[:200:2]}, ()) == {"b": SAME.format(frame="TH1_0000")}
    assert len(opened) == 2 * len(frames) + 2  # for a part of each, and its coded picture, and those two as a whole


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


EDITED = ["TH1_0001_edit", "TH1_0001_web", "Copy of TH1_0001"]
BY_WORDS = "frame,words\n{},Ida Berg shoots\n"


@pytest.mark.parametrize("taken", [TAKEN, TAKEN.replace(microsecond=450_000), None])
@pytest.mark.parametrize("first", EDITED)
def test_edited_copies_find_each_other_without_their_original(
    tmp_path: Path, first: str, taken: datetime | None
) -> None:
    for name in EDITED:
        picture(tmp_path / f"{name}.jpg", taken)
    for at in range(8):  # a series after a word that ends in a number, and others of the camera
        picture(tmp_path / f"Hall100_{at:04d}.jpg", TAKEN.replace(second=20 + 2 * at))
    assert held(tmp_path, BY_WORDS.format(first)) == {*EDITED}
    assert held(tmp_path, BY_WORDS.format("Hall100_0003")) == {"Hall100_0003"}
    rest = [name for name in EDITED if name != first]
    rows = BY_WORDS.format(first) + "".join(f'"{name}",\n' for name in rest)
    assert held(tmp_path, rows) == {*EDITED}  # a row that says nothing frees none
    rows = f"frame,players\n{first},home 7\n" + "".join(f"{name},home 8\n" for name in rest)
    assert held(tmp_path, rows) == {first}  # somebody looked


@pytest.mark.parametrize(
    ("names", "taken"),
    [
        (["TH1_0001_1200", "TH1_0001_2048"], None),
        (["TH1_0001-1", "TH1_0001-2"], None),
        (["20260214_193012_1", "20260214_193012_2"], TAKEN),  # it may be a burst: the row can say so
        (["TH1_2014 bw", "TH1_2014 colour"], None),
    ],
)
def test_versions_are_held_that_numbers_or_sizes_tell_apart(
    tmp_path: Path, names: list[str], taken: datetime | None
) -> None:
    for name in names:
        picture(tmp_path / f"{name}.jpg", taken)
    assert held(tmp_path, f"frame,players\n{names[0]},home 7\n") == {*names}


@pytest.mark.parametrize(
    ("names", "taken"),
    [
        (["Hall100_0001", "Hall100_0002"], TAKEN),
        (["Hall2026_1234", "Hall2026_1235"], None),
        (["Hall2026_0001", "Hall2026_0301"], None),  # a number that begins with 0 counts
        (["20260214_shot", "20260214_save"], None),
        (["Lantern Cup 14 shot", "Lantern Cup 14 save"], None),
        ([f"Lantern Cup 2026 {word}" for word in ("shot", "save", "pass", "jump", "fall", "goal", "end")], None),
        ([f"Hall100 {number}" for number in range(100, 170)], TAKEN),
        ([f"Hall100 take{number}" for number in range(10, 71)], TAKEN),
    ],
)
def test_a_series_is_none_of_versions(tmp_path: Path, names: list[str], taken: datetime | None) -> None:
    for name in names:
        picture(tmp_path / f"{name}.jpg", taken)
    assert held(tmp_path, f"frame,players\n{names[0]},home 7\n") == {names[0]}


def test_what_was_taken_in_many_seconds_is_a_series(tmp_path: Path) -> None:
    """Few cameras can have called a frame alike: two pictures in each of four seconds are no versions of one frame."""
    for second in range(4):
        for word in ("shot", "save"):
            picture(tmp_path / f"Hall2026 {word}{second}.jpg", TAKEN.replace(second=second))
    assert held(tmp_path, "frame,players\nHall2026 shot0,home 7\n") == {"Hall2026 shot0"}


@pytest.mark.parametrize("name", ["for the club", "TH1_0007"])
def test_one_camera_takes_one_picture_at_a_time(tmp_path: Path, name: str) -> None:
    """An edited copy under a name of its own keeps the time of its frame, to a part of a second."""
    moment = TAKEN.replace(microsecond=370_000)
    picture(tmp_path / "TH1_0001.jpg", moment)
    picture(tmp_path / "TH1_0002.jpg", TAKEN.replace(microsecond=420_000))
    picture(tmp_path / f"{name}.jpg", moment)
    assert held(tmp_path) == {"TH1_0001", name}
    assert held(tmp_path, f"{ROWS}{name},home 8\n") == {"TH1_0001"}


@pytest.mark.parametrize("parts", [[300_000, 300_000, 600_000], [450_000, 450_000, 450_000]])
def test_a_camera_that_writes_no_fine_parts_of_a_second_tells_nothing(tmp_path: Path, parts: list[int]) -> None:
    for at, part in enumerate(parts, 1):
        picture(tmp_path / f"TH1_{at:04d}.jpg", TAKEN.replace(microsecond=part))
    assert held(tmp_path) == {"TH1_0001"}


def test_another_camera_may_have_taken_another_picture_at_that_moment(tmp_path: Path) -> None:
    moment = TAKEN.replace(microsecond=370_000)
    exif = read_one(tmp_path, moment).exif
    one = Frame("TH1_0001", tmp_path / "a.jpg", "TH1_0001.jpg", "picture", replace(exif, serial="1"))
    for serial, alike in (("2", False), ("", True), ("1", True)):
        other = Frame("IMG_9999", tmp_path / "b.jpg", "IMG_9999.jpg", "picture", replace(exif, serial=serial))
        found = copies([one, other], {"TH1_0001"}, ())
        assert set(found) == ({"IMG_9999"} if alike else set()) and all(map(is_copy, found.values()))


def read_one(folder: Path, taken: datetime) -> Frame:
    picture(folder / "a.jpg", taken)
    return read_shoot(folder, models=folder).frames[0]


def test_a_copy_is_held_for_a_reason_that_names_the_frame_and_says_what_frees_it(tmp_path: Path) -> None:
    picture(tmp_path / "TH1_0001.jpg")
    picture(tmp_path / "TH1_0001-1.jpg")
    held(tmp_path)
    why = read_shoot(tmp_path, models=tmp_path).withheld("TH1_0001-1")
    assert "another version of TH1_0001, which is held back" in why
    assert "burst that is named by the second, write under players" in why and is_copy(why)


def test_a_copy_of_a_frame_is_held_of_which_it_is_not_known_whom_it_shows(tmp_path: Path) -> None:
    """Its row is wrong, and nobody in the roster must not be shown."""
    for name in ("TH1_0001", "TH1_0001_edit", "TH1_0002"):
        picture(tmp_path / f"{name}.jpg")
    (tmp_path / "roster.csv").write_text("team,number,name\nhome,8,Ane Mo\n", encoding="utf-8")
    (tmp_path / "frames.csv").write_text("frame,players\nTH1_0001,home 88\n", encoding="utf-8")
    shoot = read_shoot(tmp_path, models=tmp_path)
    assert {frame.name for frame in shoot.frames if shoot.withheld(frame.name)} == {"TH1_0001", "TH1_0001_edit"}


def test_the_reason_is_the_same_in_each_run() -> None:
    """run.json is to have the same bytes; sets of texts have another order in each process."""
    code = (
        "from pathlib import Path; from pipeline.shoot.copies import copies; from pipeline.types import Frame\n"
        "names = ['TH1_a', 'TH1_a_b', 'TH1_a_b_c', 'TH1_a_b_c_d']\n"
        "frames = [Frame(name, Path(name), name, 'picture') for name in names]\n"
        "print(copies(frames, set(names[:3]), ()))"
    )
    said = {
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, check=True, env={**os.environ, "PYTHONHASHSEED": seed}
        ).stdout
        for seed in "0123"
    }
    assert len(said) == 1 and b"of TH1_a_b_c," in said.pop()
