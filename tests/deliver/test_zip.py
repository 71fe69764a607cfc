"""The zip, against coreutils' sha256sum, Info-ZIP's unzip and APPNOTE.TXT's fields."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import tracemalloc
import zipfile
from pathlib import Path

import pytest

from pipeline.deliver.deliver import deliver
from pipeline.deliver.model import Delivered, Item, SetFacts, Wanted
from pipeline.deliver.zip import checksums


def item(out: Path, name: str, data: bytes) -> Item:
    path = out / "web" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return Item(f"web/{name}", hashlib.sha256(data).hexdigest(), len(data), 3, 2)


def pack(out: Path, items: list[Item], wanted: bool = True) -> Delivered:
    return deliver(out, "web", items, Wanted(**{"zip": wanted}), SetFacts())


@pytest.fixture
def items(tmp_path: Path) -> list[Item]:
    return [item(tmp_path, n, n.encode() * 999) for n in ("TH1_0002.jpg", "TH1_0001.jpg", "Łódź_日本_0003.jpg")]


def test_others_can_read_and_check_it(tmp_path: Path, items: list[Item]) -> None:
    assert pack(tmp_path, items).problems == ()
    archive = tmp_path / "web" / "web.zip"
    if shutil.which("sha256sum") is None:
        pytest.skip("no sha256sum here")
    with zipfile.ZipFile(archive) as z:
        assert z.testzip() is None
        z.extractall(tmp_path / "x")
    done = subprocess.run(
        ["sha256sum", "--check", "--strict", "SHA256SUMS"], cwd=tmp_path / "x" / "web", capture_output=True, text=True
    )
    assert done.returncode == 0 and done.stdout.count(": OK") == 3, done.stderr
    if shutil.which("unzip"):
        assert subprocess.run(["unzip", "-tq", archive], capture_output=True).returncode == 0


def test_names_with_line_breaks_are_escaped_as_coreutils_does(tmp_path: Path) -> None:
    if shutil.which("sha256sum") is None or os.name == "nt":
        pytest.skip("no sha256sum here, or no such names")
    strange = [item(tmp_path, "a\nb\\c.jpg", b"x"), item(tmp_path, "d e.jpg", b"y")]
    theirs = subprocess.run(
        ["sha256sum", *(i.name for i in strange)], cwd=tmp_path / "web", capture_output=True, check=True
    )
    assert checksums(strange) == theirs.stdout


def test_the_same_files_give_the_same_bytes(tmp_path: Path, items: list[Item]) -> None:
    pack(tmp_path, items)
    first = (tmp_path / "web" / "web.zip").read_bytes()
    for n, each in enumerate(items):
        os.utime(tmp_path / each.relative, (10_000 * n, 10_000 * n))
        (tmp_path / each.relative).chmod(0o600)
    shutil.rmtree(tmp_path / ".work")
    (tmp_path / "web" / "web.zip").unlink()
    pack(tmp_path, items[::-1])
    assert (tmp_path / "web" / "web.zip").read_bytes() == first
    with zipfile.ZipFile(tmp_path / "web" / "web.zip") as z:
        infos = z.infolist()
    assert [i.filename for i in infos] == [
        "web/TH1_0001.jpg", "web/TH1_0002.jpg", "web/Łódź_日本_0003.jpg", "web/SHA256SUMS"]  # fmt: skip
    for i in infos:
        # APPNOTE.TXT 4.4.2, 4.4.4 (bit 11: UTF-8), 4.4.5 (0: stored), 4.4.15
        assert (i.date_time, i.create_system, i.external_attr >> 16, i.compress_type) == (
            (1980, 1, 1, 0, 0, 0), 3, 0o100644, 0)  # fmt: skip
        assert bool(i.flag_bits & 0x800) == (not i.filename.isascii())


def test_a_second_run_leaves_it_as_it_is(tmp_path: Path, items: list[Item]) -> None:
    archive = tmp_path / "web" / "web.zip"
    assert not pack(tmp_path, items).made[0].reused
    os.utime(archive, (1, 1))  # a copy of OUT has other times, and is still the same
    assert pack(tmp_path, items).made[0].reused and archive.stat().st_mtime == 1
    changed = [*items[1:], item(tmp_path, "TH1_0002.jpg", b"anew")]
    done = pack(tmp_path, changed)
    assert not done.made[0].reused and done.made[0].sha256 == hashlib.sha256(archive.read_bytes()).hexdigest()


def test_it_goes_when_it_is_not_asked_for_or_cannot_be_made_anew(tmp_path: Path, items: list[Item]) -> None:
    archive = tmp_path / "web" / "web.zip"
    pack(tmp_path, items)
    pack(tmp_path, items, wanted=False)
    assert not archive.exists()
    pack(tmp_path, items)
    (tmp_path / items[0].relative).write_bytes(b"somebody's own")
    done = pack(tmp_path, items[:2])  # the third was withdrawn, so the old zip must not stay
    assert "TH1_0002.jpg: changed since it was delivered" in done.problems[0] and not archive.exists()
    assert not list(tmp_path.rglob(".evencourt-part-*"))


def test_a_zip_that_somebody_else_made_is_kept_aside(tmp_path: Path, items: list[Item]) -> None:
    archive = tmp_path / "web" / "web.zip"
    archive.write_bytes(b"the photographer's own")
    done = pack(tmp_path, items)
    assert "web/web.zip: changed since" in done.notices[0] and done.problems == () and len(done.made) == 1
    assert (tmp_path / ".work" / "set_aside" / "web" / "web.zip").read_bytes() == b"the photographer's own"


def test_the_large_form(tmp_path: Path, items: list[Item], monkeypatch: pytest.MonkeyPatch) -> None:
    """The zip64 records appear beyond the limits of the old form, which are lowered here to keep the test short."""
    monkeypatch.setattr(zipfile, "ZIP64_LIMIT", 5000)
    monkeypatch.setattr(zipfile, "ZIP_FILECOUNT_LIMIT", 2)
    assert pack(tmp_path, items).problems == ()
    monkeypatch.undo()
    archive = tmp_path / "web" / "web.zip"
    assert b"PK\x06\x06" in archive.read_bytes()  # APPNOTE.TXT 4.3.14: zip64 end of central directory record
    with zipfile.ZipFile(archive) as z:
        assert z.testzip() is None and len(z.namelist()) == 4
    if shutil.which("unzip"):
        assert subprocess.run(["unzip", "-tq", archive], capture_output=True).returncode == 0


def test_files_pass_through_in_blocks(tmp_path: Path) -> None:
    big = [item(tmp_path, "TH1_0001.jpg", bytes(24 << 20))]
    tracemalloc.start()
    try:
        pack(tmp_path, big)
        assert tracemalloc.get_traced_memory()[1] < 8 << 20
    finally:
        tracemalloc.stop()


def test_a_zip_that_was_changed_by_hand_is_not_taken_for_ours(tmp_path: Path, items: list[Item]) -> None:
    archive = tmp_path / "web" / "web.zip"
    pack(tmp_path, items)
    data = bytes(255 - b for b in archive.read_bytes())
    archive.write_bytes(data)
    os.utime(archive, (1, 1))
    done = pack(tmp_path, items)
    assert "made again" in done.notices[0] and len(done.made) == 1 and zipfile.is_zipfile(archive)
    assert (tmp_path / ".work" / "set_aside" / "web" / "web.zip").read_bytes() == data


@pytest.mark.parametrize("damage", [b"", b"{", b"[]", b'{"delivery": "web"}', b'{"delivery": 3, "relative": "w"}'])
def test_a_file_whose_record_is_damaged_is_not_taken_for_ours(tmp_path: Path, items: list[Item], damage: bytes) -> None:
    archive = tmp_path / "web" / "web.zip"
    pack(tmp_path, items)
    data = archive.read_bytes()
    for record in (tmp_path / ".work" / "extras").iterdir():
        record.write_bytes(damage)
    done = pack(tmp_path, items[:1])
    assert "web/web.zip: changed since" in done.notices[0] and archive.read_bytes() != data
    assert (tmp_path / ".work" / "set_aside" / "web" / "web.zip").read_bytes() == data


def test_the_old_zip_is_gone_when_a_run_is_stopped_in_the_middle(
    tmp_path: Path, items: list[Item], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It may hold a picture that was withdrawn since."""
    pack(tmp_path, items)

    def stopped(*arguments: object) -> str:
        raise KeyboardInterrupt

    monkeypatch.setattr("pipeline.deliver.zip.write_zip", stopped)
    with pytest.raises(KeyboardInterrupt):
        pack(tmp_path, items[:2])
    assert not (tmp_path / "web" / "web.zip").exists()
