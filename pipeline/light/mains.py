"""The flicker of the lamps: which mains feeds them, how deep it is, and which frames it left dark.

Lamps on alternating current flicker at twice the mains frequency, 100 or 120 Hz. A frame taken at t shows at
the height h of its rows (0 first exposed, 1 last) the wave cos(2 pi f (t + h * readout) + phase). The rows give
only the product f * readout, so the frequency must come from the times between frames.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.types import F64

Ints = NDArray[np.int64]

CANDIDATES = (100, 120)
DARK = 0.25  # EV below the burst's median: about the smallest step of a camera's dials (common practice, no source)
_READOUT_TIME = (
    0.0015,
    0.021,
)  # seconds from the first row to the last: curtains 2 to 5 ms, electronic shutters to 20 ms
_DRIFT = 0.002  # relative; large grids stay within it but for minutes a year (common practice, no source)
_STEPS = 7
_COHERENT = 1.5  # seconds over which one frequency and phase are fitted
_COARSE = 0.0025  # a quarter of the shorter lamp period: phases from coarser times are noise
_FAINT = 0.008  # EV, rms
_SEEN = 0.15  # least share of the modulation that must survive the exposure
_PULL = 0.03  # ridge: a phase that stays within 10 degrees over a burst explains nothing
_FLOOR = 0.02  # share of a burst's flicker that no sine explains: harmonics, jitter of the times
_TRIALS, _TRIAL_FRAMES = 49, 300
_DECIDED, _ABOVE_TREND = 5.0, 3.0  # natural log of the likelihood ratio
# Least margin for each number measured: many bursts must not add up what jitter and harmonics leave to chance.
# Simulated, two candidates that alias alike stay below 0.1, two that do not are above 0.6.
_MARGIN = 0.2
_EXPLAINED = 0.35  # least share of the flicker's power that the sine explains; simulated, the wrong one reaches 0.4


@dataclass(frozen=True)
class Mains:
    """hz is 100, 120 or None; certainty 0 to 1 that hz is right, 0 with None; reason says why in words.

    readout_time is the shutter's, in seconds from the first row to the last; None where hz is.
    """

    hz: int | None
    certainty: float
    readout_time: float | None
    reason: str


@dataclass(frozen=True)
class Segments:
    """Frames in order of segment and time; a segment is a stretch of a burst over which mains is coherent.

    frames (M,) their indices among those given; times (M,) middle of the exposure, seconds from the segment's
    first; profiles (M, R) and exposure (M,) as given, centred per segment; starts (S,) first frame of each segment.
    """

    frames: Ints
    times: F64
    profiles: F64
    exposure: F64
    starts: Ints

    @property
    def counts(self) -> Ints:
        """(S,) frames of each segment."""
        return np.diff(np.append(self.starts, len(self.times)))

    @property
    def freedom(self) -> Ints:
        """(S,) numbers left after mean, amplitude and phase; a frame counts as two, as its rows err together."""
        return 2 * (self.counts - 1) - 2

    def total(self, values: F64) -> F64:
        """(M, ...) summed over each segment to (S, ...)."""
        return np.asarray(np.add.reduceat(values, self.starts, axis=0), dtype=np.float64)

    def centred(self, values: F64) -> F64:
        """(M, ...) less the mean of each segment."""
        counts = self.counts.reshape(-1, *[1] * (values.ndim - 1))
        return np.asarray(values - np.repeat(self.total(values) / counts, self.counts, axis=0), dtype=np.float64)


def segments(times: F64, profiles: F64, burst: Ints, exposure: F64) -> Segments | None:
    """Sort into segments of at most 1.5 s and at least three frames, and centre the profiles again; None if none."""
    good = np.isfinite(times) & np.isfinite(profiles).all(axis=1) & np.isfinite(exposure) & (exposure > 0)
    index = np.flatnonzero(good)
    index = index[np.lexsort((times[index], burst[index]))]
    if index.size == 0:
        return None
    first = np.unique(burst[index], return_index=True)[1]
    since = times[index] - np.repeat(times[index][first], np.diff(np.append(first, len(index))))
    new = np.ones(len(index), dtype=bool)
    new[1:] = (np.diff(burst[index]) != 0) | (np.diff(np.floor(since / _COHERENT)) != 0)
    starts = np.flatnonzero(new)
    counts = np.diff(np.append(starts, len(index)))
    keep = np.repeat(counts >= 3, counts)
    counts = counts[counts >= 3]
    if counts.size == 0:
        return None
    index, since = index[keep], since[keep]
    starts = np.cumsum(counts) - counts
    middle = since - np.repeat(since[starts], counts) + exposure[index] / 2
    found = Segments(index, middle, profiles[index].astype(np.float64), exposure[index], starts.astype(np.int64))
    return Segments(index, middle, found.centred(found.profiles), found.exposure, found.starts)


@dataclass(frozen=True)
class _Rows:
    """Inner products of the profiles with waves of so many `cycles` (G,) from the first row to the last."""

    cycles: F64
    cos: F64  # (M, G) inner products with the cosine down the rows
    sin: F64
    gram: F64  # (3, G) inner products cos cos, cos sin, sin sin

    @staticmethod
    def of(profiles: F64, cycles: F64) -> _Rows:
        angle = 2 * np.pi * np.linspace(0, 1, profiles.shape[1])[:, None] * cycles
        c, s = np.cos(angle), np.sin(angle)
        gram = np.array([(c * c).sum(axis=0), (c * s).sum(axis=0), (s * s).sum(axis=0)])
        return _Rows(cycles, profiles @ c, profiles @ s, gram)

    def taken(self, index: Ints) -> _Rows:
        return _Rows(self.cycles, self.cos[index], self.sin[index], self.gram)


def _solve(p: Segments, rows: _Rows, c: F64, s: F64, pull: float = _PULL) -> tuple[F64, F64, F64]:
    """Least squares of a cos + b sin with phases whose centred cosine and sine are c, s (M,).

    Returns a, b and the power explained, (S, G) each.
    """
    c, s = c[:, None], s[:, None]
    ha = p.total(c * rows.cos - s * rows.sin)
    hb = p.total(s * rows.cos + c * rows.sin)
    cc, cs, ss = p.total(c * c), p.total(c * s), p.total(s * s)
    gcc, gcs, gss = rows.gram
    ridge = pull * p.counts[:, None] * (gcc + gss) / 2
    naa = cc * gcc - 2 * cs * gcs + ss * gss + ridge
    nbb = ss * gcc + 2 * cs * gcs + cc * gss + ridge
    nab = cs * gcc + (cc - ss) * gcs - cs * gss
    inverse = 1 / (naa * nbb - nab * nab)
    a, b = (nbb * ha - nab * hb) * inverse, (naa * hb - nab * ha) * inverse
    return a, b, np.clip(a * ha + b * hb, 0, None)


def _phases(p: Segments, hz: float) -> tuple[F64, F64]:
    """Centred cosine and sine (M,) of each frame's phase, times what its exposure leaves of the flicker."""
    left = np.sinc(hz * p.exposure)
    angle = 2 * np.pi * hz * p.times
    return p.centred(left * np.cos(angle)), p.centred(left * np.sin(angle))


