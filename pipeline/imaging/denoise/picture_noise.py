"""Noise of finished pictures (JPEG, TIFF, PNG): its power by frequency, scale and brightness, from the pictures.

A camera's own picture was demosaiced, smoothed, sharpened, bent by a tone curve and compressed: its noise is coarse
and its deviation follows no line. So its mean power in the 8x8 DCT is measured, as in Lebrun, Colom and Morel,
"Multiscale image blind denoising", IEEE Trans. Image Process. 24(10), 2015 (named from memory), here in the quiet
blocks of each brightness and of each of some sizes, every one half of the one before, of luma and two colour planes.

Texture is power too, and is kept out in five ways: only the quietest blocks count; of the frames of one camera, ISO and
size those with less, and most of all those that show hardly any texture; of the brightnesses those with less; noise
flattens towards the coarse, where structure grows; and no sensor has much more noise in luma than in colour at the
coarse end, nor more than its ISO explains.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.colour import srgb_decode, srgb_encode
from pipeline.imaging.denoise.sliding_dct import DCT
from pipeline.store.packing import take
from pipeline.types import F32, F64, JsonObject, Noise

SCALES = 5  # sizes that are measured
BINS = 8  # of brightness
U8 = NDArray[np.uint8]


@dataclass(frozen=True)
class PictureNoiseConstants:
    """How noise of finished pictures is kept apart from texture.

    No published values exist but where one is named. Chosen by trial on photographs developed with known noise:
    `python -m tests.jpeg_noise`. That each one matters: `pytest tests/imaging/denoise/test_picture_noise.py`.
    """

    # A noise var = a * x + b by which brightness is stabilised before anything is known of the noise; only the
    # ratio b / a matters. The ratios of the channels' deviations: red and blue were amplified for balance.
    a: float = 1e-3
    b: float = 4e-6
    deviations: tuple[float, float, float] = (1.3, 1.0, 1.4)
    step: int = 5  # pixels between blocks: odd, so that all phases of a JPEG's own blocks count
    tile: int = 192  # pixels of a tile's side, where a picture is sampled
    tiles: int = 16
    black: float = 8e-4  # linear; below it, and above white, noise is cut off
    white: float = 0.985
    cut: int = 1  # pixels of a block that may be cut off
    least_blocks: int = 60  # of one brightness
    quiet: float = 0.05  # share of the blocks that count
    fewest: int = 24  # blocks
    rounds: int = 4
    lost: float = 0.75  # of the power, by choosing quiet blocks
    at_white: float = 0.7  # natural logarithm by which noise is taken to fall at white
    least_side: int = 96  # pixels; smaller pictures are not halved
    # Noise shows, so that no line of it is quite even, where its variance is more than so much of a squared step of 8
    # bits, and its power in some of the coefficients more than so much of the squared step of a JPEG.
    shows: tuple[float, float] = (0.5, 0.2)
    some: float = 0.11
    one_colour: float = 0.9  # share of the even blocks of a brightness that are of one colour where they are drawn


PICTURE_NOISE = PictureNoiseConstants()
_MIDDLE = 0.18  # middle grey
_EVEN = 1e-3  # between pixels of a line that is even: much less than a step
_SELDOM = 0.01  # of the pixels that are as their neighbours, below which none is looked for
_ALIKE = 0.5  # between the means of blocks of one colour, times eight: a fifth of a step
_LEAST, _STEP = -10.0, 0.06  # natural logarithm of the power that 0 stands for, and of a step of the 8-bit codes


def logarithms(codes: U8) -> NDArray[np.float32]:
    """Natural logarithms of the power that codes stand for."""
    return np.asarray(np.float32(_LEAST) + np.float32(_STEP) * codes)


def coded(power: NDArray[Any]) -> U8:
    """Codes of powers, of any shape."""
    logs = np.log(np.maximum(power, 1e-9))
    return np.asarray(np.clip(np.round((logs - _LEAST) / _STEP), 0, 255), dtype=np.uint8)


def power_of(codes: U8) -> F64:
    """The powers that codes stand for."""
    return np.asarray(np.exp(_LEAST + _STEP * codes.astype(np.float64)))


@dataclass(frozen=True)
class PictureStatistics:
    """What one finished picture says of its noise.

    power   (SCALES, BINS, 3, 8, 8) codes of the mean power in the quiet blocks of luma and two colour planes
    blocks  (SCALES, BINS) how many blocks there were; 0 where too few
    size    (height, width), pixels
    steps   (2, 8, 8) by which a JPEG rounded luma and colour, in codes, by frequency at full size; 0 for other files
    """

    power: U8
    blocks: NDArray[np.int32]
    size: tuple[int, int]
    steps: NDArray[np.uint16] = field(default_factory=lambda: np.zeros((2, 8, 8), np.uint16))

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """For the store; 8 kB."""
        return {
            "picture_power": self.power,
            "picture_blocks": self.blocks,
            "picture_size": np.array(self.size),
            "picture_steps": self.steps,
        }

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> PictureStatistics:
        """What `as_arrays` gave. Raises ValueError for what it cannot have given."""
        power = take(arrays, "picture_power", np.uint8, (SCALES, BINS, 3, 8, 8), 0, 255)
        blocks = take(arrays, "picture_blocks", np.int32, (SCALES, BINS), 0, 1 << 30)
        height, width = (int(n) for n in take(arrays, "picture_size", np.int64, (2,), 1, 1 << 30))
        return cls(power, blocks, (height, width), take(arrays, "picture_steps", np.uint16, (2, 8, 8), 0, 65535))


def _stable(x: NDArray[Any]) -> NDArray[Any]:
    p = PICTURE_NOISE
    return np.asarray((2 / p.a) * (np.sqrt(p.a * np.maximum(x, 0) + np.float32(p.b)) - np.float32(np.sqrt(p.b))))


def _mix() -> F64:
    """Orthonormal (3, 3): luma by the channels' certainty, and two differences in which grey vanishes."""
    axis = 1 / np.array(PICTURE_NOISE.deviations)
    axis /= np.linalg.norm(axis)
    first = np.array([axis[2], 0.0, -axis[0]])
    first /= np.linalg.norm(first)
    return np.stack([axis, first, np.cross(axis, first)])


