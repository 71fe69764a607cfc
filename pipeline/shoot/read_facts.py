"""Reading the facts of a shoot: shoot.yaml, roster.csv and frames.csv, with everything that is wrong at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Literal

from pipeline.errors import InputError, Problem
from pipeline.formats.metadata.credits import Credits, Place, copied
from pipeline.shoot.countries import languages_of
from pipeline.shoot.eventfile import NOTHING_WRITTEN, EventFile, parse_event
from pipeline.shoot.facts import (
    CROP_OF,
    FRAME_COLUMNS,
    INFO_COLUMNS,
    MARKS,
    ROSTER_COLUMNS,
    SIDES,
    Facts,
    Player,
    Reference,
)
from pipeline.shoot.frame_names import FrameIndex
from pipeline.shoot.misnamed import changed_later, not_read, rosters
from pipeline.shoot.names import same_name
from pipeline.shoot.roster import read_roster
from pipeline.shoot.rows import Missing, Rows, players_written, read_rows, team_key
from pipeline.textfile.messages import counted, shown
from pipeline.textfile.reading import is_there, refused
from pipeline.textfile.tables import PLAIN, SAVE_AS, Table, read_table
from pipeline.textfile.yamlfile import Document, load_yaml

EVENT_FILE, ROSTER_FILE, FRAMES_FILE = "shoot.yaml", "roster.csv", "frames.csv"
FACTS_FILES = (EVENT_FILE, ROSTER_FILE, FRAMES_FILE)


@dataclass(frozen=True)
class FactsPlace:
    """Where the facts of a shoot are.

    event    its shoot.yaml, None where there is none
    folders  where roster.csv and frames.csv are looked for; the first that holds one wins
    notices  which file is used where two places hold one
    """

    event: Path | None
    folders: tuple[Path, ...]
    notices: tuple[str, ...] = ()


def facts_place(shoot: Path, given: Path | None) -> FactsPlace:
    """What --facts means: `given` is a shoot.yaml, a folder of FACTS_FILES, any of which may be missing, or None.

    What the folder does not hold is looked for in the shoot folder, `shoot`. Raises InputError where `given` is not
    there, is a file of another kind, or holds none of the files.
    """
    if given is None:
        return FactsPlace(_file_in(EVENT_FILE, (shoot,)), (shoot,))
    if given.is_dir():
        if not any(is_there(given / name) for name in FACTS_FILES):
            message = (
                f"holds none of {', '.join(FACTS_FILES)}; write them with: evencourt prepare {shoot} --facts {given}"
            )
            raise refused(given, 0, message)
        folders = _distinct(given, shoot)
        return FactsPlace(_file_in(EVENT_FILE, folders), folders, tuple(_notices(EVENT_FILE, folders)))
    if not is_there(given):
        raise refused(given, 0, "cannot be read: there is no such file or folder; give shoot.yaml or its folder")
    if given.suffix.lower() not in (".yaml", ".yml"):
        raise refused(given, 0, "is no shoot.yaml; give that file, or the folder that holds it, to --facts")
    return FactsPlace(given, _distinct(given.parent, shoot))


def _file_in(name: str, folders: tuple[Path, ...]) -> Path | None:
    """The file of that name in the first folder that holds one, also where it cannot be read, which is then said."""
    return next((folder / name for folder in folders if is_there(folder / name)), None)


def _distinct(first: Path, second: Path) -> tuple[Path, ...]:
    return (first,) if first.resolve() == second.resolve() else (first, second)


def _notices(name: str, folders: tuple[Path, ...]) -> list[str]:
    """Says so where two folders hold a file of that name, so that nobody edits the one that is not read."""
    there = [folder / name for folder in folders if is_there(folder / name)]
    return [f"{there[0]} is used; {there[1]} is not read"] if len(there) > 1 else []


def named_tables(shoot: Path, given: Path | None) -> frozenset[Path]:
    """Where the tables are looked for that shoot.yaml names; none where it cannot be read. Arguments of facts_place."""
    try:
        place = facts_place(shoot, given)
        parsed = NOTHING_WRITTEN if place.event is None else parse_event(load_yaml(place.event, []), [])
    except InputError:
        return frozenset()
    return frozenset(folder / name for folder in place.folders for name in (parsed.roster, parsed.frames) if name)


def load_facts(
    shoot: Path,
    facts_file: Path | None,
    index: FrameIndex,
    frames_file: Path | None = None,
    known: Facts | None = None,
) -> tuple[Facts, list[Problem], Missing]:
    """Read the facts of a shoot, reporting everything that is wrong at once.

    shoot        the shoot folder
    facts_file   a shoot.yaml or a folder of facts, None for those in the shoot folder; see facts_place
    index        of the frames in the folder
    frames_file  a table of frames to use instead of the one that the facts name
    known        facts as they were read before, of whose table of frames nothing has changed: it is not read again

    Returns the facts, the problems that must stop a run, and (frame, reason) for each frame that
    frames.csv names and the folder does not hold, which need not stop it. Raises nothing itself.
    """
    problems: list[Problem] = []
    parsed, doc = NOTHING_WRITTEN, Document(str(shoot / EVENT_FILE), {}, {}, {})
    try:
        place = facts_place(shoot, facts_file)
        if place.event is not None:
            doc = load_yaml(place.event, problems)
            parsed = parse_event(doc, problems)
        else:
            problems += not_read(EVENT_FILE, place.folders)
    except InputError as error:  # the tables need its teams; and it may say minors: true
        return Facts(minors=True), sorted({*problems, *error.problems}), []
    notices = list(place.notices)
    before = len(problems)
    teams, listed, readable = load_players(parsed, doc, place.folders, problems, notices)
    nobody = not listed and len(problems) == before
    languages = languages_of(parsed.language, parsed.country)
    roster, minors = _with_unread(parsed, listed, place, teams, notices)
    # A roster that cannot be read, or is not there, is one problem, not one for each player named in frames.csv.
    doubtful = {problem.line for problem in problems if problem.withheld}
    players = roster if readable and any(player.line not in doubtful for player in listed) else None
    frames: Table | None = None
    if known is not None:
        pass
    elif frames_file is not None:
        frames = frames_table(frames_file, problems, languages)
    else:
        frames = _table("frames", parsed, doc, place.folders, problems, notices)
    notices += _said(frames, f"line {frames.guess}" if frames and frames.guess else "")
    rows = _rows_of(known) if known else read_rows(frames, teams, players, index, problems, languages, minors)
    if nobody and frames:
        problems += _without_roster(frames, _file_in(parsed.roster or ROSTER_FILE, place.folders))
    notices += [rows.as_before] if rows.as_before else []
    problems += frames.doubts(problems) if frames else []
    facts = Facts(
        title=parsed.title,
        country=parsed.country,
        language=parsed.language,
        teams=teams,
        start=datetime.fromisoformat(parsed.start) if parsed.start else None,
        roster=roster,
        rows=rows.facts,
        references=_references(parsed, doc, index, problems, notices),
        clocks=parsed.clocks,
        minors=minors,
        source_file=doc.file if doc.positions else "",
        roster_file=str(_file_in(parsed.roster or ROSTER_FILE, place.folders) or ""),
        frames_file=known.frames_file if known else frames.file if frames else "",
        elsewhere=rows.elsewhere,
        unclear=rows.unclear,
        meant=rows.meant,
        shown=rows.shown,
        unnamed=rows.unnamed,
        unplaced=rows.unplaced,
        notices=tuple(notices),
        hall=parsed.hall,
    )
    facts = copied(copied(facts, parsed, Credits), parsed, Place)
    return facts, sorted(set(problems)), rows.missing


def _rows_of(known: Facts) -> Rows:
    of = known
    return Rows(of.rows, [], of.elsewhere, of.unplaced, of.unclear, of.meant, of.unnamed, "", of.shown)


def written_names(shoot: Path, facts_file: Path | None) -> dict[str, str]:
    """Path of a frame's file -> the frame's name, as the frames.csv of the facts has them in `frame` and `file`.

    What is wrong with the files is said by load_facts, and left out here.
    """
    ignored: list[Problem] = []
    try:
        place = facts_place(shoot, facts_file)
        doc = Document("", {}, {}, {}) if place.event is None else load_yaml(place.event, ignored)
        table = _table("frames", parse_event(doc, ignored), doc, place.folders, ignored, [])
    except InputError:
        return {}
    return {row["file"].replace("\\", "/"): row["frame"] for row in (table.rows if table else ()) if row["file"]}


def load_players(
    parsed: EventFile, doc: Document, folders: tuple[Path, ...], problems: list[Problem], notices: list[str]
) -> tuple[dict[str, str], tuple[Player, ...], bool]:
    """("home" and "away" -> the team's name, the players of the roster, whether it could be read as a table).

    parsed, doc  the shoot.yaml that may name the roster; folders  see FactsPlace. What is wrong goes to `problems`.
    """
    teams = {side: name for side in SIDES if (name := getattr(parsed.teams, side))}
    if len(set(map(team_key, teams.values()))) < len(teams):
        message = "teams: both have the same name, so players cannot be told apart; change one"
        problems.append(doc.problem(("teams", "away"), message))
    before = len(problems)
    table = _table("roster", parsed, doc, folders, problems, notices)
    readable = len(problems) == before
    unsaid = readable and table is not None and "publish" not in table.columns
    roster = read_roster(table, teams, parsed.minors, languages_of(parsed.language, parsed.country), problems)
    problems += table.doubts(problems) if table else []
    notices += [*_said(table, roster.example), *roster.notices]
    if table is not None and not roster.players and not parsed.roster:
        problems += not_read(ROSTER_FILE, folders)
    if unsaid and table and roster.players:
        may = "shown" if parsed.minors else "named and shown"
        notices.append(f"{Path(table.file).name} has no column publish: every player may be {may}")
    return teams, roster.players, readable


def _table(
    kind: Literal["roster", "frames"],
    parsed: EventFile,
    doc: Document,
    folders: tuple[Path, ...],
    problems: list[Problem],
    notices: list[str],
) -> Table | None:
    """The table that the facts name, else roster.csv or frames.csv where there is one."""
    named: str | None = getattr(parsed, kind)
    name = named or (ROSTER_FILE if kind == "roster" else FRAMES_FILE)
    notices += _notices(name, folders)
    path = _file_in(name, folders)
    if path is None:
        if named:
            problem = doc.problem((kind,), f"{kind}: no file {named} beside the facts; check the name")
            problems.append(replace(problem, missing=kind))
        else:
            problems += not_read(name, folders)
        return None
    notices += changed_later(path, folders)
    languages = languages_of(parsed.language, parsed.country)
    if kind == "roster":
        return read_table(path, ROSTER_COLUMNS, ("team", "number", "name"), problems, languages=languages)
    return frames_table(path, problems, languages)


def frames_table(path: Path, problems: list[Problem], languages: Sequence[str]) -> Table | None:
    """A table of frames; what is wrong goes to `problems`. None where nothing can be read."""
    return read_table(path, FRAME_COLUMNS, ("frame",), problems, (*INFO_COLUMNS, MARKS), languages, (CROP_OF,))


def _without_roster(frames: Table, roster: Path | None) -> list[Problem]:
    """That players are named in a table of frames, and no table says who they are; `roster` is one without players."""
    naming = [row for row in frames.rows if players_written(row)]
    if not naming:
        return []
    lacking = f"{roster.name} has no players" if roster else f"there is no {ROSTER_FILE}"
    rows, player = counted(len(naming), "row"), shown(players_written(naming[0])[0])
    message = (
        f"players: {lacking}, so {player} names nobody ({rows} with players): "
        f"write one line for each player under {','.join(ROSTER_COLUMNS)}"
    )
    return [naming[0].problem(message)]


def _with_unread(
    parsed: EventFile, roster: tuple[Player, ...], place: FactsPlace, teams: Mapping[str, str], notices: list[str]
) -> tuple[tuple[Player, ...], bool]:
    """The players, and whether the shoot is of minors, with what facts beside the frames forbid that are not read
    because others take their place: only a person knows which is right, and a published name cannot be taken back."""
    minors = parsed.minors
    used = _file_in(parsed.roster or ROSTER_FILE, place.folders)
    for folder in place.folders:
        for table in sorted({folder / (parsed.roster or ROSTER_FILE), *rosters(folder)} - {used}):
            wrong: list[Problem] = []
            if is_there(table):
                languages = languages_of(parsed.language, parsed.country)
                read = read_table(table, ROSTER_COLUMNS, ("team", "number", "name"), wrong, languages=languages)
                there = read_roster(read, teams, minors, languages, wrong).players
                roster = _also_withheld(roster, [p for p in there if not p.publish], table, notices)
            if wrong:
                notices.append(f"{table} cannot be read in full, and may say publish: no; correct it, or take it away")
        event = folder / EVENT_FILE
        if folder != place.folders[0] and is_there(event) and event != place.event and not minors:
            wrong = []
            minors = parse_event(load_yaml(event, wrong), wrong).minors
            notices += [f"{event} {'may say' if wrong else 'says'} minors: true, which counts too"] if minors else []
    return roster, minors


def _also_withheld(
    roster: tuple[Player, ...], withheld: Sequence[Player], table: Path, notices: list[str]
) -> tuple[Player, ...]:
    """The players, without the permission of those whom another table withholds."""
    more: list[Player] = []
    for player in withheld:
        same = [p for p in roster if same_name(p.name, player.name)]
        if same and not any(p.publish for p in same):
            continue
        notices.append(f"{table}:{player.line} says publish: no, which counts too")
        roster = tuple(replace(p, publish=False) if p in same else p for p in roster)
        more += [] if same else [replace(player, number="")]  # who has the number now is somebody else
    return (*roster, *more)


def _said(table: Table | None, example: str = "") -> list[str]:
    """How a table was read, where it is no plain UTF-8 with commas; `example`: where its letters can be checked."""
    if table is None or table.reading in ("", PLAIN):
        return []
    check = ""
    if example:
        check = f"; its code page is a guess: see whether the letters are right in {example}. If not, {SAVE_AS}"
    return [f"{table.file}: {table.reading}{check}"]


def _references(
    parsed: EventFile, doc: Document, index: FrameIndex, problems: list[Problem], notices: list[str]
) -> tuple[Reference, ...]:
    references: list[Reference] = []
    for number, given in enumerate(parsed.references):
        name, why = index.find(given.frame)
        where = ("references", number)
        if name is None and (name := index.called(given.frame)):
            notices.append(f"references: {why}. {index.unmistakable(name)} is used")
        if name is None:
            problems.append(doc.problem((*where, "frame"), f"references: {why}"))
        elif given.patch is None and given.chart is None:
            problems.append(doc.problem(where, "references: say where the neutral is: add patch: or chart:"))
        else:
            references.append(Reference(name, given.patch, given.chart, given.end))
    return tuple(references)
