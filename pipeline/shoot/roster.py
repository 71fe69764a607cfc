"""The players of roster.csv."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

from pipeline.errors import Problem
from pipeline.shoot.facts import ROSTER_COLUMNS, SIDES, Player, plain_digits
from pipeline.shoot.name_cell import as_in_a_list, names_in, without_no, wrong_name
from pipeline.shoot.names import LONGEST_NAME, same_name
from pipeline.shoot.rows import side_of
from pipeline.textfile.encodings import only_letters
from pipeline.textfile.tables import Row, Table, whole
from pipeline.textfile.yes_no import is_mark, is_tick, yes_or_no

EXAMPLE = "Who must not be published"  # a name in the line that shows how a no is written
_MERGED = "empty below a no, in a column that is filled in otherwise, as a no in merged cells is saved; write yes or no"
_TAKEN_OUT = (
    "{file}:{line} begins with #, but has a no under publish, which counts: the name is withheld, and frames that name "
    "this player are held back; delete the line if that is wrong"
)

_DOUBLED = (
    "line {line} of the roster has the team and the name of line {other}, which says publish: no, and no answer of its "
    "own: it counts as a no; if it is somebody else, write yes there"
)


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
    rows = _unlisted([row for row in every if not _is_comment(row, teams)])
    absent = table.absent if table else frozenset()
    some_empty = any(not row["publish"] for row in rows)
    marks_are_yes = not some_empty and _are_yes([row["publish"] for row in rows], languages)
    merged = _perhaps_merged(rows, languages)
    called = [*teams.values()]
    for row in rows:
        wrong: list[tuple[str, str]] = []
        side, why = side_of(row["team"], teams)
        number = _shirt(row["number"])
        name = without_no(row["name"], languages)
        publish = yes_or_no(row["publish"], default=True, languages=languages)
        if publish is None and is_mark(row["publish"]) and marks_are_yes:
            publish = True
        if side is None:
            wrong.append(("team", why))
        if not number.isdecimal():
            wrong.append(("number", f"{number or '(empty)'} is not a shirt number; write digits, such as 7"))
        if why := wrong_name(row["name"], name, answered=bool(row["publish"])):
            needless = not row["name"] and publish  # a no without a name stays: somebody is meant
            wrong.append(("name", f"{why}, or delete the line" if needless else why))
        if row.line in merged:
            publish = False
            wrong.append(("publish", _MERGED))
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
            named = names_in(row["name"], name, called)
            worn = re.findall(r"\d+", number) or [""]
            of = (side,) if side else SIDES
            others += [Player(*one, False, row.line, wrong=True) for one in product(of, worn, named)]
        elif side and not wrong and not absent:
            player = players[side, number] = Player(side, number, row["name"], bool(publish), row.line)
            spellings = row.others.get("name", ())
            if minors or not publish:
                others += [replace(player, name=one) for one in names_in(player.name, player.name, called)[1:]]
                others += [replace(player, name=one) for one in spellings if only_letters(one)]
            elif spellings and not example:
                example = f"line {row.line}: {player.name}"
        elif found and side and number.isdecimal():  # or each row that shows this player would be called wrong too
            others.append(Player(side, number, row["name"], False, row.line, wrong=True))
    if table and table.guess:
        example = example or f"line {table.guess}"
    taken_out = _taken_out(every, rows, teams, languages)
    for one in taken_out:
        players |= {key: replace(p, publish=False) for key, p in players.items() if same_name(p.name, one.name)}
    unanswered = {row.line for row in rows if not row["publish"]}
    doubled = _without_answer([*players.values()], unanswered)
    players |= {(one.team, one.number): replace(one, publish=False) for one, _ in doubled}
    lines_taken_out = dict.fromkeys(one.line for one in taken_out)
    notices = (
        *(_TAKEN_OUT.format(file=table.file if table else "", line=line) for line in lines_taken_out),
        *(_DOUBLED.format(line=one.line, other=other.line) for one, other in doubled),
        *_of_one_name([*players.values()]),
    )
    return Roster((*players.values(), *others, *taken_out), example, notices)


def _unlisted(rows: Sequence[Row]) -> list[Row]:
    """The rows without what a list has before each name, also as other code pages read it."""
    numbers = [_shirt(row["number"]) for row in rows]
    names = as_in_a_list([(row["name"], number) for row, number in zip(rows, numbers, strict=True)])
    found: list[Row] = []
    for row, number, name in zip(rows, numbers, names, strict=True):
        spellings = [(one, number) for one in row.others.get("name", ())] if name != row["name"] else []
        others = {**row.others, "name": tuple(as_in_a_list(spellings))} if spellings else row.others
        found.append(replace(row, cells={**row.cells, "name": name}, others=others))
    return found


def _shirt(written: str) -> str:
    """The number of a shirt in the digits 0 to 9, whatever the script's own are."""
    return whole(plain_digits(written).removeprefix("#"))


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
    """Whether the marks of a column can only mean yes: ticks do beside ticks and answers, and crosses of one kind where
    all others say no. Beside a yes or a tick a cross means no; alone, or beside what nobody understands, either."""
    crosses = {one.casefold() for one in answers if is_mark(one) and not is_tick(one)}
    others = {
        is_tick(one) or yes_or_no(one, default=None, languages=languages)
        for one in answers
        if is_tick(one) or not is_mark(one)
    }
    return not crosses or (len(crosses) == 1 and others == {False})


