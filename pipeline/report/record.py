"""What run.json holds: what a run did, and why every frame is or is not delivered."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any, Literal

from pydantic import JsonValue, TypeAdapter, ValidationError

from pipeline.errors import InputError
from pipeline.people.ranking import Ranked
from pipeline.store.files import write_atomic
from pipeline.types import JsonObject

SCHEMA = 2  # raised when the form of run.json changes
SCHEMA_FILE = Path(__file__).with_name("run.schema.json")

Status = Literal["delivered", "failed", "held", "left out", "undone"]
State = Literal["done", "stopped"]


@dataclass
class FileRecord:
    """One delivered file. file  posix path below OUT; current  whether this run's recipe made it; thumb  its small
    picture in OUT/.work/thumbs; quality 0: lossless."""

    file: str
    sha256: str
    bytes: int
    width: int
    height: int
    quality: int
    thumb: str
    current: bool
    caption: str
    alt_text: str
    headline: str
    notices: list[str]


@dataclass
class ObservationRecord:
    """Who and what was found in a frame: [x0, y0, x1, y1, certainty], fractions of the upright frame."""

    people: list[list[float]] = field(default_factory=list)
    faces: list[list[float]] = field(default_factory=list)
    balls: list[list[float]] = field(default_factory=list)


@dataclass
class FrameRecord:
    """One frame of the shoot, or one that frames.csv names and the folder does not hold (relative is then "").

    time  local, ISO 8601; exposure_time  seconds; solutions  by label of the step, decisions  the same in words;
    burst  index into RunRecord.bursts; before  a small picture in OUT/.work/thumbs
    """

    relative: str
    status: Status
    reason: str = ""
    time: str | None = None
    iso: float | None = None
    exposure_time: float | None = None
    camera: str = ""
    burst: int | None = None
    solutions: dict[str, dict[str, JsonValue]] = field(default_factory=dict)
    decisions: list[str] = field(default_factory=list)
    rank: Ranked | None = None
    observations: ObservationRecord | None = None
    notices: list[str] = field(default_factory=list)
    before: str | None = None
    deliveries: dict[str, FileRecord] = field(default_factory=dict)


@dataclass
class Counts:
    """Frames by status, frames in all, those held for consent, files that stand, and what this run did to them."""

    delivered: int = 0
    failed: int = 0
    held: int = 0
    left_out: int = 0
    undone: int = 0
    consent: int = 0
    frames: int = 0
    files: int = 0
    rendered: int = 0
    reused: int = 0
    captions_rewritten: int = 0


@dataclass
class AddedFile:
    """A zip or page below OUT; reused: it stood already, with the same bytes."""

    sha256: str
    bytes: int
    reused: bool


@dataclass
class PushRecord:
    """What was put at an address, and taken back from it."""

    address: str
    sent: list[str]
    kept: int
    removed: list[str]


@dataclass
class SentRecord:
    """What was added to a delivery and sent. problems  sentences ready to print."""

    files: dict[str, AddedFile] = field(default_factory=dict)
    push: PushRecord | None = None
    problems: list[str] = field(default_factory=list)


@dataclass
class RunRecord:
    """A whole run. recipe  file name; recipe_flat  with every parameter; seconds  by phase; models  digest of the model
    files; bursts  frame names; frames  by name, in order of time; sent  by delivery."""

    evencourt: str
    state: State
    title: str
    recipe: str
    recipe_flat: str
    environment: dict[str, str]
    models: str
    counts: Counts
    bursts: list[list[str]]
    frames: dict[str, FrameRecord]
    schema: int = SCHEMA
    stopped: str = ""
    seconds: dict[str, float] = field(default_factory=dict)
    notices: list[str] = field(default_factory=list)
    sent: dict[str, SentRecord] = field(default_factory=dict)

    def as_json(self) -> JsonObject:
        """JSON values only."""
        found: JsonObject = _adapter().dump_python(self, mode="json")
        return found

    @staticmethod
    def from_json(value: object) -> RunRecord:
        """What `as_json` gave. Raises ValueError where it is something else."""
        return _adapter().validate_python(value)

    def problems(self) -> list[str]:
        """What went wrong with a zip, a page or a push."""
        return [text for sent in self.sent.values() for text in sent.problems]


@cache
def _adapter() -> TypeAdapter[RunRecord]:
    return TypeAdapter(RunRecord)


def json_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of run.json."""
    schema = _adapter().json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def write_record(out: Path, record: RunRecord) -> None:
    """OUT/run.json, whole or not at all. Raises OSError."""
    write_atomic(out / "run.json", json.dumps(record.as_json(), indent=1, ensure_ascii=False).encode())


def read_record(out: Path) -> RunRecord | None:
    """OUT/run.json; None where there is none. Raises InputError where it is not a record of this version."""
    path = out / "run.json"
    if not path.is_file():
        return None
    again = "run the same command again to have it written anew"
    try:
        found = json.loads(path.read_bytes())
        if isinstance(found, dict) and found.get("schema") != SCHEMA:
            raise InputError(f"{path}: was written by another version of evencourt; {again}")
        return RunRecord.from_json(found)
    except (ValidationError, ValueError) as error:
        raise InputError(f"{path}: is damaged and cannot be read; {again}") from error


if __name__ == "__main__":
    SCHEMA_FILE.write_text(json.dumps(json_schema(), indent=1) + "\n", encoding="utf-8")
