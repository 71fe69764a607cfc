"""Which files of a folder are frames."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from PIL import ExifTags, Image

from pipeline.errors import InputError
from pipeline.shoot import scan as module
from pipeline.shoot.gather.listing import LIST
from pipeline.shoot.scan import refuse_photographs, scan
from pipeline.types import Exif


def put(folder: Path, *names: str) -> None:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(b"x")


def names(folder: Path) -> list[str]:
    return [frame.name for frame in scan(folder).frames]


def picture(path: Path, second: int) -> None:
    exif = Image.Exif()
    exif[ExifTags.Base.Model] = "W1"
    exif.get_ifd(ExifTags.IFD.Exif).update({0x9003: f"2026:02:14 19:42:{second:02}", 0xA431: "12"})
    Image.new("RGB", (8, 8), (len(path.name), ord(path.name[0]), second)).save(path, exif=exif)


def test_suffixes_hidden_files_and_folders(tmp_path: Path) -> None:
    put(tmp_path, "G1.DNG", "G2.nef", "G3.Cr3", "G4.jpeg", "G5.TIFF", "G6.png", "sub/G7.arw")
    put(tmp_path, "._G1.DNG", ".G8.nef", ".trash/G9.nef", "roster.csv", "shoot.yaml", "G1.xmp", "clip.mov", "noext")
    found = scan(tmp_path)
    assert [frame.name for frame in found.frames] == ["G1", "G2", "G3", "G4", "G5", "G6", "G7"]
    assert [frame.kind for frame in found.frames] == ["raw"] * 3 + ["picture"] * 3 + ["raw"]
    assert found.frames[6].relative == "sub/G7.arw"
    assert found.skipped == ()


def test_sorted_by_time_then_name_and_without_time_last(tmp_path: Path) -> None:
    picture(tmp_path / "late.jpg", 9)
    picture(tmp_path / "b.jpg", 3)
    picture(tmp_path / "a.jpg", 3)
    put(tmp_path, "0.jpg")
    assert names(tmp_path) == ["a", "b", "late", "0"]


def test_camera_copy_beside_a_raw_is_skipped(tmp_path: Path) -> None:
    put(tmp_path, "G1.NEF", "G1.JPG", "G2.JPG", "other/G1.JPG")
    found = scan(tmp_path)
    assert {frame.relative for frame in found.frames} == {"G1.NEF", "G2.JPG", "other/G1.JPG"}
    assert found.frames[0].twin == tmp_path / "G1.JPG" and found.skipped == ()
    assert found.notices == ("1 frame is there both as raw and as JPEG: the raw is used, G1.JPG left out",)


def test_names_are_unique(tmp_path: Path) -> None:
    put(tmp_path, "one/G1.nef", "two/G1.nef", "two/G1.dng", "G2.nef", "three/G3.nef", "four/g3.nef", "two/G1.dng.jpg")
    got = {frame.relative: frame.name for frame in scan(tmp_path).frames}
    assert got == {
        "one/G1.nef": "G1", "two/G1.dng": "two/G1", "two/G1.nef": "two/G1.nef", "G2.nef": "G2",
        "four/g3.nef": "g3", "three/G3.nef": "three/G3", "two/G1.dng.jpg": "G1.dng",
    }  # fmt: skip
    assert len({name.casefold() for name in got.values()}) == len(got)


def test_name_that_another_frame_bears_as_its_longest(tmp_path: Path) -> None:
    put(tmp_path, "G1.nef", "G1.dng", "G1.dng.png")
    got = names(tmp_path)
    assert len({name.casefold() for name in got}) == 3


def test_empty_and_damaged_files_are_frames(tmp_path: Path) -> None:
    (tmp_path / "empty.dng").write_bytes(b"")
    (tmp_path / "junk.cr3").write_bytes(bytes(range(256)))
    found = {frame.name: frame.exif.notices for frame in scan(tmp_path).frames}
    assert found["empty"] == ("the file is empty",)
    assert found["junk"]


def test_file_that_cannot_be_opened_is_a_frame_that_will_fail_by_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The refusal is simulated: a superuser may open anything."""
    put(tmp_path, "G1.nef", "G2.nef")

    def refuse(path: Path, kind: str) -> Exif:
        if path.name == "G2.nef":
            raise PermissionError(13, "Permission denied")
        return Exif()

    monkeypatch.setattr(module, "read_exif", refuse)
    found = scan(tmp_path)
    assert [frame.name for frame in found.frames] == ["G1", "G2"]
    assert found.frames[1].exif.notices == ("cannot be opened (Permission denied)",)


def test_links(tmp_path: Path) -> None:
    shoot, outside = tmp_path / "shoot", tmp_path / "outside"
    put(tmp_path, "shoot/G1.nef", "outside/G2.nef", "outside/G3.nef")
    try:
        (shoot / "G2.nef").symlink_to(outside / "G2.nef")
    except OSError:
        pytest.skip("this system makes no links")
    (shoot / "G4.nef").symlink_to(shoot / "G1.nef")
    (shoot / "G5.nef").symlink_to(shoot / "nowhere.nef")
    (shoot / "G6.nef").symlink_to(shoot / "G6.nef")
    (shoot / "folder").symlink_to(outside, target_is_directory=True)
    found = scan(shoot)
    assert [frame.name for frame in found.frames] == ["G1"]
    reasons = dict(found.skipped)
    assert "leads out" in reasons["G2.nef"]
    assert "another frame" in reasons["G4.nef"]
    assert "nowhere" in reasons["G5.nef"]
    assert "nowhere" in reasons["G6.nef"]
    assert found.notices == ("folder: a link to a folder, not followed",)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_pipe_is_not_waited_for(tmp_path: Path) -> None:
    put(tmp_path, "G1.nef")
    os.mkfifo(tmp_path / "G2.nef")
    assert scan(tmp_path).skipped == (("G2.nef", "not a file"),)


