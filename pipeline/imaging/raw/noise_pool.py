"""Noise of a camera from all frames of a shoot: pooled per ISO, and the straight line in ISO that it should be.

A gain of the sensor's signal multiplies photon noise's slope a by itself and the noise before the amplifier by its
square: a = k * ISO, b = b0 + b1 * ISO**2 (the model of Foi et al. 2008, section II; Wei et al. 2020, "A
physics-based noise formation model for extreme low-light raw denoising", CVPR, measured five cameras so).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.imaging.raw.defects import I64, TILE, Candidates
from pipeline.imaging.raw.noise import LEAST_A, LEAST_B, NoiseStatistics, fit
from pipeline.imaging.raw.row_noise import RowNoise
from pipeline.imaging.robust import cauchy, reweighted, weighted_median
from pipeline.types import F64, Noise

# Frames from which a pool is trusted by itself: a within 5 %, b within 15 % (tests/test_noise_pool.py).
ENOUGH = 8


@dataclass(frozen=True)
class PoolConstants:
    """How frames of one camera are put together, and what is said about it.

    No published values exist but where one is named. Chosen by trial on photographs exposed by known noise:
    `pytest tests/imaging/raw/test_noise_pool.py`. That each one matters: `pytest tests/test_constants.py`.
    """

    compared: int = 4  # frames from which odd ones are left out
    # A frame whose variance lies outside these times the pool's is odd: another gain, a masked or a smoothed frame.
    odd_low: float = 0.75
    odd_high: float = 1.6
    quieter: float = 0.3  # quantile of a frame's points against the line that stands for the frame
    # Neighbours of white noise do not correlate; a smoothing of [1 4 1] / 6 gives 0.44. Texture correlates too, but
    # not in every bin of brightness: this quantile of the bins decides.
    whitest: float = 0.2
    smoothed: float = 0.15  # correlation above which a raw was smoothed
    sharpened: float = -0.15
    below_line: float = -0.2  # relative variance, of an ISO that is said to have less noise than the others
    above_line: float = 0.25
    compared_isos: int = 3  # from which an ISO is held against the line
    no_negative: float = -3e-5  # half a step of a 14-bit raw: a least value above it is no noise about black
    pile: float = 0.005  # share of a frame's pixels at black, above which the raw clips there
    grey: float = 0.128  # of saturation, what an average scene exposes a sensor to (as in light/hall/settings)
    most_frames: float = 4.0  # times ENOUGH, beyond which frames of one ISO weigh no more
    few_frames: float = 0.25  # weight of a frame of an ISO with few frames
    read_off: float = 0.2  # relative, of b off the line, that halves the weight
    fit_steps: int = 7
    agreeing: float = 0.5  # of ENOUGH, how many frames must agree for a pool to stand for itself


POOL = PoolConstants()


@dataclass(frozen=True)
class VoteConstants:
    """When a pixel that stands out is the sensor's, and when row noise is.

    No published values exist but where one is named. Chosen by trial on planted defects:
    `pytest tests/imaging/raw/test_defects.py`. That each one matters: `pytest tests/test_constants.py`.
    """

    visible: float = 6.5  # deviations of noise at which a defect is found in most frames
    shown: float = 0.1  # share of all frames that must show it, so that no chance does
    of_least: float = 0.5  # of the fewest frames, how many must show it
    majority: float = 0.5  # of the frames that could show it
    bursts: int = 3  # or as many as there are: what stays put while the scene changes
    white: float = 0.95  # of saturation, above which a hot pixel cannot be seen
    # Row noise over read noise, as variances: 0.0026 is the least of the five cameras of Wei et al. 2020.
    faint: float = 0.002
    surest: float = 0.5  # of the median error: the surest frame counts no more than one of this


VOTE = VoteConstants()


@dataclass(frozen=True)
class Pool:
    """Noise of one camera at one ISO.

    noise         var = a * x + b per colour, of the mosaic, 1 = saturation
    error         (3, 2) standard errors of a and b
    frames, used  how many there are, and how many agree
    correlation   of neighbours of the same colour: 0 = white, near 0.4 = smoothed
    black_pile    largest share of a frame's pixels that lie at black with none below it; 0 where noise goes below
    """

    noise: Noise
    error: F64
    frames: int
    used: int
    correlation: float
    black_pile: float

    @property
    def smoothed(self) -> bool:
        """The raw was smoothed in the camera: its noise is no longer white."""
        return self.frames >= ENOUGH and self.correlation > POOL.smoothed

    @property
    def sharpened(self) -> bool:
        """Neighbouring pixels differ more than white noise does."""
        return self.frames >= ENOUGH and self.correlation < POOL.sharpened

    @property
    def clips_black(self) -> bool:
        """The raw holds no values below black, so noise in the shadows is cut in half."""
        return self.black_pile > POOL.pile


def pool(frames: Sequence[NoiseStatistics]) -> Pool:
    """All frames of one camera and ISO as one. With fewer than ENOUGH the values lean to too much noise.

    LEAST_A and LEAST_B, with infinite errors, for a colour that no frame says anything of.
    """
    upper = 0.0 if len(frames) >= ENOUGH else 1 / max(1, len(frames)) ** 0.5
    a, b, error, used = np.full(3, LEAST_A), np.full(3, LEAST_B), np.full((3, 2), np.inf), 0
    for colour in range(3):
        all_points = [f.bins[colour] for f in frames]
        # A lone block is a frame's last resort, all of it clipped: for the pool only where there is nothing else.
        least = 1 if any((points[:, 2] > 1).any() for points in all_points) else 0
        own = [kept for points in all_points if len(kept := points[points[:, 2] > least])]
        if not own:
            continue
        line = fit(np.concatenate(own), upper)
        kept = own
        if len(own) >= POOL.compared:
            level = np.array([_level(points, line.a, line.b) for points in own])
            middle = float(np.median(level))
            kept = [p for p, v in zip(own, level, strict=True) if POOL.odd_low * middle < v < POOL.odd_high * middle]
            # Where no frame is near the middle of all, or most show no noise, none is odd: the first line stays.
            line = fit(np.concatenate(kept), upper) if kept else line
        a[colour], b[colour], error[colour] = line.a, line.b, (line.error_a, line.error_b)
        used = max(used, len(kept))
    marks = np.array([f.marks for f in frames]).reshape(-1, 3, 3)
    seen = marks[marks[:, :, 0].min(axis=1) > 0]
    below = len(seen) > 0 and seen[..., 2].min() < POOL.no_negative
    pile = 0.0 if below or not len(seen) else float(seen[..., 1].max())
    everything = np.concatenate([np.zeros((0, 4)), *(f.bins.reshape(-1, 4) for f in frames)])
    everything = everything[everything[:, 2] > 1]
    correlation = float(np.quantile(everything[:, 3], POOL.whitest)) if len(everything) else 0.0
    return Pool(Noise(a, b), error, len(frames), used, correlation, pile)


def _level(points: F64, a: float, b: float) -> float:
    """Variance of a frame's quieter half of points against a line: texture is above it, never below."""
    return float(np.quantile(points[:, 1] / (a * np.maximum(points[:, 0], 0) + b), POOL.quieter))


