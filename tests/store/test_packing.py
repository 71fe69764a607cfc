"""Packing small arrays; numpy's own archive is the oracle."""

from __future__ import annotations

import io

import numpy as np
import pytest

from pipeline.store import packing
from pipeline.store.packing import pack, pack_parts, take, unpack, unpack_part


def test_what_comes_back_is_what_numpy_keeps() -> None:
    rng = np.random.default_rng(2)
    arrays = {
        "empty": np.zeros((0, 5), np.float32), "scalar": np.array(3.5), "words": np.array([True, False]),
        "half": rng.random((4, 3)).astype(np.float16), "turned": np.asfortranarray(rng.random((5, 7))),
        "skipped": rng.integers(0, 9, (6, 6))[::2, 1::2], "name with ü": rng.integers(0, 255, 11).astype(np.uint8),
        "big endian": np.array([1, 2, 70_000], ">i4"),
    }  # fmt: skip
    buffer = io.BytesIO()
    np.savez(buffer, **arrays)
    with np.load(io.BytesIO(buffer.getvalue())) as kept:
        found = unpack(pack(arrays))
        assert set(found) == set(kept.files)
        for name in kept.files:
            assert found[name].dtype == kept[name].dtype and found[name].shape == kept[name].shape, name
            assert np.array_equal(found[name], kept[name]), name
            found[name][...] = 0  # it may be written to


def test_a_part_is_read_alone_and_damage_is_an_error() -> None:
    parts = {"one": {"a": np.arange(5)}, "two": {"b": np.ones((2, 3), np.float16), "c": np.zeros(0)}, "none": {}}
    data = pack_parts(parts)
    for name, arrays in parts.items():
        found = unpack_part(data, name)
        assert set(found) == set(arrays) and all(np.array_equal(found[k], v) for k, v in arrays.items())
    with pytest.raises(ValueError, match="three is missing"):
        unpack_part(data, "three")
    start = data.index(b"}") + 1
    assert list(unpack_part(data[: start + 60], "one")) == ["a"]  # what is cut lies behind it
    for damaged in (b"", data[:3], data[: start + 3], data[:start], b"\xff" * 40, data[:start] + bytes(200)):
        with pytest.raises(ValueError):
            unpack_part(damaged, "one")


def test_a_part_cannot_fill_the_memory_or_hold_objects(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(packing, "_LARGEST", 1000)
    with pytest.raises(ValueError, match="is cut"):
        unpack_part(pack_parts({"large": {"a": np.zeros(2000)}}), "large")
    head = b'[["a", "|O", [1]]]'
    octets = len(head).to_bytes(4, "little") + head + bytes(8)
    with pytest.raises(ValueError, match="of no kind that is kept"):
        unpack(np.frombuffer(octets, np.uint8))


@pytest.mark.parametrize(
    "head",
    [b"[" * 100_000, b'[["a", "<f8", [-1]]]', b'[["a", "<f8", [2, "3"]]]', b'[["a", "<f8", [1e3]]]', b'[["a", "<f8"]]',
     b'[["a", "<f8", [9999999, 9999999, 9999999]]]', b'[["a", "<V8", [1]]]', b'{"a": 1}', b"[[1, 2, 3]]", b"NaN"],
)  # fmt: skip
def test_a_planted_head_is_an_error_of_one_kind(head: bytes) -> None:
    octets = len(head).to_bytes(4, "little") + head + bytes(64)
    with pytest.raises(ValueError):
        unpack(np.frombuffer(octets, np.uint8))


@pytest.mark.parametrize(
    "planted",
    [np.zeros((2, 3), np.float32), np.zeros(6), np.zeros((2, 4)), np.zeros((3, 2, 1)), np.full((2, 3), np.nan),
     np.full((2, 3), np.inf), np.full((2, 3), -1.5), np.full((2, 3), 1e300), np.zeros((2, 3), np.int64)],
)  # fmt: skip
def test_only_what_may_have_been_measured_is_taken(planted: np.ndarray) -> None:
    good = {"a": np.array([[0.0, 1.0, -1.0], [0.5, 0.5, 0.5]])}
    assert take(good, "a", np.float64, (None, 3), -1, 1) is good["a"]
    with pytest.raises(ValueError):
        take({"a": planted}, "a", np.float64, (None, 3), -1, 1)
    with pytest.raises(ValueError):
        take(good, "b", np.float64, (None, 3), -1, 1)


def test_nan_is_taken_where_it_has_a_meaning() -> None:
    half = np.array([np.nan, 1.0], np.float16)
    assert take({"a": half}, "a", np.float16, (2,), 0, 1e9, may_be_nan=True) is half
    with pytest.raises(ValueError):
        take({"a": half * 2}, "a", np.float16, (2,), 0, 1, may_be_nan=True)
