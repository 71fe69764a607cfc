"""What `evencourt inspect` says of the light: zones with their colour and level, the mains, flicker, dark frames."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from pipeline.light.illuminant import describe, light_xy
from pipeline.light.lamp_flicker import LAMP_FLICKER, Flicker, dark_phase, percent_flicker
from pipeline.light.mains import Mains, frequency
from pipeline.light.scenes import ShootLight, zones
from pipeline.shoot.clocks.bodies import Identity, identity
from pipeline.steps.base import camera_of
from pipeline.steps.white_balance import WhiteBalanceSolution
from pipeline.textfile.messages import and_more, listed
from pipeline.types import F64, Frame

_ROWS = 9
# An average scene of 18 % exposes a sensor to 12.8 % of saturation: 18 % of the saturation-based speed's
# H = 78 / S with half a stop of room (ISO 12232:2019; from memory).
_GREY = 0.128


@dataclass(frozen=True)
class LightWords:
    """zones: rows (zone, scenes, frames, light, level, flicker); of: frame -> (zone, dark); mains: a sentence."""

    zones: list[list[str]]
    of: Mapping[str, tuple[int, bool]]
    mains: str


def light_words(
    light: ShootLight,
    frames: Sequence[Frame],
    balances: Mapping[str, WhiteBalanceSolution],
    daylight: Mapping[str, F64],
) -> LightWords:
    """balances: what white_balance solved for each frame; daylight: its (3,) multipliers for daylight."""
    by_name = {f.name: f for f in frames}
    names = [n for s in light.scenes for n in s.names]
    burst = np.array([light.of[n] for n in names], dtype=np.int64)
    # Gain maps are stops to add: the flicker is what they take away.
    profiles = np.array([-light.flicker(n).on(_ROWS, 1)[:, 0, 1] for n in names])
    level = profiles.mean(axis=1)  # against the lamps' mean where the burst tells it
    for label in np.unique(burst):
        profiles[burst == label] -= profiles[burst == label].mean(axis=0)
    exposure = np.array([by_name[n].exif.exposure_time or np.nan for n in names])
    times = _seconds([by_name[n] for n in names])
    cameras = np.array([camera_of(by_name[n]) for n in names])
    by_camera = {
        c: frequency(times[cameras == c], profiles[cameras == c], burst[cameras == c], 0.0, exposure[cameras == c])
        for c in dict.fromkeys(cameras.tolist())
    }
    mains = next((m for m in by_camera.values() if m.hz is not None), None) or _unknown(by_camera)
    dark = dark_phase(profiles, burst) | (level <= -LAMP_FLICKER.dark)
    zone = zones(light).astype(int)
    rows = []
    for number in dict.fromkeys(zone.tolist()):
        members = [i for i in range(len(light.scenes)) if zone[i] == number]
        inside = np.isin(burst, members)
        flicker = percent_flicker(
            profiles[inside], exposure[inside], mains.hz, times[inside], burst[inside], mains.readout_time
        )
        several = any(len(light.scenes[i].names) > 1 for i in members)
        rows.append([
            str(number + 1), and_more([light.scenes[i].names[0] for i in members]),
            str(int(inside.sum())), _colour(light, members, balances, daylight), _level(light, members, by_name),
            _percent(flicker) if several else "",
        ])  # fmt: skip
    of = {n: (int(zone[b]) + 1, bool(d)) for n, b, d in zip(names, burst, dark, strict=True)}
    return LightWords(rows, of, _mains(mains))


def _percent(flicker: Flicker | None) -> str:
    if flicker is None:
        return ""
    return f"{'at least ' if flicker.at_least else ''}{flicker.percent:.0f} %"


def _seconds(frames: Sequence[Frame]) -> F64:
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


def _unknown(by_camera: Mapping[str, Mains]) -> Mains:
    """The mains where no camera shows it: with the reason, or that of each camera where they differ."""
    reasons: dict[str, list[str]] = {}
    for camera, found in by_camera.items():
        reasons.setdefault(found.reason, []).append(camera)
    if len(reasons) == 1:
        return next(iter(by_camera.values()))
    return Mains(None, 0.0, None, "; ".join(f"{listed(cameras)}: {why}" for why, cameras in reasons.items()))


def _mains(found: Mains) -> str:
    if found.hz is None:
        return f"mains frequency: unknown, these frames do not show it ({found.reason})"
    return f"lamps flicker at {found.hz} Hz: mains of {found.hz // 2} Hz ({found.certainty:.0%} sure)"


def _colour(
    light: ShootLight, members: Sequence[int], balances: Mapping[str, WhiteBalanceSolution], daylight: Mapping[str, F64]
) -> str:
    """Colour temperature of the zone's median balance."""
    first = [light.scenes[i].names[0] for i in members]
    gains = np.median([np.log(balances[n].gains) for n in first], axis=0)
    xy = light_xy(np.exp(gains), daylight[first[0]], light.scenes[members[0]].to_working)
    return describe(xy) if xy is not None else "no colour that a lamp has"


def light_value(iso: float, exposure_time: float, f_number: float) -> float:
    """Light value at ISO 100 for which the settings are right: APEX Av + Tv - Sv, with Sv = 5 at ISO 100 taken off.

    Exif 2.32 annex C.
    """
    return float(np.log2(f_number**2 / exposure_time) - np.log2(iso / 100))


def _level(light: ShootLight, members: Sequence[int], by_name: Mapping[str, Frame]) -> str:
    """Light value at ISO 100 and the illuminance that goes with it, from the settings and the mean of the pictures."""
    values = []
    for i in members:
        e = by_name[light.scenes[i].names[0]].exif
        if e.iso and e.exposure_time and e.f_number and np.isfinite(light.scenes[i].level[1]):
            value = light_value(e.iso, e.exposure_time, e.f_number)
            values.append(value + float(light.scenes[i].level[1] - np.log2(_GREY)))
    if not values:
        return "settings unknown"
    value = float(np.median(values))
    return f"EV {value:.1f} at ISO 100, about {round(2.5 * 2.0**value, -1):.0f} lx"
