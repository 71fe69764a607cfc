"""denoise: by the noise model that each image carries, so that the strength follows the ISO by itself."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Literal

import numpy as np
from pydantic import Field

from pipeline.steps.base import LINEAR, ApplyContext, NoMeasurement, Params, SolveContext, Solved, Step
from pipeline.steps.decode import STEP as DECODE
from pipeline.types import F32, Image, JsonObject, JsonValue

if TYPE_CHECKING:
    from pipeline.formats.metadata.model import Metadata
    from pipeline.imaging.denoise.denoise import Quality
    from pipeline.imaging.raw.frame import Clean

# Share of the noise variance that is left in flat parts, by the strength: measured on white noise over a constant
# (tests/imaging/denoise/test_denoise.py). What is left is coarser than a pixel, and texture keeps more. The shares only
# tell later steps how much noise there is, so a tenth more or less is flat; the test holds them within a factor of 2.
_STRENGTHS = (0.0, 0.25, 0.5, 0.75, 0.9, 1.0, 2.0)
_VARIANCE_LEFT = (1.0, 0.88, 0.44, 0.032, 0.0046, 0.0026, 0.0015)


def variance_left(
    strength: float, luma: float, chroma: float, keep_grain: float, coarse: tuple[float, float] = (1.0, 1.0)
) -> float:
    """Share (0 to 1) of the noise variance that a flat part keeps; an estimate on the high side.

    strength, luma, chroma, keep_grain  as in DenoiseParams
    coarse  power of the slowest noise in luma and in chroma, 1 for white noise: the means of the patches are not
            shrunk, so it passes through, and what is left is proportional to it
    """
    of_luma, of_chroma = (
        min(1.0, float(np.interp(strength * part, _STRENGTHS, _VARIANCE_LEFT)) * max(1.0, power))
        for part, power in zip((luma, chroma), coarse, strict=True)
    )
    # The worst case: the grain that is put back adds up in amplitude with what is left.
    grain = (math.sqrt(of_luma) * (1 - keep_grain) + keep_grain) ** 2
    return grain / 3 + of_chroma * 2 / 3  # one of three planes of equal noise is luma


class DenoiseParams(Params):
    """Parameters of denoise. The defaults are chosen by eye."""

    quality: Literal["auto", "standard", "fine", "learned"] = Field(
        "auto",
        description="auto: learned, but standard for raws of other sensors than Bayer's; standard: fast, leaves more; "
        "fine: twice the time, keeps a little more of hair and cloth; learned: trained networks: cleaner and finer, at "
        "a second or more a megapixel of the picture; where they cannot be used, fine is, and the report says so",
    )
    strength: float = Field(1.0, ge=0, le=2, description="0 = none, 1 = the measured noise, 2 = twice as much")
    luma: float = Field(1.0, ge=0, le=2, description="part of the strength for brightness noise")
    chroma: float = Field(1.0, ge=0, le=2, description="part of the strength for colour noise")
    keep_grain: float = Field(
        0.12, ge=0, le=1, description="share of the brightness grain that stays, against plastic skin"
    )


def on_mosaic(params: DenoiseParams, solution: Basis | None = None) -> Clean | None:
    """The settings for denoising on the mosaic, which decode does; None where the strength is 0."""
    from pipeline.imaging.raw.frame import Clean

    if params.strength == 0:
        return None
    return Clean(params.strength, params.luma, params.chroma, params.keep_grain, _done_with(params, solution))


def _done_with(params: DenoiseParams, solution: Basis | None) -> Quality | Literal["learned"]:
    """The quality for a frame. `solve` says which frames auto gives to the network, and whether there is one."""
    if params.quality in ("standard", "fine"):
        return params.quality
    if solution is not None:
        return solution.quality
    return "learned" if params.quality == "learned" else "standard"


def after_mosaic(image: Image, params: DenoiseParams) -> Image:
    """The image that decode has denoised on the mosaic, with the noise that is left."""
    left = variance_left(params.strength, params.luma, params.chroma, params.keep_grain)
    return replace(image, noise=image.noise.left(left))


def _instead(params: DenoiseParams) -> Quality:
    """With what a raw frame is denoised on which no network can be used."""
    return "fine" if params.quality == "learned" else "standard"


def off_mosaic(params: DenoiseParams, of_all: bool) -> str:
    """What to say where the networks cannot be used on a raw frame."""
    if params.strength == 0 or params.quality not in ("auto", "learned"):
        return ""
    if not of_all:
        return f"denoised with quality {_instead(params)}: learned must stand under steps, for all deliveries"
    return f"denoised with quality {_instead(params)}: the trained networks are for Bayer sensors"


def key(params: DenoiseParams, metadata: Metadata | None) -> JsonValue:
    """The parameters, and the networks' weights where they are asked for; what auto takes stands in Basis."""
    asked: dict[str, JsonValue] = params.model_dump(mode="json")
    if params.quality == "learned":
        from pipeline.imaging.learned import runtime

        asked["weights"] = [runtime.MOSAIC.sha256, runtime.WEB.sha256, runtime.FINISHED.sha256]
    return asked


@dataclass(frozen=True)
class Basis:
    """What a frame is denoised by that a network may denoise.

    frames  whose noise was measured together; quality  that it is denoised with; no_weights  instead of learned
    """

    frames: int = 0
    quality: Quality | Literal["learned"] = "standard"
    no_weights: bool = False

    def as_json(self) -> JsonObject:
        """What is not a parameter; all else that the pixels depend on is decode's."""
        if self.quality == "learned":
            from pipeline.imaging.learned import runtime

            of_raws: list[JsonValue] = [runtime.MOSAIC.sha256, runtime.WEB.sha256]
            return {"quality": self.quality, "weights": runtime.FINISHED.sha256 if self.frames else of_raws}
        return {"quality": self.quality} if self.no_weights else {}


