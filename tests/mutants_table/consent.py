"""Who may be named and shown: captions/privacy.py, shoot/names.py, facts, consent, redaction, file names."""

from __future__ import annotations

from tests.mutants_table import mutant

_PRIVACY = "captions/privacy.py"
_PEOPLE = "captions/people.py"
_FACTS = "shoot/facts.py"
_READ = "shoot/read_facts.py"
_ROWS = "shoot/rows.py"
_ROSTER = "shoot/roster.py"
_CELL = "shoot/name_cell.py"
_COPY = "shoot/copies.py"
_READ_IN = ("shoot/test_roster.py",)
_CONSENT = "shoot/consent.py"
_SPELLED = "shoot/names/spelled.py"
_PARTS = "shoot/names/parts.py"
_SHORT = "shoot/names/short.py"
_LETTERS = "shoot/names/letters.py"
_SEARCH = "shoot/names/search.py"
_SIDECAR = "shoot/sidecar.py"
_OWN = "formats/metadata/own_texts.py"
_NOTE = "formats/metadata/search_note.py"
_BLOCKS = "formats/metadata/search_blocks.py"
_XMP = "formats/metadata/search_xmp.py"
_DECODE = "formats/metadata/decode.py"
_PLACES = ("shoot/test_places.py", "shoot/test_consent.py")
_WRITTEN = ("shoot/test_spellings.py", "shoot/test_names.py")
_REDACTION = "engine/redaction.py"
_FILES = "engine/filenames.py"
_CAPTIONED = ("captions/test_privacy.py", "steps/test_caption.py")
_SAME = ("shoot/test_same_picture.py",)
_COPIES = ("shoot/test_copies.py",)
_WHO = ("engine/test_who_is_known.py",)
_MISNAMED = ("shoot/test_misnamed.py",)
_OTHER_FACTS = ("engine/kept/test_other_facts.py",)
_SLIPPED = ("shoot/test_slipped_rows.py",)
_HELD = ("engine/test_privacy.py",)
_NAMED = ("shoot/test_names.py", "steps/test_caption.py")
_REDACTED = ("engine/test_redaction.py",)

_SHOWN = ("report/test_pictures.py", "report/test_report.py")
_PICTURES = "report/pictures.py"

