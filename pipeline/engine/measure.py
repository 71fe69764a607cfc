"""Phase one, measure: a small decode of every frame, in which each step measures what it needs."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from copy import copy
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Annotated, Any, Protocol

import numpy as np
from pydantic import Field, JsonValue

from pipeline.engine.damaged_raws import from_twin, is_damaged, keep_damage, notice
from pipeline.engine.pacing.pace import spread
from pipeline.errors import EvencourtError, FrameError, UndecodableError, in_short, trace
from pipeline.formats.metadata.carried import (
    NOTHING_CARRIED,
    carried_as_json,
    carried_of_json,
    read_texts,
    without_own_name,
)
from pipeline.formats.metadata.model import PictureTexts
from pipeline.imaging.blank import blank_notice
from pipeline.imaging.raw.frame import DecodeOptions
from pipeline.imaging.resample import resize_energy
from pipeline.people.modelfiles import ModelFiles
from pipeline.shoot.facts import Facts, Reference
from pipeline.shoot.pairs import kind_of_twin
from pipeline.steps import REGISTRY, white_balance
from pipeline.steps.base import M, MeasureContext, Step
from pipeline.steps.decode import STEP as DECODE
from pipeline.steps.decode import DecodeMeasurement, decode
from pipeline.store.keys import digest_json, environment
from pipeline.store.packing import LARGEST, pack_parts, take, unpack_part
from pipeline.store.records import from_json, to_json
from pipeline.store.store import Store
from pipeline.types import Domain, Frame, Image, Noise
from pipeline.workers.executors import Workers, map_unordered

# Pixels of the longer side of the decode that steps measure on. Chosen by eye, no source: smaller misses people far
# down the court, larger costs time in proportion to its area. `python -m tests.crops` shows what it finds.
MEASURED_EDGE = 960
# Pixels of the longer side of the proxy that is kept, some tens of kB a frame. Chosen by eye, no source: light changes
# slowly over a frame. `python -m tests.evenness` shows how even the result is.
PROXY_EDGE = 192
GONE = "is not in the shoot folder any more; put it back, then run again"
CHANGED = "changed while it was read; if it is still being copied, wait for that, then run again"
_Side = Annotated[int, Field(ge=1, lt=1 << 20)]
_FACTS, _PROXY = "facts", "proxy"  # what is kept of a frame beside the measurement of each step
_SAVED_EVERY = 30.0  # s between saves of the digests of what was read: a killed run loses no more (chosen by us)
_KEPT_VERSION = 7  # raised when the form or the meaning of what is kept of a frame changes


@dataclass(frozen=True, slots=True)
class MeasuredFrame:
    """One frame after measuring.

    digest   SHA-256 of its bytes, hex; key  of its measurements in the store, "" where there are none
    full_size  (height, width) of the upright frame, pixels; seconds  that measuring took
    error    why it cannot be read, "" where it can; carried  texts that were typed in the camera
    """

    frame: Frame
    digest: str
    key: str = ""
    full_size: tuple[int, int] = (0, 0)
    seconds: float = 0.0
    notices: tuple[str, ...] = ()
    error: str = ""
    carried: PictureTexts = NOTHING_CARRIED


@dataclass(frozen=True, slots=True)
class _Task:
    out: Path
    frame: Frame
    digest: str
    key: str
    references: tuple[Reference, ...]
    models: ModelFiles


@dataclass(frozen=True, slots=True)
class _Facts:
    """What is kept of a frame beside arrays. full_size  (height, width), pixels; carried  see carried_as_json"""

    full_size: tuple[_Side, _Side]
    notices: tuple[str, ...]
    seconds: Annotated[float, Field(ge=0, allow_inf_nan=False)]
    carried: dict[str, JsonValue]


def measure_key(digest: str, references: Sequence[Reference], models: ModelFiles, kind: str = "raw") -> str:
    """Key of a frame's measurements: its bytes and the kind of file they are read as, its reference patches, the model
    files and the code that measures. Frames of other shoots have the same key where all this is the same."""
    versions = {name: step.version for name, step in REGISTRY.items() if step.measure or step is DECODE}
    patches = [{"patch": r.patch, "chart": r.chart} for r in references]
    of = {"frame": digest, "steps": versions, "references": patches, "models": models.digest, "kept": _KEPT_VERSION}
    return digest_json({**of, "kind": kind, "on": environment()})


def measure_frames(
    store: Store,
    frames: Sequence[Frame],
    facts: Facts,
    models: ModelFiles,
    workers: Workers,
    began: Callable[[int], None] = lambda waiting: None,
) -> Iterator[MeasuredFrame]:
    """Measure frames, yielding them as they are done. Measurements are kept in the store and in the cache behind it:
    another run or command reads them. A frame whose raw is damaged is measured from its JPEG, where it has one.

    workers  as for map_unordered; began  called with how many are to be measured, once that is known

    Raises RunStoppedError where the shoot or the store's own folder is lost or full; any
    other failure is in `error`.
    """
    damaged: dict[str, tuple[MeasuredFrame, str]] = {}
    twins: list[Frame] = []
    for one in _measure(store, frames, facts, models, workers, began):
        twin = from_twin(one.frame) if one.error else None
        if twin is None:
            yield one
        else:
            damaged[twin.name] = one, notice(one.frame, one.error)
            twins.append(twin)
    for one in _measure(store, twins, facts, models, workers) if twins else ():
        raw, why = damaged[one.frame.name]
        if one.error:
            yield replace(raw, error=f"{raw.error}; its {kind_of_twin(one.frame.relative)}: {one.error}")
        else:
            yield replace(one, notices=(why, *one.notices))


def _measure(
    store: Store,
    frames: Sequence[Frame],
    facts: Facts,
    models: ModelFiles,
    workers: Workers,
    began: Callable[[int], None] = lambda waiting: None,
) -> Iterator[MeasuredFrame]:
    """As measure_frames, each frame from its own file only."""
    plan = partial(_planned, store, facts, models)
    todo: list[_Task | Frame] = []
    for frame in frames:
        found = plan(frame) if store.is_known(frame) else frame
        if isinstance(found, MeasuredFrame):
            yield found
        else:
            todo.append(found)
    began(len(todo))
    saved = time.monotonic()
    tasks = _Tasks(spread(todo), plan)  # spread: the first tenth then says how long all take
    try:
        for index, result in map_unordered(_answer, tasks, workers, size=octets):
            task = tasks.pop(index)
            yield task if isinstance(task, MeasuredFrame) else _measured(store, task, result)
            if time.monotonic() - saved > _SAVED_EVERY:
                store.save_digests()
                saved = time.monotonic()
    finally:
        store.save_digests()


def _planned(store: Store, facts: Facts, models: ModelFiles, frame: Frame) -> _Task | MeasuredFrame:
    """What is to be measured of a frame, or what is known of it without. Raises RunStoppedError as measure_frames."""
    try:
        digest = store.frame_digest(frame)
    except OSError as error:
        store.stop_if_lost(error)
        return MeasuredFrame(
            frame, "", error=f"cannot be read ({error.strerror or error}); copy it again from the card"
        )
    if frame.twin is not None and (why := is_damaged(store, digest)):
        return MeasuredFrame(frame, digest, error=why)
    references = tuple(r for r in facts.references if r.frame == frame.name)
    key = measure_key(digest, references, models, frame.kind)
    kept = store.shared("measured", key, partial(_is_whole, len(references)))
    if kept is not None:
        return _summary(frame, digest, key, kept)
    return _Task(store.out, frame, digest, key, references, models)


class _Tasks(Sequence["_Task | MeasuredFrame"]):
    """Tasks, of which those that are still frames are planned when they are first asked for.

    A frame that was never read is read just before a worker reads it again: the disk gives its bytes once, and no
    worker waits until the last frame has been read.
    """

    def __init__(self, todo: list[_Task | Frame], plan: Callable[[Frame], _Task | MeasuredFrame]) -> None:
        self._todo, self._plan = todo, plan
        self._planned: dict[int, _Task | MeasuredFrame] = {}

    def __len__(self) -> int:
        return len(self._todo)

    def __getitem__(self, index: Any) -> Any:
        of = self._todo[index]
        if not isinstance(of, Frame):
            return of
        if index not in self._planned:
            self._planned[index] = self._plan(of)
        return self._planned[index]

    def pop(self, index: int) -> _Task | MeasuredFrame:
        """The task at `index`, for the last time."""
        task: _Task | MeasuredFrame = self[index]
        self._planned.pop(index, None)
        return task


def _measured(store: Store, task: _Task, result: MeasuredFrame | Exception) -> MeasuredFrame:
    """What became of a task. Raises RunStoppedError where the shoot or the store's own folder is lost or full."""
    if isinstance(result, Exception):
        store.stop_if_lost(result)
        if not store.is_as_read(task.frame):  # no wonder that it could not be read
            return MeasuredFrame(task.frame, task.digest, error=CHANGED if task.frame.path.exists() else GONE)
        if isinstance(result, UndecodableError) and task.frame.twin is not None:
            keep_damage(store, task.digest, reason(result))
        return MeasuredFrame(task.frame, task.digest, error=reason(result))
    if not store.is_as_read(task.frame):  # what was measured may be that of other bytes than the key says
        store.remove("measured", task.key)
        return MeasuredFrame(task.frame, task.digest, error=CHANGED)
    store.share("measured", task.key)
    return result


