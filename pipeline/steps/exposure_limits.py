"""How far exposure may go: lifted, bright parts do not burn out; lowered, white does not turn grey."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.errors import FrameError
from pipeline.imaging.orientation import Orientation
from pipeline.light.gain_map import GainMap
from pipeline.steps import decode, lens, white_balance
from pipeline.steps.base import SolveContext
from pipeline.types import F32, Domain, Frame, Image, Noise

if TYPE_CHECKING:
    from pipeline.steps.bright_pixels import BrightPixels

_HALVINGS = 10  # of the stops in which a limit is looked for: to a hundredth


@dataclass(frozen=True)
class ExposureLimits:
    """What decides here. Chosen by eye on real files (python -m tests.real_exposure, tests.real_files); no source.

    burnt   share of a frame that may newly burn out in a channel, by the samples: sharpening makes up to 1.6 times
            that, and half a percent is seen
    alone   stops less than others of its burst bear from which one frame alone is held back
    whites  share of a frame and the L* (CIE 15:2004) that its brightest pixels of that share keep when it is lowered:
            what the sensor clipped, where it is more than a lamp or a glint; and what is as large as a sheet of paper
            or a shirt. Offset paper has L* 93 to 95 (ISO 12647-2)
    lack    how many times what is missing to that L* in the frame as exposed it may be darker in addition: a bright
            wall is no paper, and a frame a little below does not come out quite differently
    """

    burnt: float = 0.003
    alone: float = 0.3
    whites: tuple[tuple[float, float], ...] = ((0.005, 96.0), (0.05, 90.0))
    lack: float = 3.0


LIMITS = ExposureLimits()


class Shown:
    """How the brightest pixels of frames come out in the deliveries, and how far frames may be lifted and lowered."""

    def __init__(self, context: SolveContext[Any]) -> None:
        """context  of exposure, after white_balance"""
        self._measured, self._displayed = context.measured, context.displayed
        self._balance, self._lens = context.earlier_of(white_balance.STEP), context.earlier_of(lens.STEP)
        self._curves = decode.curves(context)

    def most(self, frame: Frame, evening: GainMap, level: float) -> float:
        """The stops up to `level` that a frame with this evening bears without newly burning; `level` where nothing
        was measured."""
        bright = self._bright(frame)
        if bright is None:
            return level
        stops = self._balanced(frame, evening)

        def burns(at: float) -> bool:
            shown = self._delivered(frame, bright, stops, at)
            return any(bright.newly_burnt(s) > LIMITS.burnt for s in shown)

        own_numbers = -float(stops.coefficients[0, 0].max())  # below it no channel is lifted
        return _highest(burns, level, min(level, own_numbers))

    def least(self, frame: Frame, evening: GainMap, level: float) -> float:
        """The stops from `level` up to 0, as exposed, at which the whites of a frame are white in a delivery; `level`
        where nothing was measured, or where it is 0 or more."""
        bright = self._bright(frame)
        if bright is None or level >= 0:
            return level
        stops = self._balanced(frame, evening)

        def whites(at: float) -> list[float]:
            shown = self._delivered(frame, bright, stops, at)
            return [max((bright.lightness(s, share) for s in shown), default=0.0) for share, _ in LIMITS.whites]

        wanted = [w - LIMITS.lack * max(w - own, 0) for own, (_, w) in zip(whites(0.0), LIMITS.whites, strict=True)]

        def grey(lowered: float) -> bool:
            return any(is_now < w for is_now, w in zip(whites(-lowered), wanted, strict=True))

        return -_highest(grey, -level, 0.0)

    def _bright(self, frame: Frame) -> BrightPixels | None:
        try:
            found: BrightPixels = self._measured[frame.name].bright
        except (FrameError, KeyError):
            return None
        return found

    def _balanced(self, frame: Frame, evening: GainMap) -> GainMap:
        balance = self._balance.get(frame.name)
        return evening if balance is None else evening + balance.stops

    def _delivered(self, frame: Frame, bright: BrightPixels, stops: GainMap, level: float) -> list[F32]:
        """(1, N, 3) display, the samples of a frame in each kind of delivery, under these stops and this level."""
        balance, of_lens = self._balance.get(frame.name), self._lens.get(frame.name)
        matrix = bright.to_working if balance is None or balance.matrix is None else balance.matrix
        falloff = None
        if of_lens is not None and of_lens.falloff is not None:
            falloff = of_lens.falloff.gains_on(2, 3, Orientation.TOP_LEFT)
        total = stops + GainMap.constant(np.full(3, level))
        saturation = bright.saturation * 2.0 ** total.coefficients[0, 0]
        nothing = Noise(np.zeros(3), np.zeros(3))
        curve = self._curves.get(frame.name, 0.0)
        pixels = bright.straightened(curve).balanced(total, falloff)
        image = Image(pixels, Domain.CAMERA, nothing, saturation, matrix, curve=curve)
        return [s.pixels for s in self._displayed(image, frame.kind == "picture")]


def _highest(too_far: Callable[[float], bool], level: float, least: float) -> float:
    """The highest stops from `least` to `level` that are not too far; `least` where all are."""
    if level <= least or not too_far(level):
        return level
    low, high = least, level
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if too_far(middle) else (middle, high)
    return low


def raised(
    shown: Shown, frames: Sequence[Frame], evening: Sequence[GainMap], level: float, most: float, asked: float
) -> float:
    """The level of a burst that keeps the whites of its typical frame white: from `level`, at most `most`.

    asked  stops of that level that the recipe asks for by number, which are not given back
    """
    if most <= level or level >= asked:
        return level
    least = [shown.least(f, e, level - asked) for f, e in zip(frames, evening, strict=True)]
    return min(most, float(np.median(least)) + asked)


def kept_levels(shown: Shown, frames: Sequence[Frame], evening: Sequence[GainMap], level: float) -> list[float]:
    """The level of each frame of a burst: one for all that every frame bears; but where one frame alone bears far less
    than the others, that of the others, and its own for that one."""
    most = [shown.most(f, e, level) for f, e in zip(frames, evening, strict=True)]
    first, *others = np.sort(most).tolist()
    if len(others) < 2 or others[0] - first < LIMITS.alone:
        return [first] * len(most)
    return [min(m, others[0]) for m in most]
