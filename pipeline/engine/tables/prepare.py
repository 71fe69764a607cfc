"""What the frames, the facts beside them and the last match say of a match, for the files that a person fills in."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import cast

from pipeline.engine.measure import MeasuredFrame
from pipeline.engine.tables.event_form import FormContent
from pipeline.engine.tables.reference_proposals import Proposal
from pipeline.errors import InputError, Problem
from pipeline.shoot.clocks.bodies import Body, bodies, to_separate
from pipeline.shoot.eventfile import NOTHING_WRITTEN, as_written, parse_event
from pipeline.shoot.facts import ROSTER_COLUMNS, Player
from pipeline.shoot.read_facts import EVENT_FILE, FRAMES_FILE, ROSTER_FILE, load_players
from pipeline.shoot.roster import EXAMPLE
from pipeline.textfile.messages import counted
from pipeline.textfile.reading import is_there, read_bytes
from pipeline.textfile.tables import SIZE_LIMIT
from pipeline.textfile.yaml_text import Value, flow, quoted
from pipeline.textfile.yamlfile import Document, load_yaml
from pipeline.types import Frame

# Texts of one match only: the last one's are shown, not used.
_OF_ONE_MATCH = ("title", "job_id", "instructions")
# What describes one set of frames, or the files beside it, and says nothing of another.
_OF_ONE_SHOOT = ("start", "references", "clocks", "roster", "frames")
# Texts that a delivery keeps as the camera has them where shoot.yaml is silent (from_camera: rights).
_OF_CAMERA = ("creator", "copyright", "credit", "source", "usage", "rights_url")
_AS_LAST_TIME = {
    "teams": "as last time: check which team is at home",
    "hall": "as last time: its remembered light is used where frames prove it; empty it for another hall",
    "minors": "as last time: no player's name is published",
}
_MOST = 3  # texts or names that one remark lists
_LONGEST = 80  # characters of a text of the cameras that a remark shows
_ONE_NIGHT = timedelta(hours=24)  # frames further apart are not of one match (common practice, no source)


@dataclass(frozen=True)
class Written:
    """Facts that a person wrote before.

    values   of shoot.yaml, as YAML reads them, without empty ones
    players  of the roster; table  its file as it is, None where there is none; file  where that is
    """

    values: Mapping[str, Value]
    players: tuple[Player, ...] = ()
    table: bytes | None = None
    file: str = ""


NOTHING = Written({})


def written_facts(folder: Path) -> Written:
    """shoot.yaml and roster.csv of a folder, be it a shoot folder or one of facts; nothing where it holds neither.

    Raises InputError with everything that is wrong in them.
    """
    event, problems = folder / EVENT_FILE, list[Problem]()
    doc = Document(str(event), {}, {}, {})
    if is_there(event):
        doc = load_yaml(event, problems)
    parsed = parse_event(doc, problems)
    _, players, _ = load_players(parsed, doc, (folder,), problems, [])
    if problems:
        raise InputError(problems)
    values = {key: value for key, value in as_written(doc).items() if value not in ("", {}, [])} if doc.data else {}
    if "minors" in values:
        values["minors"] = parsed.minors  # which may be written in the shoot's language
    file = folder / (parsed.roster or ROSTER_FILE)
    if not is_there(file):
        return Written(values)
    # A withheld name may stand there in several spellings, where the table's code page is a guess.
    one_each = {(player.team, player.number): player for player in reversed(players)}
    return Written(values, tuple(reversed(one_each.values())), read_bytes(file, SIZE_LIMIT), str(file))


def table_files(folder: Path) -> dict[str, Path]:
    """Each of FACTS_FILES -> where a folder of facts has it: its shoot.yaml may call the tables otherwise.

    Raises InputError where that cannot be read.
    """
    problems: list[Problem] = []
    event = folder / EVENT_FILE
    parsed = parse_event(load_yaml(event, problems), problems) if is_there(event) else NOTHING_WRITTEN
    if problems:
        raise InputError(problems)
    roster, frames = parsed.roster or ROSTER_FILE, parsed.frames or FRAMES_FILE
    return {EVENT_FILE: event, ROSTER_FILE: folder / roster, FRAMES_FILE: folder / frames}


def last_match(folder: Path) -> Written:
    """What `--like` carries over. Raises InputError as written_facts, and where the folder holds no facts."""
    if not folder.is_dir():
        raise InputError(f"--like {folder}: there is no such folder; give the one with the last match's {EVENT_FILE}")
    found = written_facts(folder)
    if not found.values and found.table is None:
        raise InputError(f"--like {folder}: holds neither {EVENT_FILE} nor {ROSTER_FILE}; give the last match's folder")
    return replace(found, values={key: one for key, one in found.values.items() if key not in _OF_ONE_SHOOT})


def roster_form(separator: str) -> str:
    """CSV text of a roster with its header and two examples, which are not read."""
    text = io.StringIO()
    table = csv.writer(text, delimiter=separator, lineterminator="\r\n")
    table.writerow(ROSTER_COLUMNS)
    table.writerow(("# home", "7", "First and last name", "yes"))
    table.writerow(("# away", "12", EXAMPLE, "no"))
    return text.getvalue()


def form_content(
    frames: Sequence[Frame],
    measured_frames: Sequence[MeasuredFrame],
    proposals: Sequence[Proposal],
    beside: Written = NOTHING,
    last: Written = NOTHING,
) -> FormContent:
    """What to fill into shoot.yaml: what is sure as values, the rest as remarks.

    frames  with the times that `clocks` gives them; beside  facts that lie in the shoot folder, which count in full
    last    those of `last_match`
    """
    values = {key: value for key, value in beside.values.items() if key not in ("roster", "frames")}
    remarks: dict[str, str] = {}
    for key, value in last.values.items():
        if key in _OF_ONE_MATCH:
            if key not in values:
                remarks[key] = f"last time: {_short(str(value))}"
        elif key not in values:
            values[key] = value
            remarks[key] = _AS_LAST_TIME.get(key, "as last time")
    if not values.get("minors"):
        remarks.pop("minors", None)
    for key, remark in _camera_texts(measured_frames).items():
        if key not in values:
            remarks[key] = remark
    if "start" not in values:
        start, remarks["start"] = _start(frames)
        if start:
            values["start"] = start
    # Where `clocks` cannot name it, or next to entries of the person's own, only a remark.
    sure = {} if "clocks" in values else {b.key: b for b in bodies(frames) if b.first and b.key}
    below = {
        "references": _references(proposals, values.get("references")),
        "clocks": [_unsure(b) for b in bodies(frames) if b.key not in sure],
    }
    if sure:
        values["clocks"] = dict.fromkeys(sure, 0)
    return FormContent(values, remarks, below, {("clocks", key): _body(body) for key, body in sure.items()})


def _unsure(body: Body) -> str:
    """A camera that gets no entry of its own, as a remark."""
    if not body.first:
        return _body(body)
    return f"{body.written}: {_body(body)}" if body.key else f"{_body(body)}; to correct it, {to_separate([body])}"


def _camera_texts(measured_frames: Sequence[MeasuredFrame]) -> dict[str, str]:
    """Key -> what was typed in the cameras under it."""
    remarks = {}
    for key in _OF_CAMERA:
        texts = Counter(text for one in measured_frames if (text := getattr(one.carried, key)))
        if texts:
            some = ", ".join(f"{_short(text)} ({counted(count, 'frame')})" for text, count in texts.most_common(_MOST))
            more = f" and {len(texts) - _MOST} more" if len(texts) > _MOST else ""
            remarks[key] = f"the cameras say {some}{more}; that stays where this is empty"
    return remarks


def _short(text: str) -> str:
    return quoted(text if len(text) <= _LONGEST else f"{text[:_LONGEST]}…")


def _start(frames: Sequence[Frame]) -> tuple[str, str]:
    """(start as it is written, "" where it is not sure; a remark)."""
    timed = [(one.exif.time, one.exif.utc_offset) for one in frames if one.exif.time is not None]
    timed.sort(key=lambda one: one[0])
    if not timed:
        return "", "no frame holds a time; write 2026-02-14T19:30:00+01:00"
    (first, offset), (last, _) = timed[0], timed[-1]
    if last - first > _ONE_NIGHT:
        days = Counter(moment.date() for moment, _ in timed)
        most = max(days, key=lambda day: (days[day], day))  # a clock that was never set is behind
        guess = _iso(*next(one for one in timed if one[0].date() == most))
        return "", (
            f"a guess: {guess}, the first frame of the day with most frames; "
            f"the frames are of {first:%Y-%m-%d} to {last:%Y-%m-%d}: is a camera's clock wrong?"
        )
    if offset is None:
        return "", f"a guess: {_iso(first, offset)}, the first frame; no camera says its offset from UTC"
    return _iso(first, offset), "the first frame; write when the match began"


def _iso(moment: datetime, offset: int | None) -> str:
    """ISO 8601 to the second; where the offset from UTC, minutes, is not known, that of this computer's place."""
    zone = timezone(timedelta(minutes=offset or 0))
    if offset is None:
        with suppress(OSError, OverflowError, ValueError):  # of a camera that was never set
            zone = timezone(moment.astimezone().utcoffset() or timedelta())
    return moment.replace(tzinfo=zone).isoformat(timespec="seconds")