def reason(error: BaseException) -> str:
    """Why a frame failed, in words for the report."""
    if isinstance(error, EvencourtError):
        return str(error)
    if isinstance(error, OSError):
        return f"cannot be read or written ({error.strerror or error})"
    if isinstance(error, MemoryError):
        return (
            "not enough memory, even alone; close other programs, or put resize into a delivery at full size, and run "
            "the same command again"
        )
    trace(error)
    return f"unexpected {in_short(error)}; please report this with the frame"


class _OfAFrame(Protocol):
    @property
    def frame(self) -> Frame:
        """Whose file it is about."""


def octets(task: _OfAFrame) -> float:
    """The size of the file that a task reads, 0 where that is not known: its time limit is in proportion."""
    return octets_of(task.frame)


def octets_of(frame: Frame) -> float:
    """The size of a frame's file, 0 where that is not known."""
    try:
        return frame.path.stat().st_size
    except OSError:
        return 0.0


def _answer(task: _Task | MeasuredFrame) -> MeasuredFrame:
    return task if isinstance(task, MeasuredFrame) else _measure_one(task)


def _measure_one(task: _Task) -> MeasuredFrame:
    import cv2

    start = time.perf_counter()
    decoded = decode(task.frame, MEASURED_EDGE, DecodeOptions(sense=True))
    context = MeasureContext(
        task.frame,
        decoded.image,
        decoded.as_shot,
        decoded.daylight,
        task.references,
        decoded.full_size,
        decoded.detail,
        task.models,
    )
    parts = {DECODE.name: DecodeMeasurement(decoded.reading, decoded.picture).as_arrays()}
    parts |= {name: step.measure(context).as_arrays() for name, step in REGISTRY.items() if step.measure is not None}
    image = decoded.image
    height, width = image.pixels.shape[:2]
    scale = min(1.0, PROXY_EDGE / max(height, width))
    small = (max(1, round(height * scale)), max(1, round(width * scale)))
    energy = resize_energy((height, width), small)
    carried = carried_as_json(read_texts(task.frame.path))  # not by its name, which is not in the key
    seconds = round(time.perf_counter() - start, 4)
    facts = _Facts(decoded.full_size, tuple(filter(None, (*decoded.notices, blank_notice(image)))), seconds, carried)
    parts[_FACTS] = {"json": np.frombuffer(to_json(_Facts, facts), dtype=np.uint8)}
    parts[_PROXY] = {
        "pixels": cv2.resize(image.pixels, (small[1], small[0]), interpolation=cv2.INTER_AREA).astype(np.float16),
        "noise": np.stack([image.noise.a * energy, image.noise.b * energy]),
        "saturation": image.saturation,
        "to_working": image.to_working,
    }
    data = pack_parts(parts)
    Store(task.out).put("measured", task.key, data)
    return _summary(task.frame, task.digest, task.key, data)


