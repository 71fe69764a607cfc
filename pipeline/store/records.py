"""Small records kept as JSON: written from a dataclass, read back into it and checked."""

from __future__ import annotations

from typing import Annotated, Any, TypeVar

from pydantic import Field, StringConstraints, TypeAdapter

T = TypeVar("T")
Digest = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]  # SHA-256, hex
Count = Annotated[int, Field(ge=0, lt=1 << 63)]

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


def is_record(kind: type[T], data: bytes) -> bool:
    """Whether `from_json` reads `data`."""
    try:
        from_json(kind, data)
    except ValueError:
        return False
    return True
