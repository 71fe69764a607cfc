"""One command of evencourt in a process of its own, watched: `python -m tests.scale.child ANSWER MODE COMMAND...`.

Writes to ANSWER, as JSON, the parent's peak memory, the processor's time of each phase, and what was said of the time
left. MODE is "whole" for the command as it is, "processor" for the same by the processor's clock, or "parent", in
which the work of the worker processes is done only for the first frames and copied for all others: what the parent
does and holds is then that of a real night, in a fraction of the time.
"""

from __future__ import annotations

import importlib
import json
import multiprocessing
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from tests.scale.clock import count_processor, processor

DONORS = 32  # frames, and four bursts, whose work is really done


def memory(field: str) -> float:
    """VmRSS or VmHWM of this process, megabytes (proc(5))."""
    line = next(one for one in Path("/proc/self/status").read_text().splitlines() if one.startswith(field))
    return int(line.split()[1]) / 1024


def really(module: str, name: str, item: Any) -> Any:
    """In a process apart: what a worker does with an item. The parent stays without the workers' libraries."""
    return getattr(importlib.import_module(module), name)(item)


class Here:
    """An executor in this process, which loads nothing of what workers load."""

    count = 1

    def map(self, function: Any, items: Any, size: Any = None) -> Iterator[tuple[int, Any]]:
        """As map_unordered."""
        del size
        for index, item in enumerate(items):
            try:
                yield index, function(item)
            except Exception as error:
                yield index, error


def copy_work() -> None:
    """Put copies in the place of what worker processes do, after the first frames."""
    import hashlib

    from pipeline.engine import burst_light, burst_people, measure, render, run, thumbs
    from pipeline.engine.earlier import Rendered, announce
    from pipeline.engine.pacing import trial
    from pipeline.formats.jpeg_segments import scan_digest
    from pipeline.formats.metadata.embed import embed_jpeg
    from pipeline.store.files import write_atomic
    from pipeline.store.store import Store
    from pipeline.workers import executors

    apart = ProcessPoolExecutor(1, multiprocessing.get_context("spawn"))
    executors.WorkChoice.open = lambda self: nullcontext(Here())  # type: ignore[method-assign,assignment,return-value]
    trial.RULES = replace(trial.RULES, worth=1 << 40)
    measured: list[bytes] = []

    def measure_one(task: Any) -> Any:
        store = Store(task.out)
        if task.references or len(measured) < DONORS:
            done = apart.submit(really, measure.__name__, "_measure_one", task).result()
            if not task.references:
                measured.append(store.get("measured", task.key) or b"")
            return done
        data = measured[int(task.digest, 16) % DONORS]
        store.put("measured", task.key, data)
        return measure._summary(task.frame, task.digest, task.key, data)

    measure._measure_one = measure_one
    lights: dict[int, list[bytes]] = {}

    def find_scene(task: Any) -> None:
        store, kept = Store(task.out), lights.setdefault(len(task.frames), [])
        if len(kept) < DONORS // 8:
            apart.submit(really, burst_light.__name__, "_find_scene", task).result()
            kept.append(store.get("burst_light", task.key) or b"")
        else:
            store.put("burst_light", task.key, kept[int(task.key, 16) % len(kept)])

    burst_light._find_scene = find_scene
    burst_people._look = lambda task: apart.submit(really, burst_people.__name__, "_look", task).result()
    pictures: list[tuple[Rendered, bytes, bytes, bytes]] = []

    def rendered(job: Any) -> Any:
        store = Store(job.out)
        if len(pictures) < DONORS:
            made = apart.submit(really, render.__name__, "render", job).result()
            one = made[0]
            before = store.get("thumbs", f"{job.thumbs}.before.jpg") or b""
            data = (job.out / one.relative).read_bytes()
            pictures.append((one, data, before, store.get("thumbs", one.thumb) or b""))
            return made
        done = []
        for output in job.outputs:
            donor, data, before, after = pictures[int(output.key, 16) % DONORS]
            data, _ = embed_jpeg(data, output.metadata)
            thumb = f"{job.thumbs}.{output.delivery.name}.jpg"
            store.put("thumbs", f"{job.thumbs}.before.jpg", before)
            store.put("thumbs", thumb, after)
            one = replace(
                donor, relative=output.relative, key=output.key, sha256=hashlib.sha256(data).hexdigest(),
                bytes=len(data), scan=scan_digest(data), thumb=thumb,
            )  # fmt: skip
            announce(store, one, job.frame.name, output.metadata)
            write_atomic(job.out / one.relative, data)
            done.append(one)
        return done

    run.render = rendered
    run.make_proxy_thumb = lambda item: apart.submit(really, thumbs.__name__, "make_proxy_thumb", item).result()