def _white() -> tuple[float, float]:
    """Where white lies: stabilised, and in luma."""
    stable = float(_stable(np.array(1.0)))
    return stable, stable * float((_mix()[0] / np.array(PICTURE_NOISE.deviations)).sum())


def hidden_by_step() -> F64:
    """(3,): by how much a step of one 8-bit code, of luma and of the stronger colour, moves luma and the two colour
    planes at middle grey, where the curve of sRGB and the root are nearly one another's inverse."""
    grey = float(srgb_encode(np.array([_MIDDLE], np.float32))[0])
    near = srgb_decode(np.array([grey - 2 / 255, grey + 2 / 255], np.float32))
    slope = float(np.diff(_stable(near))[0]) / 4
    # ITU-R BT.601: red, green and blue of a code of luma, of blue and of red.
    codes = np.array([[1, 0, 1.402], [1, -0.344136, -0.714136], [1, 1.772, 0]])
    moved = np.abs(_mix() / np.array(PICTURE_NOISE.deviations) @ codes) * slope
    return np.array([moved[0, 0], moved[1, 1:].max(), moved[2, 1:].max()])


def _blocks(pixels: F32) -> tuple[F32, NDArray[np.bool_]]:
    """(H, W, 3) linear -> (N, 3, 64), DCT of the blocks that are nowhere cut off, and (N,) which are even at a side."""
    p = PICTURE_NOISE
    stable = _stable(pixels) @ (_mix() / np.array(p.deviations)).T.astype(np.float32)
    cut = np.asarray(((pixels <= p.black) | (pixels >= p.white)).any(axis=2))

    def every(plane: NDArray[Any]) -> NDArray[Any]:
        view = np.lib.stride_tricks.sliding_window_view(plane, (8, 8))[:: p.step, :: p.step]
        return view.reshape(-1, 8, 8)

    kept = every(cut).sum(axis=(1, 2)) <= p.cut
    blocks = [every(stable[..., c])[kept] for c in range(3)]
    even = np.zeros(len(blocks[0]), np.bool_)
    if np.mean(np.abs(np.diff(stable[..., 0], axis=1)) < _EVEN) > _SELDOM:
        luma = blocks[0]
        for side in (luma[:, 0], luma[:, -1], luma[:, :, 0], luma[:, :, -1]):
            even |= np.ptp(side, axis=1) < _EVEN
    return np.stack([DCT @ own @ DCT.T for own in blocks], axis=1).reshape(-1, 3, 64), even


def _sampled(pixels: F32) -> tuple[F32, NDArray[np.bool_]]:
    """As `_blocks`, of tiles spread over a picture where it is large."""
    p = PICTURE_NOISE
    height, width = pixels.shape[:2]
    if height * width <= 1.5 * p.tiles * p.tile**2 or min(height, width) <= p.tile:
        return _blocks(pixels)
    across = max(1, round((p.tiles * width / height) ** 0.5))
    down = max(1, round(p.tiles / across))
    tops, lefts = (
        np.linspace(0, side - p.tile, number).astype(int) for side, number in ((height, down), (width, across))
    )
    some = [_blocks(pixels[y : y + p.tile, x : x + p.tile]) for y in tops for x in lefts]
    return np.concatenate([found for found, _ in some]), np.concatenate([even for _, even in some])


def _quiet(power: F32) -> F64:
    """(N, 3, 64) -> (3, 64), the mean of the blocks that are quietest against that mean itself."""
    p = PICTURE_NOISE
    count = min(len(power), max(p.fewest, round(p.quiet * len(power))))
    flat = power.reshape(len(power), -1)
    weight = np.ones((3, 64), np.float32)
    for _ in range(p.rounds):
        weight[:, 0] = 0
        chosen = np.argpartition(flat @ weight.ravel(), count - 1)[:count]
        mean = power[chosen].mean(axis=0)
        weight = 1 / np.maximum(mean, 1e-4)
    return np.asarray(mean / p.lost, dtype=np.float64)


