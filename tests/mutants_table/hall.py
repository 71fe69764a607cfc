"""Lines that keep a memory of a hall from doing harm: wrong whites for a night, a name kept, a strange file read."""

from __future__ import annotations

from tests.mutants_table import mutant

_UNCHANGED = "light/hall/unchanged.py"
_MEMORY = ("engine/hall/test_memory.py",)
_RUN = ("engine/hall/test_run_with_memory.py",)

MUTANTS = [
    mutant(
        "light/hall/lamps.py",
        "len(s.names) < 2 and not s.flicker[0].coefficients.any() for s",
        "len(s.names) < 2 for s",
        "cli/test_light_words.py::test_spoiled_frames_are_counted_among_those_that_can_be_told",
    ),
    mutant(
        "engine/hall/picture.py",
        "(c.isascii() or c in _DRAWN)",
        "ord(c) < 0x250",
        "engine/hall/test_findings.py::test_names_of_halls_and_cameras_are_drawn_in_signs_that_the_font_has",
    ),
    mutant(_UNCHANGED, "if not own or seen < RULES.recognised:", "if not own and seen < -1:", *_MEMORY),
    mutant(_UNCHANGED, "beside = [i for i in off if off[i] > RULES.off]", "beside = []", *_MEMORY),
    mutant(_UNCHANGED, "abs(p.brighter) > RULES.dimmer]", "abs(p.brighter) > 9]", *_MEMORY),
    mutant(_UNCHANGED, "if found is None or found.at_least:", "if True:", *_MEMORY),
    mutant(_UNCHANGED, 'return Proof("changed", lights=lights', 'return Proof("unproven", lights=lights', *_MEMORY),
    mutant("light/hall/remembered.py", "elif camera is None:", "elif False:", *_MEMORY),
    mutant("engine/hall/remember.py", "if word in _ENDS and plain not in taken", "if plain not in taken", *_MEMORY),
    mutant("engine/hall/recall.py", "if not (store.work / NAME).exists():", "if True:", *_MEMORY),
    mutant("engine/hall/recall.py", "_snapshot(out) if out is not None else (None, ())", "(None, ())", *_RUN),
    mutant("shoot/hall/folder.py", "    if is_link(path):", "    if False:", *_MEMORY),
    mutant("shoot/hall/memory.py", "validate=True), most + 1)", "validate=True))", *_MEMORY),
    mutant(
        "engine/hall/recall.py",
        "if memory is not None and tonight:",
        "if False:",
        "engine/hall/test_run_with_memory.py",
    ),
    mutant(
        "engine/hall/remember.py",
        "or not self.marks.isdisjoint(night.sample)",
        "",
        "engine/hall/test_run_with_memory.py",
    ),
    mutant(
        "engine/hall/remember.py",
        "old.before if old.night == learned.night.id else",
        "",
        "engine/hall/test_memory.py::test_what_was_known_before_a_night_is_kept_for_another_run_of_it",
    ),
]
