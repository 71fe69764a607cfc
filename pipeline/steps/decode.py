"""decode: a raw frame or a picture to upright linear camera colour."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from pipeline.errors import COPY_AGAIN, FrameError, UndecodableError
from pipeline.imaging.orientation import Orientation
from pipeline.steps.base import Order, Params, SolveContext, Solved, Step, camera_of, rounded
from pipeline.textfile.messages import counted
from pipeline.types import Domain, Frame, Image, Noise

if TYPE_CHECKING:
    from pipeline.imaging.denoise.picture_noise import PictureNoise, PictureStatistics
    from pipeline.imaging.raw.frame import (
        DecodedFrame,
        DecodeOptions,
        PictureCorrection,
        SensorCorrection,
        SensorReading,
    )
    from pipeline.imaging.raw.noise import NoiseStatistics
    from pipeline.imaging.raw.noise_pool import CameraNoise
    from pipeline.imaging.raw.row_noise import RowNoise
    from pipeline.light.scenes import Scene


class DecodeParams(Params):
    """Parameters of decode."""

    size: Literal["needed", "full"] = Field(
        "needed",
        description="needed: only the pixels that the deliveries ask for (fast); full: every pixel, always",
    )


# Frames of a sensor, spread over the shoot, that vote on its defects: so many bound the cost of a long night. A tenth
# more or less is flat, since a defect is in nearly all of them.
_VOTING_FRAMES = 200
_LEAST_SIDE = 16  # pixels of a finished picture's shorter side; less is a remnant. Chosen by us


@dataclass(frozen=True)
class DecodeMeasurement:
    """What one frame shows of its sensor; None for pictures, and for sensors without a Bayer mosaic.

    picture  what a finished picture shows of its noise, None for raws
    """

    reading: SensorReading | None
    picture: PictureStatistics | None = None

    def as_arrays(self) -> dict[str, NDArray[Any]]:
        """For the store."""
        if self.picture is not None:
            return self.picture.as_arrays()
        return {} if self.reading is None else self.reading.as_arrays()

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> DecodeMeasurement:
        """The reverse of `as_arrays`."""
        from pipeline.imaging.denoise.picture_noise import PictureStatistics
        from pipeline.imaging.raw.frame import SensorReading

        if "picture_power" in arrays:
            return cls(None, PictureStatistics.from_arrays(arrays))
        return cls(SensorReading.from_arrays(arrays) if arrays else None)


@dataclass(frozen=True)
class Sensor:
    """The frames of one size of one camera body. width  of the mosaic, pixels; noise  by ISO; rows  by frame name."""

    frames: Sequence[Frame]
    width: int
    noise: CameraNoise
    rows: Mapping[str, RowNoise]


def sensors(frames: Sequence[Frame], measured: Mapping[str, DecodeMeasurement]) -> list[Sensor]:
    """The sensors of a shoot, with the noise that their frames agree on; pictures that are no raw files have none."""
    from pipeline.imaging.raw.noise_pool import camera_noise

    groups: dict[tuple[str, str, str, tuple[int, int]], list[Frame]] = {}
    statistics: dict[str, NoiseStatistics] = {}
    rows: dict[str, RowNoise] = {}
    for frame in frames:
        reading = measured[frame.name].reading
        if reading is None:
            continue
        groups.setdefault((frame.exif.make, frame.exif.model, frame.exif.serial, reading.size), []).append(frame)
        statistics[frame.name] = reading.noise
        if reading.rows is not None:
            rows[frame.name] = reading.rows
    return [
        Sensor(some, key[3][1], camera_noise([(f.exif.iso, statistics[f.name]) for f in some]), rows)
        for key, some in groups.items()
    ]


def _curves(context: SolveContext[DecodeMeasurement]) -> tuple[dict[str, float], list[str]]:
    """Frame name -> strength of its camera's tone curve, of finished pictures that prove one; and notices."""
    from pipeline.light.response.evidence import strength_of

    by_name = {f.name: f for f in context.frames}
    pictures = {f.name for f in context.frames if f.kind == "picture"}
    if not any(len(pictures.intersection(burst.frames)) > 1 for burst in context.bursts):
        return {}, []
    cameras: dict[tuple[str, str], list[Scene]] = {}
    for scene in context.light().scenes:
        if pictures.issuperset(scene.names):
            exif, own = by_name[scene.names[0]].exif, (scene.names[0], "")  # no camera is known: for itself alone
            cameras.setdefault((exif.make, exif.model) if exif.model else own, []).append(scene)
    found: dict[str, float] = {}
    notices = []
    for scenes in cameras.values():
        strength = strength_of([scene.curve for scene in scenes if scene.curve is not None])
        if strength:
            found |= {name: strength for scene in scenes for name in scene.names}
            camera = camera_of(by_name[scenes[0].names[0]])
            notices.append(
                f"{camera}: how its bursts changed with the lamps shows the contrast that it gives its pictures; light "
                "is evened as it was before that"
            )
    return found, notices