def picture_statistics(pixels: F32, steps: NDArray[np.uint16] | None = None) -> PictureStatistics:
    """What a finished picture (H, W, 3), linear, 1 = white, at its full size, says of its noise.

    steps  (2, 8, 8) as in PictureStatistics; None for other files than JPEG
    """
    import cv2

    p = PICTURE_NOISE
    steps = np.zeros((2, 8, 8), np.uint16) if steps is None else steps
    noisy = np.zeros(BINS, np.bool_)
    codes = np.zeros((SCALES, BINS, 3, 8, 8), np.uint8)
    counts = np.zeros((SCALES, BINS), np.int32)
    size = (pixels.shape[0], pixels.shape[1])
    for scale in range(SCALES):
        if scale:
            height, width = (side // 2 for side in pixels.shape[:2])
            even = pixels[: 2 * height, : 2 * width]
            pixels = np.asarray(cv2.resize(even, (width, height), interpolation=cv2.INTER_AREA), dtype=np.float32)
        if min(pixels.shape[:2]) < p.least_side:
            break
        found, drawn = _sampled(pixels)
        bright = np.clip(found[:, 0, 0] * (BINS / 8 / _white()[1]), 0, BINS - 1).astype(np.int64)
        power = found * found
        if scale == 0 and drawn.any():
            noisy = np.array([_shows_noise(power[(bright == b) & ~drawn], steps) for b in range(BINS)])
        for b in range(BINS):
            own = bright == b
            if noisy[b] or (noisy.any() and _drawn(found[own & drawn])):
                own &= ~drawn
            if own.sum() < p.least_blocks:
                continue
            counts[scale, b] = own.sum()
            codes[scale, b] = coded(_quiet(power[own]).reshape(3, 8, 8))
    return PictureStatistics(codes, counts, size, steps)


def _shows_noise(power: F32, steps: NDArray[np.uint16]) -> bool:
    """Whether the blocks (N, 3, 64) that are nowhere even show so much that an even one is none of the camera's: a
    border about a scan, or a bar of a screen, would else stand for the quiet places of its brightness."""
    p = PICTURE_NOISE
    if len(power) < p.least_blocks:
        return False
    luma = _quiet(power)[0, 1:] / hidden_by_step()[0] ** 2
    return bool(
        luma.mean() > p.shows[0] and np.mean(luma > p.shows[1] * steps[0].ravel()[1:].astype(float) ** 2) > p.some
    )


def _drawn(even: F32) -> bool:
    """Whether even blocks (N, 3, 64) are of one colour."""
    if not len(even):
        return False
    middle = np.median(even[..., 0], axis=0)
    return bool((np.abs(even[..., 0] - middle).max(axis=1) < _ALIKE).mean() >= PICTURE_NOISE.one_colour)


@dataclass(frozen=True)
class PictureNoise:
    """Noise of the finished pictures of one camera, ISO and size, as codes of natural logarithms.

    power   (SCALES, 3, 8, 8) of each scale and plane, brightness apart
    bright  (BINS,) of each brightness against that
    frames  that it rests on
    alike   whether hardly any of them shows far less than that
    """

    power: U8
    bright: U8
    frames: int
    alike: bool = True

    def as_json(self) -> JsonObject:
        """For the record and the keys: the numbers are many, so that a digest stands for them."""
        digest = hashlib.sha256(self.power.tobytes() + self.bright.tobytes()).hexdigest()
        noise = self.noise()
        grain = float(np.median(np.sqrt(noise.a * _MIDDLE + noise.b)) / _MIDDLE)
        return {"grain": round(grain, 4), "spectrum": digest}

    def noise(self) -> Noise:
        """At full size, of a picture as it was read."""
        p = PICTURE_NOISE
        at = np.linspace(0, 1, 4 * BINS + 1)  # of the stabilised signal
        signal = ((0.5 * p.a * at * _white()[0] + np.sqrt(p.b)) ** 2 - p.b) / p.a
        bright = np.log(power_of(self.bright))
        # Where white is cut off, so is noise: what was not measured is taken to fall.
        part = np.interp(at * BINS - 0.5, np.arange(BINS + 1), np.append(bright, bright[-1] - p.at_white))
        variance = (p.a * signal + p.b) * np.exp(part)
        levels = np.stack([np.stack([signal, variance * d * d]) for d in p.deviations], axis=1)
        spectrum = power_of(self.power)
        total = spectrum[0].mean() * levels[1]
        grey = int(np.argmin(np.abs(signal - _MIDDLE)))
        a = np.maximum(total[:, grey] - total[:, 0], 0) / signal[grey]
        return Noise(a, total[:, 0], spectrum, levels)
