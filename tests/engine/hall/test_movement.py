"""How far somebody is smeared: pace times exposure time, of boxes that move by known steps."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from pipeline.engine.hall.movement import RULES, movement
from pipeline.engine.hall.sentences import moving
from pipeline.imaging.level import Unsure
from pipeline.people.observe import FrameObservation
from pipeline.people.tracking import Observation
from pipeline.types import Burst, Exif, Frame

SIZE = (2000, 3000)  # rows and columns of the frame
FPS, TALL = 10.0, 0.4
HALL = np.random.default_rng(5).integers(0, 255, (107, 160)).astype(np.uint8)
RUNNER, STANDING = 0.08, 0.10  # sharpness


def observed(step: float, at: int, runner: float, still: bool = True, models: bool = True) -> FrameObservation:
    """A runner who goes `step` of the frame's width to the right a frame, and one who stands."""
    x = 0.1 + step * at
    rows = [[x, 0.3, x + 0.1, 0.3 + TALL, 0.9], [0.7, 0.3, 0.8, 0.3 + TALL, 0.9]][: 2 if still else 1]
    people = np.array(rows, np.float32)
    none = np.zeros((0, 5), np.float32)
    seen = Observation(
        people=people, reach=people, sharp=np.array([runner, STANDING][: len(rows)], np.float32),
        jersey_colour=np.array([[200, 30, 30], [30, 200, 30]][: len(rows)], np.float32),
        faces=np.zeros((0, 9), np.float32), balls=none, rackets=none, small=HALL, size=SIZE,
        clipped=np.zeros(len(rows), np.float32), told_in=SIZE[0] // 2,
    )  # fmt: skip
    return FrameObservation(seen, (models, models), 0.1, 0.2, 0.0, next(iter(Unsure)))


def burst(step: float, exposure: float, runner: float = RUNNER, count: int = 5, fine: bool = True, **more):
    start = datetime(2026, 2, 14, 19, 30)
    frames, seen = [], {}
    for at in range(count):
        exif = Exif(exposure_time=exposure, time=start + timedelta(seconds=at / FPS), has_subseconds=fine)
        frames.append(Frame(f"F{at}", Path(f"F{at}.dng"), f"F{at}.dng", "raw", exif))
        seen[f"F{at}"] = observed(step, at, runner, **more)
    return movement(frames, [Burst(tuple(seen))], seen)


@pytest.mark.parametrize(("step", "exposure"), [(0.01, 1 / 500), (0.02, 1 / 500), (0.02, 1 / 1000), (0.015, 1 / 250)])
def test_smear_is_speed_times_exposure(step: float, exposure: float) -> None:
    """A step of the width a frame is step * 2048 * FPS pixels a second in a picture 2,048 wide."""
    found = burst(step, exposure)
    assert found.frames >= 3
    assert np.median(found.smears) == pytest.approx(step * RULES.edge * FPS * exposure, rel=0.1)


def test_a_camera_that_writes_the_same_part_of_each_second_tells_no_pace() -> None:
    start = datetime(2026, 2, 14, 19, 30, 0, 370_000)
    frames, seen = [], {}
    for at in range(5):
        exif = Exif(exposure_time=1 / 500, time=start + timedelta(seconds=at // 3), has_subseconds=True)
        frames.append(Frame(f"F{at}", Path(f"F{at}.dng"), f"F{at}.dng", "raw", exif))
        seen[f"F{at}"] = observed(0.01, at, RUNNER)
    assert movement(frames, [Burst(tuple(seen))], seen).why


def test_softened_where_a_smear_goes_with_less_sharpness() -> None:
    soft, sharp = burst(0.04, 1 / 250, runner=0.04), burst(0.04, 1 / 250, runner=0.11)
    assert soft.softened == len(soft.ratios) > 0 and np.median(soft.ratios) == pytest.approx(0.4, abs=0.01)
    assert sharp.softened == 0 and len(sharp.ratios) > 0
    assert moving(soft).verdict == "look" and "40 %" in moving(soft).text


def test_a_fast_shutter_freezes_them() -> None:
    found = burst(0.02, 1 / 2000)
    assert found.softened == 0 and not len(found.ratios) and moving(found).verdict == "good"


def test_it_says_where_it_cannot_tell() -> None:
    assert "nobody stands" in moving(burst(0.04, 1 / 250, still=False)).text
    assert "no model file" in moving(burst(0.04, 1 / 250, count=2, models=False)).text
    for found, word in (
        (burst(0.04, 1 / 250, fine=False), "times to a fraction"),
        (burst(0.04, 1 / 250, count=2), "three frames"),
    ):
        told = moving(found)
        assert told.verdict == "unknown" and word in told.text
