"""What is kept of the light of bursts is read when it is asked for, so that a night of them takes no memory."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.engine import burst_light
from pipeline.engine.measure import MeasuredFrame
from pipeline.errors import FrameError
from pipeline.light.gain_map import GainMap
from pipeline.light.scenes import unknown
from pipeline.store.packing import pack_parts
from pipeline.store.store import Store
from pipeline.types import Burst, Frame

BURSTS = [Burst((f"A{at}", f"B{at}")) for at in range(12)]


def stops(name: str) -> float:
    """The flicker that is made up for a frame, stops of green."""
    return int(name[1:]) / 10 + (name[0] == "B") / 20


def made_up(task: Any) -> None:
    """In the place of looking for a burst's light."""
    flicker = [GainMap.constant(np.array([0.0, stops(frame.name), 0.0])) for frame in task.frames]
    scene = replace(unknown([frame.name for frame in task.frames]), flicker=tuple(flicker))
    Store(task.out).put("burst_light", task.key, pack_parts({burst_light._PART: scene.as_arrays()}))


def test_the_flicker_of_each_frame_is_read_from_the_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(burst_light, "_find_scene", made_up)
    names = [name for burst in BURSTS for name in burst.frames]
    measured = [
        MeasuredFrame(Frame(name, Path(name), name, "raw"), name, f"{at:064x}") for at, name in enumerate(names)
    ]
    (tmp_path / "shoot").mkdir()
    store = Store.open(tmp_path / "out", tmp_path / "shoot")
    scenes, notices = burst_light.find_scenes(store, measured, BURSTS)
    assert not notices and [scene.names for scene in scenes] == [burst.frames for burst in BURSTS]
    for _ in range(2):
        for scene in scenes:
            assert len(scene.flicker) == 2
            assert [float(one.at(0, 0)[1]) for one in scene.flicker] == pytest.approx([stops(n) for n in scene.names])
    for key in store.names("burst_light"):
        store.remove("burst_light", key)
    with pytest.raises(FrameError, match=r"the light of its burst has gone from OUT/\.work"):
        list(scenes[0].flicker)  # not asked for lately: nothing of it is in memory


def test_single_frames_are_looked_at_again_with_bursts_that_tell(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The burst's key goes with them; one that fails stays as its frame alone showed it, and that is said."""
    groups = [("A0", "B0", "A1", "B1"), ("A2",), ("A3",)]
    told: list[tuple[str, ...]] = []

    def again(task: Any) -> None:
        if not task.halls:
            flicker = (GainMap.constant(np.full(3, 0.1)),) * len(task.frames)
        elif task.frames[0].name == "A3":
            raise ValueError("made up")
        else:
            told.append(task.halls)
            flicker = (GainMap.constant(np.full(3, 0.3)),)
        tells = len(task.frames) > 1
        scene = replace(unknown([f.name for f in task.frames]), flicker=flicker, tells=tells)
        Store(task.out).put("burst_light", task.key, pack_parts({burst_light._PART: scene.as_arrays()}))

    monkeypatch.setattr(burst_light, "_find_scene", again)
    measured = [
        MeasuredFrame(Frame(name, Path(name), name, "raw"), name, f"{at:064x}")
        for at, name in enumerate(name for group in groups for name in group)
    ]
    (tmp_path / "shoot").mkdir()
    store = Store.open(tmp_path / "out", tmp_path / "shoot")
    scenes, notices = burst_light.find_scenes(store, measured, [Burst(group) for group in groups])
    assert notices == ("A3: the light of its burst was not found (ValueError: made up); it is left as it is",)
    assert len(told) == 1 and len(told[0]) == 1
    assert [float(scene.flicker[0].at(0, 0)[1]) for scene in scenes] == pytest.approx([0.1, 0.3, 0.1])
    before = len(told)
    burst_light.find_scenes(store, measured, [Burst(group) for group in groups])
    assert len(told) == before  # kept
