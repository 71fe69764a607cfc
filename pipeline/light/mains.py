"""The flicker of the lamps: which mains feeds them.

Lamps on alternating current flicker at twice the mains frequency, 100 or 120 Hz. A frame taken at t shows at
the height h of its rows (0 first exposed, 1 last) the wave cos(2 pi f (t + h * readout) + phase). The rows give
only the product f * readout, so the frequency must come from the times between frames.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.textfile.messages import counted, shutter
from pipeline.types import F64

Ints = NDArray[np.int64]

CANDIDATES = (100, 120)  # Hz: twice the frequency of the mains (IEC 60196: 50 and 60 Hz)


@dataclass(frozen=True)
class MainsConstants:
    """What decides which mains feeds the lamps, or that it cannot be found.

    No published values exist but where one is named. Chosen by trial on simulated shutters, lamps and clocks:
    `pytest tests/light/test_mains.py`. That each one matters: `pytest tests/test_constants.py`.
    """

    # Seconds from the first row to the last: curtains take 2 to 5 ms, electronic shutters up to 20 ms.
    readout_least: float = 0.0015
    readout_most: float = 0.021
    tried: int = 30  # numbers of cycles per frame between them
    drift: float = 0.002  # relative; large grids stay within it but for minutes a year (common practice, no source)
    drift_steps: int = 7
    coherent: float = 1.5  # seconds over which one frequency and phase are fitted
    fewest: int = 3  # frames of a segment
    coarse: float = 0.0025  # seconds, a quarter of the shorter lamp period: phases from coarser times are noise
    coarse_from: int = 8  # times, from which it shows how finely they are kept
    faint: float = 0.008  # EV, rms, of flicker that would not be seen
    seen: float = 0.15  # least share of the modulation that must survive the exposure
    pull: float = 0.03  # ridge: a phase that stays within 10 degrees over a burst explains nothing
    floor: float = 0.02  # share of a burst's flicker that no sine explains: harmonics, jitter of the times
    trials: int = 49  # shuffles of the times: a chance of 2 % that none of them fits as well
    trial_frames: int = 300  # about so many of all frames are shuffled
    decided: float = 5.0  # natural log of the likelihood ratio of the two candidates
    above_trend: float = 3.0  # the same, of the better one and a mere trend
    # Least margin for each number measured: many bursts must not add up what jitter and harmonics leave to chance.
    # Simulated, two candidates that alias alike stay below 0.1, two that do not are above 0.6.
    margin: float = 0.2
    explained: float = 0.35  # least share of the flicker's power in the sine; simulated, the wrong one reaches 0.4
    averaged: float = 0.9  # periods of flicker in an exposure, from which it is named as the reason
    beat: float = 0.1  # of a whole number of beats between two frames, within which the candidates look alike


MAINS = MainsConstants()


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
    new[1:] = (np.diff(burst[index]) != 0) | (np.diff(np.floor(since / MAINS.coherent)) != 0)
    starts = np.flatnonzero(new)
    counts = np.diff(np.append(starts, len(index)))
    keep = np.repeat(counts >= MAINS.fewest, counts)
    counts = counts[counts >= MAINS.fewest]
    if counts.size == 0:
        return None
    index, since = index[keep], since[keep]
    starts = np.cumsum(counts) - counts
    middle = since - np.repeat(since[starts], counts) + exposure[index] / 2
    found = Segments(index, middle, profiles[index].astype(np.float64), exposure[index], starts.astype(np.int64))
    return Segments(index, middle, found.centred(found.profiles), found.exposure, found.starts)


@dataclass(frozen=True)
class Rows:
    """Inner products of the profiles with waves of so many `cycles` (G,) from the first row to the last."""

    cycles: F64
    cos: F64  # (M, G) inner products with the cosine down the rows
    sin: F64
    gram: F64  # (3, G) inner products cos cos, cos sin, sin sin

    @staticmethod
    def of(profiles: F64, cycles: F64) -> Rows:
        """From profiles (M, R) of evenly spread rows."""
        angle = 2 * np.pi * np.linspace(0, 1, profiles.shape[1])[:, None] * cycles
        c, s = np.cos(angle), np.sin(angle)
        gram = np.array([(c * c).sum(axis=0), (c * s).sum(axis=0), (s * s).sum(axis=0)])
        return Rows(cycles, profiles @ c, profiles @ s, gram)

    def taken(self, index: Ints) -> Rows:
        """Those of some of the frames."""
        return Rows(self.cycles, self.cos[index], self.sin[index], self.gram)


def solve(p: Segments, rows: Rows, c: F64, s: F64, pull: float) -> tuple[F64, F64, F64]:
    """Least squares of a cos + b sin, by a ridge of `pull`, with phases whose centred cosine and sine are c, s (M,).

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


