"""Packing small arrays; numpy's own archive is the oracle."""

from __future__ import annotations

import io

import numpy as np
import pytest

from pipeline.store import packing
from pipeline.store.packing import pack, pack_parts, unpack, unpack_part


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
    with pytest.raises(KeyError):
        unpack_part(data, "three")
    start = data.index(b"}") + 1
    assert list(unpack_part(data[: start + 60], "one")) == ["a"]  # what is cut lies behind it
    for damaged in (b"", data[:3], data[: start + 3], data[:start], b"\xff" * 40, data[:start] + bytes(200)):
        with pytest.raises((ValueError, TypeError, KeyError)):
            unpack_part(damaged, "one")


def test_a_part_cannot_fill_the_memory_or_hold_objects(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(packing, "_LARGEST", 1000)
    with pytest.raises(ValueError, match="is cut"):
        unpack_part(pack_parts({"large": {"a": np.zeros(2000)}}), "large")
    head = b'[["a", "|O", [1]]]'
    octets = len(head).to_bytes(4, "little") + head + bytes(8)
    with pytest.raises(ValueError, match="OBJECT"):
        unpack(np.frombuffer(octets, np.uint8))
