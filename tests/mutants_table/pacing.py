"""What is done first, when a run ends, what the second run of a long night compares, and whose work is taken."""

from __future__ import annotations

from tests.mutants_table import mutant

_HOUR = ("engine/test_finish_by.py",)
_LEFT = ("engine/test_time_left.py",)
_SAME = ("engine/test_unchanged.py",)
_UNLIKE = ("workers/test_unlike.py",)
_KEPT = "engine/kept/unchanged.py"

MUTANTS = [
    mutant("engine/pacing/priority.py", "return not row.always, -", "return row.always, -", *_HOUR),
    mutant("engine/pacing/priority.py", "-(row.rating or 0), place", "(row.rating or 0), place", *_HOUR),
    mutant("engine/pacing/priority.py", "place, -score", "0, -score", *_HOUR),
    mutant(
        "engine/pacing/pace.py",
        "if late < min(RULES.margin, RULES.short * max(0.0, self.deadline.timestamp() - self.now())):",
        "if False:",
        *_HOUR,
    ),
    mutant("engine/pacing/pace.py", "if late < min(RULES.margin,", "if late < max(RULES.margin,", *_HOUR),
    mutant("engine/pacing/trial.py", "RULES.hurried if hurried else RULES.worth", "RULES.worth", *_HOUR),
    mutant("engine/pacing/pace.py", "+ self.closing(frames) >= ", ">= ", *_HOUR),
    mutant("engine/run.py", "if ready < total and self._time_is_up(total - ready):", "if False:", *_HOUR),
    mutant("engine/decide.py", "if pace.is_over(total) and done < total:", "if False:", *_HOUR),
    mutant("deliver/zip.py", "            if missing:", "            if False:", *_HOUR),
    mutant(
        "engine/jobs.py",
        "(d for d in self.recipe.deliveries if d.name not in there):",
        "():",
        "engine/test_failing_steps.py",
    ),
    mutant(_KEPT, "read.update(repr(part).encode(", "read.update(repr(0).encode(", *_SAME),
    mutant(_KEPT, "read.update(store.frame_digest(frame).encode())", "pass", *_SAME),
    mutant(_KEPT, "about.st_mtime_ns, about.st_ctime_ns, about.st_ino, about.st_mode)", "about.st_mode)", *_SAME),
    mutant("workers/cluster.py", "        if many != 1", "        if False", *_UNLIKE),
    mutant("workers/cluster.py", "if why := unlike(self.of, versions()):", 'if why := "":', *_UNLIKE),
    mutant("workers/cluster.py", "for path in unseen]", "for path in ()]", *_UNLIKE),
    mutant("engine/pacing/pace.py", "self._pieces >= RULES.least and ", "", *_HOUR),
    mutant("engine/pacing/pace.py", "return here + self._slower() * sum(", "return here + sum(", *_LEFT),
    mutant("engine/pacing/pace.py", "expected * self._slower() - elapsed", "expected - elapsed", *_LEFT),
    mutant("engine/pacing/pace.py", 'and "render" not in self._expected):', "and False):", *_LEFT),
    mutant("engine/pacing/sample.py", "name: each + slope * (weights[name].octets - middle)", "name: each", *_LEFT),
    mutant("engine/pacing/sample.py", "max(slope, 0.0), each / middle", "slope, 100 * each / middle", *_LEFT),
    mutant("engine/pacing/sample.py", "if worst[1] < _FAR * ", "if worst[1] < 1000 * ", *_LEFT),
    mutant("engine/pacing/sample.py", "for burst in spread(in_order):", "for burst in in_order:", *_LEFT),
    mutant("engine/pacing/sample.py", "if weights[name].kind == kind]\n        if len", "]\n        if len", *_LEFT),
    mutant("engine/pacing/trial.py", "    shutil.rmtree(store.work / _FOLDER, ignore_errors=True)  #", "    #", *_HOUR),
    mutant(
        "engine/render.py",
        "before = keep_before(Store(job.to or job.out)",
        "before = keep_before(Store(job.out)",
        *_HOUR,
    ),
    mutant("engine/pacing/sample.py", "_ALIKE = 0.1", "_ALIKE = 0.001", *_LEFT),
    mutant("cli/console.py", "if seconds >= SOON else", "if True else", "cli/test_progress.py"),
    mutant("cli/console.py", " and done - first[phase] >= _LEAST:", ":", "cli/test_progress.py"),
    mutant("cli/console.py", "if not terminal and now >= due:", "if not terminal:", "cli/test_progress.py"),
]
