"""A step that fails costs what it would have given, and is named; what may not be shown is not shown for that."""

from __future__ import annotations

import shutil
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from pipeline.engine.run import Outcome, read_shoot, run
from pipeline.errors import RunStoppedError
from pipeline.recipe.recipe import Recipe, load_recipe
from pipeline.report.record import read_record
from pipeline.steps import REGISTRY
from pipeline.store.cache import NO_CACHE, Cache
from tests.golden import write_shoot

RECIPE = """\
recipe: 1
steps:
  - decode:
  - lens:
  - white_balance: {method: gray_world}
  - exposure:
  - denoise:
deliveries:
  web:
    - select: {best: 2}
    - crop: {to: subject, aspect: "3:2"}
    - resize: {long_edge: 120}
    - tone:
    - caption:
    - save:
    - deliver: {zip: true}
  all:
    - resize: {long_edge: 60}
    - tone:
    - save:
  paper:
    - for: {best: 2}
    - resize: {long_edge: 40}
    - tone:
    - save:
"""
# A person cut the first frame by hand, always wants the second and holds the third back.
FRAMES = "frame,keep,crop\nTH5_0001,,0 0 0.3 0.3\nTH5_0002,always,\nTH5_0003,no,\n"
ALL = {f"TH5_{n:04d}" for n in range(1, 7)}


def broken(*_: Any, **__: Any) -> Any:
    raise ZeroDivisionError("planted\x1b[31m fault")


@pytest.fixture(scope="module")
def shoot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("failing")
    write_shoot(folder / "shoot", size=(96, 144))
    (folder / "shoot" / "frames.csv").write_text(FRAMES, encoding="utf-8")
    (folder / "recipe.yaml").write_text(RECIPE, encoding="utf-8")
    delivered(folder, folder / "warm")
    return folder


def delivered(folder: Path, out: Path, cached: bool = True, **steps: dict[str, Any]) -> Outcome:
    """A run whose steps are replaced in part."""
    registry = REGISTRY | {name: replace(REGISTRY[name], **changes) for name, changes in steps.items()}
    recipe: Recipe = load_recipe(folder / "recipe.yaml", registry)
    # One for all tests, so that each measures nothing again.
    cache = Cache.open(folder.parent / "measured") if cached else NO_CACHE
    return run(recipe, read_shoot(folder / "shoot", models=folder), out, workers=1, cache=cache)


def stems(out: Path, delivery: str) -> set[str]:
    return {path.stem for path in (out / delivery).glob("*.jpg")}


@pytest.mark.parametrize("step", [n for n, s in REGISTRY.items() if s.solve is not None and n != "select"])
def test_a_step_that_fails_costs_what_it_gives_and_never_the_night(
    shoot: Path, tmp_path: Path, step: str, capfd: pytest.CaptureFixture[str]
) -> None:
    outcome = delivered(shoot, tmp_path / "out", **{step: {"solve": broken}})
    assert stems(tmp_path / "out", "all") == ALL - {"TH5_0003"} and not outcome.failed
    said = outcome.record.failed_steps
    assert said and all(label.rpartition("/")[2] == step for label in said)  # tone stands in both deliveries
    for why in said.values():
        assert step in why and "planted" in why and "same command" in why and "\x1b" not in why
    assert "Traceback" not in capfd.readouterr().err
    record = read_record(tmp_path / "out")
    assert record is not None and record.failed_steps == outcome.record.failed_steps
    assert next(iter(said.values())).split("(")[0] in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    # The next run, whose steps work, makes what should have been made.
    again = delivered(shoot, tmp_path / "out")
    assert not again.record.failed_steps
    for path in (shoot / "warm" / "all").iterdir():
        assert (tmp_path / "out" / "all" / path.name).read_bytes() == path.read_bytes()


