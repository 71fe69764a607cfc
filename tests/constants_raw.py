"""Figures for the constants by which raw files are judged: noise, its pools, defects, row noise, what is a
picture, and the full demosaic."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from types import SimpleNamespace
from unittest.mock import patch

import numpy as np
import rawpy
from numpy.typing import NDArray

from pipeline.errors import FrameError
from pipeline.imaging.geometry import Box
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw import (
    borders,
    cut_darks,
    defects,
    greens,
    mosaic,
    noise,
    noise_pool,
    residual_demosaic,
    row_noise,
    window,
)
from pipeline.imaging.raw.defects import Candidates
from pipeline.imaging.raw.noise import NoiseStatistics, Sensor
from pipeline.imaging.raw.noise_pool import CameraNoise, IsoLine, Pool
from pipeline.imaging.raw.row_noise import RowNoise
from pipeline.types import F32, F64, Domain, Image, Noise

_A, _B = 1.6e-3, 1.6e-5
_NOISE = Noise(np.full(3, _A), np.full(3, _B))
_RGGB = np.array([[0, 1], [1, 2]])


@cache
def _plane(height: int, width: int, level: float = 0.3, spikes: float = 0.0) -> F64:
    """Noise on a ramp, and so many pixels of every hundred at the greatest value."""
    rng = np.random.default_rng(height * width)
    signal = level * np.linspace(0.4, 1, width) * np.ones((height, 1))
    out = signal + rng.standard_normal(signal.shape) * np.sqrt(_A * signal + _B)
    out[rng.random(out.shape) < spikes / 100] = out.max()
    return np.asarray(out, dtype=np.float32)


def of_noise() -> Iterator[float]:
    """Points of planes with nearly too few blocks or too many clipped ones, and lines through a few points."""
    rng = np.random.default_rng(2)
    for _ in range(24):
        x = rng.uniform(0.005, 0.6, int(rng.integers(1, 12)))
        x[::4] *= rng.choice([1, 1e-3])
        points = np.stack([x, _A * x + _B * rng.choice([0, 1, 30]), rng.integers(2, 60, len(x)), 0 * x], axis=1)
        points[:, 1] *= 1 + rng.normal(0, 0.3, len(x)) ** 2 + rng.normal(0, 0.05, len(x))
        for upper in (0.0, 1.0):
            line = noise.fit(points, upper)
            yield from (np.log(line.a), np.log(line.b), line.error_a * 100)
    for high, wide, spikes in (
        *((64, 8 * k, 0.0) for k in (2, 3, 12, 19, 20, 21, 22)), *((128, 128, s) for s in np.linspace(0.3, 1.2, 19)),
        (128, 120, 0.0), (128, 144, 0.0), (608, 768, 0.0), (672, 768, 0.0), (1152, 1152, 0.0), (1408, 1024, 0.0),
    ):  # fmt: skip
        bins, marks = noise._points([_plane(high, wide, spikes=spikes)], 0.0, 1.0)
        yield from (*(1e3 * bins.sum(axis=0)), *marks)
    for count in (17, 18, 19, 20, 21, 22):
        yield float(noise._points([_plane(8, 8 * count)], 0.0, 1.0)[0][0, 1] * 1e3)
    for level in (0.86, 0.9, 1.0):
        yield from noise._points([_plane(128, 160, level)], 0.0, 1.0)[0].sum(axis=0)


def _frame(rng: np.random.Generator, factor: float = 1.0, bins: int = 6) -> NoiseStatistics:
    x = np.linspace(0.02, 0.5, bins)
    out = np.zeros((3, noise.BINS, 4))
    out[:, :bins, 0], out[:, :bins, 2] = x, 60
    out[:, :bins, 1] = factor * (_A * x + _B) * rng.normal(1, 0.02, (3, bins))
    out[:, :bins, 3] = rng.uniform(-0.1, 0.3, (3, bins))
    return NoiseStatistics(out, np.tile([100.0, 0.01, -0.001], (3, 1)))


def _pool(frames: int = 10, used: int = 10, correlation: float = 0.0, pile: float = 0.0, times: float = 1.0) -> Pool:
    model = Noise(_NOISE.a * times, _NOISE.b * times)
    return Pool(model, np.full((3, 2), 1e-6), frames, used, correlation, pile)


def of_pool() -> Iterator[float]:
    """Pools of frames of which some are nearly odd, the line through some, and what is said of the borderline ones."""
    rng = np.random.default_rng(4)
    yield from (float(_pool(correlation=v).smoothed) for v in np.linspace(0.1, 0.2, 41))
    yield from (float(_pool(correlation=v).sharpened) for v in np.linspace(-0.2, -0.1, 41))
    yield from (float(_pool(pile=v).clips_black) for v in np.linspace(0.004, 0.006, 41))
    line = IsoLine(_NOISE.a / 100, np.zeros(3), _NOISE.b / 100**2, 20)
    yield line.off(100.0, Noise(2 * _NOISE.a, _NOISE.b))
    for times in (*np.linspace(0.76, 0.84, 17), *np.linspace(1.2, 1.3, 17)):
        pools: dict[float | None, Pool] = {100.0: _pool(times=times)}
        pools |= {iso: Pool(line.at(iso), np.zeros((3, 2)), 10, 10, 0, 0) for iso in (200.0, 400.0)}
        yield float(len(noise_pool.noise_notes("", CameraNoise(pools, line))))
        del pools[400.0]
        yield float(len(noise_pool.noise_notes("", CameraNoise(pools, line))))
        pools |= {iso: Pool(line.at(iso), np.zeros((3, 2)), 10, 10, 0, 0) for iso in (400.0, 800.0)}
        yield float(len(noise_pool.noise_notes("", CameraNoise(pools, line))))
    for used in (3, 4, 5):
        yield float(CameraNoise({100.0: _pool(used=used, times=3)}, line).model(100.0).a[0])
    for frames in (3, 4, 5):
        yield float(len(noise_pool.noise_notes("", CameraNoise({100.0: _pool(frames, 0)}, None))))
    isos = [100.0 * 2**k for k in range(6)]
    for frames in ((30, 32, 34, 36, 40, 60), (2, 3, 10, 9, 3, 2)):
        many = {}
        for k, (iso, n) in enumerate(zip(isos, frames, strict=True)):
            model = line.at(iso * (0.8, 1.1, 1.0, 1.3, 0.9, 1.2)[k])
            many[iso] = Pool(model, np.full((3, 2), 1e-6), n, n, 0, 0)
        found = noise_pool.iso_line(many)
        assert found is not None
        yield from (float(found.k[0] * 1e5), float(found.b0[0] * 1e8), float(found.b1[0] * 1e11))
    yield noise_pool._level(_frame(rng).bins[0, :6], _A, _B)
    one = _frame(rng, bins=1)
    for least in np.linspace(-4e-5, -2e-5, 41):
        one.marks[:, 2] = least
        yield noise_pool.pool([one]).black_pile
    yield float(noise_pool.pool([_frame(rng) for _ in range(3)]).correlation)
    factors = (0.65, 0.69, 0.72, 0.74, 0.76, 0.79, 0.83, 1.42, 1.48, 1.54, 1.58, 1.62, 1.68, 1.78)
    yield float(noise_pool.pool([_frame(rng, f) for f in (*[1.0] * 12, *factors)]).used)
    for count in (3, 4, 5):
        yield float(noise_pool.pool([_frame(rng, 9.0), *(_frame(rng) for _ in range(count - 1))]).used)


def _shots(count: int, places: dict[int, tuple[int, float]], level: float) -> list[Candidates]:
    """Frames in which pixel `index` shows in the first so many, with an excess."""
    frames = []
    for k in range(count):
        index = [i for i, (n, _) in places.items() if k < n]
        excess = np.array([places[i][1] for i in index], np.float32)
        frames.append(
            Candidates(
                np.array(index, np.uint32), excess, np.ones(len(index), np.bool_), np.full((1, 1), level, np.float32)
            )
        )
    return frames


def of_vote() -> Iterator[float]:
    """Pixels that stand out in nearly enough frames, nearly enough to be seen; row noise that is nearly sure."""
    deviation = float(np.sqrt(_A * 0.05 + _B))
    for count, places, level, bursts, least in (
        (60, {k: (k, 0.5) for k in range(25, 40)}, 0.05, 60, 8),
        (55, {k: (k, 0.01) for k in range(3, 9)}, 0.05, 55, 8),
        (24, {k: (k, 0.01) for k in range(8, 13)}, 0.05, 24, 20),
        (20, {k: (8, deviation * (5.5 + 0.1 * k)) for k in range(20)}, 0.05, 20, 8),
        (20, {k: (8, 0.04 * k) for k in range(14, 28)}, 0.05, 20, 8),
        *((20, {1: (20, 0.5)}, 0.05, n, 8) for n in (2, 3, 4)),
        *((20, {1: (n, 0.5)}, 0.05, 10, 8) for n in (11, 13, 15, 17, 19)),
        (24, {k: (4 * k, 0.01) for k in range(1, 6)}, 0.05, 6, 8),
    ):
        burst = [k * bursts // count for k in range(count)]
        found = noise_pool.vote(_shots(count, places, level), [_NOISE] * count, burst, 60, least=least)
        yield from (float(len(found)), float(found.sum()))
    rows = [RowNoise(2e-6, e, 2e-6) for e in (1e-8, 5e-7, 6e-7, 7e-7)]
    yield 1e6 * noise_pool.row_variance([RowNoise(3e-6, 1e-9, 3e-6), *rows], 1e-4)
    for read in np.linspace(8e-4, 1.2e-3, 41):
        yield 1e6 * noise_pool.row_variance(rows, float(read))


def of_defects() -> Iterator[float]:
    """Pixels that nearly stand out: over the noise, as sharp as a lens draws, in a frame without noise."""
    sensor = Sensor(_RGGB, _NOISE, 0.0, 1.0)
    flat = np.full((24, 420), 0.1)
    sizes = np.linspace(3.0, 4.0, 50) * np.sqrt(_A * 0.1 + _B)
    near = np.linspace(0.1, 0.3, 50)
    for places, neighbours in ((sizes, np.zeros(50)), (np.full(50, 0.4), near)):
        frame = flat.copy()
        for k, (size, share) in enumerate(zip(places, neighbours, strict=True)):
            x = 6 + 8 * k
            frame[12, x] += size
            for dy, dx in ((-1, 0), (1, 0), (0, -1), (0, 1)):
                frame[12 + dy, x + dx] += share * size
        yield float(len(defects.candidates(frame, sensor).index))
    for y, share in ((12, 0.0), (12, 0.02), (13, 0.02)):  # red, and green beside it: what one frame proves
        for part in np.linspace(0.2, 0.32, 7):
            frame = flat.copy()
            for k, size in enumerate(np.geomspace(12, 80, 50) * float(sizes[25]) / 3.5):
                x = 6 + 8 * k
                frame[y, x] += size
                frame[y, x + 2] += part * size
                for dy, dx in ((-1, 0), (1, 0), (0, -1), (0, 1)):
                    frame[y + dy, x + dx] += share * size
            yield float(defects.candidates(frame, sensor).alone.sum())
    frame = np.zeros((24, 420))
    frame[12, 6:406:8] += np.linspace(6e-5, 9e-5, 50)
    none = Sensor(_RGGB, Noise(np.zeros(3), np.zeros(3)), 0.0, 1.0)
    yield float(len(defects.candidates(frame, none).index))


@cache
def _rows(height: int, row: float, bright: float = 0.03) -> F64:
    """A dark wall that gets brighter downwards and in stretches of rows, with row noise; in fractions of saturation."""
    rng = np.random.default_rng(height)
    signal = bright * np.linspace(0.2, 1, height)[:, None] * np.linspace(0.02, 1, 768)
    signal[::37, 40:] = 0.9
    out = signal + rng.standard_normal(signal.shape) * np.sqrt(_A * signal + _B) + rng.normal(0, row, (height, 1))
    return np.asarray(out, dtype=np.float32)


def of_row_noise() -> Iterator[float]:
    """Frames of nearly too few rows, in nearly too much light, and row noise that is nearly sure."""
    for v in np.linspace(0.5, 0.7, 41):
        yield float(RowNoise(1.0, 0.01, v).present)
        yield float(RowNoise(1.0, 0.3 * (1.4 - v), 1.0).present)
    plain = _rows(40, 1e-3)
    counts = np.round(plain * 14000 + 512).clip(0).astype(np.uint16)
    sensor = Sensor(_RGGB, _NOISE, 512.0, 14000.0)
    for v in np.linspace(0.2, 0.6, 41):
        for here in (RowNoise(1.0, 0.01, v), RowNoise(1.0, v, 1.0), RowNoise(v, 0.01, v)):
            with patch.object(row_noise, "_row_noise", lambda _, __, here=here: here):
                yield float(row_noise.remove_rows(counts, sensor, 1.0) is counts)
    rng = np.random.default_rng(5)
    for count in range(42, 66):
        both = rng.normal(0, 1, (count, 1)) + rng.normal(0, 0.3, (count, 2))
        yield float(np.isfinite(row_noise._agreement([both], 4)[1]))
    sums = np.stack([rng.normal(0, 1, (60, 12)), np.ones((60, 12))], axis=1)
    sums[::9, 0] += 4
    sums[1::3, 0] = np.linspace(2.0, 3.4, 20)[:, None] + rng.normal(0, 1e-3, (20, 12))
    value, weight = row_noise._white_part(sums, 0.3)
    yield from (*value, *weight)
    sums[:, 0] = rng.normal(0, 0.01, (60, 1))
    yield from 100 * row_noise._white_part(sums, 0.3)[0]
    weight = np.ones((300, 12))
    weight[10:290:14] *= np.linspace(0.03, 0.07, 20)[:, None]
    part = np.stack([weight * rng.normal(0, 1, (300, 1)), weight], axis=1)[..., None]
    yield row_noise._row_noise([part], 1.0).variance
    scene = Sensor(_RGGB, _NOISE)
    dim = Sensor(_RGGB, _NOISE, clips_black=True)
    for frame in (_rows(160, 1e-3), _rows(160, 1e-3, 1.2)):
        for how in (scene, dim):
            found = row_noise.row_noise(frame, how)
            yield from (1e6 * found.variance, 1e6 * min(found.error, 1.0), 1e6 * found.finest)
    for height in (840, 920, 1000):
        found = row_noise.row_noise(_rows(height, 1e-3), scene)
        yield from (1e6 * found.variance, 1e6 * found.error, 1e6 * found.finest)


def of_mosaic() -> Iterator[float]:
    """Files that are nearly cut short, pictures that lie nearly above white, blacks that nearly agree."""
    rng = np.random.default_rng(6)
    whole = rng.integers(100, 200, (1000, 64)).astype(np.uint16)
    rows = rng.integers(100, 200, (64,)).astype(np.uint16)
    rows[:: mosaic.MosaicConstants().looked_at] = rows[0]

    def read(frame: np.ndarray, least: int = 0) -> bool:
        raw = SimpleNamespace(
            raw_image_visible=frame, black_level_per_channel=[least] * 4, white_level=4000,
            camera_white_level_per_channel=None, raw_pattern=_RGGB,
        )  # fmt: skip
        try:
            mosaic._mosaic(raw, [])
        except FrameError:
            return False
        return True

    for count in range(14, 28):
        frame = whole.copy()
        frame[-count:] = 7
        yield float(read(frame))
        frame[-count:] = rows
        yield float(read(frame))

    def lifted(share: float, low: float, high: float) -> float:
        frame = np.full(70_000, 50, np.uint16)
        frame[: round(70_000 * share)] = np.linspace(low, high, round(70_000 * share))
        frame = rng.permutation(frame).reshape(700, 100)
        return float(mosaic._believable(np.full(3, 1000.0), frame, [])[0])

    yield from (lifted(share, 1100, 1900) for share in np.linspace(0.2, 0.3, 41))
    yield from (lifted(0.26, low, low + 400) for low in range(990, 1110, 4))
    yield from (lifted(0.5, 1200, 1200 + wide) for wide in range(90, 132))
    for off in np.linspace(0.4, 0.6, 41):
        yield float(mosaic._sensor(_RGGB, _NOISE, np.array([0, 0, off]), np.full(3, 9.0)) is None)
    for count in range(5, 12):
        raw = SimpleNamespace(
            raw_type=rawpy.RawType.Flat, num_colors=3, color_desc=b"RGBG", raw_pattern=_RGGB,
            raw_image_visible=np.zeros((count, 9)),
        )  # fmt: skip
        yield float(mosaic._pattern(raw) is None)
    with patch.object(mosaic, "candidates", lambda *_: None), patch.object(mosaic, "row_noise", lambda *_: 1):
        for high in range(850, 1160, 10):
            frame = np.broadcast_to(np.uint16(0), (high, 1000))
            found = mosaic._reading(frame, _RGGB, _NOISE, _frame(rng), np.zeros(3), np.ones(3))  # type: ignore[arg-type]
            yield float(found.rows is not None)


def _coloured(height: int, width: int) -> NDArray[np.uint16]:
    """A mosaic of stripes and noise, of a green and a little red and blue."""
    y, x = np.mgrid[0:height, 0:width]
    light = 0.3 + 0.25 * np.sin(x * y / 60) + 0.1 * _plane(height, width) - 0.31 * (x > width - 40)
    return np.asarray(500 + 9000 * light * np.where((y + x) % 2 == 1, 1.0, 0.4), dtype=np.uint16)


def of_window() -> Iterator[float]:
    """How large a window and what is cleaned about it come out, and a small whole frame."""
    mosaic_, levels = _coloured(400, 600), (np.full(3, 480.0), np.full(3, 11000.0))
    how = (mosaic_, *levels, _RGGB, Orientation.TOP_LEFT, (400, 600))
    sizes: list[float] = []

    def clean(cells: F32) -> F32:
        sizes.append(float(cells.shape[0]))
        return cells

    for low in (0.3, 0.5):
        pixels, _ = window.full_size_window(*how, Box(low, low, 0.6, 0.6), np.array([1.8, 1.0, 1.5]), clean)
        yield from (*pixels.shape, *sizes, float(pixels.mean()))
    small = window.overview(np.tile(mosaic_, (1, 39)), *how[1:-1], (400, 23400))
    yield from (*small.shape, *(1e3 * small[::10, ::160]).ravel().tolist())


def of_residual_demosaic() -> Iterator[float]:
    """Stripes, noise and the dark."""
    light = (_coloured(64, 80) - np.float32(480)) / np.float32(9000)
    out = residual_demosaic.by_residuals(light - np.float32(0.005), np.array([1.8, 1.0, 1.5]), 14, 14, 36, 50)
    yield from (1e4 * out[::3, ::7]).ravel().tolist()


def of_greens() -> Iterator[float]:
    """Unequal greens of smooth light that is more or less noisy, dark, bright or full of edges."""
    y, x = np.mgrid[0:144, 0:208]
    rng = np.random.default_rng(5)
    for level in (200, 600, 2000, 3000, 3500, 3700, 3900):
        for apart in (0.004, 0.02, 0.08):
            light = level * (1 + 0.1 * np.sin(x / 30)) + 300 * ((x // 7 + y // 9) % 2) * (x > 104)
            light[::2, 1::2] *= 1 + apart
            counts = np.clip(light + rng.normal(0, 70, light.shape) + 64, 0, 4095).astype(np.uint16)
            share = greens.imbalance(counts, _RGGB, 64.0, 4095.0)
            yield from (1e4 * share).ravel().tolist()
            own = ((counts - np.float32(64)) / np.float32(4031)).astype(np.float32)
            greens.level_greens(own, share, 0, 0)
            yield from (1e4 * own[1::24, ::26]).ravel().tolist()


def of_raw_borders() -> Iterator[float]:
    """Mosaics whose first column of blue is off by more and more, in more and fewer of calm, lit rows."""
    rng, zero, white = np.random.default_rng(6), np.zeros(3), np.full(3, 1000.0)
    for lit in (46, 50, 54, 400):
        for off in (0.2, 0.24, 0.26, 0.84, 0.88, 0.9, 1.14, 1.16, 1.18):
            for rows, step in (
                (42, 0.0),
                (44, 0.0),
                (48, 0.0),
                (54, 0.0),
                (80, 0.028),
                (80, 0.032),
                (80, 0.095),
                (80, 0.105),
            ):
                plane = np.full((80, 60), 10.0)
                plane[:rows] = lit
                plane[:, 4] *= 1 + step if step < 0.05 else 1
                plane[:, 0] *= 1 + step if step > 0.05 else 1
                for share in (0.87, 0.93):
                    own = plane.copy()
                    own[1::2, 0] *= np.where(rng.permutation(40) < 40 * share, off, 1 + 0.3 * (1 - off))
                    mended, _ = borders.mend_borders(np.round(own).astype(np.uint16), zero, white)
                    yield float(mended[:, 0].sum())


def of_cut_darks() -> Iterator[float]:
    """Mosaics with more or less of them dark, more or less of that cut off; what becomes of darks."""
    pattern = np.array([[1, 0], [2, 1]])
    for share in np.linspace(0.02, 0.12, 24):
        plane = np.full((200, 200), 100, np.uint16)
        dark = plane[: int(200 * share) * 2]
        dark[:] = np.arange(200)[None, :] // 40 + 2
        for some in range(2, 60, 2):
            ended = dark.copy()
            ended[1::2, : 2 * some : 2] = 0
            plane[: len(dark)] = ended
            yield cut_darks.cut_level(plane, pattern, np.zeros(3), np.full(3, 255.0))
            yield cut_darks.cut_level(plane, pattern, np.zeros(3), np.full(3, 80.0))
    ramp = np.outer(np.linspace(0.01, 0.1, 40), [1, 0.5, 0.2]).astype(np.float32)[None]
    image = Image(ramp, Domain.CAMERA, Noise(np.zeros(3), np.zeros(3)), np.ones(3), np.eye(3), cut_darks=0.03)
    yield from cut_darks.grey_darks(image, image).pixels[0, :, 0].tolist()
