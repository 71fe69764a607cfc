"""The work of a run: the shoot as read, and for each frame its outputs with their texts."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from pipeline.engine.earlier import names_known
from pipeline.engine.filenames import file_names, relative_path
from pipeline.engine.hall.recall import recall
from pipeline.engine.measure import MeasuredFrame, reason
from pipeline.engine.redaction import FramesAndFacts, Redaction
from pipeline.engine.render import Job, Output, long_edge_needed, pixel_key, window_needed
from pipeline.engine.solve import Plan
from pipeline.errors import InputError, Problem, in_short, lines_of, trace
from pipeline.formats.metadata.carried import NOTHING_CARRIED
from pipeline.formats.metadata.model import Metadata, PictureTexts
from pipeline.people.modelfiles import ModelFiles, find
from pipeline.recipe.recipe import Delivery, Recipe
from pipeline.shoot.bursts import find_bursts
from pipeline.shoot.clocks.correction import with_clocks
from pipeline.shoot.clocks.fit import ClockNote, clock_notes
from pipeline.shoot.consent import is_named, named_by_own_texts, with_copies
from pipeline.shoot.facts import WRONG_LINE, Facts, FrameFacts, held_back
from pipeline.shoot.frame_names import NOTHING_KNOWN, FrameIndex, NameMemory, with_numbers
from pipeline.shoot.read_facts import load_facts, written_names
from pipeline.shoot.scan import Scan, scan
from pipeline.shoot.sidecar import sidecar_rating
from pipeline.steps.base import Solution
from pipeline.store.cache import NO_CACHE, Cache
from pipeline.store.keys import digest_json
from pipeline.store.store import Store
from pipeline.store.watch import raise_if_full
from pipeline.types import Burst, Frame


@dataclass(frozen=True)
class Shoot:
    """A shoot folder as read.

    frames, bursts  in order of time; facts_file  what --facts gave, a shoot.yaml or a folder, None for neither
    missing         (frame, reason) of rows in frames.csv whose frame is not in the folder, or in which a cell is wrong
    notices         on what is wrong but not fatal
    lost            (path in the shoot folder, reason) of photographs that cannot be frames, and fail; in no notice
    own_texts       frame -> why it is held back, by what its own texts or file name say, or as a copy
    of_texts, of_copies  those of the notices that the search for these has left
    added           frame -> seconds that `clocks` of the facts added to its time
    clock_notes     those of the notices that may hold the end of a serial number
    index           finds a frame by what a person wrote
    """

    folder: Path
    frames: tuple[Frame, ...]
    bursts: tuple[Burst, ...]
    facts: Facts
    facts_file: Path | None
    missing: tuple[tuple[str, str], ...]
    notices: tuple[str, ...]
    models: ModelFiles
    own_texts: Mapping[str, str] = field(default_factory=dict)
    added: Mapping[str, float] = field(default_factory=dict)
    clock_notes: tuple[ClockNote, ...] = ()
    index: FrameIndex = field(default_factory=lambda: FrameIndex(()))
    lost: tuple[tuple[str, str], ...] = ()
    of_texts: tuple[str, ...] = ()
    of_copies: tuple[str, ...] = ()

    def failures(self) -> dict[str, str]:
        """Frame or row of frames.csv -> why it fails, of those that have failed before a run begins."""
        return dict((*self.missing, *self.lost))

    def failed_steps(self) -> dict[str, str]:
        """What else has failed before a run begins, as in its record."""
        return {"roster": "; ".join(self.facts.wrong_players)} if self.facts.wrong_players else {}

    def withheld(self, frame: str) -> str:
        """Why a frame may be in no delivery; "" where it may."""
        row = self.facts.row(frame)
        if not row.keep:
            return "frames.csv says keep: no"
        return held_back(self.facts, row) or self.own_texts.get(frame, "")

    def for_consent(self, frame: str) -> bool:
        """Whether a frame may be in no delivery because of who is in it, or may be, whatever else is said of it."""
        return bool(held_back(self.facts, self.facts.row(frame)) or self.own_texts.get(frame, ""))

    def for_wrong_line(self, frame: str) -> bool:
        """Whether a frame that is held `for_consent` is so only until a line of a table is corrected."""
        return for_wrong_line(self.facts, frame, self.own_texts.get(frame, ""))

    def shows_withheld(self, frame: str) -> bool:
        """Whether a person or the frame's own texts say that it shows a player who must not be published."""
        known = replace(self.facts.row(frame), unclear="")
        return bool(held_back(self.facts, known)) or is_named(self.own_texts.get(frame, ""))


