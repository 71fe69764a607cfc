"""Names of frames: given once, kept, and found again in what a person wrote."""

from __future__ import annotations

import unicodedata
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path, PurePosixPath

import pytest

from pipeline.shoot.frame_names import FrameIndex, KnownFile, NameMemory, row_digest, with_names, with_numbers
from pipeline.textfile.tables import Row
from pipeline.types import Exif, Frame

START = datetime(2026, 2, 14, 19)


def file(relative: str, minute: float | None = 0, *copies: str) -> Frame:
    time = None if minute is None else START + timedelta(minutes=minute)
    return Frame("", Path(relative), relative, "raw", Exif(time=time), copies=tuple(map(Path, copies)))


def names(*files: Frame, memory: NameMemory | None = None) -> dict[str, str]:
    return {f.relative: f.name for f in with_names(files, memory or NameMemory())[0]}


def index(*files: Frame, meant: dict[str, str] | None = None) -> FrameIndex:
    return FrameIndex(with_names(files)[0], meant=meant or {})


def row(frame: str, file: str = "", time: str = "", **cells: str) -> Row:
    return Row("frames.csv", 2, {"frame": frame, "file": file, "time": time, **cells})


def test_the_root_then_the_earliest_has_the_bare_name() -> None:
    assert names(file("b/A.nef", 1), file("a/A.nef", 2)) == {"b/A.nef": "A", "a/A.nef": "a/A"}
    assert names(file("b/A.nef", 1), file("A.nef", 2)) == {"b/A.nef": "b/A", "A.nef": "A"}
    assert names(file("b/A.nef", None), file("c/A.nef", 2)) == {"b/A.nef": "b/A", "c/A.nef": "A"}
    assert names(file("b/A.nef"), file("a/A.nef")) == {"b/A.nef": "b/A", "a/A.nef": "A"}
    assert names(file("A.nef"), file("A.dng", 1), file("A.dng.png")) == {
        "A.nef": "A", "A.dng": "A.dng-2", "A.dng.png": "A.dng",
    }  # fmt: skip


def known(relative: str, sha: str = "", name: str = "", size: int = 1, number: int = 1) -> KnownFile:
    return KnownFile(name or PurePosixPath(relative).stem, number, relative, size if sha else 0, sha)


@pytest.fixture
def here(tmp_path: Path) -> Path:
    return tmp_path


def on_disk(folder: Path, relative: str, data: bytes, minute: float = 0) -> Frame:
    path = folder / relative
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return replace(file(relative, minute), path=path)


def of_bytes(frame: Frame) -> str:
    return frame.path.read_bytes().decode()


def test_bytes_go_before_paths(here: Path) -> None:
    """The first card was moved into a folder, and another one copied to where it was."""
    moved, new = on_disk(here, "card1/A.nef", b"x", 5), on_disk(here, "A.nef", b"y")
    memory = NameMemory((known("A.nef", "x"),), digest=of_bytes)
    assert names(moved, new, memory=memory) == {"card1/A.nef": "A", "A.nef": "A.nef"}


def test_a_path_is_enough_where_the_bytes_have_changed(here: Path) -> None:
    """A program wrote a rating into the file."""
    changed, new = on_disk(here, "card1/A.nef", b"z", 5), on_disk(here, "A.nef", b"y")
    memory = NameMemory((known("card1/A.nef", "x"),), digest=of_bytes)
    assert names(changed, new, memory=memory) == {"card1/A.nef": "A", "A.nef": "A.nef"}


def test_files_of_the_same_bytes_do_not_change_places(here: Path) -> None:
    files = [on_disk(here, f"{stem}.jpg", b"x") for stem in "CAB"]
    memory = NameMemory(tuple(known(f"{stem}.jpg", "x") for stem in "ABC"), digest=of_bytes)
    assert names(*files, memory=memory) == {"A.jpg": "A", "B.jpg": "B", "C.jpg": "C"}


def test_a_name_that_is_no_longer_used_is_no_other_frames(here: Path) -> None:
    memory = NameMemory((known("A.nef", "x"),), digest=of_bytes)
    assert names(on_disk(here, "card2/A.nef", b"y"), memory=memory) == {"card2/A.nef": "card2/A"}


def test_a_frame_of_two_known_files_tells_the_other_name(here: Path) -> None:
    """Two frames of an earlier run that are one today."""
    on_disk(here, "card2/A.jpg", b"y")
    both = replace(on_disk(here, "A.nef", b"x"), twin=here / "card2/A.jpg")
    memory = NameMemory((known("A.nef", "x"), known("card2/A.jpg", "y", "card2/A")), digest=of_bytes)
    frames, formerly = with_names([both], memory)
    assert [f.name for f in frames] == ["A"] and formerly == {"card2/A": "A"}
    found = FrameIndex(frames, formerly)
    assert {found.find(text)[0] for text in ("card2/A", "A", "A.jpg", "card2/A.JPG", "./A.NEF")} == {"A"}


def test_what_frames_csv_says_counts_where_it_fits_the_file() -> None:
    files = (file("a/A.nef", 1), file("b/A.nef", 2))
    assert names(*files, memory=NameMemory(written={"b/A.nef": "A"})) == {"a/A.nef": "a/A", "b/A.nef": "A"}
    assert names(*files, memory=NameMemory(written={"b/A.nef": "A.NEF"}))["b/A.nef"] == "A.NEF"
    assert names(*files, memory=NameMemory(written={"b/A.nef": "B"})) == {"a/A.nef": "A", "b/A.nef": "b/A"}
    taken = NameMemory((known("gone.nef", name="A"),), written={"b/A.nef": "A"})
    assert names(*files, memory=taken) == {"a/A.nef": "a/A", "b/A.nef": "b/A"}


