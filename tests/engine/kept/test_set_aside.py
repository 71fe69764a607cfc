"""What lies in a delivery and is not proven ours is set aside: neither removed, nor written over, nor left where it may
not be seen. The people are made up."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from pipeline.store import set_aside as module
from pipeline.store.set_aside import moved_notice, set_aside
from tests.engine.test_run import evencourt
from tests.golden import write_shoot

RECIPE = """\
recipe: 1
deliveries:
  web: [resize: {long_edge: 96}, caption: , save: {}, deliver: {page: true}]
"""
ROSTER = "team,number,name,publish\nhome,7,Siri Fjellheim,{publish}\n"
PICTURE, SMALL = "web/TH5_0001.jpg", "web/small/TH5_0001.jpg"
MOVED = "changed since it was delivered, or not written by this program; it was moved to OUT/.work/set_aside"


@pytest.fixture(scope="module")
def delivered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("delivered")
    write_shoot(folder / "shoot", size=(96, 144))
    (folder / "shoot" / "frames.csv").write_text("frame,players\nTH5_0001,home 7\n", encoding="utf-8")
    (folder / "night.yaml").write_text(RECIPE, encoding="utf-8")
    may_be_shown(folder, "yes")
    assert run(folder)[0] == 0
    return folder


@pytest.fixture
def night(delivered: Path, tmp_path: Path) -> Path:
    shutil.copytree(delivered, tmp_path / "night")
    return tmp_path / "night"


def may_be_shown(night: Path, publish: str) -> None:
    (night / "shoot" / "roster.csv").write_text(ROSTER.format(publish=publish), encoding="utf-8")


def run(night: Path, *more: object) -> tuple[int, str]:
    return evencourt("run", night / "night.yaml", night / "shoot", "--out", night / "out", "--workers", 1, *more)


def by_hand(night: Path, relative: str) -> bytes:
    path = night / "out" / relative
    path.write_bytes(path.read_bytes() + b"x")
    return path.read_bytes()


def aside(night: Path, relative: str) -> bytes:
    return (night / "out" / ".work" / "set_aside" / relative).read_bytes()


def notes(text: str) -> list[str]:
    return [line for line in text.splitlines() if line.startswith("note: ")]


def test_a_changed_picture_of_a_held_frame_leaves_the_delivery(night: Path) -> None:
    """Also its small picture; the frames that may be shown are as they were, and verify finds nothing wrong."""
    picture, small = by_hand(night, PICTURE), by_hand(night, SMALL)
    may_be_shown(night, "no")
    status, text = run(night)
    assert status == 0, text
    assert not (night / "out" / PICTURE).exists() and not (night / "out" / SMALL).exists()
    assert aside(night, PICTURE) == picture and aside(night, SMALL) == small
    whys = {PICTURE: "since its frame is held back", SMALL: "since it shows what may no longer be shown"}
    for name, why in whys.items():
        assert any(
            f"{name}: changed since it was delivered" in line and f"OUT/.work/set_aside, {why}" in line
            for line in notes(text)
        ), text
    assert len(list((night / "out" / "web").glob("*.jpg"))) == 5
    status, text = evencourt("verify", night / "out")
    assert status == 0 and "set_aside: 2 files set aside by earlier runs" in text
    assert "set_aside" not in run(night)[1]  # said once


@pytest.mark.parametrize("lost", ["removed", "emptied", "all"])
def test_a_delivered_picture_leaves_also_where_no_record_is_left(night: Path, lost: str) -> None:
    """A loss of power may empty what was written last."""
    out = night / "out"
    for path in [*(out / ".work" / "done").iterdir(), *(out / ".work" / "extras").iterdir(), out / "run.json"]:
        path.write_bytes(b"") if lost == "emptied" else path.unlink()
    if lost == "all":
        shutil.rmtree(out / ".work")
        (out / "frames.csv").unlink()
    may_be_shown(night, "no")
    others = {path.name: path.read_bytes() for path in (out / "web").glob("*.jpg") if path.stem != "TH5_0001"}
    status, text = run(night)
    assert status == (1 if lost == "all" else 0), text  # nobody knows then what was sent
    assert {path.name: path.read_bytes() for path in (out / "web").glob("*.jpg")} == others
    assert not (out / SMALL).exists() and aside(night, PICTURE) and aside(night, SMALL)
    assert not (out / ".work" / "set_aside" / "web" / "TH5_0002.jpg").exists()  # made again with the same bytes
    assert b"Fjellheim" not in b"".join(path.read_bytes() for path in out.glob("web/**/*") if path.is_file())


def test_a_name_that_the_file_had_before_it_was_withheld_counts(night: Path) -> None:
    (night / "night.yaml").write_text(RECIPE.replace("save: {}", "save: {name: '{{ players }}_{{ count }}'}"))
    shutil.rmtree(night / "out")
    assert run(night)[0] == 0
    out = night / "out"
    [named] = [path for path in (out / "web").glob("*.jpg") if "Fjellheim" in path.name]
    shutil.rmtree(out / ".work")
    (out / "run.json").unlink()
    (out / "frames.csv").unlink()
    may_be_shown(night, "no")
    status, text = run(night)
    assert status == 1 and "neither OUT/.work nor OUT/run.json says all that was sent" in text
    assert not named.exists() and aside(night, f"web/{named.name}")


def test_a_picture_that_a_person_changed_is_kept_and_made_again(night: Path) -> None:
    right, changed = (night / "out" / PICTURE).read_bytes(), by_hand(night, PICTURE)
    status, text = run(night)
    assert status == 0 and f"{PICTURE}: {MOVED}, and made again" in text
    assert (night / "out" / PICTURE).read_bytes() == right and aside(night, PICTURE) == changed
    again = by_hand(night, PICTURE) + b"y"
    (night / "out" / PICTURE).write_bytes(again)
    assert run(night)[0] == 0
    kept = {path.read_bytes() for path in (night / "out" / ".work" / "set_aside" / "web").iterdir()}
    assert kept == {changed, again}  # neither replaces the other


def test_a_person_s_own_file_under_the_name_of_a_picture_is_kept(night: Path) -> None:
    shutil.rmtree(night / "out")
    (night / "out" / "web").mkdir(parents=True)
    (night / "out" / PICTURE).write_bytes(b"somebody's own")
    status, text = run(night)
    assert status == 0 and f"{PICTURE}: {MOVED}, and made again" in text
    assert aside(night, PICTURE) == b"somebody's own" and (night / "out" / PICTURE).stat().st_size > 100


def test_a_changed_picture_whose_text_is_out_of_date_is_set_aside_also_with_only(night: Path) -> None:
    changed = by_hand(night, PICTURE)
    (night / "shoot" / "roster.csv").write_text("team,number,name\nhome,7,Runa Lindqvist\n", encoding="utf-8")
    _, text = run(night, "--only", "TH5_0006")
    assert f"{PICTURE}: {MOVED}, since it may not stay as it is" in text, text
    assert aside(night, PICTURE) == changed and not (night / "out" / PICTURE).exists()


def test_where_records_are_lost_and_the_recipe_changed_run_json_proves_the_pictures_ours(night: Path) -> None:
    shutil.rmtree(night / "out" / ".work" / "done")
    (night / "night.yaml").write_text(RECIPE.replace("save: {}", "save: {quality: 60}"))
    status, text = run(night)
    assert status == 0 and "set_aside" not in text
    assert not (night / "out" / ".work" / "set_aside").exists()


def test_the_note_is_seen_among_many(night: Path) -> None:
    by_hand(night, PICTURE)
    for number in range(30):
        (night / "shoot" / f"n{number}.cr2").write_bytes(b"no raw")
    _, text = run(night)
    assert f"{PICTURE}: {MOVED}" in "\n".join(notes(text)), text


@pytest.mark.skipif(os.name == "nt", reason="symbolic links need rights on Windows")
@pytest.mark.parametrize("publish", ["yes", "no"])
def test_where_it_cannot_be_moved_the_run_fails_and_says_so(night: Path, tmp_path: Path, publish: str) -> None:
    """No link is followed."""
    changed = by_hand(night, PICTURE)
    (tmp_path / "elsewhere").mkdir()
    (night / "out" / ".work" / "set_aside").symlink_to(tmp_path / "elsewhere")
    may_be_shown(night, publish)
    status, text = run(night)
    assert status == 1 and PICTURE in text and list((tmp_path / "elsewhere").iterdir()) == []
    assert (night / "out" / PICTURE).read_bytes() == changed
    if publish == "no":
        assert f"failed: {PICTURE} (" in text and "files in OUT that must not stay there" in text
    else:
        assert "cannot be moved to OUT/.work/set_aside" in text and "1 failed" in text


def test_a_folder_under_the_name_of_a_picture_is_named(night: Path) -> None:
    """The raw is not at fault."""
    (night / "out" / PICTURE).unlink()
    (night / "out" / PICTURE).mkdir()
    status, text = run(night)
    assert status == 1 and f"{night / 'out' / PICTURE}: is a folder" in text and "cannot be read" not in text


def test_a_write_that_fails_brings_the_file_back(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    changed = by_hand(night, PICTURE)

    def refuse(path: Path, data: bytes) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr("pipeline.engine.render.write_atomic", refuse)
    from tests.engine.kept.test_lost_records import again

    outcome = again(night)
    assert outcome.failed and (night / "out" / PICTURE).read_bytes() == changed


def test_a_kill_between_the_move_and_the_render_loses_nothing(night: Path) -> None:
    right, changed = (night / "out" / PICTURE).read_bytes(), by_hand(night, PICTURE)
    set_aside(night / "out", PICTURE)
    assert run(night)[0] == 0
    assert (night / "out" / PICTURE).read_bytes() == right and aside(night, PICTURE) == changed


def test_a_changed_zip_that_nobody_asks_for_is_set_aside(night: Path) -> None:
    changed = by_hand(night, "web/index.html")
    (night / "night.yaml").write_text(RECIPE.replace("page: true", "page: false"))
    status, text = run(night)
    assert status == 0 and f"web/index.html: {MOVED}, since it is no longer asked for" in text
    assert aside(night, "web/index.html") == changed


def test_a_move_replaces_nothing_and_long_names_fit(tmp_path: Path) -> None:
    name = "å" * 120 + ".jpg"
    (tmp_path / "web").mkdir()
    for content in (b"1", b"2", b"2", b"2"):
        (tmp_path / "web" / name).write_bytes(content)
        where = set_aside(tmp_path, f"web/{name}")
        assert (tmp_path / where).read_bytes() == content
    assert sorted(p.read_bytes() for p in (tmp_path / module.FOLDER / "web").iterdir()) == [b"1", b"2", b"2", b"2"]
    with pytest.raises(OSError, match="link"):
        set_aside(tmp_path, "../web")


def test_a_notice_is_bounded() -> None:
    text = moved_notice([f"web/{n:02d}.jpg" for n in range(25)], "one", "several")
    assert "web/19.jpg and 5 more: " in text and "web/20.jpg" not in text and text.endswith(", several")