def for_wrong_line(facts: Facts, frame: str, own_texts: str) -> bool:
    """Whether a frame is held because of who is in it only until a line of a table is corrected.

    own_texts  why its own texts hold it, "" where they do not
    """
    row = facts.row(frame)
    players = tuple(player for player in facts.roster if not player.wrong)
    if held_back(replace(facts, roster=players), replace(row, unclear="")):
        return False
    return WRONG_LINE in own_texts if own_texts else bool(held_back(facts, row))


def read_frames(folder: Path, facts_file: Path | None, memory: NameMemory = NOTHING_KNOWN) -> Scan:
    """The frames of a folder, called as an earlier run (`memory`) or the frames.csv of the facts calls them."""
    return scan(folder, replace(memory, written=written_names(folder, facts_file)))


def read_shoot(
    folder: Path,
    facts_file: Path | None = None,
    models: Path | None = None,
    out: Path | None = None,
    wrong: list[Problem] | None = None,
    cache: Cache = NO_CACHE,
) -> Shoot:
    """Scan a folder and read its facts. Raises InputError with every problem, or with those of the folder alone where
    `wrong` takes the others.

    facts_file  see read_facts.facts_place; models  the folder of the model files, None for the usual
    out         where an earlier run may have delivered to: its frames keep their names
    cache       keeps what pictures look like that may be copies of those that are held
    """
    files = find(models)
    memory = names_known(out) if out is not None else NOTHING_KNOWN
    found = read_frames(folder, facts_file, memory)
    index = FrameIndex(found.frames, found.formerly, memory.rows, memory.shown)
    facts, problems, missing = load_facts(folder, facts_file, index)
    index.rest()
    corrected, wrong_clocks = with_clocks(found.frames, facts.clocks, facts.start)
    wrong_rows: list[tuple[str, str]] = []
    try:
        facts, wrong_rows = without_wrong_rows(facts, [*problems, *wrong_clocks])
    except InputError as error:
        if wrong is None:
            line = Redaction(FramesAndFacts(corrected.frames, facts)).line
            told = [replace(problem, message=line(problem.message)) for problem in error.problems]
            raise InputError(told, *error.lines[len(lines_of(error.problems)) :]) from error
        wrong += error.problems
    frames = with_numbers(corrected.frames, memory)
    facts, sidecars = _with_ratings(facts, frames)
    recalled = recall(facts, out, found.frames)
    facts = recalled.facts
    of_texts, of_copies = list[str](), list[str]()
    own_texts = with_copies(facts, frames, named_by_own_texts(facts, frames, of_texts), of_copies, cache)
    of_clocks = clock_notes(frames, facts.start, corrected.added.keys(), corrected.right)
    notices = (
        *of_texts,
        *of_copies,
        *(note.text for note in of_clocks),
        *facts.notices,
        *found.notices,
        *(f"{name}: {why}" for name, why in found.skipped if (name, why) not in found.lost),
        *sidecars,
        *recalled.notices,
        *files.notices,
    )
    notices += tuple(f"{f.name}: {text}" for f in frames for text in f.exif.notices)
    return Shoot(
        folder,
        frames,
        tuple(find_bursts(frames)),
        facts,
        facts_file,
        (*((name, why) for name, why in missing if name not in dict(found.lost)), *wrong_rows),
        notices,
        files,
        own_texts,
        added=corrected.added,
        clock_notes=of_clocks,
        index=index,
        lost=found.lost,
        of_texts=tuple(of_texts),
        of_copies=tuple(of_copies),
    )


# Rows of a table with a wrong cell, and share of all its rows, that hold back their own frames and no more; with more,
# the roster or the table is wrong as a whole, and a night without a picture helps nobody. Chosen by us, no source.
_FEW_ROWS, _SHARE_OF_ROWS = 3, 0.05
_TOO_MANY = (
    f"these are too many wrong rows to go on without them: up to {_FEW_ROWS}, or {100 * _SHARE_OF_ROWS:.0f} % of a "
    "table, hold back their own players or frames and no more; correct them, and run the same command again"
)


