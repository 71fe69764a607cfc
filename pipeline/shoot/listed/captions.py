"""Frames that a text file of the shoot folder names beside a player who must not be shown: a list of captions."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from itertools import takewhile
from pathlib import Path, PurePath

from pipeline.errors import InputError
from pipeline.formats.metadata.decode import decodings
from pipeline.formats.metadata.search_xmp import Text
from pipeline.shoot.copies import name_parts
from pipeline.shoot.facts import Facts, Player, mistyped_player, named_player
from pipeline.shoot.listed.numbers import numbered
from pipeline.shoot.photographer import credits_in
from pipeline.shoot.pictures.looks import shoot_of
from pipeline.shoot.sidecar import SIZE_LIMIT, loose_notes
from pipeline.store.files import folded
from pipeline.textfile.reading import read_bytes
from pipeline.types import Frame

_LISTED = "a line in a text file of the shoot folder names it and a player whose line in the roster {why}"
_MAYBE = (
    "a line in a text file of the shoot folder names it and may name, with a typing mistake or two, a player whose "
    "line in the roster {why}; write under players who is in the picture, or correct that line"
)
_NOWHERE = (
    "{file} names a player whose line in the roster says publish: no, and no frame beside the name: see whether it "
    "means any, and write under players who is in them"
)
_DIGITS = 4  # that a number alone has to mean a frame, as cameras count: a score has fewer (DCF 2.0, JEITA CP-3461B)
_APART = re.compile(r"[:()\[\]{}\"'|/<>]+")
_YEAR = re.compile(r"(?<!\w)(?:19|20)\d\d(?!\w)")  # beside a whole name it is a date
_SUFFIX = re.compile(r"\.[a-z]\w{1,3}\b")


def held_by_lists(facts: Facts, frames: Sequence[Frame], notices: list[str]) -> Iterator[tuple[str, str]]:
    """(frame, why it is held) of those that a text file names in a line with a withheld player, or that it is called
    after. A line without a frame means those that stand alone in the lines above or below it; and it is said, since
    nobody knows."""
    unplaced = list[str]()
    stems = defaultdict[str, list[Frame]](list)
    for frame in frames:
        stems[folded(PurePath(frame.relative).stem)].append(frame)
    for shoot in sorted({shoot_of(frame) for frame in frames}):
        for file in loose_notes(shoot):
            try:
                octets = read_bytes(file, SIZE_LIMIT)
            except (InputError, OSError):
                continue  # a list that is nobody's: it may be of anything
            stem = folded(file.stem)
            after = stems.keys() & {stem, *name_parts(stem)}
            for text in decodings(octets):
                lines = text.splitlines() if _names_one(text, facts) else []
                for at, line in enumerate(lines):
                    if not _names_one(line, facts):
                        continue
                    here = after | _called_in(line, stems)
                    there = set(here)
                    for beside in () if here else (reversed(lines[:at]), lines[at + 1 :]):
                        for called in takewhile(bool, (_alone_in(one, stems) for one in beside)):
                            there |= called
                    for frame in (one for part in sorted(there) for one in stems[part]):
                        if why := _why(line, frame, facts):
                            yield frame.name, why
                    if not here and named_player(line, facts, ()) is not None:
                        unplaced.append(_NOWHERE.format(file=_unnamed(file, facts)))
    notices += dict.fromkeys(unplaced)


def _names_one(text: str, facts: Facts) -> bool:
    return named_player(text, facts, ()) is not None or mistyped_player(text, facts) is not None


def _why(line: str, frame: Frame, facts: Facts) -> str:
    """Why a line that names a frame holds it, "" where it does not: who took a picture need not be in it."""
    players = facts.row(frame.name).players
    credits = credits_in("", [Text("", line)], facts, players)
    taken = frozenset[Player]() if credits.bare else credits.excused
    others = replace(facts, roster=tuple(one for one in facts.roster if one not in taken))
    if (player := named_player(line, others, players)) is not None:
        return _LISTED.format(why=player.why)
    player = None if players else mistyped_player(line, others)
    return "" if player is None else _MAYBE.format(why=player.why)


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
    """What a text file is called, for others."""
    return "a text file" if named_player(file.stem, facts, ()) is not None else file.name
