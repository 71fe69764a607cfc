"""The contents of run.json: what a run did, and why each frame is or is not delivered."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any, Literal

from pydantic import JsonValue, TypeAdapter

from pipeline.errors import InputError
from pipeline.imaging.shown_light import ShownLight
from pipeline.people.ranking import Ranked
from pipeline.store.files import whole_file
from pipeline.store.places import read_file
from pipeline.store.records import from_json
from pipeline.types import JsonObject

SCHEMA = 2  # raised when the form of run.json changes
LARGEST = 1 << 30  # octets of run.json; 20,000 frames take a tenth of it
SCHEMA_FILE = Path(__file__).with_name("run.schema.json")

FRAMES_LINE = ' "frames": {\n'  # of run.json, after which each line is a frame, to the line with its closing brace

Status = Literal["delivered", "failed", "held", "left out", "undone"]
State = Literal["done", "stopped"]


@dataclass
class FileRecord:
    """One delivered file.

    file     posix path below OUT; sha256  hex; width, height  pixels; quality  of the JPEG, 0 for lossless
    thumb    name of its small picture in OUT/.work/thumbs, "" without one
    current  false where an earlier run made it and this run's recipe does not
    crop     [x0, y0, x1, y1] of the upright frame, fractions, turned first where the frame was straightened
    persons  named in its metadata
    light    how bright and of what colour it is; light_before  the same of that part of the frame as the camera
             balanced it; None: not measured
    """

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
    crop: list[float] = field(default_factory=lambda: [0.0, 0.0, 1.0, 1.0])
    persons: list[str] = field(default_factory=list)
    light: ShownLight | None = None
    light_before: ShownLight | None = None


@dataclass
class ObservationRecord:
    """People, faces and balls found in a frame, each [x0, y0, x1, y1, certainty]: fractions of the upright frame."""

    people: list[list[float]] = field(default_factory=list)
    faces: list[list[float]] = field(default_factory=list)
    balls: list[list[float]] = field(default_factory=list)


@dataclass
class FrameRecord:
    """One frame of the shoot, or a row of frames.csv that fits none, may mean several, or has a wrong cell.

    relative   posix path in the shoot folder, "" for such a row; reason  why it is not delivered, ""
    time       local, ISO 8601; exposure_time  seconds; camera  make and model
    burst      index into RunRecord.bursts
    rated      what a person gave it, in frames.csv or a sidecar: -1 (rejected) to 5
    solutions  by label of the step; decisions  the same as sentences
    before     name of a small picture in OUT/.work/thumbs, as the camera balanced it, and large  of a larger one
    consent    whether it may not be delivered because of who is in it, or may be
    light      of `before`, see FileRecord, where nothing is delivered; deliveries  by name
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
    rated: int | None = None
    observations: ObservationRecord | None = None
    notices: list[str] = field(default_factory=list)
    before: str | None = None
    large: str | None = None
    consent: bool = False
    light: ShownLight | None = None
    deliveries: dict[str, FileRecord] = field(default_factory=dict)


@dataclass
class Counts:
    """How many.

    delivered, failed, held, left_out, undone  frames by status; frames  of the shoot, in all
    unmatched_rows  of those failed, the ones that are no frame but rows of frames.csv that were not used
    consent   of those held, the ones that are held because of who is in them; wrong_lines  the ones that are held until
    a line of a table is corrected, since nobody knows whom it means or what it says
    files     delivered files in OUT; rendered  frames that this run rendered; reused  files that were there already
    captions_rewritten  files whose texts this run wrote again
    """

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
    unmatched_rows: int = 0
    wrong_lines: int = 0

    @property
    def why_held(self) -> str:
        """Why frames are held, to follow how many: " (8 for consent, 1 for a wrong line)"; a keep: no alone needs no
        reason."""
        kept_out = self.held - self.consent - self.wrong_lines
        reasons = (
            (self.consent, "for consent"),
            (self.wrong_lines, "for a wrong line in a table"),
            (kept_out if kept_out < self.held else 0, "for keep: no"),
        )
        said = ", ".join(f"{count:,} {why}" for count, why in reasons if count)
        return f" ({said})" if said else ""

    @property
    def failed_frames(self) -> int:
        """Frames of the shoot that failed."""
        return self.failed - self.unmatched_rows


