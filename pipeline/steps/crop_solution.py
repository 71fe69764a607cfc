"""What crop decides for a frame, and the words for it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from pipeline.imaging.geometry import Box
from pipeline.types import JsonObject

NOBODY = "crop: left whole: {why}"
NO_SUBJECT = "nobody is clearly the subject"
TOO_WIDE = "crop: left whole: all that must be in does not fit into {aspect}"
WOULD_CUT = "crop: left whole: {aspect} would cut through somebody near, a face or a ball"
WOULD_CHANGE = "crop: left whole: nobody leads, and who is in {aspect} would change from frame to frame of the burst"


class CropSource(StrEnum):
    """Why a crop is as it is."""

    SUBJECT = "subject"
    EVERYBODY = "everybody"  # nobody leads: around all who may be the subject
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
    CropSource.TABLE: "as frames.csv says",
    CropSource.LOOSE: "loosely around the centre",
    CropSource.NOBODY: "left whole",
    CropSource.DOES_NOT_FIT: "left whole, what must be in does not fit",
    CropSource.WOULD_CUT: "left whole, somebody near would be cut",
    CropSource.WOULD_CHANGE: "left whole, who is in it would change within the burst",
}
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
    return ", ".join(filter(None, (_WORDS.get(solution.source, ""), solution.why, solution.level)))
