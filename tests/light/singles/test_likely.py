"""Which bursts are asked how the rows of a single frame were lit."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.light.palette import SIZE
from pipeline.light.scenes import Scene, unknown
from pipeline.light.singles.likely import likely_halls
from pipeline.types import Exif, Frame

START = datetime(2026, 2, 14, 20, 0)


def frames(count: int, seconds: float, **more: Any) -> tuple[Frame, ...]:
    exif = Exif(
        **{"make": "A", "model": "B", "exposure_time": 0.001, "time": START + timedelta(seconds=seconds), **more}
    )
    return tuple(Frame(f"F{seconds:.0f}_{k}", Path("x"), "x", "raw", exif) for k in range(count))


def seen(group: tuple[Frame, ...], colour: int, tells: bool) -> Scene:
    """All of it of one colour."""
    histogram = np.zeros(SIZE, np.float16)
    histogram[colour] = 0.1
    return replace(unknown([f.name for f in group]), chroma_histogram=histogram, tells=tells)


def asked(bursts: list[tuple[float, int]], **more: Any) -> list[int]:
    """Those asked of a single at 100 s of colour 3; bursts: (seconds, colour) of each that tells."""
    groups = [*(frames(6, seconds, **more) for seconds, _ in bursts), frames(1, 100.0)]
    colours = [*(colour for _, colour in bursts), 3]
    scenes = [seen(g, c, len(g) > 1) for g, c in zip(groups, colours, strict=True)]
    return likely_halls(groups, scenes).get(len(bursts), [])


def test_the_nearest_two_and_the_two_most_alike_are_asked_the_most_alike_first() -> None:
    assert asked([(0.0, 3), (40.0, 1), (90.0, 1), (300.0, 3), (400.0, 3)]) == [0, 3, 1, 2]


@pytest.mark.parametrize(
    ("more", "found"),
    [
        ({}, [0]),
        ({"model": "C"}, []),
        ({"orientation": 6}, []),
        ({"exposure_time": 0.00125}, [0]),
        ({"exposure_time": 0.0008}, [0]),
        ({"exposure_time": 0.0014}, []),
        ({"exposure_time": None}, []),
        ({"time": None}, [0]),
    ],
)
def test_only_bursts_of_the_same_camera_and_settings_tell(more: dict[str, Any], found: list[int]) -> None:
    assert asked([(0.0, 3)], **more) == found


@pytest.mark.parametrize(
    ("count", "tells", "is_asked_for"), [(1, False, True), (3, False, True), (4, False, False), (3, True, False)]
)
def test_short_bursts_that_do_not_tell_themselves_ask(count: int, tells: bool, is_asked_for: bool) -> None:
    groups = [frames(6, 0.0), frames(count, 50.0)]
    scenes = [seen(groups[0], 3, True), seen(groups[1], 3, tells)]
    assert (1 in likely_halls(groups, scenes)) is is_asked_for


def test_where_no_burst_tells_nobody_is_asked() -> None:
    groups = [frames(6, 0.0), frames(1, 50.0)]
    assert likely_halls(groups, [seen(g, 3, False) for g in groups]) == {}
