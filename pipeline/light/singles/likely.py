"""Which bursts may tell how the rows of a single frame were lit (light.singles): those of its camera and settings
that are nearest to it in time, and those whose colours are most like its own."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

import numpy as np

from pipeline.light.scenes import Scene
from pipeline.types import Frame

_FEW = 3  # frames of a burst that may be too short to tell it itself
# Of bursts that are asked, by each. Each takes a quarter of a second, a frame takes ten to be rendered.
_NEAREST, _ALIKE = 2, 2
_SAME = 1.3  # times the exposure, within which a lamp pulses alike: a third of a stop, as dials are marked


def likely_halls(groups: Sequence[tuple[Frame, ...]], scenes: Sequence[Scene]) -> dict[int, list[int]]:
    """By the number of a short burst or a single frame, the numbers of the bursts that may tell of it, likeliest first.

    groups: the frames of each; scenes: what was found of each
    """
    telling = [i for i, scene in enumerate(scenes) if scene.tells]
    colours = {i: np.asarray(scenes[i].chroma_histogram, dtype=np.float32).ravel() for i in telling}
    found = {}
    for number, (frames, scene) in enumerate(zip(groups, scenes, strict=True)):
        if len(frames) > _FEW or scene.tells:
            continue
        could = [i for i in telling if _alike(frames[0], groups[i][0])]
        own = np.asarray(scene.chroma_histogram, dtype=np.float32).ravel()
        near = sorted(could, key=lambda i: (_apart(frames[0], groups[i]), i))[:_NEAREST]
        alike = sorted(could, key=lambda i: (-float(own @ colours[i]), i))[:_ALIKE]
        first = sorted({*near, *alike}, key=lambda i: (-float(own @ colours[i]), i))
        if first:
            found[number] = first
    return found


def _alike(one: Frame, other: Frame) -> bool:
    """Whether both were taken by one model, lying the same way, and expose alike long."""
    a, b = one.exif, other.exif
    same = (a.make, a.model, a.orientation, one.kind) == (b.make, b.model, b.orientation, other.kind)
    if not (same and a.exposure_time and b.exposure_time):
        return same and a.exposure_time == b.exposure_time
    return max(a.exposure_time, b.exposure_time) <= _SAME * min(a.exposure_time, b.exposure_time)


def _apart(frame: Frame, burst: Sequence[Frame]) -> float:
    """Seconds between a frame and a burst; infinite where no time is known."""
    if frame.exif.time is None:
        return math.inf
    return min((_seconds(frame.exif.time, f.exif.time) for f in burst if f.exif.time is not None), default=math.inf)


def _seconds(one: datetime, other: datetime) -> float:
    return abs((one - other).total_seconds())