def count_everywhere() -> None:
    """Let the trial, the workers and the phases go by the processor's time."""
    from pipeline.engine.pacing import trial
    from pipeline.workers import executors

    trial.time = SimpleNamespace(perf_counter=processor)  # type: ignore[assignment]
    executors.worker_setup = count_processor


def watch(answer: dict[str, Any], clock: Any, target: Path) -> None:
    """Let the phases of a run count the processor's time, and keep what was said of the time left by `clock`.

    What is known at the end of each phase is written to `target`: a run that is stopped has told so much.
    """
    from pipeline.cli import run as command
    from pipeline.engine import run as engine
    from pipeline.engine.pacing import phases
    from pipeline.engine.pacing.pace import Pace
    from pipeline.store.store import Store

    phases.now = processor
    begin, shown = phases.Phases.begin, answer.setdefault("memory", {})
    own: dict[str, float] = answer.setdefault("own", {})
    last = [time.process_time()]
    peaks: dict[str, float] = answer.setdefault("peaks", {})

    def began(self: Any, phase: str) -> None:
        before, spent = self._phase or "scan", time.process_time()
        own[before], last[0] = own.get(before, 0.0) + spent - last[0], spent
        peaks[before] = round(max(peaks.get(before, 0.0), memory("VmHWM")), 1)
        Path("/proc/self/clear_refs").write_text("5")  # the peak begins anew (proc(5))
        begin(self, phase)
        answer["phases"] = dict(self.seconds)
        shown[phase or "end"] = round(memory("VmRSS"), 1)
        target.write_text(json.dumps(answer))

    phases.Phases.begin = began  # type: ignore[method-assign]
    digested = Store.frame_digest

    def digest(self: Any, frame: Any) -> str:
        since = time.process_time()
        try:
            return digested(self, frame)
        finally:
            answer["digest"] = answer.get("digest", 0.0) + time.process_time() - since

    Store.frame_digest = digest  # type: ignore[method-assign]
    read = engine.read_shoot

    def scanned(*given: Any, **named: Any) -> Any:
        since = time.process_time()
        shoot = read(*given, **named)
        answer["scan"] = answer.get("scan", 0.0) + time.process_time() - since
        shown["scan"] = round(memory("VmRSS"), 1)
        return shoot

    engine.read_shoot = scanned
    said = answer.setdefault("said", [])

    class Watched(Pace):
        """Notes at each tenth of a phase how long it said that the run takes."""

        def __init__(self, deadline: Any = None, now: Any = None, say: Any = print) -> None:
            super().__init__(deadline, now or clock, say)
            self.noted: set[tuple[str, int]] = set()

        def advance(self, work: float = 1.0) -> None:
            """As Pace.advance."""
            super().advance(work)
            tenth = int(10 * self.done / self._total) if self._total else 0
            if self._total and (self._phase, tenth) not in self.noted and tenth < 10:
                self.noted.add((self._phase, tenth))
                said.append([self._phase, tenth, clock(), self.left_of_phase(), self.left()])

        def expect(self, seconds: Any, *of_frames: Any) -> None:
            """As Pace.expect."""
            super().expect(seconds, *of_frames)
            answer["expected"] = dict(seconds)

        def begin(self, phase: str, total: float = 0.0) -> None:
            """As Pace.begin."""
            super().begin(phase, total)
            said.append([phase, -1, clock(), None, None])

    command.Pace = Watched  # type: ignore[misc]


def main() -> int:
    """Run the command; its exit status."""
    target, mode, *words = sys.argv[1:]
    answer: dict[str, Any] = {}
    from pipeline.cli.app import main as evencourt

    clock = processor if mode == "processor" else time.time
    if words[0] == "run":
        watch(answer, clock, Path(target))
    if mode == "processor":
        count_everywhere()
    if mode == "parent":
        copy_work()
    sys.argv = ["evencourt", *words]
    since, status = time.perf_counter(), 0
    try:
        evencourt()
    except SystemExit as stop:
        status = int(stop.code or 0)
    answer |= {
        "seconds": time.perf_counter() - since, "processor": processor(),
        "peak": max(memory("VmHWM"), *answer.get("peaks", {}).values(), 0.0),
        "status": status, "ended": clock(), "loaded": sorted({"numba", "cv2"} & sys.modules.keys()),
    }  # fmt: skip
    Path(target).write_text(json.dumps(answer))
    return status


if __name__ == "__main__":
    sys.exit(main())
