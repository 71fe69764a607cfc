"""The table of captions: written for a person to fill in, and read back to see what would be embedded."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pipeline.engine.jobs import Shoot, read_frames, with_wrong_rows, without_wrong_rows
from pipeline.engine.measure import MeasuredFrame
from pipeline.engine.redaction import FramesAndFacts, Redaction
from pipeline.engine.tables.frame_table import frame_table
from pipeline.errors import InputError, Problem
from pipeline.formats.metadata.carried import NOTHING_CARRIED, read_carried
from pipeline.formats.metadata.model import Metadata
from pipeline.people.ranking import Ranked
from pipeline.recipe.recipe import Recipe
from pipeline.shoot.clocks.correction import with_clocks
from pipeline.shoot.clocks.fit import clock_notes
from pipeline.shoot.consent import held_by_own_texts
from pipeline.shoot.countries import languages_of
from pipeline.shoot.facts import Facts, FrameFacts, held_back, nobody_known, nobody_named, without_rows
from pipeline.shoot.frame_names import FrameIndex
from pipeline.shoot.read_facts import frames_table, load_facts
from pipeline.steps.caption import CaptionParams, describe
from pipeline.textfile.messages import counted
from pipeline.textfile.tables import UNICODE
from pipeline.types import Frame


@dataclass(frozen=True)
class CaptionStep:
    """The parameters of a caption step, and the name of its delivery."""

    delivery: str
    params: CaptionParams


def caption_steps(recipe: Recipe) -> list[CaptionStep]:
    """The caption steps of a recipe, in its order, without repeats. Raises InputError where there is none."""
    found: list[CaptionStep] = []
    for delivery in recipe.deliveries:
        for bound in delivery.steps:
            if isinstance(bound.params, CaptionParams) and bound.params not in [f.params for f in found]:
                found.append(CaptionStep(delivery.name, bound.params))
    if not found:
        raise InputError("no delivery of the recipe has a caption step; add one, or give another recipe")
    return found


# ---- writing -----------------------------------------------------------------------------------------------


def filled_in(shoot: Shoot, file: Path) -> Facts:
    """The facts with what `file`, a table that was written before, says; empty cells take the shoot's own frames.csv.

    Raises InputError with every problem of the file: a table that is not understood in full must not be overwritten.
    """
    read, problems, _ = load_facts(shoot.folder, shoot.facts_file, shoot.index, file)
    if own := [p for p in problems if p.file == str(file)]:
        raise InputError(own)
    rows = {**shoot.facts.rows, **{name: _joined(row, shoot.facts.row(name)) for name, row in read.rows.items()}}
    already = {row["frame"] for row in read.elsewhere}
    elsewhere = (*read.elsewhere, *(row for row in shoot.facts.elsewhere if row["frame"] not in already))
    return replace(shoot.facts, rows=rows, elsewhere=elsewhere)


def form_of(shoot: Shoot, file: Path) -> tuple[str, str]:
    """(separator between the cells of `file`, "" where nobody can tell; its encoding in words) of a table of frames."""
    languages = languages_of(shoot.facts.language, shoot.facts.country)
    table = frames_table(file, [], languages)
    return (table.separator, table.encoding) if table is not None else ("", UNICODE)


def _joined(first: FrameFacts, second: FrameFacts) -> FrameFacts:
    """The row `first`, with what `second` says where `first` is empty."""
    decided = first.always or not first.keep
    return replace(
        first,
        keep=first.keep if decided else second.keep,
        always=first.always if decided else second.always,
        rating=second.rating if first.rating is None else first.rating,
        players=first.players or second.players,
        words=first.words or second.words,
        crop=second.crop if first.crop is None else first.crop,
        marks=first.marks or second.marks,
        crops=tuple(sorted({**dict(second.crops), **dict(first.crops)}.items())),
    )


def sheet(
    shoot: Shoot,
    params: CaptionParams,
    ranks: Mapping[str, Ranked],
    measured_frames: Sequence[MeasuredFrame],
    suggested_players: Mapping[str, str] | None = None,
    separator: str = ",",
) -> tuple[str, str]:
    """(CSV text, why captions could not be made; "" where all could).

    ranks    frame -> how good it is; measured_frames  of the shoot, for the texts typed in the camera
    suggested_players  frame -> players read from jersey numbers; None leaves the column out
    separator  between cells, one of frame_table.SEPARATORS
    """
    carried = {one.frame.name: one.carried for one in measured_frames}
    unread = {one.frame.name for one in measured_frames if one.error}
    captions, failed = {}, []
    for frame in shoot.frames:
        withheld = shoot.withheld(frame.name) or ("cannot be read" if frame.name in unread else "")
        if withheld:
            captions[frame.name] = f"(in no delivery: {withheld})"
            continue
        row = shoot.facts.row(frame.name)
        try:
            text, _ = describe(frame, shoot.facts, row, params, carried.get(frame.name, NOTHING_CARRIED))
            captions[frame.name] = text.caption
        except InputError as error:
            failed.append(str(error))
    info = {} if suggested_players is None else {"suggested_players": suggested_players}
    table = frame_table(
        shoot.frames, shoot.bursts, shoot.facts, ranks, info={**info, "caption": captions}, separator=separator
    )
    more = f"; and {counted(len(failed) - 1, 'more frame')}" if len(failed) > 1 else ""
    return table, f"{failed[0]}{more}" if failed else ""


# ---- reading back ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class CaptionPreview:
    """The texts that one or more rows lead to, as they would be embedded.

    frames, lines  the rows; held  why their frames are in no delivery, "" where they are in one
    """

    frames: tuple[str, ...]
    lines: tuple[int, ...]
    texts: Metadata
    held: str
    notes: tuple[str, ...]


@dataclass(frozen=True)
class CheckedTable:
    """A table that was read back: previews in its order, problems by line.

    notices  on the files that were read, wrong in nothing; unnamed  on the frames of the shoot without a row
    line     what of a text may be shown, see redaction.py
    """

    file: str
    previews: tuple[CaptionPreview, ...]
    problems: tuple[Problem, ...]
    stops: bool  # whether they stop a run
    unnamed: tuple[str, ...]
    notices: tuple[str, ...]
    line: Callable[[str], str]


def check(folder: Path, facts_file: Path | None, file: Path | None, params: CaptionParams) -> CheckedTable:
    """Read `file`, or the table that the facts name, and make each row's texts as a run would.

    A wrong row becomes a problem, and its frame is held back. Raises InputError where there is no shoot or no table,
    and where no player can be read from the roster: without names no caption is as it would be.
    """
    found = read_frames(folder, facts_file)
    index = FrameIndex(found.frames, found.formerly)
    facts, problems, _ = load_facts(folder, facts_file, index, file)
    if not facts.frames_file and not problems:
        to = f"--facts {facts_file}" if facts_file else "--out frames.csv"
        raise InputError(
            f"{facts_file or folder}: has no frames.csv to check; write one with: evencourt captions {folder} {to}"
        )
    corrected, wrong_clocks = with_clocks(found.frames, facts.clocks, facts.start)
    problems += wrong_clocks
    stops = _stop_a_run(facts, problems)
    for row in facts.elsewhere:
        why = index.of_row(row).why
        problems.append(row.problem(f"frame: {why}; correct the name, or delete the line"))
    facts = with_wrong_rows(facts, problems)
    frames = {f.name: f for f in corrected.frames}
    line = Redaction(FramesAndFacts(tuple(frames.values()), facts)).line
    unread = facts.roster_file and any(p.file == facts.roster_file for p in problems)  # its players may be there
    if unread and stops and not facts.roster:
        more = "captions are shown when the players can be read from it"
        raise InputError([replace(p, message=line(p.message)) for p in problems], f"{facts.roster_file}: {more}")
    of_consent: list[str] = []
    own_texts = held_by_own_texts(facts, list(frames.values()), of_consent)
    previews: list[CaptionPreview] = []
    for name, typed in sorted(facts.rows.items(), key=lambda item: item[1].line):
        try:
            one = _preview(frames[name], facts, facts.row(name), own_texts.get(name, ""), params)
        except InputError as error:
            problems.append(Problem(facts.frames_file, typed.line, 1, str(error)))
            continue
        last = previews[-1] if previews else None
        if last is not None and _alike(last, one):
            previews[-1] = replace(last, frames=(*last.frames, name), lines=(*last.lines, typed.line))
        else:
            previews.append(one)
    unnamed = tuple(without_rows(facts))
    read = facts.frames_file or str(file or folder)
    goes_out = [name for one in previews if not one.held for name in one.frames]
    of_all = () if unread else (*nobody_known(facts), *nobody_named(facts, goes_out))
    of_clocks = clock_notes(corrected.frames, facts.start, corrected.added.keys(), corrected.right)
    notices = (*of_all, *of_consent, *(one.text for one in of_clocks), *facts.notices)
    return CheckedTable(read, tuple(previews), tuple(sorted(set(problems))), stops, unnamed, notices, line)


def _stop_a_run(facts: Facts, problems: Sequence[Problem]) -> bool:
    try:
        without_wrong_rows(facts, problems)
    except InputError:
        return True
    return False


def _preview(frame: Frame, facts: Facts, row: FrameFacts, mark: str, params: CaptionParams) -> CaptionPreview:
    held = (held_back(facts, row) or mark) if row.keep else "keep: no"
    texts, notes = describe(frame, facts, row, params, read_carried(frame.path))
    return CaptionPreview((frame.name,), (row.line,), texts, held, notes)


def _alike(a: CaptionPreview, b: CaptionPreview) -> bool:
    return (a.held, a.notes, _texts(a.texts)) == (b.held, b.notes, _texts(b.texts))


def _texts(texts: Metadata) -> Sequence[Any]:
    return texts.headline, texts.caption, texts.alt_text, texts.persons, texts.keywords
