"""The rows of frames.csv: the frame that each means, and what the person wrote about it."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from pipeline.errors import Problem
from pipeline.shoot.clocks.row_times import put_in_doubt
from pipeline.shoot.eventfile import box_of
from pipeline.shoot.facts import CROP_OF, FRAME_COLUMNS, MARKS, SIDES, FrameFacts, Player, plain_digits
from pipeline.shoot.frame_names import FrameIndex, Meant, row_digest
from pipeline.shoot.listed.numbers import numbered
from pipeline.shoot.names import hints_at, holds_any, same_name
from pipeline.store.files import folded
from pipeline.store.keys import digest_json
from pipeline.textfile.messages import and_more, did_you_mean
from pipeline.textfile.tables import SAVE_AS, Row, Table, numbers, whole
from pipeline.textfile.yes_no import yes_or_no

Missing = list[tuple[str, str]]
_RENAMED = (
    "line {line} of frames.csv may mean it or another frame: by frame it is the one, by time the other; correct one of "
    "the two there"
)
_RENUMBERED = (
    "line {line} of frames.csv showed, in an earlier run, a player who must not be published, and the roster has "
    "another under that number now; write there by name who is in it"
)


def team_key(name: str) -> str:
    """The name of a team, however it is capitalised, spaced and composed of letters and accents."""
    return folded(" ".join(name.split()))


def side_of(written: str, teams: Mapping[str, str]) -> tuple[str | None, str]:
    """("home" or "away", "") or (None, why not)."""
    sides = {team_key(name): side for side, name in teams.items()} | {side: side for side in SIDES}
    if side := sides.get(team_key(written)):
        return side, ""
    known = [*SIDES, *teams.values()]
    return None, f"no team {written or '(empty)'}; write {' or '.join(known)}{did_you_mean(written, known)}"


def players_written(row: Row) -> list[str]:
    """The cell `players`, one entry for each player."""
    return entries(row["players"])


def entries(text: str) -> list[str]:
    """What a person wrote one after the other, with semicolons or commas of any script between."""
    return [part for p in re.split("[;,；、，]", text) if (part := p.strip())]


def players_of(
    written: Sequence[str], teams: Mapping[str, str], roster: tuple[Player, ...] | None, wrong: list[str]
) -> tuple[tuple[str, str], ...]:
    """(side, number) of each player whom a person wrote as "home 7" or by name; what cannot be read goes to `wrong`.

    roster  None where it cannot be read: then names are passed over
    """
    found: list[tuple[str, str]] = []
    for part in written:
        match = re.fullmatch(r"(.*\S)\s+#?(\d+)", plain_digits(part))
        if match:
            side, why = side_of(match[1], teams)
            player = (side, match[2]) if side else None
            if not side:
                why = _run_together(part, teams) or why
            if player and roster is not None and player not in {(p.team, p.number) for p in roster}:
                player, why = None, f"{side} {match[2]} is not in the roster; add or correct it"
        elif roster is None:
            continue
        else:
            player, why = _by_name(part, teams, roster)
        if player is None:
            wrong.append(why)
        elif player in found:
            wrong.append(f"{' '.join(player)} is named twice; leave one out")
        else:
            found.append(player)
    return tuple(found)


def _run_together(written: str, teams: Mapping[str, str]) -> str:
    """What to write for "home 7 away 12", players with nothing between them; "" where it is not that."""
    several: list[tuple[str, str]] = re.findall(r"(\S.*?)\s+#?(\d+)(?!\S)", plain_digits(written))
    if len(several) < 2 or not all(side_of(team, teams)[0] for team, _ in several):
        return ""
    return f"{written}: write a semicolon between players: {'; '.join(f'{team} {n}' for team, n in several)}"


def _by_name(written: str, teams: Mapping[str, str], roster: tuple[Player, ...]) -> tuple[tuple[str, str] | None, str]:
    """((side, number), "") of "home Åse Holm", or (None, why not). An exact spelling wins over others."""
    sides = {team_key(name): side for side, name in teams.items()} | {side: side for side in SIDES}
    text = team_key(written)
    before = max((name for name in sides if text.startswith(f"{name} ")), key=len, default="")
    name = " ".join(written.split())
    if before:
        name = " ".join(name.split(" ")[len(before.split(" ")) :])
    there = [p for p in roster if not before or p.team == sides[before]]
    alike = [p for p in there if same_name(p.name, name)]
    exact = [p for p in alike if unicodedata.normalize("NFC", p.name) == unicodedata.normalize("NFC", name)]
    hits = list({(p.team, p.number): p for p in exact or alike}.values())
    if len(hits) == 1:
        return (hits[0].team, hits[0].number), ""
    if hits:
        them = " or ".join(f"{p.team} {p.number} ({p.name}, line {p.line} of the roster)" for p in hits)
        return None, f"{written} may be {them}; write the number"
    if not before:
        return None, f"{written}: write a team and a number, or a name of the roster: home 7"
    return None, f"{name} is not in the roster of {before}{did_you_mean(name, [p.name for p in there])}"


@dataclass(frozen=True)
class Rows:
    """What the rows of frames.csv say.

    facts     frame name -> what the person wrote
    missing   (frame, reason) of each row that means no frame for certain; never called like a frame that is there
    elsewhere these rows
    unplaced  where the rows stand that fit no frame and show a player who must not be published
    unclear   frame name -> why it is held back: a row may mean it or another, and what that row forbids must not be
              delivered
    meant     digest of a row -> the frame that it means
    unnamed   frames that no row means, where somebody has filled in the table
    as_before  what to say of rows that mean one of several frames because they did in an earlier run; "" for none
    shown     what rows say of who is in their frames -> whom they show by that, see `_shown_by`
    """

    facts: Mapping[str, FrameFacts]
    missing: Missing
    elsewhere: tuple[Row, ...]
    unplaced: tuple[str, ...]
    unclear: Mapping[str, str]
    meant: Mapping[str, str]
    unnamed: tuple[str, ...]
    as_before: str
    shown: Mapping[str, tuple[str, ...]]


def read_rows(
    table: Table | None,
    teams: Mapping[str, str],
    roster: tuple[Player, ...] | None,
    index: FrameIndex,
    problems: list[Problem],
    languages: Sequence[str] = (),
    minors: bool = False,
) -> Rows:
    """Read the rows of frames.csv; `roster` is None where it cannot be read. What is wrong is added to `problems`.

    languages  in which keep may be answered, besides English; minors  whether no name of the shoot is published
    """
    hidden = withheld_names(roster, minors)
    rows: dict[str, FrameFacts] = {}
    missing: Missing = []
    elsewhere: list[Row] = []
    unplaced: list[str] = []
    unclear: dict[str, str] = {}
    first: dict[str, Row] = {}
    shown: dict[str, tuple[str, ...]] = {}
    by_name = [(row, _meaning(row, index)) for row in (table.rows if table else ())]
    meanings = put_in_doubt(by_name, index)
    in_doubt = {row.line for (row, before), (_, now) in zip(by_name, meanings, strict=True) if now is not before}
    certain = {meant.name for _, meant in meanings}
    for row, meant in meanings:
        wrong: list[str] = []
        name = meant.name
        may = [one for one in meant.may if meant.sure or one not in certain]
        if name is None and may and not _typed(row):
            continue  # it forbids nothing: no night is held back for a table that nobody has filled in
        if not row["frame"]:
            wrong.append("frame: empty; write the frame's name")
        elif name is not None and name in rows and not _says_nothing_more(row, first[name]):
            wrong.append(f"frame: {name} is already on line {rows[name].line}; leave one of the two out")
        facts = read_row(row, teams, roster, languages, hidden, wrong)
        if row["frame"] and name is None:
            why, said = meant.why, _RENAMED if row.line in in_doubt else _UNCLEAR
            shows = _shows_withheld(facts, roster or ())
            forbids = shows or wrong or not facts.keep
            if forbids and (more := [one for one in _several(row["frame"], index) if one not in may]):
                may, said = sorted([*may, *more]), _SEVERAL
                why += f"; it seems to mean {and_more(may)}: write a row for each"
            if may:
                why += f"; until then {'all of them are' if len(may) > 1 else 'it is'} held back"
                unclear |= {one: said.format(line=row.line) for one in may}
            else:
                why = why if meant.sure else f"no frame {row['frame']} in the shoot folder"
                if shows:
                    why += "; it shows a player whose roster line says publish: no: the frame it means is not held back"
                    unplaced.append(row.where)
            called = row["frame"] if row["frame"] not in index.frames else f"{row['frame']} (line {row.line})"
            missing.append((called, f"{row.where}: {why}"))
            elsewhere.append(row)
        if name is not None and facts.players and roster:
            key, now = _shown_by(row, name, facts, roster)
            before = index.shown.get(key, ())
            if _renumbered(before, roster):
                unclear[name], now = _RENUMBERED.format(line=row.line), before
            shown[key] = now
        if name is not None and (name not in rows or not _typed(first[name])):
            rows[name], first[name] = facts, row  # also of a row with a wrong cell: its frame is held, or all stops
        problems += [replace(row.problem(message), frame=name or "") for message in wrong]
    means = {row_digest(row): meant.name for row, meant in meanings if meant.name is not None}
    begun = any(_typed(row) for row, _ in meanings)
    named = {*certain, *unclear}
    unnamed = tuple(name for name in index.frames if name not in named) if begun else ()
    return Rows(rows, missing, tuple(elsewhere), tuple(unplaced), unclear, means, unnamed, _as_before(meanings), shown)


def read_row(
    row: Row,
    teams: Mapping[str, str],
    roster: tuple[Player, ...] | None,
    languages: Sequence[str],
    hidden: tuple[str, ...],
    wrong: list[str],
) -> FrameFacts:
    """What a row says of the frame that it means; what is wrong goes to `wrong`. hidden  names that are withheld"""
    return replace(_facts_of(row, teams, roster, languages, wrong), unclear=_unsure_words(row, hidden))


def withheld_names(roster: tuple[Player, ...] | None, minors: bool) -> tuple[str, ...]:
    """The names that must not appear."""
    return tuple(player.name for player in roster or () if minors or not player.publish)


_UNCLEAR = "line {line} of frames.csv may mean it or another frame; write the whole name there"


_SEVERAL = "line {line} of frames.csv seems to mean it and other frames; write a row for each there"


def _shows_withheld(facts: FrameFacts, roster: Sequence[Player]) -> bool:
    """Whether a row names a player with publish: no, under players or in its words."""
    hidden = [one for one in roster if not one.publish]
    if any((one.team, one.number) in facts.players for one in hidden):
        return True
    return any(hints_at(facts.words, one.name) for one in hidden)


def _several(written: str, index: FrameIndex) -> list[str]:
    """The frames that somebody put into one cell, or meant by their numbers: "TH1_0002, TH1_0005", "TH1_0002-TH1_0005",
    "TH1_0002 to 5", "0002"; none for one name, which is known or is not."""
    found: list[str] = []
    parts = [part for part in re.split(r"[,;，；、&+\s]+", written) if part]
    for part in parts if len(parts) > 1 else ():
        found += index.candidates(part)
    found += numbered(written, index.names)
    return sorted(dict.fromkeys(found))


def _as_before(meanings: Sequence[tuple[Row, Meant]]) -> str:
    said = [(row["frame"], meant.as_before) for row, meant in meanings if meant.as_before]
    if not said:
        return ""
    names = and_more([name for name, _ in said])
    return (
        f"frames.csv: {names} may mean frames of several cards and mean those that they meant in the last run: "
        f"{said[0][1]}; write the whole name if that is wrong"
    )


def _typed(row: Row) -> bool:
    return any(row[column] for column in (*FRAME_COLUMNS[1:], *crop_columns(row), MARKS))


def crop_columns(row: Row) -> dict[str, str]:
    """Columns with the crop of one delivery in which something is written -> the delivery, in alphabetical order."""
    found = {column: column.removeprefix(CROP_OF).strip() for column in row.cells if column.startswith(CROP_OF)}
    return {column: delivery for column, delivery in sorted(found.items()) if delivery and row[column]}


def _says_nothing_more(row: Row, first: Row) -> bool:
    """Whether two rows of one frame, by two of its files, are no contradiction: nobody wrote into one of them."""
    by_two_files = folded(row["frame"]) != folded(first["frame"]) or row["file"] != first["file"]
    return by_two_files and not (_typed(row) and _typed(first))


def _meaning(row: Row, index: FrameIndex) -> Meant:
    """The frame of a row, also where another likely code page spells its name."""
    if not row["frame"]:
        return Meant(None, "", ())
    meant = index.of_row(row)
    others = (index.of_row(replace(row, cells={**row.cells, "frame": name})) for name in row.others.get("frame", ()))
    return meant if meant.may else next((other for other in others if other.may), meant)


def _unsure_words(row: Row, hidden: tuple[str, ...]) -> str:
    """Why the frame is held back where the words of its row, read in another likely code page, may name one of those
    who are withheld; "" where they do not."""
    for words in row.others.get("words", ()):
        if holds_any(words, hidden) or any(hints_at(words, name) for name in hidden):
            return (
                f"its words in line {row.line} may name a player who is withheld, if the code page of the table is "
                f"another; {SAVE_AS}"
            )
    return ""


def _facts_of(
    row: Row,
    teams: Mapping[str, str],
    roster: tuple[Player, ...] | None,
    languages: Sequence[str],
    wrong: list[str],
) -> FrameFacts:
    always = row["keep"].casefold() == "always"
    keep = True if always else yes_or_no(row["keep"], default=True, languages=languages)
    rating = int(whole(row["rating"])) if re.fullmatch(r"-1|[0-5]", whole(row["rating"])) else None
    boxes = {column: box_of(numbers(row[column], 4)) for column in ("crop", *crop_columns(row))}
    if keep is None:
        wrong.append(f"keep: {row['keep']} is neither yes, no nor always")
    if row["rating"] and rating is None:
        wrong.append(f"rating: {row['rating']} is not a rating; write a whole number from -1 to 5")
    for column, box in boxes.items():
        if row[column] and box is None:
            means = f"{row[column]} is not a crop; write x0 y0 x1 y1, each from 0 to 1, x0 < x1 and y0 < y1"
            wrong.append(f"{column}: {means}")
    unknown: list[str] = []
    players = players_of(players_written(row), teams, roster, unknown)
    wrong += [f"players: {why}" for why in unknown]
    crops = tuple((of, box) for column, of in crop_columns(row).items() if (box := boxes[column]) is not None)
    marks = tuple(entries(row[MARKS]))
    return FrameFacts(
        keep is not False, rating, players, row["words"], boxes["crop"], row.line, always, crops=crops, marks=marks
    )


# ---- rows whose players are others than when they were written ----------------------------------------------------


def _shown_by(row: Row, frame: str, facts: FrameFacts, roster: Sequence[Player]) -> tuple[str, tuple[str, ...]]:
    """(what a row says of who is in its frame, whom it shows by that and whether they may be), names as digests."""
    there = (one for one in roster if (one.team, one.number) in facts.players)
    shown = (f"{one.team} {one.number} {_digest(one)} {'yes' if one.publish else 'no'}" for one in there)
    return digest_json([frame, row["players"]]), tuple(shown)


def _renumbered(before: Sequence[str], roster: Sequence[Player]) -> bool:
    """Whether somebody else, who may be shown, has the number of one of those whom a row showed `before`, and who was
    withheld then or is now."""
    hidden = {_digest(one) for one in roster if not one.publish}
    free = {f"{one.team} {one.number}": _digest(one) for one in roster if one.publish}
    for said in before:
        number, digest, publish = said.rsplit(" ", 2)
        if free.get(number, digest) != digest and (publish == "no" or digest in hidden):
            return True
    return False


def _digest(player: Player) -> str:
    return digest_json([folded(" ".join(player.name.split()))])
