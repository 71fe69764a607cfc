"""OUT/.work was deleted and run.json is damaged or gone: what may show somebody is still looked for, and said.

The people are made up.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import PIL.Image
import pytest

from pipeline.report.kept_frames import read_left
from tests.engine.test_run import evencourt
from tests.engine.withdrawing import ROSTER, WITHDRAWN, write_night

pytest.importorskip("fsspec", reason="fsspec is not installed: pip install 'evencourt[push]'")
RECIPE = """\
recipe: 1
deliveries:
  web:
    - resize: {long_edge: 64}
    - caption:
    - save:
    - deliver: {push: "ADDRESS/{delivery}"}
  families:
    - for: {each: player}
    - resize: {long_edge: 48}
    - caption:
    - save:
    - deliver: {push: "ADDRESS/{delivery}"}
"""
ROWS = "frame,players\nTH1_0001,home 7\nTH1_0002,home 8\nTH1_0003,\n"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three pictures, delivered and sent to the club and to two families; then Lea, who is on the second, withdraws."""
    folder = tmp_path_factory.mktemp("made") / "night"
    write_night(folder, RECIPE, ROWS)
    status, told = run(folder)
    assert status == 0, told
    (folder / "shoot" / "roster.csv").write_text(WITHDRAWN)
    shutil.copytree(folder, folder.with_name("kept"))
    return folder


@pytest.fixture
def night(made: Path) -> Path:
    """The same at the same place, which its addresses and records name; without OUT/.work."""
    shutil.rmtree(made)
    shutil.copytree(made.with_name("kept"), made)
    shutil.rmtree(made / "out" / ".work")
    return made


def run(folder: Path) -> tuple[int, str]:
    where = ("run", folder / "recipe.yaml", folder / "shoot", "--out", folder / "out")
    status, told = evencourt(*where, "--workers", 1, "--no-cache", "--offline")
    return status, " ".join(told.split())


def cut(night: Path, before: bytes = b'\n"TH1_0002": ') -> None:
    """As a full disk or a pulled stick leaves it: all from the line of the second frame on is gone."""
    data = (night / "out" / "run.json").read_bytes()
    (night / "out" / "run.json").write_bytes(data[: data.index(before) + 40])


def pictures(folder: Path) -> set[str]:
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*.jpg") if ".work" not in p.parts}


def test_a_folder_that_was_sent_under_a_withheld_name_is_said_and_costs_the_exit_status(night: Path) -> None:
    """Its delivery is none of today's, since a withheld player has no folder: no frame is called as what is in it."""
    cut(night)
    status, told = run(night)
    assert status == 1, told
    families = (night / "sent" / "families").as_posix()
    assert f"not sent: {families}: home_8_Lea_Ost, whose name holds one that is withheld, is there" in told, told
    assert told.count("home_8_Lea_Ost, whose name") == 1  # by each family, but said once
    assert f"look at {families} and {(night / 'sent' / 'web').as_posix()} for players who must not be shown" in told
    left = {"web/TH1_0001.jpg", "web/TH1_0003.jpg", "families/home_7_Ida_Marlow/TH1_0001.jpg"}
    assert pictures(night / "out") == left
    assert "Lea Ost" not in (night / "out" / "run.json").read_text(encoding="utf-8")


def test_so_it_is_where_no_family_is_left(night: Path) -> None:
    cut(night)
    (night / "shoot" / "roster.csv").write_text(ROSTER)
    (night / "shoot" / "shoot.yaml").write_text("minors: true\n")
    status, told = run(night)
    assert status == 1 and "home_8_Lea_Ost, whose name holds" in told, told


def test_what_a_damaged_record_still_says_is_taken_back(night: Path) -> None:
    """All lines but one can be read: her pictures are known by their SHA-256, here and where they were sent."""
    cut(night, b'\n"TH1_0003": ')
    status, told = run(night)
    assert status == 1, told
    assert not any("TH1_0002" in path for one in ("out", "sent") for path in pictures(night / one)), told
    assert not (night / "out" / ".work" / "set_aside").exists()  # proven ours, so it is not kept for a person


def test_where_both_records_are_gone_it_says_how_many_pictures_are_left_and_what_to_do(night: Path) -> None:
    (night / "out" / "run.json").unlink()
    before = pictures(night)
    status, told = run(night)
    assert status == 2 and "holds 5 pictures" in told and "Look through them, and where they were sent" in told, told
    assert pictures(night) == before


def test_without_a_table_in_out_the_night_goes_on_and_says_it(night: Path) -> None:
    (night / "out" / "run.json").unlink()
    (night / "out" / "frames.csv").unlink()
    status, told = run(night)
    assert status == 1 and "neither OUT/.work nor OUT/run.json says all that was sent (5 pictures" in told, told
    assert not any("TH1_0002" in path for path in pictures(night / "out"))


def rename(night: Path) -> None:
    (night / "shoot" / "TH1_0002.jpg").rename(night / "shoot" / "XX_9.jpg")
    (night / "shoot" / "frames.csv").write_text(ROWS.replace("TH1_0002", "XX_9"))


