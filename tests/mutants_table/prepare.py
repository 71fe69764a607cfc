"""prepare and the folder of facts: nothing typed is lost, nobody withheld is forgotten, no text breaks out."""

from __future__ import annotations

from tests.mutants_table import mutant

_PREPARE, _PROPOSALS = "engine/tables/prepare.py", "engine/tables/reference_proposals.py"
_TESTS = ("engine/tables/test_prepare.py", "engine/tables/test_prepare_like.py")
_YAML, _TEXTS = "textfile/yaml_text.py", ("textfile/test_yaml_text.py",)
_SHEET_TESTS = ("engine/tables/test_caption_sheet.py",)
_EVENT, _FACTS = "shoot/eventfile.py", ("shoot/test_facts_unclear.py",)
_PLACE, _PLACE_TESTS = "shoot/read_facts.py", ("shoot/test_facts_place.py",)

MUTANTS = [
    mutant("engine/tables/caption_sheet.py", "if unread and stops and not facts.roster:", "if False:", *_SHEET_TESTS),
    mutant("engine/tables/caption_sheet.py", '{facts_file}" if facts_file else', '" if False else', *_SHEET_TESTS),
    # Nobody is named while minors is not understood; yes and no in the shoot's language.
    mutant(_EVENT, 'any(key == "minors" or did_you_mean(str(key), ("minors",)) for key in bad)', "False", *_FACTS),
    mutant(_EVENT, "if twice or any(", "if any(", *_FACTS),
    mutant(_EVENT, 'written.model_copy(update={"minors": True}) if twice else written', "written", *_FACTS),
    mutant(_EVENT, "default=False, languages=languages)", "default=False)", *_FACTS),
    mutant(_PLACE, "return Facts(minors=True), sorted", "return Facts(), sorted", *_FACTS),
    mutant(_PREPARE, 'values["minors"] = parsed.minors', "pass", *_TESTS),
    # A spreadsheet opens again what it saved.
    mutant("cli/captions.py", "cells = found", "pass", *_SHEET_TESTS),
    mutant("textfile/tables.py", 'delimiter if len(header) > 1 else ""', "delimiter", *_SHEET_TESTS),
    # An existing file is kept; the shoot folder is never written to.
    mutant(
        "cli/prepare.py",
        "if file.exists() or file.is_symlink()",
        "if file.exists()",
        *_TESTS,
    ),
    mutant("cli/prepare.py", "        if ROSTER_FILE not in there:\n", "        if True:\n", *_TESTS),
    mutant("cli/prepare.py", "if is_inside(facts.resolve(), shoot.resolve()):", "if facts == shoot:", *_TESTS),
    mutant("cli/prepare.py", "save(file, data, replaces=False)", "save(file, data)", *_TESTS),
    # Consent is carried over from beside the frames and from the last match.
    mutant("cli/prepare.py", "beside if beside.table is not None else last", "last", *_TESTS),
    mutant(
        "cli/prepare.py",
        "read_shoot(shoot, facts if there else None, measuring.models)",
        "read_shoot(shoot, facts, measuring.models)",
        *_TESTS,
    ),
    mutant(_PREPARE, "            values[key] = value\n", "", *_TESTS),
    mutant(_PREPARE, '"start", "references", "clocks", "roster", "frames"', '"start", "roster", "frames"', *_TESTS),
    mutant(_PREPARE, "b.first and b.key}", "b.first}", *_TESTS),
    mutant(_PREPARE, "if last - first > _ONE_NIGHT:", "if False:", *_TESTS),
    mutant(_PREPARE, "    if offset is None:\n        return", "    if False:\n        return", *_TESTS),
    # A guess stays a comment, and proposals are few.
    mutant(_PROPOSALS, "len(group) <= RULES.most_frames", "True", *_TESTS),
    mutant(_PROPOSALS, "if area < RULES.least_card or off > RULES.central:", "if False:", *_TESTS),
    mutant(_PROPOSALS, "some[at] = replace(some[at]", "some[at] = replace(one", *_TESTS),
    mutant(_PROPOSALS, "best.setdefault(one.camera, [])", 'best.setdefault("", [])', *_TESTS),
    mutant("engine/tables/event_form.py", "  # {in_comment(text)}", "  {in_comment(text)}", *_TESTS),
    # Nothing breaks out.
    mutant(_YAML, "if text.isprintable() else quoted(text)", "", *_TESTS, *_TEXTS),
    mutant(_YAML, " and text.casefold() not in _WORDS", "", *_TEXTS),
    mutant(_YAML, "    if sign.isprintable():", "    if True:", *_TEXTS),
    # Which file counts.
    mutant(_PLACE, "folders = _distinct(given, shoot)", "folders = _distinct(shoot, given)", *_PLACE_TESTS),
    mutant(_PLACE, 'if given.suffix.lower() not in (".yaml", ".yml"):', "if False:", *_PLACE_TESTS),
    mutant(_PLACE, "    notices += _notices(name, folders)\n", "", *_PLACE_TESTS),
    mutant(
        "shoot/roster.py",
        "and not _shirt(team).isdecimal() and side_of(team, teams)[0] is None",
        "and not _shirt(team).isdecimal()",
        *_PLACE_TESTS,
    ),
    mutant(
        "engine/tables/caption_sheet.py",
        "    facts = with_wrong_rows(facts, problems)\n",
        "",
        *_SHEET_TESTS,
    ),
    mutant(
        "cli/captions.py", "else desk / FRAMES_FILE", "else Path(FRAMES_FILE)", "engine/tables/test_caption_sheet.py"
    ),
]
