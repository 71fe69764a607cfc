"""A review of the run in OUT: what was rendered, what is decided now, and each change of it.

Every method that reads or changes anything holds one lock: tabs of the browser never see half a change.
"""

from __future__ import annotations

import threading
from collections.abc import Collection, Iterator
from dataclasses import replace
from pathlib import Path

from pydantic import JsonValue

from pipeline.engine.earlier import read_done
from pipeline.engine.jobs import for_wrong_line
from pipeline.errors import InputError
from pipeline.report.record import FileRecord, FrameRecord, RunRecord, read_record
from pipeline.review import open_reviews, render_job
from pipeline.review.captions import Captions
from pipeline.review.changes import Change, ChangeLog
from pipeline.review.consent_now import ConsentNow
from pipeline.review.facts_files import FactsFiles
from pipeline.review.facts_now import FactsNow
from pipeline.review.open_reviews import OpenReview
from pipeline.review.opened import Opened
from pipeline.review.pending import Pending
from pipeline.review.render_job import RenderJob
from pipeline.review.values import same, wrote
from pipeline.review.views import Views
from pipeline.shoot.consent import BESIDE
from pipeline.shoot.copies import called_otherwise
from pipeline.shoot.facts import FrameFacts, held_back
from pipeline.shoot.rows import withheld_names
from pipeline.store.keys import record_name
from pipeline.textfile.messages import and_more
from pipeline.textfile.notices import lines_by_kind

Json = dict[str, JsonValue]
_MOST_LOOKED_AT = 200  # frames whose files are looked for at a time, while a run is on
_SOON = 0.2  # s until the frames' own texts and their copies are searched


class UnknownError(InputError):
    """There is no such frame or player."""


class ConflictError(Exception):
    """The value is another than the tab saw. answer  {message, theirs, version, frames}"""

    def __init__(self, answer: Json) -> None:
        super().__init__()
        self.answer = answer


