"""What a step is. A step is declared once, in one file; help, schema and documentation come from it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from pipeline.imaging.sharpness import Detail
from pipeline.light.scenes import ShootLight
from pipeline.people.modelfiles import ModelFiles
from pipeline.people.ranking import Ranked
from pipeline.people.subject import Subject
from pipeline.shoot.facts import Facts, FrameFacts, Reference
from pipeline.types import F64, Burst, Domain, Frame, Image

Measured = Mapping[str, NDArray[Any]]
Solution = Mapping[str, Any]  # JSON values only: it is part of a render's key and is written to run.json

LINEAR = (Domain.CAMERA, Domain.WORKING)


class Params(BaseModel):
    """Parameters of a step: every field has a default, a range and one line of help."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    def with_files(self, folder: Path) -> tuple[Self, dict[str, str]]:
        """These parameters with the texts of files of the recipe's `folder` in place of their names, and by parameter
        why one cannot be used. Only a step that takes files does anything here."""
        return self, {}


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
class SolveContext:
    """What `solve` sees: every measured frame in order of time, the bursts, and what earlier steps decided."""

    frames: Sequence[Frame]
    bursts: Sequence[Burst]
    facts: Facts
    measured: Mapping[str, Measured]  # frame name -> this step's measurement; the same for every recipe
    light: Callable[[], ShootLight]  # found when first asked for
    subjects: Callable[[], Mapping[str, Subject | None]]  # by frame name; also found when first asked for
    ranks: Callable[[], Mapping[str, Ranked]]  # the same
    earlier: Mapping[str, Mapping[str, Solution]]  # step name -> frame name -> solution


@dataclass(frozen=True)
class ApplyContext:
    """What `apply` may use besides the pixels."""

    frame: Frame
    row: FrameFacts
    solution: Solution


@dataclass(frozen=True)
class Step:
    """One step.

    place  "shared" (once per frame), "delivery" (per delivery) or "both"
    takes  the domains it accepts; gives  the domain it returns, None = unchanged
    apply  Image -> Image; None for decode, caption and save, which the engine calls by their own names
    solve  returns a solution per frame name, and notices for the report
    """

    name: str
    version: int
    summary: str
    Params: type[Params]
    place: str
    takes: tuple[Domain, ...] = LINEAR
    gives: Domain | None = None
    measure: Callable[[MeasureContext], Measured] | None = None
    solve: Callable[[SolveContext, Any], Solved] | None = None
    apply: Callable[[Image, Any, ApplyContext], Image] | None = None


@dataclass(frozen=True)
class Solved:
    """Solutions by frame name, and what the report should say."""

    by_frame: Mapping[str, Solution]
    notices: tuple[str, ...] = ()
    notices_by_frame: Mapping[str, str] = field(default_factory=dict)


def floats(values: NDArray[Any]) -> list[float]:
    """Array -> JSON numbers, rounded so that a last-bit difference does not change a render's key."""
    return [float(f"{v:.7g}") for v in np.asarray(values, dtype=np.float64).ravel()]


def camera_of(frame: Frame) -> str:
    """The kind of camera that took a frame, for a person to read."""
    return f"{frame.exif.make} {frame.exif.model}".strip() or "this camera"
