"""The user's cache: private, bounded, and never the reason why a command fails."""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.store import cache as module
from pipeline.store.cache import Cache, user_cache
from pipeline.store.files import TEMPORARY

posix = pytest.mark.skipif(os.name == "nt", reason="Windows knows no permission bits")


@pytest.fixture
def cache(tmp_path: Path) -> Cache:
    return Cache.open(tmp_path / "cache")


def mode(path: Path) -> int:
    return stat.S_IMODE(path.lstat().st_mode)


def test_what_is_put_comes_back(cache: Cache) -> None:
    assert cache.get("measured", "a") is None
    cache.put("measured", "a", b"one")
    cache.put("measured", "a", b"two")
    cache.put("measured", "b", b"")
    assert cache.get("measured", "a") == b"two" and cache.get("measured", "b") == b""
    cache.forget("measured", "a")
    cache.forget("measured", "a")
    assert cache.get("measured", "a") is None
    assert not cache.notices


@posix
def test_only_the_user_can_read_it(cache: Cache, tmp_path: Path) -> None:
    """Measurements hold small pictures of children: XDG Base Directory Specification 0.8 asks for 0700 too."""
    cache.put("measured", "a", b"one")
    for path in (tmp_path / "cache").rglob("*"):
        assert mode(path) == (0o700 if path.is_dir() else 0o600), path
    assert mode(tmp_path / "cache") == 0o700


@posix
def test_an_open_folder_of_ours_is_closed_and_another_one_keeps_its_mode(tmp_path: Path) -> None:
    for name, other in (("ours", ""), ("theirs", "letter.txt")):
        (tmp_path / name).mkdir()
        (tmp_path / name).chmod(0o755)
        if other:
            (tmp_path / name / other).touch()
        cache = Cache.open(tmp_path / name)
        cache.put("measured", "a", b"one")
        assert cache.get("measured", "a") == b"one"
        assert mode(tmp_path / name) == (0o755 if other else 0o700)
        assert mode(tmp_path / name / "measured") == 0o700


@posix
@pytest.mark.parametrize("below", ["", "measured"])
@pytest.mark.parametrize("bits", [0o770, 0o702])
def test_a_folder_that_others_may_write_is_not_used(tmp_path: Path, below: str, bits: int) -> None:
    Cache.open(tmp_path / "cache").put("measured", "a", b"one")
    (tmp_path / "cache" / below).chmod(bits)
    cache = Cache.open(tmp_path / "cache")
    assert cache.get("measured", "a") is None
    cache.put("measured", "b", b"two")
    assert not (tmp_path / "cache" / "measured" / "b").exists()
    (why,) = cache.notices
    assert "others may write to it" in why


@posix
@pytest.mark.parametrize("below", ["", "measured"])
def test_a_link_is_not_followed(tmp_path: Path, below: str) -> None:
    (tmp_path / "elsewhere").mkdir(mode=0o700)
    Cache.open(tmp_path / "cache")
    target = tmp_path / "cache" / below
    shutil.rmtree(target)
    target.symlink_to(tmp_path / "elsewhere")
    cache = Cache.open(tmp_path / "cache")
    cache.put("measured", "a", b"one")
    assert not list((tmp_path / "elsewhere").rglob("*"))
    assert len(cache.notices) == 1 and "it is a link" in cache.notices[0]


@posix
def test_a_folder_of_another_user_is_not_used(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Cache.open(tmp_path / "cache").put("measured", "a", b"one")
    monkeypatch.setattr(os, "geteuid", lambda: 987_654)
    cache = Cache.open(tmp_path / "cache")
    assert cache.get("measured", "a") is None
    assert "another user" in cache.notices[0]


def test_damaged_moved_and_planted_entries_are_absent(cache: Cache, tmp_path: Path) -> None:
    folder = tmp_path / "cache" / "measured"
    cache.put("measured", "a", bytes(range(256)))
    whole = (folder / "a").read_bytes()
    for size in range(0, len(whole), 7):  # a disk that was full, a power cut
        (folder / "a").write_bytes(whole[:size])
        assert cache.get("measured", "a") is None
    for at in range(0, len(whole), 5):
        (folder / "a").write_bytes(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :])
        assert cache.get("measured", "a") is None
    assert not (folder / "a").exists()
    (folder / "b").write_bytes(whole)  # another frame's, under this name
    (tmp_path / "cache" / "numbers" / "a").write_bytes(whole)
    assert cache.get("measured", "b") is None and cache.get("numbers", "a") is None
    (folder / "a").write_bytes(whole)
    assert cache.get("measured", "a") == bytes(range(256))


