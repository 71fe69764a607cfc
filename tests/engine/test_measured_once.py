"""What one command measured serves the next, whatever happens to the cache, and changes no delivered byte."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import PIL.Image
import pytest

from pipeline.engine import burst_light, measure
from pipeline.engine.run import measure_shoot, read_shoot
from pipeline.engine.tables import jersey_suggestions, reference_proposals
from pipeline.store import digests
from pipeline.store.cache import Cache
from pipeline.store.store import Store
from tests.engine.test_run import evencourt
from tests.golden import write_shoot

RECIPE = """\
recipe: 1
deliveries:
  web: [resize: {long_edge: 160}, caption: {from_camera: all}, save: {}]
"""


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("drawn")
    write_shoot(folder / "shoot", size=(96, 144))
    for third in ("TH5_0003.dng", "TH5_0006.dng"):  # two frames of each burst are enough to be measured and followed
        (folder / "shoot" / third).unlink()
    (folder / "night.yaml").write_text(RECIPE, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def cold(drawn: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The files of a run without a cache."""
    return run(drawn, tmp_path_factory.mktemp("cold"), "--no-cache")


def run(drawn: Path, out: Path, *more: object) -> dict[str, str]:
    """Delivered file -> digest."""
    status, text = evencourt("run", drawn / "night.yaml", drawn / "shoot", "--out", out, "--workers", 1, *more)
    assert status == 0, text
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in (out / "web").iterdir()}


