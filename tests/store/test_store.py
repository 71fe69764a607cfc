"""The work folder: whole files, one run at a time, nothing in the shoot."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.errors import InputError, RunStoppedError
from pipeline.store import digests
from pipeline.store import store as module
from pipeline.store.digests import FrameDigest
from pipeline.store.keys import digest_file
from pipeline.store.records import from_json, to_json
from pipeline.store.store import Source, Store
from pipeline.types import Frame


@pytest.fixture
def shoot(tmp_path: Path) -> Path:
    (tmp_path / "shoot").mkdir()
    return tmp_path / "shoot"


@pytest.fixture
def store(tmp_path: Path, shoot: Path) -> Store:
    return Store.open(tmp_path / "out", shoot)


def test_records_come_back_and_damage_counts_as_absent(store: Store) -> None:
    assert store.record("", "a.json", Source) is None and not store.damaged
    store.put_record("", "a.json", Source, Source("Zoë", None))
    assert store.record("", "a.json", Source) == Source("Zoë", None)
    kept = {"a/TH1_0001.dng": FrameDigest(3, 2**62 + 1, "ba78")}
    store.put_record("", "b.json", dict[str, FrameDigest], kept)
    assert store.record("", "b.json", dict[str, FrameDigest]) == kept
    store.put("", "c.json", b'{"a/TH1_0001.dng": [3, 4, "ba78"]}')  # as an earlier version wrote it
    assert store.record("", "c.json", dict[str, FrameDigest]) == {"a/TH1_0001.dng": FrameDigest(3, 4, "ba78")}
    assert not store.damage_notice()
    store.put("", "a.json", b'{"shoot": "Zo')
    assert store.record("", "a.json", Source) is None
    (store.work / "b.json").write_bytes(to_json(dict[str, FrameDigest], kept))  # without a seal
    assert store.record("", "b.json", dict[str, FrameDigest]) is None
    assert list(store.damaged) == ["a.json", "b.json"]
    [said] = store.damage_notice()
    assert said.startswith(f"{store.work / 'a.json'} and 1 other file there: damaged")


def test_cut_changed_moved_and_planted_files_are_absent(store: Store) -> None:
    """Whatever a disk or a person did to a byte, and wherever a file was copied from."""
    store.put("done", "a.json", b"one")
    path = store.work / "done" / "a.json"
    whole = path.read_bytes()
    for changed in (
        *(whole[:n] for n in range(len(whole))),
        *(whole[:n] + bytes([whole[n] ^ 1]) + whole[n + 1 :] for n in range(len(whole))),
        whole + b" ",
    ):
        path.write_bytes(changed)
        assert store.get("done", "a.json") is None
    for kind, name in (("done", "b.json"), ("extras", "a.json")):
        (store.work / kind / name).write_bytes(whole)
        assert store.get(kind, name) is None
    path.write_bytes(whole)
    assert store.get("done", "a.json") == b"one"
    changed = bytearray(whole)
    changed[-1] ^= 1
    path.write_bytes(changed)  # after it was read and right
    os.utime(path, ns=(1, 1))
    assert store.get("done", "a.json") is None


@pytest.mark.skipif(os.name == "nt", reason="no pipes, and links need rights")
def test_what_is_no_file_of_ours_is_never_read(store: Store, tmp_path: Path) -> None:
    """A pipe would hang for ever; a link may lead to any file, a sealed one too; a file may be as large as the disk."""
    store.put("done", "a.json", b"one")
    (store.work / "done" / "a.json").rename(tmp_path / "a.json")
    (store.work / "done" / "a.json").symlink_to(tmp_path / "a.json")
    os.mkfifo(store.work / "done" / "pipe")
    (store.work / "done" / "folder").mkdir()
    with (store.work / "done" / "large").open("wb") as file:
        file.truncate(1 << 40)
    for name in ("a.json", "pipe", "folder", "large", "../measured", "../../../a.json"):
        assert store.get("done", name) is None, name
    assert len(store.damaged) == 6
    store.put("extras", "a.json", b"one")
    (store.work / "extras").rename(tmp_path / "extras")
    (store.work / "extras").symlink_to(tmp_path / "extras")
    assert store.get("extras", "a.json") is None and store.names("extras") == []


def test_forgetting_removes_only_what_was_kept(store: Store) -> None:
    store.put("done", "a.json", b"one")
    (store.work / "done" / "b.json").write_bytes(b"somebody's")
    for name in ("a.json", "b.json", "c.json"):
        store.remove("done", name)
    assert [path.name for path in (store.work / "done").iterdir()] == ["b.json"]


@pytest.mark.skipif(os.name == "nt", reason="symbolic links need rights on Windows")
@pytest.mark.parametrize(
    "name", [".work", ".work/measured", ".work/done", ".work/lock", "run.json", "report.html", "frames.csv"]
)
@pytest.mark.parametrize("there", [True, False])
def test_a_link_in_place_of_ours_is_refused_and_nothing_written(
    tmp_path: Path, shoot: Path, name: str, there: bool
) -> None:
    out, target = tmp_path / "out", shoot / "target"
    if there:
        (target.mkdir if name in (".work", ".work/measured", ".work/done") else target.touch)()
    (out / name).parent.mkdir(parents=True)
    (out / name).symlink_to(target)
    with pytest.raises(InputError, match="is a link, and what is written there would land elsewhere"):
        Store.open(out, shoot)
    assert list(out.rglob("*")) == ([out / ".work", out / name] if "/" in name else [out / name])
    assert not target.is_dir() or not list(target.iterdir())


@pytest.mark.parametrize("data", [b"", b"null", b"[]", b'{"shoot": 3}', b'{"shoot": ["a"]}'])
def test_what_is_no_such_record_is_an_error(data: bytes) -> None:
    with pytest.raises(ValueError):
        from_json(Source, data)


def test_a_record_of_another_version_is_read_as_far_as_it_goes() -> None:
    assert from_json(Source, b'{"shoot": "x", "later": 1}') == Source("x")
    assert from_json(Source, to_json(Source, Source("x", "y"))) == Source("x", "y")


@pytest.mark.parametrize("below", ["", "delivered", "a/b/c"])
def test_out_in_the_shoot_is_refused_and_nothing_made(shoot: Path, below: str) -> None:
    with pytest.raises(InputError, match="inside the shoot folder"):
        Store.open(shoot / below, shoot)
    assert list(shoot.iterdir()) == []


@pytest.mark.skipif(os.name == "nt", reason="symbolic links need rights on Windows")
def test_out_in_the_shoot_by_another_way(tmp_path: Path, shoot: Path) -> None:
    (tmp_path / "link").symlink_to(shoot)
    for out in (tmp_path / "link" / "out", shoot.parent / "x" / ".." / "shoot" / "out"):
        with pytest.raises(InputError, match="inside the shoot folder"):
            Store.open(out, shoot)


def test_out_in_the_shoot_where_case_does_not_count(shoot: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """macOS and Windows: SHOOT and shoot are one folder, which only the file system knows."""
    monkeypatch.setattr(Path, "samefile", lambda self, other: str(self).casefold() == str(other).casefold())
    out = shoot.with_name(shoot.name.upper()) / "out"
    with pytest.raises(InputError, match="inside the shoot folder"):
        Store.open(out, shoot)
    assert not out.exists()


def test_out_that_cannot_be_made(tmp_path: Path, shoot: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(InputError, match=r"cannot be written .*choose another --out"):
        Store.open(tmp_path / "file", shoot)


def test_kept_bytes(store: Store) -> None:
    assert store.get("measured", "key") is None
    store.put("measured", "key", b"data")
    assert store.get("measured", "key") == b"data"
    assert store.names("measured") == ["key"]
    store.remove("measured", "key")
    store.remove("measured", "key")
    assert store.names("measured") == []


def test_digests_are_read_once(store: Store, shoot: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = shoot / "TH1_0001.dng"
    path.write_bytes(b"abc")
    frame = Frame("TH1_0001", path, path.name, "raw")
    read: list[Path] = []
    monkeypatch.setattr(digests, "digest_file", lambda p: read.append(p) or digest_file(p))
    monkeypatch.setattr(digests, "SETTLED", 0)
    # FIPS 180-4, example "abc"
    assert store.frame_digest(frame) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    store.save_digests()
    again = Store(store.out)
    assert again.frame_digest(frame) == digest_file(path)
    assert len(read) == 1
    path.write_bytes(b"abd")  # as long as before
    os.utime(path, ns=(0, 1))
    assert again.frame_digest(frame) == digest_file(path)
    assert len(read) == 2


def test_a_longer_file_of_the_same_time_is_read_again(store: Store, shoot: Path) -> None:
    """A card reader that keeps times to the second, and a copy that was cut short and taken up again."""
    path = shoot / "TH1_0001.dng"
    frame = Frame("TH1_0001", path, path.name, "raw")
    path.write_bytes(b"abc")
    os.utime(path, ns=(0, 10**18))
    before = store.frame_digest(frame)
    path.write_bytes(b"abcd")
    os.utime(path, ns=(0, 10**18))
    assert store.frame_digest(frame) == digest_file(path) != before


def test_damaged_digests_are_made_anew(store: Store, shoot: Path) -> None:
    store.put("", "digests.json", b"[1, 2")
    path = shoot / "TH1_0001.dng"
    path.write_bytes(b"abc")
    assert store.frame_digest(Frame("TH1_0001", path, path.name, "raw")) == digest_file(path)


def test_a_full_disk_for_temporary_files_is_said(shoot: Path) -> None:
    with pytest.raises(RunStoppedError, match="TMPDIR"), Store.scratch(shoot) as store:
        place = store.out
        store.put("measured", "key", b"data")
        raise OSError(errno.ENOSPC, "No space left on device")
    assert not place.exists()
    with pytest.raises(PermissionError), Store.scratch(shoot):
        raise PermissionError(13, "another thing")


def test_one_run_at_a_time(store: Store) -> None:
    assert not store.is_locked()
    with store.locked():
        assert store.is_locked()
        with (
            pytest.raises(InputError, match=rf"another run is writing to .*\(process {os.getpid()} on .* since "),
            Store(store.out).locked(),
        ):
            raise AssertionError("two runs in one folder")
    assert not store.is_locked()
    with store.locked():
        pass


def test_a_killed_run_leaves_no_lock(store: Store) -> None:
    code = (
        "import os, sys; from pathlib import Path; from pipeline.store.store import Store\n"
        "with Store(Path(sys.argv[1])).locked():\n    os._exit(9)\n"
    )
    root = Path(module.__file__).parents[1]
    done = subprocess.run([sys.executable, "-c", code, str(store.out)], cwd=root, timeout=60)
    assert done.returncode == 9
    with store.locked():
        assert (store.work / "holder.json").is_file()


def test_leftovers_are_removed_and_nothing_else(store: Store, shoot: Path) -> None:
    out = store.out
    other = out / "second"
    inner = out / "raws"
    for folder in (out / "web", other / ".work" / "done", other / "web", inner):
        folder.mkdir(parents=True)
    leftover = ".evencourt-part-1-0"
    for folder in (out, out / "web", out / ".work" / "done", other / "web", inner):
        (folder / leftover).write_bytes(b"")
    (out / "web" / "TH1_0001.jpg").write_bytes(b"picture")
    (out / ".hidden").write_bytes(b"a file of the user")
    own = (".evencourt-part-", ".evencourt-part-mine.jpg", ".evencourt-part-1-0.jpg")
    for name in own:
        (out / "web" / name).write_bytes(b"a file of the user")
    (out / "web" / "mine" / "deep").mkdir(parents=True)
    (out / "web" / "mine" / "deep" / leftover).write_bytes(b"no run writes there")
    Store(out, inner).clean_temporaries()
    left = {p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file()}
    assert left == {
        "web/TH1_0001.jpg", ".hidden", f"second/web/{leftover}", f"raws/{leftover}", f"web/mine/deep/{leftover}",
        *(f"web/{name}" for name in own),
    }  # fmt: skip


def test_an_empty_folder_in_place_of_a_file_is_no_hindrance(store: Store) -> None:
    for name in ("a.json", "b.json"):
        (store.work / "done" / name).mkdir()
    store.put("done", "a.json", b"one")
    assert store.get("done", "a.json") == b"one"
    (store.work / "done" / "b.json" / "mine").touch()
    with pytest.raises(OSError):
        store.put("done", "b.json", b"one")
    assert (store.work / "done" / "b.json" / "mine").exists()
