"""How deep the lamps flicker, and which frames caught them in their dark phase."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.light.mains import MAINS, Ints, Rows, Segments, drifts, phases_of, segments, solve
from pipeline.types import F64


@dataclass(frozen=True)
class LampFlickerConstants:
    """How the depth of flicker is measured. Chosen by trial on simulated lamps: `pytest tests/light/test_mains.py`.
    That each one matters: `pytest tests/test_constants.py`."""

    dark: float = 0.25  # EV below the burst's median: about the smallest step of a camera's dials (common practice)
    jitter: float = 0.001  # seconds by which the time of each frame is free
    fit_steps: int = 4
    pull: float = 1e-6  # ridge: none to speak of, as it would make the amplitude small
    most_shift: float = 2.0  # radians of phase that the time of a frame may take
    least_spread: float = 0.3  # of the power of evenly spread phases that those of a burst must have


LAMP_FLICKER = LampFlickerConstants()


@dataclass(frozen=True)
class Flicker:
    """percent of the lamp itself, 0 to 100 (IES); `at_least` where it is only a lower bound."""

    percent: float
    at_least: bool


def percent_flicker(
    profiles: F64,
    exposure: F64,
    hz: int | None,
    times: F64 | None = None,
    burst: Ints | None = None,
    readout_time: float | None = None,
) -> Flicker | None:
    """Percent flicker of the lamps, 100 (max - min) / (max + min) (IES Lighting Handbook), for light that varies as a
    sine.

    Arguments as in `mains.frequency`; without `burst` all frames are one. With hz, times and readout_time a sine is
    fitted to each burst, the time of each frame free by about a millisecond; with hz alone the amplitude follows from
    the variance, as of evenly spread phases, with the noise in it. Both are the median over bursts, corrected by
    sinc(f T) for the averaging of the exposure. Otherwise it is the range over the frames, a lower bound. Flicker that
    is no sine is measured by its fundamental, a quarter low for |sin|. None where no two frames can be compared or the
    exposure leaves less than 15 % of the flicker.
    """
    burst = np.zeros(len(profiles), dtype=np.int64) if burst is None else burst
    good = np.isfinite(profiles).all(axis=1) & np.isfinite(exposure)
    groups = [profiles[good & (burst == b)] for b in np.unique(burst[good])]
    groups = [g for g in groups if len(g) > 1]
    if not groups:
        return None
    left = 1.0 if hz is None else float(np.median(np.abs(np.sinc(hz * exposure[good]))))
    if left < MAINS.seen:
        return None
    if hz is not None and times is not None and readout_time is not None:
        p = segments(times, profiles, burst, exposure)
        amplitudes = np.zeros(0) if p is None else _amplitudes(p, hz, readout_time)
        if amplitudes.size:
            return Flicker(_depth(float(np.median(amplitudes)) * left) / left, False)
    elif hz is not None:
        amplitudes_rms = [math.sqrt(2 * float((g**2).sum()) / ((len(g) - 1) * g.shape[1])) for g in groups]
        return Flicker(min(_depth(float(np.median(amplitudes_rms))) / left, 100.0), False)
    swing = float(np.median([np.median(np.ptp(g, axis=0)) for g in groups]))
    return Flicker(100 * math.tanh(swing * math.log(2) / 2), True)


def _depth(amplitude: float) -> float:
    """Percent m of 1 + m cos whose log2 has this first harmonic: ln(1 + m cos) has 2 q, m = 2 q / (1 + q^2)."""
    q = min(amplitude * math.log(2) / 2, 1.0)
    return 100 * 2 * q / (1 + q * q)


def _amplitudes(p: Segments, hz: float, readout_time: float) -> F64:
    """log2 amplitude before the exposure of each segment whose phases are spread enough, each time free by about 1
    ms."""
    rows = Rows.of(p.profiles, np.array([hz * readout_time]))
    left = np.sinc(hz * p.exposure)
    drift = drifts()
    powers = [solve(p, rows, *phases_of(p, hz * d), MAINS.pull)[2][:, 0] for d in drift]
    angle = 2 * np.pi * hz * np.repeat(drift[np.argmax(powers, axis=0)], p.counts) * p.times
    down = 2 * np.pi * hz * readout_time * np.linspace(0, 1, p.profiles.shape[1])
    slack = (2 * np.pi * hz * LAMP_FLICKER.jitter) ** 2
    shift = np.zeros(len(angle))
    for _ in range(LAMP_FLICKER.fit_steps):
        c, s = p.centred(left * np.cos(angle + shift)), p.centred(left * np.sin(angle + shift))
        a, b, _ = solve(p, rows, c, s, LAMP_FLICKER.pull)
        a_, b_ = np.repeat(a, p.counts, axis=0), np.repeat(b, p.counts, axis=0)
        wave = (angle + shift)[:, None] + down
        slope = left[:, None] * (b_ * np.cos(wave) - a_ * np.sin(wave))
        rest = p.profiles - p.centred(left[:, None] * (a_ * np.cos(wave) + b_ * np.sin(wave)))
        noise = np.repeat(p.total((rest**2).mean(axis=1)) / p.counts, p.counts)
        bend = (slope**2).sum(axis=1) + (noise + 1e-9) / slack
        step = ((rest * slope).sum(axis=1) - shift * (noise + 1e-9) / slack) / bend
        shift = np.clip(shift + step, -LAMP_FLICKER.most_shift, LAMP_FLICKER.most_shift)
    enough = p.total(c * c + s * s) / p.total(left**2) > LAMP_FLICKER.least_spread
    return np.asarray(np.hypot(a, b)[enough, 0], dtype=np.float64)


def dark_phase(profiles: F64, burst: Ints | None = None) -> NDArray[np.bool_]:
    """(N,) frames caught in the dark phase: on average over the rows a quarter of a stop under their burst's median.

    profiles (N, R) log2, as in `frequency`; without `burst` all frames are one. A frame with a value that is not finite
    is not called dark. A lamp below 9 % flicker cannot do it: its whole swing is less than 0.25 EV.
    """
    burst = np.zeros(len(profiles), dtype=np.int64) if burst is None else burst
    level = profiles.mean(axis=1)
    dark = np.zeros(len(level), dtype=bool)
    for label in np.unique(burst):
        those = (burst == label) & np.isfinite(level)
        if those.any():
            dark[those] = level[those] <= np.median(level[those]) - LAMP_FLICKER.dark
    return dark
