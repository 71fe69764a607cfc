"""Which paths a record may lead to: those of OUT that no link leads away from."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.store.places import (
    digest_below,
    is_delivered_path,
    is_plain,
    open_file,
    path_below,
    read_file,
    resolved,
)

# Microsoft Learn, "Naming Files, Paths, and Namespaces": reserved characters and device names, with or without a
# suffix; no name ends in a space or dot. POSIX.1-2017, 4.13: "." and "..", "/" and NUL.
NOT_PLAIN = (
    "", ".", "..", "a/b", "a\\b", "C:", "C:kept.jpg", "a:stream", "a\0b", "a\nb", "a\x1bb", "CON", "con.jpg",
    "nul.tar.gz", "COM1", "lpt9.txt", "COM\u00b9", "CONIN$", "a ", "a.", "a?", "a*", "<a>", "a|b", 'a"b', "\ud800",
    "x" * 256, "é" * 128,
)  # fmt: skip
PLAIN = ("TH1_0001.jpg", ".work", "Łódź_日本_0003.jpg", "console.jpg", "x" * 255, "a b", "com.jpg", "..a")


def test_plain_names() -> None:
    assert [name for name in NOT_PLAIN if is_plain(name)] == []
    assert [name for name in PLAIN if not is_plain(name)] == []


@pytest.mark.parametrize("name", NOT_PLAIN)
def test_no_path_with_such_a_part_is_followed(tmp_path: Path, name: str) -> None:
    for relative in (name, f"web/{name}", f"{name}/kept.jpg", f"web/{name}/kept.jpg"):
        if relative != "web/a/b":
            assert "a/b" in relative or path_below(tmp_path, relative) is None, relative
    assert not is_delivered_path(f"web/{name}") or name == "a/b"


@pytest.mark.parametrize(
    ("relative", "fits"),
    [
        ("web/TH1_0001.jpg", True), ("web/small/TH1_0001.jpg", True), ("web/index.html", True),
        ("run.json", False), (".work/lock", False), (".work/done/a.json", False), ("web/.hidden", False),
        ("/etc/passwd", False), ("web/a/b/c.jpg", False), ("web//a.jpg", False), ("web/", False), ("con/a.jpg", False),
    ],
)  # fmt: skip
def test_paths_of_deliveries(relative: str, fits: bool) -> None:
    assert is_delivered_path(relative) == fits


def test_what_is_there_is_found(tmp_path: Path) -> None:
    (tmp_path / "web").mkdir()
    (tmp_path / "web" / "a.jpg").write_bytes(b"abc")
    assert path_below(tmp_path, "web/a.jpg") == tmp_path / "web" / "a.jpg"
    # FIPS 180-4, example "abc"
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert digest_below(tmp_path, "web/a.jpg") == digest
    assert digest_below(tmp_path, "web/b.jpg") is None and digest_below(tmp_path, "web") is None
    assert read_file(tmp_path / "web" / "a.jpg", 3) == b"abc"
    with pytest.raises(OSError, match="larger"):
        read_file(tmp_path / "web" / "a.jpg", 2)


@pytest.mark.skipif(os.name == "nt", reason="symbolic links need rights on Windows")
def test_no_link_is_followed(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "shoot").mkdir()
    (tmp_path / "shoot" / "a.jpg").write_bytes(b"abc")
    (tmp_path / "out" / "web").symlink_to(tmp_path / "shoot")
    (tmp_path / "out" / "a.jpg").symlink_to(tmp_path / "shoot" / "a.jpg")
    for relative in ("web/a.jpg", "a.jpg", "web"):
        assert path_below(tmp_path / "out", relative) is None
        assert digest_below(tmp_path / "out", relative) is None
    with pytest.raises(OSError):
        read_file(tmp_path / "out" / "a.jpg", 100)


@pytest.mark.skipif(os.name == "nt", reason="symbolic links need rights on Windows")
def test_out_may_be_a_link_to_another_disk(tmp_path: Path) -> None:
    (tmp_path / "disk").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "disk")
    assert resolved(tmp_path / "out") == (tmp_path / "disk").resolve()
    assert resolved(tmp_path / "none") == tmp_path / "none"
    (tmp_path / "disk").rmdir()
    with pytest.raises(InputError, match="plug in its disk"):
        resolved(tmp_path / "out")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names on this system")
def test_a_pipe_is_not_opened_as_a_file(tmp_path: Path) -> None:
    """Where nobody writes to it, an empty file would be read; where somebody does, what is read would be gone."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(OSError, match="no plain file"):
        open_file(pipe)
    assert digest_below(tmp_path, "pipe") is None
