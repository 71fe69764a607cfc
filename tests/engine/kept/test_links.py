"""Links in OUT: none of our own files and folders may lead elsewhere, least of all into the shoot."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.engine.test_run import evencourt
from tests.golden import write_shoot

RECIPE = """\
recipe: 1
deliveries:
  web: [resize: {long_edge: 96}, caption: , save: {}, deliver: {page: true}]
"""

pytestmark = pytest.mark.skipif(os.name == "nt", reason="symbolic links need rights on Windows")


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("drawn")
    write_shoot(folder / "shoot", size=(96, 144))
    (folder / "night.yaml").write_text(RECIPE, encoding="utf-8")
    return folder


def run(drawn: Path, out: Path) -> tuple[int, str]:
    return evencourt("run", drawn / "night.yaml", drawn / "shoot", "--out", out, "--workers", 1)


def shoot_files(drawn: Path) -> list[tuple[str, int]]:
    return sorted((p.name, p.stat().st_mtime_ns) for p in (drawn / "shoot").rglob("*"))


@pytest.mark.parametrize("name", ["web", "web/small", ".work", ".work/pushed", "run.json", "frames.csv"])
def test_a_link_into_the_shoot_is_refused_before_anything_is_written(drawn: Path, tmp_path: Path, name: str) -> None:
    before = shoot_files(drawn)
    link = tmp_path / "out" / name
    link.parent.mkdir(parents=True)
    link.symlink_to(drawn / "shoot" / ("frames.csv" if "." in name.lstrip(".") else ""))
    status, text = run(drawn, tmp_path / "out")
    assert status == 2 and f"{link}: is a link" in text and "remove the link" in text
    assert shoot_files(drawn) == before
    assert [p for p in (tmp_path / "out").rglob("*") if p.is_file() and not p.is_symlink()] == []


def test_a_folder_with_the_name_of_a_file_is_refused_before_the_night_s_work(drawn: Path, tmp_path: Path) -> None:
    (tmp_path / "out" / "run.json").mkdir(parents=True)
    status, text = run(drawn, tmp_path / "out")
    assert status == 2 and "run.json: is a folder, and a run writes a file of this name" in text
    assert list((tmp_path / "out").iterdir()) == [tmp_path / "out" / "run.json"]


def test_out_may_be_a_link_to_another_disk_and_not_to_the_shoot(drawn: Path, tmp_path: Path) -> None:
    (tmp_path / "disk").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "disk")
    status, text = run(drawn, tmp_path / "out")
    assert status == 0, text
    assert len(list((tmp_path / "disk" / "web").glob("*.jpg"))) == 6
    assert evencourt("verify", tmp_path / "out", "--render", 1)[0] == 0 == evencourt("status", tmp_path / "out")[0]
    (tmp_path / "out").unlink()
    (tmp_path / "out").symlink_to(tmp_path / "gone")
    status, text = run(drawn, tmp_path / "out")
    assert status == 2 and "plug in its disk" in text
    (tmp_path / "out").unlink()
    (tmp_path / "out").symlink_to(drawn / "shoot")
    before = shoot_files(drawn)
    assert run(drawn, tmp_path / "out")[0] == 2 and shoot_files(drawn) == before


def test_a_picture_that_is_a_link_is_replaced_and_its_target_left(drawn: Path, tmp_path: Path) -> None:
    (tmp_path / "mine.jpg").write_bytes(b"somebody's own")
    (tmp_path / "out" / "web").mkdir(parents=True)
    (tmp_path / "out" / "web" / "TH5_0001.jpg").symlink_to(tmp_path / "mine.jpg")
    status, text = run(drawn, tmp_path / "out")
    assert status == 0, text
    assert not (tmp_path / "out" / "web" / "TH5_0001.jpg").is_symlink()
    assert (tmp_path / "mine.jpg").read_bytes() == b"somebody's own"
