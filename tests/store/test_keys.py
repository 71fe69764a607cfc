"""Digests against published vectors, and what a render's key knows of its surroundings."""

from __future__ import annotations

import hashlib
import platform
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
import rawpy

from pipeline.engine.kept.compare import _delivered
from pipeline.store.keys import digest_file, digest_json, environment
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