@dataclass
class AddedFile:
    """A zip or page below OUT. reused  it was there already, with the same bytes."""

    sha256: str
    bytes: int
    reused: bool


@dataclass
class PushRecord:
    """A push. sent, removed  posix paths at the address; kept  how many files were there already."""

    address: str
    sent: list[str]
    kept: int
    removed: list[str]


@dataclass
class SentRecord:
    """What followed a delivery's files. files  posix path below OUT -> zip or page; problems  messages for a person."""

    files: dict[str, AddedFile] = field(default_factory=dict)
    push: PushRecord | None = None
    problems: list[str] = field(default_factory=list)


@dataclass
class RunRecord:
    """A whole run.

    evencourt  version of the program; state, stopped  whether and why the run ended early
    recipe       name of its file; recipe_flat  YAML with every parameter
    environment  versions that pixels depend on; models  digest of the model files; seconds  by phase
    bursts       frame names; frames  by name, in order of time; sent  by delivery
    schema       version of the form of this file
    hall_memory  SHA-256 of what was remembered of the hall when the run began, "" for nothing
    failed_steps what failed beside single frames (a step's label, or another part of the run) -> what that costs
    """

    evencourt: str
    state: State
    title: str
    recipe: str
    recipe_flat: str
    environment: dict[str, str]
    models: str
    counts: Counts
    bursts: list[list[str]]
    frames: Mapping[str, FrameRecord]
    schema: int = SCHEMA
    stopped: str = ""
    seconds: dict[str, float] = field(default_factory=dict)
    notices: list[str] = field(default_factory=list)
    sent: dict[str, SentRecord] = field(default_factory=dict)
    failed_steps: dict[str, str] = field(default_factory=dict)
    hall_memory: str = ""

    def as_json(self) -> JsonObject:
        """All of it, as JSON values."""
        found: JsonObject = _adapter().dump_python(replace(self, frames=dict(self.frames)), mode="json")
        return found

    @staticmethod
    def from_json(value: object) -> RunRecord:
        """The reverse of `as_json`. Raises ValueError for other values."""
        return _adapter().validate_python(value)

    def unmatched(self) -> dict[str, FrameRecord]:
        """The rows of frames.csv that this run should have used and could not."""
        return {n: frame for n, frame in self.frames.items() if not frame.relative and frame.status == "failed"}

    def problems(self) -> list[str]:
        """Messages on zips, pages and pushes that failed."""
        return [text for sent in self.sent.values() for text in sent.problems]


@cache
def _adapter() -> TypeAdapter[RunRecord]:
    return TypeAdapter(RunRecord)


def json_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of run.json, as in run.schema.json."""
    schema = _adapter().json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def write_record(out: Path, record: RunRecord) -> None:
    """Write OUT/run.json, whole or not at all: frame by frame, one to a line. Raises OSError."""
    head = replace(record, frames={}).as_json()
    del head["frames"]
    frames = TypeAdapter(FrameRecord)
    with whole_file(out / "run.json") as file:
        file.write(json.dumps(head, indent=1, ensure_ascii=False).removesuffix("\n}").encode())
        before = ",\n" + FRAMES_LINE
        for name, frame in record.frames.items():
            file.write((before + json.dumps(name, ensure_ascii=False) + ": ").encode() + frames.dump_json(frame))
            before = ",\n"
        file.write(b"\n }\n}\n" if record.frames else b',\n "frames": {}\n}\n')


def read_record(out: Path) -> RunRecord | None:
    """Read OUT/run.json; None where there is none. Raises InputError where it is damaged or of another version."""
    path = out / "run.json"
    again = "run the same command again to write it again"
    try:
        data = read_file(path, LARGEST)
        if from_json(_Version, data).schema != SCHEMA:
            raise InputError(f"{path}: was written by another version of evencourt; {again}")
        return from_json(RunRecord, data)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror or error}); {again}") from error
    except ValueError as error:
        raise InputError(f"{path}: is damaged and cannot be read; {again}") from error


@dataclass
class _Version:
    schema: int


if __name__ == "__main__":
    SCHEMA_FILE.write_text(json.dumps(json_schema(), indent=1) + "\n", encoding="utf-8")