@dataclass(frozen=True)
class IsoLine:
    """a = k * ISO, b = b0 + b1 * ISO**2, each (3,); frames that it rests on."""

    k: F64
    b0: F64
    b1: F64
    frames: int

    def at(self, iso: float) -> Noise:
        """The model at an ISO above 0."""
        return Noise(self.k * iso, self.b0 + self.b1 * iso * iso)

    def off(self, iso: float, found: Noise) -> float:
        """How far a measured model is off the line: relative variance at middle grey, median of the colours, - 1."""
        line = self.at(iso)
        grey = POOL.grey
        return float(np.median((found.a * grey + found.b) / (line.a * grey + line.b))) - 1


def iso_line(pools: Mapping[float, Pool]) -> IsoLine | None:
    """The line of one camera through its pools by ISO; None with fewer than ENOUGH frames in all.

    k is the median of a / ISO weighted by frames, so that one smoothed ISO does not pull it.
    """
    good = {
        iso: p
        for iso, p in sorted(pools.items())
        if iso > 0 and p.used > 0 and np.isfinite(p.error).all() and p.noise.a.min() > LEAST_A
    }
    frames = sum(p.frames for p in good.values())
    if frames < ENOUGH:
        return None
    iso = np.array(list(good))
    # ISOs with few frames hardly count beside those that were pooled from enough.
    most = POOL.most_frames * ENOUGH
    weight = np.array([min(p.used, most) if p.frames >= ENOUGH else POOL.few_frames * p.used for p in good.values()])
    k, b0, b1 = np.zeros(3), np.zeros(3), np.zeros(3)
    for colour in range(3):
        a = np.array([p.noise.a[colour] for p in good.values()])
        b = np.array([p.noise.b[colour] for p in good.values()])
        k[colour] = weighted_median(a / iso, weight)
        b0[colour], b1[colour] = _read_noise(iso, b, weight)
    return IsoLine(k, b0, b1, frames)


