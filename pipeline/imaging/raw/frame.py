"""A frame as decoded, what its mosaic says of the sensor, and what a whole shoot then knows of that sensor."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.imaging.denoise.picture_noise import PictureNoise, PictureStatistics
from pipeline.imaging.geometry import WHOLE, Box
from pipeline.imaging.raw.defects import TILE, Candidates
from pipeline.imaging.raw.noise import NoiseStatistics
from pipeline.imaging.raw.row_noise import RowNoise
from pipeline.imaging.sharpness import Detail
from pipeline.store.packing import LARGEST, take
from pipeline.types import F64, I64, Image, JsonObject, Noise

if TYPE_CHECKING:
    from pipeline.imaging.denoise.denoise import Quality


@dataclass(frozen=True, slots=True)
class SensorReading:
    """What one mosaic says of its sensor: noise, isolated pixels that stand out, noise of whole rows.

    size  (height, width) of the mosaic; candidates, rows  None where they were not looked for
    """

    noise: NoiseStatistics
    size: tuple[int, int]
    candidates: Candidates | None = None
    rows: RowNoise | None = None

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """For the store: some kB, excess and level in half precision."""
        arrays: dict[str, NDArray[Any]] = {**self.noise.arrays(), "mosaic_size": np.array(self.size)}
        if self.candidates is not None:
            arrays |= {
                "index": self.candidates.index,
                "excess": self.candidates.excess.astype(np.float16),
                "alone": self.candidates.alone.astype(np.uint8),
                "level": self.candidates.level.astype(np.float16),
            }
        if self.rows is not None:
            arrays["rows"] = np.array([self.rows.variance, self.rows.error, self.rows.finest])
        return arrays

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> SensorReading:
        """What `as_arrays` gave. Raises ValueError for what it cannot have given."""
        height, width = (int(n) for n in take(arrays, "mosaic_size", np.int64, (2,), 1, LARGEST))
        candidates = rows = None
        if "index" in arrays:
            index = take(arrays, "index", np.uint32, (None,), 0, height * width - 1)
            excess = take(arrays, "excess", np.float16, index.shape, -LARGEST, LARGEST).astype(np.float32)
            alone = take(arrays, "alone", np.uint8, index.shape, 0, 1).astype(np.bool_)
            tiles = (-(-height // TILE), -(-width // TILE))
            level = take(arrays, "level", np.float16, tiles, -LARGEST, LARGEST).astype(np.float32)
            candidates = Candidates(index, excess, alone, level)
        if "rows" in arrays:
            rows = RowNoise(*(float(v) for v in take(arrays, "rows", np.float64, (3,), -LARGEST, np.inf)))
        return cls(NoiseStatistics.from_arrays(arrays), (height, width), candidates, rows)


@dataclass(frozen=True, slots=True)
class SensorCorrection:
    """What the whole shoot knows of a frame's sensor.

    noise        model of the mosaic at this ISO
    rows         variance of the row noise, saturation squared; 0 where there is none
    defects      pixels to repair, row * width + column, sorted
    clips_black  whether the raw holds nothing below black
    """

    noise: Noise
    rows: float = 0.0
    defects: I64 = field(default_factory=lambda: np.zeros(0, np.int64))
    clips_black: bool = False

    def as_json(self) -> JsonObject:
        """For the record and the keys."""
        return {
            "noise_a": self.noise.a.tolist(),
            "noise_b": self.noise.b.tolist(),
            "rows": self.rows,
            "defects": self.defects.tolist(),
            "clips_black": self.clips_black,
        }


class CodedMosaic(Protocol):
    """The mosaic of a raw file, decoded without LibRaw: see formats.dng."""

    @property
    def without_mosaic(self) -> bytearray:
        """The file without it, as LibRaw is to read it."""

    @property
    def shape(self) -> tuple[int, int]:
        """(height, width) of the mosaic with its margins."""

    def decode_into(self, mosaic: NDArray[np.uint16]) -> bool:
        """Whether the mosaic is whole and of this shape; it is then in `mosaic`."""


@dataclass(frozen=True)
class Clean:
    """How to denoise the mosaic where it is demosaiced at full size: see imaging.denoise.denoise_mosaic, and
    imaging.learned, which demosaics too."""

    strength: float
    luma: float
    chroma: float
    keep_grain: float
    quality: Quality | Literal["learned"]


@dataclass(frozen=True, slots=True)
class PictureCorrection:
    """What a shoot knows of a finished picture.

    noise  of such pictures; None where they do not say; curve  strength of its camera's contrast, which is taken out
    before gains and put back by tone
    """

    noise: PictureNoise | None
    curve: float = 0.0

    def as_json(self) -> JsonObject:
        """For the record and the keys."""
        found: JsonObject = {} if self.noise is None else self.noise.as_json()
        return {**found, "curve": self.curve} if self.curve else found


@dataclass(frozen=True)
class DecodeOptions:
    """What a decode does besides giving pixels.

    correction  what the shoot knows of the sensor: its defects and rows are repaired, and its noise is taken; else
                noise is estimated from this frame
    sense       also look for defects and row noise, and give the detail
    clean       where the size needs a full demosaic, denoise before it, while noise is still white
    window      the part of the upright frame that is wanted; where the size needs a full demosaic of a Bayer mosaic
                of square pixels, no more is decoded
    picture     what the shoot knows of such finished pictures; else their noise is estimated from this frame
    """

    correction: SensorCorrection | None = None
    sense: bool = False
    clean: Clean | None = None
    window: Box = WHOLE
    picture: PictureCorrection | None = None


@dataclass(frozen=True)
class DecodedFrame:
    """One frame, raw or picture, at the asked size.

    image       upright, camera-linear, black subtracted, 1.0 = saturation
    as_shot     (3,) the camera's own balance multipliers, green = 1; None when the file has none
    daylight    (3,) multipliers of the camera's daylight matrix, green = 1
    full_size   (height, width) of the upright frame at full resolution, square pixels
    notices     what the report should say
    reading     what the mosaic says of the sensor; None unless asked for, and for pictures
    cleaned     whether the mosaic was denoised
    detail      the luma at half the sensor's resolution; None unless asked for
    overview    the whole frame, small and as bright, where `image` is only a part of it
    picture     what a finished picture says of its noise; None unless asked for, and for raws
    """

    image: Image
    as_shot: F64 | None
    daylight: F64
    full_size: tuple[int, int]
    notices: tuple[str, ...]
    reading: SensorReading | None = None
    cleaned: bool = False
    detail: Detail | None = None
    overview: Image | None = None
    picture: PictureStatistics | None = None

    @property
    def camera_balance(self) -> F64:
        """(3,) multipliers of the camera: as shot, or for daylight where the file carries none."""
        return self.as_shot if self.as_shot is not None else self.daylight
