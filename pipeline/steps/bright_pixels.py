"""The brightest pixels of a frame: measured once, they say how far it may be lifted before they burn out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.camera_curve import straighten
from pipeline.imaging.colour import srgb_decode, to_lab
from pipeline.imaging.orientation import Orientation
from pipeline.light.gain_map import GainMap
from pipeline.light.highlights import rebuild_samples
from pipeline.store.packing import LARGEST, take
from pipeline.types import F32, F64, Image

BURNT = 253.5 / 255  # of a delivered channel, from which it is written as 254 or 255: no detail is left
_END = 127  # places are kept as -127 to 127


@dataclass(frozen=True)
class BrightPixelConstants:
    """Which pixels are kept. Chosen so that half a percent of a frame is some sixty samples: python -m
    tests.real_exposure shows what is delivered. No source.

    step     every so many rows and columns are looked at: odd, so that a picture of a mosaic, whose colours take turns,
             shows all of them
    shares   of the frame that each channel's brightest may be, of the first and of the second lot; what is clipped in
             all channels makes one of its own
    samples  kept of each lot at most
    raw      share of saturation from which a raw pixel counts as clipped in the file
    coding   codes of 255, standard deviation of what JPEG does to a delivered channel where all coefficients of a block
             carry texture: the steps of ITU-T T.81, table K.1, at quality 88 are 16 codes (root mean square), and what
             is rounded to them is off by a step over the root of 12. Where there is less texture, it is all that goes
    least    and the least: codes are whole numbers
    block    pixels a side over which texture is measured: a block of JPEG
    """

    step: int = 3
    shares: tuple[float, float] = (0.02, 0.12)
    samples: int = 512
    raw: float = 0.97
    coding: float = 4.6
    least: float = 0.3
    block: int = 8


BRIGHT = BrightPixelConstants()
_GAMMA, _DARK = 2.4, 1e-4  # of IEC 61966-2-1, near enough; part of saturation that counts as black
_FINISHED = float(srgb_decode(np.array(BURNT)))  # linear value from which a finished picture's channel is clipped


@dataclass(frozen=True)
class BrightPixels:
    """Samples of the brightest pixels of one frame.

    pixels   (N, 3) camera-linear, before any balance; places  (N, 2) sensor row and column, -1 to 1
    clipped  (N, 3) channels that are at the end of the scale in the file itself
    texture  (N, 3) standard deviation of the finest detail around each, in parts of its own value as displayed
    weight   (N,) share of the frame's pixels that each sample stands for
    saturation (3,) and to_working (3, 3)  as of the image
    """

    pixels: F32
    places: F64
    clipped: NDArray[np.bool_]
    texture: F32
    weight: F64
    saturation: F64
    to_working: F64

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """For the store; from_arrays reads them back."""
        return {
            "pixels": self.pixels.astype(np.float16),
            "places": np.round(self.places * _END).astype(np.int8),
            "clipped": self.clipped.astype(np.uint8),
            "texture": self.texture.astype(np.float16),
            "weight": self.weight.astype(np.float32),
            "saturation": self.saturation,
            "to_working": self.to_working,
        }

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> BrightPixels:
        """What `as_arrays` gave. Raises ValueError for what it cannot have given."""
        pixels = take(arrays, "pixels", np.float16, (None, 3), -LARGEST, LARGEST)
        count = len(pixels)
        return cls(
            pixels.astype(np.float32),
            take(arrays, "places", np.int8, (count, 2), -_END, _END) / _END,
            take(arrays, "clipped", np.uint8, (count, 3), 0, 1) > 0,
            take(arrays, "texture", np.float16, (count, 3), 0, LARGEST).astype(np.float32),
            take(arrays, "weight", np.float32, (count,), 0, 1).astype(np.float64),
            take(arrays, "saturation", np.float64, (3,), 1 / LARGEST, LARGEST),
            take(arrays, "to_working", np.float64, (3, 3), -LARGEST, LARGEST),
        )

    def straightened(self, curve: float) -> BrightPixels:
        """The same without the contrast of this strength that a camera put on a finished picture."""
        return replace(self, pixels=straighten(self.pixels, curve)) if curve else self

    def balanced(self, stops: GainMap, falloff: F32 | None = None) -> F32:
        """(1, N, 3) the samples under these stops, clipped channels rebuilt as `rebuild_highlights` does.

        falloff  (K, K, 3) gains on top from edge to edge of the sensor, such as those of a lens
        """
        gains = 2.0 ** stops.at_each(self.places[:, 0], self.places[:, 1])
        if falloff is not None:
            rows, columns = (np.round((self.places + 1) / 2 * (len(falloff) - 1)).astype(int)).T
            gains = gains * falloff[rows, columns]
        finished = bool(np.array_equal(self.to_working, np.eye(3)))
        return rebuild_samples(self.pixels[None], self.saturation, gains[None].astype(np.float32), finished)

    def lightness(self, delivered: F32, share: float) -> float:
        """L* (CIE 15:2004) that this share of the frame's pixels reaches as `delivered` (1, N, 3) display; 0 where
        nothing was kept. share  at most the larger of BRIGHT.shares"""
        if not len(self.weight):
            return 0.0
        found = to_lab(srgb_decode(delivered[0]))[:, 0]
        order = np.argsort(-found)
        at = int(np.searchsorted(np.cumsum(self.weight[order]), share))
        return float(found[order[min(at, len(order) - 1)]])

    def newly_burnt(self, delivered: F32) -> float:
        """Share of the frame's pixels that will be burnt as `delivered` (1, N, 3) display and is not so in the file:
        that of the worst channel, with what coding as JPEG makes of them."""
        from scipy.special import ndtr

        if not len(self.weight):
            return 0.0
        coding = np.clip(255 * self.texture.astype(np.float64), BRIGHT.least, BRIGHT.coding)
        burnt = ndtr((delivered[0] - BURNT) * 255 / coding)
        return float((self.weight @ np.where(self.clipped, 0.0, burnt)).max())


def bright_pixels(image: Image, balance: F64, orientation: Orientation, finished: bool) -> BrightPixels:
    """The brightest pixels of an upright camera-linear picture, by each working channel under `balance` (3,).

    finished  the file is a JPEG, TIFF or PNG, whose channels clip one by one; of a raw pixel that clips in one channel
    nothing is known but that it is bright, so all of it counts as clipped
    """
    step = BRIGHT.step
    first = [min(step // 2, side - 1) for side in image.pixels.shape[:2]]
    pixels = image.pixels[first[0] :: step, first[1] :: step]
    height, width = pixels.shape[:2]
    flat = pixels.reshape(-1, 3)
    limit = np.full(3, _FINISHED) if finished else BRIGHT.raw * image.saturation
    clipped: NDArray[np.bool_] = np.greater_equal(flat, limit.astype(np.float32))
    if not finished:
        clipped = np.repeat(np.any(clipped, axis=1, keepdims=True), 3, axis=1)
    light = flat @ (image.to_working * balance).T.astype(np.float32)
    open_ = np.flatnonzero(~clipped.all(axis=1))
    found: list[NDArray[np.int64]] = [np.flatnonzero(clipped.all(axis=1))]
    taken = np.zeros(len(flat), dtype=bool)
    for share in BRIGHT.shares:
        if not len(open_):
            break
        most = max(1, round(share * len(open_)))
        brightest = np.argpartition(light[open_], len(open_) - most, axis=0)[-most:]  # of each channel
        lot = np.unique(open_[brightest])
        lot = lot[~taken[lot]]
        taken[lot] = True
        found.append(lot)
    picks = [
        np.unique(np.linspace(0, len(lot) - 1, min(len(lot), BRIGHT.samples)).round().astype(int)) for lot in found
    ]
    chosen = np.concatenate([lot[pick] for lot, pick in zip(found, picks, strict=True)])
    weight = np.concatenate(
        [np.full(len(p), len(lot) / max(len(p), 1) / len(flat)) for lot, p in zip(found, picks, strict=True)]
    )
    across, down = orientation.point_to_sensor((chosen % width + 0.5) / width, (chosen // width + 0.5) / height)
    places = np.stack([2 * down - 1, 2 * across - 1], axis=1)
    texture = _texture(image)[first[0] :: step, first[1] :: step].reshape(-1, 3)[chosen]
    return BrightPixels(flat[chosen], places, clipped[chosen], texture, weight, image.saturation, image.to_working)


def _texture(image: Image) -> F32:
    """(H, W, 3) the finest detail about each pixel, as `BrightPixels.texture`: what neighbours differ by."""
    import cv2

    shown = np.maximum(image.pixels / image.saturation.astype(np.float32), np.float32(_DARK)) ** np.float32(1 / _GAMMA)
    square = np.zeros_like(shown)
    square[:-1] += np.diff(shown, axis=0) ** 2
    square[:, :-1] += np.diff(shown, axis=1) ** 2
    around = cv2.blur(square, (BRIGHT.block, BRIGHT.block), borderType=cv2.BORDER_REFLECT_101)
    return np.asarray(np.sqrt(np.maximum(around, 0) / 4) / shown, dtype=np.float32)  # two differences of two pixels