def drifts() -> F64:
    """(S,) factors on the frequency that a grid may take for a second or two."""
    return np.asarray(1 + MAINS.drift * np.linspace(-1, 1, MAINS.drift_steps))


def phases_of(p: Segments, hz: float) -> tuple[F64, F64]:
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
    faint = p.counts[:, None] * p.profiles.shape[1] * MAINS.faint**2 / power
    return np.asarray(-dof / 2 * np.log(np.maximum(1 - explained / power, 0) + MAINS.floor + faint), dtype=np.float64)


def _evidence(
    p: Segments, rows: Rows, phases: list[tuple[F64, F64]], allowed: NDArray[np.bool_]
) -> tuple[float, float, float]:
    """(log likelihood, cycles per frame, share of the power explained) of one candidate.

    The segments share the readout time but not drift, phase or amplitude.
    """
    explained = np.array([solve(p, rows, c, s, MAINS.pull)[2] for c, s in phases])
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
    readout_time: tuple[float, float] | None = None,
) -> Mains:
    """Whether the lamps in one camera's frames flicker at 100 or 120 Hz, or why that cannot be found.

    times (N,) start of exposure in seconds, of a clock that counts in steps of `resolution` seconds; profiles (N, R
    >= 3) log2 luminance of the flicker at R evenly spaced rows, row 0 exposed first, the mean over the burst removed;
    burst (N,) labels; exposure (N,) seconds; readout_time: its bounds in seconds,
    those of MAINS where None.
    Least squares of a travelling sine per burst at both candidates, compared by likelihood; a decision
    must beat the other candidate, a mere trend, and all of many shuffles of the times within the bursts (fixed seed).
    Raises ValueError for shapes that do not agree.
    """
    n = len(times)
    if profiles.ndim != 2 or profiles.shape[0] != n or profiles.shape[1] < 3 or not n == len(burst) == len(exposure):
        raise ValueError(f"times ({n},), burst, exposure and profiles (N, R >= 3) must agree, not {profiles.shape}")
    shortest, longest = readout_time or (MAINS.readout_least, MAINS.readout_most)
    p = segments(times, profiles, burst, exposure)
    if p is None:
        return Mains(None, 0.0, None, _too_few(times, profiles, burst, exposure))
    kept = max(resolution, _resolution(times[p.frames]))
    if kept > MAINS.coarse:
        return Mains(None, 0.0, None, f"times are only kept to {shutter(kept)}; 1/1000 s is needed")
    if float(np.sqrt(np.mean(p.profiles**2))) < MAINS.faint:
        return Mains(None, 0.0, None, _unseen(p.exposure))
    if all(np.median(np.abs(np.sinc(hz * p.exposure))) < MAINS.seen for hz in CANDIDATES):
        return Mains(None, 0.0, None, _unseen(p.exposure))
    cycles = np.linspace(CANDIDATES[0] * shortest, CANDIDATES[-1] * longest, MAINS.tried)
    rows = Rows.of(p.profiles, cycles)
    phases = {hz: [phases_of(p, hz * d) for d in drifts()] for hz in CANDIDATES}
    allowed = {hz: (cycles >= hz * shortest - 1e-9) & (cycles <= hz * longest + 1e-9) for hz in CANDIDATES}
    found = {hz: _evidence(p, rows, phases[hz], allowed[hz]) for hz in CANDIDATES}
    best, other = sorted(CANDIDATES, key=lambda hz: -found[hz][0])
    ratio = found[best][0] - found[other][0]
    if ratio < max(MAINS.decided, MAINS.margin * p.freedom.sum() / 2):
        return Mains(None, 0.0, None, _alike(p))
    if found[best][0] - _trend(p) < MAINS.above_trend:
        return Mains(None, 0.0, None, "the light changes slowly over the bursts, as a dimmer or a moving scene would")
    if found[best][2] < MAINS.explained or not _beyond_chance(p, rows, phases, allowed):
        return Mains(None, 0.0, None, "the brightness of the frames does not follow their times more than by chance")
    certainty = min(1 / (1 + math.exp(-ratio)), 1 - 1 / (1 + MAINS.trials))
    seconds = found[best][1] / best
    bursts = counted(len(p.starts), "burst")
    why = f"flicker at {best} Hz in {bursts}; the shutter crosses the frame in {1000 * seconds:.1f} ms"
    return Mains(best, certainty, seconds, why)


