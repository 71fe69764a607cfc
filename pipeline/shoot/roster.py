"""The players of roster.csv."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from pipeline.errors import Problem
from pipeline.shoot.facts import ROSTER_COLUMNS, SIDES, Player, plain_digits
from pipeline.shoot.names import LONGEST_NAME, same_name
from pipeline.shoot.rows import side_of
from pipeline.textfile.encodings import only_letters
from pipeline.textfile.tables import Row, Table, whole
from pipeline.textfile.yes_no import is_mark, is_tick, yes_or_no

# A word of two letters or more at the end of a cell, or at its beginning.
_BESIDE = (
    re.compile(r"(?P<name>.*\w)(?P<by>\W+)(?P<word>[^\W\d_]{2,})\W*", re.DOTALL),
    re.compile(r"\W*(?P<word>[^\W\d_]{2,})(?P<by>\W+)(?P<name>\w.*)", re.DOTALL),
)
_OF_COLUMN = re.compile(r"\W*\bpublish$|^publish\b\W*", re.IGNORECASE)
_IN_NAMES = re.compile(r"[\s'’.\u2010-]*")  # what stands between the words of a name
_ROWS_IN_ONE = re.compile(r"(?s)(?=.*[\r\n]).*[,;\t]")  # several rows between quotes


@dataclass(frozen=True)
class Roster:
    """The players of the table, in its order, and after them other spellings of names that are withheld.

    example  a line whose letters show whether the table was read right, with its name where that is published;
             "" where nothing was guessed
    notices  on rows that are wrong in nothing and may let somebody be shown who must not be
    """

    players: tuple[Player, ...] = ()
    example: str = ""
    notices: tuple[str, ...] = ()


def read_roster(
    table: Table | None, teams: Mapping[str, str], minors: bool, languages: Sequence[str], problems: list[Problem]
) -> Roster:
    """The players; what is wrong goes to `problems`.

    minors     whether no name of the shoot is published
    languages  in which publish may be answered, besides English

    A player in whose row something is wrong is withheld, whatever it says: under that name, under that number, and on
    both sides where the team is not known. Where nobody can know whom a row withholds, its problem stops a run.

    Where the code page of the table is a guess, a name that must not appear is also looked for as the other likely
    code pages spell it: each such spelling is one more player of that number.
    """
    players: dict[tuple[str, str], Player] = {}
    others: list[Player] = []
    example = ""
    every = table.rows if table else ()
    rows = [row for row in every if not _is_comment(row, teams)]
    absent = table.absent if table else frozenset()
    some_empty = any(not row["publish"] for row in rows)
    marks_are_yes = not some_empty and _are_yes([row["publish"] for row in rows], languages)
    for row in rows:
        wrong: list[tuple[str, str]] = []
        side, why = side_of(row["team"], teams)
        number = _shirt(row["number"])
        name = _without_no(row["name"], languages)
        publish = yes_or_no(row["publish"], default=True, languages=languages)
        if publish is None and is_mark(row["publish"]) and marks_are_yes:
            publish = True
        if side is None:
            wrong.append(("team", why))
        if not number.isdecimal():
            wrong.append(("number", f"{number or '(empty)'} is not a shirt number; write digits, such as 7"))
        if why := _wrong_name(row["name"], name):
            wrong.append(("name", why))
        if publish is None:
            unclear = is_mark(row["publish"])
            beside = "empty cells" if some_empty else "the other answers"
            means = f"may mean yes or no beside {beside}; write yes or no" if unclear else "is neither yes nor no"
            wrong.append(("publish", f"{row['publish']} {means}"))
        wrong = [(column, message) for column, message in wrong if column not in absent]
        # Beside empty cells nobody knows what these mean: "ok" in some may say that all others must not be shown.
        unclear = publish is None and some_empty
        is_known = not absent and not unclear and _says_whom(row, name, publish is True, teams, languages)
        found = [row.problem(f"{column}: {message}", column) for column, message in wrong]
        if first := players.get((side or "", number)):
            here = f" as well as {row['name']} here" if row["name"] else ""
            message = f"{side} {number} is already on line {first.line}, {first.name}{here}; correct one"
            found.append(row.problem(message, "number"))
        problems += [replace(problem, withheld=is_known) for problem in found]
        if found and is_known:
            name = name if len(name) <= LONGEST_NAME else ""
            worn = re.findall(r"\d+", number) or [""]
            of = (side,) if side else SIDES
            others += [Player(one, shirt, name, False, row.line, wrong=True) for one in of for shirt in worn]
        elif side and not wrong and not absent:
            player = players[side, number] = Player(side, number, row["name"], bool(publish), row.line)
            spellings = row.others.get("name", ())
            if minors or not publish:
                others += [replace(player, name=name) for name in spellings if only_letters(name)]
            elif spellings and not example:
                example = f"line {row.line}: {player.name}"
    if table and table.guess:
        example = example or f"line {table.guess}"
    notices = (*_taken_out(every, teams, languages), *_of_one_name([*players.values()]))
    return Roster((*players.values(), *others), example, notices)


def _shirt(written: str) -> str:
    """The number of a shirt in the digits 0 to 9, whatever the script's own are."""
    return whole(plain_digits(written).removeprefix("#"))


