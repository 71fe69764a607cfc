"""The facts of one event, as the photographer wrote them, and what follows from them for consent."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Literal

from pipeline.formats.metadata.credits import Credits, Place
from pipeline.imaging.geometry import Box
from pipeline.shoot.clocks.entries import Clock
from pipeline.shoot.eventfile import Corners
from pipeline.shoot.hall.memory import HallMemory
from pipeline.shoot.names import (
    LONGEST_NAME,
    first_named,
    hints_at,
    is_part_of,
    mistyped_in,
    name_pattern,
    names_part,
    perhaps_named,
    replace_name,
    same_name,
    slips_of,
)
from pipeline.textfile.messages import and_more
from pipeline.textfile.tables import Row

SIDES = ("home", "away")
ROSTER_COLUMNS = ("team", "number", "name", "publish")
FRAME_COLUMNS = ("frame", "keep", "rating", "players", "words", "crop")
CROP_OF = "crop "  # begins the name of a column that holds the crop of one delivery alone: "crop web"
MARKS = "for"  # a column that a person may add: whom a frame is for, in words that a recipe asks for
# Columns of tables that the program writes for a person to fill in: they inform. Only `file` and `time` are read back,
# to know which frame a row means.
INFO_COLUMNS = ("file", "burst", "time", "score", "suggested", "why", "suggested_players", "caption")

WRONG_LINE = "is wrong, so that who is meant is withheld"

# A shirt number in words, after case folding: common practice, no source.
_NUMBERED = re.compile(r"(?:#|(?<!\w)(?:no|nr|num|number|nummer|numero|número|numéro|n°)(?![^\W\d])\.?)\s*(\d+)(?!\w)")


@dataclass(frozen=True)
class Player:
    """One line of the roster. `number` is text, because 0 and 00 are two shirts in some sports."""

    team: str  # "home" or "away"
    number: str
    name: str
    publish: bool = True
    line: int = 0
    wrong: bool = False  # withheld for what is wrong in the line, whatever it says under publish

    @property
    def why(self) -> str:
        """Why this player is withheld, to follow "the line in the roster", without the name."""
        says = WRONG_LINE if self.wrong else "says publish: no"
        return f"{says} (line {self.line})"


@dataclass(frozen=True, slots=True)
class FrameFacts:
    """What the photographer wrote about one frame.

    always   keep, whatever a recipe selects
    rating   -1 (rejected) to 5, None = not rated
    players  (team, number) from left to right; each is in the roster
    crop     (x0, y0, x1, y1), fractions of the upright frame, None = not given
    crops    (delivery, crop) of those that have one of their own; names of deliveries folded, in alphabetical order
    unclear  why it is not known whether another row means this frame too; "" where that is clear
    marks    whom it is for, as written in column `for`
    """

    keep: bool = True
    rating: int | None = None
    players: tuple[tuple[str, str], ...] = ()
    words: str = ""
    crop: Box | None = None
    line: int = 0
    always: bool = False
    unclear: str = ""
    crops: tuple[tuple[str, Box], ...] = ()
    marks: tuple[str, ...] = ()

    def crop_of(self, delivery: str) -> Box | None:
        """The crop that a person gave for a delivery: its own, else that of all; None where there is neither."""
        return dict(self.crops).get(delivery.casefold(), self.crop)


@dataclass(frozen=True)
class Reference:
    """A frame that shows a known neutral.

    patch  (x0, y0, x1, y1) fractions of the upright frame, "auto" = look for it, None = no patch
    chart  four (x, y) corners in fractions, "auto" = look for it, None = no chart
    end    the end of the court it stands for, in the photographer's words
    """

    frame: str
    patch: Box | Literal["auto"] | None = None
    chart: Corners | Literal["auto"] | None = None
    end: str | None = None


@dataclass(frozen=True)
class Facts(Credits, Place):
    """The event as a whole; every field has a usable default, so that a shoot without shoot.yaml works.

    teams    "home" and "away" -> their names
    country  ISO 3166 alpha-2 or alpha-3, capitals
    start    aware datetime
    rows     frame name -> its row of frames.csv
    clocks   what is to be added to cameras' times, as written; clocks.correction finds the frames
    roster_file  the table that the players are from, "" = none
    frames_file  the table that the rows are from, "" = none; elsewhere  its rows that name no frame here, or several
    unclear  frame name -> why it is held back: a row may mean it or another frame
    meant    digest of a row of frames.csv -> name of the frame that it means, see frame_names.row_digest
    shown    whom rows show, see rows.Rows
    unnamed  frames of the shoot that have no row in a table that somebody has filled in
    unplaced  "file:line" of rows that show a player with publish: no and fit no frame, so that none is held back
    notices  on the files that were read, wrong in nothing
    wrong_players  what is wrong in single rows of the roster, whose players are withheld until it is corrected
    hall     whose light is to be remembered, "" for none; remembered  what is, as the run began with it
    """

    title: str = ""
    teams: Mapping[str, str] = field(default_factory=dict)
    country: str = ""
    start: datetime | None = None
    language: str = "en"
    roster: tuple[Player, ...] = ()
    rows: Mapping[str, FrameFacts] = field(default_factory=dict)
    references: tuple[Reference, ...] = ()
    clocks: tuple[Clock, ...] = ()
    minors: bool = False
    source_file: str = ""
    roster_file: str = ""
    frames_file: str = ""
    elsewhere: tuple[Row, ...] = ()
    unclear: Mapping[str, str] = field(default_factory=dict)
    meant: Mapping[str, str] = field(default_factory=dict)
    shown: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    unnamed: tuple[str, ...] = ()
    unplaced: tuple[str, ...] = ()
    notices: tuple[str, ...] = ()
    wrong_players: tuple[str, ...] = ()
    hall: str = ""
    remembered: HallMemory | None = None

    def row(self, frame: str) -> FrameFacts:
        """The row of frames.csv for `frame`, or the defaults where there is none."""
        row = self.rows.get(frame, FrameFacts())
        return replace(row, unclear=self.unclear[frame]) if frame in self.unclear else row

    def player(self, team: str, number: str) -> Player | None:
        """The roster's player with that side ("home" or "away") and shirt number."""
        return next((p for p in self.roster if (p.team, p.number) == (team, number)), None)


