"""Bounded reading of a part of a file."""

from __future__ import annotations

import io
import os
from dataclasses import dataclass
from typing import BinaryIO


class DamagedError(ValueError):
    """Bytes that contradict the format they are in; what was read before them may be used."""


@dataclass(frozen=True)
class Source:
    """Bytes `start` to `start + length` of an open file. Reading past an end gives fewer bytes, never an error.

    wanted  how long a part was to be before it was cut to what there is
    """

    file: BinaryIO
    start: int
    length: int
    wanted: int = 0

    @classmethod
    def whole(cls, file: BinaryIO) -> Source:
        """All of an open file of the operating system."""
        return cls(file, 0, os.fstat(file.fileno()).st_size)

    @classmethod
    def of_bytes(cls, data: bytes) -> Source:
        """Bytes in memory; they are not copied."""
        return cls(io.BytesIO(data), 0, len(data))

    def read(self, at: int, size: int) -> bytes:
        """At most `size` bytes from byte `at` on; b"" where `at` lies outside. Raises OSError of the file only."""
        if at < 0 or at >= self.length:
            return b""
        self.file.seek(self.start + at)
        return self.file.read(max(0, min(size, self.length - at)))

    def part(self, at: int, length: int) -> Source:
        """The part of `length` bytes from byte `at` on, cut to what this source holds."""
        at = min(max(at, 0), self.length)
        return Source(self.file, self.start + at, max(0, min(length, self.length - at)), length)
