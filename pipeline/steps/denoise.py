"""denoise: by the noise model that travels with the image, so that the strength follows the ISO by itself."""

from __future__ import annotations

from dataclasses import replace

from pydantic import Field

from pipeline.imaging.denoise import denoise
from pipeline.model import Image
from pipeline.steps.base import ApplyContext, Params, Step

# Variance left in flat parts, of what there was; measured by tests/test_denoise.py.
_LEFT = 0.04


class DenoiseParams(Params):
    """Parameters of denoise."""

    strength: float = Field(1.0, ge=0, le=2, description="0 = none, 1 = the measured noise, 2 = twice as much")
    luma: float = Field(1.0, ge=0, le=2, description="part of the strength for brightness noise")
    chroma: float = Field(1.0, ge=0, le=2, description="part of the strength for colour noise")
    keep_grain: float = Field(0.12, ge=0, le=1, description="share of the brightness grain that stays, against plastic skin")


def apply(image: Image, params: DenoiseParams, context: ApplyContext) -> Image:
    """Clean the pixels; the noise model then says what is left."""
    if params.strength == 0:
        return image
    psd = (None, None) if image.noise.spectrum is None else tuple(image.noise.spectrum)
    pixels = denoise(image.pixels, image.noise, params.strength, params.luma, params.chroma, params.keep_grain, psd)
    left = max(_LEFT, params.keep_grain**2) if params.luma > 0 else 1.0
    return replace(image, pixels=pixels, noise=image.noise.averaged(left))


STEP = Step(
    name="denoise",
    version=1,
    summary="Remove brightness and colour noise by the measured noise of this ISO, before or after a resize.",
    Params=DenoiseParams,
    place="both",
    apply=apply,
)
