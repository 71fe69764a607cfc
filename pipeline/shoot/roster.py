"""The players of roster.csv."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from pipeline.errors import Problem
from pipeline.shoot.facts import SIDES, Player
from pipeline.shoot.names import LONGEST_NAME
from pipeline.shoot.rows import side_of
from pipeline.textfile.encodings import only_letters
from pipeline.textfile.tables import Row, Table, whole
from pipeline.textfile.yes_no import is_mark, yes_or_no


@dataclass(frozen=True)
class Roster:
    """The players of the table, in its order, and after them other spellings of names that are withheld.

    example  a line whose letters show whether the table was read right, with its name where that is published;
             "" where nothing was guessed
    """

    players: tuple[Player, ...] = ()
    example: str = ""


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
    rows = [row for row in (table.rows if table else ()) if not _is_comment(row, teams)]
    absent = table.absent if table else frozenset()
    some_empty = any(not row["publish"] for row in rows)
    for row in rows:
        wrong: list[tuple[str, str]] = []
        side, why = side_of(row["team"], teams)
        number = whole(unicodedata.normalize("NFKC", row["number"]).removeprefix("#"))  # also digits of full width
        publish = yes_or_no(row["publish"], default=True, languages=languages)
        if publish is None and is_mark(row["publish"]) and not some_empty:
            publish = True
        if side is None:
            wrong.append(("team", why))
        if not number.isdecimal():
            wrong.append(("number", f"{number or '(empty)'} is not a shirt number; write digits, such as 7"))
        if not row["name"]:
            wrong.append(("name", "empty; write the player's name"))
        elif len(row["name"]) > LONGEST_NAME:
            wrong.append(("name", f"longer than {LONGEST_NAME} letters; write the player's name only"))
        if publish is None:
            unclear = is_mark(row["publish"])
            means = "may mean yes or no beside empty cells; write yes or no" if unclear else "is neither yes nor no"
            wrong.append(("publish", f"{row['publish']} {means}"))
        wrong = [(column, message) for column, message in wrong if column not in absent]
        # Beside empty cells nobody knows what these mean: "ok" in some may say that all others must not be shown.
        unclear = publish is None and (is_mark(row["publish"]) or some_empty)
        is_known = not absent and not unclear and (publish is True or 0 < len(row["name"]) <= LONGEST_NAME)
        found = [row.problem(f"{column}: {message}", column) for column, message in wrong]
        if first := players.get((side or "", number)):
            here = f" as well as {row['name']} here" if row["name"] else ""
            message = f"{side} {number} is already on line {first.line}, {first.name}{here}; correct one"
            found.append(row.problem(message, "number"))
        problems += [replace(problem, withheld=is_known) for problem in found]
        if found and is_known:
            name = row["name"] if len(row["name"]) <= LONGEST_NAME else ""
            number = number if number.isdecimal() else ""
            others += [Player(one, number, name, False, row.line) for one in ((side,) if side else SIDES)]
        elif side and not wrong and not absent:
            player = players[side, number] = Player(side, number, row["name"], bool(publish), row.line)
            spellings = row.others.get("name", ())
            if minors or not publish:
                others += [replace(player, name=name) for name in spellings if only_letters(name)]
            elif spellings and not example:
                example = f"line {row.line}: {player.name}"
    if table and table.guess:
        example = example or f"line {table.guess}"
    return Roster((*players.values(), *others), example)


def _is_comment(row: Row, teams: Mapping[str, str]) -> bool:
    """An example, or a player taken out; #7 is a number, no team."""
    return row["team"].startswith("#") and side_of(row["team"], teams)[0] is None
