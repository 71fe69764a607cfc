"""resize: area-correct in linear light, with output sharpening."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from pydantic import Field, model_validator

from pipeline.steps.base import ApplyContext, NoMeasurement, NoSolution, Params, Step
from pipeline.steps.tone import KNEE, WHITE
from pipeline.types import Domain, Image

_LAST, _STEPS = 253.5 / 255, 1000
_LONG_EDGE = 2048  # pixels, where a recipe gives no size; common practice for web galleries, no source


class ResizeParams(Params):
    """Parameters of resize. The defaults of sharpen and radius are chosen by eye."""

    long_edge: int | None = Field(
        None, ge=16, le=20000, description=f"pixels of the longer side (default {_LONG_EDGE})"
    )
    width: int | None = Field(None, ge=16, le=20000, description="at most this many pixels wide")
    height: int | None = Field(None, ge=16, le=20000, description="at most this many pixels high")
    enlarge: bool = Field(False, description="also enlarge frames that are smaller")
    sharpen: float = Field(0.4, ge=0, le=2, description="output sharpening, 0 = none")
    radius: float = Field(0.7, ge=0.3, le=5, description="radius of the sharpening in delivered pixels")

    @model_validator(mode="after")
    def _one(self) -> ResizeParams:
        if self.long_edge is not None and (self.width is not None or self.height is not None):
            raise ValueError("give long_edge, or width and height, not both")
        return self


def output_size(params: ResizeParams, height: int, width: int) -> tuple[int, int]:
    """(height, width) in pixels that a picture of `height` by `width` comes out at."""
    factors = [bound / side for bound, side in ((params.width, width), (params.height, height)) if bound]
    if not factors:
        factors = [(params.long_edge or _LONG_EDGE) / max(height, width)]
    factor = min(factors)
    if factor >= 1 and not params.enlarge:
        return height, width
    return max(1, round(height * factor)), max(1, round(width * factor))


@lru_cache(maxsize=64)
def _burns_at(saturation: float) -> float:
    """The linear value from which a channel is shown as one of the last two codes of 8 bits, by tone as it is where a
    recipe says nothing."""
    import numpy as np

    from pipeline.imaging.colour import srgb_decode
    from pipeline.imaging.tone import shoulder

    white = float(np.clip(saturation, 1.0, WHITE))
    grid = np.linspace(0.0, white, _STEPS)
    return float(np.interp(srgb_decode(np.array(_LAST)), shoulder(grid, KNEE, white), grid))


def apply(image: Image, params: ResizeParams, context: ApplyContext[NoSolution]) -> Image:
    """Resize in linear light and sharpen, but not so far that a channel burns out; the noise model is that of the
    average."""
    from pipeline.imaging.resample import resize, resize_energy, sharpen

    before = (image.pixels.shape[0], image.pixels.shape[1])
    after = output_size(params, *before)
    top = 1.0 if image.domain is Domain.DISPLAY else _burns_at(float(image.saturation.max()))
    pixels = sharpen(resize(image.pixels, *after), params.sharpen, params.radius, top)
    return replace(image, pixels=pixels, noise=image.noise.averaged(resize_energy(before, after)))


SHORT = "shorter than "  # how the message on too few pixels begins


def shortfall(params: ResizeParams, height: int, width: int) -> str:
    """The message for a finished picture (pixels) with fewer pixels than were asked for; "" where it has enough."""
    if params.long_edge is None or max(height, width) >= params.long_edge:
        return ""
    return f"{SHORT}the {params.long_edge} pixels asked for: the frame, or its crop, holds no more"


STEP: Step[ResizeParams, NoMeasurement, NoSolution] = Step(
    name="resize",
    version=2,
    summary="Scale to the delivered size by area average in linear light, then sharpen for the screen.",
    Params=ResizeParams,
    place="delivery",
    apply=apply,
    output_size=output_size,
    shortfall=shortfall,
)
