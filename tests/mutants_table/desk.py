"""review/web/: a decision in the browser is lost nowhere, written for its frame; who is withdrawn is told of."""

from __future__ import annotations

from tests.mutants_table import mutant

_BAR, _BOX, _CONSENT = "review/web/bar.js", "review/web/box.js", "review/web/consent.js"
_DECIDE, _DESK, _LIGHT = "review/web/decide.js", "review/web/desk.js", "review/web/light.js"
_NAMING, _QUEUE, _PAGE = "review/web/naming.js", "review/web/server.js", "report/page.js"
_TOOLS, _MANY, _REVIEW = "browser/test_tools.py", "browser/test_many.py", "browser/test_review.py"
_REPORT = "browser/test_report.py"

MUTANTS = [
    mutant(_QUEUE, "if (this.flying || !this.items.length) return;", "if (!this.items.length) return;", _TOOLS),
    mutant(_QUEUE, "sessionStorage.setItem(UNSAVED, JSON.stringify(this.all()));", "", _TOOLS),
    mutant(_QUEUE, "else if (before) before.value = item.value;", "else if (before) return;", _TOOLS),
    mutant(_QUEUE, "error.status === 409 && same(error.body.theirs, item.value)", "error.status === 409", _TOOLS),
    mutant(_QUEUE, "this.asleep.push(item);", "", _TOOLS),
    mutant(_QUEUE, "if (this.lost) this.again();", "if (false) this.again();", _TOOLS),
    mutant(_QUEUE, '"X-Court": "1"', '"X-Other": "1"', _REVIEW),
    mutant(_BAR, "desk.queue.settle(item, true, theirs)", "desk.queue.settle(item, false)", _REVIEW),
    mutant(_BAR, "if (!on && !stale())", "if (false)", _REVIEW),
    mutant(_DESK, "if (same(seen, value)) return;", "return;", _MANY),
    mutant(_DESK, "this.court.move(by, repeated)", "this.court.show(this.beside(this.now, by))", _MANY),
    mutant(_PAGE, '|| "deskSurface" in document.documentElement.dataset', "", _MANY),
    mutant(_PAGE, "const LEAST_BETWEEN = 350;", "const LEAST_BETWEEN = 0;", _REPORT, _MANY),
    mutant(
        _NAMING,
        'desk.change(shown, "words"',
        'desk.change(desk.now, "words"',
        _MANY,
        why="leave and blur save before another frame is shown: a third lock on one door",
    ),
    mutant(_NAMING, "if (!freed.length) return", "return", _MANY),
    mutant(_NAMING, "one.number.startsWith(told[2])", "one.number === told[2]", _TOOLS),
    mutant(_CONSENT, "team, number, publish: !publish });", "team, number, publish: true });", _REVIEW),
    mutant(_CONSENT, "publish: false, ask: true }", "publish: false }", _REVIEW),
    mutant(_CONSENT, "if (publish) taken = await reach(player);", "", _REVIEW),
    mutant(_DECIDE, 'desk.change(name, "keep", value);', 'desk.change(name, "keep", "");', _MANY, _REVIEW),
    mutant(_LIGHT, "burnt / count > 0.01", "burnt / count > 1", _TOOLS),
    mutant(_LIGHT, "send({ patch: surface.box })", "send({ patch: [0, 0, 1, 1] })", _REVIEW),
    mutant(_BOX, "const x = clamp(dx, -x0, 1 - x1);", "const x = dx;", _TOOLS),
    mutant(_BOX, "else if (width / height > ratio) width = height * ratio;", "", _TOOLS),
    mutant(_DESK, "if (held && unasked", "if (!held && unasked", _MANY),
    mutant(_DESK, " || item.chosen;", ";", _MANY),
    mutant("review/session.py", "(last) or self.facts.frees(", "(last) or False and (", "review/test_consent.py"),
    mutant("review/render_job.py", 'state = "failed"', "pass", "review/test_render.py"),
    mutant(
        "review/render_job.py", '_FAULTS = ("failed:", "not sent:")', '_FAULTS = ("failed:",)', "review/test_render.py"
    ),
    mutant("review/render_job.py", "(?!.* not done)", "", "review/test_render.py"),
    mutant("steps/crop.py", "if height > width and aspect > 1 >", "if aspect > 1 >", "steps/test_crop.py"),
    mutant("review/session.py", "not withdrawn and not frees", "not withdrawn", "review/test_consent.py"),
    mutant("review/state.py", "one in withheld and one not in before", "one not in before", "review/test_consent.py"),
]