def _body(body: Body) -> str:
    """A camera and its frames, as a remark."""
    name = " ".join(filter(None, (body.model or "a camera without a model", body.serial and f"serial {body.serial}")))
    count = counted(len(body.frames), "frame")
    if body.first is None or body.last is None:
        return f"{name}: {count} without a time"
    days = "%Y-%m-%d %H:%M:%S" if body.first.date() != body.last.date() else "%H:%M:%S"
    until = f" to {body.last.strftime(days)}" if body.last != body.first else ""
    return f"{name}: {count}, {body.first:%Y-%m-%d %H:%M:%S}{until}"


def _references(proposals: Sequence[Proposal], written: Value) -> list[str]:
    """Lines of comment: an entry of `references` for each usable proposal, ready to have its # taken away."""
    known = {one.get("frame") for one in cast(Sequence[Mapping[str, Value]], written or ())}
    new = [one for one in proposals if one.frame not in known]
    lines = []
    if any(not one.why for one in new):
        lines.append(
            "Guesses, not used: look at these frames, and remove the # before those that show a chart or card."
        )
    for one in new:
        patch = [round(v, 3) for v in one.patch]
        if one.why:
            lines.append(f"{flow(one.frame)} shows a {one.kind} that cannot be used: {one.why}")
        elif one.kind == "chart":
            entry = flow({"frame": one.frame, "chart": "auto"})
            lines.append(f"- {entry}  # a 24-patch chart; by its grey alone: patch: {flow(patch)}{_alike(one)}")
        else:
            entry = flow({"frame": one.frame, "patch": patch})
            lines.append(f"- {entry}  # an even rectangle, as a grey or white card is{_alike(one)}")
    return lines


def _alike(one: Proposal) -> str:
    if not one.alike:
        return ""
    more = f" and {len(one.alike) - _MOST} more" if len(one.alike) > _MOST else ""
    return f"; the same light: {', '.join(map(flow, one.alike[:_MOST]))}{more}"
