"""Hot and dead pixels, that stay put over a shoot or that one frame proves: found, and repaired in the mosaic.

Mosaics (H, W) are raw numbers or floats, as noise.Sensor says.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.compiled import compiled
from pipeline.imaging.raw.noise import Sensor

I64 = NDArray[np.int64]
Mosaic = NDArray[Any]

MOST_CANDIDATES = 2048  # of a frame: a sensor has some hundreds, and more would fill the store
TILE = 64  # pixels along the side of the tiles whose brightness is kept
_EVERY = 16  # rows and columns of which a pixel is taken for the brightness of a tile


@dataclass(frozen=True)
class DefectConstants:
    """Which pixels of one frame may be defects. No published values exist; chosen by trial on photographs with planted
    defects: `pytest tests/imaging/raw/test_defects.py`. That each one matters: `pytest tests/test_constants.py`."""

    sigmas: float = 3.5  # of noise above the greatest of the neighbours, itself about 1.4 above their mean
    # A lens spreads a point of light over pixels of every colour, but not a defect: share seen by the next pixels.
    spread: float = 0.2
    # What one frame proves: a lens, however sharp (0.4 pixels), brings at least this share of a point of light to the
    # four next pixels; those of red and blue are green, which sees most of any white light.
    proven: float = 0.1
    proven_green: float = 0.06
    doubt: float = 2.5  # deviations by which the next pixels must stay below that share
    calm: float = 0.25  # of the excess, range of the eight neighbours of the colour: no line, corner or texture
    rounding: float = 2e-5  # of saturation: a constant frame has no noise but the rounding of a 14-bit raw
    room: int = 64  # times MOST_CANDIDATES that are compared for their strength, the uppermost first


DEFECTS = DefectConstants()


@dataclass(frozen=True)
class Candidates:
    """Isolated pixels of one frame.

    index    (N,) row * width + column, at most MOST_CANDIDATES
    excess   (N,) over the neighbours' median, fraction of saturation; negative = darker
    alone    (N,) whether it is bright and this frame proves by itself that no lens drew it
    level    (rows, columns) mean signal of tiles of 64 x 64 pixels, fraction of saturation
    """

    index: NDArray[np.uint32]
    excess: NDArray[np.float32]
    alone: NDArray[np.bool_]
    level: NDArray[np.float32]


@compiled()
def _screen(
    up: Mosaic, row: Mosaic, down: Mosaic, gain: np.float32, read: np.float32, black: np.float32, out: Mosaic
) -> np.uint8:
    """Flags pixels off all four nearest of their colour by the threshold; gain and read hold its square."""
    width = row.size
    middle, left, right = row[2 : width - 2], row[: width - 4], row[4:]
    above, below = up[2 : width - 2], down[2 : width - 2]
    zero, found = np.float32(0), np.uint8(0)
    for x in range(out.size):
        a, b, c, d = left[x], right[x], above[x], below[x]
        ab, cd = a if a > b else b, c if c > d else d
        high = np.float32(ab if ab > cd else cd)
        ab, cd = a if a < b else b, c if c < d else d
        low = np.float32(ab if ab < cd else cd)
        v = np.float32(middle[x])
        off = max(v - high, low - v)
        off = max(off, zero)
        hit = np.uint8(off * off > gain * max(high - black, zero) + read)
        out[x] = hit
        found |= hit
    return found


@compiled()
def _isolated(m: Mosaic, y: int, x: int, square: float, spread: float, black: float, gain: float, read: float) -> float:
    """Excess over the neighbours' middle where (y, x) stands out from all eight of its colour alone, else 0."""
    v = float(m[y, x])
    nine = np.sort(m[y - 2 : y + 3 : 2, x - 2 : x + 3 : 2].copy().reshape(9).astype(np.float64))
    sign = 1.0 if v == nine[8] else -1.0
    around = nine[:8] if sign > 0 else nine[1:]
    off = v - around[7] if sign > 0 else around[0] - v
    if off <= 0 or off * off <= square * (gain * max(around[7] - black, 0.0) + read):
        return 0.0
    excess = v - 0.5 * (around[3] + around[4])
    near = float(m[y, x - 1]) + float(m[y, x + 1]) + float(m[y - 1, x]) + float(m[y + 1, x])
    far = float(m[y, x - 3]) + float(m[y, x + 3]) + float(m[y - 3, x]) + float(m[y + 3, x])
    return 0.0 if (near - far) * sign > 4 * spread * abs(excess) else excess


@compiled()
def _proven(m: Mosaic, y: int, x: int, excess: float, share: float, doubt: float, calm: float, noise: float) -> bool:
    """Whether the next pixels of (y, x) have too little of its excess for a point of light; noise  their deviation."""
    nine = np.sort(m[y - 2 : y + 3 : 2, x - 2 : x + 3 : 2].copy().reshape(9).astype(np.float64))
    around = nine[:8] if excess > 0 else nine[1:]
    if around[7] - around[0] > calm * abs(excess):
        return False
    near = float(m[y, x - 1]) + float(m[y, x + 1]) + float(m[y - 1, x]) + float(m[y + 1, x])
    far = 0.0  # the eight a knight's move away have the same two colours
    for down in (-1, 1):
        for across in (-2, 2):
            far += float(m[y + down, x + across]) + float(m[y + across, x + down])
    lift = near / 4 - far / 8
    sign = 1.0 if excess > 0 else -1.0
    return bool(sign * lift + doubt * noise * (1 / 4 + 1 / 8) ** 0.5 < share * abs(excess))


