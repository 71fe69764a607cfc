"""What a step is. A step is declared once, in one file; help, schema and documentation come from it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, Protocol, Self, TypeAlias, TypeVar, cast

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from pipeline.types import F64, Burst, Domain, Frame, Image, JsonObject, JsonValue

if TYPE_CHECKING:
    from pipeline.deliver.model import Wanted
    from pipeline.formats.metadata.model import Metadata, PictureTexts
    from pipeline.imaging.geometry import Box
    from pipeline.imaging.raw.frame import Clean
    from pipeline.imaging.sharpness import Detail
    from pipeline.light.scenes import ShootLight
    from pipeline.people.modelfiles import ModelFiles
    from pipeline.people.ranking import Ranked
    from pipeline.people.subject import Subject
    from pipeline.shoot.facts import Facts, FrameFacts, Reference

LINEAR = (Domain.CAMERA, Domain.WORKING)


class Params(BaseModel):
    """Parameters of a step: every field has a default, a range and one line of help."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    def with_files(self, folder: Path) -> tuple[Self, dict[str, str]]:
        """These parameters with the texts of files of the recipe's `folder` in place of their names, and by parameter
        why one cannot be used. Only a step that takes files does anything here."""
        return self, {}


class Measurement(Protocol):
    """What a step measured in one frame, and how the store keeps it: as named arrays of some kB."""

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """Everything, for the store; what Step.from_arrays reads."""


class Solution(Protocol):
    """What a step decided for one frame. Its numbers are rounded when it is made, so that the last bit of a sum does
    not change a render's key; its JSON form is part of that key and stands in run.json."""

    def as_json(self) -> JsonObject:
        """JSON values only."""


@dataclass(frozen=True)
class NoMeasurement:
    """Of a step that measures nothing."""

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """Nothing."""
        return {}


@dataclass(frozen=True)
class NoSolution:
    """Of a step that decides nothing from frame to frame."""

    def as_json(self) -> JsonObject:
        """Nothing."""
        return {}


P = TypeVar("P", bound=Params)
M = TypeVar("M", bound=Measurement)
S = TypeVar("S", bound=Solution)


@dataclass(frozen=True)
class MeasureContext:
    """`frame`, its small upright linear decode (`proxy`, before any other step) and the camera's balances.

    as_shot is None when the file carries no balance; both are (3,) multipliers with green = 1.
    full_size (height, width) of the upright frame; detail its finer luma, None where it was not asked for.
    """

    frame: Frame
    proxy: Image
    as_shot: F64 | None
    daylight: F64
    references: Sequence[Reference]  # those that name this frame
    full_size: tuple[int, int]
    detail: Detail | None
    models: ModelFiles


@dataclass(frozen=True)
class SolveContext(Generic[M]):
    """What `solve` sees: every measured frame in order of time, the bursts, and what earlier steps decided."""

    frames: Sequence[Frame]
    bursts: Sequence[Burst]
    facts: Facts
    measured: Mapping[str, M]  # frame name -> this step's measurement; the same for every recipe
    light: Callable[[], ShootLight]  # found when first asked for
    subjects: Callable[[], Mapping[str, Subject | None]]  # by frame name; also found when first asked for
    ranks: Callable[[], Mapping[str, Ranked]]  # the same
    earlier: Mapping[str, Mapping[str, Solution]]  # label of a step -> frame name -> solution

    def earlier_of(self, step: Step[Any, Any, S]) -> Mapping[str, S]:
        """Frame name -> what a shared step before this one decided; empty where it is not in the recipe."""
        return cast(Mapping[str, S], self.earlier.get(step.name, {}))


@dataclass(frozen=True)
class Solved(Generic[S]):
    """Solutions by frame name, and what the report should say."""

    by_frame: Mapping[str, S]
    notices: tuple[str, ...] = ()
    notices_by_frame: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class ApplyContext(Generic[S]):
    """What `apply` may use besides the pixels; solution is None for a step that decides nothing."""

    frame: Frame
    row: FrameFacts
    solution: S | None


class Order(StrEnum):
    """Where a step stands among the others of its list."""

    FREE = "free"
    ANYWHERE = "anywhere"  # about frames, not pixels: moved to the front
    FIRST = "first"
    LAST = "last"
    AFTERWARDS = "afterwards"  # not part of what makes the files: after the last


