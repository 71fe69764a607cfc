"""Somebody withdraws after pictures were sent: they go before anything else is done, and however the run then ends."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import zipfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import PIL.Image
import pytest

from pipeline.deliver.targets import Folder
from pipeline.engine import run as engine
from pipeline.engine.kept import taking_back, withdrawn
from pipeline.engine.outputs import Outputs
from tests.engine.test_run import evencourt
from tests.engine.withdrawing import ROSTER, WITHDRAWN, write_night
from tests.shoot.gather.test_disks import mounted

pytest.importorskip("fsspec", reason="fsspec is not installed: pip install 'evencourt[push]'")
RECIPE = """\
recipe: 1
deliveries:
  club:
    - resize: {long_edge: 64}
    - caption:
    - save:
    - deliver: {zip: true, page: true, push: "ADDRESS/{delivery}"}
  press:
    - resize: {long_edge: 48}
    - caption:
    - save:
    - deliver: {zip: true, page: true, push: "ADDRESS/{delivery}"}
"""
ROWS = "frame,players,words\nTH1_0001,home 7,\nTH1_0002,home 8,\nTH1_0003,,\n"
Run = Callable[[], tuple[int, str]]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three pictures, delivered twice and sent to two addresses; then Lea, who is on the second, withdraws."""
    folder = tmp_path_factory.mktemp("made") / "night"
    write_night(folder, RECIPE, ROWS)
    status, told = run(folder)
    assert status == 0, told
    assert len(shown(folder)) == 3 * 2 * 2
    (folder / "shoot" / "roster.csv").write_text(WITHDRAWN)
    shutil.copytree(folder, folder.with_name("kept"))
    return folder


@pytest.fixture
def night(made: Path) -> Path:
    """The same at the same place, which its address and records name."""
    shutil.rmtree(made)
    return shutil.copytree(made.with_name("kept"), made)


def run(folder: Path) -> tuple[int, str]:
    where = ("run", folder / "recipe.yaml", folder / "shoot", "--out", folder / "out")
    return evencourt(*where, "--workers", 1, "--no-cache")


def shown(folder: Path, *, small: bool = False) -> list[str]:
    """Paths of the delivered and sent pictures."""
    found = (p.relative_to(folder) for one in ("out", "sent") for p in (folder / one).rglob("TH1_*.jpg"))
    return sorted(p.as_posix() for p in found if ".work" not in p.parts and (small or "small" not in p.parts))


def shows_lea(folder: Path) -> list[str]:
    """All that still shows her: pictures, also small, and zips and pages that hold or name the picture."""
    found = [path for path in shown(folder, small=True) if "TH1_0002" in path]
    for one in ("out", "sent"):
        for path in (folder / one).rglob("*"):
            if (
                path.suffix == ".zip"
                and ".work" not in path.parts
                and "TH1_0002" in str(zipfile.ZipFile(path).namelist())
            ):
                found.append(path.relative_to(folder).as_posix())
            if path.name == "index.html" and "TH1_0002" in path.read_text(encoding="utf-8"):
                found.append(path.relative_to(folder).as_posix())
    return found


