"""shoot/: which frames there are, and which belong together."""

from __future__ import annotations

from tests.mutants_table import mutant

_BURSTS = "shoot/bursts.py"
_SCAN = "shoot/scan.py"
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
    mutant(_BURSTS, "(since[-1] + unit) / (places", "(since[-1] or unit) / (places", *_BURST_TESTS),
    mutant(_BURSTS, "set(ticks) - {ticks[0], ticks[-1]}", "set()", *_BURST_TESTS),
    mutant(_BURSTS, "max(slow, slow_number * (last - first))", "slow", "people/test_slow_cameras.py"),
    mutant(_BURSTS, "max(b - a - unit, 0.0)", "0.0", *_BURST_TESTS),
    mutant(_BURSTS, "tenths: float = 0.1", "tenths: float = 0.11", *_BURST_TESTS),
    mutant(_BURSTS, "counted: float = 2.0", "counted: float = 1.8", *_BURST_TESTS),
    mutant(_BURSTS, "counted: float = 2.0", "counted: float = 2.2", *_BURST_TESTS),
    mutant("people/subject.py", "balls, running, moving)", "balls, moving, moving)", "people/test_slow_cameras.py"),
    mutant("people/subject.py", "balls, running, moving)", "balls, running, running)", "people/test_slow_cameras.py"),
    mutant("people/subject.py", "rows, ran, balls,", "rows, moves, balls,", "people/test_slow_cameras.py"),
    mutant(_SCAN, '{wanted}", *why', '{wanted}" + "".join(why)', "shoot/test_kinds.py"),
    mutant(_SCAN, "    if is_out(shoot):\n", "    if False:\n", *_SCAN_TESTS),
    mutant(_SCAN, "Path(folder) / name not in made", "True", *_SCAN_TESTS),
    mutant(_SCAN, 'shoot.suffix.lower() in (".yaml", ".yml")', "False", *_SCAN_TESTS),
    mutant(_SCAN, "if not out.is_dir() or is_out(out):", "if not out.is_dir():", *_SCAN_TESTS),
    mutant(_SCAN, ' == "raw" or (frame_kind(path)', " or (frame_kind(path)", *_SCAN_TESTS),
    mutant("engine/decide.py", "        refuse_photographs(out)\n", "", "cli/test_foreseen.py"),
    mutant("shoot/scan.py", "for depth in range(1, 5) for p", "for depth in range(1, 3) for p", "shoot/test_scan.py"),
    mutant("shoot/scan.py", "if (out / LIST).exists():", "if False:", "shoot/test_scan.py"),
    mutant(_SCAN, "if not there.is_relative_to(inside):", "if False:", *_SCAN_TESTS),
    mutant(_SCAN, 'sorted(names) if not name.startswith(".")', "sorted(names)", *_SCAN_TESTS),
    mutant(
        "store/files.py",
        'unicodedata.normalize("NFC", unicodedata.normalize("NFC", path).casefold())',
        "path",
        *_SCAN_TESTS,
    ),
    mutant(_BURSTS, "streams.setdefault(identity(frame), [])", 'streams.setdefault(("",) * 4, [])', *_BURST_TESTS),
]