def without_wrong_rows(facts: Facts, problems: Sequence[Problem]) -> tuple[Facts, list[tuple[str, str]]]:
    """The facts with the frames held back in whose rows a cell is wrong, and (row, reason) of each: nobody knows what
    such a row forbids, and the rest of the night need not wait for it. Nor for a wrong row of the roster whose player
    is withheld; see `Facts.wrong_players`.

    Raises InputError with all problems where one concerns more than its frame or player, or many rows are wrong.
    """
    of_players = sorted({problem for problem in problems if problem.withheld})
    rest = sorted({problem for problem in problems if not problem.withheld})
    frames = {problem.frame for problem in rest}
    lines = {problem.line for problem in of_players}
    right = len({player.line for player in facts.roster} - lines)  # a player may be there in several spellings
    are_many = _are_many(len(frames), len(facts.rows)) or _are_many(len(lines), right) or (lines and not right)
    if "" in frames:
        raise InputError(problems)
    if are_many:
        raise InputError(problems, _TOO_MANY)
    said: dict[str, list[Problem]] = {}
    for problem in rest:
        said.setdefault(problem.frame, []).append(problem)
    wrong = [
        (f"{name} (line {some[0].line})", f"{'; '.join(map(str, some))}; {name} is held back until then")
        for name, some in said.items()
    ]
    players = tuple(f"{one}; until then no frame that may show or name this player is delivered" for one in of_players)
    return replace(with_wrong_rows(facts, rest), wrong_players=players), wrong


def with_wrong_rows(facts: Facts, problems: Sequence[Problem]) -> Facts:
    """The facts with each frame held back that one of the problems is about."""
    table = Path(facts.frames_file).name
    first = {problem.frame: problem.line for problem in sorted(problems, reverse=True) if problem.frame}
    why = {name: f"line {line} of {table} is wrong; correct it" for name, line in first.items()}
    return replace(facts, unclear={**facts.unclear, **why})


def _are_many(wrong: int, right: int) -> bool:
    return wrong > max(_FEW_ROWS, _SHARE_OF_ROWS * (right + wrong))


def _with_ratings(facts: Facts, frames: Sequence[Frame]) -> tuple[Facts, list[str]]:
    """The facts with ratings from XMP sidecars where frames.csv gives none, and notices on unreadable sidecars."""
    rows: dict[str, FrameFacts] = dict(facts.rows)
    notices: list[str] = []
    for frame in frames:
        row = facts.row(frame.name)
        if row.rating is not None:
            continue
        try:
            ratings = (sidecar_rating(path) for path in frame.files)
            rating = next((one for one in ratings if one is not None), None)
        except Exception as error:
            trace(error)
            notices.append(f"{frame.name}: the rating of its sidecar is not used: {in_short(error)}")
            continue
        if rating is not None:
            rows[frame.name] = replace(row, rating=rating)
    return replace(facts, rows=rows), notices


@dataclass(frozen=True, slots=True)
class Delivered:
    """A planned output, its texts for the record ("" where the delivery has none), and notices on them."""

    output: Output
    caption: str
    alt_text: str
    headline: str
    notices: tuple[str, ...]


Planned = Mapping[str, tuple[Job, list[Delivered]]]


class _OfFrame(Mapping[str, Solution]):
    """One frame's solutions by label, without a dict of its own for each frame of a night; a worker gets a dict."""

    __slots__ = ("_all", "_frame")

    def __init__(self, of_all: Mapping[str, Mapping[str, Solution]], frame: str) -> None:
        self._all, self._frame = of_all, frame

    def __getitem__(self, label: str) -> Solution:
        return self._all[label][self._frame]

    def __iter__(self) -> Iterator[str]:
        return (label for label, by_frame in self._all.items() if self._frame in by_frame)

    def __len__(self) -> int:
        return sum(self._frame in by_frame for by_frame in self._all.values())

    def __reduce__(self) -> tuple[type[dict[str, Solution]], tuple[dict[str, Solution]]]:
        return dict, (dict(self),)


class JobsInOrder(Sequence[Job]):
    """What is to be rendered, in this order. Each job is made when it is asked for: a night of them takes memory."""

    def __init__(
        self, order: Sequence[str], waiting: Mapping[str, tuple[Output, ...]], planned: Planned, store: Store
    ) -> None:
        """waiting  frame -> the outputs of its job that are to be made"""
        self._order, self._waiting, self._planned, self._store = order, waiting, planned, store

    def __len__(self) -> int:
        return len(self._order)

    def __getitem__(self, index: Any) -> Any:
        name = self._order[index]
        job = self._planned[name][0]
        return replace(job, outputs=self._waiting[name], seen=self._store.seen(job.frame))


