"""decode: a raw frame or a picture to upright linear camera colour."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from pipeline.formats.pictures import read_picture
from pipeline.imaging.geometry import WHOLE, Box
from pipeline.imaging.orientation import Orientation
from pipeline.imaging.raw import noise as noise_model
from pipeline.imaging.raw.defects import Candidates
from pipeline.imaging.raw.mosaic import Clean, SensorCorrection, decode_raw
from pipeline.imaging.raw.noise import NoiseStatistics, RowNoise
from pipeline.imaging.raw.noise_pool import CameraNoise, camera_noise, noise_notes, row_variance, vote
from pipeline.imaging.resample import resize, resize_energy
from pipeline.imaging.sharpness import Detail, detail_of
from pipeline.steps.base import Measured, Params, Solution, SolveContext, Solved, Step, camera_of, floats
from pipeline.types import F64, Domain, Frame, Image, Noise


class DecodeParams(Params):
    """Parameters of decode."""

    size: Literal["needed", "full"] = Field(
        "needed",
        description="needed: only the pixels that the deliveries ask for (fast); full: every pixel, always",
    )


_SEEN = 200  # frames of a sensor that are asked for its defects


@dataclass(frozen=True)
class Sensor:
    """One camera body's frames of one size: their noise by ISO, and what each says of its rows."""

    frames: Sequence[Frame]
    width: int
    noise: CameraNoise
    rows: Mapping[str, RowNoise]


def sensors(frames: Sequence[Frame], measured: Mapping[str, Measured]) -> list[Sensor]:
    """The sensors of a shoot, from what was measured of their frames; pictures that are no raw files have none."""
    groups: dict[tuple[str, str, str, tuple[int, ...]], list[Frame]] = {}
    statistics: dict[str, NoiseStatistics] = {}
    rows: dict[str, RowNoise] = {}
    for frame in frames:
        own = measured[frame.name]
        if "bins" not in own:
            continue
        size = tuple(int(n) for n in own["mosaic_size"])
        groups.setdefault((frame.exif.make, frame.exif.model, frame.exif.serial, size), []).append(frame)
        statistics[frame.name] = NoiseStatistics.from_arrays(own)
        if "rows" in own:
            rows[frame.name] = RowNoise(*(float(v) for v in own["rows"]))
    return [
        Sensor(some, key[3][1], camera_noise([(f.exif.iso, statistics[f.name]) for f in some]), rows)
        for key, some in groups.items()
    ]


def solve(context: SolveContext, params: DecodeParams) -> Solved:
    """Per camera and ISO the noise that all its frames agree on; per sensor its defects and the noise of its rows."""
    solutions: dict[str, Solution] = {}
    notices: list[str] = []
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
            notices.append(f"{camera}: {len(defects)} pixels stand out in most frames and are repaired")
        striped = [f"{iso:.0f}" for iso, v in of_rows.items() if v > 0 and iso]
        if striped:
            notices.append(f"{camera}: noise of whole rows at ISO {', '.join(striped)} is taken out")
        for frame in frames:
            model = found.model(frame.exif.iso)
            solutions[frame.name] = {
                "noise_a": floats(model.a),
                "noise_b": floats(model.b),
                "rows": float(f"{of_rows[frame.exif.iso]:.7g}"),
                "defects": defects,
                "clips_black": found.pools[frame.exif.iso].clips_black,
            }
    return Solved(solutions, tuple(notices))


def _defects(context: SolveContext, sensor: Sensor) -> list[int]:
    frames = sensor.frames
    pick = np.unique(np.linspace(0, len(frames) - 1, min(_SEEN, len(frames))).round().astype(int))
    burst = {name: index for index, b in enumerate(context.bursts) for name in b.frames}
    seen = [(frames[i], context.measured[frames[i].name]) for i in pick]
    seen = [(f, m) for f, m in seen if "index" in m]
    isos = [f.exif.iso for f, _ in seen]
    known = [iso for iso in isos if iso]
    return [
        int(n)
        for n in vote(
            [Candidates(m["index"], m["excess"].astype(np.float32), m["level"].astype(np.float32)) for _, m in seen],
            [sensor.noise.model(f.exif.iso) for f, _ in seen],
            [burst.get(f.name, -1) for f, _ in seen],
            sensor.width,
            known if len(known) == len(isos) else None,
        )
    ]


def correction_of(solution: Solution) -> SensorCorrection | None:
    """What `solve` found for a frame, as the decode takes it."""
    if "noise_a" not in solution:
        return None
    noise = Noise(np.array(solution["noise_a"]), np.array(solution["noise_b"]))
    defects = np.array(solution["defects"], dtype=np.int64)
    return SensorCorrection(noise, solution["rows"], defects, solution["clips_black"])


STEP = Step(
    name="decode",
    version=3,
    summary="Read a raw frame or a JPEG, TIFF or PNG into linear camera colour, upright, black subtracted.",
    Params=DecodeParams,
    place="shared",
    takes=(),
    gives=Domain.CAMERA,
    solve=solve,
)


@dataclass(frozen=True)
class Decoded:
    """An image, the camera's balances as in imaging.mosaic.RawFrame, the full size, notices, what was sensed, whether
    it is denoised already, and its detail where it was asked for."""

    image: Image
    as_shot: F64 | None
    daylight: F64
    full_size: tuple[int, int]
    notices: tuple[str, ...]
    sensed: Mapping[str, NDArray[Any]] = field(default_factory=dict)
    cleaned: bool = False
    detail: Detail | None = None


def decode(
    frame: Frame,
    long_edge: int | None,
    correction: SensorCorrection | None = None,
    sense: bool = False,
    clean: Clean | None = None,
    window: Box = WHOLE,
) -> Decoded:
    """`frame` at most `long_edge` pixels long (None: all of them). The rest as in decode_raw. Raises FrameError."""
    orientation = Orientation(frame.exif.orientation)
    if frame.kind == "raw":
        raw = decode_raw(frame.path, orientation, long_edge, correction, sense, clean, window)
        return Decoded(
            raw.image, raw.as_shot, raw.daylight, raw.full_size, raw.notices, raw.sensed, raw.cleaned, raw.detail
        )
    picture = read_picture(frame.path, orientation)
    pixels = picture.pixels
    full = (pixels.shape[0], pixels.shape[1])
    noise = noise_model.estimate_rgb(pixels, np.ones(3))
    detail = detail_of(pixels, noise) if sense else None
    scale = min(1.0, (long_edge or max(full)) / max(full))
    if scale < 1:
        size = (max(1, round(full[0] * scale)), max(1, round(full[1] * scale)))
        pixels = resize(pixels, *size)
        energy = resize_energy(full, size)
        noise = noise.averaged(energy)
    image = Image(pixels, Domain.CAMERA, noise, np.ones(3), np.eye(3))
    return Decoded(image, np.ones(3), np.ones(3), full, picture.notices, detail=detail)
