"""tone: scene light to display values, with a soft shoulder so that white jersey keeps its folds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from pydantic import Field, model_validator

from pipeline.steps.base import ApplyContext, NoMeasurement, NoSolution, Params, Step
from pipeline.types import Domain, Image


class ToneParams(Params):
    """Parameters of tone. The defaults are chosen by eye, so that white jerseys keep their folds."""

    ev: float = Field(0.0, ge=-4, le=4, description="stops to add before the curve")
    knee: float = Field(0.55, ge=0.1, le=0.99, description="linear value where the shoulder begins")
    white: float = Field(3.0, ge=1.0, le=16, description="linear value that becomes pure white; 1 = no shoulder")
    saturation: float = Field(1.0, ge=0, le=2, description="1 = as measured, 0 = grey")

    @model_validator(mode="after")
    def _room(self) -> ToneParams:
        if self.knee >= self.white:
            raise ValueError("knee must be below white")
        return self


def apply(image: Image, params: ToneParams, context: ApplyContext[NoSolution]) -> Image:
    """Camera-linear or working-linear -> display sRGB (IEC 61966-2-1), 0 to 1."""
    from pipeline.imaging.tone import render

    matrix = image.to_working if image.domain is Domain.CAMERA else np.eye(3)
    pixels = render(image.pixels, matrix, params.ev, params.knee, params.white, params.saturation)
    return replace(image, pixels=pixels, domain=Domain.DISPLAY, to_working=np.eye(3))


STEP: Step[ToneParams, NoMeasurement, NoSolution] = Step(
    name="tone",
    version=2,
    summary="Bring scene light to display values: straight below the knee, a soft shoulder above it.",
    Params=ToneParams,
    place="both",
    gives=Domain.DISPLAY,
    required=True,
    apply=apply,
)
