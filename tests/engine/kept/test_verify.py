"""`verify`: every byte of OUT that was changed, lost or added since the run is found; nothing is when none was."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from pipeline.cli import verify
from pipeline.engine import measure
from pipeline.engine.jobs import Shoot
from pipeline.engine.render import Refused
from pipeline.store.store import Store
from tests.engine.test_run import evencourt
from tests.golden import write_shoot

RECIPE = """\
recipe: 1
deliveries:
  web: [resize: {long_edge: 120}, caption: , save: {}, deliver: {zip: true, page: true}]
  phone: [resize: {long_edge: 60}, save: {}]
"""


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("night")
    write_shoot(folder / "shoot", size=(96, 144))
    (folder / "night.yaml").write_text(RECIPE, encoding="utf-8")
    status, text = evencourt("run", folder / "night.yaml", folder / "shoot", "--out", folder / "out", "--workers", 1)
    assert status == 0, text
    return folder


@pytest.fixture
def out(night: Path, tmp_path: Path) -> Path:
    shutil.copytree(night / "out", tmp_path / "out")
    return tmp_path / "out"


def verified(out: Path, *more: object) -> tuple[int, str]:
    status, text = evencourt("verify", out, *more)
    return status, text.replace("\n", " ")


def flip(path: Path, at: int = -1) -> None:
    """Change one bit, and leave size and time as they were."""
    before, data = path.stat(), bytearray(path.read_bytes())
    data[at] ^= 1
    path.write_bytes(data)
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))


def test_nothing_is_wrong_with_what_a_run_left(out: Path) -> None:
    assert verified(out) == (0, "20 of 20 files as delivered ")


def test_a_changed_bit_is_found_in_every_file(out: Path) -> None:
    """Whichever byte, whichever file: here the first, the last and one between of the first of each kind, and one of
    them of every other, in turn; the lock aside."""
    kinds: set[tuple[Path, str]] = set()
    for number, path in enumerate(sorted(p for p in out.rglob("*") if p.is_file() and p.name != "lock")):
        whole = path.read_bytes()
        places = (0, len(whole) // 2, len(whole) - 1)
        kind = (path.parent, path.suffix if len(path.suffix) < 6 else "")
        of_each = places if kind not in kinds else places[number % 3 : number % 3 + 1]
        kinds.add(kind)
        for at in of_each:
            flip(path, at)
            try:
                status, text = verified(out)
            except Exception as error:  # a damaged run.json stops it, in words
                status, text = 2, str(error)
            assert status and path.name in text, (path, at, text)
            path.write_bytes(whole)
    assert verified(out)[0] == 0


def test_after_the_next_run_nothing_is_wrong_again(night: Path, tmp_path: Path) -> None:
    """Also where a small picture of the report was damaged, which nobody would delete by hand. Only its frame is done
    again."""
    run = ("run", night / "night.yaml", night / "shoot", "--out", tmp_path / "out", "--workers", 1)
    shutil.copytree(night / "out", tmp_path / "out")
    whole = {path.name: path.read_bytes() for path in (tmp_path / "out" / ".work" / "thumbs").iterdir()}
    for kind in ("before", "web"):
        damaged = next((tmp_path / "out" / ".work" / "thumbs").glob(f"*.{kind}.jpg"))
        flip(damaged)
        assert verified(tmp_path / "out")[0] == 1
        status, text = evencourt(*run)
        assert status == 0 and "1 frame rendered" in text, text
        assert damaged.read_bytes() == whole[damaged.name]
        assert verified(tmp_path / "out") == (0, "20 of 20 files as delivered ")


def test_a_lost_file_is_found(out: Path) -> None:
    for path in sorted(p for p in out.rglob("*") if p.is_file() and p.name not in ("lock", "run.json")):
        data = path.read_bytes()
        path.unlink()
        status, text = verified(out)
        assert status == 1 and path.name in text, (path, text)
        path.write_bytes(data)


@pytest.mark.parametrize(
    "place", ["a.txt", "web/TH9_0001.jpg", "web/small/x.jpg", "mine/deep/a.jpg", ".hidden", ".work/x",
              ".work/done/x.json", ".work/measured/" + "0" * 64, ".work/mine/x", "web/.evencourt-part-1-0"],
)  # fmt: skip
def test_an_added_file_is_found_and_left(out: Path, place: str) -> None:
    (out / place).parent.mkdir(parents=True, exist_ok=True)
    (out / place).write_bytes(b"")
    status, text = verified(out)
    assert status == 1 and place in text, text
    assert (out / place).exists()


def test_an_earlier_record_in_place_of_the_last_is_found(night: Path, out: Path) -> None:
    """Its seal is right; but what it says of a file that may have to go is out of date."""
    [*_, record] = sorted((out / ".work" / "done").iterdir())
    whole = record.read_bytes()
    store = Store(out)
    store.put("done", record.name, (store.get("done", record.name) or b"").replace(b'"mtime":', b'"mtime": '))
    status, text = verified(out)
    assert status == 1 and f"{record.name}: is not as the last finished run left it" in text
    record.write_bytes(whole)
    assert verified(out)[0] == 0


def test_an_added_record_is_found(out: Path) -> None:
    """Its seal is right, as where somebody copied back what an earlier run had kept."""
    store = Store(out)
    [*_, name] = store.names("measured")
    store.put("measured", "0" * len(name), store.get("measured", name) or b"")
    status, text = verified(out)
    assert status == 1 and f"{'0' * len(name)}: was not there when the last run finished" in text, text


def test_a_second_run_knows_its_zips_and_pages(night: Path, out: Path) -> None:
    told = json.loads((out / "run.json").read_text(encoding="utf-8"))["notices"]
    before = {path for path in out.rglob("*") if path.relative_to(out).parts[0] in ("web", "phone")}
    status, text = evencourt("run", night / "night.yaml", night / "shoot", "--out", out, "--workers", 1)
    assert status == 0, text
    assert json.loads((out / "run.json").read_text(encoding="utf-8"))["notices"] == told
    assert {path for path in out.rglob("*") if path.relative_to(out).parts[0] in ("web", "phone")} == before


@pytest.mark.skipif(os.name == "nt", reason="no pipes, and links need rights")
def test_links_and_pipes_are_named_and_never_followed(out: Path, tmp_path: Path) -> None:
    (out / "web" / "TH5_0001.jpg").rename(tmp_path / "elsewhere.jpg")
    (out / "web" / "TH5_0001.jpg").symlink_to(tmp_path / "elsewhere.jpg")
    (out / "phone" / "TH5_0002.jpg").unlink()
    os.mkfifo(out / "phone" / "TH5_0002.jpg")
    (out / "more").symlink_to(tmp_path)
    status, text = verified(out)
    assert status == 1
    for words in ("web/TH5_0001.jpg: is no path in OUT, or goes through a link", "phone/TH5_0002.jpg: cannot be read",
                  "more: is a link, and not ours", "18 of 20 files as delivered"):  # fmt: skip
        assert words in text, text


def test_what_a_system_leaves_in_a_folder_is_no_fault(out: Path) -> None:
    (out / "web" / ".DS_Store").write_bytes(b"x")
    status, text = verified(out)
    assert status == 0 and "web/.DS_Store" in text


def test_many_problems_end_with_a_count(out: Path) -> None:
    for number in range(60):
        (out / f"{number:02}.txt").touch()
    status, text = verified(out)
    assert status == 1 and "and 10 more problems" in text and "55.txt" not in text


def test_rendering_again_measures_nothing_and_reads_the_frame(
    night: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    measured: list[str] = []
    true: Callable[..., measure.MeasuredFrame] = measure._measure_one
    monkeypatch.setattr(measure, "_measure_one", lambda task: measured.append(task.frame.name) or true(task))
    status, text = verified(out, "--render", 3)
    assert (status, measured) == (0, []), text
    assert "3 frames rendered again" in text
    (next(iter((out / ".work" / "measured").iterdir()))).unlink()  # what is not there is measured
    status, text = verified(out, "--render", 2)
    assert status == 1 and len(measured) == 1 and "renders to other bytes" not in text
    shutil.copytree(night / "shoot", out.parent / "moved")
    frame = out.parent / "moved" / "TH5_0001.dng"
    data = bytearray(frame.read_bytes())
    data[-1] ^= 1
    frame.write_bytes(data)
    status, text = verified(out, "--render", 6, "--shoot", out.parent / "moved")
    assert status == 1 and "TH5_0001.dng is not the file that was delivered from" in text


def test_a_run_that_goes_on_is_not_verified(out: Path) -> None:
    with Store(out).locked():
        status, text = verified(out)
    assert status == 2 and "a run is writing to this folder now" in text


def stopped(night: Path, out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A run that is ended by Ctrl-C while it renders."""

    def interrupted(self: object, decided: object, only: object) -> bool:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("pipeline.engine.run._Run._render", interrupted)
        status, text = evencourt("run", night / "night.yaml", night / "shoot", "--out", out, "--workers", 1)
    assert status and "run the same command again" in text