def test_without_white_balance_the_camera_balances(shoot: Path, tmp_path: Path) -> None:
    """A raw without any balance is green."""
    outcome = delivered(shoot, tmp_path / "out", white_balance={"solve": broken})
    assert "camera, as shot" in " ".join(outcome.record.frames["TH5_0001"].decisions)
    asked = RECIPE.replace("gray_world", "camera").replace("  - exposure:\n", "")
    (tmp_path / "recipe.yaml").write_text(asked, encoding="utf-8")
    (tmp_path / "shoot").symlink_to(shoot / "shoot")
    delivered(tmp_path, tmp_path / "asked")
    fails = delivered(tmp_path, tmp_path / "fails", white_balance={"solve": broken})
    assert fails.record.failed_steps
    for path in (tmp_path / "asked" / "all").iterdir():
        assert path.read_bytes() == (tmp_path / "fails" / "all" / path.name).read_bytes()
    none = delivered(shoot, tmp_path / "none", white_balance={"solve": broken, "fallback": broken})
    assert stems(tmp_path / "none", "all") == set()  # nothing can stand for it
    reasons = {frame.status: frame.reason for frame in none.record.frames.values()}
    assert "white_balance failed" in reasons["left out"]


def test_where_choosing_fails_nothing_is_delivered_that_nobody_chose(shoot: Path, tmp_path: Path) -> None:
    first = delivered(shoot, tmp_path / "out")
    before = stems(tmp_path / "out", "web")
    assert len(before) > 1 and first.record.counts.delivered
    fresh = delivered(shoot, tmp_path / "fresh", select={"solve": broken})
    assert stems(tmp_path / "fresh", "web") == {"TH5_0002"}
    assert stems(tmp_path / "fresh", "all") == ALL - {"TH5_0003"}
    assert "select" in " ".join(fresh.record.failed_steps.values())
    # What was chosen by a run before stays in OUT, and goes nowhere.
    delivered(shoot, tmp_path / "out", select={"solve": broken})
    assert stems(tmp_path / "out", "web") == before
    nothing = delivered(shoot, tmp_path / "nothing", select={"solve": broken, "fallback": broken})
    assert stems(tmp_path / "nothing", "web") == set() and "web" not in nothing.record.frames["TH5_0002"].deliveries


def test_a_box_drawn_by_hand_is_kept_where_crop_fails(shoot: Path, tmp_path: Path) -> None:
    """It may leave somebody out on purpose."""
    text = RECIPE.replace("    - select: {best: 2}\n", "")
    (tmp_path / "recipe.yaml").write_text(text, encoding="utf-8")
    (tmp_path / "shoot").symlink_to(shoot / "shoot")
    outcome = delivered(tmp_path, tmp_path / "out", crop={"solve": broken})
    crop = outcome.record.frames["TH5_0001"].solutions["web/crop"]
    assert crop["source"] == "frames.csv" and crop["box"] == [0.0, 0.0, 0.3, 0.3]
    none = delivered(tmp_path, tmp_path / "none", crop={"solve": broken, "fallback": broken})
    assert stems(tmp_path / "none", "web") == set() and none.record.counts.delivered == len(ALL) - 1


@pytest.mark.parametrize("what", ["texts", "leaves_out", "in_words", "key", "output_size", "kept"])
def test_hooks_that_fail(shoot: Path, tmp_path: Path, what: str) -> None:
    """A frame whose texts or place cannot be made is not delivered; a sentence costs the sentence."""
    steps = {name: {what: broken} for name, step in REGISTRY.items() if getattr(step, what) is not None}
    steps.pop("white_balance", None)
    outcome = delivered(shoot, tmp_path / "out", **steps)
    if what in ("in_words", "leaves_out"):
        assert stems(tmp_path / "out", "all") == ALL - {"TH5_0003"}
    else:
        assert all("planted" in why for why in outcome.failed.values()) and outcome.failed
    if what in ("texts", "leaves_out"):
        assert not stems(tmp_path / "out", "web")