@pytest.mark.parametrize("damage", [lambda night: None, cut])
def test_the_picture_of_a_frame_that_was_renamed_does_not_stay(night: Path, damage: Callable[[Path], None]) -> None:
    """Which frame it shows is known by the bytes that OUT/.work kept: without these it may be hers, and is set aside,
    since it may as well be all that is left of a frame that was deleted."""
    rename(night)
    damage(night)
    hers = (night / "out" / "web" / "TH1_0002.jpg").read_bytes()
    status, told = run(night)
    assert status == (0 if (night / "out" / "run.json").exists() and "damaged" not in told else 1), told
    assert not any("TH1_0002" in path for path in pictures(night / "out")), told
    assert (night / "out" / ".work" / "set_aside" / "web" / "TH1_0002.jpg").read_bytes() == hers
    assert "moved to OUT/.work/set_aside" in told


def test_a_picture_of_unknown_origin_beside_the_delivered_ones_costs_the_exit_status(night: Path) -> None:
    """Nothing in it says who made it; it is somebody's, and may show her."""
    PIL.Image.new("RGB", (8, 8)).save(night / "out" / "web" / "theirs.jpg")
    (night / "out" / "web" / "Thumbs.db").write_bytes(b"of the system")
    for _ in range(2):
        status, told = run(night)
        assert status == 1 and "failed: web/theirs.jpg: no record says that this program made it" in told, told
    (night / "shoot" / "roster.csv").write_text(ROSTER)  # nobody is withheld: a notice
    status, told = run(night)
    assert status == 0 and "no record says that this program made it" in told, told
    assert (night / "out" / "web" / "theirs.jpg").exists()


def test_a_name_that_another_frame_has_today_does_not_hide_hers(night: Path) -> None:
    """Names are given once and kept in OUT/.work; given anew, hers may go to another. The path in run.json counts."""
    (night / "shoot" / "second").mkdir()
    (night / "shoot" / "TH1_0002.jpg").rename(night / "shoot" / "second" / "TH1_0002.jpg")
    PIL.Image.frombytes("RGB", (96, 64), os.urandom(96 * 64 * 3)).save(night / "shoot" / "TH1_0002.jpg")
    text = (night / "out" / "run.json").read_text(encoding="utf-8")
    text = text.replace('"relative":"TH1_0002.jpg"', '"relative":"second/TH1_0002.jpg"')
    (night / "out" / "run.json").write_text(text, encoding="utf-8")
    rows = "frame,players,file\nTH1_0001,home 7,\nTH1_0002,home 8,second/TH1_0002.jpg\nTH1_0002,home 7,TH1_0002.jpg\n"
    (night / "shoot" / "frames.csv").write_text(rows)  # no copy of hers: it says who is in it
    hers = (night / "out" / "web" / "TH1_0002.jpg").read_bytes()
    status, told = run(night)
    assert "families/home_8_Lea_Ost/TH1_0002.jpg and 1 more: removed, because held back" in told, told
    assert (night / "out" / "web" / "TH1_0002.jpg").read_bytes() != hers and status == 0


def test_another_evening_of_the_same_names_takes_nothing_for_its_own(tmp_path: Path) -> None:
    """Cameras count anew every evening. Last week's pictures would be written over, and taken back where they were
    sent; a clock that was set right since is no other evening."""
    for name in ("shoot", "sent"):
        (tmp_path / name).mkdir()
    (tmp_path / "recipe.yaml").write_text(RECIPE.replace("ADDRESS", (tmp_path / "sent").as_posix()))

    def taken(day: str) -> None:
        for number in range(1, 3):
            exif = PIL.Image.Exif()
            exif.get_ifd(0x8769)[0x9003] = f"2026:02:{day} 19:30:0{number}"
            noise = PIL.Image.frombytes("RGB", (96, 64), os.urandom(96 * 64 * 3))
            noise.save(tmp_path / "shoot" / f"TH1_000{number}.jpg", exif=exif)

    taken("14")
    assert run(tmp_path)[0] == 0
    shutil.rmtree(tmp_path / "out" / ".work")
    before = {path: path.read_bytes() for path in tmp_path.rglob("TH1_*.jpg") if "shoot" not in path.parts}
    assert len(before) == 4
    taken("21")
    status, told = run(tmp_path)
    assert status == 2 and "run.json is of another evening" in told and "give another --out" in told, told
    assert {path: path.read_bytes() for path in before} == before
    (tmp_path / "shoot" / "shoot.yaml").write_text("start: 2026-02-14T19:00:00+01:00\n")
    taken("15")
    assert run(tmp_path)[0] == 0


def test_lines_of_a_damaged_run_json_are_read_one_by_one(tmp_path: Path, night: Path) -> None:
    data = (night / "out" / "run.json").read_bytes()
    out = tmp_path / "out"
    out.mkdir()

    def left(damaged: bytes) -> tuple[list[str], bool]:
        (out / "run.json").write_bytes(damaged)
        frames, is_whole = read_left(out)
        return list(frames), is_whole

    names = ["TH1_0001", "TH1_0002", "TH1_0003"]
    assert left(data) == (names, True)
    assert left(data.replace(b'"TH1_0002": {"', b'"TH1_0002": {\xff')) == (["TH1_0001", "TH1_0003"], False)
    assert left(data[: data.index(b'\n"TH1_0002": ') + 40]) == (["TH1_0001"], False)
    assert left(data[data.index(b'\n"TH1_0001": ') :]) == (names, False)  # its head is gone
    assert left(b"") == ([], False)
    (out / "run.json").unlink()
    assert read_left(out)[1] is False
