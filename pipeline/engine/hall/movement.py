"""How far what moves in a frame was smeared by its exposure, by how fast people cross it and by how sharp they are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.people.detect import SURE
from pipeline.people.observe import FrameObservation
from pipeline.people.tracking import camera_shifts, paces
from pipeline.types import F64, Burst, Frame


@dataclass(frozen=True)
class MovementRules:
    """No published values exist; chosen by eye.

    edge   pixels of the longer side of a picture as it is shown, on which a smear is counted
    seen   pixels of that, from which a smear shows; still  below which somebody stands for the comparison
    soft   sharpness of who moves against who stands, below which the frame is called softened
    """

    edge: int = 2048
    seen: float = 1.5
    still: float = 0.4
    soft: float = 0.7


RULES = MovementRules()


@dataclass(frozen=True)
class Movement:
    """frames  looked at: with people, in bursts of three and more whose times are known

    smears  (N,) pixels at `RULES.edge` of the fastest person of each such frame: pace times exposure
    ratios  (M,) sharpness of who moves against who stands in the same burst, for frames where both are seen
    softened  frames in which a smear that shows goes with less sharpness; untold  frames with a smear that shows and
              nobody who stands to compare with
    why     why nothing can be told at all, "" where something can
    """

    frames: int
    smears: F64
    ratios: F64
    softened: int
    untold: int
    why: str = ""


def movement(frames: Sequence[Frame], bursts: Sequence[Burst], seen: Mapping[str, FrameObservation]) -> Movement:
    """Of all bursts of three frames and more. seen  what was observed in each frame"""
    by_name = {f.name: f for f in frames}
    smears: list[float] = []
    ratios: list[float] = []
    softened = untold = 0
    models = any(seen[f.name].has_models[0] for f in frames[:1] if f.name in seen)
    long = timed = people = False
    for burst in bursts:
        names = [n for n in burst.frames if n in by_name and n in seen]
        if len(names) < 3:
            continue
        long = True
        own = [seen[n] for n in names]
        speed = _per_second([by_name[n] for n in names])
        if speed is None:
            continue
        timed = True
        observed = [one.people for one in own]
        pace = paces(observed, camera_shifts(observed, np.arange(len(observed)) / speed))
        rows = []
        for one, name, each in zip(observed, names, pace, strict=True):
            exposure = by_name[name].exif.exposure_time or np.nan
            tall = (one.people[:, 3] - one.people[:, 1]) * one.size[0] * RULES.edge / max(one.size)
            known = one.people[:, 4] >= SURE.person
            rows.append((np.where(known, each * tall * exposure, np.nan), one.sharp))
        people |= any(np.isfinite(smear).any() for smear, _ in rows)
        standing = [s for smear, sharp in rows for m, s in zip(smear, sharp, strict=True) if m < RULES.still and s > 0]
        for smear, sharp in rows:
            if not np.isfinite(smear).any():
                continue
            smears.append(float(np.nanmax(smear)))
            moving = sharp[(smear >= RULES.seen) & (sharp > 0)]
            if not len(moving):
                continue
            if not standing:
                untold += 1
                continue
            ratios.append(float(np.median(moving) / np.median(standing)))
            softened += ratios[-1] < RULES.soft
    why = ""
    if not smears:
        why = (
            "no model file was there to find people" if not models else
            "no burst has three frames or more" if not long else
            "no burst of three frames has times to a fraction of a second" if not timed else
            "nobody was surely found in three frames of a burst" if not people else "no exposure times are known"
        )  # fmt: skip
    return Movement(len(smears), np.array(smears), np.array(ratios), softened, untold, why)


def _per_second(frames: Sequence[Frame]) -> float | None:
    """Frames a second of a burst; None where its times do not tell."""
    times = [f.exif.time for f in frames if f.exif.time is not None and f.exif.has_subseconds]
    if len(times) < len(frames):
        return None
    if len(times) > 2 and len({time.microsecond for time in times}) == 1:
        return None  # some cameras write the same part of each second
    took = (times[-1] - times[0]).total_seconds()
    return (len(times) - 1) / took if took > 0 else None