def _beyond_chance(
    p: Segments, rows: Rows, phases: dict[int, list[tuple[F64, F64]]], allowed: dict[int, NDArray[np.bool_]]
) -> bool:
    """Whether the true times fit a candidate better than every shuffle of them within the segments does."""
    step = max(1, math.ceil(len(p.times) / MAINS.trial_frames))
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
    return all(fit(np.lexsort((random.random(len(index)), segment))) < true for _ in range(MAINS.trials))


def _too_few(times: F64, profiles: F64, burst: Ints, exposure: F64) -> str:
    """Why there is no segment: what first leaves no burst of three frames, as `segments` would take them."""
    usable = np.ones(len(times), dtype=bool)
    for good, why in (
        (usable, "no burst has three frames or more"),
        (np.isfinite(times), "the frames of the bursts hold no times"),
        (np.isfinite(exposure) & (exposure > 0), "the frames of the bursts hold no exposure times"),
        (np.isfinite(profiles).all(axis=1), "the brightness of three frames of a burst cannot be compared"),
    ):
        usable = usable & good
        if not (np.unique(burst[usable], return_counts=True)[1] >= MAINS.fewest).any():
            return why
    return f"no burst has three frames within {MAINS.coherent:g} s"


def _resolution(times: F64) -> float:
    """What the times really keep: the coarsest of 1, 1/10, 1/100 s that divides all of them (eight or more), else 0."""
    for step in (1.0, 0.1, 0.01):
        if len(times) >= MAINS.coarse_from and (np.abs(times / step - np.round(times / step)) < 1e-4).all():
            return step
    return 0.0


def _unseen(exposure: F64) -> str:
    typical = float(np.median(exposure))
    for hz in CANDIDATES:
        if typical * hz > MAINS.averaged and abs(np.sinc(hz * typical)) < MAINS.seen:
            return f"an exposure of {shutter(typical)} averages flicker at {hz} Hz away"
    return f"no flicker found: the frames of a burst agree within {MAINS.faint:g} EV"


def _alike(p: Segments) -> str:
    gaps = np.diff(p.times)
    if not (gaps > 0).any():
        return "all frames of a burst have the same time"
    gap = float(np.median(gaps[gaps > 0]))
    beat = gap * (CANDIDATES[1] - CANDIDATES[0])
    if abs(beat - round(beat)) < MAINS.beat:
        return f"at {1 / gap:.1f} frames a second flicker at 100 and at 120 Hz looks alike"
    return "flicker at 100 and at 120 Hz fits about equally well"
