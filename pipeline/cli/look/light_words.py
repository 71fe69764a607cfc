"""What `evencourt inspect` says of the light: zones with their colour and level, flicker, dark frames."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.light.hall.findings import EndLight, depth_words
from pipeline.light.hall.lamps import Lamps
from pipeline.light.hall.settings import GREY, light_value, lux
from pipeline.light.illuminant import describe, light_xy
from pipeline.light.lamp_flicker import Flicker
from pipeline.light.scenes import ShootLight, zones
from pipeline.steps.white_balance import WhiteBalanceSolution
from pipeline.textfile.messages import and_more
from pipeline.types import F64, Frame


@dataclass(frozen=True)
class LightWords:
    """zones: rows (zone, scenes, frames, light, EV, lx, flicker); of: frame -> (zone, dark)."""

    zones: list[list[str]]
    of: Mapping[str, tuple[int, bool]]


def light_words(
    light: ShootLight,
    lamps: Lamps,
    frames: Sequence[Frame],
    balances: Mapping[str, WhiteBalanceSolution],
    daylight: Mapping[str, F64],
) -> LightWords:
    """balances: what white_balance solved for each frame; daylight: its (3,) multipliers for daylight."""
    by_name = {f.name: f for f in frames}
    zone = zones(light).astype(int)
    rows = []
    for number in dict.fromkeys(zone.tolist()):
        members = [i for i in range(len(light.scenes)) if zone[i] == number]
        several = any(len(light.scenes[i].names) > 1 for i in members)
        rows.append([
            str(number + 1), and_more([light.scenes[i].names[0] for i in members]),
            str(int((lamps.zone == number).sum())), _colour(light, members, balances, daylight),
            *_level(light, members, by_name), _percent(lamps.flicker[number]) if several else "",
        ])  # fmt: skip
    of = {n: (int(z) + 1, bool(d)) for n, z, d in zip(lamps.names, lamps.zone, lamps.dark, strict=True)}
    return LightWords(rows, of)


def as_of_the_hall(rows: Sequence[list[str]], ends: Sequence[EndLight]) -> list[list[str]]:
    """Rows of zones with the names and levels that are told of the hall's ends, which the surfaces that zones share
    bring together: one light must not have two brightnesses on one screen."""
    by_zone = {str(end.zone + 1): end for end in ends}
    told = []
    for row in rows:
        end = by_zone.get(row[0])
        if end is None:
            told.append(row)
            continue
        name = row[0] if end.name == f"zone {row[0]}" else f"{row[0]} ({end.name})"
        level = ["not known", ""] if end.ev100 is None else [f"{end.ev100:.1f}", f"{lux(end.ev100):.0f}"]
        told.append([name, *row[1:4], *level, *row[6:]])
    return told


def _percent(flicker: Flicker | None) -> str:
    if flicker is None:
        return ""
    return depth_words(flicker.percent, flicker.at_least)


def _colour(
    light: ShootLight, members: Sequence[int], balances: Mapping[str, WhiteBalanceSolution], daylight: Mapping[str, F64]
) -> str:
    """Colour temperature of the zone's median balance, in finished pictures of what their camera left."""
    first = [light.scenes[i].names[0] for i in members]
    if (daylight[first[0]] == 1).all():
        return "not known: balanced by the camera"
    gains = np.median([np.log(balances[n].gains) for n in first], axis=0)
    xy = light_xy(np.exp(gains), daylight[first[0]], light.scenes[members[0]].to_working)
    return describe(xy) if xy is not None else "no colour that a lamp has"


def _level(light: ShootLight, members: Sequence[int], by_name: Mapping[str, Frame]) -> list[str]:
    """Light value at ISO 100, and lx that go with it, from the settings and the mean of the pictures."""
    values = []
    for i in members:
        e = by_name[light.scenes[i].names[0]].exif
        if e.iso and e.exposure_time and e.f_number and np.isfinite(light.scenes[i].level[1]):
            value = light_value(e.iso, e.exposure_time, e.f_number)
            values.append(value + float(light.scenes[i].level[1] - np.log2(GREY)))
    if not values:
        return ["not known", ""]
    value = float(np.median(values))
    return [f"{value:.1f}", f"{lux(value):.0f}"]
