"""The memory of one hall: what its lamps looked like to each camera model, and what is known of its light.

It holds no frame's name, no serial number, no text that a person typed but the hall's name, and no picture: histograms
of colour and brightness, in which nobody can be seen.
"""

from __future__ import annotations

import base64
import binascii
import re
import zlib
from collections.abc import Collection, Iterator
from datetime import date, datetime
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from pipeline.store.keys import digest_json
from pipeline.textfile.yaml_text import flow

CHROMA_SIZE, TONE_SIZE = (80, 112), (20, 28, 64)  # light.palette.SIZE, light.comparing.tones.SIZE: a test compares them
MOST_SCENES, MOST_LIGHTS, MOST_CAMERAS, MOST_NIGHTS = 10, 6, 16, 200
MOST_MARKS = 16  # frames by which a night is known again: one of them is enough
_LONGEST = 60_000  # letters of a packed histogram

Stops = Annotated[float, Field(ge=-60, le=60)]
Chroma = Annotated[tuple[Annotated[float, Field(ge=-6, le=6)], Annotated[float, Field(ge=-6, le=6)]], Field()]
_White = Annotated[float, Field(ge=-1.6, le=1.6)]  # REFERENCES.beyond_reason: a factor of 4.5 from daylight
White = tuple[_White, _White]
Row = tuple[
    Annotated[float, Field(ge=-100, le=100)],
    Annotated[float, Field(ge=-100, le=100)],
    Annotated[float, Field(ge=-100, le=100)],
]
Gain = Annotated[float, Field(gt=0, le=1000)]
Percent = Annotated[float, Field(ge=0, le=100)]
NightId = Annotated[str, Field(pattern=r"^[0-9a-f]{16}$")]
Mark = Annotated[str, Field(pattern=r"^[-0-9]{10}T[.:0-9]{8,15} [0-9a-f]{16}$")]
End = Annotated[str, Field(pattern=r"^[a-z0-9 ]{1,24}$")]
Name = Annotated[str, Field(max_length=80)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class RememberedScene(_Part):
    """One burst: its chroma (2,), log R/G and B/G against daylight, on the scale of its camera's lights; stops by which
    its settings brighten a picture (None: not known), with or without the f-number; its two histograms, packed."""

    chroma: Chroma
    gain: Stops | None = None
    aperture: bool = True
    frames: int = Field(ge=1, le=100_000)
    colours: str = Field(max_length=_LONGEST)
    tones: str = Field(max_length=_LONGEST)

    @field_validator("colours")
    @classmethod
    def _colours(cls, value: str) -> str:
        unpacked(value, CHROMA_SIZE)
        return value

    @field_validator("tones")
    @classmethod
    def _tones(cls, value: str) -> str:
        unpacked(value, TONE_SIZE)
        return value


class RememberedLight(_Part):
    """One light: where it stands (chroma of its scenes), the white there, and what else was found of it."""

    end: End
    chroma: Chroma
    white: White
    matrix: tuple[Row, Row, Row] | None = None
    ev100: Stops | None = None
    flicker: Percent | None = None


class RememberedCamera(_Part):
    """What the hall looks like to one camera model.

    daylight  its multipliers, which chroma is against; night  `id` of the night that says so
    before    what was known until that night: what another run over its frames begins with
    """

    make: Name
    model: Name
    daylight: tuple[Gain, Gain, Gain]
    hz: Literal[100, 120] | None = None
    lights: tuple[RememberedLight, ...] = Field(min_length=1, max_length=MOST_LIGHTS)
    scenes: tuple[RememberedScene, ...] = Field(min_length=1, max_length=MOST_SCENES)
    night: NightId | None = None
    before: RememberedCamera | None = None

    @field_validator("before")
    @classmethod
    def _one_step_back(cls, value: RememberedCamera | None) -> RememberedCamera | None:
        if value is not None and value.before is not None:
            raise ValueError("holds another one; leave that out")
        return value


class Night(_Part):
    """One match there. id  a digest of its frames; sample  time and digest of some, see `mark`, by which another run
    over them, or some of them and others, is known to be of the same night"""

    id: NightId
    day: date | None = None
    frames: int = Field(ge=0, le=10_000_000)
    white: Literal["references", "memory", "neither"]
    changed: bool = False
    sample: tuple[Mark, ...] = Field(default=(), max_length=MOST_MARKS)


class HallMemory(_Part):
    """All that is remembered of a hall."""

    version: Literal[1, 2] = 2  # raised when the form of the file changes; 1 knew nights by `id` alone
    hall: str = Field(min_length=1, max_length=120)
    nights: tuple[Night, ...] = Field(default=(), max_length=MOST_NIGHTS)
    cameras: tuple[RememberedCamera, ...] = Field(default=(), max_length=MOST_CAMERAS)

    @model_validator(mode="after")
    def _one_of_each(self) -> HallMemory:
        of = [(c.make, c.model) for c in self.cameras]
        if len(set(of)) < len(of):
            raise ValueError("a camera stands there twice; leave one out")
        return self

    def camera(self, make: str, model: str) -> RememberedCamera | None:
        """What is remembered of the hall by this camera model."""
        return next((c for c in self.cameras if (c.make, c.model) == (make, model)), None)

    def without(self, nights: Collection[str]) -> HallMemory | None:
        """What was known before nights of these ids; None where that is nothing."""
        cameras = [c.before if c.night in nights else c for c in self.cameras]
        found = HallMemory(
            hall=self.hall,
            nights=tuple(night for night in self.nights if night.id not in nights),
            cameras=tuple(camera for camera in cameras if camera is not None),
        )
        return found if found.nights or found.cameras else None

    def __repr__(self) -> str:  # part of digests of what a run reads
        return f"HallMemory({self.digest})"

    @property
    def digest(self) -> str:
        """SHA-256 of all of it, hex."""
        return digest_json(self.model_dump(mode="json"))


def packed(levels: NDArray[Any]) -> str:
    """A histogram of whole numbers from 0 to 255 as text: deflated (RFC 1951, within RFC 1950), base64 (RFC 4648)."""
    return base64.b64encode(zlib.compress(np.ascontiguousarray(levels, dtype=np.uint8).tobytes(), 9)).decode("ascii")


def unpacked(text: str, size: tuple[int, ...]) -> NDArray[np.uint8]:
    """The reverse of `packed`. Raises ValueError for what that cannot have given: a file may be damaged, or planted to
    unfold without end."""
    most = int(np.prod(size))
    try:
        unfolding = zlib.decompressobj()
        data = unfolding.decompress(base64.b64decode(text, validate=True), most + 1)
    except (binascii.Error, zlib.error) as error:
        raise ValueError("is no histogram") from error
    if len(data) != most or not unfolding.eof:
        raise ValueError("is no histogram of this size")
    return np.frombuffer(data, np.uint8).reshape(size)


def as_yaml(memory: HallMemory) -> str:
    """The text of a memory's file."""
    return "\n".join(_lines(memory)) + "\n"


def _lines(memory: HallMemory) -> Iterator[str]:
    yield "# What evencourt remembers of a hall. Show it with: evencourt inspect --hall NAME"
    yield "# No name of a person, no frame and no picture is in it. To forget it: evencourt inspect --forget-hall NAME"
    yield f"version: {memory.version}"
    yield f"hall: {flow(memory.hall)}"
    yield "nights:" if memory.nights else "nights: []"
    for night in memory.nights:
        yield f"  - {flow(_plain(night))}"
    yield "cameras:" if memory.cameras else "cameras: []"
    for camera in memory.cameras:
        told = _plain(camera)
        yield f"  - make: {flow(camera.make)}"
        yield f"    model: {flow(camera.model)}"
        yield f"    daylight: {flow(told['daylight'])}"
        if camera.hz is not None:
            yield f"    hz: {camera.hz}"
        yield "    lights:"
        yield from (f"      - {flow(light)}" for light in told["lights"])
        yield "    scenes:"
        yield from (f"      - {flow(scene)}" for scene in told["scenes"])
        if camera.night is not None:
            yield f"    night: {flow(camera.night)}"
        if camera.before is not None:
            yield f"    before: {flow(told['before'])}"


def _plain(part: BaseModel) -> dict[str, Any]:
    found: dict[str, Any] = part.model_dump(mode="json", exclude_none=True)
    return found


def mark(time: datetime, digest: str) -> str:
    """A frame by its time, as the camera wrote it, and its SHA-256."""
    return f"{time.replace(tzinfo=None).isoformat()} {digest[:16]}"


def same_hall(one: str, other: str) -> bool:
    """Whether two names mean one hall: letter case and spaces do not count."""
    return key_of(one) == key_of(other)


def key_of(hall: str) -> str:
    """The name of a hall by which its file is found."""
    return " ".join(hall.casefold().split())


def file_name(hall: str) -> str:
    """The name of a hall's file: its plain letters, for a person, and a digest, for two halls with the same ones."""
    letters = re.sub(r"[^a-z0-9]+", "-", key_of(hall)).strip("-")[:40] or "hall"
    return f"{letters}-{digest_json(key_of(hall))[:12]}.yaml"