def curves(context: SolveContext[Any]) -> dict[str, float]:
    """Frame name -> strength of the contrast that decode takes out of it (imaging.camera_curve), where it does."""
    found = {name: getattr(one, "curve", 0.0) for name, one in context.earlier_of(STEP).items()}
    return {name: curve for name, curve in found.items() if curve}


def on_proxy(image: Image, solution: SensorCorrection | PictureCorrection, frame: Frame) -> Image:
    """A picture without its camera's contrast, which is no light."""
    from pipeline.imaging.camera_curve import straighten, straightened_noise

    curve = proxy_key(solution)
    if not curve:
        return image
    noise = straightened_noise(image.noise, curve)
    return replace(image, pixels=straighten(image.pixels, curve), noise=noise, curve=curve)


def proxy_key(solution: SensorCorrection | PictureCorrection) -> float:
    """What `on_proxy` depends on."""
    return float(getattr(solution, "curve", 0.0))


def _pictures(context: SolveContext[DecodeMeasurement]) -> dict[str, PictureNoise]:
    """By name of the frame, the noise of finished pictures, from all of one camera, ISO and size."""
    from pipeline.imaging.denoise.picture_noise_pool import alike, of_frame, pool

    groups: dict[tuple[str, str, float | None, tuple[int, int]], list[tuple[str, PictureStatistics]]] = {}
    for frame in context.frames:
        found = context.measured[frame.name].picture
        if found is not None:
            size = (min(found.size), max(found.size))  # upright or not
            key = (frame.exif.make, frame.exif.model, frame.exif.iso, size)
            groups.setdefault(key, []).append((frame.name, found))
    noises: dict[str, PictureNoise] = {}
    for (_, model, iso, _), all_of_them in groups.items():
        known = bool(model and iso)
        for indices in [range(len(all_of_them))] if known else alike([found for _, found in all_of_them]):
            some = [all_of_them[i] for i in indices]
            pooled = pool([found for _, found in some], iso)
            if pooled is not None:
                noises |= {name: of_frame(pooled, found, iso, known) for name, found in some}
    return noises


def solve(
    context: SolveContext[DecodeMeasurement], params: DecodeParams
) -> Solved[SensorCorrection | PictureCorrection]:
    """For each sensor and ISO the noise that its frames agree on, its defects and the noise of its rows; for finished
    pictures the noise that those of one camera, ISO and size agree on, and the tone curve that bursts show."""
    from pipeline.imaging.raw.frame import PictureCorrection, SensorCorrection
    from pipeline.imaging.raw.noise_pool import ENOUGH, noise_notes, row_variance

    noises = _pictures(context)
    bent, notices = _curves(context)
    solutions: dict[str, SensorCorrection | PictureCorrection] = {
        name: PictureCorrection(noises.get(name), bent.get(name, 0.0)) for name in noises | bent
    }
    for sensor in sensors(context.frames, context.measured):
        found, frames, rows = sensor.noise, sensor.frames, sensor.rows
        defects = _defects(context, sensor)
        of_rows = {
            iso: row_variance(
                [rows[f.name] for f in frames if f.exif.iso == iso and f.name in rows], float(found.model(iso).b.max())
            )
            for iso in found.pools
        }
        camera = camera_of(frames[0])
        notices += noise_notes(camera, found)
        if len(defects):
            many, one = (
                "pixels stand out in most frames and are repaired",
                "pixel stands out in most frames and is repaired",
            )
            if len(frames) < ENOUGH:
                many, one = "pixels no lens could have drawn are repaired", "pixel no lens could have drawn is repaired"
            notices.append(f"{camera}: {counted(len(defects), one, many)}")
        striped = [f"{iso:.0f}" for iso, v in of_rows.items() if v > 0 and iso]
        if striped:
            notices.append(f"{camera}: faint stripes along the rows at ISO {', '.join(striped)} are taken out")
        for frame in frames:
            iso = frame.exif.iso
            model = found.model(iso)
            noise = Noise(rounded(model.a), rounded(model.b))
            row_noise = float(rounded(np.array(of_rows[iso])))
            solutions[frame.name] = SensorCorrection(noise, row_noise, defects, found.pools[iso].clips_black)
    return Solved(solutions, tuple(notices))


