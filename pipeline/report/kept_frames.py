"""The records of a night's frames, on disk and not in memory: 20,000 of them are no more than one there."""

from __future__ import annotations

import tempfile
import weakref
from array import array
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path

from pydantic import TypeAdapter

from pipeline.report.record import FrameRecord
from pipeline.store.files import TEMPORARY

_IN_MEMORY = 4_000_000  # octets, up to which no file is written; about 1,500 frames


class KeptFrames(Mapping[str, FrameRecord]):
    """Frame name -> its record, in the order in which they were put. What is read is a copy: change it, and put it
    again under a new mapping."""

    def __init__(self, folder: Path | None = None) -> None:
        """folder  on whose disk they lie, None for that of temporary files; the file has no name and goes with this"""
        self._file = tempfile.SpooledTemporaryFile(  # noqa: SIM115
            _IN_MEMORY, dir=str(folder) if folder else None, prefix=f"{TEMPORARY}frames-"
        )
        weakref.finalize(self, self._file.close)
        self._at: dict[str, int] = {}
        self._ends = array("Q", [0])

    def put(self, name: str, frame: FrameRecord) -> None:
        """Keep a frame's record; each name once. Raises OSError where the disk is full."""
        data = adapter().dump_json(frame)
        self._file.seek(self._ends[-1])
        self._file.write(data)
        self._at[name] = len(self._ends) - 1
        self._ends.append(self._ends[-1] + len(data))

    def json(self, name: str) -> bytes:
        """A frame's record as JSON, on one line."""
        at = self._at[name]
        self._file.seek(self._ends[at])
        return self._file.read(self._ends[at + 1] - self._ends[at])

    def __getitem__(self, name: str) -> FrameRecord:
        return adapter().validate_json(self.json(name))

    def __contains__(self, name: object) -> bool:
        return name in self._at

    def __iter__(self) -> Iterator[str]:
        return iter(self._at)

    def __len__(self) -> int:
        return len(self._at)


@cache
def adapter() -> TypeAdapter[FrameRecord]:
    """Writes and reads one frame's record."""
    return TypeAdapter(FrameRecord)
