"""captions/, recipe/ and textfile/: what is written, and what is refused before the night's work."""

from __future__ import annotations

from tests.mutants_table import mutant

_TEMPLATE = "captions/template.py"
_LIMITS = "captions/limits.py"
_EVALUATE = "captions/evaluate.py"
_EVALUATED = ("captions/test_evaluate.py",)
_PEOPLE = "captions/people.py"
_RECIPE = "recipe/recipe.py"
_TEMPLATES = ("captions/test_template.py", "steps/test_caption.py")
_RECIPES = ("recipe/test_recipe.py",)

MUTANTS = [
    mutant(_LIMITS, "hold(size_of(one) * max(times, 0))", "pass", *_EVALUATED),
    mutant(_LIMITS, "base.bit_length() * exponent > LIMITS.bits", "False", *_EVALUATED),
    mutant(_LIMITS, "    if wide:\n        raise TooMuchError\n", "", *_EVALUATED),
    mutant(_EVALUATE, "        self.left -= work\n", "        self.left -= 0\n", *_EVALUATED),
    mutant(_EVALUATE, "    hold(len(source))\n", "", *_EVALUATED),
    mutant(_TEMPLATE, "undefined=StrictUndefined, ", "", *_TEMPLATES),
    mutant(_TEMPLATE, "or not (inside / name).resolve().is_relative_to(inside):", ":", *_TEMPLATES),
    mutant(
        _TEMPLATE,
        "or Path(name).is_absolute()",
        "",
        *_TEMPLATES,
        why="an absolute path is also not below the recipe's folder, which is the next thing asked",
    ),
    mutant(_TEMPLATE, "if value is None or not str(value).strip():", "if value is None:", *_TEMPLATES),
    mutant(_TEMPLATE, 'for filler in ("x", ""):', 'for filler in ("x",):', *_TEMPLATES),
    mutant(_PEOPLE, "    if frame.exif.doubt:", "    if False:", "captions/test_people.py"),
    mutant(_PEOPLE, "return frame.exif.time or (", "return (", "captions/test_people.py"),
    mutant(_RECIPE, "elif version != _VERSION or isinstance(version, bool):", "elif version != _VERSION:", *_RECIPES),
    mutant(_RECIPE, "if name in found:", "if False:", *_RECIPES),
    mutant(_RECIPE, 'elif step.place not in (place, "both"):', "elif False:", *_RECIPES),
    mutant(_RECIPE, "domain = step.gives or domain", "domain = domain", *_RECIPES),
    mutant(_RECIPE, "if why := _unsafe(name):", "if why := None:", *_RECIPES),
    mutant(_RECIPE, "elif other := folded.get(name.casefold()):", "elif other := folded.get(name):", *_RECIPES),
    mutant(
        _RECIPE,
        "for first, second in sharing(pushes):",
        "for first, second in ():",
        *_RECIPES,
        "deliver/test_address.py",
    ),
    mutant(_RECIPE, "_NAME_LENGTH = 64 ", "_NAME_LENGTH = 70 ", *_RECIPES),
    mutant(_RECIPE, "_NAME_LENGTH = 64 ", "_NAME_LENGTH = 58 ", *_RECIPES),
    mutant(_RECIPE, "if name.casefold() in OWN_FILES:", "if False:", *_RECIPES),
    mutant(_RECIPE, 'or name.endswith(".")', "", *_RECIPES),
    # What a tired photographer reads
    mutant(
        _PEOPLE,
        "match if match or facts.title or opened else language",
        "f'{match} play' or language",
        "captions/test_language.py",
        "steps/test_caption.py",
    ),
    mutant("shoot/roster.py", 'or delete the line" if needless else why', 'or delete the line"', "shoot/test_facts.py"),
    mutant("cli/status.py", "max(_KNOWN, sum(", "max(MOST_LINES, sum(", "cli/test_status.py"),
    mutant(
        "cli/status.py",
        "weigh(text) < Weight.KNOW for text in notes))",
        "False for text in notes))",
        "cli/test_status.py",
    ),
    mutant(
        "cli/status.py",
        "if where else MOST_ALONE\n    most = max",
        "if where else MOST_LINES\n    most = max",
        "cli/test_status.py",
    ),
    mutant("cli/status.py", "most = MOST_LINES if where else MOST_ALONE", "most = MOST_LINES", "cli/test_status.py"),
    mutant(
        "cli/look/light_words.py",
        "        if end is None:",
        "        if True:",
        "cli/test_light_words.py::test_a_light_has_one_brightness_on_the_screen",
    ),
    mutant(
        "engine/record.py",
        "if text not in needless]",
        "if True]",
        "cli/test_foreseen.py::test_damaged_frames_and_rows_without_one",
    ),
    mutant("cli/status.py", 'if frame.status != "failed"  # of', "if True  # of", "cli/test_status.py"),
    mutant(
        "engine/tables/caption_sheet.py",
        "() if unread else (*nobody_known(facts), ",
        "(*nobody_known(facts), ",
        "engine/tables/test_caption_sheet.py",
    ),
    mutant("textfile/encodings.py", "if raw.startswith(_MARKS_OF_UTF_7):", "if False:", "textfile/test_encodings.py"),
    mutant("textfile/encodings.py", "    if _is_utf_7(raw):", "    if False:", "textfile/test_encodings.py"),
    mutant("textfile/encodings.py", "(?!\\d+(?![A-Za-z0-9+/]))", "", "textfile/test_encodings.py"),
    mutant("textfile/encodings.py", "(len(letters) > 1 or all(", "(True or all(", "textfile/test_encodings.py"),
    mutant(
        "cli/console.py",
        "MOST_LINES if where else MOST_ALONE",
        "MOST_LINES",
        "cli/test_terminal.py::test_some_says_how_many_more",
    ),
    mutant(
        "engine/tables/caption_sheet.py",
        'if frame.name in unread else ""',
        'if False else ""',
        "engine/tables/test_prepare.py::test_a_frame_that_cannot_be_read_costs_no_form",
    ),
    mutant("steps/caption.py", "facts = replace(facts, teams={})", "pass", "steps/test_caption.py"),
    mutant("steps/caption.py", "if not row.players and not row.words and any(", "if any(", "steps/test_caption.py"),
    mutant("captions/privacy.py", "if text and holds(text))", "if False)", "steps/test_caption.py"),
    mutant(
        "engine/hall/picture.py", "    return max(parts, key=len)", "    return points", "engine/hall/test_findings.py"
    ),
    mutant("formats/exif.py", "_LOG_STEP = 1 / 32 ", "_LOG_STEP = 0 ", "formats/test_exif_libraw.py"),
    mutant(
        "formats/exif.py",
        "as_cameras_say(_positive(other.shutter_speed))",
        "_positive(other.shutter_speed)",
        "formats/test_exif_libraw.py",
    ),
    mutant("formats/exif.py", "_WRITTEN = 1e-6", "_WRITTEN = 1e-2", "formats/test_exif_libraw.py"),
    mutant("report/needs.py", ' and solution.get("source") == CropSource.SUBJECT', "", "report/test_report.py"),
    mutant("report/needs.py", 'if frame.status != "failed":', "if True:", "report/test_report.py"),
    mutant("report/page.js", "called.get(last(name)) > 1", "called.get(last(name)) > 9", "browser/test_report.py"),
    mutant("report/facts.js", ".filter((text) => !frame.doubts.includes(text))", "", "browser/test_report.py"),
    mutant("report/facts.js", "if (frame.doubts.length)", "if (false)", "browser/test_report.py"),
    mutant("report/chart.js", "days ? 0 : 11", "11", "browser/test_report.py"),
    mutant(
        "cli/status.py",
        "weigh(text) < Weight.KNOW for text in notes[most:]",
        "False for text in ()",
        "cli/test_status.py",
    ),
    mutant("report/chart.js", "unmeasured > 0 ?", "unmeasured > 9 ?", "browser/test_report.py"),
    mutant("shoot/clocks/fit.py", "if start is None and (undated", "if (undated", "shoot/clocks/test_fit.py"),
    mutant("engine/sending.py", "taken if name in dated else None", "taken", "engine/test_sending.py"),
    mutant("textfile/notices.py", "|may show a card", "", "textfile/test_notices.py"),
    mutant("textfile/notices.py", "(?:repaired|taken out)$", "(?:repaired)$", "textfile/test_notices.py"),
    mutant("engine/decide.py", 'partial(progress, "cards")', "print", "engine/test_measured_once.py"),
    mutant("engine/burst_people.py", "        progress(done, total)\n", "", "engine/test_measured_once.py"),
    mutant("steps/decode.py", "if min(full) < _LEAST_SIDE:", "if max(full) < _LEAST_SIDE:", "steps/test_decode.py"),
    mutant(
        "engine/hall/sentences.py", "if len(known) < len(found) else", "if False else", "engine/hall/test_sentences.py"
    ),
    mutant("engine/hall/sentences.py", "or not zones.serves", "", "engine/hall/test_sentences.py"),
    mutant("engine/hall/sentences.py", "soft = max(needs) > SOFT_ISO", "soft = False", "engine/hall/test_sentences.py"),
    mutant("engine/hall/picture.py", " if at in there}", "}", "engine/hall/test_sentences.py"),
    mutant("engine/hall/sentences.py", "_MOST_LIGHTS = 6", "_MOST_LIGHTS = 13", "engine/hall/test_findings.py"),
]