def _read_noise(iso: F64, b: F64, weight: F64) -> tuple[float, float]:
    """b0, b1 >= 0 of b = b0 + b1 * ISO**2 by least relative squares, points off the line losing weight."""
    if len(iso) == 1:
        return 0.0, float(b[0] / iso[0] ** 2)
    from scipy.optimize import nnls

    scale = iso.max() ** 2

    def solve(robust: F64) -> F64:
        w = np.sqrt(weight * robust) / np.maximum(b, LEAST_B)
        return np.asarray(nnls(np.stack([w, w * iso**2 / scale], axis=1), w * b)[0])

    def weigh(found: F64, _: int) -> F64:
        ratio = b / np.maximum(found[0] + found[1] * iso**2 / scale, LEAST_B) - 1
        return cauchy(ratio / POOL.read_off)

    found, _ = reweighted(solve, weigh, solve(np.ones(len(iso))), range(POOL.fit_steps))
    return float(found[0]), float(found[1] / scale)


@dataclass(frozen=True)
class CameraNoise:
    """One camera over a shoot: its pools by ISO (None: frames that do not say), and its line."""

    pools: Mapping[float | None, Pool]
    line: IsoLine | None

    def model(self, iso: float | None) -> Noise:
        """What to denoise by: the pool of that ISO, or the line where the pool has too few frames.

        Raises KeyError where neither a frame at that ISO was measured nor a line found.
        """
        found = self.pools.get(iso)
        if found is not None and found.frames >= ENOUGH and found.used >= POOL.agreeing * ENOUGH:
            return found.noise
        if self.line is not None and iso is not None and iso > 0:
            return self.line.at(iso)
        if found is None:
            raise KeyError(f"no frame at ISO {iso} was measured")
        return found.noise


def camera_noise(frames: Sequence[tuple[float | None, NoiseStatistics]]) -> CameraNoise:
    """Pool all frames (ISO, statistics) of one camera body or kind of camera."""
    by_iso: dict[float | None, list[NoiseStatistics]] = {}
    for iso, found in frames:
        by_iso.setdefault(iso, []).append(found)
    keys = sorted(by_iso, key=lambda v: (v is None, v or 0.0))
    pools = {iso: pool(by_iso[iso]) for iso in keys}
    return CameraNoise(pools, iso_line({iso: p for iso, p in pools.items() if iso is not None}))


