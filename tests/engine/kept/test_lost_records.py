"""Records of delivered files that are lost: who may not be shown any more must still go. The people are made up."""

from __future__ import annotations

import shutil
from pathlib import Path

import PIL.Image
import pytest

from pipeline.engine.kept import lost_records
from pipeline.engine.run import Outcome, read_shoot, run
from pipeline.recipe.recipe import load_recipe
from pipeline.report.record import FileRecord, FrameRecord
from pipeline.steps import REGISTRY
from pipeline.store.keys import digest_file, record_name
from pipeline.store.store import Store
from tests.golden import write_shoot

RECIPE = """\
recipe: 1
deliveries:
  web: [resize: {long_edge: 120}, caption: , save: ]
"""
ROSTER = "team,number,name,publish\nhome,7,Siri Fjellheim,{publish}\n"
ROWS = "frame,players\nTH5_0001,home 7\nTH5_0002,home 7\n"


@pytest.fixture(scope="module")
def delivered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("delivered")
    write_shoot(folder / "shoot", size=(96, 144))
    (folder / "shoot" / "frames.csv").write_text(ROWS, encoding="utf-8")
    (folder / "night.yaml").write_text(RECIPE, encoding="utf-8")
    may_be_shown(folder, "yes")
    again(folder)
    return folder


@pytest.fixture
def night(delivered: Path, tmp_path: Path) -> Path:
    shutil.copytree(delivered, tmp_path / "night")
    return tmp_path / "night"


def may_be_shown(night: Path, publish: str) -> None:
    (night / "shoot" / "roster.csv").write_text(ROSTER.format(publish=publish), encoding="utf-8")


def again(night: Path, only: str | None = None) -> Outcome:
    shoot = read_shoot(night / "shoot", models=night, out=night / "out")
    return run(load_recipe(night / "night.yaml", REGISTRY), shoot, night / "out", workers=1, only=only)


def damage(night: Path, relative: str) -> None:
    path = night / "out" / ".work" / "done" / record_name(relative)
    path.write_bytes(path.read_bytes()[:-9])


def there(night: Path) -> set[str]:
    return {path.name for path in (night / "out" / "web").iterdir()}


def test_a_file_whose_record_is_damaged_goes_when_consent_is_withdrawn(night: Path) -> None:
    damage(night, "web/TH5_0001.jpg")
    may_be_shown(night, "no")
    outcome = again(night)
    assert there(night) == {f"TH5_000{n}.jpg" for n in (3, 4, 5, 6)}
    assert any("damaged, or not written by this program" in text for text in outcome.record.notices)


def test_a_frame_called_otherwise_in_the_record_is_found_too(night: Path) -> None:
    """run.json calls a frame by its number where its own name may hold a part of that of a withheld player."""
    (night / "shoot" / "TH5_0001.dng").rename(night / "shoot" / "Fjellheim_1.dng")
    table = night / "shoot" / "frames.csv"
    table.write_text("frame,keep\n", encoding="utf-8")
    may_be_shown(night, "no")
    shutil.rmtree(night / "out")
    again(night)
    assert "frame-0001.jpg" in there(night)
    damage(night, "web/frame-0001.jpg")
    table.write_text("frame,keep\nFjellheim_1,no\n", encoding="utf-8")
    again(night)
    assert there(night) == {f"TH5_000{n}.jpg" for n in (2, 3, 4, 5, 6)}


def test_where_nothing_proves_it_ours_it_is_left_and_named(night: Path) -> None:
    damage(night, "web/TH5_0001.jpg")
    (night / "out" / "run.json").write_bytes(b"{}")
    (night / "out" / "web" / "mine.jpg").write_bytes(b"somebody's own")
    may_be_shown(night, "no")
    outcome = again(night)
    assert "mine.jpg" in there(night)
    said = outcome.record.failed_steps["unknown pictures"]  # it may show or name her: the exit status is 1
    assert said.startswith("web/mine.jpg: ") and "delete it" in said


def test_a_file_that_a_person_changed_is_set_aside(night: Path) -> None:
    damage(night, "web/TH5_0001.jpg")
    path = night / "out" / "web" / "TH5_0001.jpg"
    path.write_bytes(path.read_bytes() + b"retouched")
    may_be_shown(night, "no")
    outcome = again(night)
    assert not path.exists()
    assert (night / "out/.work/set_aside/web/TH5_0001.jpg").read_bytes().endswith(b"retouched")
    assert any(text.startswith("web/TH5_0001.jpg: changed since") for text in outcome.record.notices)


def test_a_file_that_was_not_asked_for_gets_the_text_of_today(night: Path) -> None:
    damage(night, "web/TH5_0001.jpg")
    path = night / "out" / "web" / "TH5_0001.jpg"
    assert b"Siri Fjellheim" in path.read_bytes()
    (night / "shoot" / "roster.csv").write_text("team,number,name\nhome,7,Runa Lindqvist\n", encoding="utf-8")
    again(night, only="TH5_0006")
    assert b"Siri Fjellheim" not in path.read_bytes() and b"Runa Lindqvist" in path.read_bytes()
    assert len(there(night)) == 6


def test_records_that_are_lost_are_made_again_with_the_same_bytes(night: Path) -> None:
    before = {path.name: path.read_bytes() for path in (night / "out" / "web").iterdir()}
    shutil.rmtree(night / "out" / ".work")
    again(night)
    assert {path.name: path.read_bytes() for path in (night / "out" / "web").iterdir()} == before
    outcome = again(night)
    assert outcome.record.counts.rendered == 0 and not any("damaged" in text for text in outcome.record.notices)


def test_a_frame_that_is_gone_is_not_taken_for_the_one_of_its_name_today(tmp_path: Path) -> None:
    """Two cards had a TH1_0001. That of the first has left the shoot, so that of the second is called so now: what it
    forbids or allows says nothing of the picture of the first."""
    out, second = tmp_path / "out", tmp_path / "shoot" / "card2" / "TH1_0001.jpg"
    second.parent.mkdir(parents=True)
    PIL.Image.new("RGB", (32, 24)).save(second)
    (out / "web" / "card2").mkdir(parents=True)
    was = {"TH1_0001": "web/TH1_0001.jpg", "card2/TH1_0001": "web/card2/TH1_0001.jpg"}
    frames = {}
    for number, (name, file) in enumerate(was.items()):
        PIL.Image.new("RGB", (32, 24), (number, 0, 0)).save(out / file)
        one = FileRecord(file, digest_file(out / file), 1, 32, 24, 90, "", True, "", "", "", [])
        frames[name] = FrameRecord(f"{name}.jpg", "delivered", deliveries={"web": one})
    shoot = read_shoot(tmp_path / "shoot", models=tmp_path)
    assert [frame.name for frame in shoot.frames] == ["TH1_0001"]
    found = lost_records._recorded(Store(out), set(was.values()), frames, shoot)
    assert {one.relative: one.frame for one in found} == {
        "web/TH1_0001.jpg": "TH1_0001 (then)",
        "web/card2/TH1_0001.jpg": "TH1_0001",
    }
