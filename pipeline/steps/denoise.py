"""denoise: by the noise model that travels with the image, so that the strength follows the ISO by itself."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from pydantic import Field

from pipeline.steps.base import LINEAR, ApplyContext, NoMeasurement, NoSolution, Params, Step
from pipeline.types import Image

if TYPE_CHECKING:
    from pipeline.imaging.raw.frame import Clean

# Variance left in flat parts, of what there was, against the deviation that is assumed: on white noise over
# a constant, as tests/test_denoise.py measures it. What is left is coarser than a pixel, and texture keeps more.
_ASSUMED = (0.0, 0.25, 0.5, 0.75, 0.9, 1.0, 2.0)
_LEFT = (1.0, 0.88, 0.43, 0.035, 0.0048, 0.0036, 0.0021)


def variance_left(
    strength: float, luma: float, chroma: float, keep_grain: float, coarse: tuple[float, float] = (1.0, 1.0)
) -> float:
    """Share of the noise variance that a flat part keeps; rather too much than too little.

    coarse: relative power of the slowest noise in luma and in chroma, 1 for white noise. It is what the
    patches' means, which are not shrunk, let through: what is left goes with it.
    """
    of_luma, of_chroma = (
        min(1.0, float(np.interp(strength * part, _ASSUMED, _LEFT)) * max(1.0, power))
        for part, power in zip((luma, chroma), coarse, strict=True)
    )
    # The grain put back is taken to be in step with the rest, which is the worst case.
    grain = (math.sqrt(of_luma) * (1 - keep_grain) + keep_grain) ** 2
    return grain / 3 + of_chroma * 2 / 3  # one of three planes of equal noise is luma


class DenoiseParams(Params):
    """Parameters of denoise."""

    quality: Literal["standard", "fine"] = Field(
        "standard",
        description="standard: fast, for a night's work; fine: twice the time, keeps a little more of hair and cloth",
    )
    strength: float = Field(1.0, ge=0, le=2, description="0 = none, 1 = the measured noise, 2 = twice as much")
    luma: float = Field(1.0, ge=0, le=2, description="part of the strength for brightness noise")
    chroma: float = Field(1.0, ge=0, le=2, description="part of the strength for colour noise")
    keep_grain: float = Field(
        0.12, ge=0, le=1, description="share of the brightness grain that stays, against plastic skin"
    )


def on_mosaic(params: DenoiseParams) -> Clean | None:
    """What decode may do of this step, on the mosaic; None where there is nothing to do."""
    from pipeline.imaging.raw.frame import Clean

    if params.strength == 0:
        return None
    return Clean(params.strength, params.luma, params.chroma, params.keep_grain, params.quality)


def after_mosaic(image: Image, params: DenoiseParams) -> Image:
    """What is known of an image whose mosaic decode has cleaned."""
    return replace(image, noise=image.noise.averaged(variance_left(
        params.strength, params.luma, params.chroma, params.keep_grain
    )))  # fmt: skip


def apply(image: Image, params: DenoiseParams, context: ApplyContext[NoSolution]) -> Image:
    """Clean the pixels; the noise model then says what is left."""
    from pipeline.imaging.denoise.denoise import denoise
    from pipeline.light.gain_map import spread

    if params.strength == 0:
        return image
    # Where light was evened, noise has gone through the same gains: it is taken back, so that it is the model's.
    whole = None if image.noise_gain_map is None else spread(image.noise_gain_map, image.pixels.shape)
    even = image.pixels if whole is None else image.pixels / whole
    psd = (None, None) if image.noise.spectrum is None else tuple(image.noise.spectrum)
    pixels = denoise(
        even, image.noise, params.strength, params.luma, params.chroma, params.keep_grain, psd, params.quality
    )
    pixels = pixels if whole is None else pixels * whole
    spectrum = image.noise.spectrum
    coarse = (1.0, 1.0) if spectrum is None else (float(spectrum[0, 0, 0]), float(spectrum[1, 0, 0]))
    left = variance_left(params.strength, params.luma, params.chroma, params.keep_grain, coarse)
    return replace(image, pixels=pixels, noise=image.noise.averaged(left))


STEP: Step[DenoiseParams, NoMeasurement, NoSolution] = Step(
    name="denoise",
    version=4,
    summary="Remove brightness and colour noise by the measured noise of this ISO, before or after a resize.",
    Params=DenoiseParams,
    place="both",
    takes=LINEAR,
    apply=apply,
    on_mosaic=on_mosaic,
    after_mosaic=after_mosaic,
)