def _mean_exp(logs: F64, axis: int) -> F64:
    top = logs.max(axis=axis, keepdims=True)
    return np.asarray(np.squeeze(top, axis) + np.log(np.exp(logs - top).mean(axis=axis)), dtype=np.float64)


def _log_likelihood(p: Segments, explained: F64) -> F64:
    """Log likelihood (S, G) of each segment with its own unknown noise: that leaves (1 - R^2)^(-dof / 2)."""
    power = p.total((p.profiles**2).sum(axis=1))[:, None] + 1e-12
    dof = p.freedom[:, None]
    faint = p.counts[:, None] * p.profiles.shape[1] * _FAINT**2 / power
    return np.asarray(-dof / 2 * np.log(np.maximum(1 - explained / power, 0) + _FLOOR + faint), dtype=np.float64)


def _evidence(
    p: Segments, rows: _Rows, phases: list[tuple[F64, F64]], allowed: NDArray[np.bool_]
) -> tuple[float, float, float]:
    """(log likelihood, cycles per frame, share of the power explained) of one candidate.

    The segments share the readout time but not drift, phase or amplitude.
    """
    explained = np.array([_solve(p, rows, c, s)[2] for c, s in phases])
    logs = np.array([_log_likelihood(p, e) for e in explained])
    joint = np.where(allowed, _mean_exp(logs, 0).sum(axis=0), -np.inf)
    best = int(np.argmax(joint))
    share = float(explained[:, :, best].max(axis=0).sum() / ((p.profiles**2).sum() + 1e-12))
    return float(_mean_exp(joint[allowed], 0)), float(rows.cycles[best]), share


def _trend(p: Segments) -> float:
    """Log likelihood that the light only drifts in time: a person walking in or a dimmer, not flicker."""
    t = p.centred(p.times)
    h = np.linspace(-1, 1, p.profiles.shape[1])
    sums = p.total(t[:, None] * np.stack([p.profiles.sum(axis=1), p.profiles @ h], axis=1))
    norm = p.total(t * t) + 1e-12
    explained = sums[:, 0] ** 2 / (norm * len(h)) + sums[:, 1] ** 2 / (norm * float((h * h).sum()))
    return float(_log_likelihood(p, explained[:, None]).sum())


