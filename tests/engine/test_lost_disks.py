"""Frames that change or vanish under way, and a shoot or OUT whose disk is pulled in the middle of a run."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.engine import measure
from pipeline.engine.decide import foresee, measure_shoot
from pipeline.engine.run import Outcome, read_shoot, run
from pipeline.errors import RunStoppedError
from pipeline.recipe.recipe import load_recipe
from pipeline.steps import REGISTRY
from pipeline.store import watch
from pipeline.store.store import Store
from tests.golden import write_shoot

RECIPE = "recipe: 1\ndeliveries:\n  web: [resize: {long_edge: 90}, caption: , save: ]\n"


def write_night(folder: Path) -> Path:
    write_shoot(folder / "shoot", size=(64, 96))
    for path in (folder / "shoot").glob("*"):
        if path.name not in ("TH5_0001.dng", "TH5_0002.dng", "TH5_0003.dng"):
            path.unlink()
    (folder / "night.yaml").write_text(RECIPE, encoding="utf-8")
    return folder


@pytest.fixture
def night(tmp_path: Path) -> Path:
    return write_night(tmp_path)


def go(night: Path, at: tuple[str, int] = ("", 0), happens: Callable[[], None] = lambda: None) -> Outcome:
    """A run during which something happens once, when so many frames of a phase are done."""
    left = [happens]

    def progress(phase: str, done: int, total: int) -> None:
        if (phase, done) == at and left:
            left.pop()()

    recipe = load_recipe(night / "night.yaml", REGISTRY)
    return run(recipe, read_shoot(night / "shoot", models=night), night / "out", workers=1, progress=progress)


def delivered(night: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in (night / "out" / "web").iterdir()}


@pytest.fixture(scope="module")
def expected(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    night = write_night(tmp_path_factory.mktemp("undisturbed"))
    assert not go(night).failed
    return delivered(night)


def test_a_frame_that_is_replaced_before_it_is_rendered_is_not_delivered(night: Path, expected) -> None:
    """Nobody has asked whom the other picture shows."""
    frame, other = night / "shoot" / "TH5_0003.dng", (night / "shoot" / "TH5_0001.dng").read_bytes()
    mine = frame.read_bytes()
    outcome = go(night, ("render", 1), lambda: frame.write_bytes(other))
    assert outcome.failed == {"TH5_0003": measure.CHANGED}
    assert delivered(night) == {n: d for n, d in expected.items() if n != "TH5_0003.jpg"}
    frame.write_bytes(mine)
    assert not go(night).failed and delivered(night) == expected


def test_a_frame_that_vanishes_is_named_and_the_rest_delivered(night: Path, expected) -> None:
    frame = night / "shoot" / "TH5_0003.dng"
    outcome = go(night, ("render", 1), lambda: frame.rename(night / "away.dng"))
    assert outcome.failed == {"TH5_0003": measure.GONE}
    assert delivered(night) == {n: d for n, d in expected.items() if n != "TH5_0003.jpg"}
    (night / "away.dng").rename(frame)
    assert not go(night).failed and delivered(night) == expected


def test_a_raw_that_changes_while_it_is_measured_is_not_called_damaged(
    night: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, frame = measure.decode, night / "shoot" / "TH5_0002.dng"

    def decode(one, *arguments, **keywords):
        if one.path == frame:
            with frame.open("r+b") as file:
                file.truncate(frame.stat().st_size // 2)
        return real(one, *arguments, **keywords)

    monkeypatch.setattr(measure, "decode", decode)
    assert go(night).failed["TH5_0002"] == measure.CHANGED


@pytest.mark.parametrize("at", [("measure", 1), ("light", 3), ("render", 1)])
@pytest.mark.parametrize("leaves", ["nothing", "an empty folder"])
def test_a_shoot_whose_disk_is_pulled_stops_the_run_and_is_gone_on_with(
    night: Path, expected, at: tuple[str, int], leaves: str
) -> None:
    shoot, away = night / "shoot", night / "away"

    def pull() -> None:
        shoot.rename(away)
        if leaves == "an empty folder":
            shoot.mkdir()

    why = ""
    try:
        outcome = go(night, at, pull)
        why = outcome.record.stopped
        assert outcome.record.state == "stopped" and outcome.failed == {}
    except RunStoppedError as stop:
        why = str(stop)
    assert f"{shoot}: is not there any more" in why
    if (night / "out" / "web").exists():
        assert delivered(night).items() <= expected.items()
    if shoot.exists():
        shoot.rmdir()
    away.rename(shoot)
    assert not go(night).failed and delivered(night) == expected


@pytest.mark.parametrize("at", [("measure", 1), ("light", 3), ("render", 1), ("render", 3)])
@pytest.mark.parametrize("leaves", ["nothing", "an empty folder"])
def test_nothing_is_written_on_what_is_left_of_the_mount_point_of_out(
    night: Path, expected, at: tuple[str, int], leaves: str
) -> None:
    out, away = night / "out", night / "away"

    def pull() -> None:
        out.rename(away)
        if leaves == "an empty folder":
            out.mkdir()

    with pytest.raises(RunStoppedError, match=f"{out}: is not there any more"):
        go(night, at, pull)
    assert not out.exists() or list(out.iterdir()) == []
    shutil.rmtree(out, ignore_errors=True)
    away.rename(out)
    assert not go(night).failed and delivered(night) == expected


@pytest.mark.parametrize(
    ("at", "solves"), [(("light", 0), True), (("light", 3), True), (("people", 3), True), (("light", 3), False)]
)
def test_temporary_files_whose_disk_is_pulled_stop_the_command(night: Path, at: tuple[str, int], solves: bool) -> None:
    """Else each step says in its own words that what was measured has gone."""

    def progress(phase: str, now: int, total: int) -> None:
        if (phase, now) == at:
            shutil.rmtree(store.out)

    shoot, recipe = read_shoot(night / "shoot", models=night), load_recipe(night / "night.yaml", REGISTRY)
    with pytest.raises(RunStoppedError, match="is not there any more"), Store.scratch(night / "shoot") as store:
        if solves:
            foresee(store, shoot, recipe, 1, progress)
        else:
            measure_shoot(store, shoot, 1, progress)


@pytest.mark.parametrize(
    ("number", "words"),
    [(errno.ENOSPC, "the disk is full; make room"), (errno.EROFS, "cannot be written any more"), (errno.EIO, "")],
)
def test_what_stops_a_run_and_what_costs_one_file(night: Path, number: int, words: str) -> None:
    store = Store.open(night / "out", night / "shoot")
    path = str(night / "out" / "web" / "TH5_0001.jpg")
    with store.locked():
        for name in (None, str(night / "shoot" / "TH5_0001.dng")):  # of no file, or of one that is only read
            store.stop_if_lost(OSError(number, os.strerror(number), name))
        if words:
            with pytest.raises(RunStoppedError, match=f"{night / 'out'}: {words}"):
                store.stop_if_lost(OSError(number, os.strerror(number), path))
        else:
            store.stop_if_lost(OSError(number, os.strerror(number), path))  # the next file may go well
    store.stop_if_lost(OSError(errno.ENOSPC, "", path))  # nobody watches any more


def test_a_disk_that_takes_no_file_at_all_stops_the_run(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = Store.open(night / "out", night / "shoot")
    with store.locked():
        monkeypatch.setattr(watch.Watch, "_takes_nothing", lambda self: True)
        with pytest.raises(RunStoppedError, match="cannot be written any more"):
            store.stop_if_lost(OSError(errno.EIO, "Input/output error", str(night / "out" / "web" / "a.jpg")))
