"""Between measure and solve: the light of each burst, from its frames together. In parallel, kept in the store."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

from pipeline.engine.measure import MeasuredFrame, read_measured, read_proxy
from pipeline.engine.pacing.pace import spread
from pipeline.errors import FrameError, in_short, trace
from pipeline.light.gain_map import GainMap
from pipeline.light.scenes import VERSION, Scene, look, unknown
from pipeline.light.singles.frame import KnownHall
from pipeline.light.singles.likely import likely_halls
from pipeline.people.detect import SURE
from pipeline.steps import crop, white_balance
from pipeline.steps.base import AnyStep, Solution
from pipeline.store.keys import digest_json, environment
from pipeline.store.packing import pack_parts, unpack_part
from pipeline.store.store import Store
from pipeline.store.watch import raise_if_full
from pipeline.types import Burst, Frame, Image, JsonObject, JsonValue
from pipeline.workers.executors import Workers, map_unordered

# Frames that are evened together, at most: their proxies are in memory at once. Longer than any burst (common practice,
# no source), so a tenth more or less is flat.
_LONGEST = 120
_BESIDE = 8  # bursts whose flicker is in memory: steps go through a night in order, and bursts of several cameras mix
_PART, _HALL = "scene", "hall"
_Flicker = Callable[[str], Sequence[GainMap]]  # of the burst of a key
_NOT_FOUND = "{name}: the light of its burst was not found ({why}); it is left as it is"
_KEPT_VERSION = 5  # raised when the form of what is kept of a burst changes


@dataclass(frozen=True)
class Before:
    """A step that changes the pictures in which light is found (Step.on_proxy), and its solutions by frame name."""

    step: AnyStep
    solutions: Mapping[str, Solution]

    def of(self, names: Sequence[str]) -> Before | None:
        """The same for these frames only; None where it changes nothing in them."""
        own = {n: self.solutions[n] for n in names if n in self.solutions}
        return Before(self.step, own) if any(self._key(one) for one in own.values()) else None

    def as_json(self) -> JsonValue:
        """For a key."""
        return [self.step.name, self.step.version, {name: self._key(one) for name, one in self.solutions.items()}]

    def _key(self, solution: Solution) -> JsonValue:
        return solution.as_json() if self.step.proxy_key is None else self.step.proxy_key(solution)

    def apply(self, image: Image, frame: Frame) -> Image:
        """The picture of a frame as it is after the step."""
        solution = self.solutions.get(frame.name)
        if solution is None or self.step.on_proxy is None:
            return image
        return self.step.on_proxy(image, solution, frame)


@dataclass(frozen=True)
class _Task:
    out: Path
    frames: tuple[Frame, ...]
    keys: tuple[str, ...]  # of their measurements
    key: str
    before: tuple[Before, ...]
    halls: tuple[str, ...] = ()  # keys of bursts that may tell of its frames, likeliest first

    def told_by(self, halls: Sequence[_Task]) -> _Task:
        """The same with bursts that may tell of its frames."""
        keys = tuple(one.key for one in halls)
        return replace(self, halls=keys, key=digest_json({"of": self.key, "halls": list(keys)}))


def find_scenes(
    store: Store,
    measured_frames: Sequence[MeasuredFrame],
    bursts: Sequence[Burst],
    workers: Workers = 1,
    progress: Callable[[int, int], None] = lambda done, total: None,
    before: Sequence[Before] = (),
) -> tuple[list[Scene], tuple[str, ...]]:
    """(a scene for each burst with a readable frame, in order of time; notices on bursts whose light was not found).

    workers  as for map_unordered; progress  called with frames done, frames in all; before  steps that change the
    pictures in which the light is found, in their order
    """
    by_name = {s.frame.name: s for s in measured_frames if not s.error}
    tasks = []
    for burst in bursts:
        group = [by_name[n] for n in burst.frames if n in by_name]
        # Where times are known to the second only, a whole match can be one burst.
        for start in range(0, len(group), _LONGEST):
            part = group[start : start + _LONGEST]
            keys = tuple(s.key for s in part)
            turned: list[JsonValue] = [s.frame.exif.orientation for s in part]
            of: JsonObject = {"frames": list(keys), "turned": turned, "version": VERSION, "kept": _KEPT_VERSION}
            steps = tuple(one for step in before if (one := step.of([s.frame.name for s in part])) is not None)
            if steps:
                of["before"] = [step.as_json() for step in steps]
            key = digest_json({**of, "on": environment()})
            tasks.append(_Task(store.out, tuple(s.frame for s in part), keys, key, steps))
    failed = _find_missing(store, tasks, workers, progress)
    flicker = lru_cache(_BESIDE)(partial(_flicker, store))
    scenes = []
    for task in tasks:
        scene = None if task.key in failed else _read(store, task, flicker)
        if scene is None and task.key not in failed:
            failed[task.key] = _NOT_FOUND.format(name=task.frames[0].name, why="it has gone from OUT/.work; run again")
        scenes.append(scene or unknown([f.name for f in task.frames]))
    told = {
        short: tasks[short].told_by([tasks[i] for i in halls])
        for short, halls in likely_halls([task.frames for task in tasks], scenes).items()
    }
    failed |= _find_missing(store, list(told.values()), workers, progress)  # such a frame stays as it was
    for short, task in told.items():
        scenes[short] = _read(store, task, flicker) or scenes[short]
    return scenes, tuple(failed.values())


def _find_missing(
    store: Store, tasks: Sequence[_Task], workers: Workers, progress: Callable[[int, int], None]
) -> dict[str, str]:
    """Look for the light that is not in the store yet; of the keys that failed, the words for a person."""
    missing = [t for t in tasks if store.shared("burst_light", t.key, partial(_is_whole, len(t.frames))) is None]
    waiting = spread(missing)  # the first tenth then says how long all take
    failed: dict[str, str] = {}
    done, total = 0, sum(len(t.frames) for t in waiting)
    if waiting:
        progress(done, total)
    for index, result in map_unordered(_find_scene, waiting, workers):
        if isinstance(result, Exception):
            raise_if_full(result)
            name = waiting[index].frames[0].name
            trace(result)
            failed[waiting[index].key] = _NOT_FOUND.format(name=name, why=in_short(result))
        else:
            store.share("burst_light", waiting[index].key)
        done += len(waiting[index].frames)
        progress(done, total)
    return failed


def _find_scene(task: _Task) -> None:
    store = Store(task.out)
    images = [read_proxy(store, key) for key in task.keys]
    for step in task.before:
        images = [step.apply(image, frame) for image, frame in zip(images, task.frames, strict=True)]
    daylight = read_measured(store, task.keys[0], white_balance.STEP).daylight
    found = [read_measured(store, key, crop.STEP).people.people for key in task.keys]
    people = [one[one[:, 4] >= SURE.person] for one in found]
    halls = [_hall(store, key) for key in task.halls]
    scene = look(task.frames, images, daylight, people, halls)
    parts = {_PART: scene.as_arrays()}
    if scene.hall is not None:
        parts[_HALL] = scene.hall.as_arrays()
    store.put("burst_light", task.key, pack_parts(parts))


def _hall(store: Store, key: str) -> KnownHall:
    """What the burst of a key tells of the hall. Raises FrameError where it is no longer in the store."""
    data = store.get("burst_light", key)
    if data is None:
        raise FrameError("the light of its burst has gone from OUT/.work during the run; run again")
    return KnownHall.from_arrays(unpack_part(data, _HALL))


def _is_whole(frames: int, data: bytes) -> bool:
    """Whether the light of a burst of so many frames can be read back."""
    try:
        scene = Scene.from_arrays((), unpack_part(data, _PART))
    except Exception:  # what is wrong can raise anything
        return False
    return len(scene.flicker) == len(scene.steady) == len(scene.pan) == frames


def _read(store: Store, task: _Task, flicker: _Flicker) -> Scene | None:
    data = store.get("burst_light", task.key)
    if data is None or not _is_whole(len(task.frames), data):
        return None
    scene = Scene.from_arrays(tuple(f.name for f in task.frames), unpack_part(data, _PART))
    return replace(scene, flicker=_KeptFlicker(flicker, task.key, len(task.frames)))


class _KeptFlicker(Sequence[GainMap]):
    """The flicker of a burst's frames, read when it is asked for: all of a night's would be 7 kB a frame."""

    def __init__(self, read: _Flicker, key: str, frames: int) -> None:
        self._read, self._key, self._frames = read, key, frames

    def __len__(self) -> int:
        return self._frames

    def __getitem__(self, at: Any) -> Any:
        return self._read(self._key)[at]


def _flicker(store: Store, key: str) -> Sequence[GainMap]:
    """Raises FrameError where it is no longer in the store."""
    data = store.get("burst_light", key)
    if data is None:
        raise FrameError("the light of its burst has gone from OUT/.work during the run; run again")
    return Scene.from_arrays((), unpack_part(data, _PART)).flicker