class State:
    """See the module. version grows with every change; `since` says which frames a tab must draw again."""

    def __init__(self, opened: Opened, record: RunRecord) -> None:
        self._opened, self.store, self.shoot = opened, opened.store, opened.shoot
        self._lock, self._searching = threading.RLock(), threading.Lock()
        self.files = FactsFiles(opened.shoot.folder, opened.facts, opened.store.out)
        ranks = {name: frame.rank for name, frame in record.frames.items() if frame.rank is not None}
        self.facts = FactsNow(opened.shoot, self.files, ranks)
        self.opened = OpenReview(opened.store)
        self.log = ChangeLog(opened.store)
        self.pending = Pending(opened.store, self.log)
        self.consent_now = ConsentNow(opened.shoot, self.facts)
        self._real = {called: name for name, called in opened.called.items()}
        self.captions = Captions(opened.recipe)
        self.version = self._first = len(self.log.changes)
        self._changed: dict[str, int] = {}
        self._roster_changed = self.version
        self._began = 0  # the last change that the render that is on knows
        self.record, self.views = record, Views(record)
        self._seen = _stamp(opened.store.out)
        self._unread = ""  # why what the last run left cannot be read
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

    def delivered(self, name: str, delivery: str) -> FileRecord | None:
        """The record of a delivered file; None where there is none, or its frame is held now. Raises UnknownError."""
        with self._lock:
            return None if self.held(self.real(name)) else self.record.frames[name].deliveries.get(delivery)

    def held(self, frame: str) -> str:
        """Why a frame, by its name in the shoot, may be in no delivery because of who is in it; "" where it may."""
        return called_otherwise(self.consent_now.held(frame), self._opened.called)

    def frame_json(self, name: str) -> Json:
        """A frame as the page draws it, with what is decided now: "wrote", see values.wrote; "stale", whether that is
        not rendered yet; "held", why it may be in no delivery. A held one has neither texts nor delivered pictures."""
        with self._lock:
            real = self._real.get(name, name)
            record = self.record.frames[name]
            if real not in self.shoot.index.frames:
                return {**self.views.frame(name, record), "wrote": wrote(FrameFacts()), "stale": False, "held": ""}
            held, row = self.held(real), self.facts.row(real)
            beside = bool(record.deliveries) and real in self.consent_now.beside
            found = self.views.frame(name, record, held, beside=beside)
            written = wrote(replace(row, words=self._shown_words(real, row)))
            by_fold = {delivery.casefold(): delivery for delivery in self._opened.deliveries}
            crops = written["crops"]
            assert isinstance(crops, dict)
            written["crops"] = {by_fold.get(of, of): box for of, box in crops.items()}
            return {**found, "wrote": written, "stale": self._is_stale(real, record, held), "held": held}

    def _shown_words(self, real: str, row: FrameFacts) -> str:
        return self._without_names(row.words) if self.held(real) else row.words

    def _without_names(self, text: str) -> str:
        return self.views.without(text, withheld_names(self.facts.facts.roster, self.facts.facts.minors))

    def _is_stale(self, real: str, record: FrameRecord, held: str) -> bool:
        out = bool(held) or not self.facts.row(real).keep
        if (record.status == "delivered" and out) or (record.status == "held" and not out):
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
                    wrong = for_wrong_line(self.facts.facts, real, self.consent_now.own_text(real))
                    counts.wrong_lines, counts.consent = counts.wrong_lines + wrong, counts.consent + (not wrong)
                    counts.held += 1
                    frames[name] = replace(
                        frame, status="held", reason=held, notices=[], decisions=[], deliveries={}, rank=None
                    )
            notices = [text for text in self.record.notices if BESIDE not in text]
            notices = [*self._of_consent(), *(self._without_names(text) for text in notices)]
            return replace(self.record, frames=frames, counts=counts, notices=list(dict.fromkeys(notices)))

    def _of_consent(self) -> list[str]:
        """What is to be looked at since somebody is withheld, as it is decided now."""
        shown, frames = self.consent_now.may_show_withheld(), self.record.frames
        shown = [name for one in shown if (name := self._opened.called.get(one, one)) in frames]
        beside = [f"{name}: {BESIDE}" for name in shown if frames[name].deliveries]
        return [self._without_names(text) for text in (*beside, *map(self._opened.line, self.consent_now.said()))]

    def names(self) -> Iterator[str]:
        """The frames of the page, in its order."""
        return (name for name, frame in self.record.frames.items() if frame.relative)

    def since(self, version: int) -> Json:
        """{version, frames: those that changed after `version`, render, undo, roster where it changed, notices}."""
        with self._lock:
            self._look()
            if self.job.is_running:
                self._take_in_rendered()
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
        yield from (why for why in (self._unread, self.files.why_not()) if why)
        yield from self.files.open_elsewhere()
        if self.opened.others():
            yield open_reviews.SAID
        if lost := self._saved_over():
            which = and_more([self._without_names(change.in_words()) for change in lost])
            yield (
                f"another program has saved over what was decided here, and it is gone from the file: {which}; decide "
                "it again, and close the file there first"
            )
        yield from (str(problem) for problem in self.facts.problems)
        known = set(self.record.notices)
        yield from lines_by_kind([text for text in self._of_consent() if text not in known], self.record.frames)
        if self.store.is_locked() and not self.job.is_running:
            yield "a run is on in another window: what is decided now is rendered by the next one"

    def _saved_over(self) -> list[Change]:
        """Decisions of which the files say what they said before: a spreadsheet that was open saved an older state, or
        somebody thought better of it. Of earlier reviews only what withholds somebody counts: nobody is published by
        mistake."""
        last = {(c.field, c.about, c.delivery): c for c in self.log.changes}
        return [
            change
            for key, change in last.items()
            if not same(change.before, change.after)
            and same(self.facts.value(*key), change.before)
            and (change.number > self._first or self.withholds(change))
        ]

    def names_withheld(self, change: Change) -> bool:
        """Whether a frame names by it somebody who must not be published, and did not before."""
        facts, before, after = self.facts.facts, change.before, change.after
        if change.field == "players" and isinstance(before, list) and isinstance(after, list):
            withheld: list[JsonValue] = [[p.team, p.number] for p in facts.roster if not p.publish]
            return any(one in withheld and one not in before for one in after)
        if change.field != "words":
            return False
        row = replace(self.facts.row(change.about), unclear="")
        return bool(held_back(facts, replace(row, words=str(after or "")))) and not held_back(
            facts, replace(row, words=str(before or ""))
        )

    def withholds(self, change: Change) -> bool:
        """Whether somebody must not be shown by it."""
        return (change.field == "publish" and change.after is False) or self.names_withheld(change)

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
                "deliveries": list(self._opened.deliveries.values()),
                "references": references,
                "undo": self._undo_words(),
                "writable": self.files.why_not(),
            }

    # ---- changes by others

    def _look(self) -> None:
        """Take in what other programs have written since."""
        self.log.catch_up()
        self._take_in()
        if not self.job.is_running and _stamp(self.store.out) != self._seen and not self.store.is_locked():
            self._read_record(self.pending.by_another_run())

    def _take_in(self) -> None:
        before = self.facts.facts
        frames = self.facts.refresh()
        if not frames and before is self.facts.facts:
            return
        self.pending.by_hand(before, frames)
        self._touch_of_shoot({*frames, *self.consent_now.look_beside()})
        self._roster_changed = self.version
        self._search_soon()

    def _held_now(self) -> set[str]:
        return {name for name in self.shoot.index.frames if self.held(name)}

    def _says_who(self, frame: str) -> tuple[bool, bool]:
        """What copies of a frame are held by: whether the facts hold it, and whether they say who is in it."""
        return bool(self.facts.held(frame, {})), bool(self.facts.row(frame).players)

    def _search_soon(self) -> None:
        """Begin `_search` in a thread of its own, once what is asked now is answered."""
        (search := threading.Timer(_SOON, self._search)).daemon = True
        search.start()

    def _search(self) -> None:
        """See ConsentNow.search."""
        with self._searching:
            found = self.consent_now.search()
            with self._lock:
                before = self._held_now()
                if not self.consent_now.take(found):
                    return  # the next search waits
                if changed := (before ^ self._held_now()) | self.consent_now.look_beside():
                    self._touch_of_shoot(changed)

    def _touch_of_shoot(self, frames: Collection[str]) -> None:
        self._touch([name for name in self.names() if self._real.get(name, name) in frames])

    def _touch(self, names: list[str]) -> None:
        self.version += 1
        for name in names:
            self._changed[name] = self.version

    # ---- rendering

    def render(self) -> Json:
        """{state: idle, running, stopping, done, stopped or failed; done, of; message; lines; stale: how many frames
        are decided and not rendered}."""
        with self._lock:
            progress = self.job.progress
            stale = sum(self._is_stale(real, self.record.frames[name], self.held(real)) for name, real in self._known())
            return {
                "state": progress.state, "done": progress.done, "of": progress.of,
                "message": self._without_names(progress.message),
                "lines": [self._without_names(line) for line in progress.lines[-20:]], "stale": stale,
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

    def _take_in_rendered(self) -> None:
        """Show the files that the run that is on has finished, of frames that were waiting for it."""
        waiting = [name for name, real in self._known() if self.pending.is_stale(real, self.facts)]
        frames = dict(self.record.frames)
        for name in waiting[:_MOST_LOOKED_AT]:
            for delivery, file in frames[name].deliveries.items():
                done = read_done(self.store, record_name(file.file))
                if done is not None and done.mtime and done.sha256 != file.sha256:  # 0: it may still be on its way
                    new = replace(
                        file, sha256=done.sha256, bytes=done.bytes, width=done.width, height=done.height,
                        quality=done.quality, thumb=done.thumb,
                    )  # fmt: skip
                    frames[name] = replace(frames[name], deliveries={**frames[name].deliveries, delivery: new})
            if frames[name] is not self.record.frames[name]:
                self.views.forget(name)
                self._touch([name])
        self.record = replace(self.record, frames=frames)

    def _read_record(self, others: list[str]) -> None:
        """Take in what a run left. others  frames that were waiting for it"""
        self._seen = _stamp(self.store.out)
        try:
            record = read_record(self.store.out)
        except InputError as error:
            self._unread = str(error)
            return
        self._unread = ""
        if record is None:
            return
        before, self.record = self.record, record
        changed = [n for n, frame in record.frames.items() if before.frames.get(n) != frame]
        self.views = Views(record)
        self._touch(list({*changed, *others, *self._changed}))


def _stamp(out: Path) -> tuple[int, int, int]:
    try:
        about = (out / "run.json").stat()
    except OSError:
        return (0, 0, 0)
    return about.st_mtime_ns, about.st_size, about.st_ino
