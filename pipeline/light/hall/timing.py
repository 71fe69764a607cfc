"""What lamps that flicker do to frames, and what a camera that waits for their brightest moment could do about it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.light.hall.settings import THIRD


@dataclass(frozen=True)
class Timing:
    """Stops, for lamps that vary as a sine.

    frames   between the brightest and the darkest moment that a frame may catch, each averaged over its exposure
    at_peak  between the brightest and the darkest row of a frame whose middle row is taken at the brightest moment
    """

    frames: float
    at_peak: float

    @property
    def helps(self) -> bool:
        """Whether waiting for the brightest moment brings the flicker from more than a third of a stop to less."""
        return self.frames > THIRD >= self.at_peak


def modulation(depth: float, hz: float, exposure_time: float) -> float:
    """What an exposure leaves of 1 + depth cos(2 pi hz t): the depth times |sinc(hz * T)|. depth 0 to 1"""
    return float(depth * abs(np.sinc(hz * exposure_time)))


def timing(depth: float, hz: float, exposure_time: float, readout_time: float) -> Timing:
    """depth  of the lamps, 0 to 1; hz  of their flicker; readout_time  seconds from the first row to the last"""
    left = min(modulation(depth, hz, exposure_time), 0.999)
    turn = np.pi * min(hz * readout_time, 1.0)  # half of what the rows see of a period; more than one shows all of it
    swing = np.log2((1 + left) / (1 - left))
    return Timing(float(swing), float(np.log2((1 + left) / (1 + left * np.cos(turn)))))
