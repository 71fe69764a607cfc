"""Digests against published vectors, and what a render's key knows of its surroundings."""

from __future__ import annotations

import errno
import hashlib
import os
import platform
import sys
from contextlib import nullcontext
from pathlib import Path

import cv2
import numpy as np
import pytest
import rawpy

from pipeline.engine.kept.compare import _delivered
from pipeline.store import keys
from pipeline.store.keys import digest_file, digest_json, digest_of, environment, is_hollow
from pipeline.store.places import digest_below

# NIST, "Secure Hash Standard" FIPS 180-4, and its example values for SHA-256; the million times "a" is in
# FIPS 180-2, appendix B.3. The values come from memory.
VECTORS = [
    (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
    (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    (
        b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
    ),
    (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
]


@pytest.mark.parametrize(("data", "expected"), VECTORS)
def test_files_digest_as_published(tmp_path: Path, data: bytes, expected: str) -> None:
    (tmp_path / "file").write_bytes(data)
    assert digest_file(tmp_path / "file") == expected


def test_a_terabyte_of_holes_is_not_read(tmp_path: Path) -> None:
    """Reading it would take hours; what a camera or a run writes has no holes."""
    path = tmp_path / "web" / "TH1_0001.jpg"
    path.parent.mkdir()
    with path.open("wb") as file:
        file.truncate(1 << 40)
    if path.stat().st_blocks * 512 > 1 << 30:
        pytest.skip("this file system keeps no holes")
    with pytest.raises(OSError, match="mostly empty") as error:
        digest_file(path)
    assert error.value.filename == str(path)
    assert digest_below(tmp_path, "web/TH1_0001.jpg") is None
    said = _delivered(tmp_path, "web/TH1_0001.jpg", "0" * 64, None)
    assert said == "web/TH1_0001.jpg: is a gigabyte or more and mostly empty, as no picture is"


@pytest.mark.parametrize("tells", [True, False])
def test_a_disk_that_counts_no_blocks_holds_files_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, tells: bool
) -> None:
    """As some network disks do. tells  whether the system says where holes are (SEEK_HOLE of POSIX.1-2024)"""
    really = os.fstat
    monkeypatch.setattr(keys, "_HOLLOW", 1 << 20)
    monkeypatch.setattr(os, "fstat", lambda file: _Counted(really(file), 0))
    if not tells:
        monkeypatch.delattr(os, "SEEK_DATA")
    data = os.urandom(4 << 20)
    (tmp_path / "full").write_bytes(data)
    assert digest_file(tmp_path / "full") == hashlib.sha256(data).hexdigest()
    with (tmp_path / "full").open("rb") as file:
        file.seek(1000)
        assert digest_of(file) == hashlib.sha256(data[1000:]).hexdigest()
    for name, filled in (("most", 3 << 20), ("some", 1 << 20)):
        with (tmp_path / name).open("wb") as file:
            file.write(data[:filled])
            file.truncate(4 << 20)
        hollow = tells and name == "some"
        with pytest.raises(OSError, match="mostly empty") if hollow else nullcontext():
            assert digest_file(tmp_path / name) == hashlib.sha256(data[:filled] + bytes((4 << 20) - filled)).hexdigest()


def test_where_no_holes_are_told_the_blocks_count(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    really = os.fstat
    monkeypatch.setattr(keys, "_HOLLOW", 1 << 20)

    def refuses(file: int, at: int, whence: int) -> int:
        if whence not in (os.SEEK_SET, os.SEEK_CUR):
            raise OSError(errno.EINVAL, "Invalid argument")
        return 0

    (tmp_path / "file").write_bytes(bytes(2 << 20))
    for blocks, hollow in ((8, True), (0, False), ((1 << 20) // 512, False)):
        monkeypatch.setattr(os, "fstat", lambda file, blocks=blocks: _Counted(really(file), blocks))
        monkeypatch.setattr(os, "lseek", refuses)
        with (tmp_path / "file").open("rb") as file:
            assert is_hollow(file.fileno()) == hollow


class _Counted:
    """What a system says of a file, with another number of blocks."""

    def __init__(self, about: os.stat_result, blocks: int) -> None:
        self.st_size, self.st_mode, self.st_blksize, self.st_blocks = about.st_size, about.st_mode, 4096, blocks


def test_a_file_longer_than_one_read(tmp_path: Path) -> None:
    data = bytes(range(256)) * 10_001  # 2.4 MiB, not a multiple of the read
    (tmp_path / "file").write_bytes(data)
    assert digest_file(tmp_path / "file") == hashlib.sha256(data).hexdigest()


def test_canonical_json() -> None:
    value = {"b": [1, 0.1, True, None], "a": {"y": "é", "x": 1e-7}}
    text = b'{"a":{"x":1e-07,"y":"\\u00e9"},"b":[1,0.1,true,null]}'  # by hand
    assert digest_json(value) == hashlib.sha256(text).hexdigest()
    assert digest_json({"a": 1, "b": 2}) == digest_json({"b": 2, "a": 1})
    assert digest_json([1, 2]) != digest_json([2, 1])
    assert digest_json(0.1 + 0.2) != digest_json(0.3)  # the last bit counts


@pytest.mark.parametrize("value", [float("nan"), float("inf"), {"a": [-float("inf")]}])
def test_what_is_no_number_has_no_digest(value: object) -> None:
    with pytest.raises(ValueError):
        digest_json(value)


def test_environment_tells_what_runs() -> None:
    found = environment()
    assert found["numpy"] == np.__version__
    assert found["opencv-python-headless"].startswith(cv2.__version__)
    assert found["libraw"] == ".".join(map(str, rawpy.libraw_version))
    assert found["python"] == f"{sys.version_info[0]}.{sys.version_info[1]}"
    assert found["machine"] == f"{platform.system()} {platform.machine()}"
    assert found["jpeg"].startswith("libjpeg")
    assert {"evencourt", "Pillow", "rawpy", "numba"} <= found.keys()
    assert all(isinstance(value, str) and value for value in found.values())


def test_a_caller_cannot_change_the_environment_of_others() -> None:
    environment()["numpy"] = "0"
    assert environment()["numpy"] == np.__version__
