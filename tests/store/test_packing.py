"""Packing small arrays; numpy's own archive is the oracle."""

from __future__ import annotations

import io

import numpy as np

from pipeline.store.packing import pack, unpack


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
