"""Decisions of a person: each is checked, written, logged and answered with what a tab must draw again."""

from __future__ import annotations

from dataclasses import replace

from pydantic import JsonValue

from pipeline.engine.redaction import STAND_IN
from pipeline.review.changes import Change, Field
from pipeline.review.facts_files import MeanwhileError
from pipeline.review.facts_now import RefusedError
from pipeline.review.state import ConflictError, Json, State, UnknownError
from pipeline.review.values import Value, same
from pipeline.textfile.messages import counted

_TRIES = 5  # for a file that another program writes in the same moment


class Session(State):
    """A review, from its beginning to `close`."""

    def decide(self, name: str, field: Field, delivery: str | None, value: Value, seen: Value) -> Json:
        """Write one field of a frame. seen  the value that the tab showed.

        Raises ConflictError where it is another by now, RefusedError and InputError where it cannot be written.
        """
        with self._lock:
            self._look()
            real = self.real(name)
            if field == "crop" and delivery is not None and delivery not in self._opened.deliveries:
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
                earlier = [c.number for c in self.log.changes if (c.field, c.about) == ("publish", about)]
                if field == "publish" and earlier:  # said once more, after another program had saved over it
                    self.log.add(field, about, delivery, now, value, undoes or earlier[-1])
                self._touch([shown])
                return
            hidden = isinstance(now, str) and field == "words" and self.held(about)
            if not same(now, seen) and not (hidden and same(self._without_names(str(now)), seen)):
                theirs = self._without_names(str(now)) if hidden else now
                said = f"{shown}: {field} was changed meanwhile, in another window or in the file"
                raise ConflictError({**self._answer([shown] if shown else []), "message": said, "theirs": theirs})
            of_frame = field not in ("publish", "reference")
            corrects = of_frame and self.facts.is_wrong(about)
            says_who = self._says_who(about) if of_frame else None
            change = self.log.add(field, about, delivery, now, value, undoes, corrects=corrects)
            try:
                self.facts.change(field, about, delivery, value)
            except MeanwhileError:
                self.log.forget(change)
                self._take_in()
                continue
            except BaseException:
                self.log.forget(change)
                raise
            if of_frame and self._says_who(about) != says_who:
                self._search_soon()
            beside = self.consent_now.look_beside(None if field == "publish" else [about] if of_frame else [])
            self._touch([shown, *(self._opened.called.get(name, name) for name in beside)])
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

    def _after_consent(self, before: set[str]) -> Json:
        changed = before ^ self._held_now()
        names = [name for name in self.names() if self._real.get(name, name) in changed]
        self._touch(names)
        self._roster_changed = self.version
        self._search_soon()
        return {**self._answer(names), "roster": self.roster()}

    def reach(self, team: str, number: str) -> Json:
        """{frames, files: delivered frames and how many files of them this withdrawal would take}."""
        with self._lock:
            self._look()
            facts = self.facts.facts
            if facts.player(team, number) is None:
                raise UnknownError(f"{team} {number} is not in the roster")
            roster = tuple(replace(p, publish=p.publish and (p.team, p.number) != (team, number)) for p in facts.roster)
            then = self.facts.held_with(replace(facts, roster=roster)) - self.facts.held_with(facts)
            names: list[JsonValue] = []
            files = 0
            for name in self.names():
                if self.record.frames[name].deliveries and self._real.get(name, name) in then:
                    names.append(name)
                    files += len(self.record.frames[name].deliveries)
            return {"frames": names, "files": files}

    def undo(self) -> Json:
        """Take back the last change, by any tab or an earlier review. {undone: what, frames, roster...}.

        One that was changed by hand since is passed over, with a RefusedError that says so; so is a withdrawn consent,
        and the naming of who is withheld: a slip on a key must publish nobody. Raises as `decide`.
        """
        with self._lock:
            self._look()
            while (last := self.log.last()) is not None:
                now = self.facts.value(last.field, last.about, last.delivery)
                withdrawn = last.field == "publish" and last.before is True and not now
                frees = self._frees(last) and same(now, last.after)
                if same(now, last.after) and not withdrawn and not frees and not last.corrects:
                    return self._take_back(last)
                self.log.add(last.field, last.about, last.delivery, now, now, last.number)  # and the next one goes on
                if withdrawn:
                    raise RefusedError(
                        f"{last.about} was withdrawn, and undo publishes nobody: if consent is given after all, say so "
                        "in the list of players"
                    )
                if frees:
                    raise RefusedError(
                        f"{self._opened.called.get(last.about, last.about)} names a player who must not be published, "
                        "and undo lets no such frame go: take the name off the frame itself"
                    )
                if last.corrects and same(now, last.after):
                    raise RefusedError(
                        f"{self._without_names(last.in_words())}: the line had a wrong cell before, and undo makes "
                        "none wrong again: change the frame itself"
                    )
                if not same(now, last.before):  # else it was never written, or is taken back by hand
                    what = self._without_names(last.in_words())
                    raise RefusedError(f"{what}: was changed in the file since, and stays as it is there")
            return {**self._answer([]), "undone": ""}

    def _frees(self, last: Change) -> bool:
        """Whether a frame would no longer name somebody who must not be published, in the list or in words."""
        if last.field not in ("players", "words"):
            return False
        return self.names_withheld(last) or self.facts.frees(last.about, last.field, last.before)

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
                self.shoot.index.frames[real],
                self.facts.facts,
                row,
                self.consent_now.own_text(real),
                tuple(wrong),
            )
            return {
                "caption": found.caption, "headline": found.headline, "alt": found.alt, "delivery": found.delivery,
                "held": found.held, "problems": list(found.problems),
            }  # fmt: skip

    # ---- rendering

    def start_render(self) -> Json:
        """Begin. Raises RefusedError where a run is on, or the facts have problems that would stop it."""
        with self._lock:
            self._look()
            if not self.job.is_running:
                if self.store.is_locked():
                    raise RefusedError("a run is on in another window: wait until it has ended")
                over = next((c for c in self._saved_over() if self.withholds(c)), None)
                if over is not None and over.field != "publish":
                    called = self._opened.called.get(over.about, over.about)
                    raise RefusedError(
                        f"{called} named a player who must not be published, and another program has saved the table "
                        "without that: name that player there again, and then take the player off if nobody is in it"
                    )
                if over is not None:
                    raise RefusedError(
                        f"{over.about} was withdrawn here, and another program has saved the roster without that: "
                        "withdraw or allow that player again in the list of players"
                    )
                if self.facts.stopping:
                    raise RefusedError(f"correct this first: {self.facts.problems[0]}")
                self._began = len(self.log.changes)
                self.job.start()
            return {**self._answer([]), "render": self.render()}

    def stop_render(self) -> Json:
        """Stop it; what is done is kept."""
        self.job.stop()
        return {"render": self.render()}

    def close(self) -> str:
        """End: stop a render, and say what is left to do."""
        self.job.close()
        self.opened.close()
        stale = self.render()["stale"]
        assert isinstance(stale, int)
        return f"{counted(stale, 'frame')} decided and not rendered" if stale else ""
