"""Many small arrays as one: a header of their own for each costs more than their numbers, ten thousand frames long."""

from __future__ import annotations

import json
import math
import re
import zlib
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.store.records import Count, from_json

_LARGEST = 1 << 28  # octets of a group of arrays: a thousand times what is kept of a frame
LARGEST = 1e9  # of a number that was measured: none comes near it, and products of a few of them stay finite
_KIND = re.compile(r"\|b1|[|<>][iu][1248]|[<>]f[248]")  # of numbers (numpy's array interface)


def pack(arrays: Mapping[str, NDArray[Any]]) -> NDArray[np.uint8]:
    """All of them in one row of octets: the length of a JSON head, the head, the numbers as they lie in memory."""
    parts = {name: np.asarray(values) for name, values in arrays.items()}
    head = json.dumps([[name, part.dtype.str, list(part.shape)] for name, part in parts.items()]).encode()
    body = b"".join(part.tobytes() for part in parts.values())
    return np.frombuffer(len(head).to_bytes(4, "little") + head + body, dtype=np.uint8)


def unpack(packed: NDArray[np.uint8]) -> dict[str, NDArray[Any]]:
    """What `pack` was given. Raises ValueError for anything else."""
    data = packed.tobytes()
    at = 4 + int.from_bytes(data[:4], "little")
    arrays: dict[str, NDArray[Any]] = {}
    for name, kind, shape in from_json(list[tuple[str, str, list[Count]]], data[4:at]):
        if not _KIND.fullmatch(kind):
            raise ValueError(f"{name} is of no kind that is kept")
        count = math.prod(shape)
        if count > len(data):
            raise ValueError(f"{name} is cut")
        arrays[name] = np.frombuffer(data, np.dtype(kind), count, at).reshape(shape).copy()
        at += arrays[name].nbytes
    return arrays


def take(
    arrays: Mapping[str, NDArray[Any]],
    name: str,
    kind: type[np.generic],
    shape: tuple[int | None, ...],
    least: float,
    most: float,
    *,
    may_be_nan: bool = False,
) -> NDArray[Any]:
    """One array that was unpacked, if it is what was kept: of this kind and shape, None for any length, its values
    from `least` to `most`. Raises ValueError for any other."""
    found = arrays.get(name)
    if found is None or found.dtype != np.dtype(kind):
        raise ValueError(f"{name} is missing, or of another kind")
    if found.ndim != len(shape) or any(n not in (None, side) for n, side in zip(shape, found.shape, strict=True)):
        raise ValueError(f"{name} has the shape {found.shape}")
    fits = (found >= np.float64(least)) & (found <= np.float64(most))
    if may_be_nan:
        fits |= np.isnan(found)
    if not fits.all():
        raise ValueError(f"{name} holds a value outside {least} to {most}")
    return found


def pack_parts(parts: Mapping[str, Mapping[str, NDArray[Any]]]) -> bytes:
    """Groups of arrays by name, each compressed by itself (RFC 1950), so that one is read without the others."""
    packed = {name: zlib.compress(pack(arrays).tobytes()) for name, arrays in parts.items()}
    head = json.dumps({name: len(part) for name, part in packed.items()}).encode()
    return b"".join((len(head).to_bytes(4, "little"), head, *packed.values()))


def unpack_part(data: bytes, name: str) -> dict[str, NDArray[Any]]:
    """One group that `pack_parts` was given. Raises ValueError where there is none of this name, or `data` is damaged;
    nothing in it can make more than _LARGEST octets or run as a program."""
    start = 4 + int.from_bytes(data[:4], "little")
    sizes = from_json(dict[str, Count], data[4:start])
    if name not in sizes:
        raise ValueError(f"{name} is missing")
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
