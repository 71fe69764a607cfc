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
    step.name: step
    for step in (
        select.STEP,
        select.FOR,
        *(m.STEP for m in (decode, lens, white_balance, exposure, denoise, tone, crop, resize, caption, save, deliver)),
    )
}