def without_rows(facts: Facts) -> list[str]:
    """A notice on the frames that have no row in the table, where some have none."""
    if not facts.unnamed:
        return []
    frames = "1 frame has" if len(facts.unnamed) == 1 else f"{len(facts.unnamed):,} frames have"
    table = Path(facts.frames_file).name
    return [f"{frames} no row in {table}: {and_more(facts.unnamed)}; their captions say only what shoot.yaml says"]


def nobody_known(facts: Facts) -> list[str]:
    """A notice where nothing says who must not be shown: there is no roster, or it is not filled in."""
    if facts.roster:
        return []
    name = Path(facts.roster_file).name
    lacking = f"{name} has no players" if facts.roster_file else "no roster.csv was given or found"
    minors = "minors: true knows no name that it could take out of what is typed, " if facts.minors else ""
    return [
        f"{lacking}, so {minors}it is not known who must not be shown, and no frame is held back for consent: look "
        "through the pictures before you publish any, or fill in the tables that evencourt prepare writes and run again"
    ]


def nobody_named(facts: Facts, delivered: Iterable[str]) -> list[str]:
    """A notice on the `delivered` frames of which nobody has said who is in them, where a player must not be shown.

    Frames that references name are of cards and charts.
    """
    hidden = sum(not player.publish for player in facts.roster)
    cards = {one.frame for one in facts.references}
    names = [name for name in delivered if name not in cards and not facts.row(name).players]
    if not hidden or not names:
        return []
    them = "1 frame has nobody" if len(names) == 1 else f"{len(names):,} frames have nobody"
    who, one = ("a player is", "that player") if hidden == 1 else (f"{hidden} players are", "one of them")
    return [
        f"{them} under players, and {who} withheld by {Path(facts.roster_file).name}. Who is in a picture is not "
        f"recognised, so {one} may be in any: look through these before you publish any: {and_more(names)}"
    ]


def withheld(facts: Facts, player: Player) -> bool:
    """Whether the name must not appear: publish: no in the roster, or any player where the shoot is of minors."""
    return facts.minors or not player.publish