@pytest.fixture
def work(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """Names of what is measured and looked at, and of files that are read for their digest, as it happens."""
    done: list[str] = []

    def counted(module: object, name: str, of: Callable[..., str]) -> None:
        true = getattr(module, name)

        def instead(item: object) -> object:
            done.append(f"{name} {of(item)}")
            return true(item)

        monkeypatch.setattr(module, name, instead)

    counted(measure, "_measure_one", lambda task: task.frame.name)
    counted(burst_light, "_find_scene", lambda task: task.frames[0].name)
    counted(reference_proposals, "_look", lambda task: task.frame.name)
    counted(digests, "digest_file", lambda path: path.name)
    monkeypatch.setattr(digests, "SETTLED", 0)
    yield done


def commands(drawn: Path, folder: Path) -> dict[str, tuple[object, ...]]:
    shoot, recipe = drawn / "shoot", drawn / "night.yaml"
    return {
        "inspect": ("inspect", shoot),
        "check": ("check", recipe, shoot),
        "captions": ("captions", shoot, "--out", folder / "table.csv"),
        "prepare": ("prepare", shoot, "--facts", folder / "facts"),
        "dry-run": ("run", recipe, shoot, "--out", folder / "dry", "--dry-run"),
        "run": ("run", recipe, shoot, "--out", folder / "out"),
    }


def test_all_that_takes_long_says_how_far_it_is(drawn: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Thousands of frames take minutes in each of these; four need no longer than the first pause, which is 0 here."""
    monkeypatch.setenv("EVENCOURT_PROGRESS", "0")
    todo = commands(drawn, tmp_path)
    said = {name: evencourt(*todo[name], "--no-cache", "--workers", 1)[1] for name in ("prepare", "run")}
    for phase in ("measure: 4 of 4", "light: 4 of 4", "cards: 2 of 2", "people: 4 of 4"):
        assert all(phase in text for text in said.values()), phase
    assert "render: 4 of 4" in said["run"]


@pytest.mark.parametrize("first", ["inspect", "check", "captions", "prepare", "dry-run", "run"])
def test_after_any_command_the_next_measures_nothing(
    drawn: Path, tmp_path: Path, work: list[str], cold: dict[str, str], first: str
) -> None:
    cache = ("--cache", tmp_path / "cache", "--workers", 1)
    todo = commands(drawn, tmp_path)
    status, text = evencourt(*todo.pop(first), *cache)
    assert status == 0, text
    assert sum(one.startswith("_measure_one") for one in work) == 4
    assert sum(one.startswith("_find_scene") for one in work) == 2
    assert sum(one.startswith("_look") for one in work) == 2
    work.clear()
    later = ("check", "captions", "dry-run") if first == "inspect" else ("inspect",)
    for name, arguments in ((name, todo[name]) for name in later):
        status, text = evencourt(*arguments, *cache)
        assert status == 0, text
        assert not work, name
    if first == "captions":
        assert run(drawn, tmp_path / "out", "--cache", tmp_path / "cache") == cold
        assert not work


@pytest.mark.long
def test_no_cache_measures_anew_and_keeps_nothing(drawn: Path, tmp_path: Path, work: list[str]) -> None:
    cache = tmp_path / "cache"
    evencourt("inspect", drawn / "shoot", "--workers", 1, "--cache", cache)
    before = sorted(cache.rglob("*"))
    work.clear()
    evencourt("inspect", drawn / "shoot", "--workers", 1, "--no-cache")
    assert sum(one.startswith("_measure_one") for one in work) == 4
    assert sorted(cache.rglob("*")) == before


@pytest.mark.long
def test_a_damaged_cut_or_emptied_cache_changes_nothing(drawn: Path, tmp_path: Path, cold: dict[str, str]) -> None:
    cache = tmp_path / "cache"
    evencourt("check", drawn / "night.yaml", drawn / "shoot", "--workers", 1, "--cache", cache)
    entries = sorted(p for p in cache.rglob("*") if p.is_file())
    for number, path in enumerate(entries):
        data = path.read_bytes()
        path.write_bytes((data[: len(data) // 2], data[:-1] + b"x", b"", entries[number - 1].read_bytes())[number % 4])
    assert run(drawn, tmp_path / "out", "--cache", cache) == cold


def test_a_sound_entry_with_another_content_is_measured_again(drawn: Path, tmp_path: Path, work: list[str]) -> None:
    """As a version with a mistake, or a person who may write there, would leave it."""
    cache = Cache.open(tmp_path / "cache")
    evencourt("check", drawn / "night.yaml", drawn / "shoot", "--workers", 1, "--cache", tmp_path / "cache")
    (scene, *_), (frame, *_) = (sorted((tmp_path / "cache" / k).iterdir()) for k in ("burst_light", "measured"))
    cut = burst_light.pack_parts({"scene": {}})
    for path, data in ((scene, cut), (frame, b"\x80\x04."), (frame, cut)):
        cache.put(path.parent.name, path.name, data)
        work.clear()
        status, text = evencourt(
            "check", drawn / "night.yaml", drawn / "shoot", "--workers", 1, "--cache", tmp_path / "cache"
        )
        assert status == 0, text
        assert len(work) == 1


def test_the_light_of_a_longer_burst_is_another(drawn: Path) -> None:
    scene = burst_light.unknown(["F1", "F2"])
    data = burst_light.pack_parts({"scene": scene.as_arrays()})
    assert burst_light._is_whole(2, data) and not burst_light._is_whole(3, data)


def test_a_run_outlives_its_cache(
    drawn: Path, tmp_path: Path, cold: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Emptied between measure and solve, as another process may do; and a second run needs only its OUT."""
    cache = tmp_path / "cache"
    evencourt("inspect", drawn / "shoot", "--workers", 1, "--cache", cache)
    from pipeline.engine import decide

    solve = decide.solve

    def emptied(*arguments: object) -> object:
        shutil.rmtree(cache)
        return solve(*arguments)

    monkeypatch.setattr(decide, "solve", emptied)
    assert run(drawn, tmp_path / "out", "--cache", cache) == cold
    monkeypatch.undo()
    monkeypatch.setattr(measure, "_measure_one", None)
    assert run(drawn, tmp_path / "out", "--no-cache") == cold


def test_a_cache_that_cannot_be_used_is_said_once(drawn: Path, tmp_path: Path, cold: dict[str, str]) -> None:
    (tmp_path / "file").write_bytes(b"")
    status, text = evencourt("inspect", drawn / "shoot", "--workers", 1, "--cache", tmp_path / "file")
    assert status == 0 and text.count("not used to keep what is measured") == 1
    assert run(drawn, tmp_path / "out", "--cache", tmp_path / "file") == cold
    status, text = evencourt("inspect", drawn / "shoot", "--cache", drawn / "shoot" / "cache")
    assert status == 2 and "never written" in text and not (drawn / "shoot" / "cache").exists()


def pictures(folder: Path) -> None:
    folder.mkdir()
    for number in (1, 2):
        exif = PIL.Image.Exif()
        exif[0x010E] = "TH7_0001"  # ImageDescription, Exif 2.32: what some cameras fill with the file's name
        picture = PIL.Image.new("RGB", (90, 60), (90, 80 + 40 * number, 100))
        picture.save(folder / f"TH7_000{number}.jpg", exif=exif)


def test_bytes_decide_not_names(tmp_path: Path, work: list[str]) -> None:
    """A renamed frame is not measured again; what depends on its name follows it: a caption that only repeats it."""
    shoot = tmp_path / "shoot"
    pictures(shoot)
    store = Store.open(tmp_path / "one", shoot, Cache.open(tmp_path / "cache"))
    first, second = measure_shoot(store, read_shoot(shoot), 1, lambda *_: None)
    assert (first.carried.caption, second.carried.caption) == ("", "TH7_0001")
    (shoot / "TH7_0001.jpg").rename(shoot / "TH7_0003.jpg")
    (shoot / "TH7_0002.jpg").rename(shoot / "TH7_0001.jpg")
    work.clear()
    store = Store.open(tmp_path / "two", shoot, Cache.open(tmp_path / "cache"))
    found = {f.frame.name: f.carried.caption for f in measure_shoot(store, read_shoot(shoot), 1, lambda *_: None)}
    assert found == {"TH7_0001": "", "TH7_0003": "TH7_0001"}
    assert not any(one.startswith("_measure_one") for one in work)


def test_a_frame_that_changes_while_it_is_measured_is_not_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As when a card is still being copied: what is measured may belong to other bytes than the digest."""
    shoot = tmp_path / "shoot"
    pictures(shoot)
    before = (shoot / "TH7_0001.jpg").read_bytes()
    true = measure._measure_one

    def slow(task: measure._Task) -> measure.MeasuredFrame:
        if task.frame.name == "TH7_0001":
            shutil.copy(shoot / "TH7_0002.jpg", task.frame.path)
            os.utime(task.frame.path, ns=(10**18, 10**18))
        return true(task)

    monkeypatch.setattr(measure, "_measure_one", slow)
    cache = Cache.open(tmp_path / "cache")
    store = Store.open(tmp_path / "one", shoot, cache)
    first, second = measure_shoot(store, read_shoot(shoot), 1, lambda *_: None)
    assert "still being copied" in first.error and not second.error
    monkeypatch.undo()
    (shoot / "TH7_0001.jpg").write_bytes(before)
    for place, kept in (("one", cache), ("two", cache), ("three", Cache(None))):
        store = Store.open(tmp_path / place, shoot, kept)
        again, _ = measure_shoot(store, read_shoot(shoot), 1, lambda *_: None)
        assert (
            measure.read_proxy(store, again.key).pixels[..., 1].mean()
            < measure.read_proxy(store, second.key).pixels[..., 1].mean()
        )


def test_readings_of_jersey_numbers_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shoot = tmp_path / "shoot"
    pictures(shoot)
    monkeypatch.setattr(jersey_suggestions, "reader", lambda: ["reader 1"])
    read: list[str] = []
    box = jersey_suggestions.Box(0.1, 0.2, 0.3, 0.4)

    def reading(task: jersey_suggestions._Task) -> jersey_suggestions.Readings:
        read.append(task.frame.name)
        return {3: [jersey_suggestions.Reading("7", 0.9, box)], 5: []}

    monkeypatch.setattr(jersey_suggestions, "_read_frame", reading)
    cache = Cache.open(tmp_path / "cache")
    found = []
    for place, edge in (("one", 900), ("two", 900), ("three", 1000)):
        store = Store.open(tmp_path / place, shoot, cache)
        frame, _ = measure_shoot(store, read_shoot(shoot), 1, lambda *_: None)
        task = jersey_suggestions._Task(frame.frame, edge, {3: box})
        monkeypatch.setattr(jersey_suggestions, "_people_to_read", lambda *_, task=task: ([], [task]))
        kept = jersey_suggestions.KeptReadings(store, {frame.frame.name: frame.key})
        jersey_suggestions.read_people([], [], {}, 1, kept=kept)
        found.append(kept.get(task))
    assert read == ["TH7_0001", "TH7_0001"]
    assert found == [{3: [jersey_suggestions.Reading("7", 0.9, box)], 5: []}] * 3