def solve(context: SolveContext[NoMeasurement], params: DenoiseParams) -> Solved[Basis]:
    """By how many frames' noise each finished picture is denoised; raws go by the noise of their sensor, those of a
    Bayer mosaic by a network too.

    Whether the network can be used is decided once for the night, so that its pictures are alike, and none fails.
    """
    from pipeline.imaging.raw.frame import PictureCorrection, SensorCorrection

    found = context.earlier_of(DECODE)
    if params.strength == 0:
        return Solved({})
    finished = {
        name: s.noise.frames for name, s in found.items() if isinstance(s, PictureCorrection) and s.noise is not None
    }
    asked = params.quality == "learned"
    wanted = asked or params.quality == "auto"
    raws = [
        frame.name for frame in context.frames
        if frame.kind == "raw" and (asked or isinstance(found.get(frame.name), SensorCorrection))
    ] if wanted else []  # fmt: skip
    why = _no_weights(asked or bool(raws)) if asked or (wanted and (finished or raws)) else ""
    quality: Quality | Literal["learned"] = "fine" if why else "learned" if wanted else _done_with(params, None)
    solutions = {name: Basis(frames, quality, bool(why)) for name, frames in finished.items()}
    solutions |= {name: Basis(0, quality, bool(why)) for name in raws}
    return Solved(solutions, (f"denoise: {why}",) if why else ())


def _no_weights(of_raws: bool) -> str:
    """Why the networks, or that for finished pictures alone, cannot be used, and what to do; "" where they can."""
    from pipeline.errors import FrameError
    from pipeline.imaging.learned import runtime

    try:
        for weights in (runtime.MOSAIC, runtime.WEB, runtime.FINISHED) if of_raws else (runtime.FINISHED,):
            runtime.read(weights)
    except FrameError as error:
        what = "" if of_raws else "JPEG, TIFF and PNG "
        return f"{what}done with quality fine instead of learned: {error}"
    return ""


def in_words(solution: Basis) -> str:
    """For the report."""
    if not solution.frames:
        if solution.no_weights:
            return "denoised with quality fine instead of learned"
        return "denoised with quality learned, by trained networks, unless a note on its file says with another"
    quality = " with quality fine instead of learned," if solution.no_weights else ""
    quality = " with quality learned" if solution.quality == "learned" else quality
    if solution.frames == 1:
        return f"denoised{quality} by the noise of this frame alone"
    return f"denoised{quality} by the noise of {solution.frames} frames"


def apply(image: Image, params: DenoiseParams, context: ApplyContext[Basis]) -> Image:
    """Denoise the pixels; the noise model is then that of the noise left. Linear light, any size."""
    from pipeline.imaging.denoise.denoise import denoise
    from pipeline.light.gain_map import gains_at_pixels

    if params.strength == 0:
        return image
    # Where light was evened, the noise got the same gains: without them it is as the model says.
    gains, shape = image.noise_gain_map, image.pixels.shape
    spectrum = image.noise.spectrum
    psd = (None, None) if spectrum is None else tuple(spectrum if spectrum.ndim == 3 else np.moveaxis(spectrum, 1, 0))
    # Neither the gains nor the evened picture have a name here: a large picture fills the memory of a worker.
    quality = _done_with(params, context.solution)
    if quality == "learned" and image.noise.levels is None:
        quality = _instead(params)
    clean: Callable[[F32], F32] = partial(
        denoise, noise=image.noise, strength=params.strength, luma=params.luma, chroma=params.chroma,
        keep_grain=params.keep_grain, psd=psd, quality="fine" if quality == "learned" else quality,
    )  # fmt: skip
    if quality == "learned":
        from pipeline.imaging.learned.finished import learned_picture
        from pipeline.imaging.learned.tiles import Settings

        settings = Settings(params.strength * params.luma, params.strength * params.chroma, params.keep_grain)
        exif = context.frame.exif
        clean = partial(learned_picture, noise=image.noise, settings=settings, of_camera=bool(exif.model and exif.iso))
    pixels = clean(image.pixels if gains is None else image.pixels / gains_at_pixels(gains, shape, image.part))
    if gains is not None:
        pixels *= gains_at_pixels(gains, shape, image.part)
    finest = [np.ones((8, 8)) if power is None else power.reshape(-1, 8, 8)[0] for power in psd[:2]]
    luma, chroma = (float(power[0, 0] / power.mean()) for power in finest)
    left = variance_left(params.strength, params.luma, params.chroma, params.keep_grain, (luma, chroma))
    return replace(image, pixels=pixels, noise=image.noise.left(left))


STEP: Step[DenoiseParams, NoMeasurement, Basis] = Step(
    name="denoise",
    version=18,
    summary=(
        "Remove brightness and colour noise by the measured noise of this ISO, before or after a resize; of JPEG, TIFF "
        "and PNG frames by the noise that those of one camera, ISO and size show."
    ),
    Params=DenoiseParams,
    place="both",
    takes=LINEAR,
    solve=solve,
    without="how many frames it goes by is not said",
    apply=apply,
    in_words=in_words,
    on_mosaic=on_mosaic,
    after_mosaic=after_mosaic,
    off_mosaic=off_mosaic,
    key=key,
)
