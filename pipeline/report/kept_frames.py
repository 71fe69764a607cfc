"""The records of a night's frames, on disk and not in memory: 20,000 of them are no more than one there."""

from __future__ import annotations

import json
import tempfile
import weakref
from array import array
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import replace
from functools import cache
from io import TextIOWrapper
from pathlib import Path
from typing import TextIO

from pydantic import JsonValue, TypeAdapter

from pipeline.report.record import FRAMES_LINE, LARGEST, SCHEMA, FrameRecord, RunRecord, read_record
from pipeline.store.disk import temporary_folder
from pipeline.store.files import TEMPORARY
from pipeline.store.places import open_file
from pipeline.store.records import from_json

_END = 3  # characters: the last line of run.json, and one more
_IN_MEMORY = 4_000_000  # octets, up to which no file is written; about 1,500 frames


class KeptFrames(Mapping[str, FrameRecord]):
    """Frame name -> its record, in the order in which they were put. What is read is a copy: change it, and put it
    again under a new mapping."""

    def __init__(self, folder: Path | None = None) -> None:
        """folder  on whose disk they lie, None for that of temporary files; the file has no name and goes with this"""
        self._file = tempfile.SpooledTemporaryFile(  # noqa: SIM115
            _IN_MEMORY, dir=str(folder or temporary_folder()), prefix=f"{TEMPORARY}frames-"
        )
        weakref.finalize(self, self._file.close)
        self._at: dict[str, int] = {}
        self._ends = array("Q", [0])

    def put(self, name: str, frame: FrameRecord) -> None:
        """Keep a frame's record; each name once. Raises OSError where the disk is full."""
        self.put_json(name, adapter().dump_json(frame))

    def put_json(self, name: str, data: bytes) -> None:
        """Keep a frame's record that is JSON already. Raises OSError where the disk is full."""
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


def read_head(out: Path) -> RunRecord | None:
    """OUT/run.json as `write_record` wrote it, without its frames, which are not read; None where it is laid out
    otherwise. Raises OSError, ValueError where it holds no record."""
    head: list[str] = []
    with _opened(out) as file:
        for line in file:
            if line == FRAMES_LINE:
                return _without_frames(head)
            head.append(line)
    return None


def _without_frames(head: list[str]) -> RunRecord:
    """The record whose lines before its frames these are. Raises ValueError, also for brackets without end."""
    told = TypeAdapter(dict[str, JsonValue]).validate_json("".join(head).rstrip().rstrip(",") + "}")
    return RunRecord.from_json({**told, "frames": {}})


def _name_of(line: str) -> tuple[str, int]:
    """The name of a frame at the beginning of its line, and where that ends. Raises ValueError."""
    if not line.startswith('"'):  # Python's reader raises another error for brackets without end
        raise ValueError("no name stands there")
    return json.JSONDecoder().raw_decode(line)


def _opened(out: Path) -> TextIO:
    return TextIOWrapper(open_file(out / "run.json", LARGEST), encoding="utf-8")


def read_checked(out: Path) -> RunRecord | None:
    """As `record.read_record`, but with the frames on disk: each was read and checked, and none is held.

    Raises InputError as it does.
    """
    with suppress(OSError, ValueError):  # it has the words for what is wrong
        record = read_kept(out)
        if record is not None and record.schema == SCHEMA and isinstance(record.frames, KeptFrames):
            for name in record.frames:
                from_json(FrameRecord, record.frames.json(name))
            return record
    return read_record(out)


def read_kept(out: Path) -> RunRecord | None:
    """OUT/run.json as `write_record` wrote it, its frames on disk; None where it is laid out otherwise.

    Raises OSError, ValueError where it holds no record. Each frame is checked when it is read.
    """
    head: list[str] = []
    kept = KeptFrames()
    with _opened(out) as file:
        for line in file:
            if line == FRAMES_LINE:
                break
            head.append(line)
        else:
            return None
        for line in file:
            if line == " }\n":
                if file.read(_END) != "}\n":
                    raise ValueError("more stands behind the record")
                return replace(_without_frames(head), frames=kept)
            name, end = _name_of(line)
            kept.put_json(name, line[end + 2 :].rstrip(",\n").encode())
    return None


def read_left(out: Path) -> tuple[KeptFrames, bool]:
    """(what can still be read of the frames in OUT/run.json, whether that is all of them). Each stands on its own line
    there, so a file that was cut, or changed in places, has lost no others. Nothing proves them true."""
    kept, begun, sound = KeptFrames(), False, True
    with suppress(OSError), open_file(out / "run.json", LARGEST) as file:
        for line in file:
            if line == FRAMES_LINE.encode():
                begun = True
            elif begun and line == b" }\n":
                return kept, sound
            elif not _put_line(kept, line):
                sound &= not begun
    return kept, False


def _put_line(kept: KeptFrames, line: bytes) -> bool:
    """Whether a line of run.json holds a frame, which is then kept."""
    try:
        name, end = _name_of(line.decode())
        frame = line[len(line.decode()[: end + 2].encode()) :].rstrip(b",\n")
        adapter().validate_json(frame)
    except ValueError:
        return False
    if name not in kept:
        kept.put_json(name, frame)
    return True
