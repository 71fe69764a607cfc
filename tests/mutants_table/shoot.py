"""shoot/: which frames there are, and which belong together."""

from __future__ import annotations

from tests.mutants_table import mutant

_BURSTS = "shoot/bursts.py"
_SCAN = "shoot/scan.py"
_FRAME_NAMES = "shoot/frame_names.py"
_CLOCKS = "shoot/clocks/correction.py"
_BODIES = "shoot/clocks/bodies.py"
_CLOCK_TESTS = ("shoot/clocks/test_correction.py",)
_BURST_TESTS = ("shoot/test_bursts.py",)
_SCAN_TESTS = ("shoot/test_scan.py",)

MUTANTS = [
    mutant(_BURSTS, "min(max(gap, own), LIMITS.longest)", "max(gap, own)", *_BURST_TESTS),
    mutant(_BURSTS, "min(max(gap, own), LIMITS.longest)", "min(gap, LIMITS.longest)", *_BURST_TESTS),
    mutant(_BURSTS, "        pauses = []\n", "", *_BURST_TESTS),
    mutant(
        _BURSTS,
        "exif.focal_length / first.focal_length - 1",
        "exif.focal_length / last.focal_length - 1",
        *_BURST_TESTS,
    ),
    mutant(_SCAN, "if not there.is_relative_to(inside):", "if False:", *_SCAN_TESTS),
    mutant(_SCAN, 'sorted(names) if not name.startswith(".")', "sorted(names)", *_SCAN_TESTS),
    mutant(_FRAME_NAMES, 'unicodedata.normalize("NFC", name).casefold()', "name", *_SCAN_TESTS),
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
    mutant(_BURSTS, "streams.setdefault(identity(frame), [])", 'streams.setdefault(("",) * 4, [])', *_BURST_TESTS),
]