@dataclass(frozen=True)
class FileName:
    """How a delivery's files are named: a template over captions.filename_template.NAME_FIELDS, and a suffix."""

    template: str
    suffix: str


@dataclass(frozen=True)
class EncodedFile:
    """A finished file: bytes with metadata, quality used (0: lossless), digest of the scan data ("": has none)."""

    data: bytes
    quality: int
    scan: str
    notices: tuple[str, ...]


@dataclass(frozen=True)
class Step(Generic[P, M, S]):
    """One step: its parameters, what it measures and decides, and its answers to what the engine asks.

    place     "shared" (once per frame), "delivery" (per delivery) or "both"
    takes     the domains it accepts, none for what reads the file; gives  the domain it returns, None = unchanged
    order     where it stands; required  filled in with its defaults where a recipe leaves it out; misplaced  what to
              say where it stands elsewhere
    measure   one frame, no parameters; kept as its `as_arrays` says, and read back by from_arrays. Both are None for
              steps that measure nothing
    solve     all frames; a solution for each, and notices
    apply     Image -> Image; None for steps that work otherwise
    version   raised when its pixels change

    Answers, each None where the step has nothing to say:

    leaves_out     why a frame is not in the delivery, "" where it is
    every_pixel    whether all pixels of a frame are wanted, whatever the deliveries ask for
    kept           the box of the upright frame, at a size (height, width), that it keeps
    reads          the box that it needs to have decoded for that
    output_size    (height, width) after it of a picture of that size
    shortfall      what to say of a finished picture (height, width) that is smaller than asked for
    on_mosaic      what decode may do of it on the mosaic; after_mosaic  the image when decode did
    texts          what is written into a frame's file, and notices
    file_name      how files are named; encode  an image and its texts as a file
    key            what of the parameters and texts the encoded pixels depend on; by default all parameters
    in_words       what it decided for a frame, for the report
    wanted         what is made of a delivery when its files stand
    """

    name: str
    version: int
    summary: str
    Params: type[P]
    place: str
    takes: tuple[Domain, ...] = LINEAR
    gives: Domain | None = None
    order: Order = Order.FREE
    required: bool = False
    misplaced: str = ""
    changes_pixels: bool = True
    from_arrays: Callable[[Mapping[str, NDArray[Any]]], M] | None = None
    measure: Callable[[MeasureContext], M] | None = None
    solve: Callable[[SolveContext[M], P], Solved[S]] | None = None
    apply: Callable[[Image, P, ApplyContext[S]], Image] | None = None
    leaves_out: Callable[[S], str] | None = None
    every_pixel: Callable[[P], bool] | None = None
    kept: Callable[[P, S | None, int, int], Box] | None = None
    reads: Callable[[P, S | None, int, int], Box] | None = None
    output_size: Callable[[P, int, int], tuple[int, int]] | None = None
    shortfall: Callable[[P, int, int], str] | None = None
    on_mosaic: Callable[[P], Clean | None] | None = None
    after_mosaic: Callable[[Image, P], Image] | None = None
    texts: Callable[[Frame, Facts, FrameFacts, P, PictureTexts], tuple[Metadata, tuple[str, ...]]] | None = None
    file_name: Callable[[P], FileName] | None = None
    encode: Callable[[Image, P, Metadata | None], EncodedFile] | None = None
    key: Callable[[P, Metadata | None], JsonValue] | None = None
    in_words: Callable[[S], str] | None = None
    wanted: Callable[[P], Wanted] | None = None


AnyStep: TypeAlias = Step[Any, Any, Any]


def rounded(values: NDArray[Any]) -> F64:
    """Values to seven digits: a last-bit difference does not change a render's key."""
    return np.array([float(f"{v:.7g}") for v in np.asarray(values, dtype=np.float64).ravel()]).reshape(np.shape(values))


def stops_in_words(stops: F64) -> str:
    """(3,) gains in stops as "R +0.50, G +0.00, B +0.25 EV"."""
    return ", ".join(f"{channel} {signed(value)}" for channel, value in zip("RGB", stops, strict=True)) + " EV"


def signed(value: float, digits: int = 2) -> str:
    """A number with its sign, a minus sign and not a hyphen."""
    return f"{round(value, digits) + 0.0:+.{digits}f}".replace("-", "\N{MINUS SIGN}")


def camera_of(frame: Frame) -> str:
    """The kind of camera that took a frame, for a person to read."""
    return f"{frame.exif.make} {frame.exif.model}".strip() or "this camera"
