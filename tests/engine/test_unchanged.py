"""A second run over a long night compares and does not decide: and sees every change that a first one would."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.engine import run as engine
from pipeline.engine.kept import unchanged
from pipeline.engine.run import Outcome, read_shoot
from pipeline.recipe.recipe import load_recipe
from pipeline.report.kept_frames import read_kept
from pipeline.report.record import read_record
from pipeline.steps import REGISTRY
from tests.scale.evening import name_of, write_facts, write_frames

COUNT = 12
RECIPE = """\
recipe: 1
steps: [white_balance: {method: camera}]
deliveries:
  web: [resize: {long_edge: 40}, caption: , save: , deliver: {zip: true}]
"""


@pytest.fixture(scope="module", autouse=True)
def every_night_is_long() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(unchanged, "RULES", replace(unchanged.RULES, worth=1))
        yield


@pytest.fixture(scope="module")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("evening")
    assert len(list(write_frames(folder / "shoot", COUNT))) == COUNT
    write_facts(folder / "facts", COUNT)
    (folder / "night.yaml").write_text(RECIPE, encoding="utf-8")
    long_ago = 1_700_000_000
    for path in (folder / "shoot").iterdir():
        os.utime(path, (long_ago, long_ago))
    night(folder)
    night(folder)  # the frames are only vouched for once they are two seconds old
    return folder


def night(folder: Path) -> Outcome:
    out = folder / "out"
    shoot = read_shoot(folder / "shoot", folder / "facts", folder, out)
    return engine.run(load_recipe(folder / "night.yaml", REGISTRY), shoot, out, workers=1)


@pytest.fixture
def decided(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Grows by one each time that a run decides anew."""
    seen: list[int] = []
    decide = engine.decide
    monkeypatch.setattr(engine, "decide", lambda *given: seen.append(1) or decide(*given))
    return seen


def test_a_second_run_decides_nothing_and_its_record_is_that_of_one_that_does(
    evening: Path, decided: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    quick = night(evening)
    assert decided == []
    told = read_record(evening / "out")
    assert told is not None and told == replace(quick.record, frames=dict(quick.record.frames))
    monkeypatch.setattr(unchanged, "RULES", replace(unchanged.RULES, worth=1 << 40))
    slow = night(evening)
    assert decided == [1]
    assert replace(slow.record, seconds={}, frames={}) == replace(quick.record, seconds={}, frames={})
    assert dict(slow.record.frames) == dict(quick.record.frames)
    assert (quick.record.counts.rendered, quick.record.counts.reused) == (0, quick.record.counts.files)


def caption(folder: Path) -> None:
    table = folder / "facts" / "frames.csv"
    table.write_text(table.read_text(encoding="utf-8").replace("jumps to shoot", "throws", 1), encoding="utf-8")


def withdraw(folder: Path) -> None:
    roster = folder / "facts" / "roster.csv"
    roster.write_text(roster.read_text(encoding="utf-8").replace(",yes", ",no", 1), encoding="utf-8")


def retouch(folder: Path) -> None:
    path = folder / "out" / "web" / f"{name_of(0)}.jpg"
    path.write_bytes(path.read_bytes() + b"retouched")


def remove(folder: Path) -> None:
    (folder / "out" / "web" / f"{name_of(1)}.jpg").unlink()


def damage(folder: Path) -> None:
    path = next((folder / "out" / ".work" / "done").iterdir())
    about = path.stat()
    path.write_bytes(path.read_bytes()[:-1] + b"?")
    os.utime(path, ns=(about.st_atime_ns, about.st_mtime_ns))  # as if nothing had happened


def change_frame(folder: Path) -> None:
    path = folder / "shoot" / f"{name_of(2)}.dng"
    about, data = path.stat(), bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(data)
    os.utime(path, ns=(about.st_atime_ns, about.st_mtime_ns))


def rate(folder: Path) -> None:
    (folder / "shoot" / f"{name_of(9)}.xmp").write_text(
        '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        '<rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="3"/></rdf:RDF></x:xmpmeta>',
        encoding="utf-8",
    )


def another_recipe(folder: Path) -> None:
    (folder / "night.yaml").write_text(RECIPE.replace("40", "42"), encoding="utf-8")


@pytest.mark.parametrize(
    "change", [caption, withdraw, retouch, remove, damage, change_frame, rate, another_recipe], ids=lambda c: c.__name__
)
def test_any_change_is_seen(evening: Path, decided: list[int], change: Callable[[Path], None], tmp_path: Path) -> None:
    """Each on a night over which a run would else decide nothing: one that had something to say is decided anew."""
    folder = tmp_path / "evening"
    shutil.copytree(evening, folder)
    night(folder)
    decided.clear()
    night(folder)
    assert decided == []
    change(folder)
    night(folder)
    assert decided == [1]


def test_a_record_that_is_laid_out_otherwise_is_decided_anew(tmp_path: Path) -> None:
    (tmp_path / "run.json").write_text("{}\n", encoding="utf-8")
    assert read_kept(tmp_path) is None
