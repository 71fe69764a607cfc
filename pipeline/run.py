"""One run from start to end: scan, survey, solve, render, record; and what is already done."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.earlier import absent, refuse_other_shoot, told
from pipeline.errors import EvencourtError, InputError, RunStoppedError
from pipeline.executors import map_unordered
from pipeline.filenames import file_names, relative_path
from pipeline.imaging.metadata_model import Metadata
from pipeline.keys import digest_json, environment
from pipeline.model import Burst, Frame
from pipeline.recipe.recipe import Delivery, Recipe, flatten_yaml
from pipeline.render import Job, Output, Refused, Rendered, long_edge_needed, pixel_key, render, rewrap
from pipeline.report.html import write_report
from pipeline.shoot.bursts import find_bursts
from pipeline.shoot.facts import Facts, FrameFacts, load_facts
from pipeline.shoot.scan import scan, with_clocks
from pipeline.solve import Plan, solve
from pipeline.steps.caption import CaptionParams, describe
from pipeline.store import Store, write_atomic
from pipeline.survey import DISK_FULL, Survey, reason, survey

_FULL = "the disk is full; make room and run the same command again"

_EARLIER = "made by an earlier run with other settings"

Progress = Callable[[str, int, int], None]  # phase, done, total


@dataclass(frozen=True)
class Shoot:
    """A shoot folder as read: frames in order of time, facts, what is wrong but not fatal."""

    folder: Path
    frames: tuple[Frame, ...]
    bursts: tuple[Burst, ...]
    facts: Facts
    facts_file: Path | None
    missing: tuple[tuple[str, str], ...]
    notices: tuple[str, ...]


@dataclass
class Outcome:
    """What a run did. `record` is what run.json holds."""

    record: dict[str, Any]
    report: Path
    failed: dict[str, str] = field(default_factory=dict)


def read_shoot(folder: Path, facts_file: Path | None = None) -> Shoot:
    """Scan the folder and its facts. Raises InputError with every problem at once."""
    found = scan(folder)
    facts, problems, missing = load_facts(folder, facts_file, [f.name for f in found.frames])
    if problems:
        raise InputError(problems)
    frames = tuple(with_clocks(found.frames, facts.clocks))
    notices = (*found.notices, *(f"{name}: {why}" for name, why in found.skipped))
    notices += tuple(f"{f.name}: {text}" for f in frames for text in f.exif.notices)
    return Shoot(folder, frames, tuple(find_bursts(frames)), facts, facts_file, tuple(missing), notices)


def survey_shoot(
    store: Store, shoot: Shoot, workers: int, progress: Progress, executor: Executor | None = None
) -> list[Survey]:
    """Survey all frames; the result is in the order of the shoot."""
    found: dict[str, Survey] = {}
    for one in survey(store, shoot.frames, shoot.facts, workers, executor):
        found[one.frame.name] = one
        progress("survey", len(found), len(shoot.frames))
    return [found[f.name] for f in shoot.frames]


@dataclass(frozen=True)
class _Delivered:
    """A planned output with the caption that goes into it."""

    output: Output
    caption: str
    alt_text: str
    notices: tuple[str, ...]


class _Run:
    """The state of one run; `go` is the whole of it."""

    def __init__(
        self,
        store: Store,
        shoot: Shoot,
        recipe: Recipe,
        workers: int,
        progress: Progress,
        executor: Executor | None = None,
    ) -> None:
        self.store, self.shoot, self.recipe = store, shoot, recipe
        self.workers, self.progress, self.executor = workers, progress, executor
        self.failed: dict[str, str] = dict(shoot.missing)
        self.done: dict[str, dict[str, Any]] = {}  # relative path -> its record
        self.rendered = self.reused = self.rewritten = 0
        self.seconds: dict[str, float] = {}
        self.stopped = ""
        self.notices: list[str] = []

    def go(self, only: str | None) -> Outcome:
        start = time.perf_counter()
        surveys = survey_shoot(self.store, self.shoot, self.workers, self.progress, self.executor)
        self.failed |= {s.frame.name: s.error for s in surveys if s.error}
        self.seconds["survey"] = time.perf_counter() - start
        start = time.perf_counter()
        plan = solve(self.store, surveys, self.shoot.bursts, self.shoot.facts, self.recipe, self.workers, self.executor)
        self.seconds["solve"] = time.perf_counter() - start
        start = time.perf_counter()
        wanted = self._planned(surveys, plan)
        try:
            self._render(wanted, only)
        except KeyboardInterrupt:
            self.stopped = "stopped by hand; run the same command again to go on"
        names = file_names([s.frame.name for s in surveys]).values()
        self._settle(self._texts(surveys), {relative_path(d, n) for n in names for d in self.recipe.deliveries})
        if only is not None:  # the rest was not asked for: it is undone, not failed
            self.failed = {name: why for name, why in self.failed.items() if _matches(name, only)}
        self.seconds["render"] = time.perf_counter() - start
        record = self._record(surveys, plan, wanted)
        write_atomic(self.store.out / "run.json", json.dumps(record, indent=1, ensure_ascii=False).encode())
        return Outcome(record, write_report(self.store.out, record), self.failed)

    def _planned(self, surveys: Sequence[Survey], plan: Plan) -> dict[str, tuple[Job, list[_Delivered]]]:
        names = file_names([s.frame.name for s in surveys])
        planned: dict[str, tuple[Job, list[_Delivered]]] = {}
        for one in surveys:
            frame = one.frame
            row = self.shoot.facts.rows.get(frame.name, FrameFacts())
            if one.error or not row.keep:
                continue
            try:
                planned[frame.name] = self._plan_frame(one, row, plan, names[frame.name])
            except EvencourtError as error:
                self.failed[frame.name] = str(error)
        return planned

    def _plan_frame(self, one: Survey, row: FrameFacts, plan: Plan, name: str) -> tuple[Job, list[_Delivered]]:
        frame = one.frame
        solutions = {
            label: by_frame[frame.name] for label, by_frame in plan.solutions.items() if frame.name in by_frame
        }
        edge = long_edge_needed(self.recipe, plan, frame.name, one.full_size)
        delivered = []
        for delivery in self.recipe.deliveries:
            metadata, notices = self._text(delivery, frame, row)
            key = pixel_key(one.digest, edge, self.recipe.steps, delivery, solutions, metadata)
            output = Output(delivery, relative_path(delivery, name), metadata, key)
            text = (metadata.caption, metadata.alt_text) if metadata else ("", "")
            delivered.append(_Delivered(output, *text, notices))
        outputs = tuple(d.output for d in delivered)
        job = Job(self.store.out, frame, row, edge, self.recipe.steps, outputs, solutions, name)
        return job, delivered

    def _text(self, delivery: Delivery, frame: Frame, row: FrameFacts) -> tuple[Metadata | None, tuple[str, ...]]:
        """What a delivery writes into a frame's file; None where it has no caption step."""
        for bound in delivery.steps:
            if isinstance(bound.params, CaptionParams):
                return describe(frame, self.shoot.facts, row, bound.params)
        return None, ()

    def _texts(self, surveys: Sequence[Survey]) -> dict[str, Metadata | None]:
        """Relative path -> the texts that a file of that name may carry today, whether or not it is made now."""
        names = file_names([s.frame.name for s in surveys])
        texts: dict[str, Metadata | None] = {}
        for one in surveys:
            row = self.shoot.facts.rows.get(one.frame.name, FrameFacts())
            for delivery in self.recipe.deliveries if row.keep else ():
                with suppress(EvencourtError):  # no text can be made: then no file may stand
                    texts[relative_path(delivery, names[one.frame.name])] = self._text(delivery, one.frame, row)[0]
        return texts

    def _render(self, planned: Mapping[str, tuple[Job, list[_Delivered]]], only: str | None) -> None:
        """Make what does not stand yet; outside of --only, what stands is still told and kept in step."""
        todo: list[Job] = []
        total = 0
        for name, (job, delivered) in planned.items():
            left = tuple(d.output for d in delivered if not self._still_good(d.output))
            if only is not None and not _matches(name, only):
                continue
            total += 1
            if left:
                todo.append(replace(job, outputs=left))
        ready = total - len(todo)
        self.progress("render", ready, total)
        for index, result in map_unordered(render, todo, self.workers, executor=self.executor):
            job = todo[index]
            ready += 1
            if isinstance(result, Exception):
                self.failed[job.frame.name] = reason(result)
                if isinstance(result, OSError) and result.errno in DISK_FULL:
                    self.stopped = _FULL
                    break
            else:
                texts = {o.relative: _text_key(o.metadata) for o in job.outputs}
                for one in result:
                    if isinstance(one, Rendered):
                        self._keep(one, texts[one.relative])
                refused = [one.reason for one in result if isinstance(one, Refused)]
                if refused:
                    self.failed[job.frame.name] = "; ".join(refused)
                self.rendered += 1
            self.progress("render", ready, total)

    def _done_key(self, relative: str) -> str:
        return hashlib.sha256(relative.encode()).hexdigest()[:32] + ".json"

    def _keep(self, one: Rendered, text: str) -> None:
        entry = asdict(one) | {"text": text, "mtime": (self.store.out / one.relative).stat().st_mtime_ns}
        self.done[one.relative] = entry
        self.store.put("done", self._done_key(one.relative), json.dumps(entry).encode())

    def _still_good(self, output: Output) -> bool:
        """True when the delivered file stands as it should, if need be after writing its caption anew."""
        raw = self.store.get("done", self._done_key(output.relative))
        if raw is None:
            return False
        entry = json.loads(raw)
        path = self.store.out / output.relative
        if entry["key"] != output.key or not path.is_file():
            return False
        text = _text_key(output.metadata)
        same = path.stat().st_size == entry["bytes"] and path.stat().st_mtime_ns == entry["mtime"]
        if not same and hashlib.sha256(path.read_bytes()).hexdigest() != entry["sha256"]:
            return False
        if entry["text"] != text:
            anew = rewrap(self.store.out, output.relative, entry["scan"], output.metadata)
            if anew is None:
                return False
            self._rewrite(entry, path, anew, text)
        else:
            self.reused += 1
            entry |= {"mtime": path.stat().st_mtime_ns}
            self.store.put("done", self._done_key(output.relative), json.dumps(entry).encode())
        self.done[output.relative] = entry
        return True

    def _settle(self, texts: dict[str, Metadata | None], known: set[str]) -> None:
        """Bring files of earlier runs, which this one did not make, into line with today's facts.

        A name that was withdrawn since must not stay in OUT because its frame failed or was not asked for:
        such a file gets its new text, or goes. One whose frame has left the shoot folder stays, with the text that
        the event alone allows; one that a person has changed is not touched. Both are named."""
        gone: list[str] = []
        orphans: list[str] = []
        for name in self.store.names("done"):
            entry = json.loads(self.store.get("done", name) or b"{}")
            relative = entry.get("relative", "")
            if not relative or relative in self.done:
                continue
            path = self.store.out / relative
            if not path.is_file():
                self.store.remove("done", name)
                continue
            intact = hashlib.sha256(path.read_bytes()).hexdigest() == entry["sha256"]
            delivery = next((d for d in self.recipe.deliveries if relative.startswith(f"{d.name}/")), None)
            if delivery is not None and relative not in known:
                orphans.append(relative)
                with suppress(EvencourtError):
                    texts[relative] = self._text(delivery, absent(relative), FrameFacts())[0]
            if relative in texts and entry["text"] == _text_key(texts[relative]):
                self.done[relative] = entry | {"current": False, "notices": [*entry["notices"], _EARLIER]}
            elif not intact:
                self.notices.append(
                    f"{relative}: changed by hand since it was delivered, and its caption or permission is no longer "
                    "what the facts say; check it or delete it"
                )
            else:
                anew = rewrap(self.store.out, relative, entry["scan"], texts.get(relative))
                if anew is None:
                    path.unlink()
                    self.store.remove("done", name)
                    gone.append(relative)
                else:
                    self._rewrite(entry, path, anew, _text_key(texts[relative]))
                    self.done[relative] = entry | {"current": False, "notices": [*entry["notices"], _EARLIER]}

        self.notices += told(gone, "removed: the facts or the recipe no longer ask for it")
        self.notices += told(orphans, "its frame is not in the shoot folder now; it stays, and names nobody")

    def _rewrite(self, entry: dict[str, Any], path: Path, anew: tuple[bytes, tuple[str, ...]], text: str) -> None:
        """Put new metadata around the same scan data; `entry` and the store follow."""
        data, cut = anew
        write_atomic(path, data)
        entry |= {"sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data), "notices": list(cut)}
        entry |= {"text": text, "mtime": path.stat().st_mtime_ns}
        self.store.put("done", self._done_key(entry["relative"]), json.dumps(entry).encode())
        self.rewritten += 1

    def _record(
        self, surveys: Sequence[Survey], plan: Plan, wanted: Mapping[str, tuple[Job, list[_Delivered]]]
    ) -> dict[str, Any]:
        frames: dict[str, Any] = {}
        for one in surveys:
            frames[one.frame.name] = self._frame_record(one, plan, wanted.get(one.frame.name))
        for name, why in self.shoot.missing:
            status = "failed" if name in self.failed else "undone"
            frames[name] = {"relative": "", "status": status, "reason": why, "deliveries": {}, "notices": []}
        statuses = [f["status"] for f in frames.values()]
        counts = {s: statuses.count(s) for s in ("delivered", "failed", "held", "undone")}
        files = sum(len(f["deliveries"]) for f in frames.values())
        counts |= {"frames": len(frames), "files": files, "rendered": self.rendered, "reused": self.reused}
        return {
            "evencourt": __version__,
            "state": "stopped" if self.stopped else "done",
            "stopped": self.stopped,
            "title": self.shoot.facts.title or self.shoot.folder.name,
            "recipe": Path(self.recipe.file).name,
            "recipe_flat": flatten_yaml(self.recipe),
            "counts": counts | {"captions_rewritten": self.rewritten},
            "seconds": {k: round(v, 2) for k, v in self.seconds.items()},
            "environment": environment(),
            "notices": [*self.shoot.notices, *plan.notices, *self.notices],
            "bursts": [list(b.frames) for b in self.shoot.bursts],
            "frames": frames,
        }

    def _frame_record(self, one: Survey, plan: Plan, planned: tuple[Job, list[_Delivered]] | None) -> dict[str, Any]:
        exif, name = one.frame.exif, one.frame.name
        entry: dict[str, Any] = {
            "relative": one.frame.relative,
            "time": exif.time.isoformat() if exif.time else None,
            "iso": exif.iso,
            "exposure_time": exif.exposure_time,
            "camera": f"{exif.make} {exif.model}".strip(),
            "solutions": {k: v[name] for k, v in plan.solutions.items() if name in v},
            "notices": [*one.notices, *plan.notices_by_frame.get(name, ())],
            "burst": next(i for i, b in enumerate(self.shoot.bursts) if name in b.frames),
            "before": None,
            "deliveries": {},
            "reason": self.failed.get(name, ""),
        }
        for each in planned[1] if planned else []:
            done = self.done.get(each.output.relative)
            if done is None:
                continue
            entry["before"] = f"{planned[0].thumbs}.before.jpg" if planned else None
            keep = ("sha256", "bytes", "width", "height", "quality", "thumb")
            entry["deliveries"][each.output.delivery.name] = {k: done[k] for k in keep} | {
                "file": each.output.relative,
                "current": done.get("current", True),
                "caption": each.caption,
                "alt_text": each.alt_text,
                "notices": [*each.notices, *done["notices"]],
            }
        if entry["reason"]:
            entry["status"] = "failed"
        elif not self.shoot.facts.rows.get(name, FrameFacts()).keep:
            entry |= {"status": "held", "reason": "frames.csv says keep: no"}
        else:
            whole = planned is not None and len(entry["deliveries"]) == len(planned[1])
            entry["status"] = "delivered" if whole else "undone"
        return entry


def run(
    recipe: Recipe,
    shoot: Shoot,
    out: Path,
    *,
    workers: int,
    only: str | None = None,
    progress: Progress = lambda phase, done, total: None,
    executor: Executor | None = None,
) -> Outcome:
    """The whole run. Raises InputError before anything starts; a bad frame is in the outcome instead."""
    if only is not None and not any(_matches(f.name, only) for f in shoot.frames):
        raise InputError(f"--only {only}: no frame of the shoot has such a name, for example {shoot.frames[0].name}")
    _refuse_into_shoot(recipe, shoot, out)
    store = Store.open(out, shoot.folder)
    with store.locked():
        refuse_other_shoot(store, shoot.folder, shoot.frames)
        store.clean_temporaries()
        store.keep_source(shoot.folder, shoot.facts_file)
        try:
            return _Run(store, shoot, recipe, workers, progress, executor).go(only)
        except OSError as error:
            if error.errno in DISK_FULL:
                raise RunStoppedError(f"{out}: {_FULL}") from error
            raise


def _refuse_into_shoot(recipe: Recipe, shoot: Shoot, out: Path) -> None:
    for delivery in recipe.deliveries:
        if (out / delivery.name).resolve() in (shoot.folder.resolve(), *shoot.folder.resolve().parents):
            raise InputError(f"delivery {delivery.name}: {out / delivery.name} holds the shoot; choose another --out")


def _matches(name: str, pattern: str) -> bool:
    return fnmatch(name, pattern) or fnmatch(name.rsplit("/", 1)[-1], pattern)


def _text_key(metadata: Metadata | None) -> str:
    return digest_json({"text": repr(metadata)})


def jobs(recipe: Recipe, shoot: Shoot, out: Path) -> dict[str, Job]:
    """Survey and solve into `out` and return what each frame's render would be, without rendering."""
    store = Store.open(out, shoot.folder)
    one = _Run(store, shoot, recipe, 1, lambda phase, done, total: None)
    surveys = survey_shoot(store, shoot, 1, one.progress)
    plan = solve(store, surveys, shoot.bursts, shoot.facts, recipe)
    return {name: job for name, (job, _) in one._planned(surveys, plan).items()}