def _defects(context: SolveContext[DecodeMeasurement], sensor: Sensor) -> NDArray[np.int64]:
    """Flat indices into the mosaic of the pixels that are defective in most frames, or of few frames surely in one."""
    from pipeline.imaging.raw.noise_pool import vote

    frames = sensor.frames
    pick = np.unique(np.linspace(0, len(frames) - 1, min(_VOTING_FRAMES, len(frames))).round().astype(int))
    burst = {name: index for index, b in enumerate(context.bursts) for name in b.frames}
    voting = []
    for frame in (frames[i] for i in pick):
        reading = context.measured[frame.name].reading
        if reading is not None and reading.candidates is not None:
            voting.append((frame, reading.candidates))
    isos = [f.exif.iso for f, _ in voting]
    known = [iso for iso in isos if iso]
    return vote(
        [candidates for _, candidates in voting],
        [sensor.noise.model(f.exif.iso) for f, _ in voting],
        [burst.get(f.name, -1) for f, _ in voting],
        sensor.width,
        known if len(known) == len(isos) else None,
    )


def decode(frame: Frame, long_edge: int | None, options: DecodeOptions | None = None) -> DecodedFrame:
    """Decode `frame` to camera-linear, upright, at most `long_edge` pixels long (None: full size).

    Of the options a picture that is no raw file knows only `picture` and sense, which adds the finer luma (`detail`)
    and what it says of its noise. Raises UndecodableError where the frame cannot be read.
    """
    from pipeline.imaging.raw.frame import DecodeOptions

    try:
        return _decode(frame, long_edge, options or DecodeOptions())
    except FrameError as error:
        raise UndecodableError(str(error)) from error


def _decode(frame: Frame, long_edge: int | None, options: DecodeOptions) -> DecodedFrame:
    from pipeline.formats.damage.lost_blocks import has_lost_blocks
    from pipeline.formats.dng import coded_mosaic
    from pipeline.formats.pictures import read_picture
    from pipeline.imaging.denoise.picture_noise import picture_statistics
    from pipeline.imaging.denoise.picture_noise_pool import pool
    from pipeline.imaging.raw.frame import DecodedFrame
    from pipeline.imaging.raw.mosaic import decode_raw
    from pipeline.imaging.raw.noise import estimate_rgb
    from pipeline.imaging.resample import resize, resize_energy
    from pipeline.imaging.sharpness import detail_of

    orientation = Orientation(frame.exif.orientation)
    if frame.kind == "raw":
        decoded = decode_raw(frame.path, orientation, long_edge, options, coded_mosaic)
        if options.sense and has_lost_blocks(frame.path):  # once for each file: it is measured before it is rendered
            raise FrameError(f"a part of the raw data is lost, and something else stands in its place; {COPY_AGAIN}")
        return decoded
    picture = read_picture(frame.path, orientation)
    pixels = picture.pixels
    full = (pixels.shape[0], pixels.shape[1])
    if min(full) < _LEAST_SIDE:
        raise FrameError(
            f"{full[1]} × {full[0]} pixels: too small to be a photograph; put the whole picture in its place, or take "
            "this one out of the folder"
        )
    detail = statistics = None
    if options.sense:
        noise = estimate_rgb(pixels, np.ones(3))
        detail = detail_of(pixels, noise)
        statistics = picture_statistics(pixels, picture.steps)
    else:
        given = None if options.picture is None else options.picture.noise
        known = given or pool([picture_statistics(pixels, picture.steps)], frame.exif.iso)
        noise = Noise(np.zeros(3), np.zeros(3)) if known is None else known.noise()
    scale = min(1.0, (long_edge or max(full)) / max(full))
    if scale < 1:
        size = (max(1, round(full[0] * scale)), max(1, round(full[1] * scale)))
        pixels = resize(pixels, *size)
        noise = noise.averaged(resize_energy(full, size))
    image = Image(pixels, Domain.CAMERA, noise, np.ones(3), np.eye(3))
    if options.picture is not None:
        image = on_proxy(image, options.picture, frame)
    return DecodedFrame(image, np.ones(3), np.ones(3), full, picture.notices, picture=statistics, detail=detail)


def every_pixel(params: DecodeParams) -> bool:
    """Whether the recipe asks for the full size, whatever the deliveries need."""
    return params.size == "full"


STEP: Step[DecodeParams, DecodeMeasurement, SensorCorrection | PictureCorrection] = Step(
    name="decode",
    version=14,
    summary="Read a raw frame or a JPEG, TIFF or PNG into linear camera colour, upright, black subtracted.",
    Params=DecodeParams,
    place="shared",
    takes=(),
    gives=Domain.CAMERA,
    order=Order.FIRST,
    required=True,
    misplaced="decode reads the file; put it first",
    from_arrays=DecodeMeasurement.from_arrays,
    solve=solve,
    without="defects stay, and noise is judged in each frame alone",
    every_pixel=every_pixel,
    on_proxy=on_proxy,
    proxy_key=proxy_key,
)
