"""A raw file to linear camera colour, at the size that is needed: what the file holds, what is wrong with the sensor's
data, and the order in which it is corrected, cleaned and demosaiced."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any, BinaryIO, cast

import cv2
import numpy as np
import rawpy
from numpy.typing import NDArray

from pipeline.errors import COPY_AGAIN, FrameError
from pipeline.imaging.denoise.denoise import denoise_mosaic
from pipeline.imaging.geometry import WHOLE
from pipeline.imaging.learned.mosaic import learned_demosaic
from pipeline.imaging.learned.tiles import Settings
from pipeline.imaging.learned.web import learned_small, web_times
from pipeline.imaging.memory import MEMORY, refuse_too_large
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw import noise as noise_model
from pipeline.imaging.raw.area import by_area
from pipeline.imaging.raw.borders import mend_borders
from pipeline.imaging.raw.colour_matrix import colour_matrix
from pipeline.imaging.raw.cut_darks import cut_level
from pipeline.imaging.raw.defects import candidates, repair
from pipeline.imaging.raw.demosaic import BAYER, FULL_ABOVE, by_libraw, demosaic_noise
from pipeline.imaging.raw.frame import Clean, CodedMosaic, DecodedFrame, DecodeOptions, SensorCorrection, SensorReading
from pipeline.imaging.raw.lost_sectors import has_lost_sectors
from pipeline.imaging.raw.quiet import quiet_libraw
from pipeline.imaging.raw.row_noise import remove_rows, row_noise
from pipeline.imaging.raw.window import Demosaic, can_be_cut, full_size_window, overview
from pipeline.imaging.sharpness import Detail, detail_of, detail_of_mosaic
from pipeline.textfile.messages import listed
from pipeline.types import F32, F64, Domain, Image, Noise, Part

_NO_RAWS = {b"\xff\xd8\xff": "JPG", b"\x89PN": "PNG"}  # how finished pictures begin


@dataclass(frozen=True)
class MosaicConstants:
    """What decides whether a raw file holds a picture, and what is done to it. Ours, no source but where one is named;
    `pytest tests/imaging/raw/test_mosaic.py`."""

    # Pixels from which the rows of a frame are looked at: in a small one the picture's own lines are taken for noise.
    rows_from: int = 1_000_000
    cut_short: float = 0.02  # share of the rows, from the bottom, that may be constant: a camera's own border
    looked_at: int = 7  # every so many columns are compared to find constant rows; odd, so that all colours are seen
    black: float = 1e-6  # of saturation; a frame that is nowhere brighter holds no picture
    above_white: float = 1.02  # times white, that a pixel lies above it
    much_above: float = 0.25  # share of the pixels
    spread_above: float = 0.1  # of white, from the 5th to the 95th percentile of those
    own_blacks: float = 0.5  # raw numbers by which black may differ between colours that share one threshold
    least_rows: int = 8  # of a mosaic: a smaller one is left to LibRaw


MOSAIC = MosaicConstants()
MosaicReader = Callable[[Path], CodedMosaic | None]


def open_raw(path: Path, coded_mosaic: MosaicReader | None = None) -> Any:
    """LibRaw handle on `path`, unpacked. Raises FrameError with a reason a photographer can act on.

    coded_mosaic  finds the mosaics that need not be decoded by LibRaw
    """
    if path.stat().st_size == 0:
        raise FrameError(f"the file is empty (0 bytes); {COPY_AGAIN}")
    coded = None if coded_mosaic is None else coded_mosaic(path)
    raw = None if coded is None else _open_coded(path, coded)
    if raw is not None:
        return raw
    raw = rawpy.RawPy()
    try:
        with quiet_libraw(path):
            raw.open_file(str(path))
            refuse_too_large(raw.sizes.raw_width, raw.sizes.raw_height, MEMORY.raw)
            raw.unpack()
    except rawpy.LibRawFileUnsupportedError as error:
        raw.close()
        with path.open("rb") as file:
            kind = _NO_RAWS.get(file.read(3))
        if kind is not None:
            raise FrameError(f"a {kind} inside, whatever its name says; name it {path.stem}.{kind.lower()}") from error
        # Also where the directory of a file is at its end, as in CRW, and the end is gone.
        raise FrameError(
            f"not a raw file that LibRaw can read, whatever its name says, or damaged or cut short; {COPY_AGAIN}"
        ) from error
    except FrameError:
        raw.close()
        raise
    except rawpy.LibRawError as error:
        raw.close()
        raise FrameError(f"the raw data is damaged or cut short ({_said(error)}); {COPY_AGAIN}") from error
    return raw


def _open_coded(path: Path, coded: CodedMosaic) -> Any | None:
    """LibRaw handle on the file without its mosaic, which is decoded into it; None where either fails."""
    raw = rawpy.RawPy()
    try:
        with quiet_libraw(path):
            raw.open_buffer(cast(BinaryIO, SimpleNamespace(read=lambda: coded.without_mosaic)))  # it only reads all
            meant = (raw.sizes.raw_height, raw.sizes.raw_width) == coded.shape
            if meant:
                raw.unpack()
        flat = meant and raw.raw_type == rawpy.RawType.Flat and raw.raw_image is not None
        # LibRaw looks samples up in this table, which several tags may change.
        if flat and np.array_equal(raw.tone_curve, np.arange(1 << 16)) and coded.decode_into(raw.raw_image):
            return raw
    except (rawpy.LibRawError, TypeError):  # what is wrong is said of the whole file
        pass
    raw.close()
    return None


def _said(error: rawpy.LibRawError) -> str:
    """LibRaw's own words, which rawpy hands on as bytes."""
    first = error.args[0] if error.args else ""
    return first.decode("utf-8", "replace") if isinstance(first, bytes) else str(first)


