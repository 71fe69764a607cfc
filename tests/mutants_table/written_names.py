"""Where a withheld name is written: its spellings, mistypes, metadata and sidecars."""

from __future__ import annotations

from tests.mutants_table import mutant

_SPELLED = "shoot/names/spelled.py"
_PARTS = "shoot/names/parts.py"
_SHORT = "shoot/names/short.py"
_LETTERS = "shoot/names/letters.py"
_SEARCH = "shoot/names/search.py"
_FACTS = "shoot/facts.py"
_TYPED = "shoot/names/mistyped.py"
_MISTYPED = ("shoot/test_mistyped.py",)
_LISTED = ("shoot/test_facts_players.py",)
_SIDECAR = "shoot/sidecar.py"
_OWN = "formats/metadata/own_texts.py"
_NOTE = "formats/metadata/search_note.py"
_BLOCKS = "formats/metadata/search_blocks.py"
_XMP = "formats/metadata/search_xmp.py"
_DECODE = "formats/metadata/decode.py"
_PLACES = ("shoot/test_places.py", "shoot/test_consent.py")
_WRITTEN = ("shoot/test_spellings.py", "shoot/test_names.py")
_NAMED = ("shoot/test_names.py", "steps/test_caption.py")

MUTANTS = [
    mutant(_SHORT, "(?:{GAP}+{LETTER})?|v[dt])", "|v[dt])", *_WRITTEN),
    mutant(_SHORT, "(?:{GAP}+{LETTER})?|v[dt])", "(?:{GAP}+{LETTER})?)", *_WRITTEN),
    mutant(_PARTS, ", *_WITH_PARTICLES.finditer(letters)", "", *_WRITTEN),
    mutant(_PARTS, "(*parts, *joined, *run)", "(*parts, *joined)", *_WRITTEN),
    mutant(_TYPED, "letter: int = 3", "letter: int = 4", *_MISTYPED),
    mutant(_TYPED, "letter: int = 3", "letter: int = 2", *_MISTYPED),
    mutant(_TYPED, "swapped: int = 3", "swapped: int = 4", *_MISTYPED),
    mutant(_TYPED, "swapped: int = 3", "swapped: int = 2", *_MISTYPED),
    mutant(_TYPED, "alone: int = 7", "alone: int = 6", *_MISTYPED),
    mutant(_FACTS, "rest = names_taken_out(rest, tuple(part for", "(rest, tuple(part for", *_LISTED),
    mutant(_FACTS, "if p in mistyped or names_part", "if names_part", *_LISTED),
    mutant(
        _FACTS,
        "or names_part(rest, p.name, facts.language, own)",
        "or hints_at(rest, p.name, facts.language)",
        *_LISTED,
    ),
    mutant(_FACTS, "or names_part(rest, p.name, facts.language, own)", "or names_part(rest, p.name)", *_LISTED),
    mutant(
        _FACTS, "names_part(rest, p.name, facts.language, own)", "names_part(rest, p.name, facts.language)", *_LISTED
    ),
    mutant("shoot/names/parts.py", "_common(word, one) > _common", "_common(word, one) >= _common", *_LISTED),
    mutant(_FACTS, ", facts.language) or names_part(text, player.name):", ", facts.language):", *_LISTED),
    mutant(_PARTS, " and (capital or part not in _SMALL_WORDS)", " and capital", *_LISTED),
    mutant(_PARTS, " and (capital or part not in _SMALL_WORDS)", "", *_LISTED),
    mutant(_PARTS, "or (inflected and capital and", "or (inflected and", *_LISTED),
    mutant(_PARTS, 'short in (single(part), f"{single(part)}s")', "short in (single(part),)", *_LISTED),
    mutant(_PARTS, "    text = _without_things(text, name)\n", "", *_LISTED),
    mutant(
        _PARTS,
        "parts, views = _name_parts(name), _views(_without_things(text, name))",
        "parts, views = _name_parts(name), _views(text)",
        *_LISTED,
    ),
    mutant(_PARTS, '[] if "," in name else parts_of(name)[1:]', "parts_of(name)[1:]", *_LISTED),
    mutant(_PARTS, "parts_of(name)[1:]", "parts_of(name)", *_LISTED),
    mutant(_PARTS, "(?<![\\w'’-])[Tt]he", "[Tt]he", *_LISTED),
    mutant(_PARTS, "(?={after})", "", *_LISTED),
    mutant(_PARTS, '    text = _NOBODY.sub(" ", text)\n', "", *_LISTED),
    mutant(_PARTS, "(?:be|have|not)(?![\\w'’-])", "", *_LISTED),
    mutant(_PARTS, "(?:base|end|goal|side|touch)-line", "\\w+-line", *_LISTED),
    mutant(_PARTS, "(?<![\\w'’-])(?:will|may)", "(?:will|may)", *_LISTED),
    mutant(_PARTS, "(*parts, *joined, *run)", "(*parts, *run)", *_LISTED),
    mutant(
        _PARTS,
        "    if any(_hints_without_case(view.letters, part) for part in parts.uncased",
        "    if any(False for part in ()",
        *_LISTED,
    ),
    mutant(_TYPED, "twice: int = 5", "twice: int = 4", *_MISTYPED),
    mutant(_TYPED, "twice: int = 5", "twice: int = 6", *_MISTYPED),
    mutant(_TYPED, "both: int = 6", "both: int = 7", *_MISTYPED),
    mutant(_TYPED, "words: int = 5", "words: int = 4", *_MISTYPED),
    mutant(_TYPED, " or sorted(word) != sorted(part))", " or True)", *_MISTYPED),
    mutant(_TYPED, " or len(alone.split()) == 1", "", *_MISTYPED),
    mutant(_TYPED, "typed != typed.lower() or len", "len", *_MISTYPED),
    mutant(_TYPED, '.split("\\0", 1)[0]', "", *_MISTYPED),
    mutant(_TYPED, 'text.rfind("\\0", 0, at) + 1', "0", *_MISTYPED),
    mutant(_TYPED, "least = min(least, before[j - 2] + 1)", "pass", *_MISTYPED),
    mutant(_TYPED, "*words.near(part)]", "]", *_MISTYPED),
    mutant(_TYPED, '(word[:1], f"-{word[-1:]}")', "(word[:1],)", *_MISTYPED),
    mutant(_TYPED, "if other.mistakes < self.mistakes]", "]", *_MISTYPED),
    mutant(_TYPED, "any(o.begin <= begin and end <= o.end for o in nearer)", "nearer", *_MISTYPED),
    mutant(_TYPED, "for begin, end in self.wrong)", "for begin, end in self.wrong[:1])", *_MISTYPED),
    mutant(_TYPED, "or (exact and not wrong)", "", *_MISTYPED),
    mutant(_TYPED, "if as_one.words != as_words.words or joined != forms:", "if False:", *_MISTYPED),
    mutant(_TYPED, "if as_one.words != as_words.words or joined", "if joined", *_MISTYPED),
    mutant(_FACTS, "place.mistakes and not place.is_rather(others)", "place.mistakes", *_MISTYPED),
    mutant(_FACTS, "not any(is_part_of(one, player.name) for player in near))", "True)", *_MISTYPED),
    mutant(_FACTS, "player in mistyped or hints_at", "hints_at", *_MISTYPED),
    mutant(_TYPED, 'f"{LETTER}+|\\0"', 'f"{LETTER}+"', *_MISTYPED),
    mutant(_TYPED, "or rest == left[1:] ", "", *_MISTYPED),
    mutant(_TYPED, " or rest[1:] == left)", ")", *_MISTYPED),
    mutant(_TYPED, "dict.fromkeys((parts, (parts[0], parts[-1])))", "dict.fromkeys((parts,))", *_MISTYPED),
    mutant(_PARTS, "for find in (mistyped_in, part_mistyped)", "for find in (mistyped_in,)", *_MISTYPED),
    mutant(_SHORT, " or _longer(reading, forms, fold, known):", ":", *_WRITTEN),
    mutant(_SHORT, "if is_name and not covered(text, span, known):", "if is_name:", *_WRITTEN),
    mutant(_SHORT, "if is_name and not covered(text, span, known):", "if not covered(text, span, known):", *_WRITTEN),
    mutant(_SHORT, "if word not in _PARTICLES]", "]", *_WRITTEN),
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
    mutant(_SIDECAR, "and folded(path.stem) not in called:", ":", "shoot/test_consent.py"),
    mutant(
        _SIDECAR,
        "for base in (frame.name, frame.stem) for path in there.get(folded(base)",
        "for base in (frame.name,) for path in there.get(folded(base)",
        "shoot/test_consent.py",
    ),
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
    mutant(_OWN, "if len(packet) != self.lengths[which]:", "if False:", *_PLACES),
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
]
