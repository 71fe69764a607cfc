"""What a recipe asks of crop, what crop decides for a frame, and the words for it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from pydantic import Field, field_validator

from pipeline.imaging.geometry import WHOLE, Box
from pipeline.steps.base import Params
from pipeline.types import JsonObject

NOBODY = "crop: left whole: {why}"
NO_SUBJECT = "nobody is clearly the subject"
TOO_WIDE = "crop: left whole: all that must be in does not fit into {aspect}"
WOULD_CUT = "crop: left whole: {aspect} would cut through somebody near, a face or a ball"
UNLIKE = "unlike other frames of its burst"
WOULD_CHANGE = "crop: left whole: nobody leads, and who is in {aspect} would change from frame to frame of the burst"


class CropSource(StrEnum):
    """Why a crop is as it is."""

    SUBJECT = "subject"
    EVERYBODY = "everybody"  # nobody leads: around all who may be the subject
    TRIMMED = "trimmed"  # it is not sure whom it is about: to the aspect, around all who are near
    TABLE = "frames.csv"
    LOOSE = "loose"  # no model file, so no subject can be found
    NOBODY = "nobody"
    DOES_NOT_FIT = "does not fit"
    WOULD_CUT = "would cut"
    WOULD_CHANGE = "would change"  # nobody leads: the burst's crops would not hold the same people
    CENTRE = "centre"
    BOX = "box"  # only where frames.csv gives one
    NONE = "none"


_WORDS = {
    CropSource.SUBJECT: "around the subject",
    CropSource.EVERYBODY: "around all who may be the subject",
    CropSource.TRIMMED: "only to the shape asked for, around everybody near",
    CropSource.TABLE: "as frames.csv says",
    CropSource.LOOSE: "loosely around the centre",
    CropSource.NOBODY: "left whole",
    CropSource.DOES_NOT_FIT: "left whole, what must be in does not fit",
    CropSource.WOULD_CUT: "left whole, somebody near would be cut",
    CropSource.WOULD_CHANGE: "left whole, who is in it would change within the burst",
}
_FILLS = "left whole, what must be in fills the frame, or nearly"
LEFT_WHOLE = (
    CropSource.NONE,
    CropSource.BOX,
    CropSource.DOES_NOT_FIT,
    CropSource.WOULD_CUT,
    CropSource.WOULD_CHANGE,
    CropSource.NOBODY,
)


@dataclass(frozen=True, slots=True)
class CropSolution:
    """The crop of one frame.

    source  why; box  fractions of the upright frame, None: what the parameters make of the whole frame
    aspect  width to height in pixels that the box is meant to have; turned  degrees clockwise, to straighten
    why     it is left whole, in a few words, "" where it is not, or where the source says it
    confidence  0 to 1, that the subject is the one; None without one
    level   what is said of straightening, "" where it is not asked for
    """

    source: CropSource
    box: Box | None = None
    aspect: float | None = None
    turned: float = 0.0
    why: str = ""
    confidence: float | None = None
    level: str = ""

    def as_json(self) -> JsonObject:
        """For the record and the keys."""
        found: JsonObject = {"source": self.source.value, "box": None if self.box is None else list(self.box)}
        if self.aspect is not None:
            found["aspect"] = self.aspect
        if self.turned:
            found["turned"] = self.turned
        if self.why:
            found["why"] = self.why
        if self.confidence is not None:
            found["confidence"] = self.confidence
        if self.level:
            found["level"] = self.level
        return found


def in_words(solution: CropSolution) -> str:
    """How the frame is cut, and whether it is turned; "" where the recipe alone decides."""
    cut = _WORDS.get(solution.source, "")
    if solution.box == WHOLE and solution.source in (CropSource.SUBJECT, CropSource.EVERYBODY):
        cut = _FILLS
    return ", ".join(filter(None, (cut, solution.why, solution.level)))


@dataclass(frozen=True)
class CropRules:
    """What a crop must hold.

    Chosen by eye on generated shoots and checked with `python -m tests.crops` (faces cut, holds the main player),
    where no other source stands beside a number.
    """

    web: int = 1200  # pixels that a crop has on its longer side where none are asked for: a page of a web gallery
    of_longer_side: float = 0.5  # of the frame's, where that is less: an enlarged cut-out of a small frame is of no use
    unsure: float = 0.75  # of the wished fill where the confidence is just enough; all of it where it is full
    loose: float = 0.92  # of the possible width, where no model finds the subject: it rarely costs a hand or a ball
    other_shape: float = 0.03  # logarithm of aspects: what differs by less is the frame's own
    narrowest: float = 2 / 3  # aspects of "free": those of the widest common formats (common practice, no source)
    widest: float = 16 / 9
    named: float = 0.5  # heights of the subject, from which somebody else may be one of the players in frames.csv
    shown: float = 0.8  # share of somebody inside the crop, from which the crop shows them


RULES = CropRules()


class CropParams(Params):
    """Parameters of crop."""

    to: Literal["subject", "centre", "box", "none"] = Field(
        "subject",
        description="subject: around the player, with face, hands, feet and the ball of the action whole; centre; "
        "box: only where frames.csv gives one; none. A box in frames.csv always wins, widened to the aspect where the "
        "frame allows",
    )
    aspect: str = Field(
        "original",
        description='width to height such as "3:2", "4:5", "16:9", "original", or "free" (as the subject is); of an '
        "upright frame a wide aspect is turned (3:2 gives 2:3), unless frames.csv gives a box that lies",
    )
    margin: float = Field(
        0.08, ge=0, le=1, description="least room around the subject, in parts of its height (to: subject)"
    )
    lead_room: float = Field(
        0.4, ge=0, le=1, description="how much of the room beside the subject lies ahead of its movement; 0 = as behind"
    )
    fill: float = Field(0.7, ge=0.2, le=1, description="how much of the crop's height the subject takes")
    at_least: int | None = Field(
        None,
        ge=0,
        le=20000,
        description="pixels of the longer side that a crop never goes below; it is looser instead (default 1200, but "
        "no more than half of the frame's longer side)",
    )
    level: bool = Field(
        False,
        description="straighten by the upright and level lines of the hall where they are sure, up to 5 degrees, and "
        "where that cuts nobody off",
    )
    share: float | None = Field(
        None, ge=0.1, le=1.0, description="how much of the possible width to keep (to: centre); default all"
    )

    @field_validator("aspect")
    @classmethod
    def _aspect(cls, value: str) -> str:
        if value not in ("original", "free") and not re.fullmatch(r"\d{1,3}(\.\d+)?:\d{1,3}(\.\d+)?", value):
            raise ValueError('is not an aspect; write "3:2", "4:5", "16:9", "original" or "free" in quotes')
        if ":" in value and not all(float(v) for v in value.split(":")):
            raise ValueError("has a zero side")
        return value
