"""shoot/clocks/: whose clock is corrected by how much, and what is said of clocks that do not fit."""

from __future__ import annotations

from tests.mutants_table import mutant

_BODIES = "shoot/clocks/bodies.py"
_CLOCKS = "shoot/clocks/correction.py"
_ENTRIES = "shoot/clocks/entries.py"
_EVIDENCE = "shoot/clocks/evidence.py"
_FIT = "shoot/clocks/fit.py"
_TURNS = "shoot/clocks/alternation.py"
_CLOCK_TESTS = ("shoot/clocks/test_correction.py",)
_FIT_TESTS = ("shoot/clocks/test_fit.py",)
_DATES = "shoot/clocks/dates.py"
_DATE_TESTS = ("shoot/clocks/test_dates.py",)
_TURN_TESTS = ("shoot/clocks/test_alternation.py",)

MUTANTS = [
    mutant(_DATES, "abs(time - start) > BELIEVED:", "time - start > BELIEVED:", *_DATE_TESTS),
    mutant(_DATES, "abs(time - start) <= BELIEVED", "True", *_DATE_TESTS),
    mutant(_DATES, "if time is None and several:", "if False:", *_DATE_TESTS),
    mutant(_DATES, "after[0] - before[0] > BELIEVED", "False", *_DATE_TESTS),
    mutant(_DATES, "any(name in proven for _, name in some)", "False", *_DATE_TESTS),
    mutant(_DATES, "2 * len(groups[-1]) > len(timed)", "True", *_DATE_TESTS),
    mutant(_DATES, " and groups[-1][0][0] >= _FIRST:", ":", *_DATE_TESTS),
    mutant(_CLOCKS, "abs(clock.seconds) >=", "0 <=", *_DATE_TESTS),
    mutant(_CLOCKS, "return clock.right or by_days", "return by_days", *_DATE_TESTS),
    mutant(_CLOCKS, "clock.right or by_days or", "clock.right or", *_DATE_TESTS),
    mutant(_CLOCKS, " and clock.shows.day is not None)", ")", *_DATE_TESTS),
    mutant(_CLOCKS, "time = exif.time + shift", "time = exif.time - shift", *_CLOCK_TESTS),
    mutant(_CLOCKS, "+ seconds\n", "\n", *_CLOCK_TESTS),
    mutant(_CLOCKS, "if own.name not in entry.frames:", "if False:", *_CLOCK_TESTS),
    mutant(_CLOCKS, "if identity(other) == identity(own) or other.name in entry.frames:", "if False:", *_CLOCK_TESTS),
    mutant(_CLOCKS, "if clock in trail:", "if False:", *_CLOCK_TESTS),
    mutant(
        _CLOCKS, "None if other_zone or abs(shift) >= _ZONE_STEP else exif.utc_offset", "exif.utc_offset", *_CLOCK_TESTS
    ),
    mutant(_CLOCKS, "abs(near - self.start) > BELIEVED", "False", *_CLOCK_TESTS),
    mutant(_CLOCKS, "return _Meant(clock, 1 + depth, of_folder)", "return _Meant(clock, 1, of_folder)", *_CLOCK_TESTS),
    mutant(_BODIES, "return whole\n", "pass\n", "shoot/clocks/test_bodies.py"),
    mutant(_BODIES, '"" if serial else card_folder(frame)', '""', "shoot/clocks/test_bodies.py"),
    mutant(_BODIES, 'exif.serial if exif.serial.strip("0 .-") else ""', "exif.serial", "shoot/clocks/test_bodies.py"),
    mutant(_BODIES, "if self.ends[wanted] == 1 and", "if", "shoot/clocks/test_bodies.py"),
    mutant(_ENTRIES, "for step in (-1, 0, 1)", "for step in (0, 1)", *_CLOCK_TESTS),
    mutant(_ENTRIES, "hour > 24 or (hour == 24 and (minute or second or fraction))", "hour > 23", *_CLOCK_TESTS),
    mutant(
        _EVIDENCE, "if fix is None or time is None or fix in known:", "if fix is None or time is None:", *_FIT_TESTS
    ),
    mutant(_EVIDENCE, "if max(errors) - error <= LIMITS.fresh", "if True", *_FIT_TESTS),
    mutant(_EVIDENCE, "if abs(off) <= 2 * room or not possible:", "if abs(off) <= 2 * room:", *_FIT_TESTS),
    mutant(_EVIDENCE, "not (start is not None or _slip(wrong, right))", "False", *_FIT_TESTS),
    mutant(_EVIDENCE, "seconds = (zone - own) * 60.0", "seconds = (own - zone) * 60.0", *_FIT_TESTS),
    mutant(_EVIDENCE, "if min(last - first, ends - begins) < LIMITS.long:", "if False:", *_FIT_TESTS),
    *(
        mutant(
            _EVIDENCE, f"{name} = timedelta({unit}={value})", f"{name} = timedelta({unit}={times * value})", *_FIT_TESTS
        )
        for name, unit, value in (
            ("apart: timedelta", "minutes", 15),
            ("before: timedelta", "hours", 3),
            ("long: timedelta", "minutes", 30),
            ("ends: timedelta", "minutes", 5),
        )
        for times in (1.1, 0.9)
    ),
    mutant(_EVIDENCE, "fixes: int = 3", "fixes: int = 4", *_FIT_TESTS),
    mutant(_EVIDENCE, "fixes: int = 3", "fixes: int = 2", *_FIT_TESTS),
    mutant(_FIT, "if id(body) in judged:", "if False:", *_FIT_TESTS),
    mutant(_FIT, "elif misfits:", "elif False:", *_FIT_TESTS),
    mutant(_FIT, "return fits, to_the_day, frames_of", "return fits, fits, frames_of", *_FIT_TESTS),
    mutant(_FIT, "round(seconds / 86400)", "days", *_FIT_TESTS),
    mutant(_BODIES, "== {self.numbers[id(body)]: len(body.frames)}:", "is not None:", *_CLOCK_TESTS),
    mutant(_BODIES, 'if model.endswith(("/", "\\\\")):', "if False:", *_CLOCK_TESTS),
    mutant(_CLOCKS, "name not in shown and self._is_clear(name)", "name not in shown", *_CLOCK_TESTS),
    mutant("cli/run.py", "for text in (about.text, about.record)}", "for text in ()}", "cli/test_clocks.py"),
    mutant(_FIT, "if one != other and after - before < gap:", "if one != other:", *_FIT_TESTS),
    mutant(_TURNS, "if len(ranges) != 1:", "if not ranges:", *_TURN_TESTS),
    mutant(_TURNS, "or first <= 0 <= last", "", *_TURN_TESTS),
    mutant(_TURNS, "lasts if fine else lasts + 1.0", "lasts", *_TURN_TESTS),
    mutant("engine/redaction.py", "self.unmarked.get(text, text)", "text", "cli/test_clocks.py"),
]