@posix
def test_what_is_no_file_is_absent(cache: Cache, tmp_path: Path) -> None:
    """Reading a pipe would never end; a link may lead to any file of the user."""
    folder = tmp_path / "cache" / "measured"
    cache.put("measured", "there", b"one")
    os.mkfifo(folder / "pipe")
    (folder / "folder").mkdir()
    (folder / "link").symlink_to(folder / "there")
    for name in ("pipe", "folder", "link"):
        assert cache.get("measured", name) is None
        cache.put("measured", name, b"two")
    assert cache.get("measured", "there") == b"one"
    (folder / "there").rename(tmp_path / "there")
    (folder / "there").symlink_to(tmp_path / "there")
    assert cache.get("measured", "there") is None
    assert cache.get("measured", "pipe") == cache.get("measured", "link") == b"two"


def test_the_longest_unused_go_first(tmp_path: Path) -> None:
    cache = Cache.open(tmp_path / "cache", limit=10_000)
    for number in range(8):
        cache.put("measured", f"{number}", bytes(1000))
        os.utime(tmp_path / "cache" / "measured" / f"{number}", (number, number))
    assert cache.get("measured", "0") is not None  # used now
    for number in range(8, 12):
        cache.put("measured", f"{number}", bytes(1000))
    left = {path.name for path in (tmp_path / "cache" / "measured").iterdir()}
    assert {"0", "11", "10", "9"} <= left and not {"1", "2"} & left
    assert sum(p.stat().st_size for p in (tmp_path / "cache").rglob("*") if p.is_file()) <= 10_000


def test_what_other_processes_wrote_counts(tmp_path: Path) -> None:
    first, second = (Cache.open(tmp_path / "cache", limit=5000) for _ in range(2))
    for number in range(20):
        first.put("measured", f"a{number}", bytes(400))
        second.put("burst_light", f"b{number}", bytes(400))
    Cache.open(tmp_path / "cache", limit=5000).put("measured", "last", bytes(400))
    assert sum(p.stat().st_size for p in (tmp_path / "cache").rglob("*") if p.is_file()) <= 5000


def test_what_a_killed_process_left_goes_and_what_is_being_written_stays(tmp_path: Path) -> None:
    folder = tmp_path / "cache" / "measured"
    Cache.open(tmp_path / "cache")
    old, new = folder / f"{TEMPORARY}1-aa", folder / f"{TEMPORARY}1-bb"
    for path in (old, new):
        path.write_bytes(b"half")
    os.utime(old, (time.time() - 7200,) * 2)
    Cache.open(tmp_path / "cache").put("measured", "a", b"one")
    assert not old.exists() and new.exists()


@pytest.mark.parametrize(
    ("total", "free", "kept"), [(10**12, 0.9e9, False), (10**12, 1.1e9, True), (10**9, 4e7, False), (10**9, 6e7, True)]
)
def test_the_night_s_pictures_come_before_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, total: int, free: float, kept: bool
) -> None:
    """A gigabyte stays free, or a twentieth of a small disk."""
    usage = shutil.disk_usage(tmp_path)._replace(total=total, free=int(free))
    monkeypatch.setattr(module.shutil, "disk_usage", lambda path: usage)
    cache = Cache.open(tmp_path / "cache")
    for name in "ab":
        cache.put("measured", name, b"one")
    assert len(list((tmp_path / "cache" / "measured").iterdir())) == 2 * kept
    assert [("nearly full" in why) for why in cache.notices] == [True] * (not kept)