def held_back(facts: Facts, row: FrameFacts) -> str:
    """Why a frame must be in no delivery, without a name; "" where there is no reason.

    A frame is held where `players` names one whose roster line says publish: no, or `words` has such a name in
    whatever spelling, or the shirt number that nobody of `players` wears, or a first name or surname that nobody of
    `players` has, or while `players` is empty what may be a part of the name, or where another row may mean it:
    nobody knows then what that row forbids. minors: true alone holds no frame, or nothing could be delivered: it takes
    out every name instead.
    """
    if row.unclear:
        return row.unclear
    for player in facts.roster:
        if not player.publish and (player.team, player.number) in row.players:
            return f"shows a player whose line in the roster {player.why}"
    words = ". ".join(text for text in (row.words, *row.marks) if text)  # whom it is for may be whom it shows
    if (named := named_player(words, facts, row.players)) is not None:
        return f"its words name a player whose line in the roster {named.why}"
    if words and (worn_by := _numbered(words, facts, row.players)) is not None:
        advice = "write the words without it, if that player is not in the picture"
        return (
            "its words have the shirt number of a player whose line in the roster "
            f"{worn_by.why}; {advice if row.players else 'write under players who is in the picture'}"
        )
    hidden = tuple(player for player in facts.roster if not player.publish)
    if words and not row.players:  # only the words say then whom it shows
        for player in hinted_at(words, facts, hidden):
            return (
                "its words name, or seem to name, a player whose line in the roster "
                f"{player.why}; write under players who is in the picture"
            )
    if words and (unlisted := _unlisted(words, facts, hidden, row.players)) is not None:
        return (
            "its words have a first name or surname, or a mistyped name, of a player whose line in the roster "
            f"{unlisted.why}, and players does not list that player; add who is in the picture too, or write the words "
            "without it"
        )
    return ""


def _unlisted(
    words: str, facts: Facts, hidden: tuple[Player, ...], players: Sequence[tuple[str, str]]
) -> Player | None:
    """The first of `hidden` a part of whose name, or a mistyped name, the words have, where none of `players` is called
    so."""
    if not players or not hidden:
        return None
    named = [player.name for player in facts.roster if (player.team, player.number) in players]
    rest = known_taken_out(words, facts, hidden, named)
    rest = names_taken_out(rest, tuple(part for name in named for part in name.split()))
    mistyped = set(_mistyped(words, facts, hidden))
    own = tuple(named)
    return next((p for p in hidden if p in mistyped or names_part(rest, p.name, facts.language, own)), None)


def _numbered(words: str, facts: Facts, players: Sequence[tuple[str, str]]) -> Player | None:
    """The first player with publish: no whose shirt the words name, as "#7", "no. 7", "home 7" or "Gulls #7"; not by a
    number alone, which may be a score or a throw, nor without the team where one of `players` wears that number."""
    text = plain_digits(words).casefold()
    worn = {("", _bare(one)) for one in _NUMBERED.findall(text)} - {("", _bare(one)) for _, one in players}
    named = [(side, name) for side in SIDES if (name := plain_digits(facts.teams.get(side, "")).casefold())]
    parts = [(side, part) for side, name in named for part in name.split() if part not in SIDES]
    for side, called in (*((side, side) for side in SIDES), *named, *parts):
        numbers = [_NUMBERED.pattern] if (side, called) in parts else [_NUMBERED.pattern, r"(\d+)(?!\w|\s*[-–:]\s*\d)"]
        for number in numbers:
            worn |= {(side, _bare(one)) for one in re.findall(rf"(?<!\w){re.escape(called)}\s+{number}", text)}
    hidden = (player for player in facts.roster if player.number and not player.publish)
    return next((p for p in hidden if worn & {(side, _bare(p.number)) for side in ("", p.team)}), None)


def _bare(number: str) -> str:
    return number.lstrip("0") or "0"


def plain_digits(text: str) -> str:
    """Text in which shirt numbers have the digits 0 to 9, whatever the script's own are, in one form of Unicode."""
    return "".join(str(unicodedata.decimal(sign, sign)) for sign in unicodedata.normalize("NFKC", text))


