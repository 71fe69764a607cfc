"""Small records kept as JSON: written from a dataclass, read back into it and checked."""

from __future__ import annotations

from pathlib import Path
from typing import Any, TypeVar

from pydantic import TypeAdapter

from pipeline.store.files import write_atomic

T = TypeVar("T")


_adapters: dict[Any, TypeAdapter[Any]] = {}  # making one costs more than many uses of it


def _adapter(kind: type[T]) -> TypeAdapter[T]:
    if kind not in _adapters:
        _adapters[kind] = TypeAdapter(kind)
    return _adapters[kind]


def to_json(kind: type[T], record: T) -> bytes:
    """The JSON text (RFC 8259, UTF-8) of a record of type `kind`: a dataclass, or a mapping or list of such."""
    return _adapter(kind).dump_json(record)


def from_json(kind: type[T], data: bytes) -> T:
    """The record that `to_json` wrote. Members that it does not have are left out; those it lacks take its defaults.

    Raises ValueError where `data` is no JSON, or no such record: a member is missing or of another type.
    """
    return _adapter(kind).validate_json(data, strict=True)


def write_json(path: Path, kind: type[T], record: T) -> None:
    """Keep a record in a file, whole or not at all. Raises OSError."""
    write_atomic(path, to_json(kind, record))


def read_json(path: Path, kind: type[T]) -> T | None:
    """What `write_json` kept; None where there is no file or it holds no such record. Raises OSError."""
    try:
        return from_json(kind, path.read_bytes())
    except (FileNotFoundError, ValueError):
        return None
