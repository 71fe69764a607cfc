"""What is found about a hall: sentences with their numbers, and what a picture or page draws of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Verdict = Literal["good", "look", "unknown"]


@dataclass(frozen=True)
class Finding:
    """One thing that the frames say. `text` is a sentence with its numbers and units; how  says how they were measured.

    verdict  good; look: it costs pictures; unknown: the frames do not tell, and `text` says why
    """

    about: str
    verdict: Verdict
    text: str
    how: str


@dataclass(frozen=True)
class EndLight:
    """The light of one end, or of one zone of like light.

    name     the end in the photographer's words, else the zone's number; frames  how many it lit
    level    EV on the same surfaces against the middle of all; NaN where they cannot be compared
    ev100    light value at ISO 100, None where the settings are not known
    colour   in words; rgb  of a white under it seen with eyes used to daylight, 0 to 255;
             None where the camera balanced the pictures
    flicker  per cent, at_least where it is a lower bound; None where it is not known
    iso      needed at the wanted shutter and f-number; None where the settings are not known
    zone     its number among the light zones, from 0
    """

    name: str
    frames: int
    level: float
    ev100: float | None
    colour: str
    rgb: tuple[int, int, int] | None
    flicker: float | None
    at_least: bool
    iso: float | None
    zone: int = 0


def depth_words(percent: float, at_least: bool) -> str:
    """How deep a light flickers, in words. percent  of 100 (max - min) / (max + min), a lower bound where at_least"""
    if at_least and percent < 0.5:
        return "not seen"
    return f"{'at least ' if at_least else ''}{percent:.0f} %"


@dataclass(frozen=True)
class FramePoint:
    """One frame on the line of time: seconds from the first frame, EV of the light that it caught, which end."""

    seconds: float
    level: float
    end: int
    spoiled: bool


@dataclass(frozen=True)
class HallFindings:
    """All of it.

    frames   that could be read; findings  in the order of an evening; ends  the largest first
    hz, depth (per cent), readout_time (s), exposure_time (s)  of the lamps and the shutter; None where not known
    wanted   shutter (s) and f-number that `iso` of the ends is for
    points   by time, empty where the frames have none
    """

    frames: int
    findings: tuple[Finding, ...]
    ends: tuple[EndLight, ...]
    hz: int | None
    depth: float | None
    readout_time: float | None
    exposure_time: float | None
    wanted: tuple[float, float]
    points: tuple[FramePoint, ...] = ()