def named_player(text: str, facts: Facts, players: Sequence[tuple[str, str]]) -> Player | None:
    """The first player with publish: no whom the text names, in whatever spelling; None where there is none.

    players  of the frame: one of them who may be shown and has the same name is meant by the text. What is wholly the
             name of others of the roster names nobody else ("Anna Berg, Ida Holm" no Ida Berg).
    """
    hidden = [player for player in facts.roster if not player.publish]
    if not text or not hidden:
        return None
    names, known = _names(facts.roster, tuple(players))
    found = first_named(text, names, known, facts.language)
    return None if found is None else hidden[found]


def mistyped_player(text: str, facts: Facts) -> Player | None:
    """The first player with publish: no whose whole name, and that of nobody else of the roster, stands in the text
    with a typing mistake or two; None where there is none. Where another player's name has fewer
    mistakes it is that player's; where it has as many nobody knows."""
    return next(_mistyped(text, facts, [player for player in facts.roster if not player.publish]), None)


def _mistyped(text: str, facts: Facts, hidden: Sequence[Player]) -> Iterator[Player]:
    near = [player for player in hidden if mistyped_in(text, player.name)]
    if not near:
        return
    known = (one for one in _known_names(facts) if one)  # one may be a surname, too: that of a team or a town
    known = (one for one in known if not any(is_part_of(one, player.name) for player in near))
    text = names_taken_out(text, tuple(known))
    others = [place for one in facts.roster if one not in hidden for place in slips_of(text, one.name)]
    for player in near:
        if any(place.mistakes and not place.is_rather(others) for place in slips_of(text, player.name)):
            yield player


def hinted_at(
    text: str, facts: Facts, hidden: Sequence[Player], players: Sequence[tuple[str, str]] = ()
) -> Iterator[Player]:
    """Those of `hidden`, players of the roster, of whose names the text may hold a part, such as a lone surname.

    Whole names do not count, neither theirs nor those of other players, the teams, the title and the place.
    players  of the frame, see `known_taken_out`
    """
    if not text or not hidden:
        return
    text = names_taken_out(text, tuple(player.name for player in hidden))
    mistyped = set(_mistyped(text, facts, hidden))
    named = [player.name for player in facts.roster if (player.team, player.number) in players]
    text = known_taken_out(text, facts, hidden, named)
    for player in hidden:
        if player in mistyped or hints_at(text, player.name, facts.language) or names_part(text, player.name):
            yield player


def known_taken_out(text: str, facts: Facts, hidden: Sequence[Player], named: Sequence[str] = ()) -> str:
    """A text without the names of players who are not `hidden`, the teams, the title and the place.

    A name that is wholly a part of that of somebody hidden, as the first name of another player may be, is taken out
    only where it is among those who are `named` in the frame: else nobody knows who is meant.
    """
    unsaid = set(hidden)
    others = [player.name for player in facts.roster if player not in unsaid]
    shown = [one for one in others if one in named or not any(is_part_of(one, player.name) for player in hidden)]
    return names_taken_out(text, (*shown, *_known_names(facts)))


def _known_names(facts: Facts) -> tuple[str, ...]:
    """Those of the teams, the title and the place."""
    teams = [name for side in SIDES if (name := facts.teams.get(side))]
    return (*teams, facts.title, facts.venue, facts.city, facts.region)


@lru_cache(maxsize=4096)  # keywords are the same in every frame, captions often in a burst
def names_taken_out(text: str, names: tuple[str, ...]) -> str:
    """A text without these names, where they stand in it as a whole."""
    names = tuple(name for name in names if len(name) <= LONGEST_NAME)  # no title that tells a story
    for at in perhaps_named(text, names):
        if pattern := name_pattern(names[at]):
            text = replace_name(text, pattern, "")
    return text


@lru_cache(maxsize=256)
def _names(roster: tuple[Player, ...], players: tuple[tuple[str, str], ...]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names that are withheld, and names of others."""
    hidden = tuple(player.name for player in roster if not player.publish)
    shown = (player for player in roster if player.publish)
    known = [
        player.name
        for player in shown
        if (player.team, player.number) in players or not any(same_name(player.name, name) for name in hidden)
    ]
    return hidden, tuple(known)