@dataclass(frozen=True)
class Planner:
    """Turns solutions into one render job for each frame."""

    out: Path
    shoot: Shoot
    recipe: Recipe

    @cached_property
    def names(self) -> Mapping[str, Mapping[str, str]]:
        """Delivery -> frame -> name of its file, no suffix. Raises InputError where a template fails on a frame."""
        templates = {d.file_name.template for d in self.recipe.deliveries}
        named = {one: file_names(self.shoot.frames, self.shoot.facts, one) for one in sorted(templates)}
        return {d.name: named[d.file_name.template] for d in self.recipe.deliveries}

    def plan(self, measured_frames: Sequence[MeasuredFrame], plan: Plan) -> tuple[Planned, dict[str, str]]:
        """(frame -> its job and outputs, frame -> why it failed). A frame that no delivery has chosen, or that is
        withheld, is in neither."""
        # By a digest: the name of a thumbnail is in run.json, and must not be a person's.
        thumbs = {s.frame.name: digest_json(s.frame.name)[:32] for s in measured_frames}
        planned: dict[str, tuple[Job, list[Delivered]]] = {}
        failed: dict[str, str] = {}
        for one in measured_frames:
            frame = one.frame
            wanted = [d for d in self.recipe.deliveries if not plan.left_out(self.recipe, d, frame.name)]
            if one.error or self.shoot.withheld(frame.name) or not wanted:
                continue
            try:
                planned[frame.name] = self._frame(one, plan, wanted, thumbs[frame.name])
            except Exception as error:  # what cannot be captioned or placed is not delivered
                raise_if_full(error)
                failed[frame.name] = reason(error)
        return planned, failed

    def _frame(
        self, one: MeasuredFrame, plan: Plan, wanted: Sequence[Delivery], thumbs: str
    ) -> tuple[Job, list[Delivered]]:
        frame, row = one.frame, self.shoot.facts.row(one.frame.name)
        solutions = _OfFrame(plan.solutions, frame.name)
        edge = long_edge_needed(self.recipe, plan, frame.name, one.full_size)
        window = window_needed(self.recipe, plan, frame, one.full_size, edge)
        delivered = []
        once: dict[str, tuple[Metadata | None, tuple[str, ...], str]] = {}  # the groups of a delivery are alike
        for delivery in wanted:
            if delivery.written.name not in once:
                metadata, notices = self.text(delivery, frame, row, one.carried)
                key = pixel_key(one.digest, edge, window, self.recipe, delivery, solutions, metadata)
                once[delivery.written.name] = metadata, notices, key
            metadata, notices, key = once[delivery.written.name]
            output = Output(delivery, relative_path(delivery, self.names[delivery.name][frame.name]), metadata, key)
            text = (metadata.caption, metadata.alt_text, metadata.headline) if metadata else ("", "", "")
            delivered.append(Delivered(output, *text, notices))
        outputs = tuple(d.output for d in delivered)
        return Job(self.out, frame, row, edge, self.recipe.steps, outputs, solutions, thumbs, window), delivered

    def text(
        self, delivery: Delivery, frame: Frame, row: FrameFacts, carried: PictureTexts = NOTHING_CARRIED
    ) -> tuple[Metadata | None, tuple[str, ...]]:
        """(texts that a delivery writes into a frame's file, None where it has no caption step; notices).

        carried  texts typed in the camera. Raises InputError where a template fails on the frame.
        """
        for bound in delivery.steps:
            if bound.step.texts is not None:
                return bound.step.texts(frame, self.shoot.facts, row, bound.params, carried)
        return None, ()

    def texts(
        self, measured_frames: Sequence[MeasuredFrame], plan: Plan, planned: Planned
    ) -> dict[str, Metadata | None]:
        """Posix path below OUT -> the texts that a file of that name may carry today, whether or not it is made now."""
        texts: dict[str, Metadata | None] = {}
        for one in measured_frames:
            name = one.frame.name
            if self.shoot.withheld(name):
                continue
            made = planned[name][1] if name in planned else []
            texts |= {d.output.relative: d.output.metadata for d in made}
            there = {d.output.delivery.name for d in made}
            for delivery in (d for d in self.recipe.deliveries if d.name not in there):
                # Where the choosing failed, what was chosen before stays; it is in no zip, page or push.
                unknown = any(label in plan.failed for label, _ in self.recipe.labelled(delivery))
                if unknown or not plan.left_out(self.recipe, delivery, name):
                    with suppress(Exception):  # without a text, no such file may stay
                        path = relative_path(delivery, self.names[delivery.name][name])
                        texts[path] = self.text(delivery, one.frame, self.shoot.facts.row(name), one.carried)[0]
        return texts