def _perhaps_merged(rows: Sequence[Row], languages: Sequence[str]) -> frozenset[int]:
    """Lines of empty answers right below a no, in a column that is filled in otherwise, mostly with yes: of merged
    cells only the first is saved with what stands in them. Where others are empty too, or few say yes, empty does."""
    answers = [yes_or_no(row["publish"], default=None, languages=languages) for row in rows]
    below, others, above = set[int](), set[int](), None
    for row, answer in zip(rows, answers, strict=True):
        above = answer if row["publish"] else above
        if not row["publish"]:
            (below if above is False else others).add(row.line)
    mostly_yes = 2 * answers.count(True) > len(answers)
    return frozenset(below) if mostly_yes and not others else frozenset()


def _taken_out(
    every: Sequence[Row], rows: Sequence[Row], teams: Mapping[str, str], languages: Sequence[str]
) -> list[Player]:
    """Those whose lines begin with # and say no: a # takes back no answer. Nobody of whom a line of `rows` says yes;
    under no number, which somebody else may have now."""
    allowed = [row["name"] for row in rows if yes_or_no(row["publish"], default=None, languages=languages)]
    found: list[Player] = []
    for row in every:
        if not _is_comment(row, teams):
            continue
        cells = [row[column] for column in ROSTER_COLUMNS]
        if not any(cells[1:]):  # the whole line is one cell
            cells = [cell.strip(' "') for cell in re.split("[,;\t]", cells[0])] + [""] * 3
        written, answer = cells[2:4]
        name = without_no(written, languages)
        says_yes = not answer or is_mark(answer) or yes_or_no(answer, default=None, languages=languages)
        if says_yes and not wrong_name(written, name, answered=bool(answer)):
            continue
        side, _ = side_of(cells[0].lstrip("# "), teams)
        is_player = name and written != EXAMPLE and (side or _shirt(cells[1]).isdecimal())
        if is_player and not any(same_name(name, one) for one in allowed):
            named = names_in(written, name, [*teams.values()])
            found += [Player(side or SIDES[0], "", one, False, row.line) for one in named]
    return found


def _without_answer(players: Sequence[Player], unanswered: Collection[int]) -> list[tuple[Player, Player]]:
    """(a player who has no answer of his own, one of the same team and name with publish: no): a shirt was changed."""
    hidden = [player for player in players if not player.publish]
    doubled = {
        one: other
        for one in players
        for other in hidden
        if one.publish and one.line in unanswered and one.team == other.team and same_name(one.name, other.name)
    }
    return [*doubled.items()]


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