def frequency(
    times: F64,
    profiles: F64,
    burst: Ints,
    resolution: float,
    exposure: F64,
    readout_time: tuple[float, float] = _READOUT_TIME,
) -> Mains:
    """Whether the lamps in one camera's frames flicker at 100 or 120 Hz, or why that cannot be found.

    times (N,) start of exposure in seconds, of a clock that counts in steps of `resolution` seconds; profiles (N, R
    >= 3) log2 luminance of the flicker at R evenly spaced rows, row 0 exposed first, the mean over the burst removed;
    burst (N,) labels; exposure (N,) seconds; readout_time: its bounds in seconds.
    Least squares of a travelling sine per burst at both candidates, compared by likelihood; a decision
    must beat the other candidate, a mere trend, and all of 49 shuffles of the times within the bursts (fixed seed).
    Raises ValueError for shapes that do not agree.
    """
    n = len(times)
    if profiles.ndim != 2 or profiles.shape[0] != n or profiles.shape[1] < 3 or not n == len(burst) == len(exposure):
        raise ValueError(f"times ({n},), burst, exposure and profiles (N, R >= 3) must agree, not {profiles.shape}")
    p = segments(times, profiles, burst, exposure)
    if p is None:
        return Mains(None, 0.0, None, "no burst of three frames or more with times and exposure")
    kept = max(resolution, _resolution(times[p.frames]))
    if kept > _COARSE:
        return Mains(None, 0.0, None, f"times are only kept to {_fraction(kept)}; 1/1000 s is needed")
    if float(np.sqrt(np.mean(p.profiles**2))) < _FAINT:
        return Mains(None, 0.0, None, _unseen(p.exposure))
    if all(np.median(np.abs(np.sinc(hz * p.exposure))) < _SEEN for hz in CANDIDATES):
        return Mains(None, 0.0, None, _unseen(p.exposure))
    cycles = np.linspace(CANDIDATES[0] * readout_time[0], CANDIDATES[-1] * readout_time[1], 30)
    rows = _Rows.of(p.profiles, cycles)
    drift = 1 + _DRIFT * np.linspace(-1, 1, _STEPS)
    phases = {hz: [_phases(p, hz * d) for d in drift] for hz in CANDIDATES}
    allowed = {
        hz: (cycles >= hz * readout_time[0] - 1e-9) & (cycles <= hz * readout_time[1] + 1e-9) for hz in CANDIDATES
    }
    found = {hz: _evidence(p, rows, phases[hz], allowed[hz]) for hz in CANDIDATES}
    best, other = sorted(CANDIDATES, key=lambda hz: -found[hz][0])
    ratio = found[best][0] - found[other][0]
    if ratio < max(_DECIDED, _MARGIN * p.freedom.sum() / 2):
        return Mains(None, 0.0, None, _alike(p))
    if found[best][0] - _trend(p) < _ABOVE_TREND:
        return Mains(None, 0.0, None, "the light changes slowly over the bursts, as a dimmer or a moving scene would")
    if found[best][2] < _EXPLAINED or not _beyond_chance(p, rows, phases, allowed):
        return Mains(None, 0.0, None, "the brightness of the frames does not follow their times more than by chance")
    certainty = min(1 / (1 + math.exp(-ratio)), 1 - 1 / (1 + _TRIALS))
    seconds = found[best][1] / best
    why = f"flicker at {best} Hz in {len(p.starts)} bursts; the shutter crosses the frame in {1000 * seconds:.1f} ms"
    return Mains(best, certainty, seconds, why)


def _beyond_chance(
    p: Segments, rows: _Rows, phases: dict[int, list[tuple[F64, F64]]], allowed: dict[int, NDArray[np.bool_]]
) -> bool:
    """Whether the true times fit a candidate better than every shuffle of them within the segments does."""
    step = max(1, math.ceil(len(p.times) / _TRIAL_FRAMES))
    counts = p.counts[::step]
    index = np.concatenate([np.arange(a, a + k) for a, k in zip(p.starts[::step], counts, strict=True)])
    few = Segments(p.frames[index], p.times[index], p.profiles[index], p.exposure[index], np.cumsum(counts) - counts)
    view = rows.taken(index)
    segment = np.repeat(np.arange(len(counts)), counts)
    random = np.random.default_rng(0)

    def fit(order: Ints) -> float:
        best = -math.inf
        for hz, waves in phases.items():
            taken = [(c[index][order], s[index][order]) for c, s in waves]
            best = max(best, _evidence(few, view, taken, allowed[hz])[0])
        return best

    true = fit(np.arange(len(index)))
    return all(fit(np.lexsort((random.random(len(index)), segment))) < true for _ in range(_TRIALS))