def _is_whole(references: int, data: bytes) -> bool:
    """Whether all that is kept of a frame with so many references can be read back, and may have been measured: a disk
    may cut a file, and anyone may plant one."""
    try:
        for name, step in REGISTRY.items():
            if step.from_arrays is not None:
                measured = step.from_arrays(unpack_part(data, name))
                if name == white_balance.STEP.name and len(measured.references.reasons) != references:
                    return False
        _image(data)
        _summary(Frame("", Path(), "", ""), "", "", data)
    except Exception:  # what is wrong can raise anything
        return False
    return True


def _summary(frame: Frame, digest: str, key: str, data: bytes) -> MeasuredFrame:
    facts = from_json(_Facts, take(unpack_part(data, _FACTS), "json", np.uint8, (None,), 0, 255).tobytes())
    carried = without_own_name(carried_of_json(facts.carried), frame.path)
    if carried == NOTHING_CARRIED:
        carried = NOTHING_CARRIED  # one for all the frames of a night that have no text
    return MeasuredFrame(frame, digest, key, facts.full_size, facts.seconds, facts.notices, carried=carried)


def read_measured(store: Store, key: str, step: Step[Any, M, Any]) -> M:
    """One step's measurement of the frame of `key`. Raises FrameError where it is no longer in the store."""
    assert step.from_arrays is not None, f"{step.name} measures nothing"
    return step.from_arrays(unpack_part(_kept(store, key), step.name))


