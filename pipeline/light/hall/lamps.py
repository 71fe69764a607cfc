"""What the frames of a shoot say of the lamps: their mains, how deeply they flicker, and which frames that spoiled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from pipeline.light.hall.settings import THIRD
from pipeline.light.lamp_flicker import LAMP_FLICKER, Flicker, dark_phase, percent_flicker
from pipeline.light.mains import Ints, Mains, frequency
from pipeline.light.scenes import ShootLight, zones
from pipeline.shoot.clocks.bodies import Identity, identity
from pipeline.textfile.messages import listed
from pipeline.types import F64, Frame

ROWS = 9  # of a frame, at which its flicker is looked at
EVENED = 3  # frames of a burst whose lamps are evened out in its level; a single catches any moment of them


@dataclass(frozen=True)
class Lamps:
    """All frames of the scenes, N of them, in the scenes' order.

    names  of the frames; scene, zone  (N,) of each; level  (N,) EV against the lamps' mean where the burst tells it
    profiles  (N, ROWS) EV against the mean of the burst at each row
    within (N,) EV between the brightest and the darkest row; dark (N,) caught in the dark phase; alone (N,) nothing to
    compare with: neither a frame of its burst nor, for a single, a burst of the same view
    mains  by what frequency; flicker  light zone -> how deep, None where that is not known
    """

    names: tuple[str, ...]
    scene: Ints
    zone: Ints
    level: F64
    profiles: F64
    within: F64
    dark: NDArray[np.bool_]
    alone: NDArray[np.bool_]
    times: F64
    exposure: F64
    mains: Mains
    flicker: Mapping[int, Flicker | None]

    @property
    def spoiled(self) -> NDArray[np.bool_]:
        """(N,) frames that flicker made a quarter of a stop darker than their burst or the lamps' mean, or uneven by a
        third from row to row."""
        return np.asarray(self.dark | ((self.within >= THIRD) & ~self.alone))

    def of_scenes(self, scenes: Sequence[int]) -> Flicker | None:
        """How deeply the lamps flicker in these scenes alone."""
        inside = np.isin(self.scene, scenes)
        return percent_flicker(
            self.profiles[inside], self.exposure[inside], self.mains.hz, self.times[inside], self.scene[inside],
            self.mains.readout_time,
        )  # fmt: skip


def lamps_of(light: ShootLight, cameras: Sequence[str], times: F64, exposure: F64) -> Lamps:
    """cameras, times, exposure  of each frame of the scenes, in their order: times in seconds of the camera's own
    clock, exposure times in seconds; NaN where not known."""
    names = tuple(n for s in light.scenes for n in s.names)
    scene = np.array([light.of[n] for n in names], dtype=np.int64)
    # Gain maps are stops to add: the flicker is what they take away.
    profiles = np.array([-light.flicker(n).on(ROWS, 1)[:, 0, 1] for n in names]).reshape(len(names), ROWS)
    level, within = profiles.mean(axis=1), np.ptp(profiles, axis=1)
    for label in np.unique(scene):
        profiles[scene == label] -= profiles[scene == label].mean(axis=0)
    of = np.array(cameras)
    by_camera = {
        c: frequency(times[of == c], profiles[of == c], scene[of == c], 0.0, exposure[of == c])
        for c in dict.fromkeys(cameras)
    }
    mains = next((m for m in by_camera.values() if m.hz is not None), None) or _unknown(by_camera)
    dark = dark_phase(profiles, scene) | (level <= -LAMP_FLICKER.dark)
    zone = zones(light).astype(np.int64)
    untold = np.array([len(s.names) < 2 and not s.flicker[0].coefficients.any() for s in light.scenes], dtype=np.bool_)
    found = Lamps(names, scene, zone[scene], level, profiles, within, dark, untold[scene], times, exposure, mains, {})
    of_zone = {int(z): found.of_scenes(np.flatnonzero(zone == z).tolist()) for z in np.unique(zone)}
    return Lamps(**{**vars(found), "flicker": of_zone})


def _unknown(by_camera: Mapping[str, Mains]) -> Mains:
    """The mains where no camera shows it: with the reason, or that of each camera where they differ."""
    reasons: dict[str, list[str]] = {}
    for camera, found in by_camera.items():
        reasons.setdefault(found.reason, []).append(camera)
    if len(reasons) == 1:
        return next(iter(by_camera.values()))
    return Mains(None, 0.0, None, "; ".join(f"{listed(cameras)}: {why}" for why, cameras in reasons.items()))


def lamps_of_frames(light: ShootLight, frames: Sequence[Frame]) -> Lamps:
    """What the frames of a shoot say of the lamps."""
    by_name = {f.name: f for f in frames}
    own = [by_name[n] for s in light.scenes for n in s.names]
    exposure = np.array([frame.exif.exposure_time or np.nan for frame in own])
    cameras = [frame.exif.camera or "a camera without a model" for frame in own]
    return lamps_of(light, cameras, seconds_of(own), exposure)


def seconds_of(frames: Sequence[Frame]) -> F64:
    """(N,) seconds from the first frame of the same camera body, so that the steps of its clock still show."""
    firsts: dict[Identity, datetime] = {}
    for frame in frames:
        if frame.exif.time is not None:
            firsts[identity(frame)] = min(frame.exif.time, firsts.get(identity(frame), frame.exif.time))
    return np.array(
        [
            np.nan if frame.exif.time is None else (frame.exif.time - firsts[identity(frame)]).total_seconds()
            for frame in frames
        ]
    )
