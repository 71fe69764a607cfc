"""Many small arrays as one: a header of their own for each costs more than their numbers, ten thousand frames long."""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

_LARGEST = 1 << 28  # octets of a group of arrays: a thousand times what is kept of a frame


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


def pack_parts(parts: Mapping[str, Mapping[str, NDArray[Any]]]) -> bytes:
    """Groups of arrays by name, each compressed by itself (RFC 1950), so that one is read without the others."""
    packed = {name: zlib.compress(pack(arrays).tobytes()) for name, arrays in parts.items()}
    head = json.dumps({name: len(part) for name, part in packed.items()}).encode()
    return b"".join((len(head).to_bytes(4, "little"), head, *packed.values()))


def unpack_part(data: bytes, name: str) -> dict[str, NDArray[Any]]:
    """One group that `pack_parts` was given. Raises KeyError where there is none of this name, ValueError or TypeError
    where `data` is damaged; nothing in it can make more than _LARGEST octets or run as a program."""
    start = 4 + int.from_bytes(data[:4], "little")
    sizes: dict[str, int] = json.loads(data[4:start])
    for other, size in sizes.items():
        if other == name:
            break
        start += size
    unpacker = zlib.decompressobj()
    try:
        found = unpacker.decompress(data[start : start + sizes[name]], _LARGEST)
    except zlib.error as error:
        raise ValueError(str(error)) from None
    if not unpacker.eof:
        raise ValueError(f"{name} is cut")
    return unpack(np.frombuffer(found, dtype=np.uint8))
