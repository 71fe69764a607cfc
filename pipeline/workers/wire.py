"""Messages between a run and its worker processes: a head of fixed size, then a pickle."""

from __future__ import annotations

import os
import pickle
import struct
from dataclasses import dataclass
from typing import Any

# Octets of one message at most. A result is a few numbers and texts; pictures go to disk (chosen by us, no source).
MOST = 64 << 20
# What a worker says: it has started; a result; an exception; one for want of memory; it cannot start.
READY, DONE, FAILED, SHORT, UNUSABLE = range(5)
TASK, ALONE = range(10, 12)  # what a worker is told: a task; one that it has all memory for
_HEAD = struct.Struct("<4sBIdQ")
_MARK = b"ecw1"


@dataclass(frozen=True)
class Message:
    """kind  one of those above; number  of the task; seconds  that it took; body  a pickle"""

    kind: int
    number: int = 0
    seconds: float = 0.0
    body: bytes = b""


def send(to: int, message: Message) -> None:
    """Write a message to the descriptor `to`. Raises OSError where nobody reads any more."""
    head = _HEAD.pack(_MARK, message.kind, message.number, message.seconds, len(message.body))
    rest = memoryview(head + message.body)
    while rest:
        rest = rest[os.write(to, rest) :]


def receive(source: int) -> Message | None:
    """The next message on the descriptor `source`; None at its end, and where what comes is no message."""
    try:
        head = _read(source, _HEAD.size)
        if head is None:
            return None
        mark, kind, number, seconds, size = _HEAD.unpack(head)
        if mark != _MARK or size > MOST:
            return None
        body = _read(source, size)
    except OSError:
        return None
    return None if body is None else Message(kind, number, seconds, body)


def _read(source: int, size: int) -> bytes | None:
    parts = bytearray()
    while len(parts) < size:
        part = os.read(source, min(size - len(parts), 1 << 20))
        if not part:
            return None
        parts += part
    return bytes(parts)


def packed(value: Any) -> bytes:
    """The pickle of what a task gave. Raises ValueError in words where it is too large or cannot be pickled."""
    try:
        data = pickle.dumps(value, pickle.HIGHEST_PROTOCOL)
    except Exception as error:  # whatever its parts come up with
        raise ValueError(f"a {type(value).__name__} cannot be handed on ({error})") from error
    if len(data) > MOST:
        raise ValueError(f"a {type(value).__name__} of {len(data) >> 20} MB is too large to be handed on")
    return data


def packed_error(error: BaseException) -> bytes:
    """The pickle of an exception; of a RuntimeError that names it where it is none or could not be read back."""
    if isinstance(error, Exception):
        error.__traceback__ = error.__cause__ = error.__context__ = None
        try:
            data = packed(error)
            if type(pickle.loads(data)) is type(error):
                return data
        except Exception:  # what an exception's own code comes up with
            pass
    return pickle.dumps(RuntimeError(_named(error)))


def _named(error: BaseException) -> str:
    try:
        return f"{type(error).__name__}: {error}"[:2000]
    except Exception:  # its own __str__ fails
        return type(error).__name__