@pytest.mark.skipif(os.name == "nt", reason="names are Unicode on this system")
def test_name_that_is_not_utf8(tmp_path: Path) -> None:
    put(tmp_path, "G1.nef")
    try:
        Path(os.fsdecode(os.fsencode(tmp_path) + b"/G\xff.nef")).write_bytes(b"x")
    except OSError:
        pytest.skip("this file system takes only UTF-8 names")
    assert scan(tmp_path).skipped == (("G?.nef", "its name is not valid UTF-8; rename it"),)


def test_nothing_to_do_names_what_is_looked_for(tmp_path: Path) -> None:
    put(tmp_path, "notes.txt")
    with pytest.raises(InputError, match=r"holds no frames.*cr3.*dng.*jpg.*nef"):
        scan(tmp_path)
    with pytest.raises(InputError, match="no such folder"):
        scan(tmp_path / "absent")
    with pytest.raises(InputError, match=r"notes.txt: is a file; give the folder that it is in: .*"):
        scan(tmp_path / "notes.txt")


def test_what_a_run_has_made_is_no_shoot(tmp_path: Path) -> None:
    """SHOOT and OUT exchanged, after a first run: its pictures were taken for frames, and the shoot written into."""
    put(tmp_path, "night/G1.nef", "night/out/web/G1.jpg", "night/out/.work/lock", "web.yaml")
    put(tmp_path, "night/card/G2.nef", "night/card/.work/index")  # another program's
    found = scan(tmp_path / "night")
    assert [frame.name for frame in found.frames] == ["G1", "G2"]
    assert "out: left alone, since a run has made what is in it" in found.notices
    with pytest.raises(InputError, match=r"out: holds what a run has made .*; give the folder of the frames"):
        scan(tmp_path / "night" / "out")
    with pytest.raises(InputError, match="the recipe comes first, then the folder of frames"):
        scan(tmp_path / "web.yaml")


@pytest.mark.parametrize(
    ("name", "refused"),
    [
        ("G1.jpg", True),
        ("G1.nef", True),
        ("100W1/G1.nef", True),
        ("web/G1.jpg", False),
        ("notes.txt", False),
        ("card/DCIM/100W1/G1.dng", True),
    ],
)
def test_no_run_begins_beside_photographs(tmp_path: Path, name: str, refused: bool) -> None:
    put(tmp_path, f"out/{name}")
    if refused:
        with pytest.raises(InputError, match=r"holds photographs that no run has made, such as G1\."):
            refuse_photographs(tmp_path / "out")
        put(tmp_path, "out/.work/lock")
    refuse_photographs(tmp_path / "out")
    refuse_photographs(tmp_path / "absent")


def test_no_run_begins_where_cards_were_gathered(tmp_path: Path) -> None:
    """Another night's shoot given to --out: a JPEG photographer's too, whose pictures look like those of a run."""
    put(tmp_path, "shoot/card/G1.jpg", f"shoot/{LIST}")
    with pytest.raises(InputError, match="holds what evencourt gather copied from the cards"):
        refuse_photographs(tmp_path / "shoot")


def test_the_folder_is_only_read(tmp_path: Path) -> None:
    put(tmp_path, "G1.nef", "sub/G2.jpg")
    before = {path: path.stat().st_mtime_ns for path in [tmp_path, *tmp_path.rglob("*")]}
    scan(tmp_path)
    assert {path: path.stat().st_mtime_ns for path in [tmp_path, *tmp_path.rglob("*")]} == before


def test_real_shoot_of_jpegs(shared: Callable[[str], Path]) -> None:
    found = scan(shared("data/chart-jpeg"))
    assert [each.exif.time.date().isoformat() for each in found.frames if each.exif.time] == [
        "2020-02-18", "2020-03-06", "2020-04-27", "2020-07-15",
    ]  # fmt: skip


def test_a_link_to_what_is_not_read_otherwise_is_a_frame(tmp_path: Path) -> None:
    put(tmp_path, ".cache/G1.nef", "note.bin")
    try:
        (tmp_path / "G2.nef").symlink_to(tmp_path / ".cache" / "G1.nef")
    except OSError:
        pytest.skip("this system makes no links")
    (tmp_path / "G3.nef").symlink_to(tmp_path / "note.bin")
    assert names(tmp_path) == ["G2", "G3"]


def test_names_in_two_compositions_count_as_one(tmp_path: Path) -> None:
    """Unicode Standard Annex 15: é is one character or e with an accent; some disks keep one form only."""
    put(tmp_path, "a/caf\u00e9.nef", "b/cafe\u0301.nef")
    assert sorted(names(tmp_path)) == ["b/cafe\u0301", "caf\u00e9"]
