"""Frozen types that the phases hand to each other."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
Progress = Callable[[str, int, int], None]  # called with a phase, how much of it is done, and how much there is

JsonValue: TypeAlias = "bool | int | float | str | list[JsonValue] | dict[str, JsonValue] | None"
JsonObject: TypeAlias = dict[str, JsonValue]


class Domain(StrEnum):
    """What the numbers of an image mean."""

    CAMERA = "camera-linear"  # linear, camera colour, 1.0 = saturation of the sensor before any gain
    WORKING = "working-linear"  # linear, Rec. 709 primaries, D65, scene referred, unclipped
    DISPLAY = "display"  # sRGB encoded, 0 to 1


@dataclass(frozen=True, slots=True)
class Noise:
    """Variance of each channel at signal x: var = a * x + b, in the units of the image it travels with.

    spectrum: relative power (2, 8, 8), mean 1, of the noise in the 8x8 DCT coefficients of luma and of
    chroma, for noise that a demosaic or resize has correlated; None is white noise.

    Of finished pictures the noise is known better, and a and b are the nearest line only:
    levels: (2, 3, L) rising signal and variance of each channel there; None elsewhere
    spectrum: power (S, 3, 8, 8) against these variances, of luma and two colour planes, at this size, half of it, ...
    """

    a: F64  # (3,), >= 0
    b: F64  # (3,), >= 0
    spectrum: F64 | None = None
    levels: F64 | None = None

    def scaled(self, gain: F64) -> Noise:
        """After x -> gain * x: a -> gain * a, b -> gain**2 * b. `gain` is (3,) or a scalar array."""
        levels = self.levels
        if levels is not None:
            of_channel = np.broadcast_to(gain, (3,))[:, None]
            levels = np.stack([levels[0] * of_channel, levels[1] * of_channel**2])
        return Noise(self.a * gain, self.b * gain * gain, self.spectrum, levels)

    def averaged(self, energy: float) -> Noise:
        """After an average over areas whose squared weights sum to `energy`; white noise stays nearly white."""
        if energy == 1.0:
            return self
        if self.spectrum is None or self.levels is None:
            return Noise(self.a * energy, self.b * energy)
        # What lies between two of the sizes that were measured lies between their powers.
        scales = len(self.spectrum)
        at = np.arange(scales) - 0.5 * math.log2(energy)
        low = np.minimum(np.floor(at).astype(np.int64), scales - 1)
        high = np.minimum(low + 1, scales - 1)
        logs = np.log(np.maximum(self.spectrum, 1e-12))
        between = np.where(low == high, 0.0, at - low)[:, None, None, None]
        # Beyond the coarsest, noise is white: a quarter for each halving.
        beyond = np.where(low == high, at - low, 0.0)[:, None, None, None] * math.log(4.0)
        shifted = np.exp(logs[low] + between * (logs[high] - logs[low]) - beyond)
        less = float(shifted[0].mean() / self.spectrum[0].mean())
        return Noise(self.a * less, self.b * less, shifted, self.levels)

    def left(self, share: float) -> Noise:
        """After a denoise that leaves `share` of the variance: nearly white, hardly any."""
        return Noise(self.a * share, self.b * share)


class Part(NamedTuple):
    """Where pixels lie in a picture that they are a part of: left and top of the first one, size of the picture."""

    left: int
    top: int
    width: int
    height: int


@dataclass(frozen=True)
class Image:
    """Pixels with what is needed to interpret them.

    pixels      float32 (H, W, 3), upright, finite; linear data may be slightly negative (noise about black)
    noise       variance model in the same units
    saturation  (3,) the value at which each channel clips, in the same units
    to_working  (3, 3) matrix that brings balanced camera colour to working-linear
    noise_gain_map  (K, K, 3) gains about 1, coarse over the whole picture, that noise and clipping went through
                besides: there a is a * u, b is b * u * u, and a channel clips at u * saturation; None where it is even
    warp        brings coarse gains over the frame as taken, (K, K, C), to this picture; None: nothing has moved
    part        where the pixels lie in the frame, if only some of it was decoded; None: they are all of it
    curve       strength of the contrast that a camera had put on a finished picture: decode took it out, tone puts it
                back (imaging.camera_curve); 0: none
    cut_darks   the brightest of a pixel's channels, in parts of saturation, up to which its colour is not known, as the
                camera cut off its darks (imaging.raw.cut_darks); balance makes it grey. 0: nothing was cut off
    """

    pixels: F32
    domain: Domain
    noise: Noise
    saturation: F64
    to_working: F64
    noise_gain_map: F32 | None = None
    part: Part | None = None
    warp: Callable[[F32], F32] | None = None
    curve: float = 0.0
    cut_darks: float = 0.0

    @property
    def place(self) -> Part:
        """Where the pixels lie in the whole picture."""
        return self.part or Part(0, 0, self.pixels.shape[1], self.pixels.shape[0])

    @property
    def is_finished(self) -> bool:
        """Whether it is of a finished picture, balanced by its camera: its channels are the working ones already."""
        return bool(np.array_equal(self.to_working, np.eye(3)))

    def with_pixels(self, pixels: F32) -> Image:
        """The same with other pixels of the same size, units and noise."""
        return replace(self, pixels=pixels)


@dataclass(frozen=True)
class CameraFacts:
    """Camera, lens and settings, as they may go on into a delivered file: no serial number. None or "" = not known.

    exposure_time in seconds, focal_length in mm, iso as on the camera.
    """

    make: str = ""
    model: str = ""
    lens: str = ""
    iso: float | None = None
    exposure_time: float | None = None
    f_number: float | None = None
    focal_length: float | None = None

    @property
    def camera(self) -> str:
        """Make and model, the make once: many models begin with a word of it. "" where neither is known."""
        first = self.model.casefold().partition(" ")[0]
        return self.model if first in self.make.casefold().split() else f"{self.make} {self.model}".strip()


@dataclass(frozen=True)
class Exif(CameraFacts):
    """Capture facts of a frame; None or "" where the file does not say.

    time is local wall-clock time (naive, microseconds from the sub-second tag); utc_offset in minutes.
    corrected_by is the seconds in `time` that `clocks` of the facts added to what the file says.
    gps_time is that of the last fix by satellite (naive, UTC).
    doubt is why the date in `time`, or without a time that of the event, is written nowhere; "" where it is believed.
    orientation as Exif 274 (1 to 8).
    """

    serial: str = ""
    time: datetime | None = None
    has_subseconds: bool = False
    utc_offset: int | None = None
    orientation: int = 1
    notices: tuple[str, ...] = ()
    gps_time: datetime | None = None
    corrected_by: float = 0.0
    doubt: str = ""


@dataclass(frozen=True, slots=True)
class Frame:
    """One capture in the shoot folder.

    name      unique in the shoot: the file's stem, or its path where an earlier frame is called by the stem
    relative  posix path from the shoot folder
    kind      "raw" (LibRaw reads it) or "picture" (JPEG, TIFF, PNG)
    twin      the camera's JPEG of the same exposure, used where the raw is damaged
    copies    further files of the same exposure, which are not used: identical files and more JPEGs. What stands in
              them, in their names and beside them counts for consent
    number    place in the shoot, from 1, that a frame keeps when others are added; 0 while it has none
    """

    name: str
    path: Path
    relative: str
    kind: str
    exif: Exif = field(default_factory=Exif)
    twin: Path | None = None
    copies: tuple[Path, ...] = ()
    number: int = 0

    @property
    def files(self) -> tuple[Path, ...]:
        """All files of the exposure, the one that is used first."""
        return (self.path, *((self.twin,) if self.twin else ()), *self.copies)

    @property
    def relatives(self) -> tuple[str, ...]:
        """Posix path from the shoot folder of each of `files`."""
        up = self.relative.count("/")
        return (self.relative, *(path.relative_to(self.path.parents[up]).as_posix() for path in self.files[1:]))


@dataclass(frozen=True, slots=True)
class Burst:
    """Frames of one camera that share a scene and settings, in order of time. A single is a burst of one.

    timed  False of a frame without a capture time, which nothing but its picture ties to its neighbours
    seconds  of each frame since the first, rising; where the times only bound them, the fewest they allow; none where
             they do not tell
    longest  the most seconds they allow, so that nobody counts as faster than proven; none for a single
    """

    frames: tuple[str, ...]
    timed: bool = True
    seconds: tuple[float, ...] = field(default=(), compare=False)
    longest: tuple[float, ...] = field(default=(), compare=False)
