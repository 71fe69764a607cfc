"""What a step is. Each step is declared once, in one file; help, schema and documentation come from that."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, NamedTuple, Protocol, Self, TypeAlias, TypeVar, cast

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
        """(these parameters with the texts of files in place of their names; parameter -> why its file cannot be used).

        folder  of the recipe, where the files are. Only a step that takes files overrides this.
        """
        return self, {}


class Measurement(Protocol):
    """What a step measured in one frame. The store keeps it as named arrays, some kB in all."""

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """All of it, as named arrays; Step.from_arrays reads them back."""


class Solution(Protocol):
    """What a step decided for one frame.

    Its numbers are rounded when it is made, so that the last bit of a sum does not change a render's key. Its JSON
    form is part of that key, and is written to run.json.
    """

    def as_json(self) -> JsonObject:
        """All of it, as JSON values."""


@dataclass(frozen=True)
class NoMeasurement:
    """The measurement of a step that measures nothing."""

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """No arrays."""
        return {}


@dataclass(frozen=True)
class NoSolution:
    """The solution of a step that decides nothing from frame to frame."""

    def as_json(self) -> JsonObject:
        """An empty object."""
        return {}


P = TypeVar("P", bound=Params)
M = TypeVar("M", bound=Measurement)
S = TypeVar("S", bound=Solution)


@dataclass(frozen=True)
class MeasureContext:
    """What `measure` works on: one frame, decoded small.

    proxy      camera-linear, upright, before any other step
    as_shot, daylight  the camera's balances, (3,) multipliers with green = 1; as_shot None: the file carries none
    references that name this frame
    full_size  (height, width) of the upright frame, pixels; detail  its finer luma, None where it was not asked for
    """

    frame: Frame
    proxy: Image
    as_shot: F64 | None
    daylight: F64
    references: Sequence[Reference]
    full_size: tuple[int, int]
    detail: Detail | None
    models: ModelFiles


@dataclass(frozen=True)
class SolveContext(Generic[M]):
    """What `solve` works on: every measured frame in order of time, the bursts, and what earlier steps decided.

    measured  frame name -> this step's measurement; the same for every recipe
    light, subjects, ranks  found when first called; subjects and ranks by frame name
    earlier   label of a step -> frame name -> solution
    displayed  (linear image, whether its file is a finished picture) -> how it comes out in each kind of delivery
    delivery  name of the delivery that the step stands in, "" for a shared step
    """

    frames: Sequence[Frame]
    bursts: Sequence[Burst]
    facts: Facts
    measured: Mapping[str, M]
    light: Callable[[], ShootLight]
    subjects: Callable[[], Mapping[str, Subject | None]]
    ranks: Callable[[], Mapping[str, Ranked]]
    earlier: Mapping[str, Mapping[str, Solution]]
    displayed: Callable[[Image, bool], Sequence[Image]] = lambda image, finished: ()
    delivery: str = ""

    def earlier_of(self, step: Step[Any, Any, S]) -> Mapping[str, S]:
        """Frame name -> what a shared step before this one decided; empty where it is not in the recipe."""
        return cast(Mapping[str, S], self.earlier.get(step.name, {}))


@dataclass(frozen=True)
class Solved(Generic[S]):
    """Solutions by frame name, and notices for the report: on the shoot, and at most one for each frame."""

    by_frame: Mapping[str, S]
    notices: tuple[str, ...] = ()
    notices_by_frame: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class ApplyContext(Generic[S]):
    """What `apply` may use besides the pixels. row  of frames.csv; solution  None for a step that decides nothing."""

    frame: Frame
    row: FrameFacts
    solution: S | None


class Group(NamedTuple):
    """Whom a folder of a delivery is for. team  "home" or "away"; number  of a player, "" for the whole team"""

    team: str
    number: str = ""


class Order(StrEnum):
    """The place of a step among the others of its list."""

    FREE = "free"
    ANYWHERE = "anywhere"  # chooses frames, not pixels: moved to the front
    FIRST = "first"
    EARLY = "early"  # right after the first, before what depends on the pictures' light
    LAST = "last"
    AFTERWARDS = "afterwards"  # uses the finished files: after the last


@dataclass(frozen=True)
class FileName:
    """How a delivery's files are named: a template over captions.filename_template.NAME_FIELDS; suffix without dot."""

    template: str
    suffix: str


@dataclass(frozen=True)
class EncodedFile:
    """A finished file.

    data  with its metadata; quality  that was used, 0 for lossless; scan  digest of the JPEG's scan data, "" for others
    """

    data: bytes
    quality: int
    scan: str
    notices: tuple[str, ...]


