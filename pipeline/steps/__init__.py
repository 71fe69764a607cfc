"""The steps, by name. Adding a step is adding its file and its name here."""

from pipeline.steps import (
    caption,
    crop,
    decode,
    deliver,
    denoise,
    exposure,
    lens,
    resize,
    save,
    select,
    tone,
    white_balance,
)
from pipeline.steps.base import AnyStep

REGISTRY: dict[str, AnyStep] = {
    module.STEP.name: module.STEP
    for module in (select, decode, lens, white_balance, exposure, denoise, tone, crop, resize, caption, save, deliver)
}