def upright_size(raw: Any, orientation: Orientation) -> tuple[int, int]:
    """(height, width) of the upright frame with square pixels, at full resolution."""
    sizes = raw.sizes
    height, width = raw.raw_image_visible.shape[:2] if raw.raw_image_visible is not None else (0, 0)
    if not height:
        height, width = sizes.height, sizes.width
    # LibRaw's convention: an aspect below 1 stretches the rows, above 1 the columns.
    aspect = sizes.pixel_aspect or 1.0
    if aspect < 1:
        height = round(height / aspect)
    elif aspect > 1:
        width = round(width * aspect)
    return orientation.upright_size(height, width)


def decode_raw(
    path: Path,
    orientation: Orientation,
    long_edge: int | None,
    options: DecodeOptions | None = None,
    coded_mosaic: MosaicReader | None = None,
) -> DecodedFrame:
    """Decode to at most `long_edge` pixels (None: full size), turned upright by the frame's `orientation`.

    coded_mosaic  as for open_raw

    Source of the camera matrix: LibRaw's table or the file's own (DNG). Raises FrameError.
    """
    options = options or DecodeOptions()
    with open_raw(path, coded_mosaic) as raw:
        full = upright_size(raw, orientation)
        scale = min(1.0, (long_edge or max(full)) / max(full))
        pattern = _pattern(raw)
        notices: list[str] = []
        to_working, daylight = colour_matrix(raw, lambda: open_raw(path), notices)
        as_shot = _as_shot(raw)
        balance = as_shot if as_shot is not None else daylight
        size = (max(1, round(full[0] * scale)), max(1, round(full[1] * scale)))
        reading: SensorReading | None = None
        cleaned = False
        detail: Detail | None = None
        part: Part | None = None
        small: F32 | None = None
        darks = 0.0
        if pattern is None:
            pixels = by_libraw(raw, orientation, size, balance, half=scale <= 0.5)
            noise = noise_model.estimate_rgb(pixels, np.ones(3))
            detail = detail_of(pixels, noise) if options.sense else None
        else:
            mosaic, black, white = _mosaic(raw, notices)
            darks = cut_level(mosaic, pattern, black, white)
            if options.correction is None:
                statistics = noise_model.statistics(mosaic, pattern, black, white)
                model = noise_model.noise_of(statistics)
                if options.sense:
                    reading = _reading(mosaic, pattern, model, statistics, black, white)
                    detail = detail_of_mosaic(mosaic, pattern, model, black, white, orientation)
            else:
                model = options.correction.noise
                mosaic = _corrected(mosaic, pattern, options.correction, black, white)
            energy, spectrum = demosaic_noise(round(scale, 2))
            noise = Noise(model.a * energy, model.b * energy, spectrum)
            if scale > FULL_ABOVE:
                window = options.window if can_be_cut(mosaic, orientation, size) else WHOLE
                clean, learned = _cleaners(model, options.clean, balance)
                cleaned = options.clean is not None
                pixels, part = full_size_window(
                    mosaic, black, white, pattern, orientation, size, window, balance, clean, learned
                )
                if part is not None:
                    small = overview(mosaic, black, white, pattern, orientation, size)
            elif options.clean is not None and options.clean.quality == "learned":
                pixels = _web(mosaic, black, white, pattern, orientation, size, balance, scale, model, options.clean)
                cleaned = True
            else:
                pixels = by_area(mosaic, black, white, pattern, orientation, size)
    if not np.isfinite(pixels).all() or (part is None and max(pixels.max(), -pixels.min()) < MOSAIC.black):
        raise FrameError("every pixel is black; the raw data holds no picture")
    image = Image(pixels, Domain.CAMERA, noise, np.ones(3), to_working, part=part, cut_darks=darks)
    whole = None if small is None else replace(image, pixels=small, part=None)
    return DecodedFrame(image, as_shot, daylight, full, tuple(notices), reading, cleaned, detail, whole)