def _kept(store: Store, key: str) -> bytes:
    data = store.get("measured", key)
    if data is None:
        raise FrameError("what was measured of it has gone from OUT/.work during the run; run again")
    return data


def read_proxy(store: Store, key: str) -> Image:
    """The proxy picture of the frame of `key`: camera-linear, upright, at most PROXY_EDGE pixels long.

    Raises FrameError where it is no longer in the store.
    """
    return _image(_kept(store, key))


def _image(data: bytes) -> Image:
    kept = unpack_part(data, _PROXY)
    pixels = take(kept, "pixels", np.float16, (None, None, 3), -LARGEST, LARGEST)
    if not 0 < min(pixels.shape) <= max(pixels.shape) <= PROXY_EDGE:
        raise ValueError(f"a proxy of {pixels.shape}")
    noise = take(kept, "noise", np.float64, (2, 3), 0, LARGEST)
    saturation = take(kept, "saturation", np.float64, (3,), 1 / LARGEST, LARGEST)
    to_working = take(kept, "to_working", np.float64, (3, 3), -LARGEST, LARGEST)
    return Image(pixels.astype(np.float32), Domain.CAMERA, Noise(noise[0], noise[1]), saturation, to_working)


class Measurements(Mapping[str, M]):
    """One step's measurements by frame name. Each is read when it is asked for, so a whole night needs no memory."""

    def __init__(self, store: Store, measured_frames: Sequence[MeasuredFrame], step: Step[Any, M, Any]) -> None:
        self._store, self._step = store, step
        self._keys = {one.frame.name: one.key for one in measured_frames if not one.error}

    def part(self, names: Sequence[str]) -> Measurements[M]:
        """Those of these frames, for a worker."""
        some = copy(self)
        some._store, some._keys = Store(self._store.out), {name: self._keys[name] for name in names}
        return some

    def __getitem__(self, name: str) -> M:
        return read_measured(self._store, self._keys[name], self._step)

    def __contains__(self, name: object) -> bool:
        return name in self._keys

    def __iter__(self) -> Iterator[str]:
        return iter(self._keys)

    def __len__(self) -> int:
        return len(self._keys)
