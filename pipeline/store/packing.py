"""Many small arrays as one: a header of their own for each costs more than their numbers, ten thousand frames long."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray


def pack(arrays: Mapping[str, NDArray[Any]]) -> NDArray[np.uint8]:
    """All of them in one row of octets: the length of a JSON head, the head, the numbers as they lie in memory."""
    parts = {name: np.asarray(values) for name, values in arrays.items()}
    head = json.dumps([[name, part.dtype.str, list(part.shape)] for name, part in parts.items()]).encode()
    body = b"".join(part.tobytes() for part in parts.values())
    return np.frombuffer(len(head).to_bytes(4, "little") + head + body, dtype=np.uint8)


def unpack(packed: NDArray[np.uint8]) -> dict[str, NDArray[Any]]:
    """What `pack` was given."""
    data = packed.tobytes()
    at = 4 + int.from_bytes(data[:4], "little")
    arrays: dict[str, NDArray[Any]] = {}
    for name, kind, shape in json.loads(data[4:at]):
        count = int(np.prod(shape, dtype=np.int64))
        arrays[name] = np.frombuffer(data, np.dtype(kind), count, at).reshape(shape).copy()
        at += arrays[name].nbytes
    return arrays