@compiled()
def _find(
    m: Mosaic,
    gain: float,
    read: float,
    black: float,
    square: float,
    spread: float,
    shares: Mosaic,
    doubt: float,
    calm: float,
    index: Mosaic,
    excess: Mosaic,
    alone: Mosaic,
) -> int:
    height, width = m.shape
    flags = np.empty(width - 4, np.uint8)
    g, r, k = np.float32(gain * square), np.float32(read * square), np.float32(black)
    found = 0
    for y in range(3, height - 3):
        if _screen(m[y - 2], m[y], m[y + 2], g, r, k, flags) == 0:
            continue
        for x in range(1, width - 5):
            if flags[x]:
                value = _isolated(m, y, x + 2, square, spread, black, gain, read)
                if value != 0.0 and found < index.size:
                    index[found] = y * width + x + 2
                    excess[found] = value
                    noise = (gain * max(float(m[y, x + 2]) - value - black, 0.0) + read) ** 0.5
                    share = shares[y % 2, (x + 2) % 2]
                    alone[found] = value > 0 and _proven(m, y, x + 2, value, share, doubt, calm, noise)
                    found += 1
    return found


def candidates(mosaic: Mosaic, sensor: Sensor) -> Candidates:
    """Pixels of one frame that stand out from their eight neighbours of the same colour.

    What a single frame cannot tell from a glint is left to noise_pool.vote. Of too many, the strongest.
    """
    (height, width), black, span = mosaic.shape, sensor.black, sensor.span
    level = _levels(mosaic, black, span)
    if min(height, width) < 8:
        return Candidates(np.empty(0, np.uint32), np.empty(0, np.float32), np.empty(0, np.bool_), level)
    gain, read = sensor.units
    read += (span * DEFECTS.rounding) ** 2
    room = DEFECTS.room * MOST_CANDIDATES
    index, excess, alone = np.empty(room, np.int64), np.empty(room), np.empty(room, np.bool_)
    shares = np.where(sensor.pattern == 1, DEFECTS.proven_green, DEFECTS.proven)
    d = DEFECTS
    count = _find(mosaic, gain, read, black, d.sigmas**2, d.spread, shares, d.doubt, d.calm, index, excess, alone)
    index, excess, alone = index[:count], excess[:count], alone[:count]
    if count > MOST_CANDIDATES:
        ground = np.maximum(mosaic.ravel()[index] - excess - black, 0)
        strength = np.abs(excess) / np.sqrt(gain * ground + read)
        strongest = np.sort(np.argsort(-strength, kind="stable")[:MOST_CANDIDATES])
        index, excess, alone = index[strongest], excess[strongest], alone[strongest]
    return Candidates(index.astype(np.uint32), (excess / span).astype(np.float32), alone, level)


def _levels(mosaic: Mosaic, black: float, span: float) -> NDArray[np.float32]:
    rows, columns = (max(1, -(-side // TILE)) for side in mosaic.shape)
    parts = [mosaic[4::_EVERY, dx::_EVERY].astype(np.float32) for dx in (4, 5)]  # green and the row's other colour
    height, width = parts[1].shape
    if height == 0 or width == 0:
        return np.zeros((rows, columns), np.float32)
    mean = (parts[0][:, :width] + parts[1]) / np.float32(2)
    step = TILE // _EVERY
    mean = np.pad(mean, ((0, rows * step - height), (0, columns * step - width)), mode="edge")
    tiles = mean.reshape(rows, step, columns, step).mean(axis=(1, 3))
    return np.asarray((tiles - np.float32(black)) / np.float32(span), dtype=np.float32)


def repair(mosaic: Mosaic, defects: I64) -> Mosaic:
    """The mosaic with each defect replaced by the median of its sound neighbours of the same colour; a copy.

    Indices outside the mosaic are refused with ValueError: the defects are another sensor's.
    """
    if len(defects) == 0:
        return mosaic
    height, width = mosaic.shape
    if defects.min() < 0 or defects.max() >= height * width:
        raise ValueError("defects lie outside this mosaic: they were found on frames of another size")
    out = mosaic.copy()
    y, x = np.divmod(defects, width)
    steps = [(dy, dx) for dy in (-2, 0, 2) for dx in (-2, 0, 2) if dy or dx]
    ny = y[:, None] + np.array([s[0] for s in steps])
    nx = x[:, None] + np.array([s[1] for s in steps])
    inside = (ny >= 0) & (ny < height) & (nx >= 0) & (nx < width)
    sound = inside & ~np.isin(ny * width + nx, defects)
    values = mosaic[np.clip(ny, 0, height - 1), np.clip(nx, 0, width - 1)].astype(np.float64)
    for i in np.flatnonzero(sound.any(axis=1)):
        value = np.median(values[i, sound[i]])
        out[y[i], x[i]] = value if np.issubdtype(out.dtype, np.floating) else np.floor(value + 0.5)
    return out