def test_all_of_it_goes_before_a_frame_is_measured(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever stops the night after that: a power cut, a full disk, Ctrl-C."""
    assert len(shows_lea(night)) == 3 * 2 * 2 + 2 * 2  # picture, small picture and page, two deliveries, here and there
    seen: list[list[str]] = []

    def stopped(*arguments: object) -> None:
        seen.append(shows_lea(night))
        raise KeyboardInterrupt

    monkeypatch.setattr(engine, "decide", stopped)
    run(night)
    assert seen == [[]]
    assert len(shown(night)) == 2 * 2 * 2  # what may be shown stays


def test_a_full_disk_keeps_nobody_in_the_pictures(night: Path, tmp_path: Path) -> None:
    """On a file system of its own that takes not one byte more."""
    if not mounted(tmp_path / "disk", "16m"):
        pytest.skip("no file system can be mounted here")
    out = tmp_path / "disk" / "out"
    try:
        shutil.copytree(night / "out", out)
        with suppress(OSError), (tmp_path / "disk" / "other").open("wb") as other:
            while True:
                other.write(bytes(1 << 12))
                other.flush()
        _, told = evencourt("run", night / "recipe.yaml", night / "shoot", "--out", out, "--workers", 1, "--no-cache")
        assert "make room" in told and "taken back from where it had been sent" in " ".join(told.split()), told
        assert [path for path in shows_lea(tmp_path / "disk") if ".work" not in path] == []
        assert [path for path in shows_lea(night) if path.startswith("sent/")] == []
        assert len(list(out.glob("*/TH1_*.jpg"))) == 2 * 2
    finally:
        subprocess.run(["umount", "-l", str(tmp_path / "disk")], check=True, timeout=60)


def test_names_go_from_the_address_before_a_frame_is_measured(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Frames stay, their names may not: what is sent without one is left, and is not looked at again."""
    (night / "shoot" / "roster.csv").write_text(ROSTER)
    (night / "shoot" / "shoot.yaml").write_text("minors: true\n")
    (night / "sent" / "club" / "theirs.jpg").write_bytes(b"Ida Marlow, by somebody else")

    def stopped(*arguments: object) -> None:
        raise KeyboardInterrupt

    def named() -> list[str]:
        files = [path for path in (night / "sent").rglob("*.*") if b"Marlow" in path.read_bytes()]
        return sorted(path.relative_to(night / "sent").as_posix() for path in files)

    assert {"club/TH1_0001.jpg", "press/TH1_0001.jpg"} < set(named())
    monkeypatch.setattr(engine, "decide", stopped)
    for _ in range(2):
        status, told = run(night)
        assert status == 130 and named() == ["club/theirs.jpg"], told
        sent = [path for path in shown(night) if path.startswith("sent/")]
        assert sent == ["sent/club/TH1_0003.jpg", "sent/press/TH1_0003.jpg"]
        monkeypatch.setattr(taking_back, "own_texts", lambda path: pytest.fail(f"{path} was looked at again"))


def test_what_cannot_be_taken_back_now_is_said_now(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not in the morning: nor is it forgotten where the run is stopped."""
    (night / "sent").rename(night / "elsewhere")

    def stopped(*arguments: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(engine, "decide", stopped)
    status, told = run(night)
    assert status == 130, told
    assert f"{(night / 'sent' / 'club').as_posix()}: still holds TH1_0002.jpg" in told, told
    assert "club/TH1_0002.jpg and 1 more: removed, because held back" in told, told


def test_what_could_be_removed_at_the_second_attempt_is_no_failure(
    night: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bring, failed = Outputs._bring_into_line, []

    def at_first(self: Outputs, *arguments: object) -> None:
        if not failed:
            failed.append(arguments)
            raise PermissionError(13, "is open in another program")
        bring(self, *arguments)  # type: ignore[arg-type]

    monkeypatch.setattr(Outputs, "_bring_into_line", at_first)
    status, told = run(night)
    assert failed and status == 0 and shows_lea(night) == [], told


def test_a_second_address_does_not_wait_for_the_first(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A name that may not be read any more is taken back everywhere before the first file is sent."""
    (night / "shoot" / "roster.csv").write_text(ROSTER)
    (night / "shoot" / "shoot.yaml").write_text("minors: true\n")
    put, at_first = Folder.put, []

    def noted(self: Folder, local: Path, name: str, sha256: str) -> object:
        if not at_first:
            at_first.extend([*(night / "sent").rglob("*.zip"), *(night / "sent").rglob("index.html")])
            at_first.append(b"Marlow" in b"".join(p.read_bytes() for p in (night / "sent").rglob("*.*")))
        return put(self, local, name, sha256)

    monkeypatch.setattr(Folder, "put", noted)
    status, told = run(night)
    assert status == 0, told
    assert at_first == [False]
    assert len(shown(night)) == 3 * 2 * 2


def test_a_stop_while_it_sends_leaves_nothing_of_her(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(*arguments: object, **others: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("pipeline.engine.sending.deliver", stopped)
    run(night)
    assert shows_lea(night) == []


def test_who_withdraws_while_it_sends_is_sent_no_further(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The club's set is sent when she withdraws: it is taken back, and the paper gets nothing of her."""
    shutil.rmtree(night / "out")
    shutil.rmtree(night / "sent" / "club")
    shutil.rmtree(night / "sent" / "press")
    (night / "shoot" / "roster.csv").write_text(ROSTER)
    from pipeline.engine import sending

    deliver, made = sending.deliver, []

    def later(*arguments: object, **others: object) -> object:
        done = deliver(*arguments, **others)  # type: ignore[arg-type]
        made.append(arguments[1])
        assert any("TH1_0002" in path for path in shown(night) if path.startswith("sent/club"))
        (night / "shoot" / "roster.csv").write_text(WITHDRAWN)
        return done

    monkeypatch.setattr(sending, "deliver", later)
    status, told = run(night)
    assert status == 1 and "1 frame is held back for consent since the run began" in told, told
    assert [path for path in shows_lea(night) if not path.startswith("out/")] == []
    assert shows_lea(night) == ["out/club/TH1_0002.jpg", "out/press/TH1_0002.jpg"]  # for the next run, as it says
    assert made == ["club"] and not (night / "sent" / "press").exists()
    monkeypatch.undo()
    status, told = run(night)
    assert status == 0, told
    assert shows_lea(night) == [] and len(shown(night)) == 2 * 2 * 2


def test_who_withdraws_while_one_set_is_sent_is_not_sent_after_it(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A long push looks before each file."""
    shutil.rmtree(night / "out")
    for name in ("club", "press"):
        shutil.rmtree(night / "sent" / name)
    (night / "shoot" / "roster.csv").write_text(ROSTER)
    put, names = Folder.put, []

    def noted(self: Folder, local: Path, name: str, sha256: str) -> object:
        (night / "shoot" / "roster.csv").write_text(WITHDRAWN)
        names.append(name)
        return put(self, local, name, sha256)

    monkeypatch.setattr(Folder, "put", noted)
    status, told = run(night)
    assert status == 1 and names == ["TH1_0001.jpg"], told
    assert [path for path in shows_lea(night) if path.startswith("sent/")] == []


def test_a_deleted_frame_of_hers_is_taken_back_and_the_night_goes_on(night: Path) -> None:
    (night / "shoot" / "TH1_0002.jpg").unlink()
    status, told = run(night)
    assert status == 1 and "no frame TH1_0002" in told, told
    assert shows_lea(night) == [] and len(shown(night)) == 2 * 2 * 2


def test_a_row_that_only_resembles_a_deleted_frame_takes_it_back_and_is_looked_at(night: Path) -> None:
    """It may mean another frame, which nobody holds back: nothing is sent before a person has looked."""
    (night / "shoot" / "TH1_0002.jpg").unlink()
    (night / "shoot" / "frames.csv").write_text(ROWS.replace("TH1_0002,", "./other/TH1_0002,"))
    status, told = run(night)
    assert status == 2 and "frames.csv:3: shows a player" in told, told
    assert shows_lea(night) == []


def test_hers_is_taken_back_also_where_another_row_fits_no_frame(night: Path) -> None:
    """That row may hold back anything, so nothing is sent until a person looks; what is known goes all the same."""
    with (night / "shoot" / "frames.csv").open("a") as file:
        file.write("TH1_OO3,home 8,\n")
    status, told = run(night)
    assert status == 2 and "frames.csv:5: shows a player" in told and "taken back from where" in told, told
    assert shows_lea(night) == []


def test_where_the_records_were_deleted_run_json_says_what_was_sent(night: Path) -> None:
    shutil.rmtree(night / "out" / ".work")
    (night / "sent" / "club" / "TH1_0003.jpg").write_bytes(b"another picture of the club's own")
    with (night / "out" / "press" / "press.zip").open("ab") as file:
        file.write(b"a comment that somebody added")
    status, told = run(night)
    assert shows_lea(night) == [], told
    assert (night / "sent" / "club" / "TH1_0003.jpg").read_bytes() == b"another picture of the club's own"
    assert status == 1 and "TH1_0003.jpg is there and is not what was put there" in told, told
    assert "press/press.zip" in told and "moved to OUT/.work/set_aside" in told, told


def test_what_no_record_knows_is_left_and_said(night: Path) -> None:
    """OUT was deleted: nothing proves that what is at the address is ours, and her picture is named."""
    shutil.rmtree(night / "out")
    status, told = run(night)
    assert status == 1 and "TH1_0002.jpg is there, and its frame is held back" in told, told
    assert "TH1_0002.jpg" in str(shows_lea(night))
    notices = json.loads((night / "out" / "run.json").read_text())["notices"]
    assert any("there before this first push from here" in text for text in notices), notices


def test_a_stop_by_hand_leaves_alone_what_shows_nobody_else(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A frame was added: the old zip and page are not complete any more, and hurt nobody."""
    (night / "shoot" / "roster.csv").write_text(ROSTER)
    PIL.Image.frombytes("RGB", (96, 64), os.urandom(96 * 64 * 3)).save(night / "shoot" / "TH1_0004.jpg")
    before = {path: path.read_bytes() for path in (night / "sent").rglob("*.*")}
    zips = {path: path.read_bytes() for path in (night / "out").glob("*/*.zip")}
    monkeypatch.setattr(engine._Run, "_render", lambda self, decided, only: (_ for _ in ()).throw(KeyboardInterrupt))
    status, told = run(night)
    assert status != 0 and len(zips) == 2, told
    assert {path: path.read_bytes() for path in (night / "sent").rglob("*.*")} == before
    assert {path: path.read_bytes() for path in (night / "out").glob("*/*.zip")} == zips


def test_facts_are_read_again_only_when_their_files_change(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline.engine.run import read_shoot

    looked: list[object] = []
    monkeypatch.setattr(withdrawn, "withheld_meanwhile", lambda shoot: looked.append(shoot))
    watch = withdrawn.Watch(read_shoot(night / "shoot", models=night))
    for _ in range(3):
        assert watch.withdrawal() is None
    assert len(looked) == 1
    (night / "shoot" / "roster.csv").write_text(WITHDRAWN + "home,9,Una Hale,\n")
    watch.withdrawal()
    assert len(looked) == 2


@pytest.mark.parametrize("name", ["players.txt", "lists/club.csv"])
def test_a_table_that_is_called_otherwise_is_watched_too(
    night: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    from pipeline.engine.run import read_shoot

    roster = night / "shoot" / name
    roster.parent.mkdir(exist_ok=True)
    (night / "shoot" / "roster.csv").rename(roster)
    (night / "shoot" / "shoot.yaml").write_text(f"roster: {name}\n")
    looked: list[object] = []
    monkeypatch.setattr(withdrawn, "withheld_meanwhile", lambda shoot: looked.append(shoot))
    watch = withdrawn.Watch(read_shoot(night / "shoot", models=night))
    watch.withdrawal()
    roster.write_text(WITHDRAWN + "home,9,Una Hale,\n")
    watch.withdrawal()
    assert len(looked) == 2
