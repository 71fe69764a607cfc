"""Arithmetic of exposure settings: light values, the ISO that a shutter needs, one exposure for two lights."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

# An average scene of 18 % exposes a sensor to 12.8 % of saturation: 18 % of the saturation-based speed's
# H = 78 / S with half a stop of room (ISO 12232:2019; from memory).
GREY = 0.128
LUX = 2.5  # E = 2.5 lx * 2^EV at ISO 100: incident light, C = 250 (ISO 2720:1974)
# What indoor sport asks of the settings; common practice, no source.
FREEZES = 1 / 1000  # s, freezes play
WIDE = 2.8  # f-number; a larger one lets in too little light
SOFT_ISO = 12_800  # above it expect soft detail
THIRD = 1 / 3  # of a stop: the step of a camera's dials
# The thirds of a stop of a dial, rounded as cameras do (ISO 12232:2019; from memory).
_DIAL = (
    *(50, 64, 80, 100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000),
    *(6400, 8000, 10_000, 12_800, 16_000, 20_000, 25_600, 32_000, 40_000, 51_200, 64_000, 80_000, 102_400),
)


@dataclass(frozen=True)
class Settings:
    """What a camera was set to. exposure_time  seconds; f_number 0: the file does not say"""

    iso: float
    exposure_time: float
    f_number: float

    @property
    def gain(self) -> float:
        """Stops by which these settings brighten a picture: log2 of T * ISO / N^2; the f-number counts where known."""
        aperture = 2 * np.log2(self.f_number) if self.f_number else 0.0
        return float(np.log2(self.exposure_time) + np.log2(self.iso) - aperture)


def lux(ev100: float) -> float:
    """Illuminance that goes with a light value at ISO 100, to ten lx."""
    return float(round(LUX * 2.0**ev100, -1))


def settings_of(iso: float | None, exposure_time: float | None, f_number: float | None) -> Settings | None:
    """None where ISO or exposure time is not known or is no number above zero."""
    if not iso or not exposure_time or iso <= 0 or exposure_time <= 0:
        return None
    return Settings(float(iso), float(exposure_time), float(f_number or 0.0))


def light_value(iso: float, exposure_time: float, f_number: float) -> float:
    """Light value at ISO 100 for which the settings are right: APEX Av + Tv - Sv, with Sv = 5 at ISO 100 taken off.

    Exif 2.32 annex C.
    """
    return float(np.log2(f_number**2 / exposure_time) - np.log2(iso / 100))


def iso_needed(ev100: float, exposure_time: float, f_number: float) -> float:
    """The ISO at which these settings are right in light of `ev100`: the same sum, solved for Sv."""
    return float(100 * 2.0 ** (np.log2(f_number**2 / exposure_time) - ev100))


def dial(iso: float) -> int:
    """The nearest ISO that a camera's dial has, 50 to 102,400."""
    return min(_DIAL, key=lambda one: abs(np.log2(one / max(iso, 1.0))))


@dataclass(frozen=True)
class OneExposure:
    """One manual exposure, half way between the brightest and the darkest light, for all of them.

    apart  EV between them; off  EV by which it misses each of the two; serves  whether that is a third of a stop at
    most
    """

    apart: float

    @property
    def off(self) -> float:  # noqa: D102
        return self.apart / 2

    @property
    def serves(self) -> bool:  # noqa: D102
        return self.off <= THIRD + 1e-9


def one_exposure(levels: Sequence[float]) -> OneExposure:
    """Of lights whose brightness on the same surfaces is `levels`, EV, at least one."""
    return OneExposure(float(max(levels) - min(levels)))
