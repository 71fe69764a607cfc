"""A run that is stopped while files are being written: what its workers wrote is known, kept, and can be taken back."""

from __future__ import annotations

import hashlib
import shutil
from dataclasses import fields
from pathlib import Path

import pytest

from pipeline.engine.earlier import DeliveredFile, Rendered, announce, keep_done, read_done
from pipeline.engine.render import render
from pipeline.engine.run import Outcome, jobs, read_shoot, run
from pipeline.recipe.recipe import Recipe, load_recipe
from pipeline.steps import REGISTRY
from pipeline.store.store import Store
from pipeline.workers.executors import worker_setup
from pipeline.workers.processes import Processes
from tests.golden import write_shoot

RECIPE = """\
recipe: 1
deliveries:
  web: [resize: {long_edge: 120}, caption: , save: ]
"""
ROSTER = "team,number,name,publish\nhome,7,Siri Fjellheim,{publish}\n"
ROWS = "frame,players\n" + "".join(f"TH5_000{n},home 7\n" for n in range(1, 7))


@pytest.fixture
def shoot(tmp_path: Path) -> Path:
    folder = tmp_path / "shoot"
    write_shoot(folder, size=(96, 144))
    (folder / "frames.csv").write_text(ROWS, encoding="utf-8")
    may_be_shown(folder, "yes")
    (tmp_path / "night.yaml").write_text(RECIPE, encoding="utf-8")
    return folder


def may_be_shown(shoot: Path, publish: str) -> None:
    (shoot / "roster.csv").write_text(ROSTER.format(publish=publish), encoding="utf-8")


def recipe_of(shoot: Path) -> Recipe:
    return load_recipe(shoot.parent / "night.yaml", REGISTRY)


def again(shoot: Path) -> Outcome:
    return run(recipe_of(shoot), read_shoot(shoot, models=shoot), shoot.parent / "out", workers=1)


def on_disk(shoot: Path) -> set[str]:
    return {path.name for path in (shoot.parent / "out" / "web").iterdir()}


def lost(shoot: Path) -> Path:
    """A worker finishes a frame after its run was killed."""
    out = shoot.parent / "out"
    job = jobs(recipe_of(shoot), read_shoot(shoot, models=shoot), out)["TH5_0001"]
    render(job)
    path = out / "web" / "TH5_0001.jpg"
    assert b"Siri Fjellheim" in path.read_bytes()
    return path


def test_a_file_whose_run_was_killed_is_taken_back_when_consent_is_withdrawn(shoot: Path) -> None:
    path = lost(shoot)
    may_be_shown(shoot, "no")
    outcome = again(shoot)
    assert not path.exists() and outcome.record.counts.held == 6


def test_a_file_whose_run_was_killed_is_not_rendered_again(shoot: Path) -> None:
    before = lost(shoot).stat().st_mtime_ns
    outcome = again(shoot)
    assert (outcome.record.counts.rendered, outcome.record.counts.reused) == (5, 1)
    assert (shoot.parent / "out" / "web" / "TH5_0001.jpg").stat().st_mtime_ns == before


def test_a_file_that_was_about_to_be_replaced_is_still_ours(shoot: Path) -> None:
    """Killed after the record and before the file: what lies there is the one of before."""
    again(shoot)
    store = Store(shoot.parent / "out")
    [name] = [n for n in store.names("done") if b"TH5_0001" in (store.get("done", n) or b"")]
    entry = read_done(store, name)
    assert entry is not None
    announced = {**vars(entry), "sha256": "0" * 64, "replaced": entry.sha256, "mtime": 0}
    keep_done(store, DeliveredFile(**announced))
    may_be_shown(shoot, "no")
    again(shoot)
    assert on_disk(shoot) == set()


@pytest.mark.long
def test_after_control_c_the_record_holds_every_file_that_is_there(shoot: Path) -> None:
    def stop_after_one(phase: str, done: int, total: int) -> None:
        if phase == "render" and done == 1:
            raise KeyboardInterrupt

    out = shoot.parent / "out"
    with Processes(2, worker_setup) as workers:
        outcome = run(recipe_of(shoot), read_shoot(shoot, models=shoot), out, workers=workers, progress=stop_after_one)
    assert outcome.record.state == "stopped"
    files = [d for f in outcome.record.frames.values() for d in f.deliveries.values()]
    assert all(d.current for d in files)  # this run's own, not left over from another
    recorded = {Path(d.file).name for d in files}
    assert recorded == on_disk(shoot) and recorded
    may_be_shown(shoot, "no")
    again(shoot)
    assert on_disk(shoot) == set()
    shutil.rmtree(out)


def test_what_a_person_changed_does_not_become_ours_by_being_announced(shoot: Path) -> None:
    """Stopped before it was written over: the bytes of the person are not removed with those of the run."""
    again(shoot)
    store = Store(shoot.parent / "out")
    path = store.out / "web" / "TH5_0001.jpg"
    [name] = [n for n in store.names("done") if b"TH5_0001" in (store.get("done", n) or b"")]
    entry = read_done(store, name)
    assert entry is not None
    made = Rendered(**{f.name: getattr(entry, f.name) for f in fields(Rendered)} | {"sha256": "0" * 64})
    for retouched, ours in ((False, True), (True, False)):
        if retouched:
            keep_done(store, entry)
            path.write_bytes(path.read_bytes() + b"retouched")
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        moved = announce(store, made, entry.frame, None)
        announced = read_done(store, name)
        assert announced is not None
        assert announced.is_ours(digest) == ours == path.exists() and bool(moved) == retouched