def test_a_suffix_that_frames_csv_has_for_a_spreadsheet_is_no_part_of_the_name() -> None:
    """Or deliveries would be called HALL0001.nef.jpg."""
    files = (file("HALL0001.nef", 1), file("x/HALL0002.nef", 2), file("x/HALL0002.jpg", 9))
    rows = {"HALL0001.nef": "HALL0001.nef", "x/HALL0002.nef": "x/HALL0002.nef", "x/HALL0002.jpg": "x/HALL0002.jpg"}
    got = names(*files, memory=NameMemory(written=rows))
    assert got == {"HALL0001.nef": "HALL0001", **{f: f for f in ("x/HALL0002.nef", "x/HALL0002.jpg")}}
    taken = NameMemory((known("gone.nef", name="HALL0001"),), written={"x/HALL0001.nef": "HALL0001.nef"})
    assert names(file("x/HALL0001.nef"), memory=taken) == {"x/HALL0001.nef": "HALL0001.nef"}
    found = FrameIndex(with_names(files[:1], NameMemory(written=rows))[0])
    assert found.find("HALL0001.nef") == ("HALL0001", "")


def test_names_that_a_disk_takes_for_one_are_two() -> None:
    """Unicode Standard Annex 15 for the compositions of é."""
    got = names(file("a/caf\u00e9.nef"), file("b/CAFE\u0301.nef"), file("c/Caf\u00e9.nef"))
    assert len({unicodedata.normalize("NFC", name).casefold() for name in got.values()}) == 3


def test_numbers_stay_and_others_follow() -> None:
    memory = NameMemory((known("gone.nef", number=7), known("b.nef", number=2)))
    frames, _ = with_names([file("a.nef"), file("b.nef", 1), file("c.nef", 2)], memory)
    assert [f.number for f in with_numbers(frames, memory)] == [8, 2, 9]
    assert [f.number for f in with_numbers(with_names([file("a.nef"), file("b.nef")])[0])] == [1, 2]


TWO = (file("A.NEF", 0), file("card2/A.NEF", 1), file("B.NEF", 2))


@pytest.mark.parametrize("written", ["A", "a", "A.NEF", "A.jpg", " A "])
def test_a_bare_name_may_mean_every_frame_of_the_stem(written: str) -> None:
    """A suffix does not count: "A.jpg" is what the delivered file of any of them is called."""
    found = index(*TWO)
    assert found.find(written) == (None, f"{written} may be ./A or card2/A; write the whole name")
    assert found.candidates(written) == ["A", "card2/A"]
    assert found.called(written.strip()[:1]) == "A"


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("./A", "A"), ("./a.nef", "A"), (".\\A.NEF", "A"), ("card2/A", "card2/A"), ("Card2\\a.nef", "card2/A"),
        ("./card2/A", "card2/A"), ("night/B.NEF", "B"), ("B.JPG", "B"),
    ],
)  # fmt: skip
def test_a_path_means_one(written: str, name: str) -> None:
    assert index(*TWO).find(written) == (name, "")
    assert index(*TWO).unmistakable(name) in ("./A", "card2/A", "B")


def test_a_folder_that_is_not_here_is_no_guess() -> None:
    found = index(*TWO)
    for written in ("card3/A", "./C/A.NEF"):
        assert found.find(written)[0] is None and set(found.candidates(written)) == {"A", "card2/A"}
    assert index(file("card1/A.NEF")).find("card3/A") == (
        None, "no frame card3/A in the shoot folder; it may be A: write the whole name",
    )  # fmt: skip


def test_the_file_of_a_row_says_which_it_means() -> None:
    found = index(*TWO)
    assert found.of_row(row("A", "card2/A.NEF")).name == "card2/A"
    assert found.of_row(row("A", "A.NEF")).name == "A"
    assert found.of_row(row("A", "A.NEF", "2026-02-14 19:00:00.000")).name == "A"
    # Another card was copied to where the first one was, which is in a folder now.
    assert found.of_row(row("A", "A.NEF", "2026-02-14 19:01:00.000")).name is None
    # The file has moved, and only one frame is of that time.
    assert found.of_row(row("A", "old/A.NEF", "2026-02-14 19:01:00.000")).name == "card2/A"
    assert found.of_row(row("A", "old/A.NEF", "14.02.2026 19:01")).name is None
    # Somebody copied the row of another frame.
    wrong = found.of_row(row("B", "A.NEF"))
    assert wrong.name is None and set(wrong.may) == {"A", "B"} and "correct one of the two" in wrong.why


def test_a_row_that_meant_a_frame_before_means_it_still() -> None:
    typed = row("A", players="home 4")
    found = index(*TWO, meant={row_digest(typed): "card2/A"})
    assert found.of_row(typed).name == "card2/A"
    assert found.of_row(row("A", players="home 4; home 7")).name is None
    gone = index(file("card2/A.NEF"), meant={row_digest(typed): "A of another card"})
    assert gone.of_row(typed).name is None and gone.of_row(typed).may == ("A",)


def test_names_as_long_as_paths_may_be() -> None:
    deep = "/".join(["folder"] * 30)
    found = index(*(file(f"{deep}/{n}/A.NEF", n) for n in range(300)))
    assert len(found.candidates("A")) == 300 and found.find(f"{deep}/7/A")[0] == f"{deep}/7/A"