def test_a_run_that_was_stopped_is_called_so(night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stopped(night, tmp_path / "out", monkeypatch)
    status, text = verified(tmp_path / "out")
    assert status == 1 and "the run was stopped before its end; run the same command again" in text
    assert "manifest" not in text and "differs" not in text
    next((tmp_path / "out" / ".work" / "measured").iterdir()).write_bytes(b"x")
    assert "is damaged, or not ours" in verified(tmp_path / "out")[1]


def test_a_run_that_was_stopped_over_a_finished_one_is_called_so(
    night: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stopped(night, out, monkeypatch)
    flip(out / "web" / "TH5_0002.jpg")
    status, text = verified(out)
    assert status == 1 and "the run was stopped before its end" in text and "run.json: differs" not in text
    assert "web/TH5_0002.jpg: differs" in text


def test_a_run_that_was_stopped_before_its_record_is_called_so(out: Path) -> None:
    (out / "run.json").unlink()
    status, text = verified(out)
    assert status == 2 and "nothing to verify; the run was stopped before its end: run the same command again" in text


def test_a_list_that_is_lost_without_a_stop_is_still_missing(out: Path) -> None:
    (out / ".work" / "manifest.json").unlink()
    status, text = verified(out)
    assert status == 1 and ".work/manifest.json: is missing or damaged" in text and "stopped" not in text


def test_status_says_to_wait_for_a_run_that_goes_on(out: Path) -> None:
    """And where the last one has ended, how to compare every file."""
    assert "verify" in evencourt("status", out)[1] and "compares every file" in evencourt("status", out)[1]
    with Store(out).locked():
        status, text = evencourt("status", out)
        assert "a run is writing to this folder now; wait until it has ended" in text and "compares" not in text
        (out / "run.json").unlink()
        status, text = evencourt("status", out)
    assert status == 1 and "delivered so far" in text and "again" not in text


@pytest.mark.parametrize("differ", [False, True])
def test_other_model_files_are_a_fault_only_where_bytes_differ(
    out: Path, monkeypatch: pytest.MonkeyPatch, differ: bool
) -> None:
    """They cannot change a picture that is not cropped: nothing is wrong then, and the exit status says so."""
    true = verify.engine.read_shoot

    def with_other_models(*given: Any) -> Shoot:
        shoot = true(*given)
        return replace(shoot, models=replace(shoot.models, digest="person:00"))

    monkeypatch.setattr(verify.engine, "read_shoot", with_other_models)
    if differ:
        monkeypatch.setattr(verify, "render", lambda job: [Refused("phone/TH1_0001.jpg", "why")])
    status, text = verified(out, "--render", 1)
    assert status == int(differ), text
    assert ("give their folder with --models" in text) == differ
    assert ("note: the model files that find people are not those of the run" in text) != differ


def test_the_model_files_of_the_run_are_found_again(
    night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, shared: Callable[[str], Path]
) -> None:
    """Without --models verify looks where the run had them; a folder that is gone is no fault of the pictures."""
    folder = tmp_path / "models"
    shutil.copytree(shared("models"), folder)
    monkeypatch.delenv("EVENCOURT_MODELS", raising=False)
    monkeypatch.setattr("pipeline.people.modelfiles.user_cache_folder", lambda: None)
    out, recipe = tmp_path / "out", night / "night.yaml"
    status, text = evencourt("run", recipe, night / "shoot", "--out", out, "--workers", 1, "--models", folder)
    assert status == 0, text
    assert Store(out).source().models == str(folder.resolve())
    assert verified(out, "--render", 1) == (0, "20 of 20 files as delivered, 1 frame rendered again ")
    shutil.rmtree(folder)
    status, text = verified(out, "--render", 1)
    assert status == 0 and "note: the model files that find people are not those of the run" in text
