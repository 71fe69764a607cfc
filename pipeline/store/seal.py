"""Kept bytes with a seal: what was cut, changed or moved to another place since is known not to be what was kept."""

from __future__ import annotations

import hashlib

_ANY = b"evencourt kept "  # also of earlier versions
_MAGIC = _ANY + b"2 "
_HEX = 64
HEAD = len(_MAGIC) + _HEX + 1


def sealed(kind: str, name: str, data: bytes) -> bytes:
    """`data` after a line with the SHA-256 (FIPS 180-4) of it and its place, so that it counts nowhere else.

    It shows damage and mistakes. It is no signature: who can write to the folder can make one.
    """
    return _MAGIC + _checksum(kind, name, data) + b"\n" + data


def unsealed(kind: str, name: str, data: bytes) -> bytes | None:
    """What `sealed` was given under this kind and name; None for anything else."""
    body = data[HEAD:]
    return body if data[:HEAD] == _MAGIC + _checksum(kind, name, body) + b"\n" else None


def is_sealed(head: bytes) -> bool:
    """Whether the first octets of a file look as if this program had written it, now or in an earlier version."""
    return head.startswith(_ANY)


def _checksum(kind: str, name: str, data: bytes) -> bytes:
    digest = hashlib.sha256(f"{kind}\0{name}\0".encode("utf-8", "surrogateescape"))
    digest.update(data)
    return digest.hexdigest().encode()
