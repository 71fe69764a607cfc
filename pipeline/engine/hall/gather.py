"""The findings about a hall, from what measure, burst_light and solve know of a shoot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.engine.hall import sentences
from pipeline.engine.hall.known import Known
from pipeline.engine.hall.movement import movement
from pipeline.imaging.colour import srgb_encode
from pipeline.light.hall.findings import EndLight, FramePoint, HallFindings
from pipeline.light.hall.lamps import EVENED
from pipeline.light.hall.settings import GREY, WIDE, iso_needed, light_value, settings_of
from pipeline.light.illuminant import describe, light_xy
from pipeline.light.scenes import tones_as_shown
from pipeline.types import F64

_FINISHED = "colour of the lamps not known: the camera balanced the pictures"


@dataclass(frozen=True)
class SceneLevels:
    """(N,) of each scene: EV on the same surfaces, NaN where it cannot be compared; ev100  light value, NaN where the
    settings are not known. steady  whether its lamps are evened out. no_aperture: the files do not say the f-number,
    so that it is taken to be the same"""

    relative: F64
    ev100: F64
    steady: np.ndarray[tuple[int], np.dtype[np.bool_]]
    no_aperture: bool


def hall_findings(known: Known, wanted: float) -> HallFindings:
    """All findings of a shoot. wanted  seconds, the shutter that ISO is to be told for"""
    levels = scene_levels(known)
    ends, number = _ends(known, levels, wanted)
    lamps = known.lamps
    known_flicker = [(e.flicker, e.at_least) for e in ends if e.flicker is not None]
    depth, at_least = max(known_flicker, default=(None, False))
    exposure = [f.exif.exposure_time for f in known.frames if f.exif.exposure_time]
    typical = float(np.median(exposure)) if exposure else None
    moved = movement(known.frames, known.bursts, known.seen)
    steady = levels.steady & np.isfinite(levels.relative)
    comparable = levels.relative[steady] if steady.any() else levels.relative[np.isfinite(levels.relative)]
    findings = (
        *sentences.settings(known.frames),
        sentences.moving(moved),
        *sentences.ends(ends, levels.no_aperture, any(f.kind == "picture" for f in known.frames)),
        sentences.exposure(ends, comparable, bool(steady.any())),
        *sentences.flicker(lamps, depth, at_least),
        sentences.waiting(lamps, depth, at_least, typical),
        sentences.iso(ends, wanted),
        sentences.white(known.light, known.balances, known.as_shot),
    )
    return HallFindings(
        len(known.frames), findings, tuple(ends), lamps.mains.hz, depth, lamps.mains.readout_time, typical,
        (wanted, WIDE), _points(known, levels, number),
    )  # fmt: skip


def scene_levels(known: Known) -> SceneLevels:
    """How bright the light of each scene is, by the surfaces that it shares with others: raw brightness on the same
    surfaces, less what the settings did."""
    by_name, light = {f.name: f for f in known.frames}, known.light
    firsts = [s.names[0] for s in light.scenes]
    count = len(firsts)
    relative, ev100 = np.full(count, np.nan), np.full(count, np.nan)
    tone = light.tone
    if light.pairs:
        gains = [known.balances[n].gains / known.daylight[n] for n in firsts]
        tone = tones_as_shown(light, gains, [s.to_working for s in light.scenes])
    no_aperture = False
    for index, name in enumerate(firsts):
        exif = by_name[name].exif
        own = settings_of(exif.iso, exif.exposure_time, exif.f_number)
        if own is None:
            continue
        relative[index] = tone[index] - own.gain
        no_aperture |= not own.f_number
        if own.f_number and np.isfinite(light.scenes[index].level[1]):
            value = light_value(own.iso, own.exposure_time, own.f_number)
            ev100[index] = value + float(light.scenes[index].level[1] - np.log2(GREY))
    # Only one group of scenes shares surfaces: the largest, by frames. A file that does not say its aperture stands
    # apart from those that do.
    frames = np.array([len(s.names) for s in light.scenes])
    if count:
        usual = max(np.unique(light.group), key=lambda g: int(frames[light.group == g].sum()))
        known_stop = np.array([bool(by_name[n].exif.f_number) for n in firsts])
        other = (light.group != usual) | (known_stop != (known_stop[light.group == usual].mean() >= 0.5))
        relative[other] = np.nan
    if np.isfinite(relative).any():
        relative = relative - np.nanmedian(relative)
    both = np.isfinite(relative) & np.isfinite(ev100)
    if both.any():  # what a picture holds makes its own mean uncertain; on the same surfaces it is one level for all
        ev100[both] = float(np.median(ev100[both] - relative[both])) + relative[both]
    return SceneLevels(relative, ev100, frames >= EVENED, no_aperture)


def _ends(known: Known, levels: SceneLevels, wanted: float) -> tuple[list[EndLight], dict[int, int]]:
    """The light zones as ends, largest first, and zone -> its place among them."""
    light, lamps = known.light, known.lamps
    zone = np.array([int(lamps.zone[lamps.scene == i][0]) for i in range(len(light.scenes))], dtype=np.int64)
    words: dict[int, str] = {}
    for one in known.references:
        if one.end and one.frame in light.of:
            words.setdefault(int(zone[light.of[one.frame]]), one.end)
    found = []
    for number in dict.fromkeys(zone.tolist()):
        members = np.flatnonzero(zone == number)
        steady = members[levels.steady[members]]
        told = steady if len(steady) else members
        level, ev = _median(levels.relative[told]), _median(levels.ev100[told])
        firsts = [light.scenes[i].names[0] for i in members]
        gains = np.exp(np.median([np.log(known.balances[n].gains) for n in firsts], axis=0))
        day, matrix = known.daylight[firsts[0]], light.scenes[members[0]].to_working
        xy = light_xy(gains, day, matrix)
        flicker = lamps.flicker[number] if (~lamps.alone[lamps.zone == number]).any() else None
        ev100 = None if np.isnan(ev) else ev
        found.append((number, EndLight(
            words.get(number, f"zone {number + 1}"), int((lamps.zone == number).sum()), level, ev100,
            _FINISHED if (day == 1).all() else describe(xy) if xy is not None else "no colour that a lamp has",
            None if (day == 1).all() else _swatch(matrix @ (day / gains)),
            None if flicker is None else flicker.percent, flicker is not None and flicker.at_least,
            None if ev100 is None else iso_needed(ev100, wanted, WIDE), number,
        )))  # fmt: skip
    found.sort(key=lambda one: (-one[1].frames, one[0]))
    return [end for _, end in found], {number: at for at, (number, _) in enumerate(found)}


def _median(values: F64) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else float("nan")


def _swatch(white: F64) -> tuple[int, int, int]:
    """sRGB of a white under a light, for eyes used to daylight, its largest channel full."""
    linear = np.maximum(white, 0) / max(float(np.max(white)), 1e-9)
    red, green, blue = (round(255 * float(v)) for v in srgb_encode(linear))
    return red, green, blue


def _points(known: Known, levels: SceneLevels, number: Mapping[int, int]) -> tuple[FramePoint, ...]:
    by_name, lamps = {f.name: f for f in known.frames}, known.lamps
    times = [t for f in known.frames if (t := f.exif.time) is not None]
    if not times:
        return ()
    first = min(times)
    points = []
    for at, name in enumerate(lamps.names):
        time, level = by_name[name].exif.time, levels.relative[lamps.scene[at]]
        if time is not None and np.isfinite(level):
            points.append(FramePoint(
                (time - first).total_seconds(), float(level + lamps.level[at]), number[int(lamps.zone[at])],
                bool(lamps.spoiled[at]),
            ))  # fmt: skip
    return tuple(sorted(points, key=lambda p: p.seconds))
