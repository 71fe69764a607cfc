"""Who may be shown: rosters, facts, consent, redaction, file names, what a page shows."""

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
_SHORT = "shoot/names/short.py"
_LETTERS = "shoot/names/letters.py"
_BY, _BY_TESTS = "shoot/photographer.py", ("shoot/test_photographer.py",)
_MISTYPED = ("shoot/test_mistyped.py",)
_OWN = "formats/metadata/own_texts.py"
_NOTE = "formats/metadata/search_note.py"
_PLACES = ("shoot/test_places.py", "shoot/test_consent.py")
_REDACTION = "engine/redaction.py"
_FILES = "engine/filenames.py"
_CAPTIONED = ("captions/test_privacy.py", "steps/test_caption.py")
_COPIES = ("shoot/test_copies.py",)
_WHO = ("engine/test_who_is_known.py",)
_MISNAMED = ("shoot/test_misnamed.py",)
_OTHER_FACTS = ("engine/kept/test_other_facts.py",)
_SLIPPED = ("shoot/test_slipped_rows.py",)
_HELD = ("engine/test_privacy.py",)
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
        "    if words and (worn_by := _numbered(words, facts, row.players)) is not None:",
        "    if False:",
        "shoot/test_facts_players.py",
    ),
    mutant(_FACTS, ' - {("", _bare(one)) for _, one in players}', "", "shoot/test_facts_players.py"),
    mutant(_FACTS, "*named, *parts):", "*named):", "shoot/test_facts_players.py"),
    mutant(
        "report/needs.py",
        "        if text and weigh(text) < Weight.KNOW:",
        "        if False:",
        "report/test_report.py",
    ),
    mutant("textfile/notices.py", '_EACH = "before you publish"', '_EACH = "never"', "textfile/test_notices.py"),
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
    mutant("engine/tables/caption_sheet.py", "(*(() if unread else nobody_known(facts)), *of", "(*of", *_WHO),
    mutant("engine/record.py", "[*nobody_known(shoot.facts), ", "[", *_WHO),
    mutant("engine/jobs.py", "if not player.wrong)", ")", *_WHO),
    mutant("report/needs.py", "held back{counts.why_held}", "held back", *_WHO),
    mutant(_CONSENT, "elif not players and not mistyped", "elif not mistyped", *_MISTYPED),
    mutant(_FACTS, "    text = names_taken_out(text, tuple(known))", "", *_MISTYPED),
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
    mutant(_CONSENT, "or held_back(facts, facts.row(frame.name))}", "}", *_COPIES),
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
    mutant("shoot/misnamed.py", 'if not one.name.startswith("."))', ")", "shoot/test_facts_place.py"),
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
    mutant(_CONSENT, "if _is_creator(player, facts))", ")", "shoot/test_consent.py"),
    mutant(_CONSENT, "same_name(player.name, facts.creator) if alone else ", "", "shoot/test_consent.py"),
    mutant(_CONSENT, "frozenset[Player].intersection(", "frozenset[Player].union(", "shoot/test_consent.py"),
    mutant(_CONSENT, "        if owner and notices is not None:", "        if False:", "shoot/test_consent.py"),
    mutant(_CONSENT, "(self.noted or frozenset()) - owner", "(self.noted or frozenset())", "shoot/test_consent.py"),
    mutant(_CONSENT, "_MAY_OWN if everywhere.issuperset(shown) else", "_MAY_OWN if True else", "shoot/test_consent.py"),
    mutant(_CONSENT, "if some else noted", "if True else noted", "shoot/test_consent.py"),
    mutant(_CONSENT, "        found.append(player)\n", "        return frozenset({player})\n", "shoot/test_consent.py"),
    mutant(_CONSENT, "*loose.of(folded(path.stem))]", "]", "shoot/test_consent.py"),
    mutant(_CONSENT, "name_parts(frame) & self._called.keys() if self._called", "()", "shoot/test_consent.py"),
    mutant(_CONSENT, "if frame_kind(PurePath(stem)) else stem", "if False else stem", "shoot/test_consent.py"),
    mutant(
        _CONSENT, "for part in {stem, *name_parts(stem)}:", "for part in name_parts(stem):", "shoot/test_consent.py"
    ),
    mutant("cli/status.py", '[line(text) for text in notes], "note"', 'notes, "note"', *_WHO),
    mutant("cli/status.py", "        note(line(f", "        note((f", *_WHO),
    mutant("cli/captions.py", "_show(replace(one, frames=tuple(map(checked.line, one.frames))))", "_show(one)", *_WHO),
    mutant(
        "review/state.py",
        "for_wrong_line(self.facts.facts, real, self.consent_now.own_text(real))",
        "self.facts.is_wrong(real)",
        "review/test_consent.py",
    ),
    mutant(_CONSENT, '[*beside.texts, Text("", file.stem)]', "beside.texts", "shoot/test_consent.py"),
    mutant(_CONSENT, "if not t.maker and _LETTERS", "if _LETTERS", "shoot/test_consent.py"),
    mutant(
        _CONSENT, 'for part in (relative.stem, str(relative.with_suffix("")))', "for part in (relative.stem,)", *_PLACES
    ),
    mutant(_CONSENT, "do=do) if unread else", "do=do) if False else", *_PLACES),
    mutant(_CONSENT, "if beside.unreadable or not data.strip", "if not data.strip", *_PLACES),
    mutant(_CONSENT, 'if beside.unreadable or not data.strip(b"\\0 \\t\\r\\n"):', "if beside.unreadable:", *_PLACES),
    mutant(_CONSENT, "data = read_bytes(file, SIZE_LIMIT)", "data = file.read_bytes()", "shoot/test_consent.py"),
    mutant(
        _CONSENT, "decodings(read_bytes(file, SIZE_LIMIT))", "decodings(file.read_bytes())", "shoot/test_consent.py"
    ),
    mutant(_CONSENT, "            unread.append(_NOTE)", "            pass", "shoot/test_consent.py"),
    mutant(_CONSENT, " if are_called_after_one(frame, stem)]", "]", "shoot/test_consent.py"),
    mutant("report/record.py", "kept_out if kept_out < self.held else 0", "0", *_WHO),
    mutant("engine/jobs.py", "message=line(problem.message)", "message=problem.message", "engine/test_wrong_rows.py"),
    mutant("engine/filenames.py", 'name and frame.startswith("_")', "False", "engine/test_filenames.py"),
    mutant("engine/hall/movement.py", "if len(times) > 2 and", "if False and", "engine/hall/test_movement.py"),
    mutant("cli/captions.py", "2 if checked.stops else 1", "2", *_WHO),
    mutant("cli/captions.py", "2 if checked.stops else 1", "1", *_WHO),
    mutant(_CELL, "    if len(written) > LONGEST_NAME:", "    if False:", "shoot/test_names_limits.py"),
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
        "_hints(_without_short_forms(metadata, names, others, facts, notices), facts, notices)",
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
    # a photographer whose name is nearly a child's: neither does the night stop, nor does a child get through
    mutant(_BY, "ALIKE = 20", "ALIKE = 19", *_BY_TESTS),
    mutant(_BY, "for player in near if not names_part(beside, player.name))", "for player in near)", *_BY_TESTS),
    mutant(_BY, "{0,3}(?=\\1)|(?<=\\1)", "{0,3}\\1|\\1", *_BY_TESTS),
    mutant(_BY, "if not names_one(rest, player)))", "))", *_BY_TESTS),
    mutant(_BY, "    if holds_any(creator, tuple(", "    if False and holds_any(creator, tuple(", *_BY_TESTS),
    mutant(_BY, "return mistyped_in(name, player.name) or", "return", *_BY_TESTS),
    mutant(_BY, " or first_named(name, (player.name,), (), language) is not None", "", *_BY_TESTS),
    mutant(
        _BY, "for name in names if any(is_near(name, player) for player in near))", "for name in names)", *_BY_TESTS
    ),
    mutant(_BY, "    if not cameras:\n", "    if True:\n", *_BY_TESTS),
    mutant(_CONSENT, "near if says.credits > usual else ()", "near if not usual else ()", *_BY_TESTS),
    mutant(_CONSENT, "        if near and not self.is_written:", "        if near:", *_BY_TESTS),
    mutant(_CONSENT, "if p not in excused)) if excused else facts", ")) if excused else facts", *_BY_TESTS),
    mutant(_CONSENT, '(MAY_CREDIT if player in mistyped else "")', '""', *_BY_TESTS),
    mutant(_CONSENT, "usual = min(told[", "usual = max(told[", *_BY_TESTS),
    mutant(_CONSENT, "                credits += count\n", "", *_BY_TESTS),
]
