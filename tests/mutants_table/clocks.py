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
_DAYS = "shoot/clocks/days.py"
_DATE_TESTS = ("shoot/clocks/test_dates.py",)
_TURN_TESTS = ("shoot/clocks/test_alternation.py",)

MUTANTS = [
    mutant(_DATES, "not first <= time <= last:", "time > last:", *_DATE_TESTS),
    mutant(_DATES, "not first <= time <= last:", "time < first:", *_DATE_TESTS),
    mutant(_DATES, "last - start > _ONE_DAY or", "", *_DATE_TESTS),
    mutant(_DATES, " or start - first > _ONE_DAY", "", *_DATE_TESTS),
    mutant(_DATES, "if time is None and several:", "if False:", *_DATE_TESTS),
    mutant(_DATES, "or time - groups[-1][-1] > BELIEVED", "", *_DATE_TESTS),
    mutant(_DATES, "time - groups[-1][-1] > BELIEVED", "time - groups[-1][0] > BELIEVED", *_DATE_TESTS),
    mutant(_DATES, "not vouched.isdisjoint(some)", "False", *_DATE_TESTS),
    mutant(_DATES, "2 * len(possible[-1]) > sum(map(len, possible))", "True", *_DATE_TESTS),
    mutant(_DATES, "some[0] >= _FIRST and ", "", *_DATE_TESTS),
    mutant(_DATES, " and some[-1] <= latest", "", *_DATE_TESTS),
    mutant(_DATES, "frame.name in another_day", "False", *_DATE_TESTS),
    mutant(_DAYS, "all(taken[day] == 1 for day in own)", "True", *_DATE_TESTS),
    mutant(_DAYS, " and not own & of_start", "", *_DATE_TESTS),
    mutant(_DAYS, " and names.isdisjoint(proven)", "", *_DATE_TESTS),
    mutant(_DAYS, "gap < LIMITS.apart", "True", *_DATE_TESTS),
    mutant(_DAYS, "(time - _NIGHT).date()", "time.date()", *_DATE_TESTS),
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
    mutant(_CLOCKS, "not self.event[0] <= near <= self.event[1]", "False", *_CLOCK_TESTS),
    mutant(_CLOCKS, "not self.event[0] <= near <= self.event[1]", "abs(near - self.start).days >= 3", *_DATE_TESTS),
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
    mutant(_FIT, "lasts = max(lasts,", "lasts = min(lasts,", *_FIT_TESTS),
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
