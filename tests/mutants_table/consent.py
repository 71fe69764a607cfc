"""Who may be named and shown: captions/privacy.py, shoot/names.py, facts, consent, redaction, file names."""

from __future__ import annotations

from tests.mutants_table import mutant

_PRIVACY = "captions/privacy.py"
_PEOPLE = "captions/people.py"
_FACTS = "shoot/facts.py"
_READ = "shoot/read_facts.py"
_ROWS = "shoot/rows.py"
_CONSENT = "shoot/consent.py"
_NAMES = "shoot/names.py"
_REDACTION = "engine/redaction.py"
_FILES = "engine/filenames.py"
_CAPTIONED = ("captions/test_privacy.py", "steps/test_caption.py")
_HELD = ("engine/test_privacy.py",)
_NAMED = ("shoot/test_names.py", "steps/test_caption.py")
_REDACTED = ("engine/test_redaction.py",)

MUTANTS = [
    mutant(_PRIVACY, '"" if name in _OWN else text', "text", *_CAPTIONED),
    mutant(
        _PRIVACY,
        "if isinstance(value, str) and value and name not in _CAMERA:",
        "if isinstance(value, str) and value and name in _CAMERA:",
        *_CAPTIONED,
    ),
    mutant(_PRIVACY, "(-len(p.name), p.line)", "(len(p.name), p.line)", *_CAPTIONED),
    mutant(_PRIVACY, 'changes["contact"] = contact', "pass", *_CAPTIONED),
    mutant(_PRIVACY, "return _hints(metadata, facts, notices)", "return metadata", *_CAPTIONED),
    mutant(_PRIVACY, 'return replace(row, words="")', "return row", *_CAPTIONED),
    mutant(_PRIVACY, 'kept = changed(kept, {name: ""})', "", "formats/metadata/test_carried.py", *_CAPTIONED),
    mutant(_PRIVACY, 'metadata = replace(metadata, title="")', "pass", *_CAPTIONED),
    mutant(
        _PRIVACY,
        "if not withheld(facts, player)]\n    return _less",
        "if withheld(facts, player)]\n    return _less",
        *_CAPTIONED,
    ),
    mutant(
        _PRIVACY,
        "return any(holds_any(text, names) for text in metadata.contact.iptc().values())",
        "return False",
        *_CAPTIONED,
    ),
    mutant(_PEOPLE, "if player is not None and not withheld(facts, player):", "if player is not None:", *_CAPTIONED),
    mutant(_FACTS, "return facts.minors or not player.publish", "return not player.publish", *_CAPTIONED),
    mutant(_FACTS, "return facts.minors or not player.publish", "return facts.minors", *_CAPTIONED),
    mutant(
        _FACTS,
        "if not player.publish and (player.team, player.number) in row.players:",
        "if False:",
        "shoot/test_facts.py",
    ),
    mutant(_FACTS, 'replace_name(words, pattern, "") != words:', "False:", "shoot/test_facts.py"),
    mutant(_READ, 'publish = yes_or_no(row["publish"], default=True)', "publish = True", "shoot/test_facts.py"),
    mutant(
        _ROWS, 'keep = True if always else yes_or_no(row["keep"], default=True)', "keep = True", "shoot/test_facts.py"
    ),
    mutant(
        _CONSENT,
        "withheld = [player for player in facts.roster if not player.publish]",
        "withheld = [player for player in facts.roster if player.publish]",
        "shoot/test_consent.py",
    ),
    mutant(_CONSENT, "_IIM = (5, 25, 105, 120)", "_IIM = (5, 25, 105)", "shoot/test_consent.py"),
    mutant(_CONSENT, '"Iptc4xmpExt:PersonInImage", ', "", "shoot/test_consent.py"),
    mutant(_CONSENT, "text = _without_namesakes(text, facts, frame.name)", "pass", "shoot/test_consent.py"),
    mutant(
        _CONSENT,
        "if player.publish and (player.team, player.number) in players and (",
        "if (player.team, player.number) in players and (",
        "shoot/test_consent.py",
    ),
    mutant(_CONSENT, '[("file", path.stem), ', "[", "shoot/test_consent.py"),
    mutant(_CONSENT, '("sidecar", "\\n".join(beside))', '("sidecar", "")', "shoot/test_consent.py"),
    mutant(_NAMES, 'if unicodedata.category(base) in ("Mn", "Me", "Cf"):', "if False:", *_NAMED),
    mutant(_NAMES, "for at in range(len(parts))})", "for at in range(1)})", *_NAMED),
    mutant(_NAMES, 'text = unquote(text, errors="ignore")', "pass", *_NAMED),
    mutant(
        _NAMES,
        "if any(_may_be(_single(word), part, capital, changes) for part in single):",
        "if False:",
        *_NAMED,
        "engine/test_filenames.py",
    ),
    mutant(_NAMES, "if ending > FORMS.ending or", "if ending > 0 or", *_NAMED),
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
    mutant(_FILES, "while _folded(found) in used:", "while found in used:", "engine/test_filenames.py"),
    mutant(_FILES, "if _RESERVED.fullmatch(base)", "if False", "engine/test_filenames.py"),
]