def _resolution(times: F64) -> float:
    """What the times really keep: the coarsest of 1, 1/10, 1/100 s that divides all of them (eight or more), else 0."""
    for step in (1.0, 0.1, 0.01):
        if len(times) >= 8 and (np.abs(times / step - np.round(times / step)) < 1e-4).all():
            return step
    return 0.0


def _fraction(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds >= 1 else f"1/{1 / seconds:.0f} s"


def _unseen(exposure: F64) -> str:
    typical = float(np.median(exposure))
    for hz in CANDIDATES:
        if typical * hz > 0.9 and abs(np.sinc(hz * typical)) < _SEEN:
            return f"an exposure of {_fraction(typical)} averages flicker at {hz} Hz away"
    return f"no flicker found: the frames of a burst agree within {_FAINT:g} EV"


def _alike(p: Segments) -> str:
    gaps = np.diff(p.times)
    if not (gaps > 0).any():
        return "all frames of a burst have the same time"
    gap = float(np.median(gaps[gaps > 0]))
    beat = gap * (CANDIDATES[1] - CANDIDATES[0])
    if abs(beat - round(beat)) < 0.1:
        return f"at {1 / gap:.1f} frames a second flicker at 100 and at 120 Hz looks alike"
    return "flicker at 100 and at 120 Hz fits about equally well"


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

    Arguments as in `frequency`; without `burst` all frames are one. With hz, times and readout_time a sine is fitted
    to each burst, the time of each frame free by about a millisecond; with hz alone the amplitude follows from
    the variance, as of evenly spread phases, with the noise in it. Both are the median over bursts, corrected by
    sinc(f T) for the averaging of the exposure. Otherwise it is the range over the frames, a lower bound. Flicker
    that is no sine is measured by its fundamental, a quarter low for |sin|. None where no two frames can be compared
    or the exposure leaves less than 15 % of the flicker.
    """
    burst = np.zeros(len(profiles), dtype=np.int64) if burst is None else burst
    good = np.isfinite(profiles).all(axis=1) & np.isfinite(exposure)
    groups = [profiles[good & (burst == b)] for b in np.unique(burst[good])]
    groups = [g for g in groups if len(g) > 1]
    if not groups:
        return None
    left = 1.0 if hz is None else float(np.median(np.abs(np.sinc(hz * exposure[good]))))
    if left < _SEEN:
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
    rows = _Rows.of(p.profiles, np.array([hz * readout_time]))
    left = np.sinc(hz * p.exposure)
    drift = 1 + _DRIFT * np.linspace(-1, 1, _STEPS)
    powers = [_solve(p, rows, *_phases(p, hz * d))[2][:, 0] for d in drift]
    angle = 2 * np.pi * hz * np.repeat(drift[np.argmax(powers, axis=0)], p.counts) * p.times
    down = 2 * np.pi * hz * readout_time * np.linspace(0, 1, p.profiles.shape[1])
    slack = (2 * np.pi * hz * 0.001) ** 2
    shift = np.zeros(len(angle))
    for _ in range(4):
        c, s = p.centred(left * np.cos(angle + shift)), p.centred(left * np.sin(angle + shift))
        a, b, _ = _solve(p, rows, c, s, 1e-6)
        a_, b_ = np.repeat(a, p.counts, axis=0), np.repeat(b, p.counts, axis=0)
        wave = (angle + shift)[:, None] + down
        slope = left[:, None] * (b_ * np.cos(wave) - a_ * np.sin(wave))
        rest = p.profiles - p.centred(left[:, None] * (a_ * np.cos(wave) + b_ * np.sin(wave)))
        noise = np.repeat(p.total((rest**2).mean(axis=1)) / p.counts, p.counts)
        bend = (slope**2).sum(axis=1) + (noise + 1e-9) / slack
        shift = np.clip(shift + ((rest * slope).sum(axis=1) - shift * (noise + 1e-9) / slack) / bend, -2, 2)
    enough = p.total(c * c + s * s) / p.total(left**2) > 0.3
    return np.asarray(np.hypot(a, b)[enough, 0], dtype=np.float64)


def dark_phase(profiles: F64, burst: Ints | None = None, below: float = DARK) -> NDArray[np.bool_]:
    """(N,) frames caught in the dark phase: on average over the rows `below` EV under their burst's median.

    profiles (N, R) log2, as in `frequency`; without `burst` all frames are one. A frame with a value that is
    not finite is not called dark. A lamp below 9 % flicker cannot do it: its whole swing is less than 0.25 EV.
    """
    burst = np.zeros(len(profiles), dtype=np.int64) if burst is None else burst
    level = profiles.mean(axis=1)
    dark = np.zeros(len(level), dtype=bool)
    for label in np.unique(burst):
        those = (burst == label) & np.isfinite(level)
        if those.any():
            dark[those] = level[those] <= np.median(level[those]) - below
    return dark