MUTANTS = [
    mutant("engine/jobs.py", " or (lines and not right)", "", "engine/test_wrong_players.py"),
    mutant(
        _READ,
        "if readable and any(player.line not in doubtful",
        "if readable and any(True",
        "engine/test_wrong_players.py",
    ),
    mutant(
        _FACTS,
        "        if (worn_by := _numbered(words, facts)) is not None:",
        "        if False:",
        "shoot/test_facts_players.py",
    ),
    mutant(_ROSTER, "unclear = publish is None and some_empty", "unclear = False", "engine/test_wrong_players.py"),
    mutant(_ROSTER, ", row.line, wrong=True)", ", row.line)", "engine/test_wrong_players.py"),
    mutant(
        _ROSTER,
        "of = (side,) if side else SIDES",
        "of = (side,) if side else ()",
        "engine/test_wrong_players.py",
    ),
    mutant(_ROSTER, "return is_yes and right_shirt", "return right_shirt", "engine/test_wrong_players.py"),
    mutant(_ROSTER, "return is_yes and right_shirt", "return is_yes", *_SLIPPED),
    mutant(_ROSTER, r'if any(re.search(r"[\r\n]", row[column])', "if any(False", *_SLIPPED),
    mutant(_ROSTER, "has_name_for_number or is_answer", "is_answer", *_SLIPPED),
    mutant(_ROSTER, "has_name_for_number or is_answer", "has_name_for_number", *_SLIPPED),
    mutant(_ROSTER, " or side_of(name, teams)[0])", ")", *_SLIPPED),
    mutant(_CELL, "    if _ROWS_IN_ONE.match(written):", "    if False:", *_SLIPPED),
    mutant(_CELL, "if not any(map(str.isalpha, written)):", "if False:", *_SLIPPED),
    mutant(_CELL, "if name != written:", "if False:", *_SLIPPED),
    mutant(_CELL, "len(bullets) >= _LISTED and", "True and", *_SLIPPED),
    mutant(_CELL, "and len({*bullets}) == 1 and", "and", *_SLIPPED),
    mutant(_CELL, "if match and worn in match.groups():", "if match:", *_SLIPPED),
    mutant(_CELL, "found |= dict.fromkeys(short for", "dict.fromkeys(short for", *_SLIPPED),
    mutant(_FACTS, "    if facts.roster:", "    if facts.roster or facts.source_file:", *_WHO),
    mutant("engine/tables/caption_sheet.py", "(*nobody_known(facts), *of", "(*of", *_WHO),
    mutant("engine/record.py", "[*nobody_known(shoot.facts), ", "[", *_WHO),
    mutant("engine/jobs.py", "if not player.wrong)", ")", *_WHO),
    mutant("report/needs.py", "held back{counts.why_held}", "held back", *_WHO),
    mutant(_COPY, "seen = same_pictures(frames, held, {*settled, *found})", "seen = ()", *_SAME),
    mutant(_COPY, "(SAME, VERSION, MOMENT, PICTURE):", "(SAME, VERSION, MOMENT):", *_SAME),
    mutant("shoot/pictures/copied.py", "frame.exif.time is None or not (", "frame.exif.time is None and not (", *_SAME),
    mutant("shoot/pictures/copied.py", "if frame.name not in settled and", "if", *_SAME),
    mutant("shoot/pictures/same.py", " and agreement(look, self.looks[at]) >= SAME.share:", ":", *_SAME),
    mutant("shoot/pictures/same.py", "share: float = 0.7", "share: float = 0.95", *_SAME),
    mutant("shoot/pictures/same.py", "SAME.fine * size) for", "SAME.fine) for", *_SAME),
    mutant("shoot/pictures/grey.py", "(FrameError, OSError, SyntaxError, ValueError, PIL", "(FrameError, PIL", *_SAME),
    mutant(_COPY, "            found |= {one: SAME", "            {one: SAME", *_COPIES),
    mutant(_COPY, "for one in some if len(some) > 1 else ():", "for one in ():", *_COPIES),
    mutant(_COPY, "return tells and _may_be_one_camera(one, other) and", "return tells and", *_COPIES),
    mutant(_COPY, "return tells and _may", "return _may", *_COPIES),
    mutant(_COPY, "for part in sorted(name_parts(stem)):", "for part in name_parts(stem):", *_COPIES),
    mutant(_COPY, "for path in frame.files:", "for path in frame.files[:1]:", *_COPIES),
    mutant(_COPY, "and (timed or not _is_even(path)):", "and timed:", *_COPIES),
    mutant(_COPY, "and (timed or not _is_even(path)):", ":", *_COPIES),
    mutant(_COPY, "if digests(file) == digests(path))", ")", *_COPIES),
    mutant(_COPY, " or _DAY.fullmatch(part) or", " or", *_COPIES),
    mutant(_COPY, " or len(some) > _MOST:", ":", *_COPIES),
    mutant(_COPY, " <= _CAMERAS and", " <= 300 and", *_COPIES),
    mutant(_COPY, "<= _CAMERAS and seconds.count(None) <= _FEW", "<= _CAMERAS", *_COPIES),
    mutant(_COPY, "return not are_next and not _at", "return not _at", *_COPIES),
    mutant(_COPY, 'any(low.startswith("0") or int', "any(int", *_COPIES),
    mutant(
        _COPY, 'any(low.startswith("0") or int(high) - int(low) < _NEAR for', 'any(low.startswith("0") for', *_COPIES
    ),
    mutant(_COPY, "if one.name in held and _camera(one) not in still:", "if one.name in held:", *_COPIES),
    mutant(_COPY, "and f.exif.time.microsecond % _COARSE}", "}", *_COPIES),
    mutant(_COPY, "if other is not one and _may_be_one_camera(one, other))", "if other is not one)", *_COPIES),
    mutant(_COPY, "all(not a or not b or a == b for", "all(a == b for", *_COPIES),
    mutant(_CONSENT, "if not is_copy(why)}", "}", "review/test_consent.py"),
    mutant(
        "review/state.py", "        self._search_soon()\n\n    def _held", "\n    def _held", "review/test_consent.py"
    ),
    mutant(
        "review/session.py",
        "            if of_frame and self._says_who(about) != says_who:",
        "            if False:",
        "review/test_consent.py",
    ),
    mutant(_COPY, "((one, other), (other, one))", "((one, other),)", *_COPIES),
    mutant(_COPY, "((one, other), (other, one))", "((other, one),)", *_COPIES),
    mutant(_COPY, "return all(times) and not times[0] & times[1]", "return False", *_COPIES),
    mutant(_COPY, "return all(times) and not times[0] & times[1]", "return not times[0] & times[1]", *_COPIES),
    mutant(_COPY, "else {time, time - added}", "else {time}", *_COPIES),
    mutant(_COPY, "else {time, time - added}", "else {time - added}", *_COPIES),
    mutant(_COPY, "if any(time.microsecond == 0 for", "if any(False for", *_COPIES),
    mutant(_COPY, "if any(time.microsecond == 0 for", "if any(True for", *_COPIES),
    mutant(_COPY, "    settled = {*held, *named}", "    settled = {*held}", *_COPIES),
    mutant(_COPY, "if not stem[at : at + 1].isdecimal()]", "]", *_COPIES),
    mutant(_COPY, "if not stem[at - 1 : at].isalnum()]", "]", *_COPIES),
    mutant(_CONSENT, "or held_back(facts, facts.row(frame.name))}", "}", *_COPIES),
    mutant(_SHORT, " or _longer(reading, forms, fold, known):", ":", *_WRITTEN),
    mutant(_SHORT, "if is_name and not covered(text, span, known):", "if is_name:", *_WRITTEN),
    mutant(_SHORT, "if is_name and not covered(text, span, known):", "if not covered(text, span, known):", *_WRITTEN),
    mutant(_SHORT, "if word not in _PARTICLES]", "]", *_WRITTEN),
    mutant("shoot/misnamed.py", "re.escape(stem) + _COPY +", "re.escape(stem) +", *_MISNAMED),
    mutant("shoot/misnamed.py", ", re.IGNORECASE)", ")", *_MISNAMED),
    mutant("shoot/misnamed.py", "if one.stat().st_mtime_ns > since]", "]", *_MISNAMED),
    mutant(_READ, "            problems += not_read(name, folders)", "            pass", *_MISNAMED),
    mutant(_READ, "        problems += not_read(ROSTER_FILE, folders)", "        pass", *_MISNAMED),
    mutant(_READ, "            problems += not_read(EVENT_FILE, place.folders)", "            pass", *_MISNAMED),
    mutant(_READ, " and not parsed.roster:\n        problems", ":\n        problems", *_MISNAMED),
    mutant("engine/kept/source.py", "    if not lost:", "    if True:", *_OTHER_FACTS),
    mutant(
        "engine/kept/source.py",
        "facts.roster_file if facts.roster else",
        "facts.roster_file if True else",
        *_OTHER_FACTS,
    ),
    mutant("engine/kept/source.py", "facts.frames_file if typed else", "facts.frames_file if True else", *_OTHER_FACTS),
    mutant("engine/kept/source.py", "by_tables if any(not player.publish", "by_tables if any(True", *_OTHER_FACTS),
    mutant("engine/kept/source.py", " and path != emptied]", "]", *_OTHER_FACTS),
    mutant("engine/kept/source.py", "if shoot.facts.rows else", "if False else", *_OTHER_FACTS),
    mutant("engine/kept/source.py", "{EVENT_FILE} if names_anybody else", "{EVENT_FILE} if 1 else", *_OTHER_FACTS),
    mutant("engine/decide.py", "        refuse_other_facts(Store(out), shoot)", "        pass", *_OTHER_FACTS),
    mutant(_CELL, "    return _doubt(written, answered)", '    return ""', *_SLIPPED),
    mutant(_CELL, "if of_pictures and any(map(_denies, words)):", "if False:", *_SLIPPED),
    mutant(_CELL, "    if answered:", "    if False:", *_SLIPPED),
    mutant(_CELL, "or _is_marked(written) or", "or", *_SLIPPED),
    mutant(_CELL, " or _no_apart(written):", ":", *_SLIPPED),
    mutant(_CELL, "of_pictures or _AT_AN_END.search(written)", "of_pictures", *_SLIPPED),
    mutant(_CELL, "if sign or of_pictures", "if of_pictures", *_SLIPPED),
    mutant(_CELL, "if sign or of_pictures", "if sign", *_SLIPPED),
    mutant(_CELL, "or bool(_OVERLAYS.match(sign))", "", *_SLIPPED),
    mutant(_CELL, "(plain, outside, *spoken, *apart)", "(plain, *spoken, *apart)", *_SLIPPED),
    mutant(_CELL, "(plain, outside, *spoken, *apart)", "(plain, outside, *spoken)", *_SLIPPED),
    mutant(_CELL, "(plain, outside, *spoken, *apart)", "(plain, outside, *apart)", *_SLIPPED),
    mutant(_CELL, "surname.title() if surname.isupper() else surname", "surname", *_SLIPPED),
    mutant(_CELL, "if one not in known and", "if", *_SLIPPED),
    mutant(_CELL, " or is_part_of(one, other) for", " for", *_SLIPPED),
    mutant(_CELL, "or ((is_capital or is_small) and len(word) < _SHORT)", "", *_SLIPPED),
    mutant(_CELL, "or word.casefold() in _IS_TITLE", "", *_SLIPPED),
    mutant(_CELL, "any(map(str.isdigit, word))\n", "False\n", *_SLIPPED),
    mutant(_CELL, "or (word.islower() and not is_small)", "", *_SLIPPED),
    mutant(_CELL, '_NOTE.sub("", word)', "word", *_SLIPPED),
    mutant(_ROSTER, "names_in(player.name, player.name, called)[1:]", "()", *_SLIPPED),
    mutant(_ROSTER, "if mostly_yes and not others", "if not others", *_SLIPPED),
    mutant(_ROSTER, "if mostly_yes and not others", "if mostly_yes", *_SLIPPED),
    mutant(_ROSTER, "if row.line in merged:", "if False:", *_SLIPPED),
    mutant(_ROSTER, "            publish = False\n", "", *_SLIPPED),
    mutant(_ROSTER, "if is_player and not any(same_name(name, one) for one in allowed):", "if is_player:", *_SLIPPED),
    mutant(_ROSTER, "        if not any(cells[1:]):", "        if False:", *_SLIPPED),
    mutant(_ROSTER, "replace(p, publish=False) for key, p", "p for key, p", *_SLIPPED),
    mutant(_ROSTER, "written != EXAMPLE and", "", *_SLIPPED),
    mutant(_FACTS, "if player.number and not player.publish)", "if not player.publish)", *_SLIPPED),
    mutant("engine/jobs.py", "InputError(problems, _TOO_MANY)", "InputError(problems)", "engine/test_wrong_rows.py"),
    mutant(_CELL, "(word.islower() or is_apart) and", "word.islower() and", *_SLIPPED),
    mutant(_CELL, "(word.islower() or is_apart) and", "(True) and", *_SLIPPED),
    mutant(_ROSTER, r're.findall(r"\d+", number) or [""]', '[number if number.isdecimal() else ""]', *_SLIPPED),
    mutant(_ROSTER, "(len(crosses) == 1 and others == {False})", "len(crosses) == 1", *_SLIPPED),
    mutant(_ROSTER, "(len(crosses) == 1 and others == {False})", "(others == {False})", *_SLIPPED),
    mutant(_ROSTER, "and not _shirt(team).isdecimal() and", "and", *_SLIPPED),
    mutant(_ROSTER, "_taken_out(every, rows, teams, languages)", "()", *_SLIPPED),
    mutant(_ROSTER, "*_of_one_name([*players.values()])", "*()", *_SLIPPED),
    mutant("textfile/yes_no.py", '(".!") or text', '(".!")', *_SLIPPED),
    mutant("engine/jobs.py", " or _are_many(len(lines), right)", "", "engine/test_wrong_players.py"),
    mutant("engine/run.py", ", failed_steps=shoot.failed_steps())", ")", "engine/test_wrong_players.py"),
    mutant("engine/decide.py", ", failed_steps=shoot.failed_steps())", ")", "engine/test_wrong_players.py"),
    mutant(_PICTURES, "(None, None) if frame.consent else (frame.before", "(frame.before", *_SHOWN),
    mutant(_PICTURES, "if name not in wanted and proves_itself(store.out, name):", "if False:", *_SHOWN),
    mutant(_PICTURES, " and proves_itself(store.out, name):", ":", *_SHOWN),
    mutant(_PICTURES, '        if path is None:  # the folder is a link\n            return ""\n', "", *_SHOWN),
    mutant("engine/kept/compare.py", "        elif not proves_itself(out, name):", "        elif False:", *_SHOWN),
    mutant("engine/record.py", "entry.consent = shoot.for_consent(name)", "entry.consent = False", *_HELD),
    mutant(_READ, ", *rosters(folder)} - {used}", "} - {used}", "shoot/test_facts_place.py"),
    mutant(_ROSTER, "if one.publish and one.line in unanswered and", "if one.publish and", "shoot/test_facts_place.py"),
    mutant(_ROSTER, "and one.team == other.team and same_name(", "and same_name(", "shoot/test_facts_place.py"),
    mutant(_READ, "replace(p, publish=False) if p in same else p", "p", "shoot/test_facts_place.py"),
    mutant(_READ, 'replace(player, number="")', "player", "shoot/test_facts_place.py"),
    mutant(_READ, "event != place.event and not minors:", "False:", "shoot/test_facts_place.py"),
    mutant(
        _READ,
        "            if wrong:\n                notices.append",
        "            if False:\n                notices.append",
        "shoot/test_facts_place.py",
    ),
    mutant(_PRIVACY, '"" if name in _OWN else text', "text", *_CAPTIONED),
    mutant(
        _FACTS,
        "one in named or not any(is_part_of(one, player.name) for player in hidden)",
        "True",
        "shoot/test_facts_players.py",
    ),
    mutant(_FACTS, "if one in named or not any(", "if not any(", "captions/test_privacy.py"),
    mutant(
        _PRIVACY,
        "if isinstance(value, str) and value and name not in _CODES:",
        "if isinstance(value, str) and value and name in _CODES:",
        *_CAPTIONED,
    ),
    mutant(_PRIVACY, "(-len(p.name), p.line)", "(len(p.name), p.line)", *_CAPTIONED),
    mutant(_PRIVACY, '    changes["contact"] = contact\n    if', "    pass\n    if", *_CAPTIONED),
    mutant(_PRIVACY, "return _hints(_without", "return (lambda m, *_: m)(_without", *_CAPTIONED),
    mutant(_PRIVACY, 'return replace(row, words="")', "return row", *_CAPTIONED),
    mutant(
        _PRIVACY,
        'kept = changed(kept, {name: ""})\n            notices.append(\n',
        "notices.append(\n",
        "formats/metadata/test_carried.py",
        *_CAPTIONED,
    ),
    mutant(_PRIVACY, 'metadata = replace(metadata, title="")', "pass", *_CAPTIONED),
    mutant(
        _FACTS,
        "for player in facts.roster if player not in unsaid]",
        "for player in facts.roster if player in unsaid]",
        *_CAPTIONED,
    ),
    mutant(_PRIVACY, "yield from metadata.contact.iptc().values()", "yield from ()", *_CAPTIONED),
    mutant(_PEOPLE, "if player is not None and not withheld(facts, player):", "if player is not None:", *_CAPTIONED),
    mutant(_FACTS, "return facts.minors or not player.publish", "return not player.publish", *_CAPTIONED),
    mutant(_FACTS, "return facts.minors or not player.publish", "return facts.minors", *_CAPTIONED),
    mutant(
        _FACTS,
        "if not player.publish and (player.team, player.number) in row.players:",
        "if False:",
        "shoot/test_facts_players.py",
    ),
    mutant(
        _FACTS,
        "if (named := named_player(words, facts, row.players)) is not None:",
        "if (named := None) is not None:",
        "shoot/test_facts_players.py",
    ),
    mutant(_FACTS, "if words and not row.players:", "if False:", "shoot/test_facts_players.py"),
    mutant(_FACTS, "if words and not row.players:", "if words:", "shoot/test_facts_players.py"),
    mutant(
        _FACTS,
        "for player in roster if not player.publish)",
        "for player in roster if player.publish)",
        "shoot/test_facts_players.py",
        *_PLACES,
    ),
    mutant(_FACTS, "if (player.team, player.number) in players or not any(", "if not any(", *_PLACES),
    mutant(
        _FACTS, "in players or not any(same_name(player.name, name) for name in hidden)", "in players or True", *_PLACES
    ),
    mutant(
        _ROSTER,
        'publish = yes_or_no(row["publish"], default=True, languages=languages)',
        "publish = True",
        "shoot/test_facts.py",
    ),
    mutant(_ROSTER, "if minors or not publish:", "if minors:", *_READ_IN),
    mutant(_ROSTER, "if minors or not publish:", "if not publish:", *_READ_IN),
    mutant(_ROSTER, "= not some_empty and _are_yes(", "= _are_yes(", *_READ_IN),
    mutant(
        _ROSTER,
        "if only_letters(one)]",
        "]",
        *_READ_IN,
        why="debris of likely code pages matches no text",
    ),
    mutant(_ROWS, "unclear=_unsure_words(row, hidden)", 'unclear=""', *_READ_IN),
    mutant(_ROWS, "return meant if meant.may else next", "return meant if True else next", *_READ_IN),
    mutant("textfile/encodings.py", "faults += GUESS.mixed", "pass", "textfile/test_encodings.py"),
    mutant("textfile/encodings.py", "faults += GUESS.strange", "pass", "textfile/test_encodings.py"),
    mutant("textfile/encodings.py", "faults += GUESS.capital", "pass", "textfile/test_encodings.py"),
    mutant("textfile/encodings.py", "likeliest: int = 12", "likeliest: int = 4", "textfile/test_encodings.py"),
    mutant("textfile/yes_no.py", "return None if yes == no else yes", "return yes", "textfile/test_yes_no.py"),
    mutant("textfile/tables.py", "if c.text and not n), None)", "if False), None)", "textfile/test_tables.py"),
    mutant(
        _ROWS,
        'keep = True if always else yes_or_no(row["keep"], default=True, languages=languages)',
        "keep = True",
        "shoot/test_facts.py",
    ),
    mutant(
        _CONSENT,
        "searched = () if all(player.publish",
        "searched = () if any(player.publish",
        *_PLACES,
    ),
    mutant(
        _PEOPLE, 'len(persons) < 2 or language.code != "en" or', 'language.code != "en" or', "steps/test_caption.py"
    ),
    mutant(_PEOPLE, 'len(persons) < 2 or language.code != "en" or', "len(persons) < 2 or", "steps/test_caption.py"),
    mutant(_CONSENT, "if holds_any(facts.creator, (player.name,)))", ")", "shoot/test_consent.py"),
    mutant(_CONSENT, "frozenset[Player].intersection(", "frozenset[Player].union(", "shoot/test_consent.py"),
    mutant(_CONSENT, "        if owner and notices is not None:", "        if False:", "shoot/test_consent.py"),
    mutant(_CONSENT, "(self.noted or frozenset()) - owner", "(self.noted or frozenset())", "shoot/test_consent.py"),
    mutant(_CONSENT, "_MAY_OWN if everywhere.issuperset(shown) else", "_MAY_OWN if True else", "shoot/test_consent.py"),
    mutant(_CONSENT, "if some else noted", "if True else noted", "shoot/test_consent.py"),
    mutant(_CONSENT, "        found.append(player)\n", "        return frozenset({player})\n", "shoot/test_consent.py"),
    mutant(_NOTE, "[ .,'_-]{1,32})+\"", '[ ])+"', "shoot/test_consent.py"),
    mutant(_NOTE, "if not words.isascii() and _is_mostly", "if False and _is_mostly", "shoot/test_consent.py"),
    mutant(_NOTE, "if all(sign.isalpha() or sign in _SIGNS for sign in text))", ")", "shoot/test_consent.py"),
    mutant(_NOTE, "yield words[start:].rstrip(_HIGH)", "pass", "shoot/test_consent.py"),
    mutant(_NOTE, "range(min(before, _EDGE) + 1)", "range(1)", "shoot/test_consent.py"),
    mutant(_NOTE, "    if len(values) > 1:", "    if False:", "shoot/test_consent.py"),
    mutant(_NOTE, '("utf-16-le", "utf-16-be")', '("utf-16-le",)', "shoot/test_consent.py"),
    mutant(_NOTE, '("utf-16-le", "utf-16-be")', '("utf-16-be",)', "shoot/test_consent.py"),
    mutant(_NOTE, 'yield " ".join(_WIDE_VALUE.findall(text))', "pass", "shoot/test_consent.py"),
    mutant(_BLOCKS, "        if tag in _NOTES:", "        if False:", "shoot/test_consent.py"),
    mutant(_BLOCKS, "_NOTES = (_MAKER_NOTE, 0xC634)", "_NOTES = (_MAKER_NOTE,)", "shoot/test_consent.py"),
    mutant(_BLOCKS, '_by_reading("Exif", values, words_of)', "[]", "shoot/test_consent.py"),
    mutant(_BLOCKS, "if at < len(readings) else readings[0]", 'if at < len(readings) else ""', "shoot/test_consent.py"),
    mutant(_CONSENT, "*loose.get(folded(path.stem), ())]", "]", "shoot/test_consent.py"),
    mutant(
        _CONSENT, "for part in {stem, *name_parts(stem)}:", "for part in name_parts(stem):", "shoot/test_consent.py"
    ),
    mutant(
        "cli/status.py", '[line(text) for text in _notes(record, said)], "note"', '_notes(record, said), "note"', *_WHO
    ),
    mutant("cli/status.py", "        note(line(f", "        note((f", *_WHO),
    mutant("cli/captions.py", "_show(replace(one, frames=tuple(map(checked.line, one.frames))))", "_show(one)", *_WHO),
    mutant(
        "review/state.py",
        'for_wrong_line(self.facts.facts, real, self._own_texts.get(real, ""))',
        "self.facts.is_wrong(real)",
        "review/test_consent.py",
    ),
    mutant(_CONSENT, '[*beside.texts, Text("", file.stem)]', "beside.texts", "shoot/test_consent.py"),
    mutant(_SIDECAR, "and folded(path.stem) not in called:", ":", "shoot/test_consent.py"),
    mutant(_CONSENT, "if not t.maker and _LETTERS", "if _LETTERS", "shoot/test_consent.py"),
    mutant(
        _CONSENT, 'for part in (relative.stem, str(relative.with_suffix("")))', "for part in (relative.stem,)", *_PLACES
    ),
    mutant(_CONSENT, "do=do) if unread else", "do=do) if False else", *_PLACES),
    mutant(_CONSENT, "if beside.unreadable or not data.strip", "if not data.strip", *_PLACES),
    mutant(_CONSENT, 'if beside.unreadable or not data.strip(b"\\0 \\t\\r\\n"):', "if beside.unreadable:", *_PLACES),
    mutant(_CONSENT, "read_bytes(file, SIZE_LIMIT)", "file.read_bytes()", "shoot/test_consent.py"),
    mutant(_SIDECAR, "setdefault(folded(path.name), [])", "setdefault(path.name, [])", *_PLACES),
    mutant(_LETTERS, 'unicodedata.category(c) not in ("Mn", "Me", "Cf")', "True", *_WRITTEN),
    mutant(_LETTERS, "and c not in _UNSEEN", "", *_WRITTEN),
    mutant(_LETTERS, "_confusables().get(c, c)", "c", *_WRITTEN),
    mutant(_LETTERS, '"l": "i", "1": "i", "0": "o"', '"l": "i", "0": "o"', *_WRITTEN),
    mutant(_LETTERS, 'text = unquote(text, errors="ignore")', "pass", *_WRITTEN),
    mutant(_LETTERS, "text = _ESCAPED.sub(_json, text)", "pass", *_WRITTEN),
    mutant(_LETTERS, "for _ in range(3):", "for _ in range(1):", *_WRITTEN),
    mutant(
        _SPELLED, "for parts in every for at in range(len(parts))]", "for parts in every for at in range(1)]", *_WRITTEN
    ),
    mutant(_SPELLED, "if length >= SPELLING.apart:", "if False:", *_WRITTEN),
    mutant(_SPELLED, 'rf"(?:(?!\\n){gap_before', 'rf"(?:{gap_before', *_WRITTEN),
    mutant(_SPELLED, "return _GAP_BEFORE_DIGIT if", "return GAP if", "shoot/test_names_limits.py"),
    mutant(_CELL, "    if len(written) > LONGEST_NAME:", "    if False:", "shoot/test_names_limits.py"),
    mutant(_SPELLED, "return all(at in others for at in", "return any(at in others for at in", *_WRITTEN),
    mutant(_SPELLED, "if not covered(reading, span, known)]", "]", "captions/test_privacy.py"),
    mutant(_SEARCH, "not covered(reading, span, known)\n", "True\n", *_WRITTEN),
    mutant(_SHORT, "            if initials and _initials(reading, forms, fold):", "            if False:", *_WRITTEN),
    mutant(_SHORT, "and not _GIVEN_BEFORE.search(before)", "", *_WRITTEN),
    mutant(_SHORT, '_INITIAL_PUNCTUATION.search(match["gap"]) or (', "(", *_WRITTEN),
    mutant(_SHORT, 'end = words[0][0][0], f"s?(?!{LETTER})"', 'end = words[0][0][0], f"(?!{LETTER})"', *_WRITTEN),
    mutant(
        _PARTS,
        "if any(may_be(short, part, capital, changes) for",
        "if any(False for",
        *_NAMED,
        "engine/test_filenames.py",
    ),
    mutant(_PARTS, "if ending > FORMS.ending or", "if ending > 0 or", *_NAMED),
    mutant(_OWN, "if len(packet) != lengths[which]:", "if False:", *_PLACES),
    mutant(_OWN, "if not unpacker.eof:", "if False:", *_PLACES),
    mutant(_BLOCKS, "if size & 0x8000:", "if False:", *_PLACES),
    mutant(_BLOCKS, "if not readable:", "if False:", *_PLACES),
    mutant(_BLOCKS, 'if rest.strip(b"\\0 \\t\\r\\n") or at > len(data):', "if False:", *_PLACES),
    mutant(
        _XMP,
        "for tried in (text,) if _DOCTYPE.search(text) else (text, _mended(text)):",
        "for tried in (text, _mended(text)):",
        *_PLACES,
    ),
    mutant(_XMP, "maker = maker or element.tag in _MAKERS", "maker = False", "shoot/test_consent.py"),
    mutant(_DECODE, "        for codec, size, zero in _ZEROS:", "        for codec, size, zero in ():", *_PLACES),
    mutant(
        _PRIVACY,
        "text = replace_name(value, pattern, unnamed, known)",
        "text = replace_name(value, pattern, unnamed)",
        *_CAPTIONED,
    ),
    mutant(_PRIVACY, '"country_code", "make", "model", "lens")', '"country_code")', *_CAPTIONED),
    mutant(_PRIVACY, "if name not in (*_ABOUT, *_LIST) and initials(getattr(kept, name)):", "if False:", *_CAPTIONED),
    mutant(
        _PRIVACY,
        "_hints(_without_short_forms(metadata, names, others, notices), facts, notices)",
        "_hints(metadata, facts, notices)",
        *_CAPTIONED,
    ),
    mutant(_REDACTION, "text = replace_name(text, pattern, STAND_IN)", "pass", *_REDACTED),
    mutant(_REDACTION, "message=message or k in _MESSAGES", "message=message", *_REDACTED),
    mutant(_REDACTION, 'called[frame.name] = f"frame-{number:04d}"', "pass", *_REDACTED),
    mutant(_REDACTION, 'called[name] = f"missing-{number:04d}"', "pass", *_REDACTED),
    mutant(_REDACTION, "key=len, reverse=True)", "key=len)", *_REDACTED),
    mutant(
        _REDACTION, "e for e in value if not holds_withheld(e, self.facts, parts=True)", "e for e in value", *_REDACTED
    ),
    mutant(_FILES, 'text = replace_name(text, pattern, "")', "pass", "engine/test_filenames.py"),
    mutant(_FILES, 'name = f"frame-{count:04d}"', "pass", "engine/test_filenames.py"),
    mutant(
        _FILES,
        "named = [player for player in players if not withheld(facts, player)]",
        "named = players",
        "engine/test_filenames.py",
    ),
    mutant(_FILES, "while folded_name(found) in used:", "while found in used:", "engine/test_filenames.py"),
    mutant(_FILES, "if _RESERVED.fullmatch(name)", "if False", "engine/test_filenames.py"),
]
