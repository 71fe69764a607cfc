"""The same shoot gives the same bytes in another order, folder, time zone and locale, on more workers, on a cluster."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.engine.test_run import evencourt
from tests.golden import write_shoot

pytestmark = pytest.mark.long

RECIPE = """\
recipe: 1
steps:
  - decode:
  - white_balance: {method: gray_world}
  - exposure: {across: burst}
  - denoise:
deliveries:
  web:
    - crop: {to: subject, aspect: "3:2", level: yes}
    - resize: {long_edge: 240}
    - caption: {template: "{{ home }} against {{ away }}, {{ date }}"}
    - save: {name: "{{ date }}_{{ time }}_{{ count }}", at_most: 30 KB}
    - deliver: {zip: true, page: true}
  best:
    - select: {best: 1}
    - save: {format: tiff}
"""
FACTS = """\
title: Lantern Cup
teams: {home: İzmir Işık, away: Ångermåla}
city: Westerby
country: NOR
start: 2026-02-14T23:30:00+01:00
language: en
"""


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("night")
    write_shoot(folder / "shoot")
    (folder / "shoot" / "shoot.yaml").write_text(FACTS, encoding="utf-8")
    (folder / "night.yaml").write_text(RECIPE, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def usual(night: Path) -> dict[str, Any]:
    return made(night, night / "shoot", night / "out", "--workers", 1)


def made(night: Path, shoot: Path, out: Path, *more: object) -> dict[str, Any]:
    status, text = evencourt("run", night / "night.yaml", shoot, "--out", out, "--no-cache", "--offline", *more)
    assert status == 0, text
    return left(out)


def left(out: Path) -> dict[str, Any]:
    """Every delivered file and frames.csv by digest, and what run.json says but for how long it took."""
    files = [p for p in out.rglob("*") if p.is_file() and ".work" not in p.parts and p.suffix != ".json"]
    found: dict[str, Any] = {
        p.relative_to(out).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in files
        if p.name != "report.html"  # it shows how long the run took
    }
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    return found | {"run.json": {key: value for key, value in record.items() if key != "seconds"}}


def copied(night: Path, to: Path, seed: int) -> Path:
    """The shoot in another folder, its files made in another order and at other times."""
    to.mkdir(parents=True)
    files = sorted((night / "shoot").iterdir())
    random.Random(seed).shuffle(files)
    for number, path in enumerate(files):
        shutil.copyfile(path, to / path.name)
        os.utime(to / path.name, (10**9 - 10**6 * number,) * 2)
    return to


def test_there_is_something_to_compare(usual: dict[str, Any]) -> None:
    assert len([name for name in usual if name.startswith("web/")]) == 6 + 6 + 2
    assert len([name for name in usual if name.startswith("best/")]) == 2
    assert "web/2026-02-14_193000_0001.jpg" in usual


def test_the_order_in_which_a_disk_lists_files(
    night: Path, usual: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    chance, listdir, scandir, iterdir = random.Random(3), os.listdir, os.scandir, Path.iterdir

    def shuffled(found: Any) -> list[Any]:
        entries = list(found)
        chance.shuffle(entries)
        return entries

    class Scanned:
        def __init__(self, path: Any = ".") -> None:
            with scandir(path) as found:
                self.entries = iter(shuffled(found))

        def __enter__(self) -> Any:
            return self.entries

        def __exit__(self, *_: object) -> None: ...

        def __iter__(self) -> Any:
            return self

        def __next__(self) -> Any:
            return next(self.entries)

        def close(self) -> None: ...

    monkeypatch.setattr(os, "listdir", lambda path=".": shuffled(listdir(path)))
    monkeypatch.setattr(os, "scandir", Scanned)
    monkeypatch.setattr(Path, "iterdir", lambda self: iter(shuffled(iterdir(self))))
    found = made(night, copied(night, tmp_path / "shoot", 1), tmp_path / "out", "--workers", 1)
    assert found == usual


def test_another_folder_time_zone_locale_and_number_of_workers(
    night: Path, usual: dict[str, Any], tmp_path: Path
) -> None:
    """tzdata: 14 h east of Greenwich. Turkish has two letters i; where it is not installed, what counts is ASCII."""
    zone, locale, workers = "Pacific/Kiritimati", "tr_TR.UTF-8", 2
    shoot = copied(night, tmp_path / "Hälle 日本 #1" / "shoot", workers)
    words = ("run", night / "night.yaml", shoot, "--out", tmp_path / "ut på disk", "--no-cache", "--offline")
    code = "import os; os.umask(0o077); from pipeline.cli.app import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, words), "--workers", str(workers)],
        env={**os.environ, "TZ": zone, "LC_ALL": locale, "LANG": locale, "PYTHONHASHSEED": str(workers)},
        cwd=Path(__file__).resolve().parents[2], capture_output=True, text=True, encoding="utf-8", timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert left(tmp_path / "ut på disk") == usual


@pytest.mark.filterwarnings("default")  # Dask imports with warnings of its own
def test_a_cluster(night: Path, usual: dict[str, Any], tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed", reason="the extra evencourt[cluster] is not installed")
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as local:
        found = made(night, night / "shoot", tmp_path / "out", "--cluster", local.scheduler_address)
    assert found == usual