def _wrong_name(written: str, name: str) -> str:
    """Why a cell holds no name, or more than one; "" where it holds one. name  without a no beside it"""
    if not written:
        return "empty; write the player's name"
    if len(written) > LONGEST_NAME:
        return f"longer than {LONGEST_NAME} letters; write the player's name only"
    if _ROWS_IN_ONE.match(written):
        return "holds more than one line; a quote is missing there, or one too many"
    if not any(map(str.isalpha, written)):
        return f"{written} has no letters; write the player's name"
    return f"{written} has a no in it, which belongs under publish" if name != written else ""


def _without_no(written: str, languages: Sequence[str]) -> str:
    """The name without a no that was typed beside it, as in "Ida Berg (no)"; no name ends in a small one, and No Min-ji
    is a name."""
    for pattern in _BESIDE if len(written) <= LONGEST_NAME else ():
        if match := pattern.fullmatch(written):
            word, name = match["word"], match["name"]
            is_apart = not _IN_NAMES.fullmatch(match["by"]) or (word.isupper() and not name.isupper())
            if (word.islower() or is_apart) and yes_or_no(word, default=True, languages=languages) is False:
                return _OF_COLUMN.sub("", name)
    return written


def _says_whom(row: Row, name: str, is_yes: bool, teams: Mapping[str, str], languages: Sequence[str]) -> bool:
    """Whether it is sure that the cell `name` of a wrong row has its name, if it withholds anybody: cells may have
    slipped into other columns, or a whole row into one cell."""
    if any(re.search(r"[\r\n]", row[column]) for column in ROSTER_COLUMNS):
        return False
    right_shirt = bool(side_of(row["team"], teams)[0]) and _shirt(row["number"]).isdecimal()
    if not name or len(name) > LONGEST_NAME:
        return is_yes and right_shirt
    has_name_for_number = re.search(r"[^\W\d_]{2}", row["number"]) and not re.search(r"\d", row["number"])
    is_answer = yes_or_no(name, default=None, languages=languages) is not None
    return any(map(str.isalpha, name)) and not (has_name_for_number or is_answer or side_of(name, teams)[0])


def _are_yes(answers: Sequence[str], languages: Sequence[str]) -> bool:
    """Whether the marks of a column can only mean yes: a cross beside a yes or a tick means no, and beside a no yes."""
    crosses = {one.casefold() for one in answers if is_mark(one) and not is_tick(one)}
    says_yes = any(is_tick(one) or yes_or_no(one, default=None, languages=languages) for one in answers)
    return not crosses or (len(crosses) == 1 and not says_yes)


def _taken_out(rows: Sequence[Row], teams: Mapping[str, str], languages: Sequence[str]) -> list[str]:
    """On players whose lines were taken out although they must not be published."""
    return [
        f"{row.where} is taken out by its #, and with it the no under publish: this player may be named and shown"
        for row in rows
        if _is_comment(row, teams) and yes_or_no(row["publish"], default=None, languages=languages) is False
    ]


def _of_one_name(players: Sequence[Player]) -> list[str]:
    """On players of one name of whom one may be shown and the other not: they may be one person."""
    hidden = [player for player in players if not player.publish]
    return [
        f"lines {one.line} and {other.line} of the roster have one name, and only line {one.line} says publish: no; if "
        "that is one person, write no in both"
        for one in hidden
        for other in players
        if other.publish and same_name(one.name, other.name)
    ]


def _is_comment(row: Row, teams: Mapping[str, str]) -> bool:
    """An example, or a player taken out; #7 is a number, no team."""
    team = row["team"]
    return team.startswith("#") and not _shirt(team).isdecimal() and side_of(team, teams)[0] is None
