"""Reading the facts of a shoot: shoot.yaml, roster.csv and frames.csv, with everything that is wrong at once."""

from __future__ import annotations

import unicodedata
from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Literal

from pipeline.errors import InputError, Problem
from pipeline.formats.metadata.credits import Credits, Place, copied
from pipeline.shoot.eventfile import NOTHING_WRITTEN, EventFile, parse_event
from pipeline.shoot.facts import (
    FRAME_COLUMNS,
    INFO_COLUMNS,
    ROSTER_COLUMNS,
    SIDES,
    Facts,
    Player,
    Reference,
)
from pipeline.shoot.rows import Missing, folded, read_rows, side_of, unclear_frames
from pipeline.textfile.tables import FrameIndex, Table, read_table, yes_or_no
from pipeline.textfile.yamlfile import Document, load_yaml


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
    if len(set(map(folded, teams.values()))) < len(teams):
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
    rows, missing, unplaced = read_rows(frames, teams, players, index, problems)
    unclear = unclear_frames(frames, index)
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


def _roster(table: Table | None, teams: Mapping[str, str], problems: list[Problem]) -> tuple[Player, ...]:
    players: dict[tuple[str, str], Player] = {}
    for row in table.rows if table else ():
        wrong: list[str] = []
        side, why = side_of(row["team"], teams)
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
