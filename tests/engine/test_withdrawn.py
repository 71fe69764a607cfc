"""Somebody withdraws while a run is on: it has read the facts before, and must send nobody's picture."""

from __future__ import annotations

import os
import zipfile
from pathlib import Path

import PIL.Image
import pytest

from pipeline.engine import run as engine
from tests.engine.test_run import evencourt
from tests.engine.withdrawing import ROSTER

RECIPE = """\
recipe: 1
deliveries:
  web:
    - resize: {long_edge: 64}
    - caption:
    - save:
    - deliver: {zip: true, push: "ADDRESS"}
"""
ROWS = "frame,players,words\nTH1_0001,home 7,\nTH1_0002,home 8,\nTH1_0003,,\n"


class Night:
    """Three pictures, and a run during which a file of the facts is written."""

    def __init__(self, folder: Path, patch: pytest.MonkeyPatch) -> None:
        self.folder, self.patch = folder, patch
        for name in ("shoot", "club"):
            (folder / name).mkdir()
        for number in range(1, 4):
            noise = PIL.Image.frombytes("RGB", (96, 64), os.urandom(96 * 64 * 3))
            noise.save(folder / "shoot" / f"TH1_000{number}.jpg")
        address = (folder / "club" / "{delivery}").as_posix()
        (folder / "recipe.yaml").write_text(RECIPE.replace("ADDRESS", address))
        (folder / "shoot" / "roster.csv").write_text(ROSTER)
        (folder / "shoot" / "frames.csv").write_text(ROWS)

    def run(self, meanwhile: dict[str, str] | None = None) -> tuple[int, str]:
        """(exit status, what was printed). meanwhile  file of the facts -> its text from the end of the render on"""
        settle = engine.Outputs.settle

        def later(*arguments: object) -> None:
            for name, text in (meanwhile or {}).items():
                (self.folder / "shoot" / name).write_text(text)
            settle(*arguments)  # type: ignore[arg-type]

        self.patch.setattr(engine.Outputs, "settle", later)
        where = ("run", self.folder / "recipe.yaml", self.folder / "shoot", "--out", self.folder / "out")
        try:
            return evencourt(*where, "--workers", 1, "--no-cache")
        finally:
            self.patch.setattr(engine.Outputs, "settle", settle)

    def sent(self) -> set[str]:
        return {path.name for path in (self.folder / "club").rglob("*.jpg")}


@pytest.fixture
def night(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Night:
    return Night(tmp_path, monkeypatch)


@pytest.mark.parametrize(
    ("file", "text", "said"),
    [
        ("roster.csv", ROSTER.replace("Lea Ost,", "Lea Ost,no"), "1 frame is held back for consent since the run"),
        ("frames.csv", ROWS.replace("TH1_0003,,", "TH1_0003,home 77,"), "1 frame is held back for consent since"),
        ("shoot.yaml", "minors: true\n", "says minors: true since the run began"),
        ("roster.csv", ROSTER.replace("Lea Ost,", "Lea Ost,perhaps"), "are wrong now"),
        ("roster.csv", ROSTER.replace("publish", "may be shown"), "are wrong now"),
    ],
)
def test_nothing_is_sent_of_a_run_during_which_somebody_withdraws(
    night: Night, file: str, text: str, said: str
) -> None:
    status, told = night.run({file: text})
    assert status == 1 and said in told and "run the same command again" in told, told
    assert night.sent() == set() and not (night.folder / "out" / "web" / "web.zip").exists()


def test_a_copy_counts_with_the_frame_that_is_named_meanwhile(night: Night) -> None:
    noise = PIL.Image.frombytes("RGB", (96, 64), os.urandom(96 * 64 * 3))
    noise.save(night.folder / "shoot" / "TH1_0003_edit.jpg")
    status, told = night.run({"frames.csv": ROWS.replace("TH1_0003,,", "TH1_0003,home 77,")})
    assert status == 1 and "2 frames are held back for consent since the run" in told, told


def test_the_next_run_takes_the_picture_away_and_sends_the_rest(night: Night) -> None:
    night.run({"roster.csv": ROSTER.replace("Lea Ost,", "Lea Ost,no")})
    status, told = night.run()
    assert status == 0, told
    assert night.sent() == {"TH1_0001.jpg", "TH1_0003.jpg"}
    assert not (night.folder / "out" / "web" / "TH1_0002.jpg").exists()
    with zipfile.ZipFile(night.folder / "out" / "web" / "web.zip") as archive:
        assert "TH1_0002.jpg" not in str(archive.namelist())


def test_other_changes_meanwhile_hold_up_nothing(night: Night) -> None:
    status, told = night.run({"frames.csv": ROWS.replace("TH1_0003,,", "TH1_0003,,jumps to shoot")})
    assert status == 0, told
    assert len(night.sent()) == 3


def test_a_picture_goes_though_its_frame_was_taken_out_of_the_shoot(night: Night) -> None:
    """Who withdraws a child may well delete the frame first; its row still says whom the delivered picture shows."""
    recipe = night.folder / "recipe.yaml"
    recipe.write_text(recipe.read_text().split(", push")[0] + "}\n")
    assert night.run()[0] == 0
    for name in ("TH1_0001", "TH1_0002"):
        (night.folder / "shoot" / f"{name}.jpg").unlink()
    (night.folder / "shoot" / "roster.csv").write_text(ROSTER.replace("Lea Ost,", "Lea Ost,no"))
    status, told = night.run()
    assert status == 1 and "no frame TH1_0002" in told, told
    there = {path.name for path in (night.folder / "out" / "web").glob("*.jpg")}
    assert there == {"TH1_0001.jpg", "TH1_0003.jpg"}, there
