"""crop: to an aspect, around the centre or to the box that frames.csv gives."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Literal

from pydantic import Field, field_validator

from pipeline.imaging.field import cut
from pipeline.imaging.geometry import Box, box_to_pixels, centred
from pipeline.model import Domain, Image
from pipeline.steps.base import ApplyContext, Params, SolveContext, Solved, Step

_SUBJECT_SHARE = 0.92  # loose enough that a centre crop rarely costs a hand or a ball


class CropParams(Params):
    """Parameters of crop."""

    to: Literal["subject", "centre", "box", "none"] = Field(
        "subject",
        description="subject: around the player (in this version a loose centre crop); centre; box: only where "
        "frames.csv gives one; none. A box in frames.csv always wins",
    )
    aspect: str = Field(
        "original",
        description='width to height such as "3:2", "4:5", "16:9", or "original"; of an upright frame a wide aspect is '
        "turned (3:2 gives 2:3), unless frames.csv gives the box",
    )
    share: float | None = Field(
        None, ge=0.1, le=1.0, description="how much of the possible width to keep; default 0.92 for subject, else 1"
    )

    @field_validator("aspect")
    @classmethod
    def _aspect(cls, value: str) -> str:
        if value != "original" and not re.fullmatch(r"\d{1,3}(\.\d+)?:\d{1,3}(\.\d+)?", value):
            raise ValueError('is not an aspect; write "3:2", "4:5", "16:9" or "original" in quotes')
        if value != "original" and not all(float(v) for v in value.split(":")):
            raise ValueError("has a zero side")
        return value


def solve(context: SolveContext, params: CropParams) -> Solved:
    """Which rule each frame falls under; the box itself follows from the frame's own size."""
    boxes = {name: row.crop for name, row in context.facts.rows.items() if row.crop is not None}
    solutions = {
        f.name: {"box": list(boxes[f.name]), "source": "frames.csv"}
        if f.name in boxes
        else {"box": None, "source": params.to}
        for f in context.frames
    }
    loose = params.to == "subject" and len(boxes) < len(solutions)
    note = "crop: to subject is a loose centre crop in this version; check the edges of the frames that matter"
    return Solved(solutions, (note,) if loose else ())


def box_for(params: CropParams, solution: object, height: int, width: int) -> Box:
    """Box as fractions of an upright frame of this size."""
    given = solution.get("box") if isinstance(solution, dict) else None
    whole: Box = (0.0, 0.0, 1.0, 1.0)
    if given is None and params.to in ("none", "box"):
        return whole
    aspect = None
    if params.aspect != "original":
        across, down = (float(v) for v in params.aspect.split(":"))
        # An upright frame keeps its orientation when a wide aspect is asked for: 3:2 becomes 2:3. An upright
        # aspect such as 4:5 is meant as it stands, since phones and pages want it of wide frames too.
        upright = height > width and across > down and given is None
        aspect = down / across if upright else across / down
    if given is not None:
        x0, y0, x1, y1 = given
        return centred((x0, y0, x1, y1), aspect, 1.0, height, width)
    default = _SUBJECT_SHARE if params.to == "subject" else 1.0
    return centred(whole, aspect, params.share or default, height, width)


def apply(image: Image, params: CropParams, context: ApplyContext) -> Image:
    """Cut the box out of the picture."""
    height, width = image.pixels.shape[:2]
    x0, y0, x1, y1 = box_to_pixels(box_for(params, context.solution, height, width), height, width)
    part = (x0 / width, y0 / height, x1 / width, y1 / height)
    return replace(image, pixels=image.pixels[y0:y1, x0:x1], uneven=cut(image.uneven, part))


STEP = Step(
    name="crop",
    version=2,
    summary="Cut to an aspect, loosely around the centre, or to the box that frames.csv gives.",
    Params=CropParams,
    place="delivery",
    takes=tuple(Domain),
    solve=solve,
    apply=apply,
)
