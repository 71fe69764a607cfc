"""review/: who may ask, what consent takes off the page, and whose changes are kept."""

from __future__ import annotations

from tests.mutants_table import mutant

_GUARD, _STATE, _SESSION = "review/guard.py", "review/state.py", "review/session.py"
_FILES, _NOW, _VIEWS = "review/facts_files.py", "review/facts_now.py", "review/views.py"
_PICTURES, _CHANGES, _DESK = "review/pictures.py", "review/changes.py", "review/web/desk.js"
_GUARD_TESTS = ("review/test_guard.py",)
_CONSENT = ("review/test_consent.py",)
_DECISIONS = ("review/test_decisions.py",)
_PLACE = ("review/test_facts_place.py",)

MUTANTS = [
    mutant(_GUARD, "if len(hosts) != 1 or hosts[0].lower() not in self._hosts:", "if len(hosts) != 1:", *_GUARD_TESTS),
    mutant(_GUARD, "any(origin not in self._origins for origin in origins)", "False", *_GUARD_TESTS),
    mutant(_GUARD, '(method == "POST" and len(origins) != 1)', "False", *_GUARD_TESTS),
    mutant(_GUARD, 'any(site not in (b"same-origin", b"none") for site in sites)', "False", *_GUARD_TESTS),
    mutant(_GUARD, 'and path == f"/{self._token}/"', "", *_GUARD_TESTS),
    mutant(
        _GUARD,
        "not secrets.compare_digest(token.encode(",
        "not self._token.encode().startswith(token.encode(",
        *_GUARD_TESTS,
    ),
    mutant(_GUARD, 'or _all(headers, HEADER) != [b"1"]', "", *_GUARD_TESTS),
    mutant(_GUARD, 'kind != b"application/json" or', "", *_GUARD_TESTS),
    mutant(_GUARD, "if len(body) > most:", "if False:", *_GUARD_TESTS),
    mutant(_PICTURES, "if is_delivered_path(file.file) else None", "", *_GUARD_TESTS),
    mutant(_STATE, "held(frame), self._opened.called)", "held(frame), {})", *_CONSENT),
    mutant(_STATE, "return None if self.held(self.real(name)) else", "return", *_CONSENT),
    mutant(
        _STATE, "return self._without_names(row.words) if self.held(real) else row.words", "return row.words", *_CONSENT
    ),
    mutant(_VIEWS, "        if not held:\n", "        if True:\n", *_CONSENT),
    mutant(_NOW, 'return self._held[frame] or own_texts.get(frame, "")', "return self._held[frame]", *_CONSENT),
    mutant(_NOW, "            self._held.pop(changed, None)\n", "            pass\n", *_CONSENT),
    mutant(_SESSION, "and STAND_IN in value", "and False", *_CONSENT),
    mutant(_SESSION, "self._without_names(str(now)) if hidden else now\n", "now\n", *_CONSENT),
    mutant(_SESSION, "                if over is not None:\n", "                if False:\n", *_CONSENT),
    mutant(_FILES, "        if self.read(kind) != before:\n            raise MeanwhileError\n", "", *_DECISIONS),
    mutant(_SESSION, "if not same(now, seen) and not", "if False and not", *_DECISIONS),
    mutant(_CHANGES, "            self.changes.pop()\n", "", *_DECISIONS),
    mutant(_FILES, "        if why := self.why_not():\n            raise ReadOnlyError(why)\n", "", *_PLACE),
    mutant(_FILES, "if used is not None and not self._in_shoot(used):", "if used is not None:", *_PLACE),
    mutant("engine/kept/source.py", "kept.exists() and shoot.facts_file is None:", "False:", *_PLACE),
    mutant(_SESSION, "and not frees and not last.corrects", "and not frees", *_CONSENT),
    mutant(_SESSION, "if self.withholds(c)), None)", "if c.after is False), None)", *_CONSENT),
    mutant(_STATE, 'if change.field != "words":', "if True:", *_CONSENT),
    mutant("textfile/table_edits.py", "if more:", "if False:", "textfile/test_table_edits.py"),
    mutant(
        "shoot/rows.py",
        "if name is not None and (name not",
        "if name is not None and not wrong and (name not",
        "engine/test_wrong_rows.py",
    ),
    mutant("engine/kept/withdrawn.py", "if now.for_consent(f.name) and not", "if not", "engine/test_withdrawn.py"),
    mutant("engine/kept/withdrawn.py", "with_copies(facts, shoot.frames, texts)", "texts", "engine/test_withdrawn.py"),
    mutant(_NOW, "[*self._gone(), *problems]", "problems", *_CONSENT),
    # who may be beside a frame that is held in the review is told there, not by the next run
    mutant(_STATE, "beside = bool(record.deliveries) and real in", "beside = False and real in", *_CONSENT),
    mutant(_STATE, "notices = [*self._of_consent(), *(", "notices = [*(", *_CONSENT),
    mutant(_STATE, "yield from lines_by_kind([text for", "lines_by_kind([text for", *_CONSENT),
    mutant(
        _STATE, "for text in self.record.notices if BESIDE not in text]", "for text in self.record.notices]", *_CONSENT
    ),
    mutant(_VIEWS, "record.notices if BESIDE not in text)", "record.notices)", *_CONSENT),
    mutant(
        _SESSION,
        'self.consent_now.look_beside(None if field == "publish" else [about] if of_frame else [])',
        "set[str]()",
        *_CONSENT,
    ),
    mutant(_STATE, "{*frames, *self.consent_now.look_beside()}", "frames", *_CONSENT),
    mutant(
        "review/consent_now.py",
        "with_copies(facts, frames, held, of_copies)",
        "with_copies(facts, frames, held)",
        *_CONSENT,
    ),
    mutant("review/consent_now.py", " or self._last.may_be_otherwise(facts)", "", *_CONSENT),
    mutant("review/consent_now.py", "return written or any(", "return any(", *_CONSENT),
    mutant("review/consent_now.py", "for name in self.listed)", "for name in ())", *_CONSENT),
    mutant("review/consent_now.py", "shoot.of_copies, known", "(), known", *_CONSENT),
    mutant("review/consent_now.py", "(self.roster, self.creator) ==", "(self.roster, facts.creator) ==", *_CONSENT),
    mutant("review/consent_now.py", "row.keep and not row.players and", "row.keep and", *_CONSENT),
    mutant(_DESK, "this.version = answer.version; //", "//", "browser/test_many.py"),
    mutant(_NOW, 'if self._raw is None and "frames" in', 'if False and "frames" in', *_CONSENT),
    # a decision is on disk with its name; nobody wonders about a second review or a review that cannot write
    mutant(
        "review/facts_files.py",
        "            flush_folder(path.parent)  #",
        "            #",
        "review/test_facts_place.py",
    ),
    mutant("review/open_reviews.py", "if lock != self._own)", "if lock == self._own)", "review/test_facts_place.py"),
    mutant(
        "cli/review.py",
        "if not beside:\n        return given",
        "if known:\n        return given",
        "review/test_facts_place.py",
    ),
]
