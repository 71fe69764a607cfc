"""Reading the facts of a shoot: shoot.yaml, roster.csv and frames.csv, with everything that is wrong at once."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Literal

from pipeline.errors import InputError, Problem
from pipeline.formats.metadata.credits import Credits, Place, copied
from pipeline.shoot.eventfile import NOTHING_WRITTEN, EventFile, box_of, parse_event
from pipeline.shoot.facts import (
    FRAME_COLUMNS,
    INFO_COLUMNS,
    ROSTER_COLUMNS,
    SIDES,
    Facts,
    FrameFacts,
    Player,
    Reference,
)
from pipeline.shoot.names import same_name
from pipeline.textfile.messages import did_you_mean
from pipeline.textfile.tables import FrameIndex, Row, Table, numbers, read_table, yes_or_no
from pipeline.textfile.yamlfile import Document, load_yaml

Missing = list[tuple[str, str]]


def load_facts(
    shoot: Path, facts_file: Path | None, frame_names: Collection[str], frames_file: Path | None = None
) -> tuple[Facts, list[Problem], Missing]:
    """Read the facts of a shoot, reporting everything that is wrong at once.

    shoot        the shoot folder; its shoot.yaml is used where `facts_file` is None, and may be absent
    frame_names  names of the frames in the folder
    frames_file  a table of frames to use instead of the one that the facts name

    Returns the facts, the problems that must stop a run, and (frame, reason) for each frame that
    frames.csv names and the folder does not hold, which need not stop it. Raises nothing itself.
    """
    problems: list[Problem] = []
    path = facts_file or shoot / "shoot.yaml"
    parsed, doc = NOTHING_WRITTEN, Document(str(path), {}, {}, {})
    if facts_file is not None or path.exists():
        try:
            doc = load_yaml(path, problems)
            parsed = parse_event(doc, problems)
        except InputError as error:
            problems += error.problems
    folders = (path.parent, shoot)
    index = FrameIndex(frame_names)
    teams = {side: name for side in SIDES if (name := getattr(parsed.teams, side))}
    if len(set(map(_folded, teams.values()))) < len(teams):
        message = "teams: both have the same name, so players cannot be told apart; change one"
        problems.append(doc.problem(("teams", "away"), message))
    before = len(problems)
    table = _table("roster", parsed, doc, folders, problems)
    readable = len(problems) == before
    roster = _roster(table, teams, problems)
    # An unreadable roster is one problem, not one for each player named in frames.csv.
    players = roster if readable else None
    if frames_file is not None:
        frames = read_table(frames_file, FRAME_COLUMNS, ("frame",), problems, ignored=INFO_COLUMNS)
    else:
        frames = _table("frames", parsed, doc, folders, problems)
    rows, missing, unplaced = _frames(frames, teams, players, index, problems)
    unclear = _unclear(frames, index)
    facts = Facts(
        title=parsed.title,
        country=parsed.country,
        language=parsed.language,
        teams=teams,
        start=datetime.fromisoformat(parsed.start) if parsed.start else None,
        roster=roster,
        rows=rows,
        references=_references(parsed, doc, index, problems),
        clocks=parsed.clocks,
        minors=parsed.minors,
        source_file=str(path) if doc.positions else "",
        frames_file=frames.file if frames else "",
        elsewhere=tuple(r for r in frames.rows if r["frame"] and index.find(r["frame"])[0] is None) if frames else (),
        unclear=unclear,
        unplaced=unplaced,
    )
    facts = copied(copied(facts, parsed, Credits), parsed, Place)
    return facts, sorted(set(problems)), missing


def _table(
    kind: Literal["roster", "frames"],
    parsed: EventFile,
    doc: Document,
    folders: tuple[Path, Path],
    problems: list[Problem],
) -> Table | None:
    """The table that the facts name, else roster.csv or frames.csv where there is one."""
    named: str | None = getattr(parsed, kind)
    places = [folder / (named or f"{kind}.csv") for folder in dict.fromkeys(folders)]
    path = next((p for p in places if p.is_file()), None)
    if path is None:
        if named:
            problem = doc.problem((kind,), f"{kind}: no file {named} beside the facts; check the name")
            problems.append(replace(problem, missing=kind))
        return None
    if kind == "roster":
        return read_table(path, ROSTER_COLUMNS, ("team", "number", "name"), problems)
    return read_table(path, FRAME_COLUMNS, ("frame",), problems, ignored=INFO_COLUMNS)


def _folded(name: str) -> str:
    return " ".join(name.split()).casefold()


def _side(written: str, teams: Mapping[str, str]) -> tuple[str | None, str]:
    """("home" or "away", "") or (None, why not)."""
    sides = {_folded(name): side for side, name in teams.items()} | {side: side for side in SIDES}
    if side := sides.get(_folded(written)):
        return side, ""
    known = [*SIDES, *teams.values()]
    return None, f"no team {written or '(empty)'}; write {' or '.join(known)}{did_you_mean(written, known)}"


def _roster(table: Table | None, teams: Mapping[str, str], problems: list[Problem]) -> tuple[Player, ...]:
    players: dict[tuple[str, str], Player] = {}
    for row in table.rows if table else ():
        wrong: list[str] = []
        side, why = _side(row["team"], teams)
        number = unicodedata.normalize("NFKC", row["number"]).removeprefix("#")  # also digits of full width
        publish = yes_or_no(row["publish"], default=True)
        if side is None:
            wrong.append(f"team: {why}")
        if not number.isdecimal():
            wrong.append(f"number: {number or '(empty)'} is not a shirt number; write digits, such as 7")
        if not row["name"]:
            wrong.append("name: empty; write the player's name")
        if publish is None:
            wrong.append(f"publish: {row['publish']} is neither yes nor no")
        if first := players.get((side or "", number)):
            here = f" as well as {row['name']} here" if row["name"] else ""
            wrong.append(f"{side} {number} is already on line {first.line}, {first.name}{here}; correct one")
        elif side and not wrong:
            players[side, number] = Player(side, number, row["name"], bool(publish), row.line)
        problems += [row.problem(message) for message in wrong]
    return tuple(players.values())


def _players(
    row: Row, teams: Mapping[str, str], roster: tuple[Player, ...] | None, wrong: list[str]
) -> tuple[tuple[str, str], ...]:
    found: list[tuple[str, str]] = []
    for part in filter(None, (p.strip() for p in re.split("[;,；、，]", row["players"]))):
        match = re.fullmatch(r"(.*\S)\s+#?(\d+)", unicodedata.normalize("NFKC", part))
        if match:
            side, why = _side(match[1], teams)
            player = (side, match[2]) if side else None
            if player and roster is not None and player not in {(p.team, p.number) for p in roster}:
                player, why = None, f"{side} {match[2]} is not in the roster; add or correct it"
        elif roster is None:
            continue
        else:
            player, why = _by_name(part, teams, roster)
        if player is None:
            wrong.append(f"players: {why}")
        elif player in found:
            wrong.append(f"players: {' '.join(player)} is named twice; leave one out")
        else:
            found.append(player)
    return tuple(found)


def _by_name(written: str, teams: Mapping[str, str], roster: tuple[Player, ...]) -> tuple[tuple[str, str] | None, str]:
    """((side, number), "") of "home Åse Holm", or (None, why not). An exact spelling wins over others."""
    sides = {_folded(name): side for side, name in teams.items()} | {side: side for side in SIDES}
    folded = _folded(written)
    before = max((name for name in sides if folded.startswith(f"{name} ")), key=len, default="")
    name = " ".join(written.split())
    if before:
        name = " ".join(name.split(" ")[len(before.split(" ")) :])
    there = [p for p in roster if not before or p.team == sides[before]]
    alike = [p for p in there if same_name(p.name, name)]
    exact = [p for p in alike if unicodedata.normalize("NFC", p.name) == unicodedata.normalize("NFC", name)]
    hits = exact or alike
    if len(hits) == 1:
        return (hits[0].team, hits[0].number), ""
    if hits:
        them = " or ".join(f"{p.team} {p.number} ({p.name}, line {p.line} of the roster)" for p in hits)
        return None, f"{written} may be {them}; write the number"
    if not before:
        return None, f"{written}: write a team and a number, or a name of the roster: home 7"
    return None, f"{name} is not in the roster of {before}{did_you_mean(name, [p.name for p in there])}"


def _frames(
    table: Table | None,
    teams: Mapping[str, str],
    roster: tuple[Player, ...] | None,
    index: FrameIndex,
    problems: list[Problem],
) -> tuple[dict[str, FrameFacts], Missing, tuple[str, ...]]:
    rows: dict[str, FrameFacts] = {}
    missing: Missing = []
    unplaced: list[str] = []
    for row in table.rows if table else ():
        wrong: list[str] = []
        name, why = index.find(row["frame"]) if row["frame"] else (None, "")
        always = row["keep"].casefold() == "always"
        keep = True if always else yes_or_no(row["keep"], default=True)
        rating = int(row["rating"]) if re.fullmatch(r"-1|[0-5]", row["rating"]) else None
        crop = box_of(numbers(row["crop"]))
        if not row["frame"]:
            wrong.append("frame: empty; write the frame's name")
        elif name is not None and name in rows:
            wrong.append(f"frame: {name} is already on line {rows[name].line}; leave one of the two out")
        if keep is None:
            wrong.append(f"keep: {row['keep']} is neither yes, no nor always")
        if row["rating"] and rating is None:
            wrong.append(f"rating: {row['rating']} is not a rating; write a whole number from -1 to 5")
        if row["crop"] and crop is None:
            wrong.append(f"crop: {row['crop']} is not a crop; write x0 y0 x1 y1, each from 0 to 1, x0 < x1 and y0 < y1")
        players = _players(row, teams, roster, wrong)
        if row["frame"] and name is None:
            if index.candidates(row["frame"]):
                why += "; until then all of them are held back"
            elif any((player.team, player.number) in players and not player.publish for player in roster or ()):
                why += "; it shows a player whose roster line says publish: no: the frame it means is not held back"
                unplaced.append(row.where)
            missing.append((row["frame"], f"{row.where}: {why}"))
        if name is not None and not wrong:
            rows[name] = FrameFacts(bool(keep), rating, players, row["words"], crop, row.line, always)
        problems += [row.problem(message) for message in wrong]
    return rows, missing, tuple(unplaced)


def _unclear(table: Table | None, index: FrameIndex) -> dict[str, str]:
    """Frame -> why it is held back: a row may mean it or another, and what that row forbids must not be delivered."""
    unclear: dict[str, str] = {}
    for row in table.rows if table else ():
        if row["frame"] and index.find(row["frame"])[0] is None:
            for name in index.candidates(row["frame"]):
                unclear[name] = (
                    f"line {row.line} of frames.csv may mean it or another frame; write the whole name there"
                )
    return unclear


def _references(parsed: EventFile, doc: Document, index: FrameIndex, problems: list[Problem]) -> tuple[Reference, ...]:
    references: list[Reference] = []
    for number, given in enumerate(parsed.references):
        name, why = index.find(given.frame)
        where = ("references", number)
        if name is None:
            problems.append(doc.problem((*where, "frame"), f"references: {why}"))
        elif given.patch is None and given.chart is None:
            problems.append(doc.problem(where, "references: say where the neutral is: add patch: or chart:"))
        else:
            references.append(Reference(name, given.patch, given.chart, given.end))
    return tuple(references)
