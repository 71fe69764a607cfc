"""Which files are a frame and what it is called: shoot/pairs.py, shoot/frame_names.py, rows, twins, files that stay."""

from __future__ import annotations

from tests.mutants_table import mutant

_NAMES = "shoot/frame_names.py"
_PAIRS = "shoot/pairs.py"
_NAMED = ("shoot/test_frame_names.py",)
_PAIRED = ("shoot/test_pairs.py",)
_CARDS = "engine/test_two_cards.py"
_TWINS = ("engine/test_damaged_raws.py",)
_ONE = "test_two_frames_that_prove_to_be_one_leave_no_second_file"

MUTANTS = [
    mutant(
        _NAMES,
        "for recall in (same_file, same_bytes_and_stem, same_bytes, same_path):",
        "for recall in (same_path, same_file, same_bytes_and_stem, same_bytes):",
        *_NAMED,
    ),
    mutant(_NAMES, "for recall in (same_file, same_bytes_and_stem,", "for recall in (same_bytes,", *_NAMED),
    mutant(_NAMES, "taken = {folded(known.name) for known in memory.files}", "taken: set[str] = set()", *_NAMED),
    mutant(_NAMES, "and _may_be_called(frame, written) and", "and written and", *_NAMED),
    mutant(_NAMES, "name.removesuffix(suffix) for", "name for", *_NAMED),
    mutant(_NAMES, "if count_of[folded(bare[r])] == 1 else name", "if True else name", *_NAMED),
    mutant(_NAMES, "[*map(folded, bare.values()), *taken]", "map(folded, bare.values())", *_NAMED),
    mutant(
        _NAMES,
        "return _union(self._spelled.lasts.get(key, ()) for key in keys), True",
        "return _union(self._spelled.lasts.get(key, ()) for key in keys[:1]), True",
        *_NAMED,
    ),
    mutant(_NAMES, "self._by_time(row, meant.may) in (None, there[0])", "True", *_NAMED),
    mutant(_NAMES, "            if not fits:", "            if False:", *_NAMED),
    mutant(_NAMES, "return alike, not rooted and alike == in_root", "return alike, not rooted", *_NAMED),
    mutant(_NAMES, 'return self._unsure(row["frame"], meant.may)', "return meant", *_NAMED),
    mutant(
        "shoot/rows.py",
        "if meant.sure or one not in certain]",
        "if meant.sure]",
        f"{_CARDS}::test_no_other_frame_gets_the_name_of_one_that_left",
    ),
    mutant(
        "shoot/rows.py",
        "unclear |= {one: said.format",
        "_ = {one: said.format",
        f"{_CARDS}::test_what_says_which_frame_a_row_means",
    ),
    mutant(_PAIRS, "(timed and not _same_time(a, b)) or ", "", *_PAIRED),
    mutant(_PAIRS, " or _differ(a.serial, b.serial)", "", *_PAIRED),
    mutant(_PAIRS, "if len(set(head)) > 1 else None", "", *_PAIRED),
    mutant(_PAIRS, "for key in (_stem_and_facts, _ends, digest):", "for key in (_stem_and_facts, _ends):", *_PAIRED),
    mutant(_PAIRS, "return same_model if alike is None else alike", "return True", *_PAIRED),
    mutant(_PAIRS, "return timed or same_picture(raw.path, picture.path) is not False", "return True", *_PAIRED),
    mutant(
        "shoot/consent.py",
        "for file, relative in zip(frame.files, frame.relatives, strict=True):",
        "for file, relative in ((frame.path, frame.relative),):",
        *_TWINS,
    ),
    mutant("engine/measure.py", "twin = from_twin(one.frame) if one.error else None", "twin = None", *_TWINS),
    mutant("engine/run.py", "                damaged = True", "                pass", *_TWINS),
    mutant(
        "engine/jobs.py",
        "names_known(out) if out is not None else NOTHING_KNOWN",
        "NOTHING_KNOWN",
        f"{_CARDS}::test_moved_files_are_known_by_their_bytes",
    ),
    mutant(
        "engine/outputs.py",
        "if relative not in self.orphans}",
        "if True}",
        f"{_CARDS}::test_a_frame_that_left_is_in_no_zip_page_or_push",
    ),
    mutant("engine/run.py", "*self.shoot.index.formerly},", "},", f"{_TWINS[0]}::{_ONE}"),
    mutant("engine/filenames.py", "sorted(numbered, key=lambda pair: pair[0])", "numbered", "engine/test_filenames.py"),
]
