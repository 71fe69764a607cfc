"""Frames that a list of captions names beside a player who must not be shown: a file beside the frames or the facts."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import dropwhile, takewhile
from pathlib import Path, PurePath

from pipeline.errors import InputError
from pipeline.formats.metadata.decode import decodings
from pipeline.formats.metadata.search_xmp import Text
from pipeline.shoot.copies import name_parts
from pipeline.shoot.facts import Facts, Player, mistyped_player, named_player
from pipeline.shoot.kinds import suffix_of
from pipeline.shoot.listed.entries import entries
from pipeline.shoot.listed.numbers import numbered
from pipeline.shoot.photographer import credits_in
from pipeline.shoot.pictures.looks import shoot_of
from pipeline.shoot.read_facts import FACTS_FILES
from pipeline.shoot.sidecar import SIZE_LIMIT, loose_notes
from pipeline.store.files import folded
from pipeline.textfile.messages import and_more
from pipeline.textfile.reading import read_bytes
from pipeline.types import Frame

_LISTED = "{file} names it beside a player whose line in the roster {why}"
_MAYBE = (
    "{file} names it beside what may be, with a typing mistake or two, a player whose line in the roster {why}; write "
    "under players who is in the picture, or correct that line"
)
_NOWHERE = (
    "{file} names a player whose line in the roster says publish: no, and no frame beside the name: see whether it "
    "means any, and write under players who is in them"
)
_UNREAD = (
    "{files}: not read, though a player is withheld; if that says who is in the pictures, save it as .csv or .txt "
    "beside it"
)
_CLOSED = frozenset(("doc", "docx", "htm", "html", "numbers", "ods", "odt", "pages", "pdf", "rtf", "xls", "xlsx"))
_DIGITS = 4  # that a number alone has to mean a frame, as cameras count: a score has fewer (DCF 2.0, JEITA CP-3461B)
_APART = re.compile(r"[:()\[\]{}\"'|/<>]+")
_TEXTS = ("txt", "md")
_YEAR = re.compile(r"(?<!\w)(?:19|20)\d\d(?!\w)")  # beside a whole name it is a date
_SUFFIX = re.compile(r"\.[a-z]\w{1,3}\b")
_HEADING = re.compile(r" {0,3}#{1,6}(?=\s)")  # of Markdown: CommonMark 0.31.2, 4.2, from memory; 4.3 is the other
_UNDERLINE = re.compile(r" {0,3}(?:=+|-+)\s*")


def held_by_lists(facts: Facts, frames: Sequence[Frame], notices: list[str]) -> Iterator[tuple[str, str]]:
    """(frame, why it is held) of those that a text file names in a line with a withheld player, or that it is called
    after. A line without a frame means those that stand alone in the lines above or below it; and it is said, since
    nobody knows."""
    unplaced = list[str]()
    stems = defaultdict[str, list[Frame]](list)
    for frame in frames:
        stems[folded(PurePath(frame.relative).stem)].append(frame)

    @lru_cache(maxsize=1 << 14)  # sizes and dates of a list are the same many times over
    def calls(text: str) -> bool:
        return bool(_called_in(text, stems))

    for file in _lists(facts, frames):
        try:
            octets = read_bytes(file, SIZE_LIMIT)
        except (InputError, OSError):
            continue  # a list that is nobody's: it may be of anything
        stem, suffix, said_as = folded(file.stem), suffix_of(file), _unnamed(file, facts)
        after = stems.keys() & {stem, *name_parts(stem)}
        for text in decodings(octets):
            some = "\n".join(entries(text, suffix, lambda _: False))  # a name may stand in two lines, or two fields
            lines = entries(text, suffix, calls) if _names_one(some, facts) else []
            is_list = suffix in _TEXTS or any(map(calls, lines))  # a table of others has no frames
            for at, line in enumerate(lines):
                if not _names_one(line, facts):
                    continue
                here = after | _called_in(line, stems)
                there = here or (set() if suffix == "json" else _beside(lines, at, stems))
                for frame in (one for part in sorted(there) for one in stems[part]):
                    if why := _why(line, frame, facts):
                        yield frame.name, why.format(file=said_as)
                if not here and is_list and named_player(line, facts, ()) is not None:
                    unplaced.append(_NOWHERE.format(file=said_as))
    notices += dict.fromkeys(unplaced)
    shoots = {shoot_of(frame) for frame in frames}
    if closed := [_unnamed(file, facts) for shoot in sorted(shoots) for file in loose_notes(shoot, _CLOSED)]:
        notices.append(_UNREAD.format(files=and_more(list(dict.fromkeys(closed)))))


def _lists(facts: Facts, frames: Sequence[Frame]) -> list[Path]:
    """Files that may be lists of captions, anywhere in the shoot folder or beside the facts."""
    used = {Path(one) for one in (facts.source_file, facts.roster_file, facts.frames_file) if one}
    shoots = {shoot_of(frame) for frame in frames}
    found = [file for shoot in sorted(shoots) for file in loose_notes(shoot)]
    beside = [file for folder in sorted({one.parent for one in used}) for file in loose_notes(folder, deep=False)]
    own = {one.resolve() for one in used}
    others = {one.resolve(): one for one in (*found, *beside) if one.name.lower() not in FACTS_FILES}
    return [file for there, file in others.items() if there not in own and "roster" not in file.stem.lower()]


def _beside(lines: Sequence[str], at: int, stems: Collection[str]) -> set[str]:
    """The frames that stand alone in the lines right below a line, or above the paragraph in which it is; below a
    heading also where lines between are empty."""
    above = list(dropwhile(lambda line: line.strip() and not _called_in(line, stems), reversed(lines[:at])))
    heads = list(dropwhile(lambda line: not line.strip(), above))
    below = _first(_under(lines[at], lines[at + 1 :]), stems)
    return below if below and len(heads) < len(above) else below | _first(heads, stems)


def _under(line: str, rest: Sequence[str]) -> Sequence[str]:
    """The lines below a line: of a heading without its underline and without empty ones."""
    underlined = bool(rest) and _UNDERLINE.fullmatch(rest[0]) is not None
    if not underlined and not _HEADING.match(line):
        return rest
    return [one for one in rest[underlined:] if one.strip()]


def _first(lines: Sequence[str], stems: Collection[str]) -> set[str]:
    """The frames of the lines at the beginning that have no other words."""
    return set[str]().union(*takewhile(bool, (_alone_in(line, stems) for line in lines)))


def _names_one(text: str, facts: Facts) -> bool:
    return named_player(text, facts, ()) is not None or mistyped_player(text, facts) is not None


def _why(line: str, frame: Frame, facts: Facts) -> str:
    """Why a line that names a frame holds it, "" where it does not: who took a picture need not be in it."""
    players = facts.row(frame.name).players
    credits = credits_in("", [Text("", line)], facts, players)
    taken = frozenset[Player]() if credits.bare else credits.excused
    others = replace(facts, roster=tuple(one for one in facts.roster if one not in taken))
    if (player := named_player(line, others, players)) is not None:
        return _LISTED.replace("{why}", player.why)
    player = None if players else mistyped_player(line, others)
    return "" if player is None else _MAYBE.replace("{why}", player.why)


def _called_in(line: str, stems: Collection[str]) -> set[str]:
    """The names of frames in a line, as a whole or by their numbers."""
    line = folded(line)
    whole = {s for s in stems if s in line and re.search(rf"(?<![^\W_]){re.escape(s)}(?!\w)", line)}
    return whole | set(numbered(_APART.sub(" ", _YEAR.sub(" ", line) if whole else line), stems, _DIGITS))


def _alone_in(line: str, stems: Collection[str]) -> set[str]:
    """The names of frames in a line that has no other words."""
    called, rest = _called_in(line, stems), _SUFFIX.sub("", folded(line))
    for stem in sorted(called, key=len, reverse=True):
        rest = rest.replace(stem, "")
    return set() if re.search(r"[^\W\d_]", rest) else called


def _unnamed(file: Path, facts: Facts) -> str:
    """What a file is called, for others."""
    return f"a .{suffix_of(file)} file" if named_player(file.stem, facts, ()) is not None else file.name
