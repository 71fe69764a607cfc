"""engine/: what stands in OUT, what goes, and what results hang on."""

from __future__ import annotations

from tests.mutants_table import mutant

_OUTPUTS = "engine/outputs.py"
_STANDING = ("engine/test_outputs.py",)

MUTANTS = [
    mutant(_OUTPUTS, "if not same and hashlib", "if False and hashlib", *_STANDING),
    mutant(_OUTPUTS, "if stays else None", "if True else None", *_STANDING),
    mutant(_OUTPUTS, "            if not intact:\n", "            if False:\n", *_STANDING),
    mutant(_OUTPUTS, "                path.unlink()\n", "                pass\n", *_STANDING),
    mutant(_OUTPUTS, "and orphan and not holds_withheld(stem, planner.shoot.facts):", "and orphan:", *_STANDING),
    mutant(_OUTPUTS, "not holds_withheld(stem, planner.shoot.facts):", "False:", *_STANDING),
    mutant(_OUTPUTS, "if delivery is not None and orphan", "if orphan", *_STANDING),
    mutant(
        _OUTPUTS,
        "            if not path.is_file():\n                self.store.remove",
        "            if False:\n                self.store.remove",
        *_STANDING,
    ),
    mutant(
        "engine/render.py",
        "if not scan or scan_digest(data) != scan:",
        "if not scan:",
        "engine/test_outputs.py",
        why="still_good and settle have compared the whole file's SHA-256 before: a second lock on one door",
    ),
    mutant("engine/earlier.py", "if not here & known:", "if False:", "engine/test_earlier.py"),
    mutant(
        "engine/earlier.py",
        "(f.relative, f.path.stat().st_size) for f in frames",
        "(f.relative, 0) for f in frames",
        "engine/test_earlier.py",
    ),
]