def test_a_disk_that_cannot_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    cache = Cache.open(tmp_path / "cache")
    cache.put("measured", "a", b"one")

    def full(self: Path, target: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    for name in "bc":
        cache.put("measured", name, b"two")
    assert [p.name for p in (tmp_path / "cache" / "measured").iterdir()] == ["a"]
    assert len(cache.notices) == 1 and "No space" in cache.notices[0]
    assert cache.get("measured", "a") == b"one"


def test_a_place_that_cannot_be_a_folder(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("a letter", encoding="utf-8")
    for place in (tmp_path / "file", tmp_path / "file" / "below"):
        cache = Cache.open(place)
        cache.put("measured", "a", b"one")
        assert cache.get("measured", "a") is None and len(cache.notices) == 1
    assert (tmp_path / "file").read_text(encoding="utf-8") == "a letter"


def test_where_it_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shoot = tmp_path / "shoot"
    shoot.mkdir()
    monkeypatch.setenv("EVENCOURT_CACHE", str(tmp_path / "named"))
    assert user_cache(tmp_path / "given", outside=shoot).folder == tmp_path / "given"
    assert user_cache(outside=shoot).folder == tmp_path / "named"
    monkeypatch.delenv("EVENCOURT_CACHE")
    monkeypatch.setattr("platformdirs.user_cache_path", lambda *_, **__: tmp_path / "user" / "evencourt")
    (tmp_path / "user" / "evencourt" / "models").mkdir(parents=True)  # where model files are kept
    (tmp_path / "user" / "evencourt").chmod(0o755)
    usual = user_cache(outside=shoot)
    assert usual.folder == tmp_path / "user" / "evencourt" / "frames"
    if os.name != "nt":
        assert mode(tmp_path / "user" / "evencourt") == 0o700
    for inside in (shoot, shoot / "cache"):
        with pytest.raises(InputError, match="never written"):
            user_cache(inside, outside=shoot)
    assert not list(shoot.iterdir())


def test_its_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("EVENCOURT_CACHE", str(tmp_path / "cache"))
    shoot = tmp_path / "shoot"
    assert user_cache(outside=shoot)._limit == 2_000_000_000
    monkeypatch.setenv("EVENCOURT_CACHE_SIZE", "500 MB")
    assert user_cache(outside=shoot)._limit == 500_000_000
    monkeypatch.setenv("EVENCOURT_CACHE_SIZE", "much")
    with pytest.raises(InputError, match="500 MB"):
        user_cache(outside=shoot)


_WRITER = """\
import sys
from pathlib import Path
from pipeline.store.cache import Cache
cache = Cache.open(Path(sys.argv[1]), limit=60_000)
print("ready", flush=True)
for number in range(10**9):
    name = f"{number % 40}"
    cache.put("measured", name, name.encode() * 2000)
    found = cache.get("measured", f"{(number * 7) % 40}")
    assert found is None or found == f"{(number * 7) % 40}".encode() * 2000
"""


def test_two_processes_and_kills(tmp_path: Path) -> None:
    """They write, read and remove the same entries until they are killed; whatever is there afterwards is whole."""
    place = tmp_path / "cache"
    for _ in range(2):
        writers = [
            subprocess.Popen(
                [sys.executable, "-c", _WRITER, str(place)], stdout=subprocess.PIPE, stderr=subprocess.PIPE
            )
            for _ in range(2)
        ]
        for one in writers:
            assert one.stdout is not None and one.stdout.readline() == b"ready\n"
        time.sleep(0.4)
        for one in writers:
            assert one.poll() is None, one.communicate()
            one.kill()
            one.communicate()
    cache = Cache.open(place, limit=60_000)
    found = {str(n): cache.get("measured", str(n)) for n in range(40)}
    assert any(found.values())
    assert all(data is None or data == name.encode() * 2000 for name, data in found.items())
    cache.put("measured", "last", b"one")
    assert cache.get("measured", "last") == b"one"