@dataclass(frozen=True)
class Step(Generic[P, M, S]):
    """One step: its parameters, what it measures and decides, and its answers to what the engine asks.

    version   raised when its pixels change; summary  one sentence for help and documentation
    place     "shared" (once a frame), "delivery" (once a delivery) or "both"
    takes     the domains it accepts, none for the step that reads the file; gives  the domain after it, None: the same
    order     its place in a list; misplaced  the message where it is elsewhere
    required  filled in with its defaults where a recipe leaves it out; changes_pixels  false: no part of the pixel key
    measure   of one frame, without parameters; from_arrays  reads back what its `as_arrays` wrote. Both None where the
              step measures nothing
    solve     of all frames: a solution for each, and notices
    fallback  the same, as simple as can be, for where `solve` fails; without one such frames have no solution
    without   what frames get where `solve` fails, for a person
    apply     Image -> Image; None for steps that work otherwise

    Hooks that the engine calls, each None where the step has no answer:

    leaves_out     why a frame is not in the delivery, "" where it is
    every_pixel    whether all pixels of a frame are needed, whatever the deliveries ask for
    kept           (params, solution, height, width) -> box of the upright frame that it keeps, fractions
    reads          the same for the box that must be decoded for that
    reaches        (solution, frame, box, height, width) -> the box before a shared step that it makes the box after it
                   from, fractions of the upright frame
    on_proxy       (small picture, solution, frame) -> the picture in which the light of bursts is found: for what is no
                   light, and would be taken for it
    proxy_key      what of a solution on_proxy depends on; None: all of it
    displayed      (image, params, whether its file is a finished picture) -> what it makes of a few samples of linear
                   light, as far as that does not depend on a solution; for the step that brings it to display values.
                   Called in the parent, so it loads no compiler
    output_size    (params, height, width) -> (height, width) after it, pixels
    shortfall      (params, height, width of the finished picture) -> message where that is smaller than asked for, ""
    on_mosaic      (params, solution) -> the part of it that decode may do on the mosaic; after_mosaic  the image after
                   decode has done it
    off_mosaic     (params, whether it is a step of all deliveries) -> message where decode has not done so with a raw,
                   and the step does something else instead; "" for none
    texts          what is written into a frame's file, and notices. Raises EvencourtError where it cannot be made
    file_name      how files are named; encode  an image and its texts as a file. Raises FrameError where it is too big
    key            the parameters and texts that the encoded pixels depend on; None: all parameters, no text
    in_words       what it decided for a frame, for the report
    wanted         what to do with a delivery's finished files
    parted         (params, facts) -> the groups, each with its parameters, into whose folders it parts a delivery; one
                   group None: it does not. Raises ValueError where the parameters do not fit the facts
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
    fallback: Callable[[SolveContext[M], P], Solved[S]] | None = None
    without: str = "it is left out"
    apply: Callable[[Image, P, ApplyContext[S]], Image] | None = None
    leaves_out: Callable[[S], str] | None = None
    every_pixel: Callable[[P], bool] | None = None
    kept: Callable[[P, S | None, int, int], Box] | None = None
    reads: Callable[[P, S | None, int, int], Box] | None = None
    reaches: Callable[[S, Frame, Box, int, int], Box] | None = None
    on_proxy: Callable[[Image, S, Frame], Image] | None = None
    proxy_key: Callable[[S], JsonValue] | None = None
    displayed: Callable[[Image, P, bool], Image] | None = None
    output_size: Callable[[P, int, int], tuple[int, int]] | None = None
    shortfall: Callable[[P, int, int], str] | None = None
    on_mosaic: Callable[[P, S | None], Clean | None] | None = None
    after_mosaic: Callable[[Image, P], Image] | None = None
    off_mosaic: Callable[[P, bool], str] | None = None
    texts: Callable[[Frame, Facts, FrameFacts, P, PictureTexts], tuple[Metadata, tuple[str, ...]]] | None = None
    file_name: Callable[[P], FileName] | None = None
    encode: Callable[[Image, P, Metadata | None], EncodedFile] | None = None
    key: Callable[[P, Metadata | None], JsonValue] | None = None
    in_words: Callable[[S], str] | None = None
    wanted: Callable[[P], Wanted] | None = None
    parted: Callable[[P, Facts], Sequence[tuple[Group | None, P]]] | None = None


AnyStep: TypeAlias = Step[Any, Any, Any]


_DIGITS = 7  # significant, of a solution: finer than any picture shows, coarser than the last bits of a sum


def rounded(values: NDArray[Any]) -> F64:
    """`values`, any shape, rounded to _DIGITS digits, so that a last-bit difference does not change a render's key."""
    return np.array([float(f"{v:.{_DIGITS}g}") for v in np.asarray(values, dtype=np.float64).ravel()]).reshape(
        np.shape(values)
    )


def stops_in_words(stops: F64) -> str:
    """(3,) gains in stops as "R +0.50, G +0.00, B +0.25 EV"."""
    return ", ".join(f"{channel} {signed(value)}" for channel, value in zip("RGB", stops, strict=True)) + " EV"


def signed(value: float, digits: int = 2) -> str:
    """A number with its sign and `digits` decimals; a minus sign, not a hyphen, and no negative zero."""
    return f"{round(value, digits) + 0.0:+.{digits}f}".replace("-", "\N{MINUS SIGN}")


def camera_of(frame: Frame) -> str:
    """Make and model of the camera that took a frame, for messages."""
    return frame.exif.camera or "a camera without a model"