@pytest.mark.parametrize(
    ("where", "name"),
    [
        ("pipeline.engine.solve", "find_scenes"),
        ("pipeline.engine.decide", "find_scenes"),
        ("pipeline.engine.decide", "reference_proposals"),
        ("pipeline.engine.solve", "compare"),
        ("pipeline.engine.burst_people", "find_subjects"),
        ("pipeline.engine.burst_people", "rank"),
        ("pipeline.engine.burst_light", "look"),
        ("pipeline.engine.run", "write_report"),
        ("pipeline.engine.run", "proposal"),
        ("pipeline.engine.run", "left_notice"),
        ("pipeline.engine.run", "thumb_of_proxy"),
        ("pipeline.engine.run", "send_watched"),
        ("pipeline.engine.run", "take_back_held"),
    ],
)
def test_parts_of_a_run_that_fail(
    shoot: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str, name: str
) -> None:
    monkeypatch.setattr(f"{where}.{name}", broken)
    outcome = delivered(shoot, tmp_path / "out", cached=name != "look")
    assert stems(tmp_path / "out", "all") == ALL - {"TH5_0003"} and not outcome.failed
    said = " ".join((*outcome.record.failed_steps.values(), *outcome.record.notices))
    assert "planted" in said or where == "pipeline.engine.decide"
    assert (tmp_path / "out" / "run.json").is_file()
    if name in ("rank", "find_subjects"):
        assert len(stems(tmp_path / "out", "web")) > 1  # in order of time


def test_a_full_disk_is_no_fault_of_a_step(shoot: Path, tmp_path: Path) -> None:
    def full(*_: Any) -> Any:
        raise OSError(28, "No space left on device", str(tmp_path / "out" / ".work"))

    with pytest.raises(RunStoppedError, match="disk is full"):
        delivered(shoot, tmp_path / "out", exposure={"solve": full})


def test_a_file_that_may_not_stay_and_cannot_be_removed_is_named_and_goes_nowhere(
    shoot: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Someone's name may be in it: the others are still brought into line, and the run ends with exit status 1."""
    shutil.copytree(shoot / "shoot", tmp_path / "shoot")
    (tmp_path / "shoot" / "frames.csv").unlink()
    (tmp_path / "recipe.yaml").write_text(RECIPE.replace("    - select: {best: 2}\n", ""), encoding="utf-8")
    first = delivered(tmp_path, tmp_path / "out")
    assert "TH5_0002" in stems(tmp_path / "out", "web") and not first.record.failed_steps
    table = "frame,keep\nTH5_0002,no\nTH5_0003,no\n"
    (tmp_path / "shoot" / "frames.csv").write_text(table, encoding="utf-8")
    unlink = Path.unlink

    def refused(path: Path, missing_ok: bool = False) -> None:
        if path.name == "TH5_0002.jpg":
            raise PermissionError(13, "Permission denied", str(path))
        unlink(path, missing_ok=missing_ok)

    monkeypatch.setattr(Path, "unlink", refused)
    again = delivered(tmp_path, tmp_path / "out")
    assert "TH5_0003" not in stems(tmp_path / "out", "all") | stems(tmp_path / "out", "web")
    (why,) = again.record.failed_steps.values()
    assert "web/TH5_0002.jpg" in why and "Permission denied" in why and "delete" in why
    with zipfile.ZipFile(tmp_path / "out" / "web" / "web.zip") as archive:
        assert not any("TH5_0002" in name for name in archive.namelist())


def test_the_debug_switch_shows_the_traceback(
    shoot: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("EVENCOURT_DEBUG", "1")
    delivered(shoot, tmp_path / "out", exposure={"solve": broken})
    assert "in broken" in capfd.readouterr().err


def test_no_frame_stops_the_reading_of_a_shoot(shoot: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[Callable[..., Any]] = []
    for where in ("pipeline.shoot.scan.read_exif", "pipeline.engine.jobs.sidecar_rating"):
        monkeypatch.setattr(where, broken)
        seen.append(broken)
    found = read_shoot(shoot / "shoot", models=shoot)
    assert len(found.frames) == len(ALL) and sum("planted" in text for text in found.notices) >= len(ALL)


def test_texts_that_break_the_search_for_names_hold_a_frame_back(
    shoot: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "shoot.yaml").write_text("roster: roster.csv\nteams: {home: Gulls}\n", encoding="utf-8")
    (tmp_path / "roster.csv").write_text("team,number,name,publish\nhome,4,Lina Hidden,no\n", encoding="utf-8")
    monkeypatch.setattr("pipeline.shoot.consent.own_texts", broken)
    found = read_shoot(shoot / "shoot", tmp_path / "shoot.yaml", models=shoot)
    assert {frame.name for frame in found.frames if found.withheld(frame.name)} == ALL
