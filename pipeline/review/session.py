"""A review of the run in OUT: what was rendered, what is decided now, and each change of it.

Every method that reads or changes anything holds one lock: tabs of the browser never see half a change.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from pydantic import JsonValue

from pipeline.engine.jobs import Shoot
from pipeline.engine.redaction import STAND_IN
from pipeline.errors import InputError
from pipeline.recipe.recipe import Recipe
from pipeline.report.record import FrameRecord, RunRecord, read_record
from pipeline.review import render_job
from pipeline.review.captions import Captions
from pipeline.review.changes import Change, ChangeLog, Field
from pipeline.review.facts_files import FactsFiles, MeanwhileError
from pipeline.review.facts_now import FactsNow, RefusedError
from pipeline.review.pending import Pending
from pipeline.review.render_job import RenderJob
from pipeline.review.values import Value, same, wrote
from pipeline.review.views import Views
from pipeline.shoot.consent import held_by_own_texts
from pipeline.shoot.facts import FrameFacts
from pipeline.shoot.rows import withheld_names
from pipeline.steps.crop import CropParams
from pipeline.store.store import Store
from pipeline.textfile.messages import counted

Json = dict[str, JsonValue]
_TRIES = 5  # for a file that another program writes in the same moment


class UnknownError(InputError):
    """There is no such frame or player."""


class ConflictError(Exception):
    """The value is another than the tab saw: theirs."""

    def __init__(self, theirs: Value, frame: str) -> None:
        super().__init__()
        self.theirs, self.frame = theirs, frame


@dataclass(frozen=True)
class Opened:
    """What a session is about. called  name of a frame in the shoot -> in the record, where it is another"""

    store: Store
    shoot: Shoot
    recipe: Recipe | None
    recipe_file: Path
    called: Mapping[str, str]
    facts: Path | None
    models: Path | None
    only: str | None
    workers: int


class Session:
    """See the module. version grows with every change; `since` says which frames a tab must draw again."""

    def __init__(self, opened: Opened, record: RunRecord) -> None:
        self._opened, self.store, self.shoot = opened, opened.store, opened.shoot
        self._lock = threading.RLock()
        self.files = FactsFiles(opened.shoot.folder, opened.facts, opened.store.out)
        ranks = {name: frame.rank for name, frame in record.frames.items() if frame.rank is not None}
        self.facts = FactsNow(opened.shoot, self.files, ranks)
        self.log = ChangeLog(opened.store)
        self.pending = Pending(opened.store, self.log)
        self._own_texts = dict(opened.shoot.own_texts)
        self._real = {called: name for name, called in opened.called.items()}
        self.captions = Captions(opened.recipe)
        self.version = len(self.log.changes)
        self._changed: dict[str, int] = {}
        self._roster_changed = self.version
        self._began = 0  # the last change that the render that is on knows
        self.record, self.views = record, Views(record)
        self._seen = _stamp(opened.store.out)
        self.job = RenderJob(
            render_job.arguments(
                opened.recipe_file, opened.shoot.folder, opened.store.out, opened.facts, opened.models, opened.only,
                opened.workers,
            ),
            self._ended,
        )  # fmt: skip

    # ---- what a tab shows

    def real(self, name: str) -> str:
        """The shoot's name of a frame of the record. Raises UnknownError."""
        found = self._real.get(name, name)
        if found not in self.shoot.index.frames or name not in self.record.frames:
            raise UnknownError(f"there is no frame {name} in this run")
        return found

    def frame_record(self, name: str) -> FrameRecord:
        """What the last run did with a frame. Raises UnknownError."""
        self.real(name)
        return self.record.frames[name]

    def held(self, frame: str) -> str:
        """Why a frame, by its name in the shoot, may be in no delivery because of who is in it; "" where it may."""
        return self.facts.held(frame, self._own_texts)

    def frame_json(self, name: str) -> Json:
        """A frame as the page draws it, with what is decided now: "wrote", see values.wrote; "stale", whether that is
        not rendered yet; "held", why it may be in no delivery. A held one has neither texts nor delivered pictures."""
        with self._lock:
            real = self._real.get(name, name)
            record = self.record.frames[name]
            if real not in self.shoot.index.frames:
                return {**self.views.frame(name, record, ""), "wrote": wrote(FrameFacts()), "stale": False, "held": ""}
            held, row = self.held(real), self.facts.row(real)
            found = self.views.frame(name, record, held)
            written = wrote(replace(row, words=self._shown_words(real, row)))
            by_fold = {delivery.casefold(): delivery for delivery in self._deliveries()}
            crops = written["crops"]
            assert isinstance(crops, dict)
            written["crops"] = {by_fold.get(of, of): box for of, box in crops.items()}
            return {**found, "wrote": written, "stale": self._is_stale(real, record, held), "held": held}

    def _shown_words(self, real: str, row: FrameFacts) -> str:
        return self._without_names(row.words) if self.held(real) else row.words

    def _without_names(self, text: str) -> str:
        return self.views.without(text, withheld_names(self.facts.facts.roster, self.facts.facts.minors))

    def _is_stale(self, real: str, record: FrameRecord, held: str) -> bool:
        if bool(held) != (record.status == "held" and self.facts.row(real).keep) and (held or record.status == "held"):
            return True
        return self.pending.is_stale(real, self.facts)

    def record_now(self) -> RunRecord:
        """The record, in which the frames that consent holds now are held: for the words of the page."""
        with self._lock:
            frames = dict(self.record.frames)
            counts = replace(self.record.counts)
            for name, real in self._known():
                frame = frames[name]
                if frame.status != "held" and (held := self.held(real)):
                    counts.delivered -= frame.status == "delivered"
                    counts.files -= len(frame.deliveries)
                    counts.held, counts.consent = counts.held + 1, counts.consent + 1
                    frames[name] = replace(
                        frame, status="held", reason=held, notices=[], decisions=[], deliveries={}, rank=None
                    )
            return replace(
                self.record, frames=frames, counts=counts, notices=[self._without_names(t) for t in self.record.notices]
            )

    def names(self) -> Iterator[str]:
        """The frames of the page, in its order."""
        return (name for name, frame in self.record.frames.items() if frame.relative)

    def since(self, version: int) -> Json:
        """{version, frames: those that changed after `version`, render, undo, roster where it changed, notices}."""
        with self._lock:
            self._look()
            names = [name for name in self.names() if self._changed.get(name, 0) > version]
            found = self._answer(names)
            if self._roster_changed > version:
                found["roster"] = self.roster()
            return {**found, "render": self.render(), "notices": list(self._notices())}

    def _answer(self, names: list[str]) -> Json:
        frames: list[JsonValue] = [self.frame_json(name) for name in names]
        return {"version": self.version, "frames": frames, "undo": self._undo_words()}

    def _undo_words(self) -> str:
        last = self.log.last()
        return "" if last is None else self._without_names(last.in_words())

    def _notices(self) -> Iterator[str]:
        if why := self.files.why_not():
            yield why
        yield from self.files.open_elsewhere()
        yield from (str(problem) for problem in self.facts.problems)
        if self.store.is_locked() and not self.job.is_running:
            yield "a run is on in another window: what is decided now is rendered by the next one"

    def roster(self) -> Json:
        """{teams, players: [{team, number, name, publish}], minors, deliveries: [{name, crop, aspects}], references:
        [{frame, patch or chart, end}], undo, writable: "" or why nothing can be written}.

        aspects  width to height in pixels that a crop drawn for it has; none where it may have any
        """
        with self._lock:
            facts = self.facts.facts
            first = {(p.team, p.number): p for p in reversed(facts.roster) if p.number}  # later ones: other spellings
            players: list[JsonValue] = [
                {"team": p.team, "number": p.number, "name": p.name, "publish": p.publish}
                for p in facts.roster
                if first.get((p.team, p.number)) is p
            ]
            references: list[JsonValue] = []
            for one in self.facts.references():
                called = self._opened.called.get(one.frame, one.frame)
                value = self.facts.value("reference", one.frame, None)
                assert isinstance(value, dict)
                references.append({"patch": None, "chart": None, "end": None, **value, "frame": called})
            return {
                "teams": dict(facts.teams),
                "players": players,
                "minors": facts.minors,
                "deliveries": list(self._deliveries().values()),
                "references": references,
                "undo": self._undo_words(),
                "writable": self.files.why_not(),
            }

    def _deliveries(self) -> dict[str, JsonValue]:
        found: dict[str, JsonValue] = {}
        for delivery in self._opened.recipe.deliveries if self._opened.recipe else ():
            params = [bound.params for bound in delivery.steps if isinstance(bound.params, CropParams)]
            aspects: list[JsonValue] = []
            if params and ":" in params[0].aspect:
                across, down = (float(v) for v in params[0].aspect.split(":"))
                aspects = [across / down]
            found[delivery.name] = {"name": delivery.name, "crop": bool(params), "aspects": aspects}
        return found

    # ---- decisions

    def decide(self, name: str, field: Field, delivery: str | None, value: Value, seen: Value) -> Json:
        """Write one field of a frame. seen  the value that the tab showed.

        Raises ConflictError where it is another by now, RefusedError and InputError where it cannot be written.
        """
        with self._lock:
            self._look()
            real = self.real(name)
            if field == "crop" and delivery is not None and delivery not in self._deliveries():
                raise RefusedError(f"the recipe makes no delivery {delivery}")
            if field == "words" and isinstance(value, str) and STAND_IN in value:
                raise RefusedError(f"write other words in place of {STAND_IN}")
            self._change(field, real, delivery, value, seen, shown=name)
            return self._answer([name])

    def _change(
        self, field: Field, about: str, delivery: str | None, value: Value, seen: Value, shown: str, undoes: int = 0
    ) -> None:
        for _ in range(_TRIES):
            now = self.facts.value(field, about, delivery)
            if same(now, value):
                self._touch([shown])
                return
            hidden = isinstance(now, str) and field == "words" and self.held(about)
            if not same(now, seen) and not (hidden and same(self._without_names(str(now)), seen)):
                raise ConflictError(self._without_names(str(now)) if hidden else now, shown)
            change = self.log.add(field, about, delivery, now, value, undoes)
            try:
                self.facts.change(field, about, delivery, value)
            except MeanwhileError:
                self.log.forget(change)
                self._take_in()
                continue
            except BaseException:
                self.log.forget(change)
                raise
            self._touch([shown])
            return
        raise RefusedError("another program writes this file all the time; close it there")

    def reference(self, name: str, value: Value) -> Json:
        """Make a frame a reference for the white, another one, or none. Raises as `decide`."""
        with self._lock:
            self._look()
            real = self.real(name)
            now = self.facts.value("reference", real, None)
            self._change("reference", real, None, value, now, shown=name)
            self._roster_changed = self.version
            return {**self._answer([name]), "roster": self.roster()}

    def consent(self, team: str, number: str, publish: bool) -> Json:
        """Say whether a player may be published. Raises as `decide`, UnknownError.

        Frames that show the player are held, or no longer, in the answer already; those whose own texts name the
        player, which takes reading every frame, follow in `since`.
        """
        with self._lock:
            self._look()
            player = self.facts.facts.player(team, number)
            if player is None:
                raise UnknownError(f"{team} {number} is not in the roster")
            before = self._held_now()
            self._change("publish", f"{team} {number}", None, publish, player.publish, shown="")
            return self._after_consent(before)

    def _held_now(self) -> set[str]:
        return {name for name in self.shoot.index.frames if self.held(name)}

    def _after_consent(self, before: set[str]) -> Json:
        changed = before ^ self._held_now()
        names = [name for name in self.names() if self._real.get(name, name) in changed]
        self._touch(names)
        self._roster_changed = self.version
        threading.Thread(target=self._search_texts, name="own texts", daemon=True).start()
        return {**self._answer(names), "roster": self.roster()}

    def _search_texts(self) -> None:
        """Look in every frame's own texts for the names that are withheld now."""
        facts = self.facts.facts
        found = held_by_own_texts(facts, self.shoot.frames)
        with self._lock:
            if self.facts.facts.roster != facts.roster:
                return  # the next search is on
            before = self._held_now()
            self._own_texts = found
            changed = before ^ self._held_now()
            if changed:
                self._touch([name for name in self.names() if self._real.get(name, name) in changed])

    def reach(self, team: str, number: str) -> Json:
        """{frames, files: delivered frames and how many files of them would be withdrawn with a player}."""
        with self._lock:
            self._look()
            facts = self.facts.facts
            if facts.player(team, number) is None:
                raise UnknownError(f"{team} {number} is not in the roster")
            roster = tuple(replace(p, publish=p.publish and (p.team, p.number) != (team, number)) for p in facts.roster)
            then = self.facts.held_with(replace(facts, roster=roster))
            names: list[JsonValue] = []
            files = 0
            for name in self.names():
                if self.record.frames[name].deliveries and self._real.get(name, name) in then:
                    names.append(name)
                    files += len(self.record.frames[name].deliveries)
            return {"frames": names, "files": files}

    def undo(self) -> Json:
        """Take back the last change, by any tab or an earlier review. {undone: what, frames, roster...}.

        One that was changed by hand since is passed over, with a RefusedError that says so. Raises as `decide`.
        """
        with self._lock:
            self._look()
            while (last := self.log.last()) is not None:
                now = self.facts.value(last.field, last.about, last.delivery)
                if same(now, last.after):
                    return self._take_back(last)
                self.log.add(last.field, last.about, last.delivery, now, now, last.number)  # and the next one goes on
                if not same(now, last.before):  # else it was never written, or is taken back by hand
                    what = self._without_names(last.in_words())
                    raise RefusedError(f"{what}: was changed in the file since, and stays as it is there")
            return {**self._answer([]), "undone": ""}

    def _take_back(self, last: Change) -> Json:
        shown = self._opened.called.get(last.about, last.about)
        before = self._held_now() if last.field == "publish" else set()
        name = "" if last.field == "publish" else shown
        self._change(last.field, last.about, last.delivery, last.before, last.after, name, last.number)
        if last.field == "publish":
            found = self._after_consent(before)
        else:
            found = self._answer([shown] if shown in self.record.frames else [])
            if last.field == "reference":
                self._roster_changed = self.version
                found["roster"] = self.roster()
        return {**found, "undone": last.in_words()}

    def caption(self, name: str, players: Value, words: Value) -> Json:
        """{caption, headline, alt, delivery, held, problems}: as it will stand with these players and words."""
        with self._lock:
            self._look()
            real = self.real(name)
            row, wrong = self.facts.typed(real, players, words)
            found = self.captions.of(
                self.shoot.index.frames[real], self.facts.facts, row, self._own_texts.get(real, ""), tuple(wrong)
            )
            return {
                "caption": found.caption, "headline": found.headline, "alt": found.alt, "delivery": found.delivery,
                "held": found.held, "problems": list(found.problems),
            }  # fmt: skip

    # ---- changes by others

    def _look(self) -> None:
        """Take in what other programs have written since."""
        self._take_in()
        if not self.job.is_running and _stamp(self.store.out) != self._seen and not self.store.is_locked():
            self._read_record(self.pending.by_another_run())

    def _take_in(self) -> None:
        roster = self.facts.facts.roster
        before = self.facts.facts
        frames = self.facts.refresh()
        if not frames and before is self.facts.facts:
            return
        self.pending.by_hand(before, frames)
        self._touch([self._opened.called.get(name, name) for name in frames])
        self._roster_changed = self.version
        if self.facts.facts.roster != roster:
            threading.Thread(target=self._search_texts, name="own texts", daemon=True).start()

    def _touch(self, names: list[str]) -> None:
        self.version += 1
        for name in names:
            self._changed[name] = self.version

    # ---- rendering

    def start_render(self) -> Json:
        """Begin. Raises RefusedError where a run is on, or the facts have problems that would stop it."""
        with self._lock:
            self._look()
            if not self.job.is_running:
                if self.store.is_locked():
                    raise RefusedError("a run is on in another window: wait until it has ended")
                if self.facts.problems:
                    raise RefusedError(f"correct this first: {self.facts.problems[0]}")
                self._began = len(self.log.changes)
                self.job.start()
            return {**self._answer([]), "render": self.render()}

    def stop_render(self) -> Json:
        """Stop it; what is done is kept."""
        self.job.stop()
        return {"render": self.render()}

    def render(self) -> Json:
        """{state: idle, running, stopping, done, stopped or failed; done, of; message; lines; stale: how many frames
        are decided and not rendered}."""
        with self._lock:
            progress = self.job.progress
            stale = sum(self._is_stale(real, self.record.frames[name], self.held(real)) for name, real in self._known())
            return {
                "state": progress.state, "done": progress.done, "of": progress.of, "message": progress.message,
                "lines": list(progress.lines[-20:]), "stale": stale,
            }  # fmt: skip

    def _known(self) -> Iterator[tuple[str, str]]:
        for name in self.names():
            real = self._real.get(name, name)
            if real in self.shoot.index.frames:
                yield name, real

    def _ended(self, status: int) -> None:
        with self._lock:
            if status in (0, 1):
                self.pending.rendered(self._began)
            self._read_record([])

    def _read_record(self, others: list[str]) -> None:
        """Take in what a run left. others  frames that were waiting for it"""
        self._seen = _stamp(self.store.out)
        try:
            record = read_record(self.store.out)
        except InputError:
            return
        if record is None:
            return
        before, self.record = self.record, record
        changed = [n for n, frame in record.frames.items() if before.frames.get(n) != frame]
        self.views = Views(record)
        self._touch(list({*changed, *others, *self._changed}))

    def close(self) -> str:
        """End: stop a render, and say what is left to do."""
        self.job.close()
        stale = self.render()["stale"]
        assert isinstance(stale, int)
        return f"{counted(stale, 'frame')} decided and not rendered" if stale else ""


def _stamp(out: Path) -> tuple[int, int, int]:
    try:
        about = (out / "run.json").stat()
    except OSError:
        return (0, 0, 0)
    return about.st_mtime_ns, about.st_size, about.st_ino