def _pattern(raw: Any) -> NDArray[np.int64] | None:
    """2x2 colour indices (0 R, 1 G, 2 B) of a plain RGB Bayer mosaic; None for anything else."""
    if raw.raw_type != rawpy.RawType.Flat or raw.num_colors != 3 or raw.color_desc != b"RGBG":
        return None
    pattern = raw.raw_pattern
    if pattern is None or pattern.shape != (2, 2) or raw.raw_image_visible.shape[0] < MOSAIC.least_rows:
        return None
    folded: NDArray[np.int64] = np.where(pattern == 3, 1, pattern).astype(np.int64)
    return folded if tuple(folded.ravel().tolist()) in BAYER else None


def _as_shot(raw: Any) -> F64 | None:
    values = np.asarray(raw.camera_whitebalance[:3], dtype=np.float64)
    # Files without a balance carry ones or zeros here.
    if values.min() <= 0 or np.ptp(values) == 0:
        return None
    return np.asarray(values / values[1])


def _mosaic(raw: Any, notices: list[str]) -> tuple[NDArray[np.uint16], F64, F64]:
    """The visible mosaic, and black and white per colour (R, G, B); what is odd about them goes to `notices`."""
    mosaic = raw.raw_image_visible
    black4 = np.asarray(raw.black_level_per_channel, dtype=np.float64)
    white4 = np.full(4, float(raw.white_level))
    if raw.camera_white_level_per_channel is not None and min(raw.camera_white_level_per_channel) > 0:
        white4 = np.minimum(white4, np.asarray(raw.camera_white_level_per_channel, dtype=np.float64))
    tail = _missing_rows(mosaic)
    if tail >= 1:
        raise FrameError("every pixel has the same value; the raw data holds no picture")
    if tail > MOSAIC.cut_short:
        raise FrameError(f"the last {100 * tail:.0f} % of the frame holds no data: the file is cut short; {COPY_AGAIN}")
    if not mosaic.any():
        raise FrameError("every pixel is zero; the raw data holds no picture")
    if has_lost_sectors(mosaic, black4):
        raise FrameError(f"a part of the raw data is lost, and zeros stand in its place; {COPY_AGAIN}")
    if black4[3] not in (0.0, black4[1]):  # greens with unequal black: level them in place, once
        mosaic = mosaic.copy()
        for row in (0, 1):
            for column in (0, 1):
                if raw.raw_pattern[row, column] == 3:
                    cell = mosaic[row::2, column::2].astype(np.int32) + round(black4[1] - black4[3])
                    mosaic[row::2, column::2] = np.clip(cell, 0, 65535).astype(np.uint16)
    black, white = black4[:3], _believable(white4[:3], mosaic, notices)
    if (white - black).min() <= 0:
        raise FrameError("black level and white level of this raw contradict each other")
    mosaic, sides = mend_borders(mosaic, black, white)
    if sides:
        notices.append(f"one colour is wrong along its {listed(sides)} border, in the file: repaired there")
    return mosaic, black, white