def vote(
    frames: Sequence[Candidates],
    noises: Sequence[Noise],
    bursts: Sequence[int],
    width: int,
    gains: Sequence[float] | None = None,
    least: int = 8,
) -> I64:
    """Pixels (sorted, row * width + column) that stand out in most of the frames in which they could be seen.

    frames of one sensor, whose mosaics are `width` pixels wide, their noise models, the burst that each belongs to and
    the gain (ISO) with which a defect's excess grows. More than half of the frames that could show it must, at least a
    tenth of all and half of `least`, in three bursts or as many as there are: what stays put while the scene changes is
    the sensor's. With fewer than `least` frames, one of them must prove by itself that no lens drew it.
    """
    if not frames:
        return np.empty(0, np.int64)
    few = len(frames) < least
    gain = np.ones(len(frames)) if gains is None else np.asarray(gains, dtype=np.float64)
    gain = gain / np.median(gain)
    burst = np.asarray(bursts)
    owner = np.concatenate([np.full(len(f.index), i) for i, f in enumerate(frames)])
    index = np.concatenate([f.index.astype(np.int64) for f in frames])
    excess = np.concatenate([f.excess.astype(np.float64) for f in frames])
    alone = np.concatenate([f.alone for f in frames])
    order = np.argsort(index, kind="stable")
    owner, index, excess, alone = owner[order], index[order], excess[order], alone[order]
    places, start, count = np.unique(index, return_index=True, return_counts=True)
    a, b = (np.array([getattr(n, part).max() for n in noises]) for part in "ab")
    several = 1 if few else min(VOTE.bursts, len(np.unique(burst)))
    found = []
    for at in np.flatnonzero(count >= (1 if few else max(int(VOTE.of_least * least), VOTE.shown * len(frames)))):
        here = slice(start[at], start[at] + count[at])
        if few and not alone[here].any():
            continue
        y, x = divmod(int(places[at]), width)
        level = np.array([f.level[y // TILE, x // TILE] for f in frames], dtype=np.float64)
        deviation = np.sqrt(a * np.maximum(level, 0) + b)
        bright = np.median(excess[here] / gain[owner[here]]) * gain
        # A dead pixel can be darker by no more than what there is.
        size = bright if bright[0] > 0 else level
        visible = (size > VOTE.visible * deviation) & (level + bright < VOTE.white)
        visible[owner[here]] = True
        if count[at] > VOTE.majority * visible.sum() and len(np.unique(burst[owner[here]])) >= several:
            found.append(int(places[at]))
    return np.array(found, dtype=np.int64)


def row_variance(frames: Sequence[RowNoise], read: float) -> float:
    """Variance of the row noise of one camera and ISO, saturation squared; 0 where it is not surely there.

    read is b of the pool: row noise that is far below it (a twentieth in deviation) nobody can see.

    The mean of the frames by their certainty: a frame with little shadow says little.
    """
    telling = [f for f in frames if np.isfinite(f.error) and f.error > 0]
    if not telling:
        return 0.0
    # No frame decides alone: the surest counts as much as the frame in the middle, at most twice.
    error = np.array([f.error for f in telling])
    error = np.maximum(error, np.median(error) * VOTE.surest)
    weight = 1 / error**2 / (1 / error**2).sum()
    mean = RowNoise(
        float(weight @ [f.variance for f in telling]),
        float(np.sqrt((weight**2) @ error**2)),
        float(weight @ [f.finest for f in telling]),
    )
    return mean.variance if mean.present and mean.variance > VOTE.faint * read else 0.0


HEADINGS = ("camera", "ISO", "frames", "grain at middle grey", "against other ISOs", "")


def noise_rows(camera: str, found: CameraNoise) -> list[list[str]]:
    """Rows under HEADINGS for `evencourt inspect`, one an ISO."""
    isos = sum(1 for iso, p in found.pools.items() if iso and p.frames >= ENOUGH)
    rows = []
    for iso, p in found.pools.items():
        model = found.model(iso)
        grain = np.median(np.sqrt(model.a * POOL.grey + model.b)) / POOL.grey
        off = found.line.off(iso, p.noise) if found.line is not None and iso else None
        # A line through one ISO goes through it: that says nothing.
        line = f"{100 * off:+.0f} %" if off is not None and (isos > 1 or p.frames < ENOUGH) else ""
        remark = (
            ""
            if p.frames >= ENOUGH
            else "too few frames: judged by other ISOs"
            if found.line
            else "too few frames to be sure"
        )
        rows.append([camera, f"{iso:.0f}" if iso else "unknown", str(p.frames), f"{100 * grain:.1f} %", line, remark])
    return rows


def noise_notes(camera: str, found: CameraNoise) -> list[str]:
    """What a photographer should know of this camera's raw files; empty when all is as it should be."""
    notes = []
    enough = {iso: p for iso, p in found.pools.items() if iso and p.frames >= ENOUGH}
    smoothed = [iso for iso, p in enough.items() if p.smoothed]
    if smoothed:
        notes.append(
            f"{camera}: the raw files at ISO {_listed(smoothed)} were already smoothed in the camera (neighbouring "
            "pixels share their noise): switch off noise reduction for raw in the camera's menu if it has it; fine "
            "detail that is gone does not come back"
        )
    sharpened = [iso for iso, p in enough.items() if p.sharpened]
    if sharpened:
        notes.append(f"{camera}: the noise at ISO {_listed(sharpened)} looks sharpened in the camera")
    if found.line is not None and len(enough) >= POOL.compared_isos:
        off = {iso: found.line.off(iso, p.noise) for iso, p in enough.items()}
        low = [iso for iso, v in off.items() if v < POOL.below_line and iso not in smoothed]
        high = [iso for iso, v in off.items() if v > POOL.above_line]
        if low:
            notes.append(
                f"{camera}: ISO {_listed(low)} has less noise than the other ISOs lead to expect "
                f"({', '.join(f'{100 * off[i]:+.0f} %' for i in low)}): probably smoothed in the camera"
            )
        if high:
            notes.append(
                f"{camera}: ISO {_listed(high)} has more noise than the other ISOs lead to expect "
                f"({', '.join(f'{100 * off[i]:+.0f} %' for i in high)}): busy scenes, or a sensor with two gains"
            )
    disagree = [iso for iso, p in found.pools.items() if p.frames >= POOL.compared and not p.used]
    if disagree:
        at = f" at ISO {_listed(disagree)}" if _listed(disagree) else ""
        notes.append(f"{camera}: the frames{at} do not agree on their noise; it is judged from all of them together")
    if any(p.clips_black for p in found.pools.values()):
        notes.append(
            f"{camera}: the camera cuts off what its noise makes darker than black: deep shadows come out a little too "
            "bright, and the darkest may be grey"
        )
    return notes


def _listed(values: Sequence[float | None]) -> str:
    return ", ".join(f"{v:.0f}" for v in values if v)