def _believable(white: F64, mosaic: NDArray[np.uint16], notices: list[str]) -> F64:
    """White (3,) as the file gives it, or where much of the picture lies above that: the most that its bits can hold.

    Clipped pixels lie at one value, whatever a file calls white; a picture above it does not.
    """
    some = mosaic[:: MOSAIC.looked_at, :: MOSAIC.looked_at]
    above = some[some > MOSAIC.above_white * white.max()]
    if above.size < MOSAIC.much_above * some.size:
        return white
    low, high = np.quantile(above, [0.05, 0.95])
    if high - low < MOSAIC.spread_above * white.max():
        return white
    most = float((1 << int(mosaic.max()).bit_length()) - 1)
    notices.append(
        f"the file calls {white.max():.0f} white, and much of its picture lies above that: {most:.0f} was taken instead"
    )
    return np.full(3, most)


def _missing_rows(mosaic: NDArray[np.uint16]) -> float:
    """Fraction of the frame, from the bottom, whose rows are constant: data that never arrived."""
    constant = (mosaic[:, :: MOSAIC.looked_at] == mosaic[:, :1]).all(axis=1)
    return 0.0 if not constant[-1] else float(np.argmin(constant[::-1]) or len(constant)) / len(constant)


def _sensor(
    pattern: NDArray[np.int64], noise: Noise, black: F64, white: F64, clips_black: bool = False
) -> noise_model.Sensor | None:
    """None where the colours have blacks of their own: one threshold then serves none of them."""
    if np.ptp(black) > MOSAIC.own_blacks:
        return None
    return noise_model.Sensor(pattern, noise, float(black.min()), float((white - black).min()), clips_black)


def _reading(
    mosaic: NDArray[np.uint16],
    pattern: NDArray[np.int64],
    noise: Noise,
    statistics: noise_model.NoiseStatistics,
    black: F64,
    white: F64,
) -> SensorReading:
    size = (int(mosaic.shape[0]), int(mosaic.shape[1]))
    sensor = _sensor(pattern, noise, black, white)
    if sensor is None:
        return SensorReading(statistics, size)
    rows = row_noise(mosaic, sensor) if mosaic.size >= MOSAIC.rows_from else None
    return SensorReading(statistics, size, candidates(mosaic, sensor), rows)


def _corrected(
    mosaic: NDArray[np.uint16], pattern: NDArray[np.int64], correction: SensorCorrection, black: F64, white: F64
) -> NDArray[np.uint16]:
    """Without defects and row noise; the same object where there are none."""
    sensor = _sensor(pattern, correction.noise, black, white, correction.clips_black)
    if sensor is None:
        return mosaic
    return np.asarray(remove_rows(repair(mosaic, correction.defects), sensor, correction.rows), dtype=np.uint16)


def _cleaners(noise: Noise, clean: Clean | None, balance: F64) -> tuple[Callable[[F32], F32] | None, Demosaic | None]:
    """What cleans the packed planes of a mosaic, and what cleans and demosaics it; one of them at the most."""
    if clean is None:
        return None, None
    quality = clean.quality
    if quality == "learned":
        return None, partial(learned_demosaic, noise=noise, settings=_settings(clean))

    def denoised(cells: F32) -> F32:
        return denoise_mosaic(
            cells, noise, clean.strength, clean.luma, clean.chroma, clean.keep_grain, balance, quality
        )

    return denoised, None


def _settings(clean: Clean) -> Settings:
    return Settings(clean.strength * clean.luma, clean.strength * clean.chroma, clean.keep_grain)


def _web(
    mosaic: NDArray[np.uint16], black: F64, white: F64, pattern: NDArray[np.int64], orientation: Orientation,
    size: tuple[int, int], balance: F64, scale: float, noise: Noise, clean: Clean,
) -> F32:  # fmt: skip
    """Cleaned by the network for web sizes; noise  of the mosaic."""
    times = web_times(scale)  # a larger picture is made, and averaged, where the network never saw one so small
    twice = by_area(mosaic, black, white, pattern, orientation, (2 * times * size[0], 2 * times * size[1]))
    energy, spectrum = demosaic_noise(round(times * scale, 2))
    averaged = Noise(noise.a * energy, noise.b * energy, spectrum)
    pixels = learned_small(twice, balance, times * scale, noise, averaged, _settings(clean))
    if times > 1:
        small = cv2.resize(pixels, (size[1], size[0]), interpolation=cv2.INTER_AREA)
        pixels = np.asarray(small, dtype=np.float32)
    return pixels
